package colorimetry

import (
	"errors"
	"fmt"
	"math"
)

// DipCurve is how a colour deepens with dips in a vat, K/S = Limit (1 - e^(-Rate n))
// after n dips.
type DipCurve struct {
	Limit float64 // the K/S that it tends to
	Rate  float64 // per dip
	// DipsTo90 is the number of dips that gives nine tenths of Limit: ln 10 / Rate.
	DipsTo90 float64
	RMS      float64 // root of the mean squared error, in K/S
	Levels   int     // distinct numbers of dips
}

// At gives K/S after a number of dips.
func (c DipCurve) At(dips float64) float64 { return -c.Limit * math.Expm1(-c.Rate*dips) }

// LeastDipLevels is how many different numbers of dips a curve needs.
const LeastDipLevels = 4

// ErrNoDipCurve tells that the readings bend too little, or not at all, for a
// limit to be known from them: more dips are needed.
var ErrNoDipCurve = errors.New("the strengths don't level off over these dips; a limit can't be told without more dips")

// FitDips fits the curve to the K/S measured after numbers of dips: least squares
// by Gauss-Newton with shortened steps, beginning with Limit = 1.2 times the
// largest K/S and Rate = 0.3.
//
// It needs four different numbers of dips. Where Rate times the largest of them
// is below 1 the curve has hardly begun to level off and its limit would be a
// guess; then, and where no curve fits, the answer is [ErrNoDipCurve]. Lists of
// unequal length or of more than 10000, and dips or K/S outside of 0 to 1000, are a
// *FieldError.
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
