package colorimetry

import "math"

// rotation is sin(2 dTheta) with dTheta = 30 degrees * exp(-((h-275)/25)^2),
// equations 16 and 21 of Sharma, Wu & Dalal (2005), for the hue h whose cosine
// and sine are given. h is taken from 0 to below 360 and the exponent does not
// wrap, so the function falls to 0 in one jump of 9.9e-6 at 360.
//
// Method: hues are divided into bins, each with a polynomial in the sine of the
// angle from the middle of the bin. Bins are equal steps of a coordinate that
// grows with the hue and needs no arc tangent: the cosine in the lower half of the
// circle (180 to 360 degrees), and -2 minus the cosine below 180. Its equal steps
// are wide angles only about 180 and 360 degrees, where the function is small.
//
// Accuracy: within 2e-13 of rotationByAngle everywhere. Below 138.6 degrees
// the function is under 1e-13 and 0 is returned. NaN gives NaN or 0.
func rotation(cos, sin float64) float64 {
	u := cos
	if sin > -zeroHueSine {
		if cos > rotationUpperCos {
			return 0
		}
		u = -2 - cos
	}
	// A cosine rounded to beyond 1 must not leave the table.
	bin := &rotationTable[min(uint(float64((u-rotationFirst)*rotationBinsPerUnit)), rotationBins-1)]
	y := float64(sin*bin.cos) - float64(cos*bin.sin)
	v := bin.c[rotationDegree]
	for k := rotationDegree - 1; k >= 0; k-- {
		v = float64(v*y) + bin.c[k]
	}
	return v
}

const (
	rotationUpperCos    = -0.75                 // of 138.6 degrees
	rotationFirst       = -2 - rotationUpperCos // coordinate of that hue
	rotationBinsPerUnit = 64
	rotationBins        = (1 - rotationFirst) * rotationBinsPerUnit
	rotationDegree      = 9
)

// rotationBin holds cosine and sine of the hue in the middle of a bin and the
// coefficients of its polynomial.
type rotationBin struct {
	cos, sin float64
	c        [rotationDegree + 1]float64
}

var rotationTable = newRotationTable()

// rotationByAngle is the function itself, for h in radians.
func rotationByAngle(h float64) float64 {
	x := (float64(h*(180/math.Pi)) - 275) / 25
	return math.Sin(math.Pi / 3 * math.Exp(-float64(x*x)))
}

// newRotationTable interpolates rotationByAngle in each bin at Chebyshev nodes:
// Newton's divided differences, expanded to a polynomial in powers of y.
func newRotationTable() (table [rotationBins]rotationBin) {
	// hue gives the hue, in radians, of a place on the coordinate.
	hue := func(u float64) float64 {
		if u < -1 {
			return math.Acos(max(-2-u, -1))
		}
		return 2*math.Pi - math.Acos(min(u, 1))
	}
	for i := range table {
		from := hue(rotationFirst + float64(float64(i)/rotationBinsPerUnit))
		to := hue(rotationFirst + float64(float64(i+1)/rotationBinsPerUnit))
		middle, half := (from+to)/2, math.Sin((to-from)/2)
		var y, f [rotationDegree + 1]float64
		for k := range y {
			y[k] = float64(half * math.Cos(math.Pi*(float64(k)+0.5)/float64(len(y))))
			f[k] = rotationByAngle(middle + math.Asin(y[k]))
		}
		for order := 1; order < len(f); order++ {
			for k := len(f) - 1; k >= order; k-- {
				f[k] = (f[k] - f[k-1]) / (y[k] - y[k-order])
			}
		}
		b := &table[i]
		b.sin, b.cos = math.Sincos(middle)
		for k := len(f) - 1; k >= 0; k-- { // c = c*(y - y[k]) + f[k]
			for j := len(b.c) - 1; j > 0; j-- {
				b.c[j] = b.c[j-1] - float64(y[k]*b.c[j])
			}
			b.c[0] = f[k] - float64(y[k]*b.c[0])
		}
	}
	return table
}
