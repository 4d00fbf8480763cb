package colorimetry

import (
	"fmt"
	"math"
	"slices"
)

// MetamerismIndex is how far two pieces that match under one light differ under
// another.
type MetamerismIndex struct {
	Index      float64 // the difference under Test after the correction, by Formula
	Difference float64 // the difference under Reference, which the correction takes away
	Formula    Formula
	Reference  Condition
	Test       Condition
}

// SpecialMetamerism gives the special metamerism index for a change of
// illuminant, or of observer, of CIE 015:2018, 9.2: the difference under test
// of two curves that match under reference. Where they don't quite match, the
// tristimulus values of the second under test are first multiplied by the ratios
// of the first's to its own under reference. The formula is used without factors.
//
// Both weights must be for the same wavelengths, which are those of both curves;
// see [Weights.XYZ] for the curves that are refused. A second curve with X, Y or Z
// of 0 can't be corrected and is refused too. Every refusal is a *FieldError.
func SpecialMetamerism(first, second []float64, reference, test *Weights, formula Formula) (MetamerismIndex, error) {
	if _, err := ParseFormula(string(formula)); err != nil {
		return MetamerismIndex{}, err
	}
	if err := reference.made(); err != nil {
		return MetamerismIndex{}, Under("reference", err)
	}
	if err := test.made(); err != nil {
		return MetamerismIndex{}, Under("test", err)
	}
	if !reference.sameGrid(test) {
		return MetamerismIndex{}, &FieldError{Field: "test", Value: "weights of " + test.grid(), Allowed: "those of reference, of " + reference.grid()}
	}
	first0, second0, err := reference.xyzOfBoth(first, second)
	if err != nil {
		return MetamerismIndex{}, err
	}
	first1, second1, err := test.xyzOfBoth(first, second)
	if err != nil {
		return MetamerismIndex{}, err
	}
	if !(second0.X > 0 && second0.Y > 0 && second0.Z > 0) {
		return MetamerismIndex{}, &FieldError{Field: "second.reflectance",
			Value: fmt.Sprintf("a curve of X %g, Y %g, Z %g", second0.X, second0.Y, second0.Z), Allowed: "a curve with X, Y and Z above 0"}
	}
	corrected := XYZ{second1.X * (first0.X / second0.X), second1.Y * (first0.Y / second0.Y), second1.Z * (first0.Z / second0.Z)}
	return MetamerismIndex{
		Index:      formula.Difference(first1.Lab(test.white), corrected.Lab(test.white), DefaultFactors),
		Difference: formula.Difference(first0.Lab(reference.white), second0.Lab(reference.white), DefaultFactors),
		Formula:    formula, Reference: reference.condition, Test: test.condition,
	}, nil
}

// xyzOfBoth gives the tristimulus values of two curves; the error says which of
// them was refused.
func (w *Weights) xyzOfBoth(first, second []float64) (v1, v2 XYZ, err error) {
	if v1, err = w.XYZ(first); err != nil {
		return XYZ{}, XYZ{}, Under("first", err)
	}
	if v2, err = w.XYZ(second); err != nil {
		return XYZ{}, XYZ{}, Under("second", err)
	}
	return v1, v2, nil
}

// sameGrid tells whether both are for samples at the same wavelengths.
func (w *Weights) sameGrid(o *Weights) bool {
	return slices.EqualFunc(w.nm, o.nm, func(a, b float64) bool { return math.Abs(a-b) <= gridTolerance })
}

// grid describes the wavelengths of the samples for a refusal.
func (w *Weights) grid() string {
	return fmt.Sprintf("%d samples from %s to %s nm", len(w.nm), number(w.nm[0]), number(w.nm[len(w.nm)-1]))
}
