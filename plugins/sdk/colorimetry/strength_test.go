package colorimetry

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func fill(n int, v float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = v
	}
	return out
}

func TestMeasuredStrength(t *testing.T) {
	nm, r := steps(360, 10, 39), fill(39, 0.5)
	r[0] = 0.01 // 360 nm is outside
	r[20], r[30] = 0.04, 0.04
	s, err := MeasuredStrength(Curve{nm, r})
	require.NoError(t, err)
	assert.Equal(t, Strength{KS: s.KS, WavelengthNm: 560, Reflectance: 0.04}, s)
	assert.InDelta(t, 11.52, s.KS, 1e-12) // (1-0.04)²/0.08
	for ks, saturated := range map[float64]bool{16.99: false, 17.01: true} {
		r[24] = ReflectanceFromKS(ks)
		s, err = MeasuredStrength(Curve{nm, r})
		require.NoError(t, err)
		assert.InDelta(t, ks, s.KS, 1e-9)
		assert.Equal(t, saturated, s.Saturated)
	}
	r[25] = 0.001
	s, err = MeasuredStrength(Curve{nm, r})
	require.NoError(t, err)
	assert.True(t, s.Clipped && s.Saturated)
	assert.InDelta(t, 0.995*0.995/0.01, s.KS, 1e-9)
}

// Twice the dye is twice K/S above the substrate's: Kubelka & Munk's function is additive.
func TestRelativeStrengthOfTwiceTheDye(t *testing.T) {
	nm := steps(400, 10, 31)
	rapid.Check(t, func(t *rapid.T) {
		substrate := rapid.Float64Range(0.6, 0.9).Draw(t, "substrate")
		times := rapid.Float64Range(0.2, 3).Draw(t, "times")
		base, _ := KS(substrate)
		one, more := make([]float64, 31), make([]float64, 31)
		for i := range one {
			dye := 2 * math.Exp(-math.Pow((nm[i]-550)/60, 2))
			one[i], more[i] = ReflectanceFromKS(base+dye), ReflectanceFromKS(base+times*dye)
		}
		s, err := ComputeRelativeStrength(nm, more, one, fill(31, substrate))
		require.NoError(t, err)
		require.InDelta(t, 100*times, s.Percent, 1e-6)
		require.InDelta(t, 1, s.Cosine, 1e-9)
		require.True(t, s.Comparable)
	})
}

func TestRelativeStrengthOfAnotherHueSaysSo(t *testing.T) {
	nm := steps(400, 10, 31)
	red, blue := fill(31, 0.8), fill(31, 0.8)
	for i := range 10 {
		red[i+8], blue[i+18] = 0.1, 0.1
	}
	s, err := ComputeRelativeStrength(nm, blue, red, fill(31, 0.8))
	require.NoError(t, err)
	assert.InDelta(t, 100, s.Percent, 1e-9)
	assert.InDelta(t, 0, s.Cosine, 1e-9)
	assert.False(t, s.Comparable)
	// The condition at its end: a dye of one band against one that has a part in another.
	base, _ := KS(0.8)
	for cosine, comparable := range map[float64]bool{0.981: true, 0.979: false} {
		pure, mixed := fill(31, 0.8), fill(31, 0.8)
		pure[8], mixed[8], mixed[18] = ReflectanceFromKS(base+2), ReflectanceFromKS(base+2*cosine), ReflectanceFromKS(base+2*math.Sqrt(1-cosine*cosine))
		s, err := ComputeRelativeStrength(nm, mixed, pure, fill(31, 0.8))
		require.NoError(t, err)
		assert.InDelta(t, cosine, s.Cosine, 1e-9)
		assert.Equal(t, comparable, s.Comparable, "%v", cosine)
	}
	_, err = ComputeRelativeStrength(nm, red, fill(31, 0.8), fill(31, 0.8))
	assert.ErrorContains(t, err, "reference is summed K/S 0 above the substrate's, allowed: above 0")
	_, err = ComputeRelativeStrength(nm, red, fill(30, 0.8), fill(31, 0.8))
	assert.ErrorContains(t, err, "reference.reflectance is 30 factors")
	s, err = ComputeRelativeStrength(nm, fill(31, 0.8), red, fill(31, 0.8)) // undyed
	require.NoError(t, err)
	assert.Equal(t, RelativeStrength{}, s)
}

// For a flat curve the summed depth is K/S times the sum of X, Y and Z of the white over its Y.
func TestSummedDepth(t *testing.T) {
	w, err := NewWeights(D65Observer10, 400, 10, 31)
	require.NoError(t, err)
	d, err := SummedDepth(w, fill(31, 0.04))
	require.NoError(t, err)
	assert.InDelta(t, 11.52*(w.White().X+100+w.White().Z)/100, d, 1e-9)
	_, err = SummedDepth(w, fill(31, -1))
	assert.Error(t, err)
}

func TestLevelness(t *testing.T) {
	// Five flat curves whose standard deviation is a hundredth of their mean: the index is a hundredth of the sum of V.
	nm := steps(390, 10, 32)
	var curves [][]float64
	for _, f := range []float64{-1, -1, 0, 1, 1} { // standard deviation 1
		curves = append(curves, fill(32, 0.4*(1+0.01*f)))
	}
	tab, err := tables()
	require.NoError(t, err)
	var sumV float64
	for i := 30; i <= 340; i += 10 {
		sumV += tab.observers[Observer2][1][i]
	}
	l, err := LevelnessOfCurves(nm, curves)
	require.NoError(t, err)
	assert.InDelta(t, 0.01*sumV, l.Index, 1e-12)
	assert.Equal(t, LevelnessExcellent, l.Grade)
	assert.Equal(t, 5, l.Readings)
	// The same read every 20 nm, and from 400 only, is nearly the same: flat curves are interpolated exactly.
	for i := range curves {
		curves[i] = curves[i][:16]
	}
	coarse, err := LevelnessOfCurves(steps(400, 20, 16), curves)
	require.NoError(t, err)
	assert.InDelta(t, l.Index, coarse.Index, 1e-5)
	// The index of flat curves is as large as their scatter, so each grade can be tried at its ends.
	for index, grade := range map[float64]LevelnessGrade{0.199: LevelnessExcellent, 0.201: LevelnessGood, 0.499: LevelnessGood, 0.501: LevelnessPoor, 0.999: LevelnessPoor, 1.001: LevelnessBad, 2: LevelnessBad} {
		var c [][]float64
		for _, f := range []float64{-1, -1, 0, 1, 1} {
			c = append(c, fill(16, 0.4*(1+0.01*f*index/coarse.Index)))
		}
		l, err := LevelnessOfCurves(steps(400, 20, 16), c)
		require.NoError(t, err)
		assert.InDelta(t, index, l.Index, 1e-9)
		assert.Equal(t, grade, l.Grade, "%v", index)
	}

	colours := []Lab{{50, 0, 0}, {51, 0, 0}, {49, 0, 0}, {51, 0, 0}, {49, 0, 0}}
	l, err = LevelnessOfColours(colours)
	require.NoError(t, err)
	assert.InDelta(t, 0.8, l.Index, 0.001)
	assert.Equal(t, LevelnessFair, l.Grade)

	// About L* 50 a step of lightness is one of CIEDE2000: 0.8 of the step is the mean of these.
	for step, grade := range map[float64]LevelnessGrade{0.62: LevelnessLevel, 0.63: LevelnessFair, 1.24: LevelnessFair, 1.26: LevelnessUnlevel} {
		l, err := LevelnessOfColours([]Lab{{50, 0, 0}, {50 + step, 0, 0}, {50 - step, 0, 0}, {50 + step, 0, 0}, {50 - step, 0, 0}})
		require.NoError(t, err)
		assert.InDelta(t, 0.8*step, l.Index, 0.002)
		assert.Equal(t, grade, l.Grade, "%v", step)
	}

	_, err = LevelnessOfColours(colours[:4])
	assert.EqualError(t, err, "readings is 4, allowed: 5 or more; 1 missing")
	_, err = LevelnessOfCurves(nm, nil)
	assert.ErrorContains(t, err, "5 missing")
	_, err = LevelnessOfColours([]Lab{{}, {}, {}, {}, {L: 300}})
	assert.ErrorContains(t, err, "readings[4].L is 300")
	_, err = LevelnessOfCurves(steps(400, 20, 16), [][]float64{fill(16, 0), fill(16, 0), fill(16, 0), fill(16, 0), fill(16, 0)})
	assert.ErrorContains(t, err, "allowed: a mean reflectance above 0")
	_, err = LevelnessOfCurves(steps(400, 20, 16), [][]float64{fill(16, 1), fill(16, 1), fill(16, math.NaN()), fill(16, 0), fill(16, 0)})
	assert.ErrorContains(t, err, "readings[2].reflectance[0] is NaN")
}

func TestFitDips(t *testing.T) {
	// q = 10, k = .5: KS(3) = 7.7687, 4.605 dips to nine tenths.
	known := DipCurve{Limit: 10, Rate: 0.5}
	assert.InDelta(t, 7.7687, known.At(3), 0.00005)
	c, err := FitDips([]float64{1, 2, 3, 5, 8}, []float64{known.At(1), known.At(2), known.At(3), known.At(5), known.At(8)})
	require.NoError(t, err)
	assert.InDelta(t, 10, c.Limit, 1e-8)
	assert.InDelta(t, 0.5, c.Rate, 1e-9)
	assert.InDelta(t, 4.605, c.DipsTo90, 0.0005)
	assert.InDelta(t, 0, c.RMS, 1e-8)
	assert.Equal(t, 5, c.Levels)

	rapid.Check(t, func(t *rapid.T) {
		known := DipCurve{Limit: rapid.Float64Range(0.5, 40).Draw(t, "limit"), Rate: rapid.Float64Range(0.15, 2).Draw(t, "rate")}
		dips := []float64{1, 2, 4, 6, 9, 12}
		ks := make([]float64, len(dips))
		for i, n := range dips {
			ks[i] = known.At(n)
		}
		c, err := FitDips(dips, ks)
		require.NoError(t, err)
		require.InEpsilon(t, known.Limit, c.Limit, 1e-5)
		require.InEpsilon(t, known.Rate, c.Rate, 1e-5)
	})

	// The least squares of noisy strengths: no neighbouring curve is nearer.
	dips, ks := []float64{1, 2, 3, 4, 6, 8, 10}, []float64{2.2, 3.4, 4.9, 5.2, 6.6, 6.9, 7.4}
	c, err = FitDips(dips, ks)
	require.NoError(t, err)
	rms := func(q, k float64) float64 {
		var s float64
		for i, n := range dips {
			s += math.Pow(ks[i]-DipCurve{Limit: q, Rate: k}.At(n), 2)
		}
		return math.Sqrt(s / float64(len(dips)))
	}
	assert.InDelta(t, rms(c.Limit, c.Rate), c.RMS, 1e-12)
	for _, d := range [][2]float64{{.01, 0}, {-.01, 0}, {0, .001}, {0, -.001}} {
		assert.Greater(t, rms(c.Limit+d[0], c.Rate+d[1]), c.RMS)
	}
}

func TestFitDipsRefuses(t *testing.T) {
	for _, c := range []struct {
		dips, ks []float64
		says     string
	}{
		{[]float64{1, 2, 3}, []float64{1, 2, 3}, "3 levels, allowed: 4 or more different numbers of dips; 1 missing"},
		{[]float64{1, 1, 2, 3, 3}, fill(5, 1), "3 levels"},
		{[]float64{1, 2, 3, 4}, []float64{1, 2, 3}, "ks is 3 strengths"},
		{[]float64{1, 2, math.NaN(), 4}, fill(4, 1), "dips[2] is NaN"},
		{[]float64{1, 2, 3, 4}, []float64{1, -2, 3, 4}, "ks[1] is -2"},
		{nil, nil, "0 levels"},
	} {
		_, err := FitDips(c.dips, c.ks)
		assert.ErrorContains(t, err, c.says)
	}
	for _, ks := range [][]float64{{1, 2, 3, 4}, {1, 2, 4, 8}, fill(4, 0), {4, 3, 2, 1}, {0, 0, 0, 5}} {
		c, err := FitDips([]float64{1, 2, 3, 4}, ks)
		if err == nil { // falling strengths level off at once
			assert.Equal(t, []float64{4, 3, 2, 1}, ks)
			assert.True(t, c.Limit > 0 && c.Rate > 0)
			continue
		}
		assert.ErrorIs(t, err, ErrNoDipCurve, "%v", ks)
	}
}

func FuzzFitDips(f *testing.F) {
	f.Add(1.0, 2.0, 3.0, 5.0, 1.0, 2.0, 2.5, 3.0)
	f.Add(0.0, 1e-300, 1e-200, 1000.0, 0.0, 1000.0, 1e-300, 5.0)
	f.Fuzz(func(t *testing.T, a, b, c, d, e, g, h, i float64) {
		got, err := FitDips([]float64{a, b, c, d}, []float64{e, g, h, i})
		if err == nil {
			require.True(t, got.Limit > 0 && got.Rate > 0 && got.RMS >= 0 && !math.IsInf(got.Limit, 0) && !math.IsInf(got.Rate, 0))
		}
	})
}
