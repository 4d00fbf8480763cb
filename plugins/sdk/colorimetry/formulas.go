package colorimetry

import (
	"fmt"
	"math"
	"strings"
)

// CIE94Constants are the constants of [CIE94] for a kind of goods: the lightness
// factor kL, and K1 and K2 by which the weights of chroma, 1 + K1 C, and of hue,
// 1 + K2 C, grow with the chroma of the reference.
type CIE94Constants struct{ KL, K1, K2 float64 }

// The constants of CIE 116-1995, and those usual for textiles.
var (
	CIE94GraphicArts = CIE94Constants{1, 0.045, 0.015}
	CIE94Textile     = CIE94Constants{2, 0.048, 0.014}
)

// CIE94 is the colour difference of CIE 116-1995. The weights depend on the
// chroma of the reference, so exchanging the colours gives another figure. k are
// parametric factors, [DefaultFactors] for none: k.KL multiplies kL of the
// constants, k.KC and k.KH are kC and kH. Values that are not finite give NaN or
// infinity; see [Lab.Validate].
func CIE94(reference, sample Lab, of CIE94Constants, k Factors) float64 {
	c1, c2 := math.Hypot(reference.A, reference.B), math.Hypot(sample.A, sample.B)
	l := (sample.L - reference.L) / (of.KL * k.KL)
	c := (c2 - c1) / (k.KC * (1 + float64(of.K1*c1)))
	h := deltaH(reference, sample, c1, c2) / (k.KH * (1 + float64(of.K2*c1)))
	return math.Sqrt(float64(l*l) + float64(c*c) + float64(h*h))
}

// CMC is the colour difference CMC(l:c) of Clarke, McDonald & Rigg (1984), J.
// Soc. Dyers Colour. 100, 128-132, as in ISO 105-J03. The weights depend on the
// reference, so exchanging the colours gives another figure. 2:1 is for whether a
// dyeing is acceptable, 1:1 for whether a difference can be seen. Values that are
// not finite give NaN or infinity; see [Lab.Validate].
func CMC(reference, sample Lab, l, c float64) float64 {
	c1, c2 := math.Hypot(reference.A, reference.B), math.Hypot(sample.A, sample.B)
	h1 := reference.LCh().H

	sL := 0.511
	if reference.L >= 16 {
		sL = float64(0.040975*reference.L) / (1 + float64(0.01765*reference.L))
	}
	sC := float64(0.0638*c1)/(1+float64(0.0131*c1)) + 0.638
	t := 0.36 + math.Abs(0.4*math.Cos((h1+35)*(math.Pi/180)))
	if h1 >= 164 && h1 <= 345 {
		t = 0.56 + math.Abs(0.2*math.Cos((h1+168)*(math.Pi/180)))
	}
	sq := float64(c1 * c1)
	fourth := float64(sq * sq)
	f := math.Sqrt(fourth / (fourth + 1900))
	sH := sC * (float64(f*t) + 1 - f)

	dL := (sample.L - reference.L) / (l * sL)
	dC := (c2 - c1) / (c * sC)
	dH := deltaH(reference, sample, c1, c2) / sH
	return math.Sqrt(float64(dL*dL) + float64(dC*dC) + float64(dH*dH))
}

// deltaH is the CIELAB hue difference, above 0 where the shorter way from the
// reference's hue to the sample's is counterclockwise (see counterclockwise for
// opposite hues). c1 and c2 are the chromas.
//
// It uses the cross product: the usual root of 2(C1 C2 - a1 a2 - b1 b2) loses
// half its digits where colours are close.
func deltaH(reference, sample Lab, c1, c2 float64) float64 {
	product := float64(c1 * c2)
	if product < negligible {
		if math.IsNaN(product) {
			return product
		}
		return 0
	}
	dot := float64(reference.A*sample.A) + float64(reference.B*sample.B)
	cross := float64(reference.A*sample.B) - float64(sample.A*reference.B)
	if dot >= 0 {
		return math.Sqrt2 * cross / math.Sqrt(product+dot)
	}
	h := math.Sqrt2 * math.Sqrt(product-dot)
	if counterclockwise(reference.A, reference.B, sample.A, sample.B, cross, product) {
		return h
	}
	if math.IsNaN(dot) {
		return dot
	}
	return -h
}

// Formula is a difference formula, by the name that requests and tables use.
type Formula string

// The formulas. CIE94 and CMC are asymmetric: the reference is the first colour.
const (
	FormulaCIEDE2000        Formula = "ciede2000"
	FormulaCIE76            Formula = "cie76"
	FormulaCIE94Textile     Formula = "cie94_textile"
	FormulaCIE94GraphicArts Formula = "cie94_graphic_arts"
	FormulaCMC              Formula = "cmc"
)

// Formulas lists all of them.
func Formulas() []Formula {
	return []Formula{FormulaCIEDE2000, FormulaCIE76, FormulaCIE94Textile, FormulaCIE94GraphicArts, FormulaCMC}
}

// ParseFormula reads a formula's name, in small letters. The *FieldError for any
// other name lists the allowed ones.
func ParseFormula(name string) (Formula, error) {
	var names []string
	for _, f := range Formulas() {
		if string(f) == name {
			return f, nil
		}
		names = append(names, string(f))
	}
	return "", &FieldError{Field: "formula", Value: quote(name), Allowed: strings.Join(names, ", ")}
}

// Symmetric tells that exchanging the colours changes nothing.
func (f Formula) Symmetric() bool { return f == FormulaCIEDE2000 || f == FormulaCIE76 }

// Check refuses factors outside of 0.1 to 10, and any but 1 that the formula
// doesn't have: CIE76 has none; CMC has l and c, given as KL and KC, but no factor
// of hue. The *FieldError names the first: kL, kC or kH.
func (f Formula) Check(k Factors) error {
	if err := k.Validate(); err != nil {
		return err
	}
	for _, c := range []struct {
		name  string
		k     float64
		taken bool
	}{{"kL", k.KL, f != FormulaCIE76}, {"kC", k.KC, f != FormulaCIE76}, {"kH", k.KH, f != FormulaCIE76 && f != FormulaCMC}} {
		if !c.taken && c.k != 1 {
			return &FieldError{Field: c.name, Value: number(c.k), Allowed: "1: " + string(f) + " has no such factor"}
		}
	}
	return nil
}

// Difference computes the difference by the formula; see [Formula.Check] for the
// factors, which multiply those that a formula has of its own. An unknown
// formula gives NaN.
func (f Formula) Difference(reference, sample Lab, k Factors) float64 {
	switch f {
	case FormulaCIEDE2000:
		return CIEDE2000(reference, sample, k)
	case FormulaCIE76:
		return CIE76(reference, sample)
	case FormulaCIE94Textile:
		return CIE94(reference, sample, CIE94Textile, k)
	case FormulaCIE94GraphicArts:
		return CIE94(reference, sample, CIE94GraphicArts, k)
	case FormulaCMC:
		return CMC(reference, sample, k.KL, k.KC)
	}
	return math.NaN()
}

// Compare is [Formula.Difference] for input that is not checked yet. An unknown
// formula, factors that [Formula.Check] refuses and colours that [Lab.Validate]
// refuses are a *FieldError.
func (f Formula) Compare(reference, sample Lab, k Factors) (float64, error) {
	if _, err := ParseFormula(string(f)); err != nil {
		return 0, err
	}
	if err := f.Check(k); err != nil {
		return 0, err
	}
	if err := bothValid("reference", reference, "sample", sample); err != nil {
		return 0, err
	}
	return f.Difference(reference, sample, k), nil
}

// Printed names the formula with its factors, as a result must state them.
func (f Formula) Printed(k Factors) string {
	factors := func(of string, kl float64) string {
		return fmt.Sprintf("%s, kL = %s, kC = %s, kH = %s", of, number(kl), number(k.KC), number(k.KH))
	}
	switch f {
	case FormulaCIEDE2000:
		return factors("CIEDE2000", k.KL)
	case FormulaCIE76:
		return "CIE76"
	case FormulaCIE94Textile:
		return factors("CIE94 (textile)", k.KL*CIE94Textile.KL)
	case FormulaCIE94GraphicArts:
		return factors("CIE94 (graphic arts)", k.KL)
	case FormulaCMC:
		return fmt.Sprintf("CMC(%s:%s)", number(k.KL), number(k.KC))
	}
	return string(f)
}
