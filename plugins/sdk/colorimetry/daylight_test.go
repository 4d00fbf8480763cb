package colorimetry

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// 1.4388/1.4380: the CIE's radiation constant c2 of today over that of the time when the daylights got their names.
const namedK = 1.4388 / 1.4380

func TestDaylightIsTheTabulatedOne(t *testing.T) {
	columns, err := readTables(tablesCSV)
	require.NoError(t, err)
	// D50 is printed to three decimals, D65 to four.
	for _, c := range []struct {
		name   string
		kelvin float64
		within float64
	}{{"D50", 5000 * namedK, 0.00051}, {"D65", 6500 * namedK, 0.001}} {
		i, err := DaylightAt(c.kelvin)
		require.NoError(t, err)
		k, ok := i.Daylight()
		require.True(t, ok)
		p, err := daylightPower(k)
		require.NoError(t, err)
		worst := 0.0
		for n, want := range columns[c.name] {
			worst = max(worst, math.Abs(want-p[n*tableStepNm]))
		}
		assert.Less(t, worst, c.within, c.name)
		t.Logf("%s: largest deviation %.4f", c.name, worst)
	}
}

func TestDaylightChromaticity(t *testing.T) {
	for _, r := range publishedRows(t, "cie_illuminant_whites.csv") {
		kelvin := map[string]float64{"D50": 5000, "D55": 5500, "D65": 6500, "D75": 7500}[r["illuminant"]] * namedK
		if kelvin == 0 {
			continue
		}
		x, y, err := DaylightChromaticity(kelvin)
		require.NoError(t, err)
		i, err := DaylightAt(kelvin)
		require.NoError(t, err)
		w, err := White(Condition{i, Observer(r.number(t, "observer_deg"))})
		require.NoError(t, err)
		sum := w.X + w.Y + w.Z
		if r["observer_deg"] == "2" {
			// The published values are those of the curves, which lie 0.0001 below the y of the locus that they are made from.
			assert.InDelta(t, r.number(t, "x"), x, 0.00006, r["illuminant"])
			assert.InDelta(t, r.number(t, "y"), y, 0.00013, r["illuminant"])
		}
		// From the curve: M1 and M2 have three decimals.
		assert.InDelta(t, r.number(t, "x"), w.X/sum, 0.0001, "%s/%s", r["illuminant"], r["observer_deg"])
		assert.InDelta(t, r.number(t, "y"), w.Y/sum, 0.0001, "%s/%s", r["illuminant"], r["observer_deg"])
	}
	for _, bad := range []float64{3999.9, 25000.1, 0, -1, math.NaN(), math.Inf(1)} {
		_, err := DaylightAt(bad)
		assert.EqualError(t, err, "colour_temperature_k is "+number(bad)+", allowed: 4000 to 25000")
		_, _, err = DaylightChromaticity(bad)
		assert.Error(t, err)
		_, err = daylightPower(bad)
		assert.Error(t, err)
	}
}

// The two formulas of the locus meet at 7000 K, as far as their printed digits go; at its blue end the locus is at 0.2499, 0.2548 (from memory, Wyszecki &
// Stiles, Color Science).
func TestDaylightLocusIsOne(t *testing.T) {
	below, _, err := DaylightChromaticity(7000)
	require.NoError(t, err)
	above, _, err := DaylightChromaticity(7000.0001)
	require.NoError(t, err)
	assert.InDelta(t, below, above, 2e-6)
	x, y, err := DaylightChromaticity(25000)
	require.NoError(t, err)
	assert.InDelta(t, 0.2499, x, 0.00005)
	assert.InDelta(t, 0.2548, y, 0.00005)
}

func TestDaylightHasOneName(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		i, err := DaylightAt(rapid.Float64Range(MinDaylightK, MaxDaylightK).Draw(t, "kelvin"))
		require.NoError(t, err)
		c := Condition{i, Observer10}
		require.NoError(t, c.Validate())
		back, err := ParseCondition(c.String())
		require.NoError(t, err)
		require.Equal(t, c, back)
	})
	for _, bad := range []string{"K", "5500", "05500K", "5.5e3K", "5500.0K", "5500.001K", "3999K", "25001K", "NaNK", "-5500K", "+5500K", "5500k"} {
		_, err := ParseIlluminant(bad)
		assert.ErrorContains(t, err, "or daylight from 4000K to 25000K", bad)
	}
}

// The x of daylight falls as it grows bluer, over the join of the two polynomials too.
func TestDaylightGrowsBluer(t *testing.T) {
	before := 1.0
	for k := 4000.0; k <= 25000; k += 50 {
		x, _, err := DaylightChromaticity(k)
		require.NoError(t, err)
		require.Less(t, x, before, "%v", k)
		before = x
	}
}
