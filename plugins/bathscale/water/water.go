// Package water is the arithmetic of water for dyeing: hardness in the units that labels and test kits print, mixes of waters, and what to add.
//
// Inside, hardness is in milligrams of calcium carbonate per litre. pH is never computed: strips and meters are for that.
package water

import (
	"errors"
	"fmt"
	"math"
)

// ErrInput is wrapped by every error of this package.
var ErrInput = errors.New("water arithmetic")

// Molar masses in g/mol, from the formulas and the IUPAC abridged atomic weights of 2021.
const (
	molarCalcium          = 40.078
	molarMagnesium        = 24.305
	molarCaCO3            = 100.0869
	molarCaO              = 56.0774
	molarCalciumAcetate1  = 176.18
	molarCalciumChloride2 = 147.01
)

const (
	grainMG        = 64.79891    // exact: the grain is 64.79891 mg
	imperialGallon = 4.54609     // litres; exact
	usGallon       = 3.785411784 // litres; exact
)

// Unit is a unit of hardness.
type Unit string

// Units of hardness.
const (
	MgPerL     Unit = "mg/L"   // milligrams of calcium carbonate per litre
	MmolPerL   Unit = "mmol/L" // millimoles of calcium and magnesium per litre
	German     Unit = "dH"     // 10 mg of calcium oxide per litre
	French     Unit = "fH"     // 10 mg of calcium carbonate per litre
	English    Unit = "e"      // a grain of calcium carbonate per imperial gallon
	GrainPerUS Unit = "gpg"    // a grain of calcium carbonate per US gallon
)

var perUnit = map[Unit]float64{
	MgPerL: 1, MmolPerL: molarCaCO3, German: 10 * molarCaCO3 / molarCaO, French: 10, English: grainMG / imperialGallon, GrainPerUS: grainMG / usGallon,
}

// Hardness converts a reading into mg of calcium carbonate per litre. Range: 0 to 10,000 mg/L.
func Hardness(value float64, unit Unit) (mgPerL float64, err error) {
	factor, ok := perUnit[unit]
	if !ok {
		return 0, fmt.Errorf("%w: unit of hardness is %.40q", ErrInput, string(unit))
	}
	mgPerL = value * factor
	if !(mgPerL >= 0 && mgPerL <= 10_000) {
		return 0, fmt.Errorf("%w: hardness is %v %s, want 0 to %.6g", ErrInput, value, unit, 10_000/factor)
	}
	return mgPerL, nil
}

// In converts mg of calcium carbonate per litre into a unit; 0 for a unit that there isn't.
func In(mgPerL float64, unit Unit) float64 {
	factor, ok := perUnit[unit]
	if !ok {
		return 0
	}
	return mgPerL / factor
}

// FromIons is the hardness, in mg of calcium carbonate per litre, of calcium and magnesium in mg/L each: a mole of carbonate for a mole of either. Range: 0 to 2,000 each, and
// 10,000 mg/L together.
func FromIons(calciumMgPerL, magnesiumMgPerL float64) (mgPerL float64, err error) {
	mgPerL = molarCaCO3 * (calciumMgPerL/molarCalcium + magnesiumMgPerL/molarMagnesium)
	if !(calciumMgPerL >= 0 && calciumMgPerL <= 2000) || !(magnesiumMgPerL >= 0 && magnesiumMgPerL <= 2000) || mgPerL > 10_000 {
		return 0, fmt.Errorf("%w: %v mg/L of calcium and %v of magnesium, want 0 to 2000 each, and together at most 10000 as calcium carbonate", ErrInput, calciumMgPerL, magnesiumMgPerL)
	}
	return mgPerL, nil
}

// Part is a water in a mix.
type Part struct {
	// Parts by volume, above 0 to 1,000,000.
	Parts float64
	// MgPerL is its hardness; nil: not known.
	MgPerL *float64
}

// Mixed is the hardness of a mix in mg/L, linear in volume. With a part whose hardness isn't known it is an interval: that part could be anything from
// 0 up, so that high is infinite.
func Mixed(parts []Part) (low, high float64, err error) {
	if len(parts) == 0 || len(parts) > 100 {
		return 0, 0, fmt.Errorf("%w: a mix of %d waters, want 1 to 100", ErrInput, len(parts))
	}
	all := 0.0
	for i, p := range parts {
		if !(p.Parts > 0 && p.Parts <= 1e6) {
			return 0, 0, fmt.Errorf("%w: water %d has %v parts, want above 0 to 1000000", ErrInput, i+1, p.Parts)
		}
		all += p.Parts
		if p.MgPerL == nil {
			high = math.Inf(1)
			continue
		}
		if !(*p.MgPerL >= 0 && *p.MgPerL <= 10_000) {
			return 0, 0, fmt.Errorf("%w: water %d has a hardness of %v mg/L, want 0 to 10000", ErrInput, i+1, *p.MgPerL)
		}
		low += p.Parts * *p.MgPerL
		high += p.Parts * *p.MgPerL
	}
	return low / all, high / all, nil
}

// SoftPart is the share of the softer water (0 to 1) that brings a mix of two to the wanted hardness, (H−T)/(H−S): mixing is linear in volume.
func SoftPart(hardMgPerL, softMgPerL, wantedMgPerL float64) (float64, error) {
	if !(softMgPerL < hardMgPerL && wantedMgPerL >= softMgPerL && wantedMgPerL <= hardMgPerL) {
		return 0, fmt.Errorf("%w: %v mg/L can't be mixed of %v and %v mg/L", ErrInput, wantedMgPerL, hardMgPerL, softMgPerL)
	}
	return (hardMgPerL - wantedMgPerL) / (hardMgPerL - softMgPerL), nil
}

// Raise is what raises hardness.
type Raise struct {
	// Model says how the figures were found.
	Model string
	// CarbonateG is what is missing as calcium carbonate. It hardly dissolves in neutral water, so it isn't what is added, chalk baths aside.
	CarbonateG float64
	// AcetateG of calcium acetate monohydrate, or ChlorideG of calcium chloride dihydrate: either does.
	AcetateG, ChlorideG float64
}

// ToRaise is what brings a volume of water from one hardness to a higher one, by mass balance: one mole of calcium for each mole of calcium carbonate.
func ToRaise(litres, fromMgPerL, toMgPerL float64) (Raise, error) {
	if !(litres > 0 && litres <= 1e5) || !(fromMgPerL >= 0 && toMgPerL >= fromMgPerL && toMgPerL <= 10_000) {
		return Raise{}, fmt.Errorf("%w: %v L from %v to %v mg/L, want above 0 to 100000 L, and 0 to 10000 mg/L upwards", ErrInput, litres, fromMgPerL, toMgPerL)
	}
	carbonate := (toMgPerL - fromMgPerL) * litres / 1000
	mol := carbonate / molarCaCO3
	return Raise{
		Model:      "mass balance: a mole of calcium for each mole of calcium carbonate; nothing precipitates",
		CarbonateG: carbonate, AcetateG: mol * molarCalciumAcetate1, ChlorideG: mol * molarCalciumChloride2,
	}, nil
}
