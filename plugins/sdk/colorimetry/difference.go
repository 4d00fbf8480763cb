package colorimetry

import (
	"fmt"
	"math"
)

// CIE76 is the Euclidean distance in CIELAB (ISO/CIE 11664-4). Values that are
// not finite give NaN or infinity; see Lab.Validate.
func CIE76(reference, sample Lab) float64 {
	l, a, b := sample.L-reference.L, sample.A-reference.A, sample.B-reference.B
	return math.Sqrt(float64(l*l) + float64(a*a) + float64(b*b))
}

// Factors are the parametric factors of CIEDE2000 for lightness, chroma and
// hue, each from 0.1 to 10. Textile work sometimes takes KL = 2. A difference
// with other factors than the default must be reported with them
// ([Formula.Printed]).
type Factors struct{ KL, KC, KH float64 }

// DefaultFactors are the reference conditions: all 1.
var DefaultFactors = Factors{1, 1, 1}

// The range that Factors.Validate accepts.
const minFactor, maxFactor = 0.1, 10

// Validate refuses factors outside of 0.1 to 10, NaN among them, by a
// *FieldError that names the first: kL, kC or kH.
func (f Factors) Validate() error {
	if err := checkRange("kL", f.KL, minFactor, maxFactor); err != nil {
		return err
	}
	if err := checkRange("kC", f.KC, minFactor, maxFactor); err != nil {
		return err
	}
	return checkRange("kH", f.KH, minFactor, maxFactor)
}

// CIEDE2000Pairs writes to differences[i] the CIEDE2000 difference of
// reference[i] and sample[i]. Slices of unequal length are refused by a
// *FieldError before anything is computed. It allocates nothing, so that
// several goroutines may share a long list by taking a part each.
func CIEDE2000Pairs(differences []float64, reference, sample []Lab, f Factors) error {
	if len(reference) != len(sample) || len(differences) != len(sample) {
		return &FieldError{Field: "sample", Value: fmt.Sprintf("%d colours", len(sample)),
			Allowed: fmt.Sprintf("as many as references (%d) and differences (%d)", len(reference), len(differences))}
	}
	for i := range differences {
		differences[i] = CIEDE2000(reference[i], sample[i], f)
	}
	return nil
}

const (
	pow25to7 = 25 * 25 * 25 * 25 * 25 * 25 * 25

	// Hues within 1e-10 degrees of being opposite count as opposite, and
	// opposite hues as "at most 180 degrees apart". The published test pairs
	// take this branch; without the tolerance it would depend on the last bit of
	// a sine.
	oppositeSine = 1e-10 * math.Pi / 180
	// For the same reason a mean hue less than 1e-10 degrees below 360 counts
	// as 0.
	zeroHueSine = oppositeSine

	// Below this product of the two chromas one colour is as good as grey: the
	// hue term is under 1e-139, and its square would soon underflow.
	negligible = 1e-280
)

// CIEDE2000 is the colour difference of ISO/CIE 11664-6, by the equations of
// Sharma, Wu & Dalal (2005), Color Research & Application 30(1), 21-30.
//
// Method: all equations but one need only sines and cosines of hues. So no
// angle is computed: the mean hue is kept as a unit vector, its multiples come
// from the addition theorems, and the hue difference from a cross product. Only
// the rotation term needs the angle; it is read from a table of polynomials (see
// rotation).
//
// Special cases: where a colour is grey the hue terms are 0. The formula jumps
// where hues are opposite and where the mean hue passes 0; hues within 1e-10
// degrees of these places count as opposite (at most 180 degrees apart), and as
// 0 rather than 360. Values that are not finite give NaN. Factors are not
// checked; see [Factors.Validate].
//
// Accuracy: within 1e-10 of an evaluation by angles for colours that
// Lab.Validate accepts, except at the two jumps. It is symmetric, but no metric:
// the triangle inequality can fail. It was made for differences below about 5.
func CIEDE2000(reference, sample Lab, f Factors) float64 {
	a1, b1, a2, b2 := reference.A, reference.B, sample.A, sample.B

	// Equations 2 to 7: a' and C'. Every product is converted before it is
	// added: without the conversion some processors would fuse the two and round
	// once less than others.
	b1sq, b2sq := float64(b1*b1), float64(b2*b2)
	meanC := (math.Sqrt(float64(a1*a1)+b1sq) + math.Sqrt(float64(a2*a2)+b2sq)) / 2
	stretch := 1.5 - float64(0.5*math.Sqrt(seventh(meanC))) // 1 + G
	a1 *= stretch
	a2 *= stretch
	c1sq, c2sq := float64(a1*a1)+b1sq, float64(a2*a2)+b2sq
	c1, c2 := math.Sqrt(c1sq), math.Sqrt(c2sq)

	// Equations 8, 9, 12, 13, 18, 19 and the first two terms of 22.
	deltaL, deltaC := sample.L-reference.L, c2-c1
	fromMid := float64((reference.L+sample.L)/2) - 50
	fromMid = float64(fromMid * fromMid)
	meanC = (c1 + c2) / 2
	l := deltaL / (f.KL * (1 + 0.015*fromMid/math.Sqrt(20+fromMid)))
	c := deltaC / (f.KC * (1 + float64(0.045*meanC)))
	squares := float64(l*l) + float64(c*c)

	product := float64(c1 * c2)
	if product < negligible {
		return math.Sqrt(squares)
	}

	// Equations 10, 11, 14: hue difference, and cosine and sine of the mean
	// hue. The mean hue is the direction of the sum of the two unit vectors.
	// Beyond 90 degrees apart it is taken at right angles to their difference
	// instead, which loses no digits where the sum comes near 0.
	dot := float64(a1*a2) + float64(b1*b2)
	cross := float64(a1*b2) - float64(a2*b1)
	var deltaH, cos, sin float64
	if dot >= 0 {
		r := math.Sqrt(product + dot)
		deltaH = math.Sqrt2 * cross / r
		scale := 1 / (r * math.Sqrt(2*product))
		cos = (float64(a1*c2) + float64(a2*c1)) * scale
		sin = (float64(b1*c2) + float64(b2*c1)) * scale
	} else {
		r := math.Sqrt(product - dot)
		scale := 1 / (r * math.Sqrt(2*product))
		deltaH = math.Sqrt2 * r
		if counterclockwise(a1, b1, a2, b2, cross, product) {
			cos = (float64(b2*c1) - float64(b1*c2)) * scale
			sin = (float64(a1*c2) - float64(a2*c1)) * scale
		} else {
			deltaH = -deltaH
			cos = (float64(b1*c2) - float64(b2*c1)) * scale
			sin = (float64(a2*c1) - float64(a1*c2)) * scale
		}
	}

	// Equations 15 and 20: T, by multiples of the mean hue.
	cos2, sin2 := float64(2*cos*cos)-1, float64(2*sin*cos)
	cos3, sin3 := float64(cos2*cos)-float64(sin2*sin), float64(sin2*cos)+float64(cos2*sin)
	cos4, sin4 := float64(2*cos2*cos2)-1, 2*sin2*cos2
	t := 1 -
		(float64(0.17*cos30*cos) + float64(0.17*sin30*sin)) +
		float64(0.24*cos2) +
		(float64(0.32*cos6*cos3) - float64(0.32*sin6*sin3)) -
		(float64(0.20*cos63*cos4) + float64(0.20*sin63*sin4))

	h := deltaH / (f.KH * (1 + float64(0.015*meanC*t)))
	squares += float64(h * h)

	// Equations 16, 17, 21 and 22.
	if r := rotation(cos, sin); r != 0 {
		squares -= float64(2 * math.Sqrt(seventh(meanC)) * r * c * h)
	}
	return math.Sqrt(squares)
}

// Cosines and sines of the fixed angles in T, in degrees.
const (
	cos30 = 0.866025403784438646763723170752936183
	sin30 = 0.5
	cos6  = 0.994521895368273336922691944980570170
	sin6  = 0.104528463267653471399834154802498120
	cos63 = 0.453990499739546791560408366357871199
	sin63 = 0.891006524188367862359709571413626312
)

// seventh is c^7 / (c^7 + 25^7).
func seventh(c float64) float64 {
	sq := c * c
	c7 := float64(sq * sq * sq * c)
	return c7 / (c7 + pow25to7)
}

// counterclockwise tells whether the shorter way from the first hue to the
// second is counterclockwise, so that the hue difference is above 0. Opposite
// hues have no shorter way: there it tells whether the second is the larger of
// the two angles from 0 to below 360.
func counterclockwise(a1, b1, a2, b2, cross, product float64) bool {
	if math.Abs(cross) >= float64(oppositeSine*product) {
		return cross > 0
	}
	lower1, lower2 := b1 < 0 || (b1 == 0 && a1 < 0), b2 < 0 || (b2 == 0 && a2 < 0)
	if lower1 != lower2 {
		return lower2
	}
	return cross > 0
}
