package colorimetry

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func steps(from, step float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = from + float64(i)*step
	}
	return out
}

// The weights of the standard's own steps are the same whether they are asked for by step or by wavelength.
func TestWavelengthsGiveTheWeightsOfTheStep(t *testing.T) {
	for _, g := range []struct {
		from, step float64
		n          int
	}{{360, 5, 85}, {380, 10, 36}, {400, 20, 16}, {400, 1, 301}, {300, 10, 60}} {
		a, err := NewWeights(D65Observer10, g.from, g.step, g.n)
		require.NoError(t, err)
		b, err := NewWeightsAt(D65Observer10, steps(g.from, g.step, g.n))
		require.NoError(t, err)
		assert.Equal(t, a.w, b.w)
	}
}

// A curve that is a parabola in wavelength is interpolated exactly, whatever the distances of the samples.
func TestUnequalStepsAreExactOnParabolas(t *testing.T) {
	full, err := NewWeights(D65Observer10, 360, 1, 421)
	require.NoError(t, err)
	rapid.Check(t, func(t *rapid.T) {
		c := Condition{rapid.SampledFrom([]Illuminant{D65, A, FL11}).Draw(t, "illuminant"), Observer10}
		peak := rapid.Float64Range(360, 780).Draw(t, "peak")
		curve := func(nm float64) float64 { return 0.9 - 0.8*(nm-peak)*(nm-peak)/(420*420) }
		nm := []float64{360}
		for nm[len(nm)-1] < 760 {
			nm = append(nm, nm[len(nm)-1]+rapid.Float64Range(0.5, 20).Draw(t, "step"))
		}
		if last := len(nm) - 1; nm[last] > 779 {
			nm[last] = 779
		}
		nm = append(nm, 780) // what lies beyond weighs nothing
		w, err := NewWeightsAt(c, nm)
		require.NoError(t, err)
		want, err := NewWeights(c, 360, 1, 421)
		require.NoError(t, err)
		r, dense := make([]float64, w.Len()), make([]float64, full.Len())
		for i := range r {
			r[i] = curve(nm[i])
		}
		for i := range dense {
			dense[i] = curve(float64(360 + i))
		}
		got, err := w.XYZ(r)
		require.NoError(t, err)
		exact, err := want.XYZ(dense)
		require.NoError(t, err)
		require.InDelta(t, exact.Y, got.Y, 1e-9*100)
		require.InDelta(t, exact.X, got.X, 1e-9*100)
		require.InDelta(t, exact.Z, got.Z, 1e-9*100)
	})
}

// An odd step gives nearly what the step of the standard beside it gives, for a curve as smooth as a dye's.
func TestOddStepsAreInterpolated(t *testing.T) {
	dye := func(nm float64) float64 { return 0.05 + 0.6/(1+math.Exp(-(nm-560)/15)) }
	lab := func(from, step float64, n int) Lab {
		w, err := NewWeights(D65Observer10, from, step, n)
		require.NoError(t, err)
		r := make([]float64, n)
		for i := range r {
			nm, _ := w.At(i)
			r[i] = dye(nm)
		}
		c, err := w.Lab(r)
		require.NoError(t, err)
		return c
	}
	want := lab(360, 1, 421)
	for _, g := range [][2]float64{{360, 0.5}, {360, 2}, {360.3, 3.33}, {359, 4}, {360, 6}, {365, 7}, {361, 8}, {360, 12.5}} {
		n := int((780-g[0])/g[1]) + 1
		assert.Less(t, CIEDE2000(want, lab(g[0], g[1], n), DefaultFactors), 0.02, "%v", g)
	}
}

// The recipe the other way round: the curve is brought to 1 nm (Neville's scheme through the four samples around, three in the end intervals, the
// end samples repeated outwards), and summed there with light and observer.
func TestColoursAgreeWithTheRecipeAtOneNanometre(t *testing.T) {
	tab, err := tables()
	require.NoError(t, err)
	neville := func(x, y []float64, at float64) float64 {
		y = append([]float64(nil), y...)
		for k := 1; k < len(x); k++ {
			for i := range len(x) - k {
				y[i] = ((at-x[i+k])*y[i] + (x[i]-at)*y[i+1]) / (x[i] - x[i+k])
			}
		}
		return y[0]
	}
	worst := 0.0
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.SampledFrom(allConditions()).Draw(t, "condition")
		step := rapid.SampledFrom([]float64{5, 10, 20}).Draw(t, "step")
		first := rapid.SampledFrom([]float64{360, 380, 400}).Draw(t, "first")
		last := rapid.SampledFrom([]float64{700, 740, 780}).Draw(t, "last")
		n := int((last-first)/step) + 1
		r := rapid.SliceOfN(rapid.Float64Range(0.01, 1), n, n).Draw(t, "reflectance")
		var x, y []float64
		for nm := 360.0; nm <= 780; nm += step {
			x = append(x, nm)
			y = append(y, r[min(max(int((nm-first)/step), 0), n-1)])
		}
		power, err := tab.power(c.Illuminant)
		require.NoError(t, err)
		var v, white XYZ
		for at := 360; at <= 780; at++ {
			i := min(int((float64(at)-360)/step), len(x)-2)
			from, to := max(i-1, 0), min(i+3, len(x))
			bar := tab.observers[c.Observer]
			e := XYZ{bar[0][at-360], bar[1][at-360], bar[2][at-360]}.times(power[at-360])
			white = white.plus(e)
			v = v.plus(e.times(neville(x[from:to], y[from:to], float64(at))))
		}
		w, err := NewWeights(c, first, step, n)
		require.NoError(t, err)
		got, err := w.Lab(r)
		require.NoError(t, err)
		off := CIE76(v.Lab(white), got)
		worst = max(worst, off)
		require.Less(t, off, 0.002)
	})
	t.Logf("largest deviation %.2g", worst)
}

func TestNewWeightsAtRefuses(t *testing.T) {
	with := func(i int, nm float64) []float64 {
		s := steps(400, 10, 31)
		s[i] = nm
		return s
	}
	for _, c := range []struct {
		nm   []float64
		says string
	}{
		{nil, "wavelength_nm is 0 wavelengths, allowed: 2 to 10000"},
		{[]float64{400}, "wavelength_nm is 1 wavelengths"},
		{make([]float64, 10001), "wavelength_nm is 10001 wavelengths"},
		{with(3, 420), "wavelength_nm[3] is 420, allowed: each wavelength once"},
		{with(3, 419), "wavelength_nm[3] is 419, allowed: above the one before, 420"},
		{with(3, 420.05), "wavelength_nm[3] is 420.05, allowed: at least 0.1 nm above the one before, 420"},
		{with(3, math.NaN()), "wavelength_nm[3] is NaN, allowed: 1 to 3000"},
		{with(3, math.Inf(1)), "wavelength_nm[3] is +Inf"},
		{with(0, -5), "wavelength_nm[0] is -5"},
		{append(steps(400, 10, 10), steps(520, 10, 20)...), "wavelength_nm[10] is 520, allowed: at most 20 nm above the one before; the curve lacks 490 to 520 nm"},
		{steps(410, 10, 30), "wavelength_nm[0] is 410, allowed: 1 to 400; the curve lacks 400 to 410 nm"},
		{steps(420, 20, 14), "wavelength_nm[0] is 420, allowed: 1 to 400; the curve lacks 400 to 420 nm and 680 to 700 nm"},
		{steps(400, 10, 30), "wavelength_nm[29] is 690, allowed: 700 to 3000; the curve lacks 690 to 700 nm"},
		{steps(1000, 10, 30), "the curve lacks 400 to 1000 nm"},
	} {
		_, err := NewWeightsAt(D65Observer10, c.nm)
		var fe *FieldError
		require.ErrorAs(t, err, &fe)
		assert.ErrorContains(t, err, c.says)
	}
	_, err := NewWeightsAt(Condition{}, steps(400, 10, 31))
	assert.ErrorContains(t, err, "illuminant")
}

func FuzzNewWeightsAt(f *testing.F) {
	f.Add(400.0, 10.0, 31, 5, 450.0)
	f.Add(360.0, 0.1, 4300, 0, 360.0)
	f.Add(1.0, 20.0, 150, 70, math.NaN())
	f.Fuzz(func(t *testing.T, from, step float64, n, at int, nm float64) {
		if n < 0 || n > 12000 {
			return
		}
		s := steps(from, step, n)
		if at >= 0 && at < n {
			s[at] = nm
		}
		w, err := NewWeightsAt(D65Observer2, s)
		if err != nil {
			return
		}
		one := make([]float64, n)
		for i := range one {
			one[i] = 1
		}
		lab, err := w.Lab(one)
		require.NoError(t, err)
		require.InDelta(t, 0, CIE76(Lab{L: 100}, lab), 1e-4)
	})
}
