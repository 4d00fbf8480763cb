package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"

	"github.com/commonvat/commonvat/plugins/compare/effect"
	"github.com/commonvat/commonvat/plugins/compare/groups"
	"github.com/commonvat/commonvat/plugins/compare/orders"
	"github.com/commonvat/commonvat/plugins/compare/waters"
	"github.com/commonvat/commonvat/plugins/palette/width"
)

// hardCoverageLines are about palettes whose sessions differ as much as their recipes do, hold unequal numbers, or are few.
func hardCoverageLines() (out []line) {
	type palette struct {
		sizes       []int
		m           int
		pot, spread float64
		heavy, same bool // accidents with heavy tails; the same recipes in all sessions
		what        string
	}
	for _, p := range []palette{
		{sizes: []int{3, 3, 3, 3, 3, 3, 3, 3}, m: 8, pot: 10, spread: 8, what: "8 sessions of 3, pots as far apart as recipes"},
		{sizes: []int{1, 1, 1, 2, 2, 3, 6, 8}, m: 8, pot: 10, spread: 8, what: "8 sessions of 1 to 8, pots as far apart as recipes"},
		{sizes: []int{1, 1, 1, 2, 2, 3, 6, 8}, m: 8, pot: 2, spread: 12, heavy: true, what: "8 sessions of 1 to 8, heavy tails"},
		{sizes: []int{4, 4, 4, 4, 4, 4, 4, 4}, m: 8, pot: 3, spread: 12, same: true, what: "8 sessions of the same 4 recipes"},
		{sizes: []int{6, 6, 6, 6}, m: 8, pot: 3, spread: 12, what: "4 sessions of 6"},
		{sizes: []int{6, 6, 6, 6}, m: 8, pot: 10, spread: 8, what: "4 sessions of 6, pots as far apart as recipes"},
		{sizes: []int{12, 12}, m: 8, pot: 3, spread: 12, what: "2 sessions of 12"},
	} {
		for _, of := range []struct {
			what string
			of   func(*width.Rarefied) *width.Expected
		}{
			{"shades", func(r *width.Rarefied) *width.Expected { return &r.Shades }}, {"hull volume", func(r *width.Rarefied) *width.Expected { return r.Volume }},
			{"dispersion", func(r *width.Rarefied) *width.Expected { return &r.Dispersion }},
		} {
			out = append(out, line{question: "coverage of a 95 % interval", situation: fmt.Sprintf("%s of %d cells, %s", of.what, p.m, p.what), limit: coverage, atLeast: true,
				interval: func(ctx context.Context, rng *rand.Rand) (float64, *width.Interval, error) {
					h := hardship{heavy: p.heavy}
					recipes := rand.New(rand.NewPCG(5, 5)) // of all experiments, where they are the same
					var known []vector
					for range 4 {
						known = append(known, normal(recipes, p.spread))
					}
					var rows []width.Row
					for s, size := range p.sizes {
						shared := h.accident(rng, p.pot)
						for r := range size {
							own := h.accident(rng, p.spread)
							if p.same {
								own = normal(rng, 1)
								for i := range 3 {
									own[i] += known[r][i]
								}
							}
							x := vector{centre[0] + shared[0] + own[0], centre[1] + shared[1] + own[1], centre[2] + shared[2] + own[2]}
							rows = append(rows, width.Row{ReadingID: fmt.Sprintf("%d-%d", s, r), Group: "g", Block: fmt.Sprint(s), Cell: fmt.Sprint(r), Lab: lab(x)})
						}
					}
					a, err := width.Measure(ctx, rows, width.Params{M: p.m, Interval: true, Draws: 500, Seed: 1})
					if err != nil {
						return 0, nil, err
					}
					e := of.of(a.Strata[0].Groups[0].Rarefied)
					return e.Mean, e.Interval, nil
				}})
		}
	}
	return out
}

// hardWaterLines are about waters that give one colour, where not every recipe was dyed in every water of a session.
func hardWaterLines() (out []line) {
	add := func(what string, rows func(rng *rand.Rand) []waters.Row) {
		out = append(out, line{question: "falsely waters differ", situation: what, limit: falsely, hit: func(ctx context.Context, rng *rand.Rand) (bool, error) {
			r, err := waters.Compare(ctx, rows(rng), waters.Params{Closing: true, Permutations: 499, NoOutlook: true})
			return err == nil && r.Verdict == waters.WatersDiffer, err
		}})
	}
	add("7 sessions with both waters, a third of the pieces missing", func(rng *rand.Rand) []waters.Row { return thinned(waterRows(rng, true), rng, 0.33) })
	add("12 sessions of one water, members differ, a third of the pieces missing", func(rng *rand.Rand) []waters.Row { return thinned(waterRows(rng, false), rng, 0.33) })
	// pot adds what a session dyed in a water: recipes, and accidents of its pot and of its pieces.
	pot := func(rows []waters.Row, rng *rand.Rand, session, member int, habit vector, water string, pots, pieces float64, recipes ...int) []waters.Row {
		shared := normal(rng, pots)
		for _, r := range recipes {
			own := normal(rng, pieces)
			x := vector{40 + 5*float64(r%6), 4 * float64(r%6), 20}
			for i := range 3 {
				x[i] += habit[i] + shared[i] + own[i]
			}
			rows = append(rows, waters.Row{ReadingID: fmt.Sprintf("%d-%s-%d", session, water, r), Water: water, Block: fmt.Sprint(session), Member: fmt.Sprint(member), Recipe: fmt.Sprint(r), Lab: lab(x)})
		}
		return rows
	}
	// others are two members who dye otherwise: what only one water of the sessions holds, they hold in the other one.
	others := func(rows []waters.Row, rng *rand.Rand) []waters.Row {
		return pot(pot(rows, rng, 98, 98, normal(rng, 8), "well", 1.5, 0.7, 10, 11, 12), rng, 99, 99, normal(rng, 8), "tap", 1.5, 0.7, 13, 14, 15)
	}
	add("8 sessions with both waters, 4 recipes in each and one in both, and two of one water by members who dye otherwise", func(rng *rand.Rand) (rows []waters.Row) {
		for s := range 8 {
			habit := normal(rng, 3)
			rows = pot(pot(rows, rng, s, s, habit, "tap", 1.5, 0.7, s%6, 10, 11, 12), rng, s, s, habit, "well", 1.5, 0.7, s%6, 13, 14, 15)
		}
		return others(rows, rng)
	})
	add("16 sessions of one water by 8 members, 4 recipes in each and one in both, pieces twice as uneven as pots, and two by members who dye otherwise", func(rng *rand.Rand) (rows []waters.Row) {
		for m := range 8 {
			habit := normal(rng, 3)
			rows = pot(pot(rows, rng, 2*m, m, habit, "tap", 0.7, 1.5, m%6, 10, 11, 12), rng, 2*m+1, m, habit, "well", 0.7, 1.5, m%6, 13, 14, 15)
		}
		return others(rows, rng)
	})
	add("8 members with two recipes, of one two sessions in tap and one in well, of the other one the other way about, pieces twice as uneven as pots, and one session of six recipes in both", func(rng *rand.Rand) (rows []waters.Row) {
		for m := range 8 {
			habit := normal(rng, 3)
			for k, water := range []string{"tap", "tap", "well", "tap", "well", "well"} {
				rows = pot(rows, rng, 6*m+k, m, habit, water, 0.7, 1.5, k/3)
			}
		}
		habit := normal(rng, 3)
		return pot(pot(rows, rng, 99, 99, habit, "tap", 0.7, 1.5, 0, 1, 2, 3, 4, 5), rng, 99, 99, habit, "well", 0.7, 1.5, 0, 1, 2, 3, 4, 5)
	})
	add("8 sessions of two recipes in tap, of which one in well and the other one in pond, pieces twice as uneven as pots, and one of four more", func(rng *rand.Rand) (rows []waters.Row) {
		for s := range 8 {
			habit := normal(rng, 3)
			rows = pot(pot(pot(rows, rng, s, s, habit, "tap", 0.7, 1.5, 0, 1), rng, s, s, habit, "well", 0.7, 1.5, 0), rng, s, s, habit, "pond", 0.7, 1.5, 1)
		}
		habit := normal(rng, 3)
		return pot(pot(rows, rng, 99, 99, habit, "tap", 0.7, 1.5, 2, 3, 4, 5), rng, 99, 99, habit, "well", 0.7, 1.5, 2, 3, 4, 5)
	})
	add("3 times two sessions that hold two recipes the other way about", func(rng *rand.Rand) (rows []waters.Row) {
		for s := range 6 {
			habit, a, b := normal(rng, 3), s/2*4, s/2*4+2
			if s%2 == 1 {
				a, b = b, a
			}
			rows = pot(pot(rows, rng, s, s, habit, "tap", 1.5, 0.7, a, a+1), rng, s, s, habit, "well", 1.5, 0.7, b, b+1)
		}
		return rows
	})
	return out
}

func thinned(rows []waters.Row, rng *rand.Rand, missing float64) (out []waters.Row) {
	for _, r := range rows {
		if rng.Float64() >= missing {
			out = append(out, r)
		}
	}
	return out
}

// unevenPots is the limit where the pots of one of three groups are three times as uneven as others': the arrangements don't know that, so that the groups seem to lie apart
// more often than they may, as package groups says. The lines are there to notice if it gets worse.
const unevenPots = 0.2

// hardGroupLines are about groups that are alike in what is asked and not in the rest, where sessions don't hold all of them.
func hardGroupLines() (out []line) {
	const question = "falsely three groups differ"
	units := func(what string, spread bool, cells func(rng *rand.Rand) []groups.UnitCell) {
		limit := falsely
		if strings.Contains(what, "as uneven") {
			limit = unevenPots
		}
		out = append(out, line{question: question, situation: what, limit: limit, hit: func(ctx context.Context, rng *rand.Rand) (bool, error) {
			r, err := groups.CompareUnits(ctx, cells(rng), groups.UnitParams{Permutations: 499, Seed: rng.Uint64(), NoOutlook: true})
			if err != nil {
				return false, err
			}
			t := r.Place
			if spread {
				t = r.Spread
			}
			return t != nil && t.P <= 0.05, nil
		}})
	}
	drawn := func(rng *rand.Rand, pots [3]float64, heavy bool, at [3]float64, pieces [3]float64, holds func(session, group int) bool) (cells []groups.UnitCell) {
		h := hardship{heavy: heavy}
		for s := range 8 {
			session := h.accident(rng, 3)
			for g := range 3 {
				pot := h.accident(rng, pots[g])
				for r := range 4 {
					own := h.accident(rng, pieces[g])
					x := vector{40 + 5*float64(r), 4 * float64(r), 20}
					for i := range 3 {
						x[i] += session[i] + pot[i] + own[i]
					}
					x[0] += at[g]
					if holds(s, g) {
						cells = append(cells, groups.UnitCell{Group: fmt.Sprint(g), Block: fmt.Sprint(s), Cell: fmt.Sprint(r), Lab: lab(x)})
					}
				}
			}
		}
		return cells
	}
	all := func(int, int) bool { return true }
	two := func(s, g int) bool { return g != s%3 }
	late := func(s, g int) bool { return g < 2 || s >= 5 }
	even, alike := [3]float64{1.5, 1.5, 1.5}, [3]float64{}
	pieces := [3]float64{0.7, 0.7, 0.7}
	units("in place, by whole units, 8 sessions of two of the groups in turn, heavy tails", false, func(rng *rand.Rand) []groups.UnitCell { return drawn(rng, even, true, alike, pieces, two) })
	units("in place, by whole units, 8 sessions, of which 3 hold the third", false, func(rng *rand.Rand) []groups.UnitCell { return drawn(rng, even, false, alike, pieces, late) })
	units("in place, by whole units, 8 sessions, pots of one three times as uneven", false, func(rng *rand.Rand) []groups.UnitCell {
		return drawn(rng, [3]float64{1.5, 1.5, 4.5}, false, alike, pieces, all)
	})
	units("in place, by whole units, 8 sessions, of which 3 hold the third, whose pots are three times as uneven", false, func(rng *rand.Rand) []groups.UnitCell {
		return drawn(rng, [3]float64{1.5, 1.5, 4.5}, false, alike, pieces, late)
	})
	units("in spread, by whole units, 8 sessions of two of the groups in turn, far apart, heavy tails", true, func(rng *rand.Rand) []groups.UnitCell {
		return drawn(rng, even, true, [3]float64{0, 10, 20}, pieces, two)
	})
	units("in spread, by whole units, 8 sessions, of which 3 hold the third, which lies far off", true, func(rng *rand.Rand) []groups.UnitCell {
		return drawn(rng, even, false, [3]float64{0, 0, 20}, pieces, late)
	})
	for _, far := range []float64{0, 10} {
		for _, heavy := range []bool{false, true} {
			what := fmt.Sprintf("in spread, 8 sessions of 1 to 3 cells of each, some without, the third %g off", far)
			if heavy {
				what += ", heavy tails"
			}
			out = append(out, line{question: question, situation: what, limit: falsely, hit: func(ctx context.Context, rng *rand.Rand) (bool, error) {
				h := hardship{heavy: heavy}
				var cells []groups.Cell
				for b := range 8 {
					shared := h.accident(rng, 4)
					for g := range 3 {
						for range (b + g) % 4 {
							x := h.accident(rng, 3)
							y := vector{55 + shared[0] + x[0], shared[1] + x[1], shared[2] + x[2]}
							if g == 2 {
								y[0] += far
							}
							cells = append(cells, groups.Cell{Group: fmt.Sprint(g), Block: fmt.Sprint(b), Lab: lab(y)})
						}
					}
				}
				r, err := groups.Compare(ctx, cells, 499, rng.Uint64())
				return err == nil && r.Spread != nil && r.Spread.P <= 0.05, err
			}})
		}
	}
	return out
}

// blankLines are about a bath without dye that does nothing, beside which the alone piece lies in some sessions only.
func blankLines() []line {
	return []line{{question: "falsely a bath without dye tells", situation: "9 sessions of 1 to 3, the plain pieces in all but three", limit: falsely, hit: func(ctx context.Context, rng *rand.Rand) (bool, error) {
		var rows []effect.Row
		for s := range 9 {
			for arm := effect.FirstOrder; arm <= effect.BlankAfterB; arm++ {
				pot := normal(rng, 1.5)
				for r := range 1 + s%3 {
					own := normal(rng, 0.7)
					if arm >= effect.AloneA && s < 3 && arm <= effect.AloneB {
						continue
					}
					x := vector{50 + pot[0] + own[0], 5 + 5*float64(r) + pot[1] + own[1], 20 + pot[2] + own[2]}
					rows = append(rows, effect.Row{ReadingID: fmt.Sprintf("%d-%d-%d", s, arm, r), Arm: arm, Block: fmt.Sprint(s), Cell: fmt.Sprint(r), Lab: lab(x)})
				}
			}
		}
		r, err := effect.Measure(ctx, rows, effect.Params{ClosingBlocks: 9, Permutations: 499, NoOutlook: true})
		if err != nil {
			return false, err
		}
		for _, b := range r.Blanks {
			if b.PAdjusted != nil && *b.PAdjusted <= 0.05 {
				return true, nil
			}
		}
		return false, nil
	}}}
}

// foundLines are about what is there: a method that never tells would hold every other line.
func foundLines() (out []line) {
	add := func(question, situation string, hit func(context.Context, *rand.Rand) (bool, error)) {
		out = append(out, line{question: question, situation: situation, limit: found, atLeast: true, hit: hit})
	}
	for _, uneven := range []bool{false, true} {
		h := hardship{laboratory: usual(8, 6)}
		h.ratio, h.shift = 1.3, vector{4, -3, 2}
		what := "8 sessions of 6, one 1.3 times as wide"
		if uneven {
			h.sizes, what = []int{2, 3, 6}, "8 sessions of 2, 3 and 6 in turn, one 1.3 times as wide"
		}
		add("rightly one order wider", what, func(ctx context.Context, rng *rand.Rand) (bool, error) {
			r, err := h.wider(ctx, rng)
			return err == nil && r.Verdict == orders.FirstWider, err
		})
	}
	for _, n := range []int{6, 16} { // by the noise that the specification of this method was simulated with: 1 and 2 in each axis, between sessions
		l := usual(n, 1)
		l.pot, l.piece, l.strength, l.shift = 0.5, 0, 0, vector{0.4, 0, 0}
		if n == 16 {
			l.pot = 1
		}
		add("rightly no practical difference", fmt.Sprintf("%s, 0.4 apart, pots ±%g", l.size(), l.pot), l.says(effect.NoPracticalDifference, effect.DetectableButSmall))
	}
	l := usual(8, 4)
	l.shift = vector{0, 9, 0}
	add("rightly order matters", l.size()+", 9 apart in a*", l.says(effect.OrderMatters))
	for _, missing := range []float64{0, 0.33} {
		add("rightly waters differ", fmt.Sprintf("7 sessions with both waters, 4 apart, %g of the pieces missing", missing), func(ctx context.Context, rng *rand.Rand) (bool, error) {
			rows := thinned(waterRows(rng, true), rng, missing)
			for i := range rows {
				if rows[i].Water == "well" {
					rows[i].Lab.L += 4
				}
			}
			r, err := waters.Compare(ctx, rows, waters.Params{Closing: true, NoOutlook: true})
			return err == nil && r.Verdict == waters.WatersDiffer, err
		})
	}
	return out
}
