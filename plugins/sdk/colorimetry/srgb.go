package colorimetry

import "math"

// SRGB is a colour of IEC 61966-2-1, for D65 and 2 degrees. A screen can show it
// when each channel is 0 to 1.
type SRGB struct{ R, G, B float64 }

// sRGBWhite has the chromaticity that the standard gives its white, x = 0.3127
// and y = 0.3290. With Y = 1 it differs from the white of D65/2 by 0.00001 in X and
// 0.00023 in Z.
var sRGBWhite = fromXYY(0.3127, 0.3290, 100)

// The matrices between linear channels and XYZ (Y = 1), derived from the
// chromaticities of the standard's primaries and its white.
var sRGBToXYZ, xyzToSRGB = sRGBMatrices()

func sRGBMatrices() (to, from matrix) {
	r, g, b := fromXYY(0.64, 0.33, 1), fromXYY(0.30, 0.60, 1), fromXYY(0.15, 0.06, 1)
	primaries := matrix{{r.X, g.X, b.X}, {r.Y, g.Y, b.Y}, {r.Z, g.Z, b.Z}}
	s := primaries.inverse().apply(sRGBWhite.times(0.01))
	for i := range primaries {
		to[i] = [3]float64{primaries[i][0] * s.X, primaries[i][1] * s.Y, primaries[i][2] * s.Z}
	}
	return to, to.inverse()
}

// fromXYY gives XYZ for chromaticity x, y (y above 0) and Y.
func fromXYY(x, y, luminance float64) XYZ {
	return XYZ{x / y * luminance, luminance, (1 - x - y) / y * luminance}
}

// Validate refuses NaN and channels outside of 0 to 1, naming the first.
func (c SRGB) Validate() error {
	if err := checkRange("R", c.R, 0, 1); err != nil {
		return err
	}
	if err := checkRange("G", c.G, 0, 1); err != nil {
		return err
	}
	return checkRange("B", c.B, 0, 1)
}

// Clip cuts each channel to 0 to 1: what a screen shows in place of a colour that
// it can't show.
func (c SRGB) Clip() SRGB {
	in := func(v float64) float64 { return min(max(v, 0), 1) }
	return SRGB{in(c.R), in(c.G), in(c.B)}
}

// gamutSlack is how far outside of 0 to 1 a channel still counts as inside: a
// thousandth of a step of eight bits.
const gamutSlack = 4e-6

// SRGB gives the colour for a screen. inGamut tells whether a screen can show it;
// if not, some channel is outside of 0 to 1 (see [SRGB.Clip]). L* 100 is full
// white.
//
// Only a colour for D65/2 has one: a colour of another condition is refused, and
// must be adapted first (see [Adaptation]). So is one that [Lab.Validate] refuses;
// both by a *FieldError.
func (c Lab) SRGB(of Condition) (rgb SRGB, inGamut bool, err error) {
	if of != D65Observer2 {
		return SRGB{}, false, &FieldError{Field: "condition", Value: of.String(), Allowed: "D65/2; adapt the colour first, as a step of its own"}
	}
	if err := c.Validate(); err != nil {
		return SRGB{}, false, err
	}
	v := xyzToSRGB.apply(c.XYZ(sRGBWhite).times(0.01))
	rgb = SRGB{sRGBEncode(v.X), sRGBEncode(v.Y), sRGBEncode(v.Z)}
	clipped := rgb.Clip()
	inGamut = math.Abs(rgb.R-clipped.R) <= gamutSlack && math.Abs(rgb.G-clipped.G) <= gamutSlack && math.Abs(rgb.B-clipped.B) <= gamutSlack
	return rgb, inGamut, nil
}

// Lab gives the CIELAB colour for D65/2. Full white is L* 100. Channels outside
// of 0 to 1 are taken as [Lab.SRGB] gives them.
func (c SRGB) Lab() Lab {
	linear := XYZ{sRGBDecode(c.R), sRGBDecode(c.G), sRGBDecode(c.B)}
	return sRGBToXYZ.apply(linear).times(100).Lab(sRGBWhite)
}

// sRGBEncode is the transfer function of IEC 61966-2-1, clause 5.2, with
// f(-v) = -f(v) for channels below 0.
func sRGBEncode(v float64) float64 {
	switch {
	case v < 0:
		return -sRGBEncode(-v)
	case v <= 0.0031308:
		return 12.92 * v
	}
	return float64(1.055*math.Pow(v, 1/2.4)) - 0.055
}

// sRGBDecode undoes sRGBEncode.
func sRGBDecode(v float64) float64 {
	switch {
	case v < 0:
		return -sRGBDecode(-v)
	case v <= 0.04045:
		return v / 12.92
	}
	return math.Pow((v+0.055)/1.055, 2.4)
}
