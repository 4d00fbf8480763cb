package main

import (
	"context"
	"fmt"
	"math/rand/v2"

	"github.com/commonvat/commonvat/plugins/compare/groups"
	"github.com/commonvat/commonvat/plugins/compare/waters"
)

// besideLines are about two that are alike among more, of which others lie far off: where all are alike, no pair is told apart but by the test of all.
func besideLines(limit float64) []line {
	const question = "falsely two alike told apart"
	found := func(p *float64) bool { return p != nil && *p <= 0.05 }
	units := func(sessions int, at ...float64) func(context.Context, *rand.Rand) (bool, error) {
		return func(ctx context.Context, rng *rand.Rand) (bool, error) {
			r, err := groups.CompareUnits(ctx, unitCells(rng, sessions, at...), groups.UnitParams{Permutations: 199, Seed: rng.Uint64(), NoOutlook: true})
			if err != nil {
				return false, err
			}
			names := map[string]float64{}
			for g, far := range at {
				names[fmt.Sprint(g)] = far
			}
			for _, x := range r.Pairs {
				if names[x.First] == names[x.Second] && found(&x.PlaceAdjusted) {
					return true, nil
				}
			}
			return false, nil
		}
	}
	return []line{
		{question: question, situation: "of three groups, the third far off, 8 sessions", limit: limit, hit: units(8, 0, 0, 8)},
		{question: question, situation: "of four groups, two and two far apart, 8 sessions", limit: limit, hit: units(8, 0, 0, 8, 8)},
		{question: question, situation: "of five groups, two and two far apart and one beyond, 9 sessions", limit: limit, hit: units(9, 0, 0, 8, 8, 16)},
		{question: question, situation: "of three waters, the third far off, 8 sessions", limit: limit, hit: func(ctx context.Context, rng *rand.Rand) (bool, error) {
			var rows []waters.Row
			for _, c := range unitCells(rng, 8, 0, 0, 8) {
				for r := range 2 { // the gate wants six recipes
					rows = append(rows, waters.Row{ReadingID: fmt.Sprint(c.Block, c.Group, c.Cell, r), Water: c.Group, Block: c.Block, Member: "one", Recipe: fmt.Sprint(c.Cell, r), Lab: c.Lab})
				}
			}
			r, err := waters.Compare(ctx, rows, waters.Params{Closing: true, Permutations: 199, Seed: rng.Uint64(), NoOutlook: true})
			return err == nil && found(r.Pairs[0].PAdjusted), err
		}},
	}
}

// unitCells are groups that lie so far from the middle in L*, each with a pot of its own in each session, whose accident its four recipes share.
func unitCells(rng *rand.Rand, sessions int, at ...float64) []groups.UnitCell {
	var cells []groups.UnitCell
	for s := range sessions {
		session := normal(rng, 3)
		for g, far := range at {
			pot := normal(rng, 1.5)
			for r := range 4 {
				piece := normal(rng, 0.7)
				x := vector{40 + 5*float64(r), 4 * float64(r), 20}
				for i := range 3 {
					x[i] += session[i] + pot[i] + piece[i]
				}
				x[0] += far
				cells = append(cells, groups.UnitCell{Group: fmt.Sprint(g), Block: fmt.Sprint(s), Cell: fmt.Sprint(r), Lab: lab(x)})
			}
		}
	}
	return cells
}
