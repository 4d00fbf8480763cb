package colorimetry_test

import (
	"fmt"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// The way through the package with figures that others have published: from reflectance to a white, to XYZ and CIELAB, to a difference, to another
// light. The examples of CIEDE2000 are pairs of Sharma, Wu & Dalal (2005).

// The patch "green" of the 24-patch chart: from its measured reflectance to its colour, and how far that is from the colour published for it.
// Both are means of 30 charts, compiled by D. Pascale: x 0.3253, y 0.5032, Y 23.18 for D50 and 2 degrees (testdata/colour/patch24_*.csv).
func Example_publishedChart() {
	reflectance := []float64{ // 380 to 730 nm every 10 nm
		.052, .053, .054, .055, .057, .059, .061, .066, .075, .093, .125, .178, .246, .307, .337, .334, .317, .293,
		.262, .230, .198, .165, .135, .115, .104, .098, .094, .092, .093, .097, .102, .108, .113, .115, .114, .114,
	}
	w, err := colorimetry.NewWeights(colorimetry.Condition{Illuminant: colorimetry.D50, Observer: colorimetry.Observer2}, 380, 10, len(reflectance))
	if err != nil {
		fmt.Println(err)
		return
	}
	xyz, err := w.XYZ(reflectance)
	if err != nil {
		fmt.Println(err)
		return
	}
	const x, y, Y = 0.3253, 0.5032, 23.18
	published := colorimetry.XYZ{X: x / y * Y, Y: Y, Z: (1 - x - y) / y * Y}
	fmt.Printf("computed  %.1f\npublished %.1f\n", xyz, published)
	reference, sample := published.Lab(w.White()), xyz.Lab(w.White())
	fmt.Printf("CIELAB %.1f, CIEDE2000 %.2f\n", sample, colorimetry.CIEDE2000(reference, sample, colorimetry.DefaultFactors))
	// Output:
	// computed  {15.0 23.1 7.8}
	// published {15.0 23.2 7.9}
	// CIELAB {55.2 -37.8 31.6}, CIEDE2000 0.29
}

// The white of D50 for 2 degrees is printed in CIE 015:2018 as 96.42, 100, 82.51, that of D65 for 10 degrees in ASTM E308 as 94.811, 100, 107.304
// (from memory).
func ExampleWhite() {
	d50, err := colorimetry.White(colorimetry.Condition{Illuminant: colorimetry.D50, Observer: colorimetry.Observer2})
	if err != nil {
		fmt.Println(err)
		return
	}
	d65, err := colorimetry.White(colorimetry.D65Observer10)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("D50/2 %.2f\nD65/10 %.3f\n", d50, d65)
	// Output:
	// D50/2 {96.42 100.00 82.51}
	// D65/10 {94.811 100.000 107.304}
}

// The red of sRGB for D65 and 2 degrees, XYZ 0.4124564, 0.2126729, 0.0193339, is CIELAB 53.24, 80.09, 67.20 (published by B. Lindbloom, from memory).
func ExampleXYZ_Lab() {
	white, err := colorimetry.White(colorimetry.D65Observer2)
	if err != nil {
		fmt.Println(err)
		return
	}
	red := colorimetry.XYZ{X: 41.24564, Y: 21.26729, Z: 1.93339}
	fmt.Printf("%.2f\n", red.Lab(white))
	// Output: {53.24 80.09 67.20}
}

// The same red as ICC profiles hold it, adapted to D50 by Bradford: 0.4361, 0.2225, 0.0139 (from memory).
func ExampleAdaptation_XYZ() {
	d50 := colorimetry.Condition{Illuminant: colorimetry.D50, Observer: colorimetry.Observer2}
	a, err := colorimetry.NewAdaptation(colorimetry.Bradford, colorimetry.D65Observer2, d50)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.2f (%s)\n", a.XYZ(colorimetry.XYZ{X: 41.24564, Y: 21.26729, Z: 1.93339}), a.Label())
	// Output: {43.61 22.25 1.39} (Bradford from D65/2 to D50/2)
}
