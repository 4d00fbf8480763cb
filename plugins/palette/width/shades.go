package width

import (
	"context"
	"math"
	"math/bits"
	"slices"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Count is a number of distinct shades: exact when Lower equals Upper, otherwise known to lie from Lower to Upper.
type Count struct {
	Lower, Upper int
	// SearchNodes were used of the budget; the same input and budget give the same count on every machine.
	SearchNodes int
}

// Exact tells that the bounds agree.
func (c Count) Exact() bool { return c.Lower == c.Upper }

const (
	exactUpTo = 60   // vertices of a component that is searched
	graphUpTo = 3000 // colours for which the graph is held; beyond, only bounds from one pass
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

// Gain is the number of shades that a adds to b, N(a∪b) − N(b), from Lower to Upper; SearchNodes are those of both counts. It
// grows with the number of a, and noise alone adds shades: read it beside the gain of a mere repeat of b.
func Gain(ctx context.Context, a, b []colorimetry.Lab, thresholdDE float64, searchNodes int) (Count, error) {
	both, err := DistinctShades(ctx, slices.Concat(a, b), thresholdDE, searchNodes)
	if err != nil {
		return Count{}, err
	}
	alone, err := distinctShades(ctx, b, thresholdDE, searchNodes)
	return gain(both, alone, len(a)), err
}

// gain subtracts; adding n colours adds from 0 to n shades.
func gain(both, alone Count, n int) Count {
	return Count{
		Lower: max(0, both.Lower-alone.Upper), Upper: min(n, max(0, both.Upper-alone.Lower)),
		SearchNodes: both.SearchNodes + alone.SearchNodes,
	}
}

// distinctShades fails only when ctx ends. What it calls then leaves off early, with a count that means nothing.
func distinctShades(ctx context.Context, colours []colorimetry.Lab, t float64, budget int) (Count, error) {
	counts, _, err := countShades(ctx, colours, []float64{t}, budget)
	if err != nil {
		return Count{}, err
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
			counts = append(counts, onePass(ctx, own, t))
		}
		return counts, nil, ctx.Err()
	}
	graphs := newGraphs(ctx, own, thresholds)
	for _, g := range graphs {
		left := budget
		lower, upper := g.count(ctx, &left)
		counts = append(counts, Count{Lower: lower, Upper: upper, SearchNodes: budget - left})
	}
	return counts, graphs[0], ctx.Err()
}

// lightnessWindow is the |ΔL*| from which no two of the colours, sorted by L*, can be closer than t: t·S_L at its largest,
// S_L = 1 + 0.015(L̄−50)²/√(20+(L̄−50)²) growing with |L̄−50|.
func lightnessWindow(sorted []spot, t float64) float64 {
	if len(sorted) == 0 {
		return 0
	}
	d := max(math.Abs(sorted[0].l-50), math.Abs(sorted[len(sorted)-1].l-50))
	return t * (1 + 0.015*d*d/math.Sqrt(20+d*d)) * (1 + 1e-9)
}

func spotsOf(colours []colorimetry.Lab) []spot {
	out := make([]spot, len(colours))
	for i, c := range colours {
		out[i] = spotOf(c)
	}
	return out
}

// onePass bounds N(t) without the graph: a list of leaders, each at least t from all before it, and cliques that each colour
// joins if it is closer than t to all members.
func onePass(ctx context.Context, sorted []colorimetry.Lab, t float64) Count {
	spots := spotsOf(sorted)
	r, near := reachOf(spots, t), closerThan(t)
	window := r.window
	closer := func(x, y *spot) bool { return !r.beyond(x, y) && near.closer(x, y) }
	var leaders []*spot
	var cliques [][]*spot
	for n := range spots {
		c := &spots[n]
		if n%256 == 0 && ctx.Err() != nil {
			break
		}
		leads := true
		for i := len(leaders) - 1; i >= 0 && c.l-leaders[i].l < window; i-- {
			if closer(leaders[i], c) {
				leads = false
				break
			}
		}
		if leads {
			leaders = append(leaders, c)
		}
		joined := false
		for i := len(cliques) - 1; i >= 0 && c.l-cliques[i][0].l < window && !joined; i-- {
			joined = !slices.ContainsFunc(cliques[i], func(m *spot) bool { return !closer(m, c) })
			if joined {
				cliques[i] = append(cliques[i], c)
			}
		}
		if !joined {
			cliques = append(cliques, []*spot{c})
		}
	}
	return Count{Lower: len(leaders), Upper: len(cliques)}
}

// bitset is a set of vertices.
type bitset []uint64

func (b bitset) has(i int) bool { return b[i>>6]>>(i&63)&1 == 1 }
func (b bitset) add(i int)      { b[i>>6] |= 1 << (i & 63) }
func (b bitset) drop(i int)     { b[i>>6] &^= 1 << (i & 63) }

func (b bitset) each(visit func(i int) bool) {
	for w, x := range b {
		for ; x != 0; x &= x - 1 {
			if !visit(w<<6 + bits.TrailingZeros64(x)) {
				return
			}
		}
	}
}

func (b bitset) members() []int {
	var out []int
	b.each(func(i int) bool { out = append(out, i); return true })
	return out
}

// graph joins the colours that are closer than the threshold.
type graph struct {
	colours []colorimetry.Lab
	joined  []bitset

	live, near bitset // see scratch
}

func emptyGraph(colours []colorimetry.Lab) *graph {
	words := (len(colours) + 63) / 64
	g := &graph{colours: colours, joined: make([]bitset, len(colours))}
	all := make(bitset, words*len(colours))
	for i := range g.joined {
		g.joined[i] = all[i*words : (i+1)*words]
	}
	return g
}

func (g *graph) join(i, j int) {
	g.joined[i].add(j)
	g.joined[j].add(i)
}

// newGraph takes colours sorted by L*.
func newGraph(ctx context.Context, sorted []colorimetry.Lab, t float64) *graph {
	return newGraphs(ctx, sorted, []float64{t})[0]
}

// newGraphs makes the graphs of several thresholds at once.
func newGraphs(ctx context.Context, sorted []colorimetry.Lab, thresholds []float64) []*graph {
	return graphsOf(ctx, sorted, spotsOf(sorted), thresholds)
}

func graphsOf(ctx context.Context, sorted []colorimetry.Lab, spots []spot, thresholds []float64) []*graph {
	graphs := make([]*graph, len(thresholds))
	near := make([]closeness, len(thresholds))
	for k, t := range thresholds {
		graphs[k], near[k] = emptyGraph(sorted), closerThan(t)
	}
	largest := slices.Max(thresholds)
	r := reachOf(spots, largest)
	end := 0
	for i := range spots {
		if i%256 == 0 && ctx.Err() != nil {
			break
		}
		x := &spots[i]
		for end < len(spots) && spots[end].l-x.l < r.window {
			end++
		}
		for j := i + 1; j < end; j++ {
			if r.beyond(x, &spots[j]) {
				continue
			}
			square, terms := roughly(x, &spots[j], largest*largest)
			if square-doubt*terms > largest*largest {
				continue
			}
			for k := range near {
				if near[k].decide(x, &spots[j], square, terms) {
					graphs[k].join(i, j)
				}
			}
		}
	}
	return graphs
}

// part is the graph of some vertices, numbered anew in the order given.
func (g *graph) part(vertices []int) *graph {
	colours := make([]colorimetry.Lab, len(vertices))
	for i, v := range vertices {
		colours[i] = g.colours[v]
	}
	out := emptyGraph(colours)
	for i, v := range vertices {
		for j := range i {
			if g.joined[v].has(vertices[j]) {
				out.join(i, j)
			}
		}
	}
	return out
}

// count bounds the size of the largest independent set, taking search nodes from left.
func (g *graph) count(ctx context.Context, left *int) (lower, upper int) {
	live := g.scratch()
	for i := range g.colours {
		live.add(i)
	}
	return g.countLive(ctx, live, left)
}

// countOf is count of the graph of some vertices.
func (g *graph) countOf(ctx context.Context, vertices []int, left *int) (lower, upper int) {
	live := g.scratch()
	for _, v := range vertices {
		live.add(v)
	}
	return g.countLive(ctx, live, left)
}

// scratch is an empty set of vertices, the same one at every call.
func (g *graph) scratch() bitset {
	if g.live == nil {
		g.live = make(bitset, (len(g.colours)+63)/64)
		g.near = make(bitset, len(g.live))
	}
	clear(g.live)
	return g.live
}

func (g *graph) countLive(ctx context.Context, live bitset, left *int) (lower, upper int) {
	taken := g.takeSimplicial(live)
	lower, upper = taken, taken
	for _, c := range g.components(live) {
		if ctx.Err() != nil {
			break
		}
		lo, up := g.part(c).component(ctx, left)
		lower += lo
		upper += up
	}
	return lower, upper
}

// takeSimplicial removes from live, with its neighbours, every vertex whose live neighbours are all joined to each other: some
// largest independent set holds it, as at most one of that clique can be chosen. It returns how many it took.
func (g *graph) takeSimplicial(live bitset) int {
	taken := 0
	near := g.near
	for again := true; again; {
		again = false
		live.each(func(v int) bool {
			if !live.has(v) { // each reads a word before it visits it
				return true
			}
			for w := range near {
				near[w] = g.joined[v][w] & live[w]
			}
			clique := true
			near.each(func(u int) bool {
				for w := range near {
					x := near[w] &^ g.joined[u][w]
					if w == u>>6 {
						x &^= 1 << (u & 63)
					}
					if x != 0 {
						clique = false
						return false
					}
				}
				return true
			})
			if clique {
				for w := range live {
					live[w] &^= near[w]
				}
				live.drop(v)
				taken++
				again = true
			}
			return true
		})
	}
	return taken
}

// components are the connected parts of live, by their lowest vertex.
func (g *graph) components(live bitset) [][]int {
	rest := slices.Clone(live)
	var out [][]int
	for _, start := range live.members() {
		if !rest.has(start) {
			continue
		}
		rest.drop(start)
		members := []int{start}
		for n := 0; n < len(members); n++ {
			for w, x := range g.joined[members[n]] {
				x &= rest[w]
				rest[w] &^= x
				for ; x != 0; x &= x - 1 {
					members = append(members, w<<6+bits.TrailingZeros64(x))
				}
			}
		}
		slices.Sort(members)
		out = append(out, members)
	}
	return out
}

// component bounds one connected graph.
func (g *graph) component(ctx context.Context, left *int) (lower, upper int) {
	lower = g.leastDegree()
	if len(g.colours) <= exactUpTo {
		s := search{ctx: ctx, left: left, best: lower}
		all := uint64(0)
		for i := range g.colours {
			s.joined[i] = g.joined[i][0]
			all |= 1 << i
		}
		if s.run(all, 0) {
			return s.best, s.best
		}
		lower = s.best
	}
	lower = max(lower, g.farthestFirst())
	return lower, g.cliqueCover()
}

// leastDegree picks a vertex of least degree again and again.
func (g *graph) leastDegree() int {
	live := make(bitset, (len(g.colours)+63)/64)
	degree := make([]int, len(g.colours))
	for i := range g.colours {
		live.add(i)
		for _, x := range g.joined[i] {
			degree[i] += bits.OnesCount64(x)
		}
	}
	drop := func(v int) {
		live.drop(v)
		g.joined[v].each(func(u int) bool { degree[u]--; return true })
	}
	for picked := 0; ; picked++ {
		best := -1
		live.each(func(v int) bool {
			if best < 0 || degree[v] < degree[best] {
				best = v
			}
			return true
		})
		if best < 0 {
			return picked
		}
		drop(best)
		g.joined[best].each(func(u int) bool {
			if live.has(u) {
				drop(u)
			}
			return true
		})
	}
}

// farthestFirst starts with the darkest colour and picks the colour farthest from all picked, as long as it is not joined to one.
func (g *graph) farthestFirst() int {
	free := make([]float64, len(g.colours)) // least difference from those picked, −1 once joined to one
	for i := range free {
		free[i] = math.Inf(1)
	}
	for picked, next := 0, 0; ; picked++ {
		if next < 0 {
			return picked
		}
		free[next] = -1
		for i := range free {
			switch {
			case free[i] < 0:
			case g.joined[next].has(i):
				free[i] = -1
			default:
				free[i] = min(free[i], difference(g.colours[next], g.colours[i]))
			}
		}
		next = -1
		for i, d := range free {
			if d >= 0 && (next < 0 || d > free[next]) {
				next = i
			}
		}
	}
}

// cliqueCover counts greedily grown cliques that cover all vertices; an independent set has at most one vertex of each.
func (g *graph) cliqueCover() int {
	live := make(bitset, (len(g.colours)+63)/64)
	for i := range g.colours {
		live.add(i)
	}
	candidates := make(bitset, len(live))
	cliques := 0
	for v := range g.colours {
		if !live.has(v) {
			continue
		}
		cliques++
		live.drop(v)
		for w := range live {
			candidates[w] = g.joined[v][w] & live[w]
		}
		for u := range g.colours {
			if candidates.has(u) {
				live.drop(u)
				for w := range live {
					candidates[w] &= g.joined[u][w]
				}
			}
		}
	}
	return cliques
}

// search is branch and bound for a largest independent set of up to 64 vertices.
type search struct {
	ctx    context.Context
	joined [64]uint64
	left   *int
	best   int
}

// run searches the vertices of mask with size already chosen; false when the budget, or ctx, ended first.
func (s *search) run(mask uint64, size int) bool {
	if *s.left <= 0 {
		return false
	}
	*s.left--
	if *s.left%4096 == 0 && s.ctx.Err() != nil {
		return false
	}
	for {
		// A vertex with at most one live neighbour can always be chosen; branch on one of most neighbours otherwise.
		pick, most, forced := -1, -1, false
		for x := mask; x != 0; x &= x - 1 {
			v := bits.TrailingZeros64(x)
			d := bits.OnesCount64(s.joined[v] & mask)
			if d <= 1 {
				pick, forced = v, true
				break
			}
			if d > most {
				pick, most = v, d
			}
		}
		if pick < 0 {
			s.best = max(s.best, size)
			return true
		}
		if forced {
			mask &^= s.joined[pick] | 1<<pick
			size++
			continue
		}
		if size+s.cover(mask) <= s.best {
			return true
		}
		with := s.run(mask&^(s.joined[pick]|1<<pick), size+1)
		return with && s.run(mask&^(1<<pick), size)
	}
}

// cover counts greedily grown cliques that cover mask.
func (s *search) cover(mask uint64) int {
	cliques := 0
	for mask != 0 {
		v := bits.TrailingZeros64(mask)
		mask &^= 1 << v
		for c := s.joined[v] & mask; c != 0; {
			u := bits.TrailingZeros64(c)
			mask &^= 1 << u
			c &= s.joined[u]
		}
		cliques++
	}
	return cliques
}
