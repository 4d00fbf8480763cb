package colorimetry

import (
	"fmt"
	"math"
)

// The range over which strength is summed, in nm.
const strengthFirstNm, strengthLastNm = 400, 700

// SaturationKS is roughly where K/S at its maximum stops being proportional to
// the dye in the fibre. It is of one study on polyester (2021), known to us by its
// abstract alone; other fibres may differ.
const SaturationKS = 17

// Strength is how deep a colour is: K/S at the wavelength from 400 to 700 nm at
// which it absorbs most, the shortest of several.
type Strength struct {
	KS           float64 // a ratio, at most 99.0025, which is K/S at the limit of R 0.005
	WavelengthNm float64
	Reflectance  float64 // as measured
	Clipped      bool    // R was outside of 0.005 to 0.995, and KS is that of the nearer limit
	Saturated    bool    // KS is above SaturationKS: there may be more dye than it says
}

// MeasuredStrength gives K/S at the reflectance minimum from 400 to 700 nm. It
// refuses what [Curve.Validate] does.
func MeasuredStrength(c Curve) (Strength, error) {
	if err := c.Validate(); err != nil {
		return Strength{}, err
	}
	least := Strength{Reflectance: math.Inf(1)}
	for i, r := range c.Reflectance {
		if nm := c.WavelengthsNm[i]; nm >= strengthFirstNm && nm <= strengthLastNm && r < least.Reflectance {
			least.Reflectance, least.WavelengthNm = r, nm
		}
	}
	least.KS, least.Clipped = KS(least.Reflectance)
	least.Saturated = least.KS > SaturationKS
	return least, nil
}

// SummedDepth is K/S weighted by how much the eye sees of each wavelength: the
// sum of K/S times the weights X + Y + Z of w, over the sum of the weights Y. A
// factor outside of 0.005 to 0.995 counts as the nearer limit; see [Weights.XYZ]
// for what is refused. The definition is from memory: it is usual for textiles, but
// we had no standard's text at hand.
func SummedDepth(w *Weights, reflectance []float64) (float64, error) {
	if _, err := w.XYZ(reflectance); err != nil {
		return 0, err
	}
	var sum, of float64
	for i, r := range reflectance {
		ks, _ := KS(r)
		v := w.w[i]
		sum += float64(ks * (v.X + v.Y + v.Z))
		of += v.Y
	}
	return sum / of, nil
}

// LeastHueShapeCosine is how alike two absorption curves must be (1 is the same
// shape) for their relative strength to mean an amount of dye. The limit is ours.
const LeastHueShapeCosine = 0.98

// RelativeStrength is how strong a dyeing is in percent of another of the same
// dye on the same substrate.
type RelativeStrength struct {
	Percent float64 // 100: as strong; below 0 where the sample is weaker than the substrate
	// Cosine, -1 to 1, is that between the two curves of K/S less the substrate's.
	// Below LeastHueShapeCosine the hues differ, Comparable is false, and Percent
	// says nothing about dye.
	Cosine     float64
	Comparable bool
	Clipped    int // how many factors were outside of 0.005 to 0.995
}

// ComputeRelativeStrength gives the strength of sample in percent of reference.
// The strength of each is the sum over its samples from 400 to 700 nm of K/S less
// that of the undyed substrate. All three curves are at the same wavelengths. What
// [Curve.Validate] refuses, and a reference that is no stronger than the substrate,
// are a *FieldError.
func ComputeRelativeStrength(wavelengthsNm, sample, reference, substrate []float64) (RelativeStrength, error) {
	for i, r := range [][]float64{sample, reference, substrate} {
		if err := (Curve{wavelengthsNm, r}).Validate(); err != nil {
			return RelativeStrength{}, Under([]string{"sample", "reference", "substrate"}[i], err)
		}
	}
	var out RelativeStrength
	ks := func(r float64) float64 {
		v, clipped := KS(r)
		if clipped {
			out.Clipped++
		}
		return v
	}
	var sumS, sumR, dot, squareS, squareR float64
	for i, nm := range wavelengthsNm {
		if nm < strengthFirstNm || nm > strengthLastNm {
			continue
		}
		zero := ks(substrate[i])
		s, r := ks(sample[i])-zero, ks(reference[i])-zero
		sumS, sumR = sumS+s, sumR+r
		dot, squareS, squareR = dot+float64(s*r), squareS+float64(s*s), squareR+float64(r*r)
	}
	if !(sumR > 1e-9) {
		return RelativeStrength{}, &FieldError{Field: "reference", Value: fmt.Sprintf("summed K/S %s above the substrate's", number(sumR)), Allowed: "above 0"}
	}
	out.Percent = 100 * sumS / sumR
	if squareS > 0 {
		out.Cosine = dot / (math.Sqrt(squareS) * math.Sqrt(squareR))
	}
	out.Comparable = out.Cosine >= LeastHueShapeCosine
	return out, nil
}
