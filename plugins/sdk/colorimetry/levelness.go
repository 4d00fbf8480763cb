package colorimetry

import (
	"fmt"
	"math"
)

// LeastLevelnessReadings is how many places of a piece must be read.
const LeastLevelnessReadings = 5

// LevelnessGrade is how evenly a piece is dyed, in words.
type LevelnessGrade string

// The grades. The first four are for curves (Chong, Li & Yeung 1992, from memory);
// the last three, for CIELAB colours, are ours.
const (
	LevelnessExcellent LevelnessGrade = "excellent" // RUI below 0.2
	LevelnessGood      LevelnessGrade = "good"      // below 0.5
	LevelnessPoor      LevelnessGrade = "poor"      // to 1
	LevelnessBad       LevelnessGrade = "bad"       // above 1

	LevelnessLevel   LevelnessGrade = "level"   // mean difference to 0.5
	LevelnessFair    LevelnessGrade = "fair"    // to 1
	LevelnessUnlevel LevelnessGrade = "unlevel" // above 1
)

// Levelness is how evenly a piece is dyed.
type Levelness struct {
	Index    float64 // 0 is even; of curves the relative unlevelness index, of colours the mean CIEDE2000 difference to their mean
	Grade    LevelnessGrade
	Readings int // places read
}

func enoughReadings(n int) error {
	if n < LeastLevelnessReadings {
		return &FieldError{Field: "readings", Value: fmt.Sprint(n), Allowed: fmt.Sprintf("%d or more; %d missing", LeastLevelnessReadings, LeastLevelnessReadings-n)}
	}
	return nil
}

// LevelnessOfCurves gives the relative unlevelness index of reflectance curves
// read at several places of a piece, at the same wavelengths: the sum of
// V(lambda) s / mean from 390 to 700 nm every 10 nm, where s and mean are the
// standard deviation and the mean over places (Chong, Li & Yeung 1992, J. Soc.
// Dyers Colour. 108, from memory). Between the wavelengths read, curves are
// interpolated linearly; below the first one nothing is summed, as V is under
// 0.0004 there. Fewer than five curves, what [Curve.Validate] refuses, and a mean
// of 0 at some wavelength are a *FieldError.
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

// LevelnessOfColours gives the mean CIEDE2000 difference of readings without curves
// to their mean. The measure and its grades are ours. Fewer than five readings, and
// colours that [Lab.Validate] refuses, are a *FieldError.
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
