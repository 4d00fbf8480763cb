package colorimetry

import (
	"fmt"
	"math"
)

// Curve is a reflectance curve: factors at rising wavelengths in nm.
type Curve struct {
	WavelengthsNm []float64
	Reflectance   []float64
}

// Validate refuses lists of unlike length, wavelengths that do not rise by 0.1
// to 20 nm or do not cover 400 to 700 nm, and factors that are no number from
// 0 to 2, naming the first.
func (c Curve) Validate() error {
	if len(c.WavelengthsNm) != len(c.Reflectance) {
		return &FieldError{Field: "reflectance", Value: fmt.Sprintf("%d factors", len(c.Reflectance)), Allowed: fmt.Sprintf("as many as wavelengths, %d", len(c.WavelengthsNm))}
	}
	if err := checkWavelengths(c.WavelengthsNm); err != nil {
		return err
	}
	return checkReflectance(c.Reflectance)
}

// The range over which strength is summed, in nm.
const strengthFirstNm, strengthLastNm = 400, 700

// SaturationKS is about where K/S at the maximum stops being proportional to
// the dye in the fibre (a study on polyester of 2021, its abstract alone).
const SaturationKS = 17

// Strength is how deep a colour is, at the wavelength from 400 to 700 nm at
// which it absorbs most; of several, at the shortest.
type Strength struct {
	KS           float64 // a ratio, up to 99.0025, that of the limit 0.005
	WavelengthNm float64
	Reflectance  float64 // as measured
	Clipped      bool    // R was outside of 0.005 to 0.995, and K/S is that of the limit
	Saturated    bool    // K/S is above SaturationKS: more dye than the figure says
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

// SummedDepth is K/S weighed by what the eye sees of each wavelength: the sum
// of KS E (x + y + z) over that of E y, both by w. A factor outside of 0.005 to
// 0.995 counts as that limit; see [Weights.XYZ] for what is refused. From memory:
// a textile custom without a standard's text at hand.
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

// LeastHueShapeCosine is how alike two absorption curves must be for their
// relative strength to mean an amount of dye.
const LeastHueShapeCosine = 0.98

// RelativeStrength is how strong a dyeing is in percent of another of the same
// dye on the same substrate.
type RelativeStrength struct {
	Percent float64 // 100: as strong; below 0 where the sample is weaker than the substrate
	// Cosine of the two curves of K/S above the substrate's. Below
	// LeastHueShapeCosine they are of different hue, Comparable is false, and
	// Percent says nothing about dye.
	Cosine     float64
	Comparable bool
	Clipped    int // factors that were outside of 0.005 to 0.995
}

// ComputeRelativeStrength gives 100 times the sum of K/S less that of the
// undyed substrate, from 400 to 700 nm, over the same sum of the reference. All
// three are on the same wavelengths. What [Curve.Validate] refuses, and a
// reference that is no stronger than the substrate, is a *FieldError.
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
