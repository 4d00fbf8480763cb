package colorimetry

import "math"

// Reflectance is cut to these limits before its K/S is taken. Below the lower one
// stray light decides the figure, and K/S grows without limit; above the upper one
// K/S is only noise. The limits are ours.
const (
	MinKSReflectance = 0.005
	MaxKSReflectance = 0.995
)

// KS is the ratio K/S of absorption to scattering of an opaque layer,
// (1-R)^2 / 2R (Kubelka & Munk 1931), from 0.0000126 to 99.0025. R is first cut
// to 0.005 to 0.995; clipped tells that it was outside. NaN gives NaN.
func KS(reflectance float64) (ks float64, clipped bool) {
	r := reflectance
	if r < MinKSReflectance {
		r, clipped = MinKSReflectance, true
	} else if r > MaxKSReflectance {
		r, clipped = MaxKSReflectance, true
	}
	return (1 - r) * (1 - r) / (2 * r), clipped
}

// ReflectanceFromKS undoes KS, for ratios of 0 and above: 1/(1 + k + sqrt(k(k+2))),
// which is 1 + k - sqrt(k(k+2)) without its loss of digits for large k.
func ReflectanceFromKS(ks float64) float64 {
	return 1 / (1 + ks + math.Sqrt(ks*(ks+2)))
}
