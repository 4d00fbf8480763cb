package groups

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/compare/noise"
	"github.com/commonvat/commonvat/plugins/compare/outlook"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

func byUnits(t *testing.T, cells []UnitCell, p UnitParams) *UnitResult {
	t.Helper()
	r, err := CompareUnits(context.Background(), cells, p)
	require.NoError(t, err)
	return r
}

// The blocking trap of TestBlockingTrap, each cell twice as two cells of a unit, moved apart and back: its means are the trap's own colours, of which F is
// 4.8 with blocks (R 4, aov and vegan's adonis2).
func TestUnitsOfTheBlockingTrap(t *testing.T) {
	var cells []UnitCell
	for block, two := range [][2]colorimetry.Lab{
		{{L: 50, A: 10, B: 10}, {L: 52, A: 12, B: 9}}, {{L: 60, A: 20, B: 15}, {L: 63, A: 21, B: 17}}, {{L: 40, A: 0, B: 5}, {L: 41, A: 3, B: 4}},
	} {
		for g, lab := range two {
			for k, by := range []float64{-3, 3} {
				moved := lab
				moved.L += by
				cells = append(cells, UnitCell{Group: []string{"a", "b"}[g], Block: fmt.Sprint(block), Cell: fmt.Sprint(k), Lab: moved})
			}
		}
	}
	r := byUnits(t, cells, UnitParams{})
	assert.InDelta(t, 4.8, r.Place.F, 1e-9)
	assert.Equal(t, 8, r.Place.Arrangements)
	assert.Equal(t, 6, r.Cells, "units")
	assert.Nil(t, r.Spread, "all units spread by 3, so that nothing varies")
	require.Len(t, r.Distances, 1)
	assert.Equal(t, [3]float64{-2, -2, 0}, r.Distances[0].Difference)
	assert.Equal(t, 3, r.Distances[0].Blocks)
	assert.InDelta(t, colorimetry.CIEDE2000(colorimetry.Lab{L: 50, A: 10, B: 10}, colorimetry.Lab{L: 52, A: 12, B: 10}, colorimetry.DefaultFactors), r.Distances[0].DE, 1e-9)
}

// kitchen makes sessions whose pots have accidents that all cells in them share.
type kitchen struct {
	sessions, groups, recipes int
	effect, spread            []float64 // by group: on L*, and times the distance between recipes
	pot, piece                float64
}

func (k kitchen) cells(rng *rand.Rand) []UnitCell {
	var cells []UnitCell
	for s := range k.sessions {
		for g := range k.groups {
			accident := [3]float64{k.pot * rng.NormFloat64(), k.pot * rng.NormFloat64(), k.pot * rng.NormFloat64()}
			if k.effect != nil {
				accident[0] += k.effect[g]
			}
			by := 1.0
			if k.spread != nil {
				by = k.spread[g]
			}
			for r := range k.recipes {
				cells = append(cells, UnitCell{Group: fmt.Sprint("group ", g), Block: fmt.Sprint(s), Cell: fmt.Sprint(r), Lab: colorimetry.Lab{
					L: 50 + accident[0] + k.piece*rng.NormFloat64(), A: accident[1] + by*6*float64(r) + k.piece*rng.NormFloat64(), B: 10 + accident[2] + k.piece*rng.NormFloat64()}})
			}
		}
	}
	return cells
}

// Pots of which each has an accident of its own and no effect: whole units find one about as often as .05 says, single cells far more often.
func TestAccidentsOfPotsDoNotPassForGroups(t *testing.T) {
	runs, within := 400.0, 0.035
	if testing.Short() {
		runs, within = 80, 0.078
	}
	k := kitchen{sessions: 6, groups: 2, recipes: 6, pot: 1, piece: 0.3}
	rng := rand.New(rand.NewPCG(11, 1))
	place, spread, single := 0, 0, 0
	for range int(runs) {
		cells := k.cells(rng)
		r := byUnits(t, cells, UnitParams{})
		require.Equal(t, 64, r.Place.Arrangements)
		if r.Place.P <= 0.05 {
			place++
		}
		if r.Spread.P <= 0.05 {
			spread++
		}
		each := make([]Cell, len(cells))
		for i, c := range cells {
			each[i] = Cell{Group: c.Group, Block: c.Block + c.Cell, Lab: c.Lab}
		}
		one, err := Compare(context.Background(), each, 199, 1)
		require.NoError(t, err)
		if one.Place.P <= 0.05 {
			single++
		}
	}
	// Of 64 arrangements in mirrored pairs p is at most .05 in 1 of 32; four standard errors of 400 runs are .035, of 80 .078.
	assert.InDelta(t, 1.0/32, float64(place)/runs, within)
	assert.InDelta(t, 1.0/32, float64(spread)/runs, within)
	assert.Greater(t, float64(single)/runs, 0.3, "this is why")
}

func TestUnitsThatDiffer(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 1))
	r := byUnits(t, kitchen{sessions: 6, groups: 3, recipes: 3, pot: 0.3, piece: 0.2, effect: []float64{0, 0, 6}}.cells(rng), UnitParams{})
	assert.Less(t, r.Place.P, 0.01)
	require.Len(t, r.Pairs, 3)
	assert.Greater(t, r.Pairs[0].PlaceAdjusted, 0.05)
	// 2 of 64, which is all that six sessions of two can show: the third of .05 that Holm wants first is out of their reach.
	assert.InDelta(t, 2.0/64, r.Pairs[1].PlaceAdjusted, 1e-12)
	assert.InDelta(t, 2.0/64, r.Pairs[2].PlaceAdjusted, 1e-12)
	r = byUnits(t, kitchen{sessions: 7, groups: 2, recipes: 4, pot: 3, piece: 0.2, spread: []float64{1, 2}}.cells(rng), UnitParams{})
	assert.Equal(t, 2.0/128, r.Spread.P, "however far the pots lie apart")
}

func TestUnitsAreMatched(t *testing.T) {
	base := kitchen{sessions: 2, groups: 2, recipes: 2, piece: 1}.cells(rand.New(rand.NewPCG(1, 1)))
	for what, c := range map[string]struct {
		change func([]UnitCell) []UnitCell
		says   string
	}{
		"a group lacks a cell": {func(c []UnitCell) []UnitCell { return c[1:] }, "the same cells for all groups of a block"},
		"a cell twice":         {func(c []UnitCell) []UnitCell { return append(c, c[0]) }, "each once"},
		"a group without name": {func(c []UnitCell) []UnitCell { c[0].Group = ""; return c }, "cells[0].group"},
		"L* of 300":            {func(c []UnitCell) []UnitCell { c[1].Lab.L = 300; return c }, "cells[1].lab"},
	} {
		cells := append([]UnitCell(nil), base...)
		_, err := CompareUnits(context.Background(), c.change(cells), UnitParams{})
		assert.ErrorContains(t, err, c.says, what)
	}
	r := byUnits(t, nil, UnitParams{})
	assert.Nil(t, r.Place)
	assert.Nil(t, r.Outlook)
	r = byUnits(t, kitchen{sessions: 6, groups: 2, recipes: 1, piece: 1}.cells(rand.New(rand.NewPCG(1, 1))), UnitParams{Permutations: EstimatesOnly})
	assert.Zero(t, r.Place.P)
	assert.Zero(t, r.Place.Arrangements)
	assert.Nil(t, r.Spread, "one cell spreads nowhere")
}

// The size that is told is held against experiments of that size, tested as CompareUnits does: about 4 in 5 of them find the difference.
func TestOutlookHoldsItsPromise(t *testing.T) {
	kitchens := []kitchen{
		{sessions: 5, groups: 2, recipes: 1, pot: 1.2, effect: []float64{0, 3}},
		{sessions: 8, groups: 3, recipes: 1, pot: 2, effect: []float64{0, 1.5, 3}},
	}
	runs, within := 150, 0.13
	if testing.Short() {
		kitchens, runs, within = kitchens[:1], 40, 0.24
	}
	for _, k := range kitchens {
		rng := rand.New(rand.NewPCG(13, uint64(k.groups)))
		// Noise of one small pool is a guess, so that the promise is tried with the noise that it was made of: the least size over many pools in the middle.
		var sizes []int
		for range 41 {
			if o := byUnits(t, k.cells(rng), UnitParams{Permutations: EstimatesOnly}).Outlook; o != nil && o.ToFind > 0 {
				sizes = append(sizes, o.ToFind)
			}
		}
		require.Greater(t, len(sizes), 30)
		slices.Sort(sizes)
		middle := sizes[len(sizes)/2]
		large := k
		large.sessions = 400 // its noise and places are known well
		o := byUnits(t, large.cells(rng), UnitParams{Permutations: EstimatesOnly}).Outlook
		require.NotNil(t, o)
		assert.InDelta(t, o.ToFind, middle, 6)
		assert.InDelta(t, k.pot, o.Noise[0], 0.15)
		assert.Equal(t, 400, o.From)
		at := func(sessions int) float64 {
			tried := k
			tried.sessions = sessions
			found := 0
			for range runs {
				if byUnits(t, tried.cells(rng), UnitParams{Permutations: 399, Seed: rng.Uint64()}).Place.P <= 0.05 {
					found++
				}
			}
			return float64(found) / float64(runs)
		}
		assert.InDelta(t, 0.85, at(o.ToFind), within, "of %d sessions", o.ToFind)
	}
}

// With six sessions of two groups what was dyed has to be the first of 32 arrangements, which is harder than F is for normal figures. What simulated experiments
// find is what the test finds.
func TestSmallSizesAreForeseenAsTheyAreTested(t *testing.T) {
	const runs, sessions, shift = 1500, 6, 2.4
	s := simulation{noise: noise.RootOf([3][3]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}), trace: 3, trace2: 3, places: [][3]float64{{-shift / 2}, {shift / 2}},
		rng: rand.New(rand.NewPCG(1, 1))}
	foreseen, found, byF := 0, 0, 0
	rng := rand.New(rand.NewPCG(2, 1))
	null := make([]float64, 4000)
	for i := range null {
		null[i] = s.draw(sessions, 0)
	}
	slices.Sort(null)
	for range runs {
		if s.found(sessions, 1) {
			foreseen++
		}
		if s.draw(sessions, 1) > null[len(null)*31/32] {
			byF++
		}
		var points []Point
		for b := range sessions {
			for g, at := range []float64{0, shift} {
				points = append(points, Point{fmt.Sprint(g), fmt.Sprint(b), [3]float64{at + rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}})
			}
		}
		r, err := compare(context.Background(), points, 999, 1, false)
		require.NoError(t, err)
		if r.Place.P <= 0.05 {
			found++
		}
	}
	// Four standard errors of a difference of two shares of 1,500 are .067.
	assert.InDelta(t, float64(found)/runs, float64(foreseen)/runs, 0.067)
	assert.Greater(t, byF-found, runs/20, "this is why")
}

// So it is with six sessions of three groups: F, as of normal figures, finds more than the arrangements of the test do, which are few enough to be tried.
func TestSixSessionsOfThreeAreForeseenAsTheyAreTested(t *testing.T) {
	const runs, sessions, apart, arrangements = 1000, 6, 2.2, 7776
	s := simulation{noise: noise.RootOf([3][3]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}), trace: 3, trace2: 3, places: [][3]float64{{-apart / 2}, {apart / 2}, {0}},
		rng: rand.New(rand.NewPCG(1, 1))}
	null := make([]float64, 8000)
	for i := range null {
		null[i] = s.draw(sessions, 0)
	}
	slices.Sort(null)
	byF, foreseen := 0, 0
	for range 8 * runs {
		if s.draw(sessions, 1) > null[len(null)*19/20] {
			byF++
		}
	}
	for range runs {
		if s.found(sessions, arrangements/20) {
			foreseen++
		}
	}
	assert.Greater(t, float64(byF)/(8*runs)-float64(foreseen)/runs, 0.015, "this is why")
	assert.GreaterOrEqual(t, outlook.Few, arrangements)
}

// However far groups lie apart, p can't be less than one of all arrangements: 6^5 = 7,776 of six sessions of three groups, 2^13 = 8,192 of 14 of two.
func TestNoOutlookBelowTheLeastP(t *testing.T) {
	s := simulation{noise: noise.RootOf([3][3]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}), trace: 3, trace2: 3, places: [][3]float64{{-50}, {0}, {50}}}
	assert.False(t, s.enough(6, 0.0001))
	assert.True(t, s.enough(7, 0.0001))
	s.places = [][3]float64{{-50}, {50}}
	assert.False(t, s.enough(14, 0.0001))
	assert.True(t, s.enough(16, 0.0001))
}

func TestOutlookOfLittle(t *testing.T) {
	rng := rand.New(rand.NewPCG(14, 1))
	few := kitchen{sessions: 2, groups: 3, recipes: 1, pot: 1}
	assert.Nil(t, byUnits(t, few.cells(rng), UnitParams{}).Outlook)
	still := kitchen{sessions: 6, groups: 2, recipes: 1, effect: []float64{0, 2}}
	assert.Nil(t, byUnits(t, still.cells(rng), UnitParams{}).Outlook, "no noise to go by")
	quiet := kitchen{sessions: 12, groups: 2, recipes: 1, pot: 0.1}
	o := byUnits(t, quiet.cells(rng), UnitParams{ToleranceDE: 1}).Outlook
	require.NotNil(t, o)
	assert.Equal(t, 6, o.ToFind)
	assert.InDelta(t, 1.5, o.TargetDE, 1e-6, "no less than 1.5 times what matters")
	first := byUnits(t, quiet.cells(rand.New(rand.NewPCG(15, 1))), UnitParams{}).Outlook
	assert.Equal(t, first, byUnits(t, quiet.cells(rand.New(rand.NewPCG(15, 1))), UnitParams{}).Outlook)
}
