// Package rescale says what a finished trial becomes at another size: which figures go with the mass of fibre, which with the volume of the bath, and
// which with neither.
package rescale

import (
	"errors"
	"fmt"
	"math"
)

// ErrInput is wrapped by every error of this package.
var ErrInput = errors.New("rescaling")

// Goes says with what a figure grows.
type Goes int

const (
	// ByMass grows with the mass of the fibre: whatever was dosed on its weight.
	ByMass Goes = iota
	// ByVolume grows with the volume of the bath: concentrations, acids and alkalis for a pH, vats.
	ByVolume
	// ByNeither grows with neither: it has to be found anew.
	ByNeither
)

// Figure is one figure of the finished trial.
type Figure struct {
	Name  string
	Value float64
	Goes  Goes
}

// Rescaled is that figure at the new size.
type Rescaled struct {
	Name string
	// Value at the new size; NaN for what goes by neither, and for what goes by a volume that isn't known.
	Value float64
	Goes  Goes
	// Remark says what doesn't carry over.
	Remark string
}

// Size is that of a bath.
type Size struct {
	// FibreG in grams, above 0.
	FibreG float64
	// VolumeL in litres; 0 means not known.
	VolumeL float64
}

func (s Size) validate(which string) error {
	if !(s.FibreG > 0 && s.FibreG <= 1e6) || !(s.VolumeL >= 0 && s.VolumeL <= 1e5) {
		return fmt.Errorf("%w: %s has %v g of fibre in %v L, want above 0 to 1000000 g and 0 (not known) to 100000 L", ErrInput, which, s.FibreG, s.VolumeL)
	}
	return nil
}

// To carries figures from one size to another, in their order.
func To(from, to Size, figures []Figure) ([]Rescaled, error) {
	if err := errors.Join(from.validate("the finished trial"), to.validate("the new one")); err != nil {
		return nil, err
	}
	out := make([]Rescaled, len(figures))
	for i, f := range figures {
		if math.IsNaN(f.Value) || math.IsInf(f.Value, 0) || f.Value < 0 {
			return nil, fmt.Errorf("%w: %s is %v, want 0 or more", ErrInput, f.Name, f.Value)
		}
		r := Rescaled{Name: f.Name, Goes: f.Goes}
		switch f.Goes {
		case ByMass:
			r.Value = f.Value * (to.FibreG / from.FibreG)
		case ByVolume:
			r.Value = f.Value * (to.VolumeL / from.VolumeL)
			if !volumesKnown(from, to) {
				r.Value, r.Remark = math.NaN(), "goes by the volume of the bath, which isn't known"
			}
		case ByNeither:
			r.Value = math.NaN()
			r.Remark = "does not grow with size: find it anew"
		default:
			return nil, fmt.Errorf("%w: %s grows in a way that there is not", ErrInput, f.Name)
		}
		out[i] = r
	}
	return out, nil
}

func volumesKnown(from, to Size) bool { return from.VolumeL > 0 && to.VolumeL > 0 }

// Remarks are what a dyer should know about the change of size, however the figures are.
func Remarks(from, to Size, vat bool) []string {
	var remarks []string
	if !volumesKnown(from, to) {
		return []string{"the volume of the bath isn't known: the same percentages may give another concentration, and another depth"}
	}
	before, after := from.VolumeL*1000/from.FibreG, to.VolumeL*1000/to.FibreG
	if ratio := after / before; ratio < 0.9 || ratio > 1.1 {
		remarks = append(remarks, fmt.Sprintf("the liquor ratio goes from %.3g to %.3g mL/g: the same percentages give another concentration, and another depth", before, after))
	}
	if to.VolumeL > 2*from.VolumeL || to.VolumeL < from.VolumeL/2 {
		remarks = append(remarks,
			"heating takes longer in a larger pot, shorter in a smaller one: keep the rate and the time held, not the total time",
			"a fuller pot is stirred less evenly: look for unlevel dyeing")
		if vat {
			remarks = append(remarks, "air meets a vat at its surface, which grows less than its volume: reduce and test anew")
		}
	}
	return remarks
}
