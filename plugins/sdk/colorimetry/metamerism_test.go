package colorimetry

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestSpecialMetamerism(t *testing.T) {
	day, err := NewWeights(D65Observer10, 400, 10, 31)
	require.NoError(t, err)
	lamp, err := NewWeights(AObserver10, 400, 10, 31)
	require.NoError(t, err)
	r := fill(31, 0)
	for i := range r {
		r[i] = 0.2 + 0.3*math.Sin(float64(i)/9)*math.Sin(float64(i)/9)
	}
	// A curve beside itself, and beside itself made darker: the correction takes all away.
	m, err := SpecialMetamerism(r, r, day, lamp, FormulaCIE76)
	require.NoError(t, err)
	assert.Zero(t, m.Index)
	darker := append([]float64(nil), r...)
	for i := range darker {
		darker[i] *= 0.95
	}
	m, err = SpecialMetamerism(r, darker, day, lamp, FormulaCIE76)
	require.NoError(t, err)
	assert.InDelta(t, 0, m.Index, 1e-9)
	assert.Greater(t, m.Difference, 1.0)

	// A metamer under daylight: four samples moved along the direction that changes no tristimulus value. The index is then the plain
	// difference under the lamp.
	i := []int{5, 13, 19, 26}
	rows := make([][]float64, 3)
	for k := range rows {
		axis := func(v XYZ) float64 { return [3]float64{v.X, v.Y, v.Z}[k] }
		rows[k] = []float64{axis(day.w[i[0]]), axis(day.w[i[1]]), axis(day.w[i[2]]), -axis(day.w[i[3]])}
	}
	require.True(t, solve(rows))
	metamer := append([]float64(nil), r...)
	for k, d := range []float64{rows[0][3], rows[1][3], rows[2][3], 1} {
		metamer[i[k]] += 0.05 * d
	}
	for _, f := range Formulas() {
		m, err = SpecialMetamerism(r, metamer, day, lamp, f)
		require.NoError(t, err)
		assert.InDelta(t, 0, m.Difference, 1e-5)
		p, err := lamp.Lab(r)
		require.NoError(t, err)
		q, err := lamp.Lab(metamer)
		require.NoError(t, err)
		assert.InDelta(t, f.Difference(p, q, DefaultFactors), m.Index, 1e-5)
		assert.Greater(t, m.Index, 0.05)
	}
	assert.Equal(t, D65Observer10, m.Reference)
	assert.Equal(t, AObserver10, m.Test)

	_, err = SpecialMetamerism(r, fill(31, 0), day, lamp, FormulaCIE76)
	assert.ErrorContains(t, err, "allowed: a curve with X, Y and Z above 0")
	_, err = SpecialMetamerism(r, fill(30, 1), day, lamp, FormulaCIE76)
	assert.ErrorContains(t, err, "second.reflectance is 30 samples")
	_, err = SpecialMetamerism(fill(31, math.NaN()), r, day, lamp, FormulaCIE76)
	assert.ErrorContains(t, err, "first.reflectance[0] is NaN")
	beside, err := NewWeights(AObserver10, 395, 10.5, 31) // as many samples, elsewhere
	require.NoError(t, err)
	_, err = SpecialMetamerism(r, r, day, beside, FormulaCIE76)
	assert.EqualError(t, err, "test is weights of 31 samples from 395 to 710 nm, allowed: those of reference, of 31 samples from 400 to 700 nm")
	_, err = SpecialMetamerism(r, r, day, lamp, "x")
	assert.ErrorContains(t, err, "formula")
}
