package reflectance

import (
	"errors"
	"fmt"
	"math"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

func flat(n int, r float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = r
	}
	return out
}

func TestSpectrumBecomesColourAndStrength(t *testing.T) {
	var m Method
	for _, c := range []colorimetry.Condition{colorimetry.D65Observer10, colorimetry.D65Observer2, colorimetry.AObserver10} {
		// A grey of R = ((50+16)/116)^3 is L 50 by the definition of L*.
		r := math.Pow(66.0/116, 3)
		got, err := m.Colour(Raw{Spectrum: &Spectrum{360, 10, flat(39, r)}}, c)
		require.NoError(t, err)
		assert.Equal(t, c, got.Condition)
		assert.InDelta(t, 50, got.Lab.L, 1e-9)
		assert.InDelta(t, 0, got.Lab.A, 1e-9)
		assert.InDelta(t, 0, got.Lab.B, 1e-9)
		require.NotNil(t, got.Strength)
		assert.Equal(t, 400.0, got.Strength.WavelengthNm, "the shortest of equal minima")
		assert.InDelta(t, (1-r)*(1-r)/(2*r), got.Strength.KS, 1e-12)
	}
}

func TestStrengthAtTheMinimumFrom400To700(t *testing.T) {
	var m Method
	s := &Spectrum{360, 10, flat(39, 0.5)}
	s.Reflectance[0] = 0.001  // 360 nm: outside
	s.Reflectance[38] = 0.001 // 740 nm: outside
	s.Reflectance[20] = 0.04  // 560 nm; K/S(.04) = .96^2/.08 = 11.52
	got, err := m.Colour(Raw{Spectrum: s}, colorimetry.D65Observer10)
	require.NoError(t, err)
	assert.Equal(t, 560.0, got.Strength.WavelengthNm)
	assert.InDelta(t, 11.52, got.Strength.KS, 1e-12)
	assert.False(t, got.Strength.Clipped)
	s.Reflectance[30] = 0 // 660 nm
	got, err = m.Colour(Raw{Spectrum: s}, colorimetry.D65Observer10)
	require.NoError(t, err)
	assert.Equal(t, colorimetry.Strength{KS: 0.995 * 0.995 / 0.01, WavelengthNm: 660, Reflectance: 0, Clipped: true, Saturated: true}, *got.Strength)
}

func TestLabPassesOnlyUnderItsOwnCondition(t *testing.T) {
	var m Method
	lab := colorimetry.Lab{L: 40, A: -3, B: -20}
	got, err := m.Colour(Raw{Lab: &StatedLab{lab, colorimetry.D65Observer2}}, colorimetry.D65Observer2)
	require.NoError(t, err)
	assert.Equal(t, Colour{Lab: lab, Condition: colorimetry.D65Observer2}, got)

	_, err = m.Colour(Raw{Lab: &StatedLab{lab, colorimetry.D65Observer2}}, colorimetry.D65Observer10)
	var mismatch *ConditionError
	require.ErrorAs(t, err, &mismatch)
	assert.Equal(t, colorimetry.D65Observer2, mismatch.Stated)
	assert.EqualError(t, err, "stated D65/2, wanted D65/10: never adapted silently")
}

func TestRefusals(t *testing.T) {
	nan := math.NaN()
	spectrum := func(start, step float64, n int) Raw { return Raw{Spectrum: &Spectrum{start, step, flat(n, 0.5)}} }
	factor := func(v float64) Raw {
		r := spectrum(400, 10, 31)
		r.Spectrum.Reflectance[3] = v
		return r
	}
	lab := func(l, a, b float64) Raw {
		return Raw{Lab: &StatedLab{colorimetry.Lab{L: l, A: a, B: b}, colorimetry.D65Observer10}}
	}
	both := spectrum(400, 10, 31)
	both.Lab = lab(50, 0, 0).Lab
	for _, c := range []struct {
		raw  Raw
		want string
	}{
		{Raw{}, "reading is empty, allowed: one of spectrum, curve, lab"},
		{both, "reading is several, allowed: one of spectrum, curve, lab"},
		{factor(-0.01), "spectrum.reflectance[3] is -0.01, allowed: 0 to 2"},
		{factor(2.5), "spectrum.reflectance[3] is 2.5, allowed: 0 to 2"},
		{factor(nan), "spectrum.reflectance[3] is NaN, allowed: 0 to 2"},
		{factor(math.Inf(1)), "spectrum.reflectance[3] is +Inf, allowed: 0 to 2"},
		{spectrum(430, 10, 40), "spectrum.start_nm is 430, allowed: 1 to 400; the curve lacks 400 to 430 nm"},
		{spectrum(nan, 10, 40), "spectrum.start_nm is NaN, allowed: 1 to 400"},
		{spectrum(400, 10, 29), "spectrum.reflectance is 29 samples, allowed: 31 to 10000 samples; the curve lacks 680 to 700 nm"},
		{spectrum(400, 10, 0), "spectrum.reflectance is 0 samples, allowed: 31 to 10000 samples; the curve lacks 400 to 700 nm"},
		{spectrum(400, -10, 31), "spectrum.step_nm is -10, allowed: 0.1 to 20"},
		{spectrum(400, 0, 31), "spectrum.step_nm is 0, allowed: 0.1 to 20"},
		{spectrum(400, 21, 50), "spectrum.step_nm is 21, allowed: 0.1 to 20"},
		{lab(300, 0, 0), "lab.L is 300, allowed: 0 to 150"},
		{lab(50, nan, 0), "lab.a is NaN, allowed: -200 to 200"},
		{lab(50, 0, 201), "lab.b is 201, allowed: -200 to 200"},
		{Raw{Lab: &StatedLab{}}, "lab.condition.illuminant is illuminant(0), allowed: D65, A, D50, FL2, FL7, FL11, or daylight from 4000K to 25000K"},
	} {
		var m Method
		got, err := m.Colour(c.raw, colorimetry.D65Observer10)
		assert.EqualError(t, err, c.want)
		assert.Zero(t, got)
		var fe *colorimetry.FieldError
		assert.ErrorAs(t, err, &fe)
	}
	var m Method
	_, err := m.Colour(spectrum(400, 10, 31), colorimetry.Condition{Illuminant: colorimetry.D65})
	assert.EqualError(t, err, "wanted.observer is 0, allowed: 2, 10")
}

func TestGridsAreBoundedAndShared(t *testing.T) {
	var m Method
	var wg sync.WaitGroup
	for g := range 4 {
		wg.Go(func() {
			for i := range 200 {
				start := float64(200 + (i*7+g)%200)
				_, err := m.Colour(Raw{Spectrum: &Spectrum{start, 1, flat(501, 0.5)}}, colorimetry.AObserver10)
				assert.NoError(t, err)
			}
		})
	}
	wg.Wait()
	assert.LessOrEqual(t, len(m.weights), maxGrids)
}

func FuzzColour(f *testing.F) {
	f.Add(360.0, 10.0, 39, 0.5, 0.1)
	f.Add(400.0, 20.0, 16, 2.0, 0.0)
	f.Add(-1e308, 5.0, 1<<20, -1.0, math.Inf(1))
	f.Fuzz(func(t *testing.T, start, step float64, n int, first, rest float64) {
		if n < 0 || n > 20000 {
			return
		}
		s := &Spectrum{start, step, flat(n, rest)}
		if n > 0 {
			s.Reflectance[0] = first
		}
		var m Method
		got, err := m.Colour(Raw{Spectrum: s}, colorimetry.D65Observer10)
		var fe *colorimetry.FieldError
		if err != nil {
			require.True(t, errors.As(err, &fe))
			return
		}
		// Weights have small negative lobes, so that a lone spike may leave the
		// solid of real colours, but never become anything but a number.
		require.False(t, math.IsNaN(got.Lab.L+got.Lab.A+got.Lab.B), fmt.Sprint(got))
		require.NotNil(t, got.Strength)
		require.LessOrEqual(t, got.Strength.KS, 100.0)
	})
}

func BenchmarkColour(b *testing.B) {
	var m Method
	raw := Raw{Spectrum: &Spectrum{360, 10, flat(39, 0.3)}}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := m.Colour(raw, colorimetry.D65Observer10); err != nil {
			b.Fatal(err)
		}
	}
}
