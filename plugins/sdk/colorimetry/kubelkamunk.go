package colorimetry

import "math"

// MaxReflectance is the highest reflectance factor that is accepted.
const MaxReflectance = 2

// Reflectance is clipped to these before its K/S is taken: below the one,
// stray light decides and K/S runs away; above the other, it is all noise.
const (
	MinKSReflectance = 0.005
	MaxKSReflectance = 0.995
)

// KS is the ratio of absorption to scattering, (1-R)^2 / 2R, of an opaque
// layer (Kubelka & Munk 1931), for R clipped to 0.005 to 0.995. clipped tells
// that R was outside of that. NaN gives NaN.
func KS(reflectance float64) (ks float64, clipped bool) {
	r := reflectance
	if r < MinKSReflectance {
		r, clipped = MinKSReflectance, true
	} else if r > MaxKSReflectance {
		r, clipped = MaxKSReflectance, true
	}
	return (1 - r) * (1 - r) / (2 * r), clipped
}

// ReflectanceFromKS undoes KS for ratios from 0 on: 1/(1 + k + sqrt(k(k+2))),
// the form that loses no digits to subtraction.
func ReflectanceFromKS(ks float64) float64 {
	return 1 / (1 + ks + math.Sqrt(ks*(ks+2)))
}
