package noise

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
)

// The factor is gonum's Cholesky factor where that has one.
func TestRootAgreesWithGonum(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		var a, s [3][3]float64
		for i := range 3 {
			for j := range 3 {
				a[i][j] = rng.NormFloat64()
			}
		}
		sym := mat.NewSymDense(3, nil)
		for i := range 3 {
			for j := range 3 {
				for k := range 3 {
					s[i][j] += a[i][k] * a[j][k]
				}
				sym.SetSym(i, j, s[i][j])
			}
		}
		var c mat.Cholesky
		require.True(t, c.Factorize(sym))
		want := mat.NewTriDense(3, mat.Lower, nil)
		c.LTo(want)
		got := RootOf(s)
		for i := range 3 {
			for j := range i + 1 {
				assert.InDelta(t, want.At(i, j), got[i][j], 1e-9)
			}
		}
	}
}

// What varies in one direction alone is drawn in that direction, and what doesn't vary isn't drawn.
func TestSingularCovariances(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	line := RootOf([3][3]float64{{4, 2, 0}, {2, 1, 0}, {}})
	for range 50 {
		d := line.Draw(rng)
		assert.InDelta(t, d[0], 2*d[1], 1e-12)
		assert.Zero(t, d[2])
	}
	none := RootOf([3][3]float64{})
	assert.Zero(t, none.Draw(rng))
}

// Drawn accidents have the covariance that was asked for.
func TestDrawsHaveTheCovariance(t *testing.T) {
	want := [3][3]float64{{2, 0.6, -0.4}, {0.6, 1, 0.3}, {-0.4, 0.3, 0.5}}
	root, rng := RootOf(want), rand.New(rand.NewPCG(5, 6))
	const n = 40_000
	var got [3][3]float64
	for range n {
		d := root.Draw(rng)
		for i := range 3 {
			for j := range 3 {
				got[i][j] += d[i] * d[j] / n
			}
		}
	}
	for i := range 3 {
		for j := range 3 {
			assert.InDelta(t, want[i][j], got[i][j], 0.06, "%d,%d", i, j)
		}
	}
}
