package width

import (
	"context"
	"math/bits"
	"slices"
	"sync"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

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
	joined  []bitset // parts of all
	all     bitset

	live, near bitset // see scratch
	order      []int  // see eliminate
	rest       bitset
}

func emptyGraph(colours []colorimetry.Lab) *graph {
	words := (len(colours) + 63) / 64
	g := &graph{colours: colours, joined: make([]bitset, len(colours)), all: emptySet(words * len(colours))}
	for i := range g.joined {
		g.joined[i] = g.all[i*words : (i+1)*words]
	}
	return g
}

// rooms keeps the memory of large graphs that were released.
var rooms = sync.Pool{New: func() any { return new(bitset) }}

// smallRoom is the number of words up to which a graph's memory isn't worth keeping.
const smallRoom = 1024

func emptySet(words int) bitset {
	if words > smallRoom {
		if room, _ := rooms.Get().(*bitset); cap(*room) >= words {
			set := (*room)[:words]
			clear(set)
			return set
		}
	}
	return make(bitset, words)
}

// release hands the memory of a graph that isn't used any more to later ones.
func (g *graph) release() {
	if len(g.all) > smallRoom {
		room := g.all
		rooms.Put(&room)
		g.joined, g.all = nil, nil
	}
}

func (g *graph) join(i, j int) {
	g.joined[i].add(j)
	g.joined[j].add(i)
}

// mirror completes the other half: for each vertex after v that v is joined to, it joins that one to v.
func (g *graph) mirror(v int) {
	words, own := len(g.joined[v]), uint64(1)<<(v&63)
	column := g.all[v>>6:]
	beyond := ^(own<<1 - 1)
	for w := v >> 6; w < words; w++ {
		for x := g.joined[v][w] & beyond; x != 0; x &= x - 1 {
			column[(w<<6+bits.TrailingZeros64(x))*words] |= own
		}
		beyond = ^uint64(0)
	}
}

// newGraph takes colours sorted by L*.
func newGraph(ctx context.Context, sorted []colorimetry.Lab, t float64) *graph {
	return newGraphs(ctx, sorted, []float64{t})[0]
}

// newGraphs makes the graphs of several thresholds at once.
func newGraphs(ctx context.Context, sorted []colorimetry.Lab, thresholds []float64) []*graph {
	return graphsOf(ctx, sorted, spotsOf(sorted), thresholds)
}

// graphsOf takes colours sorted by L*, and their spots.
func graphsOf(ctx context.Context, sorted []colorimetry.Lab, spots []spot, thresholds []float64) []*graph {
	graphs := make([]*graph, len(thresholds))
	near := make([]closeness, len(thresholds))
	for k, t := range thresholds {
		graphs[k], near[k] = emptyGraph(sorted), closerThan(t)
	}
	if len(spots) == 0 {
		return graphs
	}
	largest := slices.Max(thresholds)
	furthest := closerThan(largest)
	last := spots[len(spots)-1].l
	window := reachOf(spots[0].l, last, largest).window
	at, roughs := make([]int32, len(spots)), make([]rough, len(spots))
	for i := range spots {
		if i%256 == 0 && ctx.Err() != nil {
			break
		}
		// Pairs are listed, then measured, then joined, each in a loop of its own: deciding pair by pair would mispredict branches, which costs more
		// than the work.
		x := &spots[i]
		found := reachOf(x.l, min(x.l+window/2, (x.l+last)/2), largest).list(spots, i, at)
		n := 0
		for _, j := range found {
			r := roughly(x, &spots[j])
			found[n], roughs[n] = j, r
			if !furthest.without(&r) {
				n++
			}
		}
		for g, c := range near {
			row := graphs[g].joined[i]
			for k, j := range found[:n] {
				r := &roughs[k]
				closer := uint64(0)
				if c.within(r) {
					closer = 1
				}
				if c.doubtful(r) {
					closer = 0
					if c.exactly(x, &spots[j]) {
						closer = 1
					}
				}
				row[j>>6] |= closer << (j & 63)
			}
			graphs[g].mirror(i)
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
	if g.rest == nil {
		return g.countLive(ctx, live, left)
	}
	// The same count as countLive's, which takes simplicial vertices until none is left; here their order is known.
	taken := 0
	for _, v := range g.order {
		if live.has(v) {
			taken++
			live.drop(v)
			for w, x := range g.joined[v] {
				live[w] &^= x
			}
		}
	}
	others := uint64(0)
	for _, x := range live {
		others |= x
	}
	if others == 0 {
		return taken, taken
	}
	lower, upper = g.countLive(ctx, live, left)
	return taken + lower, taken + upper
}

// eliminatedUpTo is the number of vertices up to which it pays to look for an order of elimination.
const eliminatedUpTo = 128

// eliminate prepares for many calls of countOf. A graph is chordal if its vertices can be taken out one by one so that the remaining neighbours of
// each are all joined to each other (Fulkerson & Gross 1965, Pacific Journal of Mathematics 15:835). Every part of it is then chordal too, and taking
// vertices in that order, each with its neighbours, finds a largest independent set of any part (Gavril 1972, SIAM Journal on Computing 1:180; both
// from memory). order is that of all connected parts that are chordal; rest holds the vertices of the others.
func (g *graph) eliminate() {
	n := len(g.colours)
	if n > eliminatedUpTo || g.rest != nil {
		return
	}
	live := g.scratch()
	for v := range n {
		live.add(v)
	}
	for again := true; again; {
		again = false
		live.each(func(v int) bool {
			if g.simplicial(v, live) {
				live.drop(v)
				g.order = append(g.order, v)
				again = true
			}
			return true
		})
	}
	g.rest = make(bitset, len(live))
	whole := make(bitset, len(live))
	for v := range n {
		whole.add(v)
	}
	for _, part := range g.components(whole) {
		if slices.ContainsFunc(part, live.has) {
			for _, v := range part {
				g.rest.add(v)
			}
		}
	}
	g.order = slices.DeleteFunc(g.order, g.rest.has)
}

// scratch is an empty set of vertices, in the same memory at every call.
func (g *graph) scratch() bitset {
	if g.live == nil {
		g.live = make(bitset, (len(g.colours)+63)/64)
		g.near = make(bitset, len(g.live))
	}
	clear(g.live)
	return g.live
}

// countLive is count of the graph of the vertices in live, which it uses up.
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
	for again := true; again; {
		again = false
		live.each(func(v int) bool {
			if live.has(v) && g.simplicial(v, live) { // each reads a whole word of live before its visits, and v may have gone meanwhile
				for w := range live {
					live[w] &^= g.near[w]
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

// simplicial tells whether the live neighbours of v, which it leaves in g.near, are all joined to each other.
func (g *graph) simplicial(v int, live bitset) bool {
	near, joined := g.near, g.joined[v]
	from, to := len(near), 0 // the words that hold neighbours
	for w := range near {
		x := joined[w] & live[w]
		near[w] = x
		if x != 0 {
			from, to = min(from, w), w+1
		}
	}
	for w := from; w < to; w++ {
		for x := near[w]; x != 0; x &= x - 1 {
			own := x & -x
			near[w] &^= own // a vertex isn't joined to itself
			of := g.joined[w<<6+bits.TrailingZeros64(x)][from:to]
			apart := uint64(0)
			for k, y := range near[from:to] {
				apart |= y &^ of[k]
			}
			near[w] |= own
			if apart != 0 {
				return false
			}
		}
	}
	return true
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
