package colorimetry_test

import (
	"fmt"
	"math"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// An invented curve, 400 to 700 nm in steps of 20: a middling green.
var green = []float64{
	.05, .05, .06, .07, .10, .16, .22, .24, .21, .16, .12, .10, .09, .10, .13, .18,
}

// From the curves of two pieces to how far apart they look.
func Example() {
	faded := make([]float64, len(green)) // the same green after a summer at a window, invented
	for i, r := range green {
		faded[i] = 0.9*r + 0.03
	}
	w, err := colorimetry.NewWeights(colorimetry.D65Observer10, 400, 20, len(green))
	if err != nil {
		fmt.Println(err)
		return
	}
	reference, err := w.Lab(green)
	if err != nil {
		fmt.Println(err)
		return
	}
	sample, err := w.Lab(faded)
	if err != nil {
		fmt.Println(err)
		return
	}
	p, q := reference.LCh(), sample.LCh()
	fmt.Printf("%v: lightness %+.1f, chroma %+.1f, hue %+.1f degrees\n", w.Condition(), q.L-p.L, q.C-p.C, q.H-p.H)
	fmt.Printf("CIEDE2000 %.2f\n", colorimetry.CIEDE2000(reference, sample, colorimetry.DefaultFactors))
	// Output:
	// D65/10: lightness +1.5, chroma -6.3, hue +1.1 degrees
	// CIEDE2000 2.98
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

// Any daylight by its colour temperature; temperatures for which the CIE defines none are refused.
func ExampleDaylightAt() {
	for _, kelvin := range []float64{5500, 9300, 3000} {
		light, err := colorimetry.DaylightAt(kelvin)
		if err != nil {
			fmt.Println(err)
			return
		}
		white, err := colorimetry.White(colorimetry.Condition{Illuminant: light, Observer: colorimetry.Observer10})
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%v: X %.2f Y %.0f Z %.2f\n", light, white.X, white.Y, white.Z)
	}
	// Output:
	// 5500K: X 95.80 Y 100 Z 90.87
	// 9300K: X 94.29 Y 100 Z 138.58
	// colour_temperature_k is 3000, allowed: 4000 to 25000
}

// One pair by every formula, checked first; the reference is the first colour.
func ExampleFormula_Compare() {
	reference, sample := colorimetry.Lab{L: 48.7, A: -23.2, B: 27.9}, colorimetry.Lab{L: 50.1, A: -21.0, B: 26.0}
	for _, f := range colorimetry.Formulas() {
		d, err := f.Compare(reference, sample, colorimetry.DefaultFactors)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%.3f by %s\n", d, f.Printed(colorimetry.DefaultFactors))
	}
	_, err := colorimetry.FormulaCIE76.Compare(reference, sample, colorimetry.Factors{KL: 2, KC: 1, KH: 1})
	fmt.Println(err)
	// Output:
	// 1.819 by CIEDE2000, kL = 1, kC = 1, kH = 1
	// 3.226 by CIE76
	// 1.300 by CIE94 (textile), kL = 2, kC = 1, kH = 1
	// 1.802 by CIE94 (graphic arts), kL = 1, kC = 1, kH = 1
	// 1.865 by CMC(1:1)
	// kL is 2, allowed: 1: cie76 has no such factor
}

// The first of the 34 pairs of Sharma, Wu & Dalal (2005), published as 2.0425.
func ExampleCIEDE2000() {
	reference, sample := colorimetry.Lab{L: 50, A: 2.6772, B: -79.7751}, colorimetry.Lab{L: 50, A: 0, B: -82.7485}
	fmt.Printf("%.4f\n", colorimetry.CIEDE2000(reference, sample, colorimetry.DefaultFactors))
	// Output: 2.0425
}

// Many pairs, into a slice that is used again.
func ExampleCIEDE2000Pairs() {
	reference := []colorimetry.Lab{{L: 50, A: 2.5}, {L: 50, A: 2.5}} // two of the pairs of Sharma, Wu & Dalal (2005)
	sample := []colorimetry.Lab{{L: 73, A: 25, B: -18}, {L: 61, A: -5, B: 29}}
	differences := make([]float64, len(sample))
	if err := colorimetry.CIEDE2000Pairs(differences, reference, sample, colorimetry.DefaultFactors); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.4f\n", differences)
	// Output: [27.1492 22.8977]
}

// How deep a colour is, and why that is not yet how much dye there is.
func ExampleMeasuredStrength() {
	var nm []float64
	for i := range green {
		nm = append(nm, float64(400+20*i))
	}
	s, err := colorimetry.MeasuredStrength(colorimetry.Curve{WavelengthsNm: nm, Reflectance: green})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("K/S %.1f at %g nm, saturated: %v\n", s.KS, s.WavelengthNm, s.Saturated)
	// Output: K/S 9.0 at 400 nm, saturated: false
}

// One piece read at five places.
func ExampleLevelnessOfColours() {
	places := []colorimetry.Lab{{L: 48.7, A: -23.2, B: 27.9}, {L: 48.9, A: -23.0, B: 27.5}, {L: 48.2, A: -23.4, B: 28.1}, {L: 48.8, A: -23.1, B: 27.8}}
	_, err := colorimetry.LevelnessOfColours(places)
	fmt.Println(err)
	l, err := colorimetry.LevelnessOfColours(append(places, colorimetry.Lab{L: 49.0, A: -22.9, B: 27.6}))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%s: %.2f by CIEDE2000 to the mean of %d places\n", l.Grade, l.Index, l.Readings)
	// Output:
	// readings is 4, allowed: 5 or more; 1 missing
	// level: 0.24 by CIEDE2000 to the mean of 5 places
}

// What matches by day and not under a shop's lamp: an invented pair of greens, as we know of no published pair of curves with its index.
// TestSpecialMetamerism holds the index against metamers made so that it must be the plain difference.
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

// A screen shows most greens of dyed wool, and not this turquoise.
func ExampleLab_SRGB() {
	for _, c := range []colorimetry.Lab{{L: 48.7, A: -23.2, B: 27.9}, {L: 60, A: -60, B: -30}} {
		rgb, shown, err := c.SRGB(colorimetry.D65Observer2)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%.2f %.2f %.2f, on screen: %v; in its place %.2f\n", rgb.R, rgb.G, rgb.B, shown, rgb.Clip())
	}
	// Output:
	// 0.36 0.49 0.26, on screen: true; in its place {0.36 0.49 0.26}
	// -0.53 0.67 0.77, on screen: false; in its place {0.00 0.67 0.77}
}

// How strong is a dyeing in percent of another? The figure tells about dye only where both have the same hue.
func ExampleComputeRelativeStrength() {
	var nm, wool, reference, stronger, other []float64 // invented curves
	for w := 400.0; w <= 700; w += 20 {
		base, _ := colorimetry.KS(0.6)
		band := func(centre float64) float64 { return math.Exp(-math.Pow((w-centre)/60, 2)) }
		nm, wool = append(nm, w), append(wool, 0.6)
		reference = append(reference, colorimetry.ReflectanceFromKS(base+4*band(620)))
		stronger = append(stronger, colorimetry.ReflectanceFromKS(base+5*band(620)))
		other = append(other, colorimetry.ReflectanceFromKS(base+5*band(520)))
	}
	for _, sample := range [][]float64{stronger, other} {
		s, err := colorimetry.ComputeRelativeStrength(nm, sample, reference, wool)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%.0f %%, comparable: %v (cosine %.2f)\n", s.Percent, s.Comparable, s.Cosine)
	}
	// Output:
	// 125 %, comparable: true (cosine 1.00)
	// 127 %, comparable: false (cosine 0.25)
}

// One of the many curves that have a colour: its tag must go with everything computed from it.
func ExampleCurveFromColour() {
	w, err := colorimetry.NewWeights(colorimetry.D65Observer2, 400, 20, 16)
	if err != nil {
		fmt.Println(err)
		return
	}
	c, err := colorimetry.CurveFromColour(colorimetry.Lab{L: 60, A: 20, B: 40}, w)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.2f (%s)\n", c.Reflectance, c.Tag)
	// Output:
	// [0.08 0.08 0.08 0.09 0.11 0.13 0.16 0.21 0.28 0.36 0.44 0.48 0.51 0.51 0.52 0.52] (from colour only)
}

// A strip of cloth exposed at a window beside the blue wool references, in the
// manner of ISO 105-B02; invented colours and changes.
func ExampleBracketBlueWool() {
	change, err := colorimetry.A05(colorimetry.Lab{L: 55, A: 30, B: 25}, colorimetry.Lab{L: 58, A: 25, B: 22})
	if err != nil {
		fmt.Println(err)
		return
	}
	references := [8]float64{18, 12, 7.5, 4.4, 2.6, 1.2, 0.7, 0.3}
	fastness, err := colorimetry.BracketBlueWool(references, change.DeltaEF)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("dE_F %.1f, grade %v; light fastness %v\n", change.DeltaEF, change.Grade, fastness)
	// Output:
	// dE_F 4.9, grade 2-3; light fastness 4
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
