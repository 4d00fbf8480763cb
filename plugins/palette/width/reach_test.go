package width

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// The graph with its short cuts is that of all pairs, most of all in the blues, where the rotation makes far colours near.
func TestShortCutsLoseNothing(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	joined := 0
	for _, chroma := range []float64{5, 30, 80, 150} {
		for _, threshold := range []float64{1, 5, 25} {
			var colours []colorimetry.Lab
			for i := range 300 {
				h := 2 * math.Pi * rng.Float64()
				if i%2 == 0 {
					h = (275 + 30*rng.NormFloat64()) * math.Pi / 180
				}
				c := chroma * rng.Float64()
				colours = append(colours, colorimetry.Lab{L: 100 * float64(i) / 300, A: c * math.Cos(h), B: c * math.Sin(h)})
			}
			g := newGraph(context.Background(), colours, threshold)

			for i := range colours {
				for j := i + 1; j < len(colours); j++ {
					near := difference(colours[i], colours[j]) < threshold
					assert.Equal(t, near, g.joined[i].has(j), "%v %v", colours[i], colours[j])
					if near {
						joined++
					}
				}
			}

		}
	}
	assert.Positive(t, joined)
}
