package colorimetry

import (
	"math"
)

// straightCIEDE2000 evaluates the equations of Sharma, Wu & Dalal (2005) one
// after the other in degrees, as they are printed (numbers on the right): the
// second opinion, and the pace that the package's own form is measured against.
func straightCIEDE2000(r, s Lab, f Factors) float64 {
	difference, _, _ := straightParts(r, s, f)
	return difference
}

// straightParts also gives mean hue and distance of hues in degrees, by which a
// test can leave out the two jumps of the formula.
func straightParts(r, s Lab, f Factors) (difference, meanHue, hueApart float64) {
	const deg = math.Pi / 180
	const pow25to7 = 6103515625.0

	c1, c2 := math.Sqrt(r.A*r.A+r.B*r.B), math.Sqrt(s.A*s.A+s.B*s.B) // 2
	c7 := seventhPower((c1 + c2) / 2)                                // 3
	g := 0.5 * (1 - math.Sqrt(c7/(c7+pow25to7)))                     // 4
	a1, a2 := (1+g)*r.A, (1+g)*s.A                                   // 5
	c1, c2 = math.Sqrt(a1*a1+r.B*r.B), math.Sqrt(a2*a2+s.B*s.B)      // 6
	h1, h2 := straightHue(a1, r.B), straightHue(a2, s.B)             // 7

	dL, dC, dh := s.L-r.L, c2-c1, h2-h1 // 8, 9, 10
	meanHue, hueApart = (h1+h2)/2, math.Abs(dh)
	switch { // 10, 14
	case c1*c2 == 0:
		dh, meanHue = 0, h1+h2
	case hueApart-180 < 1e-10: // the branch of the published pairs
	default:
		if dh > 0 {
			dh -= 360
		} else {
			dh += 360
		}
		if h1+h2 < 360 {
			meanHue += 180
		} else {
			meanHue -= 180
		}
	}
	dH := 2 * math.Sqrt(c1*c2) * math.Sin(dh/2*deg) // 11
	meanL, meanC := (r.L+s.L)/2, (c1+c2)/2          // 12, 13

	t := 1 - 0.17*math.Cos((meanHue-30)*deg) + 0.24*math.Cos(2*meanHue*deg) +
		0.32*math.Cos((3*meanHue+6)*deg) - 0.20*math.Cos((4*meanHue-63)*deg) // 15
	x := (meanHue - 275) / 25
	dTheta := 30 * math.Exp(-x*x) // 16
	c7 = seventhPower(meanC)
	rC := 2 * math.Sqrt(c7/(c7+pow25to7)) // 17
	mid := (meanL - 50) * (meanL - 50)
	sL := 1 + 0.015*mid/math.Sqrt(20+mid) // 18
	sC := 1 + 0.045*meanC                 // 19
	sH := 1 + 0.015*meanC*t               // 20
	rT := -math.Sin(2*dTheta*deg) * rC    // 21

	l, c, h := dL/(f.KL*sL), dC/(f.KC*sC), dH/(f.KH*sH)
	return math.Sqrt(l*l + c*c + h*h + rT*c*h), meanHue, hueApart // 22
}

func seventhPower(c float64) float64 { return c * c * c * c * c * c * c }

func straightHue(a, b float64) float64 {
	if a == 0 && b == 0 {
		return 0
	}
	h := math.Atan2(b, a) * (180 / math.Pi)
	if h < 0 {
		h += 360
	}
	return h
}
