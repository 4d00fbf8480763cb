package water_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/commonvat/commonvat/plugins/bathscale/water"
)

// Factors follow from the definitions: 10 mg CaO, 10 mg CaCO3, the grain of 64.79891 mg over gallons of 4.54609 L and 3.785411784 L. A page on
// hardness units prints 17.1 for the US grain and 2.497 for calcium; older pages 4.115 for magnesium.
func TestUnits(t *testing.T) {
	for unit, mg := range map[water.Unit]float64{
		water.German: 17.847992, water.French: 10, water.English: 14.253768, water.GrainPerUS: 17.118061, water.MmolPerL: 100.0869, water.MgPerL: 1,
	} {
		got, err := water.Hardness(1, unit)
		require.NoError(t, err)
		assert.InDelta(t, mg, got, 2e-5, unit)
		assert.InDelta(t, 1, water.In(got, unit), 1e-12)
	}
	mg, err := water.Hardness(8, water.German)
	require.NoError(t, err)
	for unit, want := range map[water.Unit]float64{water.MgPerL: 142.78, water.French: 14.28, water.English: 10.02, water.GrainPerUS: 8.34, water.MmolPerL: 1.427} {
		assert.InDelta(t, want, water.In(mg, unit), 0.005, unit)
	}
	for _, bad := range []float64{-1, math.NaN(), math.Inf(1), 10_001} {
		_, err := water.Hardness(bad, water.MgPerL)
		assert.ErrorIs(t, err, water.ErrInput, bad)
	}
	_, err = water.Hardness(1, "grains") // of which gallon?
	assert.ErrorIs(t, err, water.ErrInput)
	assert.Zero(t, water.In(1, "grains"))
}

// As a page on hardness prints it, 2.497 for calcium; magnesium 4.115 on older pages, 4.118 by the atomic weights of IUPAC.
func TestFromIons(t *testing.T) {
	for _, c := range [][3]float64{{1, 0, 2.497303}, {0, 1, 4.117955}, {60, 12, 199.3}} {
		got, err := water.FromIons(c[0], c[1])
		require.NoError(t, err)
		assert.InDelta(t, c[2], got, 2.5e-4*c[2])
	}
	for _, c := range [][2]float64{{-1, 0}, {0, -1}, {2001, 0}, {math.NaN(), 1}, {2000, 2000}, {1, math.Inf(1)}} {
		_, err := water.FromIons(c[0], c[1])
		assert.ErrorIs(t, err, water.ErrInput, c)
	}
}

func TestRaise(t *testing.T) {
	r, err := water.ToRaise(10, 40, 150)
	require.NoError(t, err)
	assert.InDelta(t, 1.1, r.CarbonateG, 1e-9)
	assert.InDelta(t, 1.936, r.AcetateG, 0.0005)
	assert.InDelta(t, 1.616, r.ChlorideG, 0.0005)
	for _, c := range [][3]float64{{0, 1, 2}, {1, 2, 1}, {1, -1, 1}, {1, 0, math.Inf(1)}, {math.NaN(), 0, 1}} {
		_, err := water.ToRaise(c[0], c[1], c[2])
		assert.ErrorIs(t, err, water.ErrInput)
	}
}

func TestMixes(t *testing.T) {
	hard, soft := 300.0, 20.0
	low, high, err := water.Mixed([]water.Part{{2, &hard}, {1, &soft}})
	require.NoError(t, err)
	assert.InDelta(t, 620.0/3, low, 1e-9)
	assert.InDelta(t, low, high, 1e-12)
	low, high, err = water.Mixed([]water.Part{{1, &hard}, {1, nil}})
	require.NoError(t, err)
	assert.InDelta(t, 150, low, 1e-12)
	assert.True(t, math.IsInf(high, 1), "what isn't known could be anything")
	share, err := water.SoftPart(hard, soft, 100)
	require.NoError(t, err)
	low, _, err = water.Mixed([]water.Part{{1 - share, &hard}, {share, &soft}})
	require.NoError(t, err)
	assert.InDelta(t, 100, low, 1e-9)
	_, err = water.SoftPart(hard, soft, 10)
	assert.ErrorIs(t, err, water.ErrInput)
	for _, parts := range [][]water.Part{nil, {{0, &hard}}, {{math.NaN(), &hard}}} {
		_, _, err := water.Mixed(parts)
		assert.ErrorIs(t, err, water.ErrInput)
	}
	rapid.Check(t, func(t *rapid.T) {
		value, unit := rapid.Float64Range(0, 90).Draw(t, "value"), rapid.SampledFrom([]water.Unit{water.MgPerL, water.MmolPerL, water.German, water.French, water.English, water.GrainPerUS}).Draw(t, "unit")
		mg, err := water.Hardness(value, unit)
		require.NoError(t, err)
		assert.InDelta(t, value, water.In(mg, unit), 1e-9, "there and back")
	})
}
