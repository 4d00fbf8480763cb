package permute

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func everyBlock(uint32) bool { return true }

// sessions makes units of both groups in so many sessions.
func sessions(n int) (units []Unit) {
	for b := range n {
		units = append(units, Unit{0, uint32(b)}, Unit{1, uint32(b)}, Unit{1, uint32(b)})
	}
	return units
}

// difference is the sum of figures of group 0 less those of group 1.
func difference(figures []float64, groups []uint32) (d float64) {
	for i, g := range groups {
		d += figures[i] * float64(1-2*int(g))
	}
	return d
}

// The worked example of the exact test by signs: five sessions with differences 2, 1, 3, 2, 2, all of one sign, are as far apart in 2 of 32 arrangements
// (2/32 = 0.0625, worked by hand).
func TestExact(t *testing.T) {
	var units []Unit
	var figures []float64
	for b, d := range []float64{2, 1, 3, 2, 2} {
		units = append(units, Unit{0, uint32(b)}, Unit{1, uint32(b)})
		figures = append(figures, 50+d, 50)
	}
	s := New(units, 0, 1, everyBlock, 1)
	require.Equal(t, 31, s.Arrangements())
	assert.True(t, s.Enumerated())
	seen := difference(figures, []uint32{0, 1, 0, 1, 0, 1, 0, 1, 0, 1})
	b, all := 0, map[string]bool{}
	for n := 1; n <= s.Arrangements(); n++ {
		groups := s.Group(n)
		all[fmt.Sprint(groups)] = true
		if AsFar(difference(figures, groups), seen) {
			b++
		}
	}
	assert.Len(t, all, 31, "each arrangement once")
	assert.InDelta(t, 2.0/32, P(b, s.Arrangements()), 1e-15)
	assert.True(t, AsFar(10-1e-12, 10))
	assert.False(t, AsFar(9.99, 10))
	assert.True(t, AsFar(-10, 10))
}

// A swap moves a whole session or nothing, and nothing of a session that holds one group alone, that isn't known, or of a third group.
func TestWholeSessions(t *testing.T) {
	units := append(sessions(20), Unit{0, 20}, Unit{2, 3}, Unit{0, 21}, Unit{1, 21})
	s := New(units, 0, 1, func(b uint32) bool { return b != 21 }, 7)
	assert.Equal(t, 20, s.Sessions())
	assert.False(t, s.Enumerated())
	require.Equal(t, Draws, s.Arrangements())
	swaps := 0
	for n := 1; n <= 200; n++ {
		groups := s.Group(n)
		for b := range 20 {
			swapped := groups[3*b] == 1
			if swapped {
				swaps++
			}
			want := []uint32{0, 1, 1}
			if swapped {
				want = []uint32{1, 0, 0}
			}
			require.Equal(t, want, groups[3*b:3*b+3])
		}
		require.Equal(t, []uint32{0, 2, 0, 1}, groups[60:])
	}
	// Half of 4,000, within five standard deviations of a fair coin.
	assert.InDelta(t, 2000, swaps, 160)
	again := New(units, 0, 1, func(b uint32) bool { return b != 21 }, 7)
	assert.Equal(t, s.Group(133), again.Group(133), "each by its own number")
	assert.NotEqual(t, s.Group(133), New(units, 0, 1, everyBlock, 8).Group(133))
	assert.Zero(t, New(nil, 0, 1, everyBlock, 1).Arrangements())
}

// Worked by hand: 3 × 0.01, then 2 × 0.02 = 0.04, then 0.03 raised to 0.04; 1 at most.
func TestHolm(t *testing.T) {
	assert.InDeltaSlice(t, []float64{0.04, 0.03, 0.04}, Holm([]float64{0.03, 0.01, 0.02}), 1e-15)
	assert.Equal(t, []float64{1, 1}, Holm([]float64{0.9, 0.8}))
	assert.Empty(t, Holm(nil))
}
