package choice_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/mordant/choice"
)

func ask(fibre string, dyes ...string) choice.Question {
	q := choice.Question{Fibres: []string{fibre}}
	for _, d := range dyes {
		q.Dyes = append(q.Dyes, choice.Dye{Name: d})
	}
	return q
}

func materials(c choice.Choice) (out []string) {
	for _, s := range c.Steps {
		out = append(out, s.Material.Material)
	}
	return out
}

// Amounts as published: three alum recipes for wool in a comparison of handbooks; a Canadian supplier's for cotton; Mairet (1916) for cochineal.
func TestAmounts(t *testing.T) {
	facts := builtIn()
	best := func(q choice.Question) choice.Choice {
		a := facts.Choose(q)
		require.Empty(t, a.Asks)
		require.NotEmpty(t, a.Fibres[0].Choices)
		return a.Fibres[0].Choices[0]
	}
	weld := best(ask("wool", "weld"))
	assert.Equal(t, []string{"potassium alum"}, materials(weld))
	assert.Equal(t, 8.0, weld.Steps[0].Material.LowPercent)
	assert.Equal(t, 15.0, weld.Steps[0].Material.HighPercent)
	assert.Equal(t, "cream of tartar", weld.Steps[0].Material.With[0].Material)
	scarlet, crimson := ask("wool", "cochineal"), ask("wool", "cochineal")
	scarlet.Shift, crimson.Shift = "redder", "bluer"
	assert.NotEmpty(t, best(scarlet).Steps[0].Material.With, "tartar for scarlet")
	assert.Empty(t, best(crimson).Steps[0].Material.With, "none for crimson")
	assert.Empty(t, best(ask("wool", "indigo")).Steps, "a vat dye is not mordanted for")
	for _, c := range facts.Choose(ask("silk", "weld")).Fibres[0].Choices {
		for _, s := range c.Steps {
			assert.Empty(t, s.Material.With, "no tartar on silk")
		}
	}
}

func TestCellulose(t *testing.T) {
	facts := builtIn()
	a := facts.Choose(ask("cotton", "weld"))
	found := false
	for _, c := range a.Fibres[0].Choices {
		names := materials(c)
		tannin, alum := slices.Index(names, "tannin"), slices.Index(names, "potassium alum")
		if tannin >= 0 && alum >= 0 {
			found = true
			assert.Less(t, tannin, alum, "tannin before alum on cellulose")
		}
		for _, s := range c.Steps {
			for _, w := range s.Material.With {
				assert.NotEqual(t, "cream of tartar", w.Material, "no tartar on cellulose")
			}
		}
	}
	assert.True(t, found)
	red := facts.Choose(ask("cotton", "madder")).Fibres[0]
	three := slices.IndexFunc(red.Choices, func(c choice.Choice) bool { return slices.Contains(c.IDs, "M15") })
	require.GreaterOrEqual(t, three, 0)
	assert.Equal(t, []string{"potassium alum", "tannin", "potassium alum"}, materials(red.Choices[three]), "the order is its point")
}

// Overdyes: a vat over a mordant dye may strip it; mordant before or after the vat is a conflict of authorities, told as one.
func TestOrder(t *testing.T) {
	facts := builtIn()
	text := func(a choice.Answer) string {
		var all []string
		for _, r := range a.Remarks {
			all = append(all, r.Text)
		}
		return strings.Join(all, "\n")
	}
	weldFirst := facts.Choose(ask("wool", "weld", "indigo"))
	assert.Contains(t, text(weldFirst), "may strip")
	assert.True(t, slices.ContainsFunc(weldFirst.Remarks, func(r choice.Remark) bool { return r.Conflict }))
	blueFirst := facts.Choose(ask("wool", "indigo", "weld"))
	assert.NotContains(t, text(blueFirst), "may strip")
	places := map[int]bool{}
	for _, c := range blueFirst.Fibres[0].Choices {
		require.Len(t, c.Steps, 1)
		places[c.Steps[0].Place.Before] = true
		assert.True(t, slices.ContainsFunc(c.Warnings, func(r choice.Remark) bool { return r.Conflict }), "both are told as contradicted")
	}
	assert.Equal(t, map[int]bool{1: true, 2: true}, places)
	two := facts.Choose(ask("wool", "weld", "madder"))
	for _, c := range two.Fibres[0].Choices {
		assert.Equal(t, 1, strings.Count(strings.Join(materials(c), ","), "potassium alum"), "one mordanting serves both")
		assert.NotEmpty(t, c.Warnings)
	}
}

// Iron, like every modifier, comes last, and not above what the fibre bears.
func TestIronLast(t *testing.T) {
	facts := builtIn()
	for fibre, most := range map[string]float64{"wool": 2, "silk": 2, "cotton": 4} {
		q := ask(fibre, "weld", "indigo")
		q.Shift = "darker"
		seen := false
		for _, c := range facts.Choose(q).Fibres[0].Choices {
			at := slices.Index(materials(c), "ferrous sulfate heptahydrate")
			if at < 0 {
				continue
			}
			seen = true
			assert.Equal(t, len(c.Steps)-1, at)
			assert.Equal(t, 3, c.Steps[at].Place.Before, "after both baths")
			assert.LessOrEqual(t, c.Steps[at].Material.HighPercent, most)
		}
		assert.True(t, seen, fibre)
	}
}

func TestStoreAndRefusals(t *testing.T) {
	facts := builtIn()
	q := ask("wool", "weld")
	q.Store = []string{"ferrous sulfate"}
	got := facts.Choose(q).Fibres[0]
	assert.Empty(t, got.Choices)
	assert.True(t, slices.ContainsFunc(got.RuledOut, func(r choice.RuledOut) bool { return r.Why == "potassium alum is not in the store" }), got.RuledOut)
	q = ask("cotton", "weld")
	q.Refused = []string{"tannin"}
	got = facts.Choose(q).Fibres[0]
	assert.NotEmpty(t, got.Choices, "acetate is left")
	for _, c := range got.Choices {
		assert.NotContains(t, materials(c), "tannin")
	}
	assert.True(t, slices.ContainsFunc(got.RuledOut, func(r choice.RuledOut) bool { return r.Why == "tannin is not to be used" }))
	assert.True(t, slices.ContainsFunc(got.RuledOut, func(r choice.RuledOut) bool { return strings.Contains(r.Why, "it is for protein fibre") }))
}

// A member who won't use alum won't use what the facts call potassium alum, and one who has copperas has what they call ferrous sulfate heptahydrate. Galls hold tannin and aren't it.
func TestOtherNames(t *testing.T) {
	facts := builtIn()
	q := ask("wool", "weld")
	q.Refused = []string{" Alum "}
	got := facts.Choose(q).Fibres[0]
	assert.Empty(t, got.Choices)
	assert.True(t, slices.ContainsFunc(got.RuledOut, func(r choice.RuledOut) bool { return r.Why == "potassium alum is not to be used" }), got.RuledOut)
	q = ask("wool", "weld")
	q.Shift, q.Store = "darker", []string{"Alum", "tartar", "green vitriol", "iron sulphate"}
	got = facts.Choose(q).Fibres[0]
	require.NotEmpty(t, got.Choices)
	assert.Equal(t, []string{"potassium alum", "ferrous sulfate heptahydrate"}, materials(got.Choices[0]))
	for _, name := range []string{"iron(II) sulphate", "iron(II) sulfate heptahydrate", "iron(II) sulfate monohydrate", "exsiccated ferrous sulfate", "copperas"} {
		q = ask("wool", "weld")
		q.Shift, q.Refused = "darker", []string{name}
		for _, c := range facts.Choose(q).Fibres[0].Choices {
			assert.NotContains(t, materials(c), "ferrous sulfate heptahydrate", "%s is refused", name)
		}
	}
	q = ask("cotton", "weld")
	q.Store = []string{"potassium alum", "soda ash", "oak gall"}
	got = facts.Choose(q).Fibres[0]
	assert.True(t, slices.ContainsFunc(got.RuledOut, func(r choice.RuledOut) bool {
		return r.Why == "tannin is not in the store; oak gall holds some, in amounts of its own: plan it as a tannin bath"
	}), got.RuledOut)
}

// Grams of one form are another recipe than as many of another. Molar masses by the IUPAC's abridged atomic weights of 2021: Na2CO3 105.99, with one water 124.00, with ten 286.14; FeSO4 151.90, with one
// water 169.92, with seven 278.01; KAl(SO4)2 258.19, with twelve 474.39; CuSO4 159.60, with five 249.68.
func TestFormsWeighOtherwise(t *testing.T) {
	facts := builtIn()
	for name, want := range map[string]float64{
		"sodium carbonate decahydrate": 286.14 / 105.99, "sodium carbonate monohydrate": 124.00 / 105.99, "dried ferrous sulfate": 169.92 / 278.01, "anhydrous ferrous sulfate": 151.90 / 278.01,
		"burnt alum": 258.19 / 474.39, "anhydrous copper sulfate": 159.60 / 249.68,
	} {
		at := slices.IndexFunc(facts.Forms, func(m choice.Form) bool { return m.Name == name })
		require.GreaterOrEqual(t, at, 0, name)
		assert.InEpsilon(t, want, facts.Forms[at].GramsLow, 0.005, name)
		assert.InEpsilon(t, want, facts.Forms[at].GramsHigh, 0.005, name)
	}
	whyNot := func(store ...string) string {
		q := ask("cotton", "weld")
		q.Store = append([]string{"potassium alum", "tannin"}, store...)
		var why []string
		for _, r := range facts.Choose(q).Fibres[0].RuledOut {
			why = append(why, r.Why)
		}
		return strings.Join(why, "\n")
	}
	assert.Contains(t, whyNot("Washing Soda"), "soda ash is not in the store; washing soda may be it or hold more water, and 1 to 2.7 g then stand for 1 g: look which it is, and name it so")
	assert.Contains(t, whyNot("soda crystals"), "soda ash is not in the store; of soda crystals, 2.7 g stand for 1 g of it: write the bath into the plan with as much")
	assert.NotContains(t, whyNot("sodium carbonate"), "soda ash")
	q := ask("cotton", "weld")
	q.Refused = []string{"washing soda"}
	for _, c := range facts.Choose(q).Fibres[0].Choices {
		for _, s := range c.Steps {
			assert.False(t, slices.ContainsFunc(s.Material.With, func(m choice.Material) bool { return m.Material == "soda ash" }), "whoever refuses one form refuses all")
		}
	}
	// What the amounts are of stands beside them.
	q = ask("wool", "weld")
	q.Shift = "darker"
	c := facts.Choose(q).Fibres[0].Choices[0]
	assert.Equal(t, "last of all, in a vessel of its own; amounts are of ferrous sulfate heptahydrate: 1 g of it is 0.61 g of dried ferrous sulfate", c.Steps[len(c.Steps)-1].Note)
	assert.Empty(t, c.Steps[0].Note, "alum is alum")
	q.Store = []string{"potassium alum", "cream of tartar", "dried ferrous sulphate"}
	assert.True(t, slices.ContainsFunc(facts.Choose(q).Fibres[0].RuledOut, func(r choice.RuledOut) bool {
		return r.Why == "ferrous sulfate heptahydrate is not in the store; of dried ferrous sulfate, 0.61 g stand for 1 g of it: write the bath into the plan with as much"
	}))
	q = ask("wool", "weld")
	q.Store = []string{"cream of tartar", "Burnt Alum"}
	burnt := facts.Choose(q).Fibres[0]
	assert.Empty(t, burnt.Choices, "as many grams of it have nearly twice the aluminium")
	assert.True(t, slices.ContainsFunc(burnt.RuledOut, func(r choice.RuledOut) bool {
		return r.Why == "potassium alum is not in the store; of burnt alum, 0.544 g stand for 1 g of it: write the bath into the plan with as much"
	}), burnt.RuledOut)
}

// Only what is tannin is missed as tannin, and only classes of it hold some, whatever else has the word in its name.
func TestTanninByItsName(t *testing.T) {
	facts := builtIn()
	facts.Dyestuffs["bark meal"], facts.Dyestuffs["pale bark"] = "hydrolysable tannin", "tannin-free"
	facts.Options = append(facts.Options, choice.Option{ID: "X1", FibreClass: "cellulose", DyeClasses: []string{"flavonoid"}, Steps: []choice.Material{{Material: "tannin-free size", HighPercent: 1}}})
	q := ask("cotton", "weld")
	q.Store = []string{"bark meal", "pale bark"}
	var why []string
	for _, r := range facts.Choose(q).Fibres[0].RuledOut {
		why = append(why, r.Why)
	}
	assert.Contains(t, why, "tannin-free size is not in the store")
	assert.Contains(t, why, "tannin is not in the store; bark meal holds some, in amounts of its own: plan it as a tannin bath")
}

// A table of somebody's own may write its materials as it likes: what is refused is refused, and what is at hand is at hand.
func TestMaterialsInATablesOwnSpelling(t *testing.T) {
	raw, err := json.Marshal(builtIn())
	require.NoError(t, err)
	facts, err := choice.ParseFacts([]byte(strings.ReplaceAll(string(raw), "potassium alum", "Potassium Alum")))
	require.NoError(t, err)
	for _, name := range []string{"Potassium Alum", "potassium alum", "alum"} {
		q := ask("wool", "weld")
		q.Refused = []string{name}
		assert.Empty(t, facts.Choose(q).Fibres[0].Choices, name)
		q = ask("wool", "weld")
		q.Store = []string{name, "cream of tartar"}
		assert.NotEmpty(t, facts.Choose(q).Fibres[0].Choices, name)
	}
}

// So may it write its dyestuffs.
func TestDyestuffsInATablesOwnSpelling(t *testing.T) {
	facts := builtIn()
	for name, as := range map[string]string{"weld": "Weld (Extract)", "old fustic": "Sulphur Wood", "madder": "madder"} {
		class := facts.Dyestuffs[name]
		delete(facts.Dyestuffs, name)
		facts.Dyestuffs[as] = class
	}
	raw, err := json.Marshal(facts)
	require.NoError(t, err)
	facts, err = choice.ParseFacts(raw)
	require.NoError(t, err)
	for _, name := range []string{"Weld (Extract)", "weld(extract)", "sulphur wood", "Sulfur Wood", "Madder", "dyer\u2019s greenweed"} {
		assert.Empty(t, facts.Choose(ask("wool", name)).Asks, name)
	}
}

func TestWhatIsNotKnownIsAskedFor(t *testing.T) {
	facts := builtIn()
	a := facts.Choose(ask("wool", "somebody's weed"))
	require.Len(t, a.Asks, 1)
	assert.Contains(t, a.Asks[0].Choices, "flavonoid")
	assert.Empty(t, a.Fibres)
	a = facts.Choose(ask("milk fibre", "weld"))
	require.Len(t, a.Asks, 1)
	q := ask("wool", "somebody's weed")
	q.Dyes[0].Class = "flavonoid"
	assert.NotEmpty(t, facts.Choose(q).Fibres[0].Choices)
	q.Dyes[0].Class = "starlight"
	assert.Len(t, facts.Choose(q).Asks, 1)
}

func TestMixedLoads(t *testing.T) {
	q := ask("wool", "weld")
	q.Fibres = []string{"wool", "silk", "cotton"}
	a := builtIn().Choose(q)
	require.Len(t, a.Fibres, 3)
	assert.Equal(t, 85.0, a.CeilingC, "the stricter ceiling")
	assert.Equal(t, "silk", a.CeilingOf)
	assert.NotEqual(t, materials(a.Fibres[0].Choices[0]), materials(a.Fibres[2].Choices[0]), "each by its own kind")
}

func TestWater(t *testing.T) {
	facts := builtIn()
	soft, hard := 20.0, 300.0
	text := func(dye string, hardness *float64) string {
		q := ask("wool", dye)
		q.HardnessMgPerL = hardness
		var all []string
		for _, r := range facts.Choose(q).Remarks {
			all = append(all, r.Text)
		}
		return strings.Join(all, "\n")
	}
	assert.Contains(t, text("madder", &soft), "chalk")
	assert.NotContains(t, text("madder", &hard), "chalk")
	assert.Contains(t, text("cochineal", &hard), "purple")
	assert.Contains(t, text("weld", nil), "isn't known")
	assert.Empty(t, text("indigo", nil))
}

// Every dyestuff that the facts know has an answer on some fibre, and each of its choices has reasons and sources.
func TestEveryDyestuff(t *testing.T) {
	facts := builtIn()
	for dye := range facts.Dyestuffs {
		answered := false
		for fibre := range facts.Fibres {
			for _, c := range facts.Choose(ask(fibre, dye)).Fibres[0].Choices {
				answered = true
				assert.NotEmpty(t, c.Reasons)
				assert.NotEmpty(t, c.Sources)
				assert.NotEmpty(t, c.Effect)
			}
		}
		assert.True(t, answered, dye)
	}
}

func TestFactsAreChecked(t *testing.T) {
	for name, change := range map[string]func(*choice.Facts){
		"an id twice":              func(f *choice.Facts) { f.Options[1].ID = f.Options[0].ID },
		"a source not listed":      func(f *choice.Facts) { f.Options[0].Sources = []string{"nobody"} },
		"a shift that is not one":  func(f *choice.Facts) { f.Options[0].Shifts = []string{"nicer"} },
		"low above high":           func(f *choice.Facts) { f.Options[0].Steps[0].LowPercent = 99 },
		"above the range":          func(f *choice.Facts) { f.Modifiers[0].HighPercent = 101 },
		"a fibre of no class":      func(f *choice.Facts) { f.Fibres["wool"] = "wood" },
		"a class of no option":     func(f *choice.Facts) { f.Dyestuffs["weld"] = "starlight" },
		"a name of nothing":        func(f *choice.Facts) { f.Also["alum"] = "moon dust" },
		"a name that is another's": func(f *choice.Facts) { f.Also["chalk"] = "potassium alum" },
		"a name in capitals":       func(f *choice.Facts) { f.Also["ALUM"] = "potassium alum" },
		"a form of nothing":        func(f *choice.Facts) { f.Forms[0].Of = "moon dust" },
		"a form of no weight":      func(f *choice.Facts) { f.Forms[0].GramsLow = 0 },
		"a form that shrinks":      func(f *choice.Facts) { f.Forms[2].GramsHigh = 0.5 },
		"a form twice":             func(f *choice.Facts) { f.Forms[0].Also = []string{"washing soda"} },
		"a form that is a name":    func(f *choice.Facts) { f.Forms[0].Name = "alum" },
		"a form without a source":  func(f *choice.Facts) { f.Forms[0].Sources = nil },
		"no name":                  func(f *choice.Facts) { f.Name = "" },
		"a confidence of its own":  func(f *choice.Facts) { f.Options[0].Confidence = "sure" },
	} {
		facts := builtIn()
		change(facts)
		raw, err := json.Marshal(facts)
		require.NoError(t, err)
		_, err = choice.ParseFacts(raw)
		assert.ErrorIs(t, err, choice.ErrFacts, name)
	}
	for _, raw := range []string{"", "{", `{"nam":1}`, `{} {}`, strings.Repeat(" ", 2<<20)} {
		_, err := choice.ParseFacts([]byte(raw))
		assert.ErrorIs(t, err, choice.ErrFacts, "%.10q", raw)
	}
}

func FuzzParseFacts(f *testing.F) {
	raw, err := json.Marshal(builtIn())
	require.NoError(f, err)
	f.Add(raw)
	f.Add([]byte(`{"name":"x","version":"1","options":[{}]}`))
	f.Fuzz(func(t *testing.T, raw []byte) {
		facts, err := choice.ParseFacts(raw)
		if err != nil {
			require.ErrorIs(t, err, choice.ErrFacts)
			return
		}
		for dye := range facts.Dyestuffs {
			for fibre := range facts.Fibres {
				facts.Choose(choice.Question{Fibres: []string{fibre}, Dyes: []choice.Dye{{Name: dye}, {Name: "indigo", Class: facts.Dyestuffs[dye]}}, Shift: "darker"})
			}
		}
	})
}
