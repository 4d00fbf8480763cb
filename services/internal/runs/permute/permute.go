// Package permute swaps two groups within sessions, for a test that rests on nothing but that.
//
// What is independent is the session, a set of pots of one member, so a swap moves all units of a session at once: those of the one group are counted to the
// other, and the other way round. Up to 16 sessions every arrangement is looked at; beyond that as many are drawn as a test needs, each by its own number, so
// that a test which was cut short goes on as if it hadn't been. The p value is (b + 1)/(m + 1) of m arrangements beside the one that was seen, b of which lie at
// least as far apart (Phipson & Smyth 2010, "Permutation P-values should never be zero", equation 1 with the seen one among them).
package permute

import (
	"math"
	"math/rand/v2"
	"slices"
)

// The sizes of a test.
const (
	// EnumerateUpTo is how many sessions are looked at in every arrangement: 2^16 of them.
	EnumerateUpTo = 16
	// Draws is how many arrangements are drawn beyond that.
	Draws = 9_999
)

// Unit is what is permuted: a group's part in a session.
type Unit struct{ Group, Block uint32 }

// Swaps are the arrangements of two groups. The zero value has none.
type Swaps struct {
	units         []Unit
	first, second uint32
	blocks        []uint32 // sessions that hold both, ascending
	seed          uint64
}

// New looks for the sessions that hold both groups; known tells which blocks are sessions at all.
func New(units []Unit, first, second uint32, known func(block uint32) bool, seed uint64) *Swaps {
	has := map[uint32][2]bool{}
	for _, u := range units {
		if !known(u.Block) || u.Group != first && u.Group != second {
			continue
		}
		h := has[u.Block]
		if u.Group == first {
			h[0] = true
		} else {
			h[1] = true
		}
		has[u.Block] = h
	}
	s := &Swaps{units: units, first: first, second: second, seed: seed}
	for block, h := range has {
		if h[0] && h[1] {
			s.blocks = append(s.blocks, block)
		}
	}
	slices.Sort(s.blocks)
	return s
}

// Sessions is how many can be swapped.
func (s *Swaps) Sessions() int { return len(s.blocks) }

// Enumerated reports whether every arrangement is looked at.
func (s *Swaps) Enumerated() bool { return len(s.blocks) <= EnumerateUpTo }

// Arrangements is how many there are beside the one that was seen.
func (s *Swaps) Arrangements() int {
	if s.Enumerated() {
		return 1<<len(s.blocks) - 1
	}
	return Draws
}

// Group gives the group of each unit in the n-th arrangement, from 1.
func (s *Swaps) Group(n int) []uint32 {
	swapped := make(map[uint32]bool, len(s.blocks))
	if s.Enumerated() {
		for i, block := range s.blocks {
			swapped[block] = n>>i&1 == 1
		}
	} else {
		random := rand.New(rand.NewPCG(s.seed, uint64(n))) // a test has to come out the same again
		for _, block := range s.blocks {
			swapped[block] = random.Uint64()&1 == 1
		}
	}
	out := make([]uint32, len(s.units))
	for i, u := range s.units {
		out[i] = u.Group
		if swapped[u.Block] {
			switch u.Group {
			case s.first:
				out[i] = s.second
			case s.second:
				out[i] = s.first
			}
		}
	}
	return out
}

// AsFar reports whether a difference lies at least as far from none as the one that was seen, either way. Sums in another order may differ in their last bits.
func AsFar(difference, seen float64) bool {
	return math.Abs(difference) >= math.Abs(seen)-1e-9*math.Max(1, math.Abs(seen))
}

// P is the p value of b arrangements of m.
func P(b, m int) float64 { return float64(b+1) / float64(m+1) }

// Holm adjusts p values for how many there are (Holm 1979, "A simple sequentially rejective multiple test procedure"); in their order, at most 1.
func Holm(p []float64) []float64 {
	order := make([]int, len(p))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case p[a] < p[b]:
			return -1
		case p[a] > p[b]:
			return 1
		}
		return 0
	})
	out := make([]float64, len(p))
	least := 0.0
	for rank, i := range order {
		least = math.Min(1, math.Max(least, float64(len(p)-rank)*p[i]))
		out[i] = least
	}
	return out
}
