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

// What matches by day and not under a shop's lamp: an invented pair of greens.
func ExampleSpecialMetamerism() {
	other := append([]float64(nil), green...)
	other[4], other[7], other[11] = .13, .22, .14
	daylight, err := colorimetry.NewWeights(colorimetry.D65Observer10, 400, 20, len(green))
	if err != nil {
		fmt.Println(err)
		return
	}
	shop, err := colorimetry.NewWeights(colorimetry.Condition{Illuminant: colorimetry.FL11, Observer: colorimetry.Observer10}, 400, 20, len(green))
	if err != nil {
		fmt.Println(err)
		return
	}
	m, err := colorimetry.SpecialMetamerism(green, other, daylight, shop, colorimetry.FormulaCIEDE2000)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%v to %v: %.2f (%.2f were there by day)\n", m.Reference, m.Test, m.Index, m.Difference)
	// Output: D65/10 to FL11/10: 1.54 (1.30 were there by day)
}

// A colour for D65/10 on a screen: adapted first, and told.
func ExampleAdaptation() {
	to, err := colorimetry.NewAdaptation(colorimetry.CAT16, colorimetry.D65Observer10, colorimetry.D65Observer2)
	if err != nil {
		fmt.Println(err)
		return
	}
	rgb, shown, err := to.Lab(colorimetry.Lab{L: 48.75, A: -23.18, B: 27.90}).SRGB(to.To())
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.2f %.2f %.2f, on screen: %v (%s)\n", rgb.R, rgb.G, rgb.B, shown, to.Label())
	// Output: 0.36 0.49 0.26, on screen: true (CAT16 from D65/10 to D65/2)
}

func ExampleFitDips() {
	curve, err := colorimetry.FitDips([]float64{1, 2, 3, 5, 8}, []float64{3.9, 6.4, 7.7, 9.2, 9.8}) // invented strengths
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("towards K/S %.1f; nine tenths after %.1f dips\n", curve.Limit, curve.DipsTo90)
	// Output: towards K/S 10.0; nine tenths after 4.6 dips
}
