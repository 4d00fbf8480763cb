package colorimetry

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A second opinion that needs no other program: figures of scikit-image 0.19.3 (deltaE_ciede2000, deltaE_ciede94 and deltaE_cmc, as
// Debian 12 packages it) for invented pairs on either side of the borders of CMC (hues of 164 and 345 degrees, L* of 16), greys,
// blues and far colours. Of 20,000 random pairs all formulas of both agreed to 8e-12, but for CIEDE2000 of 8 pairs whose hues are
// exactly opposite, where the other program's branch hangs on the last bit of an arc tangent.
func TestAnotherProgramsDifferences(t *testing.T) {
	formulas := []struct {
		of Formula
		k  Factors
	}{
		{FormulaCIEDE2000, DefaultFactors}, {FormulaCIE94Textile, DefaultFactors}, {FormulaCIE94GraphicArts, DefaultFactors},
		{FormulaCMC, DefaultFactors}, {FormulaCMC, Factors{2, 1, 1}},
	}
	for _, c := range []struct {
		p, q Lab
		want [5]float64
	}{
		{Lab{50, 2.6772, -79.7751}, Lab{50, 0, -82.7485}, [5]float64{2.0424596802, 1.4230462054, 1.3950388679, 1.7387361057, 1.7387361057}},
		{Lab{15.9, -20, 5.7}, Lab{17, -18, 5}, [5]float64{1.4595155005, 1.1971101606, 1.5535792585, 2.4956900331, 1.6592373091}},
		{Lab{16.1, -20, 5.8}, Lab{14, -22, 6}, [5]float64{1.7930660832, 1.4681457059, 2.3505080688, 4.2631439374, 2.3751818310}},
		{Lab{40, 30, -8.1}, Lab{42, 28, -8}, [5]float64{1.9948688669, 1.3070729482, 2.1801952864, 2.3084798393, 1.4418025126}},
		{Lab{40, 30, -8}, Lab{39, 31, -9}, [5]float64{1.0902228740, 0.8539686715, 1.2201662115, 1.2879209742, 0.9198745920}},
		{Lab{62, -24.5, 7.05}, Lab{60, -26, 8}, [5]float64{1.9391964754, 1.3102702749, 2.1805976615, 1.9205097549, 1.2843454015}},
		{Lab{70, 0, 0}, Lab{71, 3, -4}, [5]float64{5.3576777409, 5.0249378106, 5.0990195136, 7.8756509775, 7.8466735485}},
		{Lab{35, 12, 40}, Lab{55, -38, -21}, [5]float64{46.0264356797, 50.7599729336, 52.4506337383, 72.3889485298, 69.7023512446}},
		{Lab{80, -5, 60}, Lab{78, -9, 55}, [5]float64{3.4293860579, 2.9147896218, 3.3531747161, 3.4453939565, 3.2010108540}},
		{Lab{25, 20, -55}, Lab{28, 35, -40}, [5]float64{15.5607898931, 11.4661125624, 11.4285522048, 13.5138409138, 13.0100773050}},
	} {
		for i, f := range formulas {
			assert.InDelta(t, c.want[i], f.of.Difference(c.p, c.q, f.k), 1e-9, "%s of %v and %v", f.of.Printed(f.k), c.p, c.q)
		}
	}
}

// No formula makes a figure of a value that is none.
func TestNoFigureOfWhatIsNotFinite(t *testing.T) {
	for _, f := range Formulas() {
		for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
			for _, of := range [][6]float64{{50, 10, 10, 60, 12, 9}, {50, 0, 0, 60, 12, 9}, {50, 10, 10, 60, 0, 0}, {50, 10, 10, 60, -12, -9}} {
				for k := range of {
					v := of
					v[k] = bad
					d := f.Difference(Lab{v[0], v[1], v[2]}, Lab{v[3], v[4], v[5]}, DefaultFactors)
					assert.True(t, math.IsNaN(d) || !math.IsNaN(bad) && math.IsInf(d, 1), "%s %v: %g", f, v, d)
				}
			}
		}
	}
}

// What nothing made is refused, and neither panics nor gives a figure.
func TestWeightsThatNothingMade(t *testing.T) {
	good, err := NewWeights(D65Observer10, 400, 20, 16)
	require.NoError(t, err)
	for _, w := range []*Weights{nil, new(Weights)} {
		for field, calls := range map[string][]func() error{
			"weights": {
				func() error { _, err := w.XYZ(nil); return err },
				func() error { _, err := w.Lab([]float64{}); return err },
				func() error { _, err := SummedDepth(w, nil); return err },
				func() error { _, err := CurveFromColour(Lab{50, 0, 0}, w); return err },
			},
			"reference.weights": {func() error { _, err := SpecialMetamerism(nil, nil, w, good, FormulaCIE76); return err }},
			"test.weights":      {func() error { _, err := SpecialMetamerism(nil, nil, good, w, FormulaCIE76); return err }},
		} {
			for range 20 { // of two it is the first, each time
				_, err := SpecialMetamerism(nil, nil, w, w, FormulaCIE76)
				assert.ErrorContains(t, err, "reference.weights is none")
			}
			for _, call := range calls {
				assert.EqualError(t, call(), field+" is none, allowed: those that NewWeights or NewWeightsAt make")
			}
		}
	}
}
