package colorimetry

import (
	"fmt"
	"strings"
)

// What a curve must be like to be accepted. ASTM E308 sums from 360 to 780 nm;
// where a curve is shorter, its end values stand for what is missing.
const (
	neededFirstNm = 400 // it begins here or earlier
	neededLastNm  = 700 // and ends here or later
	maxSamples    = 10000
	maxNm         = 3000 // no instrument that measures colour goes further
	minStepNm     = 0.1
	maxStepNm     = 20

	// Wavelengths closer than this, in nm, are the same.
	gridTolerance = 1e-7
)

// MaxReflectance is the highest reflectance factor that is accepted: above 1
// there is fluorescence or gloss, above 2 hardly anything but a wrong scale.
const MaxReflectance = 2

// Curve is a reflectance curve.
type Curve struct {
	WavelengthsNm []float64 // rising by 0.1 to 20 nm, at least from 400 to 700
	Reflectance   []float64 // a factor for each wavelength, 0 to 2
}

// Validate refuses lists of unequal length, wavelengths that don't rise by 0.1
// to 20 nm or don't cover 400 to 700 nm, and factors outside of 0 to 2 (NaN
// too). The *FieldError names the first fault.
func (c Curve) Validate() error {
	if len(c.WavelengthsNm) != len(c.Reflectance) {
		return &FieldError{Field: "reflectance", Value: fmt.Sprintf("%d factors", len(c.Reflectance)), Allowed: fmt.Sprintf("as many as wavelengths, %d", len(c.WavelengthsNm))}
	}
	if err := checkWavelengths(c.WavelengthsNm); err != nil {
		return err
	}
	return checkReflectance(c.Reflectance)
}

// checkWavelengths refuses wavelengths by the rules of NewWeightsAt.
func checkWavelengths(wavelengthsNm []float64) error {
	n := len(wavelengthsNm)
	if n < 2 || n > maxSamples {
		return &FieldError{Field: "wavelength_nm", Value: fmt.Sprintf("%d wavelengths", n), Allowed: fmt.Sprintf("2 to %d", maxSamples)}
	}
	for i, nm := range wavelengthsNm {
		refuse := func(allowed string) error {
			return &FieldError{Field: fmt.Sprintf("wavelength_nm[%d]", i), Value: number(nm), Allowed: allowed}
		}
		switch {
		case !(nm >= 1 && nm <= maxNm):
			return refuse(fmt.Sprintf("1 to %d", maxNm))
		case i == 0:
		case nm == wavelengthsNm[i-1]:
			return refuse("each wavelength once")
		case !(nm > wavelengthsNm[i-1]):
			return refuse("above the one before, " + number(wavelengthsNm[i-1]))
		case nm-wavelengthsNm[i-1] < minStepNm-gridTolerance:
			return refuse(fmt.Sprintf("at least %g nm above the one before, %s", minStepNm, number(wavelengthsNm[i-1])))
		case nm-wavelengthsNm[i-1] > maxStepNm+gridTolerance:
			return refuse(fmt.Sprintf("at most %d nm above the one before; the curve lacks %s to %s nm", maxStepNm, number(wavelengthsNm[i-1]), number(nm)))
		}
	}
	first, last := wavelengthsNm[0], wavelengthsNm[n-1]
	if first > neededFirstNm+gridTolerance {
		return &FieldError{Field: "wavelength_nm[0]", Value: number(first), Allowed: fmt.Sprintf("1 to %d%s", neededFirstNm, lacking(first, last))}
	}
	if last < neededLastNm-gridTolerance {
		return &FieldError{Field: fmt.Sprintf("wavelength_nm[%d]", n-1), Value: number(last),
			Allowed: fmt.Sprintf("%d to %d%s", neededLastNm, maxNm, lacking(first, last))}
	}
	return nil
}

// lacking says which parts of 400 to 700 nm a curve from first to last nm
// doesn't cover, "" where it covers all.
func lacking(first, last float64) string {
	var missing []string
	if first > neededFirstNm+gridTolerance {
		missing = append(missing, fmt.Sprintf("%d to %s nm", neededFirstNm, number(first)))
	}
	if last < neededLastNm-gridTolerance {
		missing = append(missing, fmt.Sprintf("%s to %d nm", number(last), neededLastNm))
	}
	if len(missing) == 0 {
		return ""
	}
	return "; the curve lacks " + strings.Join(missing, " and ")
}

// checkReflectance refuses the first factor outside of 0 to 2.
func checkReflectance(reflectance []float64) error {
	for i, r := range reflectance {
		if !(r >= 0 && r <= MaxReflectance) {
			return checkRange(fmt.Sprintf("reflectance[%d]", i), r, 0, MaxReflectance)
		}
	}
	return nil
}
