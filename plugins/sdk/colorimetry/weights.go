package colorimetry

import (
	"fmt"
	"math"
)

// The working range of ASTM E308, and the shortest measured range that is
// accepted: what is missing at the ends is taken to be like the end itself.
const (
	workFirstNm   = 360
	workLastNm    = 780
	neededFirstNm = 400
	neededLastNm  = 700
	maxSamples    = 10000
)

// Weights turn a reflectance curve measured on one wavelength grid into XYZ
// under one condition. They are immutable and may be shared between goroutines
// and kept for as long as wanted.
type Weights struct {
	condition       Condition
	startNm, stepNm int
	w               []XYZ // one per sample, folded
	white           XYZ
}

// NewWeights derives the weights for count samples from startNm on, stepNm
// apart.
//
// Method: ASTM E2022. The product of illuminant and colour-matching function
// at every nanometre from 360 to 780 is shared out to the samples around it by
// the coefficients of Lagrange interpolation, cubic inside and quadratic in the
// first and the last interval; no bandpass correction. The sum of the Y weights
// is 100. Where the samples do not reach 360 or 780 nm, the weights beyond are
// added to the end weights (ASTM E308); samples outside 360 to 780 nm weigh
// nothing.
//
// Accepted are steps of 1, 5, 10 and 20 nm on whole nanometres, and samples
// that cover at least 400 to 700 nm. Everything else is a *FieldError.
func NewWeights(c Condition, startNm, stepNm float64, count int) (*Weights, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	if stepNm != 1 && stepNm != 5 && stepNm != 10 && stepNm != 20 {
		return nil, &FieldError{Field: "step_nm", Value: number(stepNm), Allowed: "1, 5, 10, 20"}
	}
	if !(startNm >= 1) || startNm != math.Trunc(startNm) || startNm > neededFirstNm {
		e := &FieldError{Field: "start_nm", Value: number(startNm), Allowed: "whole nanometres from 1 to 400"}
		if startNm > neededFirstNm && !math.IsInf(startNm, 0) {
			e.Allowed += fmt.Sprintf("; the curve lacks %d to %s nm", neededFirstNm, number(startNm))
		}
		return nil, e
	}
	start, step := int(startNm), int(stepNm)
	if need := (neededLastNm-start+step-1)/step + 1; count < need || count > maxSamples {
		e := &FieldError{Field: "count", Value: fmt.Sprint(count), Allowed: fmt.Sprintf("%d to %d samples", need, maxSamples)}
		if count < need {
			e.Allowed += fmt.Sprintf("; the curve lacks %d to %d nm", max(start+(count-1)*step, start), neededLastNm)
		}
		return nil, e
	}
	t, err := tables()
	if err != nil {
		return nil, err
	}
	gridFirst, table := t.derive(c, start, step, workFirstNm, workLastNm)
	w := &Weights{condition: c, startNm: start, stepNm: step, w: make([]XYZ, count)}
	for i, v := range table {
		k := min(max((gridFirst+i*step-start)/step, 0), count-1)
		w.w[k] = w.w[k].plus(v)
		w.white = w.white.plus(v)
	}
	// The Y weights sum to 100 but for rounding; make the white exact.
	w.white.Y = 100
	return w, nil
}

// derive gives the weights of the grid that start and step lie on, as far as
// it reaches inside firstNm to lastNm, and the wavelength of its first point.
func (t *nmTables) derive(c Condition, start, step, firstNm, lastNm int) (gridFirst int, table []XYZ) {
	gridFirst = firstNm + ((start-firstNm)%step+step)%step
	table = make([]XYZ, (lastNm-gridFirst)/step+1)
	last := len(table) - 1
	power, bar := t.illuminants[c.Illuminant], t.observers[c.Observer]
	var sumY float64
	add := func(at int, coefficient float64, v XYZ) {
		table[at] = table[at].plus(v.times(coefficient))
	}
	for nm := firstNm; nm <= lastNm; nm++ {
		k := nm - tableFirstNm
		v := XYZ{bar[0][k], bar[1][k], bar[2][k]}.times(power[k])
		sumY += v.Y
		i, rest := (nm-gridFirst)/step, (nm-gridFirst)%step
		switch x := float64(rest) / float64(step); {
		case nm <= gridFirst:
			add(0, 1, v)
		case i >= last:
			add(last, 1, v)
		case rest == 0:
			add(i, 1, v)
		case i == 0:
			add(0, (x-1)*(x-2)/2, v)
			add(1, x*(2-x), v)
			add(2, x*(x-1)/2, v)
		case i == last-1:
			add(last-2, x*(x-1)/2, v)
			add(last-1, (1-x)*(1+x), v)
			add(last, x*(x+1)/2, v)
		default:
			add(i-1, x*(x-1)*(2-x)/6, v)
			add(i, (x+1)*(x-1)*(x-2)/2, v)
			add(i+1, x*(x+1)*(2-x)/2, v)
			add(i+2, x*(x+1)*(x-1)/6, v)
		}
	}
	for i := range table {
		table[i] = table[i].times(100 / sumY)
	}
	return gridFirst, table
}

// Condition gives illuminant and observer of the weights.
func (w *Weights) Condition() Condition { return w.condition }

// Len gives the number of samples that XYZ and Lab expect.
func (w *Weights) Len() int { return len(w.w) }

// At gives wavelength and weight of sample i, folded, with the white's Y = 100.
func (w *Weights) At(i int) (nm float64, weight XYZ) {
	return float64(w.startNm + i*w.stepNm), w.w[i]
}

// White gives the perfect diffuser under the same weights: the white that
// their Lab values refer to. It is the same for every grid.
func (w *Weights) White() XYZ { return w.white }

// XYZ gives the tristimulus values of a reflectance curve, factors from 0 to 2,
// one per sample. It refuses another number of samples, NaN and values outside
// of the range, naming the first.
func (w *Weights) XYZ(reflectance []float64) (XYZ, error) {
	if len(reflectance) != len(w.w) {
		return XYZ{}, &FieldError{Field: "reflectance", Value: fmt.Sprintf("%d samples", len(reflectance)),
			Allowed: fmt.Sprintf("%d samples", len(w.w))}
	}
	var sum XYZ
	for i, r := range reflectance {
		if !(r >= 0 && r <= MaxReflectance) {
			return XYZ{}, checkRange(fmt.Sprintf("reflectance[%d]", i), r, 0, MaxReflectance)
		}
		sum = sum.plus(w.w[i].times(r))
	}
	return sum, nil
}

// Lab gives the CIELAB colour of a reflectance curve under the condition of
// the weights; see XYZ for what is refused.
func (w *Weights) Lab(reflectance []float64) (Lab, error) {
	v, err := w.XYZ(reflectance)
	if err != nil {
		return Lab{}, err
	}
	return v.Lab(w.white), nil
}

// White gives the perfect diffuser under a condition, Y = 100.
func White(c Condition) (XYZ, error) {
	w, err := NewWeights(c, workFirstNm, 10, (workLastNm-workFirstNm)/10+1)
	if err != nil {
		return XYZ{}, err
	}
	return w.white, nil
}
