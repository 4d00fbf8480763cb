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

// A session's waters are held against each other on what it holds in both. Two members who dye much lighter and darker hold what only one water of the other sessions
// does; p is still that of all turns of the eight differences, counted out here.
func TestOthersAccidentsDoNotPassForWater(t *testing.T) {
	difference := []float64{1, -2, 0.5, 1.5, -1, 0.25, -0.75, 2}
	var rows []Row
	for s, d := range difference {
		session, accident := fmt.Sprint(s), float64(3*s%7)
		for r := range 4 {
			rows = append(rows, row(session, "m"+session, "tap", fmt.Sprint(r), 40+float64(r)+accident+d), row(session, "m"+session, "well", fmt.Sprint(r+3), 40+float64(r+3)+accident))
		}
	}
	for r := range 3 {
		rows = append(rows, row("8", "light", "well", fmt.Sprint(r), 70+float64(r)), row("9", "dark", "tap", fmt.Sprint(r+4), 20+float64(r+4)))
	}
	r, err := Compare(context.Background(), rows, Params{Closing: true, NoOutlook: true})
	require.NoError(t, err)
	require.NotNil(t, r.Test)
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
	assert.Equal(t, []string{"6 more sessions with both waters side by side"}, r.Missing)
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
	points, arrangements := units(cells)
	assert.InDelta(t, 2*math.Ln2, arrangements, 1e-12, "two and two, not four of which two")
	assert.Equal(t, points[0].Block, points[1].Block)
	assert.NotEqual(t, points[0].Block, points[2].Block)
	assert.Equal(t, 6, r.Recipes)
}
