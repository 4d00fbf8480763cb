// Package noise draws the accidents of pots, as differences of colour in CIELAB, from a normal distribution with a given covariance.
package noise

import (
	"math"
	"math/rand/v2"
)

// Root is a lower triangle L with LLᵀ = S, for a covariance S in squares of CIELAB units.
type Root [3][3]float64

// RootOf is the root of a covariance, which is symmetric and may be singular: a direction in which nothing varies stays without noise. (Cholesky's factor, as in
// Golub and Van Loan, Matrix Computations, section 4.2; from memory.)
func RootOf(covariance [3][3]float64) (l Root) {
	for i := range 3 {
		for j := range i + 1 {
			sum := covariance[i][j]
			for k := range j {
				sum -= l[i][k] * l[j][k]
			}
			switch {
			case i == j:
				l[i][i] = math.Sqrt(max(0, sum))
			case l[j][j] > 1e-12:
				l[i][j] = sum / l[j][j]
			}
		}
	}
	return l
}

// Draw gives one accident.
func (l *Root) Draw(rng *rand.Rand) (d [3]float64) {
	z := [3]float64{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}
	for i := range 3 {
		for k := range i + 1 {
			d[i] += l[i][k] * z[k]
		}
	}
	return d
}
