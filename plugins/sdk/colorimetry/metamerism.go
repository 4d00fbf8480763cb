package colorimetry

import (
	"fmt"
	"math"
	"slices"
)

// MetamerismIndex is how far two pieces that match under one light part under
// another.
type MetamerismIndex struct {
	Index      float64 // the difference under the test condition, after correction, by Formula
	Difference float64 // the difference that was left under the reference condition, which the correction takes away
	Formula    Formula
	Reference  Condition
	Test       Condition
}

// SpecialMetamerism gives the special metamerism index for a change in
// illuminant, or of observer, of CIE 015:2018, 9.2: the difference under test
// of two curves that match under reference. Where they don't quite match, the
// tristimulus values of the second under test are multiplied by the first's
// over its own under reference. The formula is used without factors.
//
// Both curves are on the grid of the weights, which must be the same for both;
// see [Weights.XYZ] for what is refused. A second curve without light in some
// channel can't be corrected and is refused too. Every refusal is a *FieldError.
func SpecialMetamerism(first, second []float64, reference, test *Weights, formula Formula) (MetamerismIndex, error) {
	if _, err := ParseFormula(string(formula)); err != nil {
		return MetamerismIndex{}, err
	}
	for i, w := range []*Weights{reference, test} {
		if err := w.made(); err != nil {
			return MetamerismIndex{}, Under([]string{"reference", "test"}[i], err)
		}
	}
	if !slices.EqualFunc(reference.nm, test.nm, func(a, b float64) bool { return math.Abs(a-b) <= gridTolerance }) {
		return MetamerismIndex{}, &FieldError{Field: "test", Value: "weights of " + test.grid(), Allowed: "those of reference, of " + reference.grid()}
	}
	var v [2][2]XYZ // curve, condition
	for i, curve := range [][]float64{first, second} {
		for k, w := range []*Weights{reference, test} {
			got, err := w.XYZ(curve)
			if err != nil {
				return MetamerismIndex{}, Under([]string{"first", "second"}[i], err)
			}
			v[i][k] = got
		}
	}
	own := v[1][0]
	if !(own.X > 0 && own.Y > 0 && own.Z > 0) {
		return MetamerismIndex{}, &FieldError{Field: "second.reflectance", Value: fmt.Sprintf("a curve of X %g, Y %g, Z %g", own.X, own.Y, own.Z), Allowed: "a curve with X, Y and Z above 0"}
	}
	corrected := XYZ{v[1][1].X * (v[0][0].X / own.X), v[1][1].Y * (v[0][0].Y / own.Y), v[1][1].Z * (v[0][0].Z / own.Z)}
	return MetamerismIndex{
		Index:      formula.Difference(v[0][1].Lab(test.white), corrected.Lab(test.white), DefaultFactors),
		Difference: formula.Difference(v[0][0].Lab(reference.white), v[1][0].Lab(reference.white), DefaultFactors),
		Formula:    formula, Reference: reference.condition, Test: test.condition,
	}, nil
}

// grid tells the wavelengths of the samples.
func (w *Weights) grid() string {
	return fmt.Sprintf("%d samples from %s to %s nm", len(w.nm), number(w.nm[0]), number(w.nm[len(w.nm)-1]))
}
