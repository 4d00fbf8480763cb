package groups

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Where a group lies says nothing of how it spreads, whichever of them a block holds: moved as a whole, a group leaves the test of spread as it was. (By definition; about
// block means, three equal groups of which one lay far off were found to spread differently in 7 to 9 % of simulated experiments.)
func TestSpreadDoesNotHangOnPlace(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	var here, there []Cell
	for b := range 7 {
		for g := range 3 {
			for range (b + g) % 3 {
				l, a := 3*rng.NormFloat64(), 3*rng.NormFloat64()
				here = append(here, Cell{fmt.Sprint(g), fmt.Sprint(b), lab(40+l, a, 0)})
				there = append(there, Cell{fmt.Sprint(g), fmt.Sprint(b), lab(40+l+10*float64(g), a-20*float64(g), 0)})
			}
		}
	}
	x, y := run(t, here), run(t, there)
	require.NotNil(t, x.Spread)
	assert.InDelta(t, x.Spread.F, y.Spread.F, 1e-9)
	assert.Equal(t, x.Spread.P, y.Spread.P)
	assert.Greater(t, y.Place.F, 10*x.Place.F, "the place is another")
}
