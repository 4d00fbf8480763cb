package overdye

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	"github.com/commonvat/commonvat/plugins/overdye/retention"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	overdyev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/overdye/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

func client(t testing.TB) overdyev1.OverdyeServiceClient {
	return overdyev1.NewOverdyeServiceClient(plugintest.Dial(t, Module()))
}

// cloth is wool with a little yellow and a little blue on it.
func cloth(yellow, blue float64) *overdyev1.OverdyeCurve {
	out := make([]float64, 31)
	for i := range out {
		nm := 400 + 10*float64(i)
		k := 0.1 + yellow*math.Exp(-(nm-430)*(nm-430)/3000) + blue*math.Exp(-(nm-620)*(nm-620)/7000)
		out[i] = colorimetry.ReflectanceFromKS(k)
	}
	return &overdyev1.OverdyeCurve{Reflectance: out}
}

// trials keep .6 of the yellow and take up .8 of the blue, give or take what i says; reversed ones keep .9 of the blue and take up .5 of the yellow.
func trials(n int, reversed bool) (out []*overdyev1.OverdyeTrial) {
	for i := range n {
		y, b, off := 2+0.3*float64(i%4), 2+0.4*float64(i%3), 1+0.02*float64(i%5-2)
		first, second, both := cloth(y, 0), cloth(0, b), cloth(.6*y*off, .8*b*off)
		if reversed {
			first, second, both = second, first, cloth(.5*y*off, .9*b*off)
		}
		out = append(out, &overdyev1.OverdyeTrial{TrialId: fmt.Sprintf("t%02d", i), Pieces: []*overdyev1.OverdyePiece{
			{Colours: &overdyev1.OverdyeColours{Substrate: cloth(0, 0), First: first, Second: second}, Both: both},
		}})
	}
	return out
}

func request(n int) *overdyev1.PredictOverdyeRequest {
	return &overdyev1.PredictOverdyeRequest{
		Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE},
		StartNm:   400, StepNm: 10, WavelengthCount: 31, Trials: trials(n, false),
		OverdyeClass: &overdyev1.OverdyeClass{FirstDye: "weld", SecondDye: "indigo", Fibre: "wool", Mordant: "alum", Bath: "vat"},
		Piece:        &overdyev1.OverdyeColours{Substrate: cloth(0, 0), First: cloth(2.5, 0), Second: cloth(0, 2.5)},
	}
}

func TestDescription(t *testing.T) { require.NoError(t, sdk.CheckDescription(Describe())) }

func TestFitted(t *testing.T) {
	got, err := client(t).PredictOverdye(t.Context(), request(10))
	require.NoError(t, err)
	assert.Equal(t, overdyev1.Standing_STANDING_FITTED, got.GetStanding(), got.GetStatement())
	assert.InDelta(t, .6, got.GetFit().GetRetention(), .01)
	assert.InDelta(t, .8, got.GetFit().GetUptake(), .01)
	require.NotNil(t, got.RadiusDe00)
	require.NotNil(t, got.AnyBathRadiusDe00)
	assert.Greater(t, got.GetAnyBathRadiusDe00(), got.GetRadiusDe00(), "the trials' second baths were not of one strength")
	assert.Equal(t, .9, got.GetRadiusShare())
	assert.Len(t, got.GetTrialErrors(), 10)
	assert.Len(t, got.GetRuleErrors(), 5)
	assert.Empty(t, got.GetMissing())
	// By hand: at 430 nm K/S is .1 + .6 x 2.5 + .8 x 2.5 exp(-190^2/7000), at 620 nm .1 + .6 x 2.5 exp(-190^2/3000) + .8 x 2.5.
	for i, k := range map[int]float64{3: .1 + 1.5 + 2*math.Exp(-190.0*190/7000), 22: .1 + 1.5*math.Exp(-190.0*190/3000) + 2} {
		assert.InDelta(t, 1+k-math.Sqrt(k*k+2*k), got.GetPrediction().GetReflectance()[i], .002)
	}
	assert.Contains(t, got.GetStatement(), "indigo over weld is expected at L*")
	assert.Contains(t, got.GetStatement(), fmt.Sprintf("in 90 of 100 cases within %.1f CIEDE2000 where the piece of indigo alone was dyed in the very bath, and within %.1f where it wasn't, by 10 trials",
		got.GetRadiusDe00(), got.GetAnyBathRadiusDe00()))
	assert.Empty(t, got.GetRemarks())
	assert.False(t, got.GetFromColourOnly())
}

func TestUnfittedRefusesOrder(t *testing.T) {
	for n := range retention.LeastTrials {
		q := request(n)
		q.AskOrder, q.ReversedTrials = true, trials(10, true)
		got, err := client(t).PredictOverdye(t.Context(), q)
		require.NoError(t, err)
		assert.Equal(t, overdyev1.Standing_STANDING_NOT_ENOUGH_YET, got.GetStanding())
		assert.False(t, got.GetOrder().GetAnswered())
		assert.Contains(t, got.GetOrder().GetWhyNot(), "weld before indigo has too few trials")
		assert.EqualValues(t, retention.LeastTrials-n, got.GetMissing()[0].GetCount())
		assert.Contains(t, got.GetMissing()[0].GetText(), "with weld first and indigo second on wool, mordant alum, second bath vat")
		assert.NotNil(t, got.GetPrediction(), "a guess, and called one")
		assert.Contains(t, got.GetStatement(), "blind to the order")
		assert.Nil(t, got.GetFit())
	}
	// Nor does one that borrowed answer.
	q := request(3)
	q.AskOrder, q.ReversedTrials, q.RelatedTrials = true, trials(10, true), trials(8, false)
	got, err := client(t).PredictOverdye(t.Context(), q)
	require.NoError(t, err)
	assert.Equal(t, overdyev1.Standing_STANDING_BORROWED, got.GetStanding())
	assert.False(t, got.GetOrder().GetAnswered())
	assert.Contains(t, got.GetOrder().GetWhyNot(), "borrowed")
	assert.Contains(t, got.GetRemarks()[0], "borrowed: 3 trials")
	assert.NotNil(t, got.GetFit().RelatedRetention)
}

func TestOrder(t *testing.T) {
	q := request(10)
	q.AskOrder, q.ReversedTrials = true, trials(10, true)
	got, err := client(t).PredictOverdye(t.Context(), q)
	require.NoError(t, err)
	require.True(t, got.GetOrder().GetAnswered(), got.GetOrder().GetWhyNot())
	assert.InDelta(t, .9, got.GetOrder().GetReversedFit().GetRetention(), .02)
	assert.InDelta(t, .5, got.GetOrder().GetReversedFit().GetUptake(), .02)
	assert.Greater(t, got.GetOrder().GetDifferenceDe00(), 1.0)
	assert.Equal(t, got.GetOrder().GetDifferenceDe00() > got.GetRadiusDe00()+got.GetOrder().GetReversedRadiusDe00(), got.GetOrder().GetToldApart())
	assert.True(t, got.GetOrder().GetToldApart())

	q.ReversedTrials = trials(2, true)
	got, err = client(t).PredictOverdye(t.Context(), q)
	require.NoError(t, err)
	assert.Equal(t, overdyev1.Standing_STANDING_FITTED, got.GetStanding())
	assert.False(t, got.GetOrder().GetAnswered())
	assert.Contains(t, got.GetMissing()[0].GetText(), "2 more trials with indigo first and weld second")
	assert.NotContains(t, got.GetMissing()[0].GetText(), "second bath", "that of the class is the vat, which is the first here")
}

func TestWhatIsNotPredicted(t *testing.T) {
	ask := func(both func(i int) *overdyev1.OverdyeCurve) *overdyev1.PredictOverdyeResponse {
		q := request(6)
		for i, tr := range q.GetTrials() {
			tr.Pieces[0].Both = both(i)
		}
		got, err := client(t).PredictOverdye(t.Context(), q)
		require.NoError(t, err)
		assert.Nil(t, got.GetPrediction())
		assert.Nil(t, got.RadiusDe00)
		return got
	}
	got := ask(func(i int) *overdyev1.OverdyeCurve { return cloth(0, 2+0.4*float64(i%3)) })
	assert.Equal(t, overdyev1.Standing_STANDING_NO_BETTER_THAN_A_RULE, got.GetStanding())
	assert.Contains(t, got.GetStatement(), "the second dye hides the first")
	got = ask(func(i int) *overdyev1.OverdyeCurve { return cloth(1.5*(2+0.3*float64(i%4)), 1) })
	assert.Equal(t, overdyev1.Standing_STANDING_DOES_NOT_FOLLOW_THE_MODEL, got.GetStanding())
	assert.Contains(t, got.GetStatement(), "does not follow the model")

	q := request(6)
	for _, tr := range q.GetTrials() {
		tr.Pieces[0].Colours.Second = tr.GetPieces()[0].GetColours().GetFirst()
	}
	got, err := client(t).PredictOverdye(t.Context(), q)
	require.NoError(t, err)
	assert.Equal(t, overdyev1.Standing_STANDING_CANNOT_BE_FITTED, got.GetStanding())
	assert.Contains(t, got.GetStatement(), "same shape")
	assert.Nil(t, got.GetPrediction())
}

func TestFromColourOnly(t *testing.T) {
	q := request(10)
	w, err := colorimetry.NewWeights(colorimetry.D65Observer10, 400, 10, 31)
	require.NoError(t, err)
	lab, err := w.Lab(q.GetPiece().GetFirst().GetReflectance())
	require.NoError(t, err)
	whole, err := client(t).PredictOverdye(t.Context(), q)
	require.NoError(t, err)
	q.Piece.First = &overdyev1.OverdyeCurve{Lab: &typesv1.Lab{L: lab.L, A: lab.A, B: lab.B}}
	got, err := client(t).PredictOverdye(t.Context(), q)
	require.NoError(t, err)
	assert.True(t, got.GetFromColourOnly())
	assert.Contains(t, got.GetRemarks()[0], "from colour only")
	a, b := got.GetPrediction().GetLab(), whole.GetPrediction().GetLab()
	d := colorimetry.CIEDE2000(colorimetry.Lab{L: a.GetL(), A: a.GetA(), B: a.GetB()}, colorimetry.Lab{L: b.GetL(), A: b.GetA(), B: b.GetB()}, colorimetry.DefaultFactors)
	t.Logf("a colour in the place of a curve moved the prediction by CIEDE2000 %.2f", d)
	assert.Less(t, d, 3.0)
}

func TestDoubts(t *testing.T) {
	q := request(5)
	q.Piece.First = cloth(40, 0)
	got, err := client(t).PredictOverdye(t.Context(), q)
	require.NoError(t, err)
	assert.Contains(t, fmt.Sprint(got.GetRemarks()), "weld alone is of a depth that no trial of the class has")
	assert.Contains(t, fmt.Sprint(got.GetRemarks()), "no longer grows with the dye")
	assert.Contains(t, got.GetStatement(), "by 5 trials; too few for a radius, which takes 9 (error")
}

func TestRefusals(t *testing.T) {
	q := request(3)
	q.Condition, q.StepNm, q.RadiusShare = nil, math.NaN(), .2
	q.Trials[0].Pieces[0].Both.Reflectance[4] = math.Inf(1)
	q.Trials[1].TrialId = "t00"
	q.Trials[2].Pieces[0].Colours = nil
	q.OverdyeClass.SecondDye = " "
	q.Piece.Second = &overdyev1.OverdyeCurve{}
	q.ReversedTrials = trials(1, true)
	q.Parameters = []*describev1.ParameterValue{{Name: "surface_k1", Value: &describev1.ParameterValue_Number{Number: .5}}}
	_, err := client(t).PredictOverdye(t.Context(), q)
	refused := moduletest.Refused(t, err)
	for _, field := range []string{
		"condition", "step_nm", "radius_share", "trials[0].pieces[0].both.reflectance[4]", "trials[1].trial_id", "trials[2].pieces[0].colours", "overdye_class.second_dye",
		"piece.second", "reversed_trials", "parameters[0].number",
	} {
		assert.NotEmpty(t, refused[field], field)
	}
	q = request(1)
	q.Piece.First = &overdyev1.OverdyeCurve{Lab: &typesv1.Lab{L: 99, A: 90, B: -90}}
	_, err = client(t).PredictOverdye(t.Context(), q)
	assert.Contains(t, moduletest.Refused(t, err)["piece.first.lab"], "no smooth reflectance curve")
	q = request(0)
	q.Piece.First, q.StepNm, q.WavelengthCount = &overdyev1.OverdyeCurve{Lab: &typesv1.Lab{L: 50}}, 5, 61
	_, err = client(t).PredictOverdye(t.Context(), q)
	assert.NotEmpty(t, moduletest.Refused(t, err)["wavelength_count"])
}

// Whatever is asked, the answer is a refusal or figures.
func FuzzPredictOverdye(f *testing.F) {
	coloured := request(5)
	coloured.Trials[1].Pieces[0].Both = &overdyev1.OverdyeCurve{Lab: &typesv1.Lab{L: 50, A: -20, B: 10}}
	order := request(4)
	order.AskOrder, order.ReversedTrials = true, trials(4, true)
	for _, request := range []*overdyev1.PredictOverdyeRequest{{}, request(0), coloured, order} {
		raw, err := proto.Marshal(request)
		require.NoError(f, err)
		f.Add(raw)
	}
	server := NewServer()
	f.Fuzz(func(t *testing.T, raw []byte) {
		request := &overdyev1.PredictOverdyeRequest{}
		if proto.Unmarshal(raw, request) != nil {
			return
		}
		got, err := server.PredictOverdye(t.Context(), request)
		if err != nil {
			require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
			return
		}
		figures := []float64{got.GetErrorDe00(), got.GetRadiusDe00(), got.GetFit().GetRetentionPlusUptake(), got.GetFit().GetCosine(), got.GetOrder().GetDifferenceDe00()}
		for _, lab := range []*typesv1.Lab{got.GetPrediction().GetLab(), got.GetOrder().GetReversedLab()} {
			figures = append(figures, lab.GetL(), lab.GetA(), lab.GetB())
		}
		for _, x := range append(figures, got.GetPrediction().GetReflectance()...) {
			require.False(t, math.IsNaN(x) || math.IsInf(x, 0), "%v", got)
		}
		require.NotEmpty(t, got.GetStatement())
	})
}
