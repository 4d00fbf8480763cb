package width

import "math"

// StudentQuantile is the value that Student's t with df degrees of freedom (from 1) stays below with probability p, 0 < p < 1.
// Outside of these it is NaN.
//
// Method: the finite trigonometric series for whole degrees of freedom, Abramowitz & Stegun 1964, 26.7.3 and 26.7.4 (from
// memory; checked against printed quantiles), inverted by halving the angle.
func StudentQuantile(p float64, df int) float64 {
	if !(p > 0 && p < 1) || df < 1 {
		return math.NaN()
	}
	if p < 0.5 {
		return -StudentQuantile(1-p, df)
	}
	lo, hi := 0.0, math.Pi/2
	for range 100 {
		mid := (lo + hi) / 2
		if within(mid, df) < 2*p-1 {
			lo = mid
		} else {
			hi = mid
		}
	}
	if p == 0.5 {
		return 0
	}
	return math.Sqrt(float64(df)) * math.Tan((lo+hi)/2)
}

// within is P(|T| < √df·tan θ).
func within(theta float64, df int) float64 {
	sin, cos := math.Sincos(theta)
	sum, term := 0.0, 1.0
	if df%2 == 0 {
		for k := 0; k <= df-2; k += 2 {
			if k > 0 {
				term *= float64(k-1) / float64(k) * cos * cos
			}
			sum += term
		}
		return sin * sum
	}
	term = cos
	for k := 1; k <= df-2; k += 2 {
		if k > 1 {
			term *= float64(k-1) / float64(k) * cos * cos
		}
		sum += term
	}
	return 2 / math.Pi * (theta + sin*sum)
}

// JackknifeSE is the standard error of an estimate from its leave-one-block-out values, sqrt((B−1)/B Σ(θ₋ᵦ − mean)²)
// (Tukey 1958; Efron & Tibshirani 1993, "An introduction to the bootstrap", equation 11.5, from memory). NaN for fewer
// than two values.
func JackknifeSE(leaveOut []float64) float64 {
	b := float64(len(leaveOut))
	if b < 2 {
		return math.NaN()
	}
	mean, ss := 0.0, 0.0
	for _, x := range leaveOut {
		mean += x / b
	}
	for _, x := range leaveOut {
		ss += (x - mean) * (x - mean)
	}
	return math.Sqrt((b - 1) / b * ss)
}
