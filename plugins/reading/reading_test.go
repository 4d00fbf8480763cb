package reading

import (
	"context"
	"encoding/csv"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	readingv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/reading/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

func condition(i typesv1.Illuminant, o typesv1.Observer) *typesv1.ColourCondition {
	return &typesv1.ColourCondition{Illuminant: i, Observer: o}
}

var (
	d65x10 = condition(typesv1.Illuminant_ILLUMINANT_D65, typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE)
	d65x2  = condition(typesv1.Illuminant_ILLUMINANT_D65, typesv1.Observer_OBSERVER_CIE_1931_2_DEGREE)
	ax10   = condition(typesv1.Illuminant_ILLUMINANT_A, typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE)
	ax2    = condition(typesv1.Illuminant_ILLUMINANT_A, typesv1.Observer_OBSERVER_CIE_1931_2_DEGREE)
)

func spectrum(startNm, stepNm float64, r ...float64) *typesv1.RawColour {
	return &typesv1.RawColour{Value: &typesv1.RawColour_Spectrum{Spectrum: &typesv1.Spectrum{StartNm: startNm, StepNm: stepNm, Reflectance: r}}}
}

func flat(r float64) *typesv1.RawColour { return spectrum(380, 10, slices.Repeat([]float64{r}, 36)...) }

func lab(l, a, b float64, c *typesv1.ColourCondition) *typesv1.RawColour {
	return &typesv1.RawColour{Value: &typesv1.RawColour_Lab{Lab: &typesv1.Lab{L: l, A: a, B: b}}, LabCondition: c}
}

func client(t testing.TB) readingv1.ReadingServiceClient {
	return readingv1.NewReadingServiceClient(plugintest.Dial(t, Module()))
}

// A curve without colour has a* = b* = 0 under every condition and L* = 116 R^(1/3) - 16 (ISO/CIE 11664-4); K/S = (1-R)^2/2R
// (Kubelka & Munk 1931), 11.52 at R = 0.04.
func TestGreysByFormula(t *testing.T) {
	for _, c := range []*typesv1.ColourCondition{d65x10, d65x2, ax10} {
		got, err := client(t).ComputeColours(t.Context(), &readingv1.ComputeColoursRequest{Condition: c,
			Raw: []*typesv1.RawColour{flat(1), flat(0.2), flat(0.04), flat(0.02), flat(0.001)}})
		require.NoError(t, err)
		for i, r := range []float64{1, 0.2, 0.04} {
			x := got.GetColours()[i]
			require.Empty(t, x.GetFault())
			assert.InDelta(t, 116*math.Cbrt(r)-16, x.GetLab().GetL(), 1e-9)
			assert.InDelta(t, 0, x.GetLab().GetA(), 1e-9)
			assert.InDelta(t, 0, x.GetLab().GetB(), 1e-9)
			assert.Equal(t, 400.0, x.GetStrengthNm(), "the first of equal minima")
		}
		assert.InDelta(t, 11.52, got.GetColours()[2].GetStrengthKs(), 1e-12)
		// White is beyond the upper limit, 24.01 above what is proportional to dye, and a thousandth beyond the lower limit too.
		for i, want := range [][2]bool{{true, false}, {false, false}, {false, false}, {false, true}, {true, true}} {
			c := got.GetColours()[i]
			assert.Equal(t, want, [2]bool{c.GetStrengthClipped(), c.GetStrengthSaturated()}, "%d", i)
		}
	}
}

// The six neutral patches of a published chart: mean curves of 30 charts and, from the same source, published colours under D65's
// neighbour D50. The lightness of a neutral hardly depends on the light, so L* = 116 Y^(1/3) - 16 (ISO/CIE 11664-4) of the published Y
// must come out here too.
func TestLightnessOfChartNeutrals(t *testing.T) {
	table := func(name string) [][]string {
		f, err := os.Open("../../testdata/colour/" + name)
		require.NoError(t, err)
		defer func() { _ = f.Close() }()
		reader := csv.NewReader(f)
		reader.Comment = '#'
		rows, err := reader.ReadAll()
		require.NoError(t, err)
		require.Len(t, rows, 1+24)
		return rows[1:]
	}
	number := func(text string) float64 {
		x, err := strconv.ParseFloat(text, 64)
		require.NoError(t, err)
		return x
	}
	req := &readingv1.ComputeColoursRequest{Condition: d65x2}
	var want []float64
	curves, colours := table("patch24_reflectance.csv"), table("patch24_xyY_D50_2.csv")
	for i := 18; i < 24; i++ {
		var r []float64
		for _, x := range curves[i][2:] {
			r = append(r, number(x))
		}
		req.Raw = append(req.Raw, spectrum(380, 10, r...))
		want = append(want, 116*math.Cbrt(number(colours[i][4]))-16)
	}
	got, err := client(t).ComputeColours(t.Context(), req)
	require.NoError(t, err)
	for i, l := range want {
		assert.InDelta(t, l, got.GetColours()[i].GetLab().GetL(), 0.5, curves[18+i][1])
	}
}

func TestLabPassesThroughUnderItsConditionOnly(t *testing.T) {
	got, err := client(t).ComputeColours(t.Context(), &readingv1.ComputeColoursRequest{Condition: d65x10,
		Raw: []*typesv1.RawColour{lab(45.5, -12.25, 30.125, d65x10), lab(45.5, -12.25, 30.125, ax2)}})
	require.NoError(t, err)
	c := got.GetColours()[0]
	assert.Equal(t, []float64{45.5, -12.25, 30.125}, []float64{c.GetLab().GetL(), c.GetLab().GetA(), c.GetLab().GetB()})
	assert.Nil(t, c.StrengthKs)
	assert.Zero(t, c.GetStrengthNm())
	assert.Nil(t, got.GetColours()[1].GetLab())
	assert.Contains(t, got.GetColours()[1].GetFault(), "lab_condition is A/2, allowed: D65/10")
}

func TestFaultsBelongToTheMeasurement(t *testing.T) {
	with := func(c *typesv1.ColourCondition, raw *typesv1.RawColour) *typesv1.RawColour {
		raw.LabCondition = c
		return raw
	}
	band := func(low, high float64) *typesv1.RawColour {
		r := make([]float64, 36)
		for i := range r {
			if nm := 380 + 10*float64(i); nm >= low && nm <= high {
				r[i] = 2
			}
		}
		return spectrum(380, 10, r...)
	}
	cases := []struct {
		raw  *typesv1.RawColour
		want []string // parts of the fault
	}{
		{&typesv1.RawColour{}, []string{"value is missing", "one of spectrum, lab"}},
		{lab(50, 0, 0, nil), []string{"lab_condition is missing"}},
		{lab(50, 0, 0, &typesv1.ColourCondition{}), []string{"lab_condition.illuminant is ILLUMINANT_UNSPECIFIED"}},
		{lab(151, 0, 0, d65x10), []string{"lab.l is 151", "0 to 150"}},
		{lab(50, math.NaN(), 0, d65x10), []string{"lab.a is NaN", "-200 to 200"}},
		{lab(50, 0, math.Inf(-1), d65x10), []string{"lab.b is -Inf"}},
		{with(d65x10, flat(0.5)), []string{"lab_condition is present", "absent with spectrum"}},
		{flat(-0.01), []string{"spectrum.reflectance[0] is -0.01", "0 to 2"}},
		{flat(math.NaN()), []string{"spectrum.reflectance[0] is NaN"}},
		{flat(2.5), []string{"is 2.5"}},
		{spectrum(380, 7, make([]float64, 60)...), []string{"spectrum.step_nm is 7", "5, 10, 20"}},
		{spectrum(380, 1, make([]float64, 200)...), []string{"spectrum.step_nm is 1"}},
		{spectrum(380, math.NaN(), make([]float64, 60)...), []string{"spectrum.step_nm is NaN"}},
		{spectrum(299, 10, make([]float64, 60)...), []string{"spectrum.start_nm is 299", "300 to 830"}},
		{spectrum(math.Inf(1), 10, make([]float64, 60)...), []string{"spectrum.start_nm is +Inf"}},
		{spectrum(400.5, 10, make([]float64, 60)...), []string{"spectrum.start_nm is 400.5", "lacks 400 to 400.5 nm"}},
		{spectrum(450, 10, make([]float64, 60)...), []string{"spectrum.start_nm is 450", "lacks 400 to 450 nm"}},
		{spectrum(380, 10, make([]float64, 7)...), []string{"spectrum.reflectance is 7 figures", "8 to 200"}},
		{spectrum(380, 5, make([]float64, 201)...), []string{"spectrum.reflectance is 201 figures"}},
		{spectrum(380, 10, make([]float64, 20)...), []string{"spectrum.reflectance is 20 samples", "lacks 570 to 700 nm"}},
		// All reflectance in the green, at the most that is accepted: a* below -200, which no Lab message can carry.
		{band(490, 520), []string{"spectrum.reflectance is a curve of a* -", "-200 to 200"}},
	}
	req := &readingv1.ComputeColoursRequest{Condition: d65x10}
	for _, c := range cases {
		req.Raw = append(req.Raw, c.raw, flat(0.5))
	}
	got, err := client(t).ComputeColours(t.Context(), req)
	require.NoError(t, err, "a measurement's fault is not the request's")
	require.Len(t, got.GetColours(), len(req.GetRaw()))
	for i, c := range cases {
		bad, good := got.GetColours()[2*i], got.GetColours()[2*i+1]
		assert.Nil(t, bad.GetLab(), "%v", c.want)
		for _, part := range c.want {
			assert.Contains(t, bad.GetFault(), part)
		}
		assert.NotNil(t, good.GetLab())
		assert.Empty(t, good.GetFault())
	}
}

func TestRefusesTheRequest(t *testing.T) {
	for name, c := range map[string]struct {
		req  *readingv1.ComputeColoursRequest
		want map[string]string
	}{
		"empty": {&readingv1.ComputeColoursRequest{}, map[string]string{
			"condition": "is missing, want an illuminant and an observer", "raw": "has 0 measurements, want 1 to 2000"}},
		"too many": {&readingv1.ComputeColoursRequest{Condition: d65x10, Raw: slices.Repeat([]*typesv1.RawColour{flat(1)}, maxRaw+1)},
			map[string]string{"raw": "has 2001 measurements, want 1 to 2000"}},
		"not a condition of this contract": {&readingv1.ComputeColoursRequest{Condition: ax2, Raw: []*typesv1.RawColour{flat(1)}},
			map[string]string{"condition": "is A/2, want D65/10, D65/2, A/10"}},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := client(t).ComputeColours(t.Context(), c.req)
			assert.Equal(t, c.want, moduletest.Refused(t, err))
		})
	}
}

func TestCurvesUnderAnyCondition(t *testing.T) {
	grey := func(nm ...float64) *readingv1.Curve {
		c := &readingv1.Curve{WavelengthNm: slices.Clone(nm)}
		for range nm {
			c.Reflectance = append(c.Reflectance, math.Pow(66.0/116, 3)) // L* 50
		}
		return c
	}
	var odd, even []float64
	for nm := 380.0; nm <= 730; nm += 7 {
		odd = append(odd, nm)
	}
	for nm := 400.0; nm <= 700; nm += 10 {
		even = append(even, nm)
	}
	nan, twice := grey(even...), grey(even...)
	nan.Reflectance[4] = math.NaN()
	twice.WavelengthNm[5] = 440
	short := grey(even...)
	short.Reflectance = short.Reflectance[1:]
	for text, white := range map[string]colorimetry.Condition{"FL11/10": {Illuminant: colorimetry.FL11, Observer: colorimetry.Observer10},
		"D50/2": {Illuminant: colorimetry.D50, Observer: colorimetry.Observer2}, "5500K/10": {Illuminant: 550000, Observer: colorimetry.Observer10}} {
		w, err := colorimetry.White(white)
		require.NoError(t, err)
		got, err := client(t).ComputeColours(t.Context(), &readingv1.ComputeColoursRequest{AnyCondition: text,
			Curves: []*readingv1.Curve{grey(odd...), nan, grey(even...), twice, grey(even[:20]...), short, {}}})
		require.NoError(t, err)
		require.Len(t, got.GetColours(), 7)
		for _, i := range []int{0, 2} {
			c := got.GetColours()[i]
			assert.InDelta(t, 50, c.GetLab().GetL(), 1e-9)
			assert.InDelta(t, 0, c.GetLab().GetA(), 1e-9)
			assert.InDelta(t, w.X*math.Pow(66.0/116, 3), c.GetXyz().GetX(), 1e-9)
			assert.InDelta(t, w.Z*math.Pow(66.0/116, 3), c.GetXyz().GetZ(), 1e-9)
			assert.Positive(t, c.GetStrengthKs())
		}
		assert.Equal(t, "curve.reflectance[4] is NaN, allowed: 0 to 2", got.GetColours()[1].GetFault())
		assert.Equal(t, "curve.wavelength_nm[5] is 440, allowed: each wavelength once", got.GetColours()[3].GetFault())
		assert.Contains(t, got.GetColours()[4].GetFault(), "lacks 590 to 700 nm")
		assert.Contains(t, got.GetColours()[5].GetFault(), "curve.reflectance is 30 factors, allowed: as many as wavelengths, 31")
		assert.Contains(t, got.GetColours()[6].GetFault(), "curve.wavelength_nm is 0 wavelengths")
	}
	// What passes through is stated for the condition asked for, whichever it is.
	got, err := client(t).ComputeColours(t.Context(), &readingv1.ComputeColoursRequest{AnyCondition: "A/2", Raw: []*typesv1.RawColour{lab(50, 1, 2, ax2), flat(0.5)}})
	require.NoError(t, err)
	assert.Empty(t, got.GetColours()[0].GetFault())
	assert.Nil(t, got.GetColours()[0].GetXyz())
	assert.NotNil(t, got.GetColours()[1].GetXyz())

	_, err = client(t).ComputeColours(t.Context(), &readingv1.ComputeColoursRequest{AnyCondition: "D65", Condition: d65x10,
		Raw: []*typesv1.RawColour{flat(1)}, Curves: []*readingv1.Curve{{}}})
	assert.Equal(t, map[string]string{"any_condition": `is "D65": condition is "D65", allowed: illuminant/observer, such as D65/10`,
		"condition": "is present, want it absent beside any_condition", "curves": "has 1 beside 1 of raw, want one of both"}, moduletest.Refused(t, err))
	_, err = client(t).ComputeColours(t.Context(), &readingv1.ComputeColoursRequest{AnyCondition: "E/2", Curves: slices.Repeat([]*readingv1.Curve{{}}, maxRaw+1)})
	assert.Contains(t, moduletest.Refused(t, err)["any_condition"], "or daylight from 4000K to 25000K")
	assert.Equal(t, "has 2001 curves, want 1 to 2000", moduletest.Refused(t, err)["curves"])
}

func TestEndedContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := NewServer().ComputeColours(ctx, &readingv1.ComputeColoursRequest{Condition: d65x10, Raw: []*typesv1.RawColour{flat(1)}})
	assert.Equal(t, codes.Canceled, status.Code(err))
}

func FuzzRawColour(f *testing.F) {
	f.Add(380.0, 10.0, uint8(36), 0.5, 0.2, false, int32(1), int32(2))
	f.Add(400.0, 20.0, uint8(16), 2.0, 0.0, false, int32(0), int32(0))
	f.Add(300.0, 5.0, uint8(200), -1.0, math.NaN(), false, int32(2), int32(1))
	f.Add(50.0, -20.0, uint8(0), 30.0, 0.0, true, int32(1), int32(2))
	f.Add(math.Inf(1), math.NaN(), uint8(255), 1e308, 1e-308, true, int32(9), int32(-1))
	s := NewServer()
	f.Fuzz(func(t *testing.T, x, y float64, n uint8, z, other float64, asLab bool, illuminant, observer int32) {
		stated := condition(typesv1.Illuminant(illuminant), typesv1.Observer(observer))
		raw := lab(x, y, z, stated)
		if !asLab {
			r := make([]float64, n)
			for i := range r {
				r[i] = z
				if i%3 == 1 {
					r[i] = other
				}
			}
			raw = spectrum(x, y, r...)
		}
		for _, c := range []*typesv1.ColourCondition{stated, d65x10} {
			got, err := s.ComputeColours(context.Background(), &readingv1.ComputeColoursRequest{Condition: c, Raw: []*typesv1.RawColour{raw}})
			if err != nil {
				moduletest.Refused(t, err)
				continue
			}
			one := got.GetColours()[0]
			if (one.GetLab() == nil) == (one.GetFault() == "") {
				t.Fatalf("neither or both of colour and fault: %v", one)
			}
			if l := one.GetLab(); l != nil && !(l.GetL() >= 0 && l.GetL() <= 150 && math.Abs(l.GetA()) <= 200 && math.Abs(l.GetB()) <= 200) {
				t.Fatalf("colour out of range: %v", l)
			}
		}
	})
}
