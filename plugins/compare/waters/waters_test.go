package waters

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/palette/width"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// The worked example: hardness of five waters against their differences, ρ = .9, 10 of 120 orders as far or farther.
func TestSpearmanExample(t *testing.T) {
	x, y := []float64{20, 80, 150, 310, 260}, []float64{0.4, 1.1, 2.0, 3.9, 4.4}
	assert.InDelta(t, 0.9, spearman(x, y), 1e-12)
	assert.InDelta(t, 10.0/120, permuted(x, y, Params{}), 1e-12)
	assert.Equal(t, []float64{1.5, 3, 1.5}, ranks([]float64{2, 5, 2}))
	assert.Zero(t, spearman([]float64{1, 1, 1}, []float64{1, 2, 3}))
}

type plan struct {
	sessions, recipes int
	waters            func(session int) []string
	member            func(session int) string
	effect            map[string]float64 // on L*
	bias              map[string]float64 // of members, on L*
	noise             float64
}

func (p plan) rows(rng *rand.Rand) []Row {
	var rows []Row
	for s := range p.sessions {
		m := p.member(s)
		for _, w := range p.waters(s) {
			pots := p.noise * rng.NormFloat64()
			for r := range p.recipes {
				rows = append(rows, Row{ReadingID: fmt.Sprintf("%03d-%s-%02d", s, w, r), Water: w, Block: fmt.Sprintf("%03d", s), Member: m, Recipe: fmt.Sprint("recipe ", r),
					Lab: colorimetry.Lab{L: 40 + 4*float64(r) + p.effect[w] + p.bias[m] + pots + p.noise*rng.NormFloat64(), A: 5 * float64(r), B: 20}})
			}
		}
	}
	return rows
}

func both(int) []string { return []string{"tap", "well"} }

func compared(t *testing.T, rows []Row, p Params) *Result {
	t.Helper()
	r, err := Compare(context.Background(), rows, p)
	require.NoError(t, err)
	return r
}

func TestSideBySide(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	p := plan{sessions: 7, recipes: 6, waters: both, member: func(s int) string { return fmt.Sprint("m", s%3) }, effect: map[string]float64{"well": 5}, noise: 0.5}
	r := compared(t, p.rows(rng), Params{Closing: true})
	assert.Equal(t, WatersDiffer, r.Verdict, r.Sentence)
	assert.Equal(t, 128, r.Test.Arrangements)
	assert.Equal(t, 2.0/128, r.Test.P)
	assert.Equal(t, "tap", r.Params.Reference)
	assert.InDelta(t, 5, r.Waters[1].Difference[0], 1)
	assert.Nil(t, r.Waters[0].MeanDE, "the reference differs from itself by construction")
	assert.Greater(t, *r.Waters[1].MaxDE, *r.Waters[1].MeanDE)
	assert.NotNil(t, r.NoiseFloor)
	r = compared(t, p.rows(rng), Params{})
	assert.Equal(t, Exploratory, r.Verdict)
	assert.Nil(t, r.Test)
	p.sessions = 4
	r = compared(t, p.rows(rng), Params{Closing: true})
	assert.Equal(t, []string{"2 more sessions with both waters side by side on one recipe"}, r.Missing)
	p.recipes = 5
	r = compared(t, p.rows(rng), Params{Closing: true})
	assert.Equal(t, NotEnoughYet, r.Verdict)
	assert.Len(t, r.Missing, 2)
}

// Of three waters the one that differs is told from both others, with six sessions, and the two that are alike aren't; p of two is that of those two alone.
func TestWhichOfThreeWatersDiffer(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 1))
	three := []string{"rain", "tap", "well"}
	p := plan{sessions: 6, recipes: 6, waters: func(int) []string { return three }, member: func(s int) string { return fmt.Sprint("m", s%3) }, effect: map[string]float64{"well": 6}, noise: 0.5}
	rows := p.rows(rng)
	r := compared(t, rows, Params{Closing: true})
	assert.Equal(t, WatersDiffer, r.Verdict)
	assert.Equal(t, "the waters give different colours; told apart by themselves, over all pairs: rain from well, tap from well", r.Sentence)
	require.Len(t, r.Pairs, 3)
	two := compared(t, slices.DeleteFunc(slices.Clone(rows), func(x Row) bool { return x.Water == "rain" }), Params{Closing: true})
	assert.Equal(t, two.Test.P, *r.Pairs[2].P, "tap and well as if there were no rain")
	assert.InDelta(t, -6, r.Pairs[2].Difference[0], 1)
	assert.Equal(t, 6, r.Pairs[2].Recipes)
	assert.Empty(t, two.Pairs)
	assert.Empty(t, compared(t, rows, Params{}).Pairs, "before the closing size")
	// Rain and well stand in no session and with no member together: their difference is told, and no p.
	p.waters = func(s int) []string { return [][]string{{"rain", "tap"}, {"tap", "well"}}[s%2] }
	p.sessions, p.member = 14, func(s int) string { return fmt.Sprint("m", s) }
	r = compared(t, p.rows(rng), Params{Closing: true})
	require.Equal(t, WatersDiffer, r.Verdict)
	assert.Nil(t, r.Pairs[1].P)
	assert.NotNil(t, r.Pairs[1].MeanDE)
	assert.Equal(t, "the waters give different colours; told apart by themselves, over all pairs: tap from well", r.Sentence)
}

// How many sessions it may take is told until the waters are known to differ, and only where they can be told from members.
func TestWatersHaveAnOutlook(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 1))
	p := plan{sessions: 5, recipes: 6, waters: both, member: func(int) string { return "m" }, effect: map[string]float64{"well": 3}, noise: 1}
	o := compared(t, p.rows(rng), Params{}).Outlook
	require.NotNil(t, o)
	assert.Equal(t, 5, o.From)
	assert.GreaterOrEqual(t, o.TargetDE, 1.5*2, "what matters is 2 where nothing else is said")
	assert.Positive(t, o.ToFind)
	// More noise, more sessions.
	loud := p
	loud.noise = 4
	l := compared(t, loud.rows(rng), Params{}).Outlook
	require.NotNil(t, l)
	assert.True(t, l.ToFind == 0 || l.ToFind > o.ToFind, "%d after %d", l.ToFind, o.ToFind)
	p.sessions, p.noise = 7, 0.2
	assert.Nil(t, compared(t, p.rows(rng), Params{Closing: true}).Outlook, "they differ")
	p.waters = func(s int) []string { return []string{[]string{"tap", "well"}[s%2]} }
	p.member = func(s int) string { return fmt.Sprint("m", s%2) }
	assert.Nil(t, compared(t, p.rows(rng), Params{}).Outlook, "water or member")
}

// Each water by members of its own: no answer, however far apart the colours lie.
func TestWaterOrMember(t *testing.T) {
	p := plan{sessions: 12, recipes: 6, member: func(s int) string { return fmt.Sprint("m", s%4) }, noise: 0.3,
		waters: func(s int) []string { return []string{[]string{"tap", "well"}[s%2]} }, bias: map[string]float64{"m0": 4, "m2": 4}}
	r := compared(t, p.rows(rand.New(rand.NewPCG(2, 2))), Params{Closing: true})
	assert.Equal(t, CantTellApart, r.Verdict)
	assert.Equal(t, []string{"well"}, r.Apart)
	assert.Nil(t, r.Test)
	// Members not stated can't be exchanged either.
	p.member = func(int) string { return "" }
	assert.Equal(t, CantTellApart, compared(t, p.rows(rand.New(rand.NewPCG(2, 2))), Params{Closing: true}).Verdict)
}

// No effect of water and members who differ by 1.5: where each member used both waters in sessions of their own, waters are found to differ
// about as often as .05 says.
func TestMembersDoNotPassForWaters(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	runs, limit := 200, 0.11
	if testing.Short() {
		runs, limit = 40, 0.19
	}
	found := 0
	for range runs {
		p := plan{sessions: 12, recipes: 6, member: func(s int) string { return fmt.Sprint("m", s/2%3) }, noise: 1,
			waters: func(s int) []string { return []string{[]string{"tap", "well"}[s%2]} },
			bias:   map[string]float64{"m0": 1.5 * rng.NormFloat64(), "m1": 1.5 * rng.NormFloat64(), "m2": 1.5 * rng.NormFloat64()}}
		r := compared(t, p.rows(rng), Params{Closing: true, Permutations: 199})
		require.NotNil(t, r.Test, r.Sentence)
		if r.Verdict == WatersDiffer {
			found++
		}
	}
	assert.Less(t, float64(found)/float64(runs), limit, "four standard errors above .05")
}

func TestCovariates(t *testing.T) {
	effect, hardness, ph := map[string]float64{}, map[string]float64{}, map[string]float64{}
	var names []string
	for i := range 8 {
		name := fmt.Sprint("water ", i)
		names = append(names, name)
		effect[name], hardness[name], ph[name] = float64(i), 40*float64(i), 6+0.2*float64(i)
	}
	p := plan{sessions: 6, recipes: 6, waters: func(int) []string { return names }, member: func(int) string { return "m" }, effect: effect, noise: 0.05}
	rows := p.rows(rand.New(rand.NewPCG(4, 4)))
	params := Params{Closing: true, Reference: "water 0", Covariates: []Covariate{{"hardness", hardness}, {"pH", ph}}, Permutations: 199}
	r := compared(t, rows, params)
	assert.Contains(t, r.AboutWaters, "named beforehand")
	assert.Empty(t, r.Covariates)
	params.Named = "hardness"
	r = compared(t, rows, params)
	require.Len(t, r.Covariates, 2)
	h := r.Covariates[0]
	assert.Equal(t, 7, h.Waters, "the reference is left out")
	assert.InDelta(t, 1, h.Rho, 1e-9)
	assert.InDelta(t, 2.0/5040, *h.P, 1e-12)
	assert.Equal(t, []string{"pH"}, h.InseparableOf)
	assert.Nil(t, r.Covariates[1].P)
	// The only figure that the waters have isn't one that was named beforehand.
	alone := params
	alone.Covariates, alone.Named = params.Covariates[:1], ""
	r = compared(t, rows, alone)
	require.Len(t, r.Covariates, 1)
	assert.InDelta(t, 1, r.Covariates[0].Rho, 1e-9)
	assert.Nil(t, r.Covariates[0].P)
	// Where the waters can't be tested their figures get no p either.
	few := slices.DeleteFunc(slices.Clone(rows), func(x Row) bool { return x.Recipe > "recipe 3" })
	r = compared(t, few, params)
	require.Equal(t, NotEnoughYet, r.Verdict, r.Sentence)
	require.Len(t, r.Covariates, 2)
	assert.Nil(t, r.Covariates[0].P)
	params.Covariates[0].Values["water 3"] = math.NaN()
	_, err := Compare(context.Background(), rows, params)
	assert.ErrorContains(t, err, "covariates[0]")
}

func TestLittleOrBad(t *testing.T) {
	r := compared(t, nil, Params{Closing: true})
	assert.Equal(t, NotEnoughYet, r.Verdict)
	one := Row{ReadingID: "1", Water: "tap", Block: "s", Member: "m", Recipe: "x", Lab: colorimetry.Lab{L: 50}}
	r = compared(t, []Row{one}, Params{Closing: true})
	assert.Equal(t, 1, r.OneWater)
	for field, change := range map[string]func(*Row){
		"water":  func(r *Row) { r.Water = "" },
		"member": func(r *Row) { r.Member = "n" },
		"lab.L":  func(r *Row) { r.Lab.L = 300 },
		"lab.a":  func(r *Row) { r.Lab.A = math.Inf(1) },
		"cell":   func(r *Row) { r.Recipe = "" },
	} {
		bad := one
		bad.ReadingID = "2"
		change(&bad)
		_, err := Compare(context.Background(), []Row{one, bad}, Params{})
		var row *width.RowError
		require.ErrorAs(t, err, &row, field)
		assert.ErrorContains(t, err, field)
	}
	// All alike: nothing varies, and no number comes of it.
	p := plan{sessions: 7, recipes: 6, waters: both, member: func(int) string { return "m" }}
	r = compared(t, p.rows(rand.New(rand.NewPCG(1, 1))), Params{Closing: true})
	assert.Nil(t, r.Test)
	assert.Equal(t, NotEnoughYet, r.Verdict)
}
