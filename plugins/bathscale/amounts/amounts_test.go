package amounts_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/commonvat/commonvat/plugins/bathscale/amounts"
)

const ounce = 28.349523125 // grams; exact, by the international pound of 0.45359237 kg

func percent(t *testing.T, fibreG, wof float64) float64 {
	t.Helper()
	meant, err := amounts.MeantG([]amounts.Dose{{Material: "x", Value: wof}}, amounts.Load{Fibre: amounts.Mass{G: fibreG}})
	require.NoError(t, err)
	return meant[0]
}

// Percentages on the weight of fibre, as printed by the sources named.
func TestPercentOnTheWeightOfFibre(t *testing.T) {
	const pound = 16 * ounce
	for _, c := range []struct {
		source               string
		fibreG, wof, g, near float64
	}{
		{"common practice, no source", 12, 100, 12, 0},
		{"a supplier's page on cutch extract, medium brown on a garment", 150, 10, 15, 0},
		{"the same page, powdered hulls", 150, 25, 37.5, 0},
		{"E. Mairet, Vegetable Dyes (1916), alum 4 oz to the pound", 100, 25, 25, 0},
		{"the same, cream of tartar 1 oz to the pound", 100, 6.25, 6.25, 0},
		{"alum 8 % for a pound of wool, printed as 1.28 oz in a comparison of handbooks", pound, 8, 1.28 * ounce, 0.01},
		{"tartar 7 % for a pound of wool, printed as 1.12 oz in the same", pound, 7, 1.12 * ounce, 0.01},
		{"alum 14 %, printed as 2.24 oz in the same", pound, 14, 2.24 * ounce, 0.01},
		{"tartar 4 %, printed as 0.64 oz in the same", pound, 4, 0.64 * ounce, 0.01},
		{"a supplier's page: chalk after-bath at 5 %", 100, 5, 5, 0},
		{"a supplier's page: tannin 8 % on 250 g of cotton", 250, 8, 20, 0},
		{"the same: alum 15 %", 250, 15, 37.5, 0},
		{"the same: soda ash 2 %", 250, 2, 5, 0},
		{"the same supplier's scour: soda ash 20 g for 450 g of cotton, which is 4.44 %", 450, 4.44, 20, 0.05},
		{"weld in the old style, 3 lb to the pound of cloth: the Britannica, as quoted by dyers", pound, 300, 3 * pound, 1e-9},
		{"the same, 6 lb", pound, 600, 6 * pound, 1e-9},
	} {
		assert.InDelta(t, c.g, percent(t, c.fibreG, c.wof), c.near+1e-12, c.source)
	}
}

// The recipes of cotton differ in soda ash to alum, and in the hydroxide that comes to each aluminium: arithmetic on a supplier's 15 and 2 %, with atomic weights
// as IUPAC gives them (alum KAl(SO4)2.12H2O 474.388, soda ash 105.99, two OH for each carbonate).
func TestSodaToAlum(t *testing.T) {
	alum, soda := percent(t, 250, 15), percent(t, 250, 2)
	assert.InDelta(t, 0.133, soda/alum, 0.001)
	assert.InDelta(t, 1.19, 2*(soda/105.99)/(alum/474.388), 0.01)
}

// Aluminium sulfate in place of potassium alum: as much as holds the same aluminium. Arithmetic on molar masses (IUPAC): Al 26.98154, potassium alum 474.388,
// Al2(SO4)3.18H2O 666.42.
func TestAnotherSaltOfAluminium(t *testing.T) {
	inAlum, inSulfate := 26.98154/474.388, 2*26.98154/666.42
	assert.InDelta(t, 0.853, 15*inAlum, 0.001)
	got, err := amounts.Dose{Material: "aluminium sulfate", Form: amounts.Substitute, Strength: inSulfate / inAlum}.AtHandG(15)
	require.NoError(t, err)
	assert.InDelta(t, 10.54, got, 0.01)
}

func TestParts(t *testing.T) {
	meant, err := amounts.MeantG([]amounts.Dose{
		{Material: "alum", Value: 25}, {Material: "soda ash", Measure: amounts.PartsOf, Value: 0.24, Of: "alum"},
		{Material: "vinegar", Measure: amounts.GramsPerLitre, Value: 5}, {Material: "sizing", Measure: amounts.GramsPerDip, Value: 2}, {Material: "bran", Measure: amounts.Grams, Value: 7},
	}, amounts.Load{Fibre: amounts.Mass{G: 100}, VolumeL: 3, Dips: 4})
	require.NoError(t, err)
	// Alum 25 % and soda ash 6 % on 100 g of cotton: a supplier's three-bath recipe, 0.24 g of soda ash for each gram of alum.
	assert.InDeltaSlice(t, []float64{25, 6, 15, 8, 7}, meant, 1e-12)
	for name, recipe := range map[string][]amounts.Dose{
		"parts of what comes later":   {{Material: "a", Measure: amounts.PartsOf, Value: 1, Of: "b"}, {Material: "b", Value: 1}},
		"parts of itself":             {{Material: "a", Measure: amounts.PartsOf, Value: 1, Of: "a"}},
		"twice":                       {{Material: "a", Value: 1}, {Material: "a", Value: 1}},
		"no name":                     {{Value: 1}},
		"not a number":                {{Material: "a", Value: math.NaN()}},
		"negative":                    {{Material: "a", Value: -1}},
		"more than the range":         {{Material: "a", Value: 10_001}},
		"per dip without dips":        {{Material: "a", Measure: amounts.GramsPerDip, Value: 1}},
		"a strength that can't be":    {{Material: "a", Value: 1, Form: amounts.Substitute, Strength: -2}},
		"a purity above the whole":    {{Material: "a", Value: 1, Form: amounts.Impure, PurityPercent: 101}},
		"plant of nothing but water":  {{Material: "a", Value: 1, Form: amounts.Fresh, MoisturePercent: ptr(100.0)}},
		"a measure that there is not": {{Material: "a", Value: 1, Measure: 9}},
	} {
		_, err := amounts.MeantG(recipe, amounts.Load{Fibre: amounts.Mass{G: 10}})
		assert.ErrorIs(t, err, amounts.ErrInput, name)
	}
}

func ptr(v float64) *float64 { return &v }

// What is at hand is seldom what the recipe means.
func TestAtHand(t *testing.T) {
	for _, c := range []struct {
		source string
		dose   amounts.Dose
		meant  float64
		hand   float64
	}{
		{"arithmetic: an extract of tenfold strength", amounts.Dose{Material: "madder", Form: amounts.Substitute, Strength: 10}, 100, 10},
		{"arithmetic: 80 % of the fresh plant is water", amounts.Dose{Material: "weld", Form: amounts.Fresh, MoisturePercent: ptr(80)}, 80, 400},
		{"a grower's page: 50 g of indigo powder of 35 % hold 17.5 g of dye", amounts.Dose{Material: "indigo", Form: amounts.Impure, PurityPercent: 35}, 17.5, 50},
		{"as meant", amounts.Dose{Material: "alum"}, 3, 3},
	} {
		got, err := c.dose.AtHandG(c.meant)
		require.NoError(t, err, c.source)
		assert.InDelta(t, c.hand, got, 1e-9, c.source)
	}
	for _, form := range []amounts.Form{amounts.Fresh, amounts.Substitute, amounts.Impure} {
		_, err := amounts.Dose{Material: "weld", Form: form}.AtHandG(1)
		var unknown *amounts.Unknown
		require.ErrorAs(t, err, &unknown, "what is not known is never guessed")
		assert.Equal(t, "weld", unknown.Material)
	}
}

func TestBathAndWater(t *testing.T) {
	litres, err := amounts.Volume{LiquorRatio: 30}.Of(13)
	require.NoError(t, err)
	carried := amounts.Fibre{Name: "wool", MassG: 13, PickupPercent: 120}.CarriedML()
	water := amounts.WaterToAdd(litres*1000, carried, 28+14)
	assert.InDelta(t, 390, water.TotalML, 1e-9, "arithmetic")
	assert.InDelta(t, 15.6, water.CarriedML, 1e-9)
	assert.InDelta(t, 332.4, water.AddML, 1e-9)
	// A supplier's clearing bath: 10 g thiourea dioxide, soda ash 20 g on cellulose and 10 g on wool, in 8 L, for 500 g; for a strip of 20 g.
	litres, err = amounts.Volume{LiquorRatio: 16}.Of(20)
	require.NoError(t, err)
	assert.InDelta(t, 0.32, litres, 1e-12)
	assert.InDelta(t, 0.4, percent(t, 20, 2), 1e-12)
	assert.InDelta(t, 0.8, percent(t, 20, 4), 1e-12)
	for _, v := range []amounts.Volume{{}, {LiquorRatio: 30, Litres: 2}, {LiquorRatio: 0.5}, {Litres: math.Inf(1)}, {LiquorRatio: math.NaN()}, {Litres: -1}} {
		_, err := v.Of(10)
		assert.ErrorIs(t, err, amounts.ErrInput, v)
	}
}

// Moisture: ASTM D2118 gives scoured wool 12.0 % of moisture content, and D1909 its regain as 13.6; worsted yarn, dry-spun, 13.04 %, which is a regain of 15.
func TestMoisture(t *testing.T) {
	for content, regain := range map[float64]float64{12: 13.64, 13.04: 15} {
		got, err := amounts.RegainFromContent(content)
		require.NoError(t, err)
		assert.InDelta(t, regain, got, 0.01)
	}
	assert.InDelta(t, 86.21, amounts.OvenDryG(100, 16), 0.01, "arithmetic, with 16 % as Morton and Hearle give for wool at 65 % of humidity")
	// 8 % alum on what weighs 100 g oven-dry, on a dry and on a damp day.
	dry, damp := percent(t, 111, 8), percent(t, 118, 8)
	assert.InDelta(t, 8.88, dry, 1e-9)
	assert.InDelta(t, 9.44, damp, 1e-9)
	assert.InDelta(t, 6.31, 100*(damp/dry-1), 0.01)
	for _, content := range []float64{-1, 100, math.NaN()} {
		_, err := amounts.RegainFromContent(content)
		assert.ErrorIs(t, err, amounts.ErrInput)
	}
}

func TestReferenceMass(t *testing.T) {
	table := amounts.CommercialRegains()
	mass := func(f amounts.Fibre, to amounts.Reference) float64 {
		m, err := f.ReferenceMass(to, table)
		require.NoError(t, err)
		return m.G
	}
	assert.InDelta(t, 100, mass(amounts.Fibre{Name: "wool", MassG: 100}, amounts.AsWeighed), 0)
	assert.InDelta(t, 113.6, mass(amounts.Fibre{Name: "wool", MassG: 100, Basis: amounts.OvenDry}, amounts.AsWeighed), 1e-9, "ASTM D1909-13")
	assert.InDelta(t, 113.6, mass(amounts.Fibre{Name: "wool", MassG: 118, RegainPercent: ptr(18)}, amounts.Conditioned), 1e-9, "a damp day, taken back")
	assert.InDelta(t, 100, mass(amounts.Fibre{Name: "wool", MassG: 100}, amounts.Conditioned), 0, "nothing measured")
	assert.InDelta(t, 115, mass(amounts.Fibre{Name: "nettle", MassG: 100, Basis: amounts.OvenDry, RegainPercent: ptr(15)}, amounts.AsWeighed), 1e-9)
	// Without water: ASTM D1909-13's 13.6 for wool where nothing was measured, else what was.
	assert.InDelta(t, 100, mass(amounts.Fibre{Name: "wool", MassG: 113.6}, amounts.WithoutWater), 1e-9)
	assert.InDelta(t, 100, mass(amounts.Fibre{Name: "wool", MassG: 118, RegainPercent: ptr(18)}, amounts.WithoutWater), 1e-9)
	assert.InDelta(t, 100, mass(amounts.Fibre{Name: "nettle", MassG: 100, Basis: amounts.OvenDry}, amounts.WithoutWater), 0, "no regain is asked")
	_, err := amounts.Fibre{Name: "nettle", MassG: 100}.ReferenceMass(amounts.WithoutWater, table)
	assert.ErrorIs(t, err, amounts.ErrNoRegain)
	for _, to := range []amounts.Reference{amounts.AsWeighed, amounts.Conditioned} {
		_, err := amounts.Fibre{Name: "nettle", MassG: 100, Basis: amounts.OvenDry}.ReferenceMass(to, table)
		assert.ErrorIs(t, err, amounts.ErrNoRegain, "no fibre is taken for another")
	}
	_, err = amounts.Fibre{Name: "wool", MassG: math.NaN()}.ReferenceMass(amounts.AsWeighed, table)
	assert.ErrorIs(t, err, amounts.ErrInput)
}

func TestPulledEarly(t *testing.T) {
	got, err := amounts.PulledEarly(3, 4, 12, 420)
	require.NoError(t, err)
	for k, want := range [][2]float64{{100, 35}, {133.3, 46.7}, {200, 70}, {400, 140}} { // arithmetic
		assert.InDelta(t, want[0], got[k].AtMostPercent, 0.05)
		assert.InDelta(t, want[1], got[k].LiquorRatio, 0.05)
	}
}

func TestExhaustAndTopUp(t *testing.T) {
	left, err := amounts.Left(10, 0.6)
	require.NoError(t, err)
	assert.InDelta(t, 4, left, 1e-12)
	assert.InDelta(t, 8, 100*left/50, 1e-12, "on the next 50 g")
	// Alum 15 % on 100 g, of which wool takes up about 30 % (a supplier's page); a second 100 g.
	left, err = amounts.Left(15, 0.3)
	require.NoError(t, err)
	assert.InDelta(t, 4.5, amounts.TopUp(15, left), 1e-12)
	assert.Zero(t, amounts.TopUp(1, 2))
}

func TestVats(t *testing.T) {
	fructose, err := amounts.Vat("Fructose 1-2-3")
	require.NoError(t, err)
	assert.Equal(t, []amounts.VatPart{{"calcium hydroxide", 2}, {"fructose", 3}}, fructose.Parts, "a UK author's tutorial")
	iron, err := amounts.Vat("iron")
	require.NoError(t, err)
	assert.Equal(t, []amounts.VatPart{{"ferrous sulfate heptahydrate", 2}, {"calcium hydroxide", 3}}, iron.Parts, "a Canadian supplier's teaching guide")
	// A grower's page: 50 g of powder at 35 %. Two moles of iron for each of indigotin: 2 x 278.01 / 262.27 (IUPAC).
	assert.InDelta(t, 37.1, amounts.FerrousSulfateLeastG(0.35*50), 0.01)
	var asks *amounts.Ambiguous
	for _, name := range []string{"1-2-3", "1 2 3 vat", "123"} {
		_, err = amounts.Vat(name)
		require.ErrorAs(t, err, &asks, name)
		assert.Len(t, asks.Recipes, 2)
		assert.ErrorContains(t, err, "which one")
	}
	for _, name := range []string{"no iron", "iron-free", "iron or fructose", "environmental", "1-2-3 ferment", "iron 1-3-2", "fructose 1:1:1"} {
		_, err = amounts.Vat(name)
		require.ErrorIs(t, err, amounts.ErrInput, name)
	}
	for _, name := range []string{"Iron vat", "1:2:3 iron", "indigo vat, iron (1-2-3)"} {
		other, err := amounts.Vat(name)
		require.NoError(t, err, name)
		assert.Equal(t, iron, other, name)
	}
	_, err = amounts.Vat("woad")
	assert.ErrorIs(t, err, amounts.ErrInput)
}

// A small amount of iron on a coarse balance: arithmetic, with the uniform error of JCGM 100:2008.
func TestWeighing(t *testing.T) {
	tenth := amounts.Balance{StepG: 0.1}
	assert.InDelta(t, 0.0408, tenth.UncertaintyG(), 0.0001)
	assert.InDelta(t, 1.63, tenth.LeastG(0.05), 0.01)
	assert.InDelta(t, 0.163, amounts.Balance{StepG: 0.01}.LeastG(0.05), 0.001)
	assert.InDelta(t, 2*15.7, 100*tenth.RelativeError(0.26), 0.1)
	assert.Equal(t, 0.3, tenth.Shown(0.26))

	bench := amounts.Bench{Balances: []amounts.Balance{tenth}, PipetteML: 0.5, FlaskPercent: 0.5, StockML: 500, StockLeastG: 5}
	w := bench.Weigh(0.26, 250, 390)
	require.Equal(t, amounts.FromStock, w.Way)
	assert.InDelta(t, 10, w.StockGPerL, 1e-9, "5 g in 500 mL")
	assert.InDelta(t, 26, w.TakeML, 1e-9)
	// Measuring 1.92 %, weighing 5 g 0.82 %, the flask 0.5 %: 2.15 % together, twice that at the coverage.
	assert.InDelta(t, 4.30, w.RelativePercent, 0.02)
	assert.InDelta(t, 31.4, w.DirectPercent, 0.1)

	fibre := amounts.Mass{G: 13}
	got := amounts.DeliveredPercent(bench.Weigh(0.26, 0, 390), amounts.Dose{Material: "iron", Value: 2}, fibre)
	assert.InDelta(t, 2.31, got.Likely, 0.005, "rounded to 0.3 g when no stock can be made")
	assert.Less(t, got.Low, 2.0)
	assert.Equal(t, amounts.TooSmall, amounts.Bench{Balances: []amounts.Balance{{StepG: 1}}}.Weigh(0.26, 0, 390).Way)
	assert.Equal(t, amounts.Weighed, bench.Weigh(10, 250, 390).Way)
	assert.NotEqual(t, amounts.FromStock, bench.Weigh(0.26, 250, 20).Way, "a stock that is more than the bath")
	two := amounts.Bench{Balances: []amounts.Balance{{StepG: 0.01, CapacityG: 200}, {StepG: 1, CapacityG: 5000}}}
	assert.Equal(t, 0.01, two.Weigh(3, 0, 1000).Balance.StepG)
	assert.Equal(t, 1.0, two.Weigh(300, 0, 1000).Balance.StepG, "the fine one doesn't take it")
	assert.Equal(t, 1.0, two.Weigh(9000, 0, 1000).Balance.StepG, "in portions")
}

func TestSplit(t *testing.T) {
	pieces := []amounts.Piece{{"a", 30}, {"b", 70}, {"c", 40}, {"d", 60}}
	loads, err := amounts.Split(pieces, 100)
	require.NoError(t, err)
	assert.Equal(t, [][]amounts.Piece{{{"a", 30}, {"b", 70}}, {{"c", 40}, {"d", 60}}}, loads)
	_, err = amounts.Split(pieces, 50)
	assert.ErrorContains(t, err, "piece b weighs 70 g")
	rapid.Check(t, func(t *rapid.T) {
		most := rapid.Float64Range(1, 100).Draw(t, "most")
		var pieces []amounts.Piece
		for i := range rapid.IntRange(0, 40).Draw(t, "n") {
			pieces = append(pieces, amounts.Piece{ID: string(rune('a' + i)), MassG: rapid.Float64Range(0.01, most).Draw(t, "mass")})
		}
		loads, err := amounts.Split(pieces, most)
		require.NoError(t, err)
		seen := map[string]bool{}
		whole := 0.0
		for _, load := range loads {
			sum := 0.0
			for _, p := range load {
				assert.False(t, seen[p.ID])
				seen[p.ID] = true
				sum += p.MassG
			}
			assert.LessOrEqual(t, sum, most*(1+1e-8))
			whole += sum
		}
		assert.Len(t, seen, len(pieces))
		// First-fit never leaves two loads half empty, so it needs at most twice what the mass asks for.
		assert.LessOrEqual(t, float64(len(loads)), 2*whole/most+1)
	})
}

// A vessel filled again and again: nothing is lost, none is empty, and the fullest holds at most the mean and a heaviest piece (R. L. Graham, Bounds on multiprocessing
// timing anomalies, 1969; from memory).
func TestShare(t *testing.T) {
	loads, err := amounts.Share([]amounts.Piece{{"a", 10}, {"b", 40}, {"c", 30}, {"d", 20}}, 2)
	require.NoError(t, err)
	assert.Equal(t, [][]amounts.Piece{{{"a", 10}, {"b", 40}}, {{"c", 30}, {"d", 20}}}, loads)
	for _, n := range []int{0, -1, 3} {
		_, err := amounts.Share([]amounts.Piece{{"a", 10}, {"b", 40}}, n)
		assert.ErrorIs(t, err, amounts.ErrInput)
	}
	rapid.Check(t, func(t *rapid.T) {
		var pieces []amounts.Piece
		whole, heaviest := 0.0, 0.0
		for i := range rapid.IntRange(1, 12).Draw(t, "pieces") {
			pieces = append(pieces, amounts.Piece{ID: string(rune('a' + i)), MassG: rapid.Float64Range(0.01, 100).Draw(t, "mass")})
			whole, heaviest = whole+pieces[i].MassG, math.Max(heaviest, pieces[i].MassG)
		}
		n := rapid.IntRange(1, len(pieces)).Draw(t, "n")
		loads, err := amounts.Share(pieces, n)
		require.NoError(t, err)
		require.Len(t, loads, n)
		seen, fullest := map[string]bool{}, 0.0
		for _, load := range loads {
			require.NotEmpty(t, load)
			sum := 0.0
			for _, p := range load {
				seen[p.ID] = true
				sum += p.MassG
			}
			fullest = math.Max(fullest, sum)
		}
		assert.Len(t, seen, len(pieces))
		// By the rule: the fullest was the emptiest before its last piece, so it holds at most the mean of the rest and that piece.
		assert.LessOrEqual(t, fullest, whole/float64(n)+heaviest+1e-9)
	})
}

// Linear in the fibre's mass, and additive over loads; rounding never hides how far it is off.
func TestLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		mass := func(name string) float64 { return rapid.Float64Range(0.1, 1e5).Draw(t, name) }
		a, b, wof := mass("a"), mass("b"), rapid.Float64Range(0, 200).Draw(t, "wof")
		recipe := []amounts.Dose{{Material: "x", Value: wof}, {Material: "y", Measure: amounts.PartsOf, Of: "x", Value: 0.3}}
		scale := func(g float64) []float64 {
			got, err := amounts.MeantG(recipe, amounts.Load{Fibre: amounts.Mass{G: g}})
			require.NoError(t, err)
			return got
		}
		both, one, other := scale(a+b), scale(a), scale(b)
		for i := range both {
			assert.InEpsilon(t, 1+both[i], 1+one[i]+other[i], 1e-12)
		}
		step := rapid.SampledFrom([]float64{0.001, 0.01, 0.1, 0.5, 1, 2}).Draw(t, "step")
		balance := amounts.Balance{StepG: step}
		m := rapid.Float64Range(0, 1e4).Draw(t, "m")
		assert.LessOrEqual(t, math.Abs(balance.Shown(m)-m), step/2*(1+1e-9))
		w := amounts.Bench{Balances: []amounts.Balance{balance}}.Weigh(m, 0, 1e6)
		if m > 0 {
			d := amounts.DeliveredPercent(w, amounts.Dose{Material: "x"}, amounts.Mass{G: a})
			assert.InEpsilon(t, 1+100*w.ShownG/a, 1+d.Likely, 1e-9)
			assert.LessOrEqual(t, d.Low, d.Likely)
			assert.LessOrEqual(t, d.Likely, d.High)
			assert.True(t, w.Way != amounts.TooSmall || d.High >= 100*m/a, "what a balance shows as 0 is no less than was wanted")
		}
	})
}

// Rounding to 0 hides no limit: 0.049 g of iron on 1 g of wool is 4.9 % of it, whatever a balance of 0.1 g shows.
func TestTooSmallIsNotNothing(t *testing.T) {
	w := amounts.Bench{Balances: []amounts.Balance{{StepG: 0.1}}}.Weigh(0.049, 0, 1e6)
	require.Equal(t, amounts.TooSmall, w.Way)
	d := amounts.DeliveredPercent(w, amounts.Dose{Material: "ferrous sulfate"}, amounts.Mass{G: 1})
	assert.Zero(t, d.Low)
	assert.Zero(t, d.Likely)
	assert.InDelta(t, 100*(0.049+2*0.1/math.Sqrt(6)), d.High, 1e-9, "two readings, each within a step (JCGM 100:2008, F.2.2.1), twice")
	tiny := amounts.Bench{Balances: []amounts.Balance{{StepG: 0.1}}}.Weigh(1.9e-308, 0, 1e6)
	assert.Equal(t, amounts.Interval{}, amounts.DeliveredPercent(tiny, amounts.Dose{Material: "x"}, amounts.Mass{G: 1}))
}

// A stock is as strong as it may be measured: of a hundredth of a gram 1 mL of the usual 1 % would be taken, off by 2·0.2/1 = 40 % by the pipette alone. Held against all strengths that a balance can weigh, one by one,
// by the errors that add in squares (JCGM 100:2008, 5.1.2).
func TestStocksFollowTheNeed(t *testing.T) {
	fine, coarse := amounts.Balance{StepG: 0.01}, amounts.Balance{StepG: 0.1}
	for _, c := range []struct {
		balance amounts.Balance
		massG   float64
	}{{fine, 0.01}, {fine, 0.02}, {fine, 0.03}, {coarse, 0.01}, {coarse, 0.05}, {coarse, 0.08}} {
		bench := amounts.Bench{Balances: []amounts.Balance{c.balance}, PipetteML: 0.2, FlaskPercent: 1}
		w := bench.Weigh(c.massG, 200, 400)
		require.Equal(t, amounts.FromStock, w.Way, "%v", c)
		best := math.Inf(1)
		for grams := c.balance.LeastG(0.025); grams <= 5; grams += c.balance.StepG / 4 {
			if take := c.massG / grams * 500; take <= 400 {
				u := c.balance.UncertaintyG() / grams
				best = min(best, 200*math.Sqrt(u*u+0.01*0.01+0.2*0.2/(take*take)))
			}
		}
		assert.InEpsilon(t, best, w.RelativePercent, 0.02, "%v: %+v", c, w)
		assert.Less(t, w.StockG, 5.0, "%v", c)
		assert.InDelta(t, c.massG, w.TakeML*w.StockG/w.StockML, 1e-12)
		told := bench
		told.StockLeastG = 5
		assert.InDelta(t, 5, told.Weigh(c.massG, 200, 400).StockG, 1e-9, "who told it is left it")
	}
	enough := amounts.Bench{Balances: []amounts.Balance{coarse}, PipetteML: 0.2, FlaskPercent: 1}
	assert.InDelta(t, 5, enough.Weigh(0.26, 200, 400).StockG, 1e-9, "26 mL of the usual one are measured well")
}
