package width

import (
	"context"
	"math"
	"math/bits"
)

// component bounds the largest independent set of one connected graph, taking search nodes from left.
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

// leastDegree counts an independent set made by picking a vertex of least degree again and again: a lower bound.
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

// farthestFirst counts an independent set that begins with the darkest colour and takes the colour farthest from all picked, as long as there is one
// that isn't joined to any: another lower bound.
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

// cliqueCover counts greedily grown cliques that cover all vertices: an upper bound, as an independent set has at most one vertex of each.
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

// run searches the vertices of mask, size others being chosen already. It is false where the budget or ctx ended first.
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
