package width

import (
	"context"
	"math"
	"slices"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Count is a number of distinct shades. It is exact where Lower equals Upper; otherwise the number lies between them.
type Count struct {
	Lower, Upper int
	// SearchNodes is how much of the budget was used. The same input and budget give the same count on every machine.
	SearchNodes int
}

const (
	exactUpTo = 60   // most vertices of a component that is searched
	graphUpTo = 3000 // most colours for which a graph is made; of more there are only the bounds of onePass
	// onePassPairs is how many pairs onePass compares for each of its two bounds, which takes up to ten seconds. For a threshold of 2, 430,000
	// colours that fill 70 x 80 x 90 units of CIELAB take 250 million.
	onePassPairs = 300_000_000
)

// DistinctShades is N(t): the size of the largest subset of colours that are pairwise at least thresholdDE apart in CIEDE2000.
// thresholdDE is above 0 to 100; searchNodes is the budget, 0 for no search.
//
// Method: a maximum independent set in the graph that joins colours closer than the threshold. A colour whose neighbours
// are all joined to each other is in some largest set and is taken first; what is left is split into connected components. Those
// of up to 60 colours are searched by branch and bound, bounded by a greedy clique cover, within the budget. For larger ones, and
// where the budget runs out, Lower is the better of two greedy picks (least degree first, farthest first) and Upper a greedy
// clique cover. Beyond 3,000 different colours no graph is made, and both bounds come from one pass over them (see onePass).
//
// CIEDE2000 is no metric, so nothing is skipped by the triangle inequality. But ΔE00 < t implies |ΔL*| < t·S_L, as the rest of the
// formula is a positive semidefinite form for |R_T| ≤ √3.
//
// Bad colours or thresholds are refused by a *colorimetry.FieldError; otherwise it fails only when ctx ends.
func DistinctShades(ctx context.Context, colours []colorimetry.Lab, thresholdDE float64, searchNodes int) (Count, error) {
	if err := checkThreshold("threshold_de", thresholdDE); err != nil {
		return Count{}, err
	}
	if err := checkColours(colours); err != nil {
		return Count{}, err
	}
	return distinctShades(ctx, colours, thresholdDE, searchNodes)
}

// gain bounds the number of shades that n colours add to other ones, N(both) − N(those alone), 0 to n. It grows with n, and even a repeat of the same
// dyeings adds some, by chance: compare it with the gain of a repeat.
func gain(both, alone Count, n int) Count {
	return Count{
		Lower: max(0, both.Lower-alone.Upper), Upper: min(n, max(0, both.Upper-alone.Lower)),
		SearchNodes: both.SearchNodes + alone.SearchNodes,
	}
}

// distinctShades is DistinctShades for checked arguments; it fails only when ctx ends. The functions below it then stop early with a count that means
// nothing.
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

// countShades counts at each threshold. It also gives the graph at the first one, whose vertices are the different colours by lightness; it is nil
// where these are too many. The caller releases it.
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

// spotsOf prepares colours for comparing.
func spotsOf(colours []colorimetry.Lab) []spot {
	out := make([]spot, len(colours))
	for i, c := range colours {
		out[i] = spotOf(c)
	}
	return out
}

// onePass bounds N(t) without a graph. Lower is the number of leaders: colours at least t from all leaders before them. Upper is the number of cliques:
// each colour joins the first clique to all of whose members it is closer than t, or begins a new one.
//
// The work could grow with the square of the number of colours: for cliques where very many are nearly alike, for leaders where t is tiny. So each of
// the two compares at most pairs pairs. After that, no more leaders are looked for, and the remaining colours add to Upper the number of boxes that
// they lie in.
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

// boxes counts the boxes of a grid in CIELAB that hold a colour. They are so small that any two colours in one are closer than t, so no more than one
// of them can be in a set of distinct shades.
//
// That follows from CIEDE2000² ≤ ΔL*² + 2(2.25Δa*² + Δb*²), by the terms of the formula (CIE 142-2001): S_L, S_C and S_H are at least 1; a' is a*
// stretched at most 1.5 times; and as |R_T| ≤ 2, the form in ΔC' and ΔH' is at most twice the sum of their squares, which is Δa'² + Δb*². Each of the
// three terms gets a third of t².
func boxes(colours []colorimetry.Lab, t float64) int {
	third := t * (1 - 1e-9) / math.Sqrt(3)
	lightness, red, yellow := third, third/math.Sqrt(4.5), third/math.Sqrt(2)
	held := map[[3]float64]struct{}{}
	for _, c := range colours {
		held[[3]float64{math.Floor(c.L / lightness), math.Floor(c.A / red), math.Floor(c.B / yellow)}] = struct{}{}
	}
	return len(held)
}
