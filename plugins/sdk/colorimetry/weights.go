package colorimetry

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// The working range of ASTM E308, and the shortest measured range that is
// accepted: what is missing at the ends is taken to be like the end itself.
const (
	workFirstNm   = 360
	workLastNm    = 780
	neededFirstNm = 400
	neededLastNm  = 700
	maxSamples    = 10000
	maxNm         = 3000 // no instrument that measures colour goes further
	minStepNm     = 0.1
	maxStepNm     = 20

	// Wavelengths closer than this, in nm, are the same.
	gridTolerance = 1e-7
)

// Weights turn a reflectance curve measured on one wavelength grid into XYZ
// under one condition. They are immutable and may be shared between goroutines
// and kept for as long as wanted. Only [NewWeights] and [NewWeightsAt] make them:
// whatever is computed by the zero value or nil is refused.
type Weights struct {
	condition Condition
	nm        []float64 // of each sample
	w         []XYZ     // one per sample, folded
	white     XYZ
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
// Accepted are steps of 0.1 to 20 nm, and samples that cover at least 400 to
// 700 nm. The standard has weights for 1, 5, 10 and 20 nm; other steps, and
// grids beside the whole nanometres, are interpolated in the same way.
// Everything else is a *FieldError.
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

// lacking says what a curve from first to last nm lacks of 400 to 700, at both
// ends; nothing where it lacks nothing.
func lacking(first, last float64) string {
	var missing []string
	if first > neededFirstNm+gridTolerance {
		missing = append(missing, fmt.Sprintf("%d to %s nm", neededFirstNm, number(first)))
	}
	if last < neededLastNm-gridTolerance {
		missing = append(missing, fmt.Sprintf("%s to %d nm", number(last), neededLastNm))
	}
	if len(missing) == 0 {
		return ""
	}
	return "; the curve lacks " + strings.Join(missing, " and ")
}

// NewWeightsAt derives the weights for samples at any rising wavelengths, by
// the method of NewWeights with the coefficients for unequal distances.
//
// Accepted are wavelengths that rise by 0.1 to 20 nm and cover at least 400 to
// 700 nm. The *FieldError of others names the first that is not in order, or
// says what is missing.
func NewWeightsAt(c Condition, wavelengthsNm []float64) (*Weights, error) {
	if err := checkWavelengths(wavelengthsNm); err != nil {
		return nil, err
	}
	return newWeights(c, slices.Clone(wavelengthsNm))
}

// checkWavelengths holds what NewWeightsAt says of wavelengths.
func checkWavelengths(wavelengthsNm []float64) error {
	n := len(wavelengthsNm)
	if n < 2 || n > maxSamples {
		return &FieldError{Field: "wavelength_nm", Value: fmt.Sprintf("%d wavelengths", n), Allowed: fmt.Sprintf("2 to %d", maxSamples)}
	}
	for i, nm := range wavelengthsNm {
		refuse := func(allowed string) error {
			return &FieldError{Field: fmt.Sprintf("wavelength_nm[%d]", i), Value: number(nm), Allowed: allowed}
		}
		switch {
		case !(nm >= 1 && nm <= maxNm):
			return refuse(fmt.Sprintf("1 to %d", maxNm))
		case i == 0:
		case nm == wavelengthsNm[i-1]:
			return refuse("each wavelength once")
		case !(nm > wavelengthsNm[i-1]):
			return refuse("above the one before, " + number(wavelengthsNm[i-1]))
		case nm-wavelengthsNm[i-1] < minStepNm-gridTolerance:
			return refuse(fmt.Sprintf("at least %g nm above the one before, %s", minStepNm, number(wavelengthsNm[i-1])))
		case nm-wavelengthsNm[i-1] > maxStepNm+gridTolerance:
			return refuse(fmt.Sprintf("at most %d nm above the one before; the curve lacks %s to %s nm", maxStepNm, number(wavelengthsNm[i-1]), number(nm)))
		}
	}
	first, last := wavelengthsNm[0], wavelengthsNm[n-1]
	if first > neededFirstNm+gridTolerance {
		return &FieldError{Field: "wavelength_nm[0]", Value: number(first), Allowed: fmt.Sprintf("1 to %d%s", neededFirstNm, lacking(first, last))}
	}
	if last < neededLastNm-gridTolerance {
		return &FieldError{Field: fmt.Sprintf("wavelength_nm[%d]", n-1), Value: number(last),
			Allowed: fmt.Sprintf("%d to %d%s", neededLastNm, maxNm, lacking(first, last))}
	}
	return nil
}

// newWeights expects rising wavelengths that cover 400 to 700 nm, and keeps
// them.
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
	// The Y weights sum to 100 but for rounding; make the white exact.
	w.white.Y = 100
	return w, nil
}

// extended is the part of the grid inside firstNm to lastNm, carried on to
// both of them by its end steps. Point i of it is sample i + skipped.
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

// derive gives the weights of a grid inside firstNm to lastNm. The first and
// last points also have what lies beyond them.
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

// lagrange is the coefficient of point j in the polynomial through the points.
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

// Condition gives illuminant and observer of the weights.
func (w *Weights) Condition() Condition { return w.condition }

// Len gives the number of samples that XYZ and Lab expect.
func (w *Weights) Len() int { return len(w.w) }

// At gives wavelength in nm and weight of sample i, from 0 to below Len, folded,
// with the white's Y = 100.
func (w *Weights) At(i int) (nm float64, weight XYZ) {
	return w.nm[i], w.w[i]
}

// White gives the perfect diffuser under the same weights: the white that
// their Lab values refer to. It is the same for every grid.
func (w *Weights) White() XYZ { return w.white }

// XYZ gives the tristimulus values of a reflectance curve, factors from 0 to 2,
// one per sample. It refuses another number of samples, NaN and values outside
// of the range by a *FieldError, naming the first.
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

// made refuses weights that nothing made.
func (w *Weights) made() error {
	if w == nil || len(w.w) == 0 {
		return &FieldError{Field: "weights", Value: "none", Allowed: "those that NewWeights or NewWeightsAt make"}
	}
	return nil
}

func checkReflectance(reflectance []float64) error {
	for i, r := range reflectance {
		if !(r >= 0 && r <= MaxReflectance) {
			return checkRange(fmt.Sprintf("reflectance[%d]", i), r, 0, MaxReflectance)
		}
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

// White gives the perfect diffuser under a condition, Y = 100. An invalid
// condition is refused by a *FieldError.
func White(c Condition) (XYZ, error) {
	w, err := NewWeights(c, workFirstNm, 10, (workLastNm-workFirstNm)/10+1)
	if err != nil {
		return XYZ{}, err
	}
	return w.white, nil
}
