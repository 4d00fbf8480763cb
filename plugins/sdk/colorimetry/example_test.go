package colorimetry_test

import (
	"fmt"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// An invented curve, 400 to 700 nm in steps of 20: a middling green.
var green = []float64{
	.05, .05, .06, .07, .10, .16, .22, .24, .21, .16, .12, .10, .09, .10, .13, .18,
}

func ExampleNewWeights() {
	for _, c := range []colorimetry.Condition{colorimetry.D65Observer10, colorimetry.AObserver10} {
		w, err := colorimetry.NewWeights(c, 400, 20, len(green))
		if err != nil {
			fmt.Println(err)
			return
		}
		lab, err := w.Lab(green)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%v: L %.2f a %.2f b %.2f\n", c, lab.L, lab.A, lab.B)
	}
	_, err := colorimetry.NewWeights(colorimetry.D65Observer10, 420, 20, 15)
	fmt.Println(err)
	// Output:
	// D65/10: L 48.75 a -23.18 b 27.90
	// A/10: L 47.86 a -18.93 b 23.63
	// start_nm is 420, allowed: 1 to 400; the curve lacks 400 to 420 nm
}

func ExampleCIEDE2000() {
	reference, sample := colorimetry.Lab{L: 50, A: 2.6772, B: -79.7751}, colorimetry.Lab{L: 50, A: 0, B: -82.7485}
	fmt.Printf("%.4f\n", colorimetry.CIEDE2000(reference, sample, colorimetry.DefaultFactors))
	// Output: 2.0425
}
