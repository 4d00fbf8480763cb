package materials_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/safety/materials"
	"github.com/commonvat/commonvat/plugins/safety/rules"
)

// Standard atomic weights of the IUPAC, abridged to five figures (2021).
const (
	hydrogen, carbon, oxygen, aluminium, sulfur, chlorine, potassium, iron, copper, tin = 1.008, 12.011, 15.999, 26.982, 32.06, 35.45, 39.098, 55.845, 63.546, 118.71

	water, sulfate, acetate = 2*hydrogen + oxygen, sulfur + 4*oxygen, 2*carbon + 3*hydrogen + 2*oxygen
)

func TestMetalOfSalts(t *testing.T) {
	for name, want := range map[string]materials.Salt{
		"alum":              {Metal: "aluminium", LowPercent: 100 * aluminium / (potassium + aluminium + 2*sulfate + 12*water)},
		"aluminium sulfate": {Metal: "aluminium", LowPercent: 200 * aluminium / (2*aluminium + 3*sulfate + 18*water), HighPercent: 200 * aluminium / (2*aluminium + 3*sulfate)},
		"aluminium acetate": {Metal: "aluminium", LowPercent: 100 * aluminium / (aluminium + 3*acetate), HighPercent: 100 * aluminium / (aluminium + oxygen + hydrogen + 2*acetate)},
		"copperas":          {Metal: "iron", LowPercent: 100 * iron / (iron + sulfate + 7*water)},
		"ferrous acetate":   {Metal: "iron", LowPercent: 100 * iron / (iron + 2*acetate + 4*water), HighPercent: 100 * iron / (iron + 2*acetate)},
		"blue vitriol":      {Metal: "copper", LowPercent: 100 * copper / (copper + sulfate + 5*water)},
		"stannous chloride": {Metal: "tin", LowPercent: 100 * tin / (tin + 2*chlorine + 2*water), HighPercent: 100 * tin / (tin + 2*chlorine)},
	} {
		m, ok := materials.Find(name)
		require.True(t, ok, name)
		got, ok := m.Salt()
		require.True(t, ok, name)
		assert.Equal(t, want.Metal, got.Metal, name)
		assert.InEpsilon(t, want.LowPercent, got.LowPercent, 5e-4, name)
		assert.InEpsilon(t, max(want.LowPercent, want.HighPercent), got.HighPercent, 5e-4, name)
		assert.Equal(t, map[string]string{"aluminium": "potassium alum", "iron": "ferrous sulfate"}[got.Metal], got.CeilingSalt, name)
		assert.Equal(t, got.CeilingSalt != "", got.CeilingSaltPercent > 0, name)
	}
	for _, name := range []string{"weld", "soda ash", "cream of tartar", "potassium dichromate"} {
		m, ok := materials.Find(name)
		require.True(t, ok, name)
		_, ok = m.Salt()
		assert.False(t, ok, name)
	}
}

// Half a gram of aluminium on a hundred of wool may be told as alum or as another salt, and is as much.
func TestSaltsAreCountedByTheirMetal(t *testing.T) {
	percent := func(low, high float64) rules.Fact {
		return rules.Fact{Number: &rules.Interval{Low: low, Likely: (low + high) / 2, High: high}}
	}
	counted := func(more rules.Facts) (rules.Fact, bool) {
		facts := rules.Facts{"step.wof_percent": percent(3, 3.1), "bath.materials": texts("weld")}
		for name, f := range more {
			facts[name] = f
		}
		got := materials.Complete(facts)
		require.NoError(t, got.Check())
		f, ok := got["step.salts_wof_percent"]
		return f, ok
	}
	same, ok := counted(rules.Facts{"material.id": texts("copperas"), "bath.materials": texts("weld", "copperas", "green vitriol")})
	require.True(t, ok)
	assert.Equal(t, percent(3, 3.1), same, "the salt that ceilings are published of, under its own other name too")
	// WX27 of the worked examples: 15 g of alum and 10.54 g of aluminium sulfate with 18 H2O have the same aluminium; without water there is more in it.
	sulfate, ok := counted(rules.Facts{"material.id": texts("aluminium sulfate"), "step.wof_percent": percent(10.54, 10.54)})
	require.True(t, ok)
	assert.InDelta(t, 15, sulfate.Number.Low, 0.01)
	assert.Greater(t, sulfate.Number.High, 29.0)
	acetate, ok := counted(rules.Facts{"material.id": texts("ferrous acetate")})
	require.True(t, ok)
	assert.InDelta(t, 3*22.70/20.09, acetate.Number.Low, 0.01)
	assert.InDelta(t, 3.1*32.11/20.09, acetate.Number.High, 0.01)

	told, ok := counted(rules.Facts{"material.id": texts("copperas"), "step.salts_wof_percent": percent(5, 6)})
	require.True(t, ok)
	assert.Equal(t, percent(5, 6), told, "the plan added them up")
	less, ok := counted(rules.Facts{"material.id": texts("ferrous acetate"), "step.salts_wof_percent": percent(1, 4)})
	require.True(t, ok)
	assert.Equal(t, acetate.Number.Low, less.Number.Low, "with whatever else, there is no less of it than of itself")
	assert.Equal(t, acetate.Number.High, less.Number.High)
	less, ok = counted(rules.Facts{"material.id": texts("copperas"), "step.salts_wof_percent": percent(1, 1), "bath.materials": texts("copperas", "iron acetate")})
	require.True(t, ok)
	assert.Equal(t, percent(3, 3.1), less, "nor beside another salt")
	_, ok = counted(rules.Facts{"material.id": texts("copperas"), "bath.materials": texts("copperas", "iron acetate")})
	assert.False(t, ok, "nobody told how much there is of the other salt")
	_, ok = counted(rules.Facts{"material.id": texts("copperas"), "bath.materials": texts("copperas", "alum")})
	assert.True(t, ok, "which is of another metal")
	for what, f := range map[string]rules.Facts{
		"a doubtful name": {"material.id": doubtful(texts("copperas"))}, "no name": {}, "a bath that may hold more": {"material.id": texts("copperas"), "bath.materials": doubtful(texts("copperas"))},
		"a salt that nobody knows": {"material.id": texts("moon dust")},
	} {
		got, ok := counted(f)
		require.True(t, ok, what)
		assert.True(t, got.Doubtful, what)
		assert.Equal(t, percent(3, 3.1).Number, got.Number, "%s: as it is", what)
	}
}
