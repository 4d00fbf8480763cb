package width

import (
	"context"
	"math"
	"slices"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Count is a number of distinct shades: exact when Lower equals Upper, otherwise known to lie from Lower to Upper.
type Count struct {
	Lower, Upper int
	// SearchNodes were used of the budget; the same input and budget give the same count on every machine.
	SearchNodes int
}

const (
	exactUpTo = 60   // vertices of a component that is searched
	graphUpTo = 3000 // colours for which the graph is held; beyond, only bounds from one pass
	// Pairs that one pass looks at for each of its two counts: up to ten seconds. 430,000 colours that fill 70 x 80 x 90 units of CIELAB take 250 million for 2 units.
	onePassPairs = 300_000_000
)

// DistinctShades is N(t): the size of the largest subset of colours that are pairwise at least thresholdDE apart in CIEDE2000.
// thresholdDE is above 0 to 100, searchNodes the budget, 0 for none.
//
// Method: a maximum independent set in the graph that joins colours closer than the threshold. A colour whose neighbours
// are all joined to each other is in some largest set and is taken first; what is left is split into connected components. Those
// of up to 60 colours are searched by branch and bound, bounded by a greedy clique cover, within the budget. Where that
// is too little, Lower is the better of picking by least degree and picking the farthest first, Upper a greedy clique cover.
// CIEDE2000 is no metric, so nothing is pruned by triangle inequality; ΔE00 < t does imply |ΔL*| < t·S_L, as the rest of the
// formula is a positive semidefinite form for |R_T| ≤ √3.
//
// It refuses with a *colorimetry.FieldError, and otherwise fails only when ctx ends.
func DistinctShades(ctx context.Context, colours []colorimetry.Lab, thresholdDE float64, searchNodes int) (Count, error) {
	if err := checkThreshold("threshold_de", thresholdDE); err != nil {
		return Count{}, err
	}
	if err := checkColours(colours); err != nil {
		return Count{}, err
	}
	return distinctShades(ctx, colours, thresholdDE, searchNodes)
}

// gain is the number of shades that n colours add to others that are counted alone, N(both) − N(alone), 0 to n. It grows with n, and noise alone adds shades:
// read it beside the gain of a mere repeat.
func gain(both, alone Count, n int) Count {
	return Count{
		Lower: max(0, both.Lower-alone.Upper), Upper: min(n, max(0, both.Upper-alone.Lower)),
		SearchNodes: both.SearchNodes + alone.SearchNodes,
	}
}

// distinctShades fails only when ctx ends. What it calls then leaves off early, with a count that means nothing.
func distinctShades(ctx context.Context, colours []colorimetry.Lab, t float64, budget int) (Count, error) {
	counts, g, err := countShades(ctx, colours, []float64{t}, budget)
	if err != nil {
		return Count{}, err
	}
	if g != nil {
		g.release()
	}
	return counts[0], nil
}

// countShades counts for each of the thresholds, and gives the graph at the first, of the different colours by lightness, nil for too many.
func countShades(ctx context.Context, colours []colorimetry.Lab, thresholds []float64, budget int) (counts []Count, first *graph, err error) {
	own := slices.Clone(colours)
	if !slices.IsSortedFunc(own, byLightness) {
		slices.SortFunc(own, byLightness)
	}
	own = slices.Compact(own)
	if len(own) > graphUpTo {
		for _, t := range thresholds {
			counts = append(counts, onePass(ctx, own, t, onePassPairs))
		}
		return counts, nil, ctx.Err()
	}
	graphs := newGraphs(ctx, own, thresholds)
	for _, g := range graphs {
		left := budget
		lower, upper := g.count(ctx, &left)
		counts = append(counts, Count{Lower: lower, Upper: upper, SearchNodes: budget - left})
		if g != graphs[0] {
			g.release()
		}
	}
	return counts, graphs[0], ctx.Err()
}

func spotsOf(colours []colorimetry.Lab) []spot {
	out := make([]spot, len(colours))
	for i, c := range colours {
		out[i] = spotOf(c)
	}
	return out
}

// onePass bounds N(t) without the graph: a list of leaders, each at least t from all before it, and cliques that each colour
// joins if it is closer than t to all members. The work of very many colours that are nearly alike, members of few cliques, would grow with their
// square, and so would that of leaders for a tiny t: each looks at pairs at the most. Then no more leaders are sought, or the colours that are left count by
// the boxes that they lie in.
func onePass(ctx context.Context, sorted []colorimetry.Lab, t float64, pairs int) Count {
	if len(sorted) == 0 {
		return Count{}
	}
	spots := spotsOf(sorted)
	r, near := reachOf(sorted[0].L, sorted[len(sorted)-1].L, t), closerThan(t)
	window := r.window
	forLeaders, forCliques := pairs, pairs
	closer := func(x, y *spot, left *int) bool { *left--; return !r.beyond(x, y) && near.closer(x, y) }
	var leaders []*spot
	var cliques [][]*spot
	boxed := 0
	for n := range spots {
		c := &spots[n]
		if n%256 == 0 && ctx.Err() != nil {
			break
		}
		leads := forLeaders > 0
		for i := len(leaders) - 1; leads && i >= 0 && c.l-leaders[i].l < window; i-- {
			leads = !closer(leaders[i], c, &forLeaders)
		}
		if leads {
			leaders = append(leaders, c)
		}
		if forCliques <= 0 {
			if boxed == 0 {
				boxed = boxes(sorted[n:], t)
			}
			continue
		}
		joined := false
		for i := len(cliques) - 1; i >= 0 && c.l-cliques[i][0].l < window && !joined; i-- {
			joined = !slices.ContainsFunc(cliques[i], func(m *spot) bool { return !closer(m, c, &forCliques) })
			if joined {
				cliques[i] = append(cliques[i], c)
			}
		}
		if !joined {
			cliques = append(cliques, []*spot{c})
		}
	}
	return Count{Lower: len(leaders), Upper: len(cliques) + boxed}
}

// boxes counts the boxes of a grid in CIELAB that hold a colour, so small that any two colours of one are closer than t: CIEDE2000² ≤ ΔL*² + 2(2.25Δa*² + Δb*²),
// as S_L, S_C and S_H are at least 1, a' stretches a* by at most 1.5, and with |R_T| ≤ 2 the form in ΔC' and ΔH' is at most twice their squares, which sum to
// Δa'² + Δb*² (from the formula's own terms in CIE 142-2001). Each of the three may be a third.
func boxes(colours []colorimetry.Lab, t float64) int {
	third := t * (1 - 1e-9) / math.Sqrt(3)
	lightness, red, yellow := third, third/math.Sqrt(4.5), third/math.Sqrt(2)
	held := map[[3]float64]struct{}{}
	for _, c := range colours {
		held[[3]float64{math.Floor(c.L / lightness), math.Floor(c.A / red), math.Floor(c.B / yellow)}] = struct{}{}
	}
	return len(held)
}
