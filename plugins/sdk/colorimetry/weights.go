package colorimetry

import (
	"fmt"
	"math"
	"slices"
)

// The range over which ASTM E308 sums.
const workFirstNm, workLastNm = 360, 780

// Weights turn a reflectance curve measured on one wavelength grid into XYZ
// under one condition. They never change, so they may be kept and shared between
// goroutines; making them costs far more than using them. Only [NewWeights] and
// [NewWeightsAt] make them: to compute with the zero value or nil is refused.
type Weights struct {
	condition Condition
	nm        []float64 // of each sample
	w         []XYZ     // one per sample; the ends have what lies beyond them
	white     XYZ
}

// NewWeights derives the weights for count samples from startNm on, stepNm
// apart.
//
// Method: ASTM E2022. The product of illuminant and colour-matching function
// at every nanometre from 360 to 780 is divided among the samples around it by
// the coefficients of Lagrange interpolation, cubic inside and quadratic in the
// first and the last interval. The Y weights sum to 100. Where the samples don't
// reach 360 or 780 nm, the weights beyond are added to those of the end samples
// (ASTM E308); samples outside of 360 to 780 nm have weight 0. There is no
// bandpass correction.
//
// The standard has weights for steps of 1, 5, 10 and 20 nm. Other steps from 0.1
// to 20 nm, and wavelengths between whole nanometres, get theirs in the same way.
// Other steps, and samples that don't cover 400 to 700 nm, are a *FieldError.
func NewWeights(c Condition, startNm, stepNm float64, count int) (*Weights, error) {
	if err := checkRange("step_nm", stepNm, minStepNm, maxStepNm); err != nil {
		return nil, err
	}
	last := max(startNm+float64(float64(count-1)*stepNm), startNm)
	if !(startNm >= 1) || startNm > neededFirstNm {
		e := &FieldError{Field: "start_nm", Value: number(startNm), Allowed: "1 to 400"}
		if startNm > neededFirstNm && !math.IsInf(startNm, 0) {
			e.Allowed += lacking(startNm, last)
		}
		return nil, e
	}
	need := int(math.Ceil((neededLastNm-startNm)/stepNm-gridTolerance)) + 1
	if count < need || count > maxSamples {
		e := &FieldError{Field: "count", Value: fmt.Sprint(count), Allowed: fmt.Sprintf("%d to %d samples", need, maxSamples)}
		if count < need {
			e.Allowed += lacking(startNm, last)
		}
		return nil, e
	}
	nm := make([]float64, count)
	for i := range nm {
		nm[i] = startNm + float64(float64(i)*stepNm)
	}
	return newWeights(c, nm)
}

// NewWeightsAt derives the weights for samples at any rising wavelengths, by
// the method of NewWeights with the coefficients for unequal distances.
//
// The wavelengths must rise by 0.1 to 20 nm and cover 400 to 700 nm. Otherwise
// the *FieldError names the first one out of order, or says what is missing.
func NewWeightsAt(c Condition, wavelengthsNm []float64) (*Weights, error) {
	if err := checkWavelengths(wavelengthsNm); err != nil {
		return nil, err
	}
	return newWeights(c, slices.Clone(wavelengthsNm))
}

// newWeights expects wavelengths that checkWavelengths accepts, and keeps the
// slice.
func newWeights(c Condition, nm []float64) (*Weights, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	t, err := tables()
	if err != nil {
		return nil, err
	}
	grid, skipped := extended(nm, workFirstNm, workLastNm)
	table, err := t.derive(c, grid, workFirstNm, workLastNm)
	if err != nil {
		return nil, err
	}
	w := &Weights{condition: c, nm: nm, w: make([]XYZ, len(nm))}
	for i, v := range table {
		k := min(max(i+skipped, 0), len(nm)-1)
		w.w[k] = w.w[k].plus(v)
		w.white = w.white.plus(v)
	}
	// The Y weights sum to 100 apart from rounding; make the white exact.
	w.white.Y = 100
	return w, nil
}

// extended takes the samples inside firstNm to lastNm and adds points beyond both
// ends, at the distance of the last two, as far as firstNm and lastNm. Point i of
// the result is sample i + skipped.
func extended(nm []float64, firstNm, lastNm float64) (grid []float64, skipped int) {
	n := len(nm)
	from, to := 0, n
	for nm[from] < firstNm-gridTolerance {
		from++
	}
	for nm[to-1] > lastNm+gridTolerance {
		to--
	}
	var before []float64
	if from == 0 {
		step := nm[1] - nm[0]
		for k := 1; nm[0]-float64(float64(k)*step) >= firstNm-gridTolerance; k++ {
			before = append(before, nm[0]-float64(float64(k)*step))
		}
		slices.Reverse(before)
	}
	grid = append(before, nm[from:to]...)
	if to == n {
		step := nm[n-1] - nm[n-2]
		for k := 1; nm[n-1]+float64(float64(k)*step) <= lastNm+gridTolerance; k++ {
			grid = append(grid, nm[n-1]+float64(float64(k)*step))
		}
	}
	return grid, from - len(before)
}

// derive gives the weights of a grid inside firstNm to lastNm. What lies beyond
// its first and last points is added to them.
func (t *nmTables) derive(c Condition, grid []float64, firstNm, lastNm int) ([]XYZ, error) {
	power, err := t.power(c.Illuminant)
	if err != nil {
		return nil, err
	}
	table := make([]XYZ, len(grid))
	last := len(table) - 1
	bar := t.observers[c.Observer]
	var sumY float64
	i := 0 // the grid point at or before nm
	for at := firstNm; at <= lastNm; at++ {
		k := at - tableFirstNm
		v := XYZ{bar[0][k], bar[1][k], bar[2][k]}.times(power[k])
		sumY += v.Y
		nm := float64(at)
		for i < last && grid[i+1] <= nm+gridTolerance {
			i++
		}
		switch {
		case nm <= grid[0]+gridTolerance:
			table[0] = table[0].plus(v)
		case i == last || nm-grid[i] <= gridTolerance:
			table[i] = table[i].plus(v)
		default:
			from, to := max(i-1, 0), min(i+2, last) // quadratic at the ends, else cubic
			for j := from; j <= to; j++ {
				table[j] = table[j].plus(v.times(lagrange(grid[from:to+1], j-from, nm)))
			}
		}
	}
	for i := range table {
		table[i] = table[i].times(100 / sumY)
	}
	return table, nil
}

// lagrange is the coefficient of point j in the polynomial through all points.
func lagrange(points []float64, j int, at float64) float64 {
	up, down := 1.0, 1.0
	for k, p := range points {
		if k != j {
			up *= at - p
			down *= points[j] - p
		}
	}
	return up / down
}

// Condition gives the illuminant and observer of the weights.
func (w *Weights) Condition() Condition { return w.condition }

// Len gives the number of samples that XYZ and Lab expect.
func (w *Weights) Len() int { return len(w.w) }

// At gives the wavelength of sample i, from 0 to below Len, and its weight, on the
// scale on which the white has Y = 100. The weights of the end samples include
// what lies beyond them.
func (w *Weights) At(i int) (nm float64, weight XYZ) {
	return w.nm[i], w.w[i]
}

// White gives the perfect diffuser under the same weights: the white that
// their Lab values refer to. It is the same whatever the wavelengths.
func (w *Weights) White() XYZ { return w.white }

// XYZ gives the tristimulus values of a reflectance curve: a factor from 0 to 2
// for each sample. Another number of samples, and the first factor that is NaN or
// outside of the range, are refused by a *FieldError.
func (w *Weights) XYZ(reflectance []float64) (XYZ, error) {
	if err := w.made(); err != nil {
		return XYZ{}, err
	}
	if len(reflectance) != len(w.w) {
		return XYZ{}, &FieldError{Field: "reflectance", Value: fmt.Sprintf("%d samples", len(reflectance)),
			Allowed: fmt.Sprintf("%d samples", len(w.w))}
	}
	if err := checkReflectance(reflectance); err != nil {
		return XYZ{}, err
	}
	var sum XYZ
	for i, r := range reflectance {
		sum = sum.plus(w.w[i].times(r))
	}
	return sum, nil
}

// made refuses weights that neither constructor made.
func (w *Weights) made() error {
	if w == nil || len(w.w) == 0 {
		return &FieldError{Field: "weights", Value: "none", Allowed: "those that NewWeights or NewWeightsAt make"}
	}
	return nil
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

// White gives the perfect diffuser under a condition, Y = 100: the white point that
// CIELAB values of the condition refer to. An invalid condition is refused by a
// *FieldError.
func White(c Condition) (XYZ, error) {
	w, err := NewWeights(c, workFirstNm, 10, (workLastNm-workFirstNm)/10+1)
	if err != nil {
		return XYZ{}, err
	}
	return w.white, nil
}
