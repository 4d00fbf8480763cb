package reading

import (
	"context"
	"math"
	"slices"
	"testing"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	readingv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/reading/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// from400 are 400 to 700 nm every 10 nm.
func from400() []float64 {
	out := make([]float64, 31)
	for i := range out {
		out[i] = 400 + 10*float64(i)
	}
	return out
}

func even(r float64) []float64 { return slices.Repeat([]float64{r}, 31) }

// with is a curve with another figure in one place.
func with(r []float64, i int, v float64) []float64 {
	r = slices.Clone(r)
	r[i] = v
	return r
}

// K/S of R = 0.04 is 11.52, of 0.2 it is 1.6 and of 0.8 it is 0.025 (Kubelka & Munk 1931): above a substrate of 0.8 the one has
// 11.495 / 1.575 of the strength of the other.
func TestStrengthByHand(t *testing.T) {
	c := client(t)
	got, err := c.ComputeStrength(t.Context(), &readingv1.ComputeStrengthRequest{WavelengthNm: from400(), Sample: even(0.04), Reference: even(0.2), Substrate: even(0.8), Condition: "D65/10"})
	require.NoError(t, err)
	assert.InDelta(t, 11.52, got.GetKs(), 1e-12)
	assert.Equal(t, 400.0, got.GetKsNm())
	assert.InDelta(t, 100*11.495/1.575, got.GetRelative().GetPercent(), 1e-9)
	assert.InDelta(t, 1, got.GetRelative().GetCosine(), 1e-12)
	assert.True(t, got.GetRelative().GetComparable())
	white, err := colorimetry.White(colorimetry.D65Observer10)
	require.NoError(t, err)
	assert.InDelta(t, 11.52*(white.X+100+white.Z)/100, got.GetSummedDepth(), 1e-6)
	assert.False(t, got.GetSaturated() || got.GetKsClipped())

	got, err = c.ComputeStrength(t.Context(), &readingv1.ComputeStrengthRequest{WavelengthNm: from400(), Sample: with(even(0.2), 7, 0.001)})
	require.NoError(t, err)
	assert.Nil(t, got.SummedDepth)
	assert.Nil(t, got.GetRelative())
	assert.Equal(t, 470.0, got.GetKsNm())
	assert.True(t, got.GetSaturated() && got.GetKsClipped())
}

func TestStrengthRefuses(t *testing.T) {
	nm := from400()
	for _, c := range []struct {
		req   *readingv1.ComputeStrengthRequest
		field string
		says  string
	}{
		{&readingv1.ComputeStrengthRequest{}, "wavelength_nm", "0 wavelengths"},
		{&readingv1.ComputeStrengthRequest{WavelengthNm: nm, Sample: even(0.1)[1:]}, "sample", "has 30 figures, want one for each wavelength, 31"},
		{&readingv1.ComputeStrengthRequest{WavelengthNm: nm, Sample: with(even(0.1), 3, math.NaN())}, "sample[3]", "is NaN, want 0 to 2"},
		{&readingv1.ComputeStrengthRequest{WavelengthNm: nm, Sample: with(even(0.1), 3, -0.01)}, "sample[3]", "is -0.01, want 0 to 2"},
		{&readingv1.ComputeStrengthRequest{WavelengthNm: nm, Sample: with(even(0.1), 3, 2.01)}, "sample[3]", "is 2.01, want 0 to 2"},
		{&readingv1.ComputeStrengthRequest{WavelengthNm: with(nm, 3, 420), Sample: even(0.1)}, "wavelength_nm[3]", "each wavelength once"},
		{&readingv1.ComputeStrengthRequest{WavelengthNm: with(nm, 3, 405), Sample: even(0.1)}, "wavelength_nm[3]", "above the one before"},
		{&readingv1.ComputeStrengthRequest{WavelengthNm: nm[1:], Sample: even(0.1)[1:]}, "wavelength_nm[0]", "the curve lacks 400 to 410 nm"},
		{&readingv1.ComputeStrengthRequest{WavelengthNm: nm, Sample: even(0.1), Reference: even(0.2)}, "substrate", "has 0 figures"},
		{&readingv1.ComputeStrengthRequest{WavelengthNm: nm, Sample: even(0.1), Substrate: even(0.2)}, "reference", "has 0 figures"},
		{&readingv1.ComputeStrengthRequest{WavelengthNm: nm, Sample: even(0.1), Reference: even(0.8), Substrate: even(0.8)}, "reference", "is summed K/S 0 above the substrate's, want above 0"},
		{&readingv1.ComputeStrengthRequest{WavelengthNm: nm, Sample: even(0.1), Condition: "E/10"}, "condition", `is "E/10"`},
	} {
		_, err := client(t).ComputeStrength(t.Context(), c.req)
		assert.Contains(t, moduletest.Refused(t, err)[c.field], c.says)
	}
}

// A piece has no metamerism beside itself, nor beside itself darker, which the correction takes away; curves that cross have.
func TestMetamerism(t *testing.T) {
	c := client(t)
	first := make([]float64, 31)
	for i := range first {
		first[i] = 0.2 + 0.3*math.Pow(math.Sin(float64(i)/9), 2)
	}
	darker := slices.Clone(first)
	for i := range darker {
		darker[i] *= 0.95
	}
	ask := func(second []float64, formula string) *readingv1.ComputeMetamerismResponse {
		got, err := c.ComputeMetamerism(t.Context(), &readingv1.ComputeMetamerismRequest{WavelengthNm: from400(), First: first, Second: second,
			ReferenceCondition: "D65/10", TestCondition: "A/10", Formula: formula})
		require.NoError(t, err)
		return got
	}
	assert.Zero(t, ask(first, "").GetIndex())
	got := ask(darker, "cie76")
	assert.InDelta(t, 0, got.GetIndex(), 1e-9)
	assert.Greater(t, got.GetDifference(), 1.0)
	assert.Equal(t, "CIE76", got.GetFormula())
	crossing := slices.Clone(first)
	for i := range crossing {
		crossing[i] += 0.05 * math.Sin(float64(i))
	}
	assert.Greater(t, ask(crossing, "").GetIndex(), 0.05)
	assert.Equal(t, "CIEDE2000, kL = 1, kC = 1, kH = 1", ask(crossing, "").GetFormula())

	for _, c := range []struct {
		change      func(*readingv1.ComputeMetamerismRequest)
		field, says string
	}{
		{func(r *readingv1.ComputeMetamerismRequest) { r.First = with(first, 2, math.Inf(1)) }, "first[2]", "is +Inf, want 0 to 2"},
		{func(r *readingv1.ComputeMetamerismRequest) { r.Second = r.Second[:30] }, "second", "has 30 figures"},
		{func(r *readingv1.ComputeMetamerismRequest) { r.Second = even(0) }, "second.reflectance", "want a curve with X, Y and Z above 0"},
		{func(r *readingv1.ComputeMetamerismRequest) { r.Second = even(5e-324) }, "second", "reflects too little"},
		{func(r *readingv1.ComputeMetamerismRequest) { r.TestCondition = "A" }, "test_condition", `is "A"`},
		{func(r *readingv1.ComputeMetamerismRequest) { r.ReferenceCondition = "" }, "reference_condition", `is ""`},
		{func(r *readingv1.ComputeMetamerismRequest) { r.Formula = "x" }, "formula", `is "x"`},
	} {
		req := &readingv1.ComputeMetamerismRequest{WavelengthNm: from400(), First: first, Second: darker, ReferenceCondition: "D65/10", TestCondition: "A/10"}
		c.change(req)
		_, err := client(t).ComputeMetamerism(t.Context(), req)
		assert.Contains(t, moduletest.Refused(t, err)[c.field], c.says)
	}
}

// Five greys of mean L* 50 (differences from memory of CIEDE2000 near 50: S_L is 1 there), and five equal curves, which are level.
func TestLevelnessOfReadings(t *testing.T) {
	c := client(t)
	greys := func(l ...float64) (out []*typesv1.Lab) {
		for _, x := range l {
			out = append(out, &typesv1.Lab{L: x})
		}
		return out
	}
	got, err := c.ComputeLevelness(t.Context(), &readingv1.ComputeLevelnessRequest{Colours: greys(50, 51, 49, 51, 49), Condition: d65x10})
	require.NoError(t, err)
	assert.InDelta(t, 0.8, got.GetIndex(), 0.001)
	assert.Equal(t, "fair", got.GetGrade())
	same := &readingv1.Reflectance{Reflectance: even(0.3)}
	got, err = c.ComputeLevelness(t.Context(), &readingv1.ComputeLevelnessRequest{WavelengthNm: from400(), Curves: []*readingv1.Reflectance{same, same, same, same, same}})
	require.NoError(t, err)
	assert.InDelta(t, 0, got.GetIndex(), 1e-12)
	assert.Equal(t, "excellent", got.GetGrade())
	assert.EqualValues(t, 5, got.GetReadings())

	bad := &readingv1.Reflectance{Reflectance: with(even(0.3), 1, 3)}
	for _, c := range []struct {
		req         *readingv1.ComputeLevelnessRequest
		field, says string
	}{
		{&readingv1.ComputeLevelnessRequest{}, "curves", "has 0 readings, want 5 to 1000"},
		{&readingv1.ComputeLevelnessRequest{Colours: greys(1, 2, 3, 4), Condition: d65x10}, "colours", "has 4 readings"},
		{&readingv1.ComputeLevelnessRequest{Colours: greys(1, 2, 3, 4, 300), Condition: d65x10}, "colours[4].l", "is 300, want 0 to 150"},
		{&readingv1.ComputeLevelnessRequest{Colours: greys(1, 2, 3, 4, 5)}, "condition", "is missing"},
		{&readingv1.ComputeLevelnessRequest{Colours: greys(1, 2, 3, 4, 5), Curves: []*readingv1.Reflectance{same}}, "colours", "has 5 beside 1 of curves"},
		{&readingv1.ComputeLevelnessRequest{Colours: greys(1, 2, 3, 4, 5), WavelengthNm: from400()}, "wavelength_nm", "want none"},
		{&readingv1.ComputeLevelnessRequest{WavelengthNm: from400(), Curves: []*readingv1.Reflectance{same, same, same, same, bad}}, "curves[4].reflectance[1]", "is 3, want 0 to 2"},
		{&readingv1.ComputeLevelnessRequest{WavelengthNm: from400(), Curves: []*readingv1.Reflectance{same, same, same, same, nil}}, "curves[4].reflectance", "has 0 figures"},
		{&readingv1.ComputeLevelnessRequest{WavelengthNm: from400(), Curves: []*readingv1.Reflectance{same, same, same, same, same}, Condition: d65x10}, "condition", "want it absent"},
		{&readingv1.ComputeLevelnessRequest{WavelengthNm: from400(), Curves: slices.Repeat([]*readingv1.Reflectance{{Reflectance: even(0)}}, 5)}, "readings", "want a mean reflectance above 0"},
	} {
		_, err := client(t).ComputeLevelness(t.Context(), c.req)
		assert.Contains(t, moduletest.Refused(t, err)[c.field], c.says)
	}
}

// With limit 10 and rate 0.5, by hand: K/S after 3 dips is 10 (1 - e^-1.5) = 7.7687, and ln 10 / 0.5 = 4.605 dips make nine tenths.
func TestDips(t *testing.T) {
	req := &readingv1.FitDipsRequest{AskDips: []float64{3, 0}}
	for _, n := range []float64{1, 2, 4, 6, 9} {
		req.Dips, req.Ks = append(req.Dips, n), append(req.Ks, 10*(1-math.Exp(-n/2)))
	}
	got, err := client(t).FitDips(t.Context(), req)
	require.NoError(t, err)
	assert.InDelta(t, 10, got.GetLimitKs(), 1e-6)
	assert.InDelta(t, 0.5, got.GetRatePerDip(), 1e-6)
	assert.InDelta(t, 4.605, got.GetDipsTo_90Percent(), 0.0005)
	require.Len(t, got.GetKs(), 2)
	assert.InDelta(t, 7.7687, got.GetKs()[0], 0.00005)
	assert.Zero(t, got.GetKs()[1])
	for _, c := range []struct {
		req         *readingv1.FitDipsRequest
		field, says string
	}{
		{&readingv1.FitDipsRequest{Dips: []float64{1, 2, 3, 4}, Ks: []float64{1, 2, 3, 4}}, "ks", "more dips"},
		{&readingv1.FitDipsRequest{Dips: []float64{1, 2, 3}, Ks: []float64{1, 2, 3}}, "dips", "1 missing"},
		{&readingv1.FitDipsRequest{Dips: []float64{1, 2, 3, 4}, Ks: []float64{1, 2, 3}}, "ks", "is 3 strengths"},
		{&readingv1.FitDipsRequest{Dips: []float64{1, 2, 3, 4}, Ks: []float64{1, 2, math.NaN(), 4}}, "ks[2]", "is NaN, want 0 to 1000"},
		{&readingv1.FitDipsRequest{Dips: []float64{1, -2, 3, 4}, Ks: []float64{1, 2, 3, 4}}, "dips[1]", "is -2, want 0 to 1000"},
		{&readingv1.FitDipsRequest{AskDips: []float64{1, 1001}}, "ask_dips[1]", "is 1001, want 0 to 1000"},
	} {
		_, err := client(t).FitDips(t.Context(), c.req)
		assert.Contains(t, moduletest.Refused(t, err)[c.field], c.says)
	}
}

// A recovered curve has the colour that it was made from, as this module itself computes it.
func TestRecoveredCurve(t *testing.T) {
	c := client(t)
	ask := &readingv1.RecoverCurveRequest{Colour: &typesv1.Lab{L: 60, A: 20, B: 40}, Condition: "D65/10", WavelengthNm: from400()}
	got, err := c.RecoverCurve(t.Context(), ask)
	require.NoError(t, err)
	assert.Equal(t, "from colour only", got.GetTag())
	back, err := c.ComputeColours(t.Context(), &readingv1.ComputeColoursRequest{AnyCondition: "D65/10", Curves: []*readingv1.Curve{{WavelengthNm: from400(), Reflectance: got.GetReflectance()}}})
	require.NoError(t, err)
	l := back.GetColours()[0].GetLab()
	assert.InDelta(t, 60, l.GetL(), 1e-6)
	assert.InDelta(t, 20, l.GetA(), 1e-6)
	assert.InDelta(t, 40, l.GetB(), 1e-6)
	for _, c := range []struct {
		change      func(*readingv1.RecoverCurveRequest)
		field, says string
	}{
		{func(r *readingv1.RecoverCurveRequest) { r.Colour = nil }, "colour", "is missing"},
		{func(r *readingv1.RecoverCurveRequest) { r.Colour = &typesv1.Lab{L: 50, A: math.NaN()} }, "colour.a", "is NaN, want -200 to 200"},
		{func(r *readingv1.RecoverCurveRequest) { r.Colour = &typesv1.Lab{L: 50, A: 200, B: 200} }, "colour", "no smooth reflectance curve has this colour"},
		{func(r *readingv1.RecoverCurveRequest) { r.Condition = "D65" }, "condition", `is "D65"`},
		{func(r *readingv1.RecoverCurveRequest) { r.WavelengthNm = make([]float64, 201) }, "wavelength_nm", "has 201 wavelengths, want at most 200"},
		{func(r *readingv1.RecoverCurveRequest) { r.WavelengthNm = nil }, "wavelength_nm", "0 wavelengths"},
	} {
		req := &readingv1.RecoverCurveRequest{Colour: ask.GetColour(), Condition: ask.GetCondition(), WavelengthNm: ask.GetWavelengthNm()}
		c.change(req)
		_, err := client(t).RecoverCurve(t.Context(), req)
		assert.Contains(t, moduletest.Refused(t, err)[c.field], c.says)
	}
}

// The red of sRGB is L* 53.24, a* 80.09, b* 67.20 under D65/2 (from memory); a grey stays grey under every light; and what goes there comes back.
func TestAdaptation(t *testing.T) {
	c := client(t)
	red := &typesv1.Lab{L: 53.2408, A: 80.0925, B: 67.2032}
	got, err := c.AdaptColours(t.Context(), &readingv1.AdaptColoursRequest{Colours: []*typesv1.Lab{red, {L: 50}, {L: 50, A: -150}}, FromCondition: "D65/2", ToCondition: "D65/2"})
	require.NoError(t, err)
	assert.Empty(t, got.GetLabel())
	assert.InDelta(t, 1, got.GetColours()[0].GetSrgb().GetR(), 0.001)
	assert.InDelta(t, 0, got.GetColours()[0].GetSrgb().GetG(), 0.005)
	assert.InDelta(t, got.GetColours()[1].GetSrgb().GetR(), got.GetColours()[1].GetSrgb().GetB(), 1e-4)
	assert.True(t, got.GetColours()[1].GetSrgb().GetInGamut())
	assert.False(t, got.GetColours()[2].GetSrgb().GetInGamut())
	there, err := c.AdaptColours(t.Context(), &readingv1.AdaptColoursRequest{Colours: []*typesv1.Lab{red, {L: 50}}, FromCondition: "D65/2", ToCondition: "A/2", Method: "CAT16"})
	require.NoError(t, err)
	assert.Equal(t, "CAT16 from D65/2 to A/2", there.GetLabel())
	assert.Nil(t, there.GetColours()[0].GetSrgb())
	assert.InDelta(t, 0, there.GetColours()[1].GetLab().GetA(), 1e-9)
	back, err := c.AdaptColours(t.Context(), &readingv1.AdaptColoursRequest{Colours: []*typesv1.Lab{there.GetColours()[0].GetLab()}, FromCondition: "A/2", ToCondition: "D65/2", Method: "CAT16"})
	require.NoError(t, err)
	assert.InDelta(t, red.GetB(), back.GetColours()[0].GetLab().GetB(), 1e-8)
	for _, c := range []struct {
		change      func(*readingv1.AdaptColoursRequest)
		field, says string
	}{
		{func(r *readingv1.AdaptColoursRequest) { r.Method = "" }, "method", `is "", want Bradford, CAT02 or CAT16`},
		{func(r *readingv1.AdaptColoursRequest) { r.Colours = nil }, "colours", "has 0 colours"},
		{func(r *readingv1.AdaptColoursRequest) { r.Colours[0] = &typesv1.Lab{L: 300} }, "colours[0].l", "is 300, want 0 to 150"},
		{func(r *readingv1.AdaptColoursRequest) { r.FromCondition = "x" }, "from_condition", `is "x"`},
		{func(r *readingv1.AdaptColoursRequest) { r.Colours[0] = &typesv1.Lab{L: 20, A: 190, B: -190} }, "colours[0]", "has no such colour under FL11/10"},
	} {
		req := &readingv1.AdaptColoursRequest{Colours: []*typesv1.Lab{red}, FromCondition: "D65/2", ToCondition: "FL11/10", Method: "Bradford"}
		c.change(req)
		_, err := client(t).AdaptColours(t.Context(), req)
		assert.Contains(t, moduletest.Refused(t, err)[c.field], c.says)
	}
}

// Whatever comes in, answers are finite, and what is refused names its field.
func FuzzDerived(f *testing.F) {
	f.Add(0.3, 0.01, 10.0, "D65/10", "A/10", "Bradford", 50.0, 10.0, -20.0)
	f.Add(0.0, 5e-324, 20.0, "4000K/2", "25000K/10", "CAT16", 0.0, 0.0, 0.0)
	f.Add(2.0, math.NaN(), 5.0, "FL11/2", "", "", 150.0, 200.0, 200.0)
	s := NewServer()
	f.Fuzz(func(t *testing.T, r, other, step float64, from, to, method string, l, a, b float64) {
		ctx := context.Background()
		var nm, first, second []float64
		for i := range 62 {
			nm = append(nm, 390+step*float64(i))
			first, second = append(first, r), append(second, []float64{r, other, r * other}[i%3])
		}
		finite := func(err error, figures ...float64) {
			if err != nil {
				moduletest.Refused(t, err)
				return
			}
			for _, x := range figures {
				if math.IsNaN(x) || math.IsInf(x, 0) {
					t.Fatalf("not finite: %v", figures)
				}
			}
		}
		strength, err := s.ComputeStrength(ctx, &readingv1.ComputeStrengthRequest{WavelengthNm: nm, Sample: second, Reference: first, Substrate: second, Condition: from})
		finite(err, strength.GetKs(), strength.GetSummedDepth(), strength.GetRelative().GetPercent(), strength.GetRelative().GetCosine())
		m, err := s.ComputeMetamerism(ctx, &readingv1.ComputeMetamerismRequest{WavelengthNm: nm, First: first, Second: second, ReferenceCondition: from, TestCondition: to})
		finite(err, m.GetIndex(), m.GetDifference())
		curves := slices.Repeat([]*readingv1.Reflectance{{Reflectance: first}, {Reflectance: second}}, 3)
		level, err := s.ComputeLevelness(ctx, &readingv1.ComputeLevelnessRequest{WavelengthNm: nm, Curves: curves})
		finite(err, level.GetIndex())
		dips, err := s.FitDips(ctx, &readingv1.FitDipsRequest{Dips: []float64{1, 2, l, a, 9}, Ks: []float64{r, other, b, 5, 6}, AskDips: []float64{step}})
		finite(err, append(dips.GetKs(), dips.GetLimitKs(), dips.GetRatePerDip(), dips.GetDipsTo_90Percent(), dips.GetRmsKs())...)
		colour := &typesv1.Lab{L: l, A: a, B: b}
		curve, err := s.RecoverCurve(ctx, &readingv1.RecoverCurveRequest{Colour: colour, Condition: from, WavelengthNm: nm})
		finite(err, curve.GetReflectance()...)
		adapted, err := s.AdaptColours(ctx, &readingv1.AdaptColoursRequest{Colours: []*typesv1.Lab{colour}, FromCondition: from, ToCondition: to, Method: method})
		finite(err)
		for _, x := range adapted.GetColours() {
			finite(nil, x.GetLab().GetL(), x.GetLab().GetA(), x.GetLab().GetB(), x.GetSrgb().GetR(), x.GetSrgb().GetG(), x.GetSrgb().GetB())
		}
	})
}
