package waters

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Colours that are what a recipe does plus what a unit does, without anything else, give the units back whatever recipes each holds: by the definition of
// least squares there is no rest then.
func TestUnitsAreFittedBesideRecipes(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1))
	for range 20 {
		var cells []*cell
		var does []float64 // by unit, in the order of cells
		recipes := make([]float64, 9)
		for r := range recipes {
			recipes[r] = 40 * rng.Float64()
		}
		for s := range 12 {
			does = append(does, 30*rng.NormFloat64())
			for r := range recipes {
				if r != s%9 && r != (s+1)%9 && rng.Float64() < 0.6 {
					continue
				}
				cells = append(cells, &cell{session: fmt.Sprint(s), water: "tap", recipe: fmt.Sprint(r), sum: [3]float64{recipes[r] + does[s], -recipes[r], 2 * does[s]}, n: 1})
			}
		}
		l := laidOut(cells)
		x, y, z := l.fit(0), l.fit(1), l.fit(2)
		for u := range does {
			assert.InDelta(t, does[u]-does[0], x[u]-x[0], 1e-9)
			assert.InDelta(t, 0, y[u]-y[0], 1e-9)
			assert.InDelta(t, 2*(does[u]-does[0]), z[u]-z[0], 1e-9)
		}
		for _, p := range l.parts() {
			assert.Zero(t, p, "recipes join all of them")
		}
	}
}

func row(session, member, water, recipe string, l float64) Row {
	return Row{ReadingID: session + water + recipe, Block: session, Member: member, Water: water, Recipe: recipe, Lab: colorimetry.Lab{L: l, A: 5, B: 5}}
}

// A session's waters are held against each other on what it holds in both, and so are a member's sessions of one water each. Two members who dye much lighter and darker hold
// what only one water of the others does; p is still that of all turns of the eight differences, counted out here.
func TestOthersAccidentsDoNotPassForWater(t *testing.T) {
	difference := []float64{1, -2, 0.5, 1.5, -1, 0.25, -0.75, 2}
	for _, together := range []bool{true, false} {
		rows := []Row{row("light", "l", "well", "only tap", 70), row("dark", "d", "tap", "only well", 20)}
		for s, d := range difference {
			member, in, recipe, accident := fmt.Sprint("m", s), [2]string{fmt.Sprint(s), fmt.Sprint(s)}, fmt.Sprint(s%6), float64(3*s%7)
			if !together {
				in = [2]string{fmt.Sprint(s, "a"), fmt.Sprint(s, "b")}
			}
			rows = append(rows, row(in[0], member, "tap", recipe, 40+accident+d), row(in[1], member, "well", recipe, 40+accident),
				row(in[0], member, "tap", "only tap", 42+3*accident+d), row(in[1], member, "well", "only well", 47-2*accident))
		}
		countedOut(t, rows, difference)
	}
}

// countedOut holds the test of rows against all turns of the differences that it has.
func countedOut(t *testing.T, rows []Row, difference []float64) {
	t.Helper()
	r, err := Compare(context.Background(), rows, Params{Closing: true, NoOutlook: true})
	require.NoError(t, err)
	require.NotNil(t, r.Test, r.Sentence)
	own, hits := 0.0, 0
	for _, d := range difference {
		own += d
	}
	for mask := range 1 << len(difference) {
		sum := 0.0
		for s, d := range difference {
			sum += d * (1 - 2*float64(mask>>s&1))
		}
		if math.Abs(sum) >= math.Abs(own)-1e-9 {
			hits++
		}
	}
	assert.True(t, r.Test.Enumerated)
	assert.InDelta(t, float64(hits)/256, r.Test.P, 1e-12)
	assert.Equal(t, NoAnswer, r.Verdict)
}

// Two sessions that hold recipes the other way about know one difference between them, not two, and no session by itself holds a recipe in both waters: taken for two
// differences, equal waters were called different in 24 % of simulated experiments.
func TestCrossedRecipesAreNotHeldAgainstEachOther(t *testing.T) {
	var rows []Row
	for s := range 8 {
		for r := range 3 {
			tap, well := s/2*6+r, s/2*6+3+r
			if s%2 == 1 {
				tap, well = well, tap
			}
			session := fmt.Sprint(s)
			rows = append(rows, row(session, "m", "tap", fmt.Sprint(tap), 50), row(session, "m", "well", fmt.Sprint(well), 60))
		}
	}
	r, err := Compare(context.Background(), rows, Params{Closing: true, NoOutlook: true})
	require.NoError(t, err)
	assert.Nil(t, r.Test)
	assert.Equal(t, NotEnoughYet, r.Verdict)
	assert.Zero(t, r.Recipes)
	assert.Equal(t, []string{"6 more recipes dyed alike in both waters, each within one session", "6 more sessions with both waters side by side on one recipe"}, r.Missing)
}

// What one member dyed in tap and another in well is no recipe of a verdict, however often. A member's own sessions of one water each count.
func TestRecipesOfTwoMembersDoNotCount(t *testing.T) {
	var rows []Row
	for s := range 7 {
		for r := range 5 {
			d := float64(r) + float64(s%3)/10
			rows = append(rows, row(fmt.Sprint(s), "m", "tap", fmt.Sprint(r), 40+d), row(fmt.Sprint(s), "m", "well", fmt.Sprint(r), 44+d))
		}
	}
	for k, x := range []string{"5", "6"} { // dyed in one water by one and in the other one by another
		rows = append(rows, row(fmt.Sprint("tap ", k), "n", "tap", x, 30), row(fmt.Sprint("well ", k), "o", "well", x, 70))
	}
	ask := func() *Result {
		r, err := Compare(context.Background(), rows, Params{Closing: true, NoOutlook: true})
		require.NoError(t, err)
		return r
	}
	r := ask()
	assert.Equal(t, NotEnoughYet, r.Verdict, r.Sentence)
	assert.Equal(t, []string{"1 more recipe dyed alike in both waters within one session"}, r.Missing)
	assert.Equal(t, 5, r.Recipes)
	assert.Equal(t, 7, r.Sessions)
	assert.Equal(t, 4, r.OneWater)
	assert.Equal(t, 5, r.Waters[1].Recipes)
	assert.InDelta(t, 4, r.Waters[1].Difference[0], 1e-9, "of what stands side by side alone")
	// Member n holds a sixth in a session of the other water, too.
	rows = append(rows, row("own", "n", "well", "5", 34))
	r = ask()
	assert.Equal(t, WatersDiffer, r.Verdict, r.Sentence)
	assert.Equal(t, 6, r.Recipes)
	assert.Equal(t, 9, r.Sessions)
	// A session of that member with both waters is one by itself.
	rows = append(rows, row("own", "n", "tap", "9", 34), row("other", "o", "well", "9", 34))
	r = ask()
	assert.Equal(t, NotEnoughYet, r.Verdict, r.Sentence)
	assert.Equal(t, 5, r.Recipes)
	assert.Empty(t, r.Apart)
}

// A water that one member alone used, on recipes that others dyed in other waters, stands apart, and no other water with it; what is told of the colours is of all that there is.
func TestAWaterOfOneMemberAloneStandsApart(t *testing.T) {
	var rows []Row
	for s := range 7 {
		for r := range 6 {
			rows = append(rows, row(fmt.Sprint(s), "m", "tap", fmt.Sprint(r), 40), row(fmt.Sprint(s), "m", "well", fmt.Sprint(r), 44))
			rows = append(rows, row(fmt.Sprint("alder ", s), "n", "alder pond", fmt.Sprint(r), 50))
		}
	}
	r, err := Compare(context.Background(), rows, Params{Closing: true, NoOutlook: true, Reference: "tap"})
	require.NoError(t, err)
	assert.Equal(t, CantTellApart, r.Verdict)
	assert.Equal(t, []string{"alder pond"}, r.Apart)
	assert.Equal(t, 6, r.Recipes, "in tap and well")
	require.Len(t, r.Waters, 3)
	assert.InDelta(t, 10, r.Waters[0].Difference[0], 1e-9)
}

// A third water that sessions hold on recipes of its own is not tested beside the others, so nothing is said of all three.
func TestAWaterOnRecipesOfItsOwnIsMissing(t *testing.T) {
	var rows []Row
	for s := range 8 {
		session := fmt.Sprint(s)
		for r := range 6 {
			recipe := fmt.Sprint(r)
			if r%2 == s%2 { // what this session has in rain, others have in the two waters
				rows = append(rows, row(session, "m", "rain", recipe, 70))
				continue
			}
			rows = append(rows, row(session, "m", "tap", recipe, 50+float64(r)), row(session, "m", "well", recipe, 60+float64(r+s%3)))
		}
	}
	r, err := Compare(context.Background(), rows, Params{Closing: true, NoOutlook: true})
	require.NoError(t, err)
	assert.Nil(t, r.Test)
	assert.Equal(t, NotEnoughYet, r.Verdict)
	assert.Equal(t, []string{"a session that holds one recipe in rain and in another of these waters"}, r.Missing)
	rows = append(rows, row("0", "m", "rain", "1", 71))
	r, err = Compare(context.Background(), rows, Params{Closing: true, NoOutlook: true})
	require.NoError(t, err)
	assert.NotNil(t, r.Test)
	assert.Equal(t, WatersDiffer, r.Verdict)
}

// Sessions of one water of one member are exchanged only where recipes join them.
func TestUnitsThatNothingJoinsAreNotExchanged(t *testing.T) {
	var rows []Row
	for s := range 4 {
		for r := range 3 {
			recipe := fmt.Sprint(r + 3*(s/2))
			rows = append(rows, row(fmt.Sprint(s), "m", []string{"tap", "well"}[s%2], recipe, 50+float64(s)))
		}
	}
	r, err := Compare(context.Background(), rows, Params{NoOutlook: true})
	require.NoError(t, err)
	var cells []*cell
	for _, x := range rows {
		cells = append(cells, &cell{session: x.Block, water: x.Water, recipe: x.Recipe, member: x.Member, sum: [3]float64{x.Lab.L, 5, 5}, n: 1})
	}
	points, arrangements := units(sideBySide(cells))
	assert.InDelta(t, 2*math.Ln2, arrangements, 1e-12, "two and two, not four of which two")
	assert.Equal(t, points[0].Block, points[1].Block)
	assert.NotEqual(t, points[0].Block, points[2].Block)
	assert.Equal(t, 6, r.Recipes)
}

// What others' accidents make of a recipe is in no unit of a session or member: eight members who hold two recipes unevenly, all in the same way, would take the same share of it
// each, which looks like water. Here the only session that holds both recipes in one unit has one of them much deeper, in both waters.
func TestOthersAccidentsOfARecipeAreInNoUnit(t *testing.T) {
	ask := func(accident float64) *Result {
		rng := rand.New(rand.NewPCG(3, 4))
		var rows []Row
		for m := range 8 {
			for k, x := range [][2]string{{"tap", "0"}, {"tap", "0"}, {"well", "0"}, {"tap", "1"}, {"well", "1"}, {"well", "1"}} {
				rows = append(rows, row(fmt.Sprintf("%d-%d", m, k), fmt.Sprint(m), x[0], x[1], 50+rng.NormFloat64()))
			}
		}
		for r := range 6 {
			l := 50 + rng.NormFloat64()
			if r == 0 {
				l += accident
			}
			rows = append(rows, row("all", "n", "tap", fmt.Sprint(r), l), row("all", "n", "well", fmt.Sprint(r), l))
		}
		r, err := Compare(context.Background(), rows, Params{Closing: true, NoOutlook: true, Permutations: 499})
		require.NoError(t, err)
		require.NotNil(t, r.Test, r.Sentence)
		return r
	}
	assert.InDelta(t, ask(0).Test.F, ask(20).Test.F, 1e-9)
	assert.Equal(t, NoAnswer, ask(20).Verdict)
}

// Waters are alike, members aren't: one who dyed mostly in tap water and one mostly in well water differ by 4 in L*. What is told of the waters is what each
// found by itself, by hand: 0 of alike waters, and 1 where well water takes 1 off both. Cells over all would say (3·4 + 0)/4 - (4 + 3·0)/4 = 2 more.
func TestDifferencesAreEachMembersOwn(t *testing.T) {
	for _, well := range []float64{0, -1} {
		var rows []Row
		for i, of := range []struct {
			member, water string
		}{{"ash", "tap"}, {"ash", "tap"}, {"ash", "tap"}, {"ash", "well"}, {"birch", "tap"}, {"birch", "well"}, {"birch", "well"}, {"birch", "well"}} {
			for recipe := range 6 {
				l := 50 + 5*float64(recipe)
				if of.member == "ash" {
					l += 4
				}
				if of.water == "well" {
					l += well
				}
				rows = append(rows, row(fmt.Sprint("s", i), of.member, of.water, fmt.Sprint("r", recipe), l))
			}
		}
		r, err := Compare(t.Context(), rows, Params{Reference: "tap"})
		require.NoError(t, err)
		require.Len(t, r.Waters, 2)
		assert.Equal(t, 6, r.Waters[0].Recipes, "the reference's own")
		assert.Equal(t, 6, r.Waters[1].Recipes)
		assert.InDelta(t, well, r.Waters[1].Difference[0], 1e-12)
		if well == 0 {
			assert.InDelta(t, 0, *r.Waters[1].MaxDE, 1e-9)
		}
	}
}
