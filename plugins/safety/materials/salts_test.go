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
		"alum":                      {Metal: "aluminium", LowPercent: 100 * aluminium / (potassium + aluminium + 2*sulfate + 12*water)},
		"aluminium sulfate":         {Metal: "aluminium", LowPercent: 200 * aluminium / (2*aluminium + 3*sulfate + 18*water), HighPercent: 200 * aluminium / (2*aluminium + 3*sulfate)},
		"aluminium acetate":         {Metal: "aluminium", LowPercent: 100 * aluminium / (aluminium + 3*acetate), HighPercent: 100 * aluminium / (aluminium + oxygen + hydrogen + 2*acetate)},
		"burnt alum":                {Metal: "aluminium", LowPercent: 100 * aluminium / (potassium + aluminium + 2*sulfate)},
		"green vitriol":             {Metal: "iron", LowPercent: 100 * iron / (iron + sulfate + 7*water)},
		"dried copperas":            {Metal: "iron", LowPercent: 100 * iron / (iron + sulfate + water)},
		"copperas":                  {Metal: "iron", LowPercent: 100 * iron / (iron + sulfate + 7*water), HighPercent: 100 * iron / (iron + sulfate + water)},
		"anhydrous ferrous sulfate": {Metal: "iron", LowPercent: 100 * iron / (iron + sulfate)},
		"ferrous acetate":           {Metal: "iron", LowPercent: 100 * iron / (iron + 2*acetate + 4*water), HighPercent: 100 * iron / (iron + 2*acetate)},
		"blue vitriol":              {Metal: "copper", LowPercent: 100 * copper / (copper + sulfate + 5*water)},
		"anhydrous copper sulfate":  {Metal: "copper", LowPercent: 100 * copper / (copper + sulfate)},
		"verdigris":                 {Metal: "copper", LowPercent: 100 * copper / (copper + 2*acetate + water), HighPercent: 100 * 3 * copper / (3*copper + 2*acetate + 4*(oxygen+hydrogen))},
		"stannous chloride":         {Metal: "tin", LowPercent: 100 * tin / (tin + 2*chlorine + 2*water), HighPercent: 100 * tin / (tin + 2*chlorine)},
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
	same, ok := counted(rules.Facts{"material.id": texts("green vitriol"), "bath.materials": texts("weld", "ferrous sulfate heptahydrate", "green vitriol")})
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

	told, ok := counted(rules.Facts{"material.id": texts("green vitriol"), "step.salts_wof_percent": percent(5, 6)})
	require.True(t, ok)
	assert.Equal(t, percent(5, 6), told, "the plan added them up")
	less, ok := counted(rules.Facts{"material.id": texts("ferrous acetate"), "step.salts_wof_percent": percent(1, 4)})
	require.True(t, ok)
	assert.Equal(t, acetate.Number.Low, less.Number.Low, "with whatever else, there is no less of it than of itself")
	assert.Equal(t, acetate.Number.High, less.Number.High)
	less, ok = counted(rules.Facts{"material.id": texts("green vitriol"), "step.salts_wof_percent": percent(1, 1), "bath.materials": texts("green vitriol", "iron acetate")})
	require.True(t, ok)
	assert.Equal(t, percent(3, 3.1), less, "nor beside another salt")
	_, ok = counted(rules.Facts{"material.id": texts("copperas"), "bath.materials": texts("copperas", "iron acetate")})
	assert.False(t, ok, "nobody told how much there is of the other salt")
	_, ok = counted(rules.Facts{"material.id": texts("copperas"), "bath.materials": texts("copperas", "alum")})
	assert.True(t, ok, "which is of another metal")
	for what, f := range map[string]rules.Facts{
		"a doubtful name": {"material.id": doubtful(texts("green vitriol"))}, "no name": {}, "a bath that may hold more": {"material.id": texts("green vitriol"), "bath.materials": doubtful(texts("green vitriol"))},
		"a salt that nobody knows": {"material.id": texts("moon dust")},
	} {
		got, ok := counted(f)
		require.True(t, ok, what)
		assert.True(t, got.Doubtful, what)
		assert.Equal(t, percent(3, 3.1).Number, got.Number, "%s: as it is", what)
	}
}

// A hundred grams of ferrous sulfate hold 20.1 g of iron with seven parts of water and 32.9 g with one: where the name doesn't say which, it may be the more.
func TestFormsOfOneSaltDifferInTheirMetal(t *testing.T) {
	more := (iron + sulfate + 7*water) / (iron + sulfate + water) // 1.64
	counted := func(material string, wof float64, facts rules.Facts) *rules.Interval {
		all := rules.Facts{"material.id": texts(material), "bath.materials": texts(material), "step.wof_percent": {Number: &rules.Interval{Low: wof, Likely: wof, High: wof}}}
		for name, f := range facts {
			all[name] = f
		}
		got := materials.Complete(all)
		require.NoError(t, got.Check())
		assert.Equal(t, texts("ferrous sulfate"), got["material.id"], "for the rules it is one material")
		require.False(t, got["step.salts_wof_percent"].Doubtful, material)
		return got["step.salts_wof_percent"].Number
	}
	for material, want := range map[string][2]float64{"copperas": {3, 3 * more}, "dried ferrous sulphate": {3 * more, 3 * more}, "Ferrous sulfate heptahydrate": {3, 3}} {
		got := counted(material, 3, nil)
		assert.InEpsilon(t, want[0], got.Low, 5e-4, material)
		assert.InEpsilon(t, want[1], got.High, 5e-4, material)
	}
	// 2 % of each: the plan knows how much of each it has, and without it the 4 % may all be of either.
	both := rules.Facts{"bath.materials": texts("green vitriol", "dried ferrous sulfate")}
	got := counted("dried ferrous sulfate", 4, both)
	assert.InEpsilon(t, 4, got.Low, 5e-4)
	assert.InEpsilon(t, 4*more, got.High, 5e-4)
	sum := rules.Interval{Low: 2 + 2*more, Likely: 2 + 2*more, High: 2 + 2*more}
	both["step.salts_wof_percent"] = rules.Fact{Number: &sum}
	assert.Equal(t, &sum, counted("dried ferrous sulfate", 4, both))
	// Less than all of it as crystals isn't believed.
	both["step.salts_wof_percent"] = rules.Fact{Number: &rules.Interval{Low: 1, Likely: 1, High: 1}}
	assert.InEpsilon(t, 4, counted("dried ferrous sulfate", 4, both).High, 5e-4)

	// The rules see it: 3 % on wool is a caution as crystals, and a stop where it may be dried.
	fires := func(material string) map[string]rules.Answer {
		found, err := builtIn().Judge(materials.Complete(rules.Facts{
			"material.id": texts(material), "bath.materials": texts(material), "fibre.class": texts("protein"), "step.wof_percent": {Number: &rules.Interval{Low: 3, Likely: 3, High: 3}},
		}))
		require.NoError(t, err)
		out := map[string]rules.Answer{}
		for _, f := range found {
			out[f.Rule.ID] = f.Answer
		}
		return out
	}
	assert.Equal(t, rules.Yes, fires("ferrous sulfate")["S005"])
	assert.Equal(t, rules.Yes, fires("dried ferrous sulfate")["S005"])
	assert.NotContains(t, fires("ferrous sulfate heptahydrate"), "S005")
	assert.Equal(t, rules.Yes, fires("ferrous sulfate heptahydrate")["S004"])
}

// Of a material that the table doesn't know, no less counts than it weighs: what was told of a lighter dose, or of a whole workshop, clears no heavier one.
func TestToldOfAnUnknownSaltIsNoLessThanItWeighs(t *testing.T) {
	facts := rules.Facts{"material.id": texts("moon dust"), "bath.materials": texts("moon dust"), "step.wof_percent": {Number: &rules.Interval{Low: 8, Likely: 8, High: 8}}}
	told := func(v float64) rules.Fact {
		facts["step.salts_wof_percent"] = rules.Fact{Number: &rules.Interval{Low: v, Likely: v, High: v}}
		return materials.Complete(facts)["step.salts_wof_percent"]
	}
	assert.Equal(t, doubtful(rules.Fact{Number: &rules.Interval{Low: 8, Likely: 8, High: 8}}), told(1))
	assert.Equal(t, rules.Fact{Number: &rules.Interval{Low: 9, Likely: 9, High: 9}}, told(9))
}
