// Command commonvat-module-difference-cie94 is a worked example: the formula CIE94 with the constants for graphic arts.
package main

import (
	"math"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	"github.com/commonvat/commonvat/plugins/sdk/formula"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
)

func main() { formula.Serve(cie94) }

var cie94 = formula.Formula{
	Name: "difference-cie94", Version: "0.1.0", Author: "The Commonvat Authors", Word: "cie94", Printed: "CIE94", Factors: true,
	Summary: "Difference of two colours by CIE94 with the constants for graphic arts; the chroma of the reference sets the weights.",
	Sources: []*describev1.Source{{Citation: "CIE 116-1995, Industrial colour-difference evaluation", Identifier: "CIE 116-1995"}},
	Laws:    []*describev1.LawPromise{{Law: describev1.Law_LAW_IDENTITY}, {Law: describev1.Law_LAW_ORDER_FREE}},
	Exceptions: []*describev1.LawException{{Law: describev1.Law_LAW_SYMMETRY,
		Reason: "The chroma of the reference alone sets the weights."}},
	Of: difference,
}

func difference(reference, sample colorimetry.Lab, k colorimetry.Factors) float64 {
	chroma := math.Hypot(reference.A, reference.B)
	dL, dC := reference.L-sample.L, chroma-math.Hypot(sample.A, sample.B)
	dH2 := max(0, math.Pow(reference.A-sample.A, 2)+math.Pow(reference.B-sample.B, 2)-dC*dC)
	l, c, h2 := dL/k.KL, dC/(k.KC*(1+0.045*chroma)), dH2/math.Pow(k.KH*(1+0.015*chroma), 2)
	return math.Sqrt(l*l + c*c + h2)
}
