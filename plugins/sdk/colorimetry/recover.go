package colorimetry

import (
	"errors"
	"math"
)

// FromColourOnly marks everything that rests on a curve computed from a colour.
// Infinitely many curves have the same colour, so such a curve is no measurement.
const FromColourOnly = "from colour only"

// ErrNoCurve tells that no curve was found: the colour lies at or beyond the limit
// of what a surface can reflect.
var ErrNoCurve = errors.New("no smooth reflectance curve has this colour: it is at or beyond the border of surface colours")

// RecoveredCurve is a curve computed from a colour.
type RecoveredCurve struct {
	Reflectance []float64 // on the grid of the weights, each above 0 and below 1
	Tag         string    // FromColourOnly, which must be reported with every result
	Steps       int       // steps of Newton's method, at most 60
}

// CurveFromColour finds the smoothest reflectance curve that has a CIELAB
// colour under the condition of w, on its grid.
//
// Method: least hyperbolic tangent slope squared (Burns 2017, arXiv
// 1710.05732). Of all curves R = (tanh z + 1)/2 that have the colour, it is the one
// with the least sum of (z[i+1]-z[i])^2. Where steps are unequal each square is
// divided by its step, so that slopes count by the nanometre. The Lagrangian
// system is solved by Newton's method, from a middle grey, in at most 60 steps to
// 1e-10. R stays between 0 and 1, so that K/S is finite.
//
// Where that doesn't converge the answer is [ErrNoCurve], never a clipped curve. A
// colour that [Lab.Validate] refuses is a *FieldError.
//
// The work of a step grows with the cube of the number of wavelengths, which suits
// the grids of instruments but not thousands of wavelengths.
func CurveFromColour(c Lab, w *Weights) (RecoveredCurve, error) {
	if err := c.Validate(); err != nil {
		return RecoveredCurve{}, err
	}
	if err := w.made(); err != nil {
		return RecoveredCurve{}, err
	}
	n := len(w.nm)
	stiffness := make([]float64, n-1)
	mean := (w.nm[n-1] - w.nm[0]) / float64(n-1)
	for i := range stiffness {
		stiffness[i] = mean / (w.nm[i+1] - w.nm[i])
	}
	r, steps, err := smoothestCurve(w.w, stiffness, c.XYZ(w.white))
	if err != nil {
		return RecoveredCurve{}, err
	}
	return RecoveredCurve{Reflectance: r, Tag: FromColourOnly, Steps: steps}, nil
}

// smoothestCurve expects weights whose white has Y = 100; stiffness[i] is how much
// the square of z[i+1]-z[i] counts.
func smoothestCurve(weights []XYZ, stiffness []float64, target XYZ) (r []float64, steps int, err error) {
	const mostSteps, within = 60, 1e-10
	n := len(weights)
	a := make([][3]float64, n)
	for i, v := range weights {
		a[i] = [3]float64{v.X / 100, v.Y / 100, v.Z / 100}
	}
	want := [3]float64{target.X / 100, target.Y / 100, target.Z / 100}
	size := n + 3
	z, lambda := make([]float64, n), [3]float64{}
	r = make([]float64, n)
	rows := make([][]float64, size)
	for i := range rows {
		rows[i] = make([]float64, size+1)
	}
	for steps = 1; steps <= mostSteps; steps++ {
		for i := range rows {
			clear(rows[i])
		}
		residual := want
		for i := range n {
			t := math.Tanh(z[i])
			r[i] = (t + 1) / 2
			slope := (1 - float64(t*t)) / 2
			pull := float64(lambda[0]*a[i][0]) + float64(lambda[1]*a[i][1]) + float64(lambda[2]*a[i][2])
			// Derivative of the sum of squares, and its second derivatives.
			gradient := 0.0
			if i > 0 {
				k := 2 * stiffness[i-1]
				gradient += float64(k * (z[i] - z[i-1]))
				rows[i][i], rows[i][i-1] = rows[i][i]+k, -k
			}
			if i < n-1 {
				k := 2 * stiffness[i]
				gradient += float64(k * (z[i] - z[i+1]))
				rows[i][i], rows[i][i+1] = rows[i][i]+k, -k
			}
			rows[i][i] -= float64(pull * t * 2 * slope)
			for k := range 3 {
				j := float64(a[i][k] * slope)
				rows[i][n+k], rows[n+k][i] = j, j
				residual[k] -= float64(a[i][k] * r[i])
			}
			rows[i][size] = -(gradient + float64(pull*slope))
		}
		for k := range 3 {
			rows[n+k][size] = residual[k]
		}
		left := 0.0
		for i := range rows {
			left = max(left, math.Abs(rows[i][size]))
		}
		if left < within {
			return r, steps - 1, nil
		}
		if !solve(rows) {
			return nil, steps, ErrNoCurve
		}
		for i := range z {
			z[i] += rows[i][size]
			if !(math.Abs(z[i]) < 1e3) {
				return nil, steps, ErrNoCurve
			}
		}
		for k := range lambda {
			lambda[k] += rows[n+k][size]
		}
	}
	return nil, mostSteps, ErrNoCurve
}

// solve solves a linear system by elimination with partial pivoting. Each row holds
// its coefficients and then its right side, which the solution replaces. It is
// false where the system is singular or not finite.
func solve(rows [][]float64) bool {
	n := len(rows)
	for k := range n {
		pivot := k
		for i := k + 1; i < n; i++ {
			if math.Abs(rows[i][k]) > math.Abs(rows[pivot][k]) {
				pivot = i
			}
		}
		if !(math.Abs(rows[pivot][k]) > 1e-300) {
			return false
		}
		rows[k], rows[pivot] = rows[pivot], rows[k]
		for i := k + 1; i < n; i++ {
			f := rows[i][k] / rows[k][k]
			if f == 0 {
				continue
			}
			for j := k; j <= n; j++ {
				rows[i][j] -= float64(f * rows[k][j])
			}
		}
	}
	for k := n - 1; k >= 0; k-- {
		v := rows[k][n]
		for j := k + 1; j < n; j++ {
			v -= float64(rows[k][j] * rows[j][n])
		}
		rows[k][n] = v / rows[k][k]
		if math.IsNaN(rows[k][n]) || math.IsInf(rows[k][n], 0) {
			return false
		}
	}
	return true
}
