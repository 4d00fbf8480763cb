package main

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"github.com/commonvat/commonvat/plugins/compare/effect"
	"github.com/commonvat/commonvat/plugins/compare/orders"
)

// hardship is work that went otherwise than planned.
type hardship struct {
	laboratory
	sizes   []int     // session s holds sizes[s mod len(sizes)] recipes, from recipe s on and round; nil for all of them
	missing float64   // the chance that a piece is not there
	heavy   bool      // accidents have Student's t with 3 degrees of freedom, scaled to the same standard deviation
	untidy  float64   // so many times the noise of a piece has the first recipe; 0 for as much as the others
	by      []float64 // the shift of recipe r is by[r mod len(by)] times shift; nil for 1
	at      *vector   // where the recipes lie about; nil for centre
	narrow  bool      // recipes lie a tenth as far from there, so that a shift is seen alike on each
}

type piece struct {
	session, order, recipe int
	colour                 vector
}

// accident is a vector with sd in each axis; with heavy tails the three axes have a common divisor.
func (h hardship) accident(rng *rand.Rand, sd float64) vector {
	v := normal(rng, sd)
	if !h.heavy {
		return v
	}
	return longer(v, 1/length(normal(rng, 1)))
}

func length(v vector) float64 { return math.Sqrt(v[0]*v[0] + v[1]*v[1] + v[2]*v[2]) }

func longer(v vector, by float64) vector { return vector{by * v[0], by * v[1], by * v[2]} }

// dye gives the pieces that are there.
func (h hardship) dye(rng *rand.Rand) (pieces []piece) {
	tidy := h.laboratory
	tidy.session, tidy.pot, tidy.piece, tidy.shift = 0, 0, 0, vector{}
	colours := tidy.draw(rng)
	for s := range colours {
		common := h.accident(rng, h.session)
		size := h.recipes
		if len(h.sizes) > 0 {
			size = h.sizes[s%len(h.sizes)]
		}
		for o := range 2 {
			first, second := h.accident(rng, h.pot), h.accident(rng, h.pot)
			for k := range size {
				r := (s + k) % h.recipes
				sd, by := h.piece, 1.0
				if r == 0 && h.untidy > 0 {
					sd *= h.untidy
				}
				if len(h.by) > 0 {
					by = h.by[r%len(h.by)]
				}
				own, there := h.accident(rng, sd), rng.Float64() >= h.missing
				x := colours[s][o][r]
				for i := range 3 {
					if h.narrow {
						x[i] = centre[i] + (x[i]-centre[i])/10
					}
					if h.at != nil {
						x[i] += h.at[i] - centre[i]
					}
					x[i] += common[i] + first[i] + second[i] + own[i]
					if o == 0 {
						x[i] += by * h.shift[i]
					}
				}
				if there {
					pieces = append(pieces, piece{s, o, r, x})
				}
			}
		}
	}
	return pieces
}

// closing is the planned size: all sessions, or where pieces are missing as few as there may be.
func (h hardship) closing() int {
	if h.missing > 0 {
		return orders.MinBlocks
	}
	return h.sessions
}

func (h hardship) wider(ctx context.Context, rng *rand.Rand) (*orders.Result, error) {
	var rows []orders.Row
	for _, p := range h.dye(rng) {
		rows = append(rows, orders.Row{ReadingID: fmt.Sprintf("%d-%d-%d", p.session, p.order, p.recipe), Group: []string{"first", "second"}[p.order], Block: fmt.Sprint(p.session), Pair: "pair",
			Cell: fmt.Sprint(p.recipe), Lab: lab(p.colour)})
	}
	return orders.Compare(ctx, rows, orders.Params{First: "first", Second: "second", ClosingBlocks: h.closing()})
}

func (h hardship) says(verdicts ...effect.Verdict) func(context.Context, *rand.Rand) (bool, error) {
	return func(ctx context.Context, rng *rand.Rand) (bool, error) {
		var rows []effect.Row
		for _, p := range h.dye(rng) {
			rows = append(rows, effect.Row{ReadingID: fmt.Sprintf("%d-%d-%d", p.session, p.order, p.recipe), Arm: effect.Arm(p.order + 1), Block: fmt.Sprint(p.session), Cell: fmt.Sprint(p.recipe), Lab: lab(p.colour)})
		}
		r, err := effect.Measure(ctx, rows, effect.Params{ClosingBlocks: h.closing(), Permutations: 499, NoOutlook: true})
		if err != nil {
			return false, err
		}
		return slices.Contains(verdicts, r.Verdict), nil
	}
}

func hardWidthLines() (out []line) {
	add := func(question, situation string, h hardship, verdicts ...orders.Verdict) {
		out = append(out, line{question: question, situation: situation, limit: falsely, hit: func(ctx context.Context, rng *rand.Rand) (bool, error) {
			r, err := h.wider(ctx, rng)
			if err != nil {
				return false, err
			}
			return slices.Contains(verdicts, r.Verdict), nil
		}})
	}
	const wider = "falsely one order wider"
	for _, strength := range []float64{0.05, 0.3} {
		for _, n := range []int{6, 10} {
			l := usual(n, 3)
			l.strength, l.shift = strength, vector{4, -3, 2}
			add(wider, fmt.Sprintf("%d sessions of 1 recipe in turn of 3, strength ±%g", n, strength), hardship{laboratory: l, sizes: []int{1}}, orders.FirstWider, orders.SecondWider)
		}
		l := usual(9, 6)
		l.strength, l.shift = strength, vector{4, -3, 2}
		add(wider, fmt.Sprintf("9 sessions of 1, 1 and 6 in turn, heavy tails, strength ±%g", strength), hardship{laboratory: l, sizes: []int{1, 1, 6}, heavy: true}, orders.FirstWider, orders.SecondWider)
		l = usual(8, 6)
		l.strength, l.shift = strength, vector{4, -3, 2}
		add(wider, fmt.Sprintf("the first 6 of 8 sessions of 3, 4 and 6 in turn, a quarter missing, heavy tails, strength ±%g", strength), hardship{laboratory: l, sizes: []int{3, 4, 6}, heavy: true, missing: 0.25}, orders.FirstWider, orders.SecondWider)
	}
	const equal = "falsely equally wide"
	for _, strength := range []float64{0, 0.05} {
		l := usual(8, 6)
		l.ratio, l.strength = orders.DefaultMarginRatio, strength
		add(equal, fmt.Sprintf("8 sessions of 2, 3 and 6 in turn, strength ±%g, a ratio of 1.10", strength), hardship{laboratory: l, sizes: []int{2, 3, 6}}, orders.EquallyWide)
		l = usual(6, 3)
		l.ratio, l.strength = orders.DefaultMarginRatio, strength
		add(equal, fmt.Sprintf("6 sessions of 1 recipe in turn of 3, strength ±%g, a ratio of 1.10", strength), hardship{laboratory: l, sizes: []int{1}}, orders.EquallyWide)
	}
	return out
}

func hardEffectLines() (out []line) {
	add := func(question, situation string, h hardship, verdicts ...effect.Verdict) {
		out = append(out, line{question: question, situation: situation, limit: falsely, hit: h.says(verdicts...)})
	}
	add("falsely order matters", "the first 6 of 10 sessions of 1, 2 and 6 in turn, a quarter missing, heavy tails", hardship{laboratory: usual(10, 6), sizes: []int{1, 2, 6}, heavy: true, missing: 0.25}, effect.OrderMatters)
	untidy := usual(8, 4)
	for _, l := range []laboratory{usual(6, 4), untidy} {
		h := hardship{laboratory: l}
		what := l.size() + ", no effect"
		if l.sessions == 8 {
			h.untidy, what = 6, what+", one recipe untidy"
		}
		add("falsely order matters, at all or in a cell", what, h, effect.OrderMatters, effect.DependsOnCell)
	}
	for _, pot := range []float64{0.7, 1.5} {
		l := usual(8, 4)
		l.pot, l.shift = pot, longer(atTolerance(vector{0, 0, 1}), 0.97)
		add("falsely depends on the cell", fmt.Sprintf("%s, nearly 2 apart in all, pots ±%g, one recipe untidy", l.size(), pot), hardship{laboratory: l, untidy: 5}, effect.DependsOnCell)
	}
	at := []vector{{60, 0, 0}, {35, 10, -45}}
	for i, where := range []string{"grey", "blue"} {
		for _, pot := range []float64{1, 2} {
			l := usual(8, 6)
			l.pot, l.piece, l.strength = pot, 0.5, 0
			l.shift = shiftAt(at[i], vector{0, 0.8, 0.6})
			add("falsely no practical difference", fmt.Sprintf("8 sessions of 1, 2 and 6 in turn, heavy tails, pots ±%g, 2 apart about %s", pot, where), hardship{laboratory: l, sizes: []int{1, 2, 6}, heavy: true, narrow: true, at: &at[i]},
				effect.NoPracticalDifference, effect.DetectableButSmall)
		}
	}
	for _, pot := range []float64{0.4, 1, 2} {
		l := usual(8, 4)
		l.pot, l.piece, l.strength, l.shift = pot, 1, 0, atTolerance(vector{0, 1, 0})
		add("falsely no practical difference", fmt.Sprintf("%s, pots ±%g, half of the recipes 2 apart one way, half the other", l.size(), pot), hardship{laboratory: l, by: []float64{1, -1}},
			effect.NoPracticalDifference, effect.DetectableButSmall)
	}
	return out
}
