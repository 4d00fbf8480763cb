// Package deltae gives the differences of pairs of colours by a named formula.
//
// All colours of a request share one condition, which stands once beside them,
// so that colours under different conditions cannot meet in a pair.
package deltae

import (
	"fmt"
	"strings"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// The names of the formulas.
const (
	CIEDE2000 = "ciede2000" // ISO/CIE 11664-6, takes factors
	CIE76     = "cie76"     // ISO/CIE 11664-4, Euclidean distance
)

// Formulas lists the names that Request.Formula may have.
func Formulas() []string { return []string{CIEDE2000, CIE76} }

// Pair is two colours; the reference comes first wherever a formula cares.
type Pair struct{ Reference, Sample colorimetry.Lab }

// Request asks for the differences of pairs.
type Request struct {
	Condition colorimetry.Condition // of every colour in Pairs
	Formula   string                // one of Formulas
	// Factors are for CIEDE2000 only, each 0.1 to 10. The zero value means
	// colorimetry.DefaultFactors.
	Factors colorimetry.Factors
	Pairs   []Pair // may be empty
}

// Result has one difference for each pair, in order, and what they were
// computed with, to be told with them.
type Result struct {
	Differences []float64
	Condition   colorimetry.Condition
	Formula     string
	Factors     colorimetry.Factors // zero for formulas without factors
}

// Differences answers a request. Bad input is a *colorimetry.FieldError whose
// path names the pair and the field, such as "pairs[3].sample.L"; then nothing
// is computed.
func Differences(r Request) (Result, error) {
	if err := r.Condition.Validate(); err != nil {
		return Result{}, colorimetry.Under("condition", err)
	}
	factors := r.Factors
	switch r.Formula {
	case CIEDE2000:
		if factors == (colorimetry.Factors{}) {
			factors = colorimetry.DefaultFactors
		}
		if err := factors.Validate(); err != nil {
			return Result{}, colorimetry.Under("factors", err)
		}
	case CIE76:
		if factors != (colorimetry.Factors{}) && factors != colorimetry.DefaultFactors {
			return Result{}, &colorimetry.FieldError{Field: "factors", Value: fmt.Sprintf("kL %v, kC %v, kH %v", factors.KL, factors.KC, factors.KH),
				Allowed: "none: " + CIE76 + " has no factors"}
		}
		factors = colorimetry.Factors{}
	default:
		return Result{}, &colorimetry.FieldError{Field: "formula", Value: fmt.Sprintf("%.40q", r.Formula), Allowed: strings.Join(Formulas(), ", ")}
	}
	for i, p := range r.Pairs {
		if err := p.validate(); err != nil {
			return Result{}, colorimetry.Under(fmt.Sprintf("pairs[%d]", i), err)
		}
	}
	out := Result{Differences: make([]float64, len(r.Pairs)), Condition: r.Condition, Formula: r.Formula, Factors: factors}
	for i, p := range r.Pairs {
		if r.Formula == CIE76 {
			out.Differences[i] = colorimetry.CIE76(p.Reference, p.Sample)
		} else {
			out.Differences[i] = colorimetry.CIEDE2000(p.Reference, p.Sample, factors)
		}
	}
	return out, nil
}

func (p Pair) validate() error {
	if err := p.Reference.Validate(); err != nil {
		return colorimetry.Under("reference", err)
	}
	return colorimetry.Under("sample", p.Sample.Validate())
}
