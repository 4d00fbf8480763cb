package colorimetry

import "math"

// XYZ are CIE tristimulus values, scaled so that the white has Y = 100.
type XYZ struct{ X, Y, Z float64 }

// Lab is a CIELAB colour L*, a*, b* (ISO/CIE 11664-4). It doesn't carry its
// [Condition]; whoever keeps it keeps that beside it.
type Lab struct{ L, A, B float64 }

// LCh is a CIELAB colour as lightness L*, chroma C*ab and hue angle h_ab in
// degrees, from 0 to below 360.
type LCh struct{ L, C, H float64 }

// The ranges that Lab.Validate accepts. Lightness is 0 to 100 for anything
// that only reflects; fluorescent and glossy pieces read higher, up to 150.
const (
	MaxLightness = 150
	MaxAB        = 200
)

func (v XYZ) plus(o XYZ) XYZ { return XYZ{v.X + o.X, v.Y + o.Y, v.Z + o.Z} }

// times rounds each product, so that the compiler can't fuse it with a sum that
// follows (see the package comment, Accuracy).
func (v XYZ) times(f float64) XYZ {
	return XYZ{float64(v.X * f), float64(v.Y * f), float64(v.Z * f)}
}

// Validate refuses NaN, infinities and colours outside of L 0 to 150, a and b
// -200 to 200, with a *FieldError that names the first such field.
func (c Lab) Validate() error {
	if err := checkRange("L", c.L, 0, MaxLightness); err != nil {
		return err
	}
	if err := checkRange("a", c.A, -MaxAB, MaxAB); err != nil {
		return err
	}
	return checkRange("b", c.B, -MaxAB, MaxAB)
}

// bothValid refuses the first of two colours that is not valid, under its name.
func bothValid(firstName string, first Lab, secondName string, second Lab) error {
	if err := first.Validate(); err != nil {
		return Under(firstName, err)
	}
	return Under(secondName, second.Validate())
}

// LCh gives lightness, chroma and hue. The hue of grey is 0.
func (c Lab) LCh() LCh {
	h := math.Atan2(c.B, c.A) * (180 / math.Pi)
	if c.A == 0 && c.B == 0 {
		h = 0 // also for negative zeros
	}
	if h < 0 {
		h += 360
	}
	if h >= 360 { // a tiny negative angle rounds up to 360
		h = 0
	}
	return LCh{c.L, math.Hypot(c.A, c.B), h}
}

// Validate refuses NaN, infinities and colours outside of L 0 to 150, C 0 to
// 283 (the chroma at the corners of Lab's range, 200 √2) and H 0 to 360.
func (c LCh) Validate() error {
	if err := checkRange("L", c.L, 0, MaxLightness); err != nil {
		return err
	}
	if err := checkRange("C", c.C, 0, 283); err != nil {
		return err
	}
	return checkRange("H", c.H, 0, 360)
}

// Lab gives the rectangular coordinates.
func (c LCh) Lab() Lab {
	sin, cos := math.Sincos(c.H * (math.Pi / 180))
	return Lab{c.L, c.C * cos, c.C * sin}
}

// Lab gives the CIELAB colour for a white whose three values are above 0.
// Equations of ISO/CIE 11664-4 and CIE 015:2018, 8.2.1, with the constants as
// exact fractions. The straight part also serves values below 0, which an
// adaptation can give.
func (v XYZ) Lab(white XYZ) Lab {
	x, y, z := labF(v.X/white.X), labF(v.Y/white.Y), labF(v.Z/white.Z)
	return Lab{float64(116*y) - 16, 500 * (x - y), 200 * (y - z)}
}

// XYZ gives the tristimulus values for a white whose three values are above 0
// (CIE 015:2018, annex D). It undoes XYZ.Lab.
func (c Lab) XYZ(white XYZ) XYZ {
	y := (c.L + 16) / 116
	return XYZ{white.X * labInverse(y+c.A/500), white.Y * labInverse(y), white.Z * labInverse(y-c.B/200)}
}

// labF is f(t) of ISO/CIE 11664-4, for t = X/Xn, Y/Yn or Z/Zn.
func labF(t float64) float64 {
	if t > 216.0/24389 { // (6/29)^3
		return math.Cbrt(t)
	}
	return float64(t*(841.0/108)) + 4.0/29
}

// labInverse undoes labF.
func labInverse(f float64) float64 {
	if f > 6.0/29 {
		return f * f * f
	}
	return (f - 4.0/29) * (108.0 / 841)
}
