package colorimetry

import (
	"errors"
	"fmt"
	"math"
)

// LeastLevelnessReadings is how many places must be read.
const LeastLevelnessReadings = 5

// LevelnessGrade is how evenly a piece is dyed, in words.
type LevelnessGrade string

// The grades. Those of curves are of Chong, Li & Yeung (1992), from memory;
// those of CIELAB colours are ours.
const (
	LevelnessExcellent LevelnessGrade = "excellent" // RUI below 0.2
	LevelnessGood      LevelnessGrade = "good"      // below 0.5
	LevelnessPoor      LevelnessGrade = "poor"      // to 1
	LevelnessBad       LevelnessGrade = "bad"       // above 1

	LevelnessLevel   LevelnessGrade = "level"   // mean difference to 0.5
	LevelnessFair    LevelnessGrade = "fair"    // to 1
	LevelnessUnlevel LevelnessGrade = "unlevel" // above 1
)

// Levelness of a piece.
type Levelness struct {
	Index    float64 // 0 is even: the relative unlevelness index of curves, of colours the mean CIEDE2000 difference to their mean
	Grade    LevelnessGrade
	Readings int // places
}

func enoughReadings(n int) error {
	if n < LeastLevelnessReadings {
		return &FieldError{Field: "readings", Value: fmt.Sprint(n), Allowed: fmt.Sprintf("%d or more; %d missing", LeastLevelnessReadings, LeastLevelnessReadings-n)}
	}
	return nil
}

// LevelnessOfCurves gives the relative unlevelness index of reflectance curves
// read at several places of a piece, on the same wavelengths: the sum of
// V(lambda) s/mean from 390 to 700 nm every 10 nm, s being the standard
// deviation over places (Chong, Li & Yeung 1992, J. Soc. Dyers Colour. 108,
// from memory). Wavelengths between those read are interpolated linearly, and
// those below the first are left out, where V is under 0.0004. Fewer than five
// curves, what [Curve.Validate] refuses, and a mean of 0 at some wavelength are a
// *FieldError.
func LevelnessOfCurves(wavelengthsNm []float64, curves [][]float64) (Levelness, error) {
	if err := enoughReadings(len(curves)); err != nil {
		return Levelness{}, err
	}
	for i, c := range curves {
		if err := (Curve{wavelengthsNm, c}).Validate(); err != nil {
			return Levelness{}, Under(fmt.Sprintf("readings[%d]", i), err)
		}
	}
	t, err := tables()
	if err != nil {
		return Levelness{}, err
	}
	vLambda := t.observers[Observer2][1]
	n := float64(len(curves))
	out := Levelness{Readings: len(curves)}
	k := 0
	for nm := 390.0; nm <= 700; nm += 10 {
		if nm < wavelengthsNm[0] {
			continue
		}
		for k < len(wavelengthsNm)-2 && wavelengthsNm[k+1] < nm {
			k++
		}
		f := (nm - wavelengthsNm[k]) / (wavelengthsNm[k+1] - wavelengthsNm[k])
		at := func(c []float64) float64 { return c[k] + float64(f*(c[k+1]-c[k])) }
		var mean, square float64
		for _, c := range curves {
			mean += at(c) / n
		}
		if mean <= 0 {
			return Levelness{}, &FieldError{Field: "readings", Value: fmt.Sprintf("0 at %g nm", nm), Allowed: "a mean reflectance above 0"}
		}
		for _, c := range curves {
			d := at(c) - mean
			square += float64(d * d)
		}
		out.Index += float64(vLambda[int(nm)-tableFirstNm] * math.Sqrt(square/(n-1)) / mean)
	}
	switch {
	case out.Index < 0.2:
		out.Grade = LevelnessExcellent
	case out.Index < 0.5:
		out.Grade = LevelnessGood
	case out.Index <= 1:
		out.Grade = LevelnessPoor
	default:
		out.Grade = LevelnessBad
	}
	return out, nil
}

// LevelnessOfColours gives the mean CIEDE2000 difference of the readings to
// their mean, for readings without curves. The grades are ours. Fewer than five,
// and colours outside of [Lab.Validate], are a *FieldError.
func LevelnessOfColours(readings []Lab) (Levelness, error) {
	if err := enoughReadings(len(readings)); err != nil {
		return Levelness{}, err
	}
	var mean Lab
	n := float64(len(readings))
	for i, c := range readings {
		if err := c.Validate(); err != nil {
			return Levelness{}, Under(fmt.Sprintf("readings[%d]", i), err)
		}
		mean = Lab{mean.L + c.L/n, mean.A + c.A/n, mean.B + c.B/n}
	}
	out := Levelness{Readings: len(readings)}
	for _, c := range readings {
		out.Index += CIEDE2000(mean, c, DefaultFactors) / n
	}
	switch {
	case out.Index <= 0.5:
		out.Grade = LevelnessLevel
	case out.Index <= 1:
		out.Grade = LevelnessFair
	default:
		out.Grade = LevelnessUnlevel
	}
	return out, nil
}

// DipCurve is K/S = Limit (1 - e^(-Rate n)) after n dips.
type DipCurve struct {
	Limit float64 // K/S that it tends to
	Rate  float64 // per dip
	// DipsTo90 is how many dips make nine tenths of the limit: ln 10 / Rate.
	DipsTo90 float64
	RMS      float64 // root of the mean squared error, in K/S
	Levels   int     // distinct numbers of dips
}

// At gives K/S after a number of dips.
func (c DipCurve) At(dips float64) float64 { return -c.Limit * math.Expm1(-c.Rate*dips) }

// LeastDipLevels is how many different numbers of dips a curve needs.
const LeastDipLevels = 4

// ErrNoDipCurve tells that the readings bend too little, or not at all, for a
// limit to be told from them: more dips are needed.
var ErrNoDipCurve = errors.New("the strengths don't level off over these dips; a limit can't be told without more dips")

// FitDips fits the curve to strengths after numbers of dips, by Gauss-Newton
// with shortened steps from Limit = 1.2 times the largest and Rate = 0.3.
//
// It needs four different numbers of dips, and the deepest must have come far
// enough: with Rate times the most dips below 1 the limit is a guess, and
// [ErrNoDipCurve] is given, as where no curve fits. Lists of unlike length or of
// more than 10000, and dips or K/S outside of 0 to 1000, are a *FieldError.
func FitDips(dips, ks []float64) (DipCurve, error) {
	if len(dips) != len(ks) || len(dips) > maxSamples {
		return DipCurve{}, &FieldError{Field: "ks", Value: fmt.Sprintf("%d strengths", len(ks)), Allowed: fmt.Sprintf("as many as dips (%d), at most %d", len(dips), maxSamples)}
	}
	levels := map[float64]bool{}
	var most, largest float64
	for i := range dips {
		if err := checkRange(fmt.Sprintf("dips[%d]", i), dips[i], 0, 1000); err != nil {
			return DipCurve{}, err
		}
		if err := checkRange(fmt.Sprintf("ks[%d]", i), ks[i], 0, 1000); err != nil {
			return DipCurve{}, err
		}
		levels[dips[i]] = true
		most, largest = max(most, dips[i]), max(largest, ks[i])
	}
	if len(levels) < LeastDipLevels {
		return DipCurve{}, &FieldError{Field: "dips", Value: fmt.Sprintf("%d levels", len(levels)),
			Allowed: fmt.Sprintf("%d or more different numbers of dips; %d missing", LeastDipLevels, LeastDipLevels-len(levels))}
	}
	if largest == 0 {
		return DipCurve{}, ErrNoDipCurve
	}
	squares := func(q, k float64) (sum float64) {
		for i, n := range dips {
			d := ks[i] + float64(q*math.Expm1(-k*n))
			sum += float64(d * d)
		}
		return sum
	}
	q, k := 1.2*largest, 0.3
	now := squares(q, k)
	for range 500 {
		var aa, ab, bb, ar, br float64
		for i, n := range dips {
			e := math.Exp(-k * n)
			a, b := -math.Expm1(-k*n), q*n*e // derivatives by q and k
			r := ks[i] - float64(q*a)
			aa, ab, bb = aa+float64(a*a), ab+float64(a*b), bb+float64(b*b)
			ar, br = ar+float64(a*r), br+float64(b*r)
		}
		determinant := float64(aa*bb) - float64(ab*ab)
		if !(determinant > 1e-14*aa*bb) {
			return DipCurve{}, ErrNoDipCurve
		}
		stepQ, stepK := (float64(bb*ar)-float64(ab*br))/determinant, (float64(aa*br)-float64(ab*ar))/determinant
		moved := false
		for part := 1.0; part > 1e-6; part /= 2 {
			q2, k2 := q+float64(part*stepQ), k+float64(part*stepK)
			if next := squares(q2, k2); q2 > 0 && k2 > 0 && next < now {
				moved = now-next > 1e-15*now
				q, k, now = q2, k2, next
				break
			}
		}
		if !moved {
			break
		}
	}
	if !(k*most >= 1) || !(q < 100*largest) {
		return DipCurve{}, ErrNoDipCurve
	}
	return DipCurve{Limit: q, Rate: k, DipsTo90: math.Ln10 / k, RMS: math.Sqrt(now / float64(len(dips))), Levels: len(levels)}, nil
}
