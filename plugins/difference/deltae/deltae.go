// Package deltae gives the differences of pairs of colours by a named formula.
//
// All colours of a request share one condition, which stands once beside them,
// so that colours under different conditions cannot meet in a pair.
package deltae

import (
	"fmt"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// The names of the formulas asked for most; [Formulas] has all.
const (
	CIEDE2000 = string(colorimetry.FormulaCIEDE2000)
	CIE76     = string(colorimetry.FormulaCIE76)
)

// Formulas lists the names that Request.Formula may have.
func Formulas() []string {
	var out []string
	for _, f := range colorimetry.Formulas() {
		out = append(out, string(f))
	}
	return out
}

// Pair is two colours; the reference comes first wherever a formula cares.
type Pair struct{ Reference, Sample colorimetry.Lab }

// Request asks for the differences of pairs.
type Request struct {
	Condition colorimetry.Condition // of every colour in Pairs
	Formula   string                // one of Formulas
	// Factors are parametric, each 0.1 to 10: see colorimetry.Formula.Check for
	// which a formula takes. The zero value means colorimetry.DefaultFactors.
	Factors colorimetry.Factors
	Pairs   []Pair // may be empty
}

// Result has one difference for each pair, in order, and what they were
// computed with, to be told with them.
type Result struct {
	Differences []float64
	Condition   colorimetry.Condition
	Formula     string
	Factors     colorimetry.Factors
}

// Printed is the formula with its factors, the form in which a result is told.
func (r Result) Printed() string { return colorimetry.Formula(r.Formula).Printed(r.Factors) }

// Differences answers a request. Bad input is a *colorimetry.FieldError whose
// path names the pair and the field, such as "pairs[3].sample.L"; then nothing
// is computed.
func Differences(r Request) (Result, error) {
	if err := r.Condition.Validate(); err != nil {
		return Result{}, colorimetry.Under("condition", err)
	}
	formula, err := colorimetry.ParseFormula(r.Formula)
	if err != nil {
		return Result{}, err
	}
	factors := r.Factors
	if factors == (colorimetry.Factors{}) {
		factors = colorimetry.DefaultFactors
	}
	if err := formula.Check(factors); err != nil {
		return Result{}, colorimetry.Under("factors", err)
	}
	for i, p := range r.Pairs {
		if err := p.validate(); err != nil {
			return Result{}, colorimetry.Under(fmt.Sprintf("pairs[%d]", i), err)
		}
	}
	out := Result{Differences: make([]float64, len(r.Pairs)), Condition: r.Condition, Formula: r.Formula, Factors: factors}
	for i, p := range r.Pairs {
		out.Differences[i] = formula.Difference(p.Reference, p.Sample, factors)
	}
	return out, nil
}

func (p Pair) validate() error {
	if err := p.Reference.Validate(); err != nil {
		return colorimetry.Under("reference", err)
	}
	return colorimetry.Under("sample", p.Sample.Validate())
}
