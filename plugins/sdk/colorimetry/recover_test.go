package colorimetry

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func photoWeights(t testing.TB) *Weights {
	t.Helper()
	w, err := NewWeights(D65Observer2, 380, 10, 36)
	require.NoError(t, err)
	return w
}

// (60, 20, 40) was worked with an independent program on plain sums of the 10-nm tables of the CIE: R at 380, 480, 580, 680 and 730 nm are
// .082358, .106118, .359289, .517004, .517584. Its D65 is a rounded one, hence the tolerance.
func TestSmoothestCurveOfAWorkedColour(t *testing.T) {
	columns, err := readTables(tablesCSV)
	require.NoError(t, err)
	var weights []XYZ
	var white XYZ
	for nm := 380; nm <= 730; nm += 10 {
		k := (nm - tableFirstNm) / tableStepNm
		v := XYZ{columns["x2"][k], columns["y2"][k], columns["z2"][k]}.times(columns["D65"][k])
		weights = append(weights, v)
		white = white.plus(v)
	}
	for i := range weights {
		weights[i] = weights[i].times(100 / white.Y)
	}
	white = white.times(100 / white.Y)
	r, steps, err := smoothestCurve(weights, slices.Repeat([]float64{1}, len(weights)-1), Lab{60, 20, 40}.XYZ(white))
	require.NoError(t, err)
	assert.Less(t, steps, 20)
	for nm, want := range map[int]float64{380: .082358, 480: .106118, 580: .359289, 680: .517004, 730: .517584} {
		assert.InDelta(t, want, r[(nm-380)/10], 0.0005, "%d", nm)
	}
}

func TestRecoveredCurveHasTheColourAndIsSmoothest(t *testing.T) {
	w := photoWeights(t)
	roughness := func(r []float64) (sum float64) {
		for i := 1; i < len(r); i++ {
			d := math.Atanh(2*r[i]-1) - math.Atanh(2*r[i-1]-1)
			sum += d * d
		}
		return sum
	}
	rapid.Check(t, func(t *rapid.T) {
		c := LCh{rapid.Float64Range(20, 90).Draw(t, "L"), rapid.Float64Range(0, 25).Draw(t, "C"), rapid.Float64Range(0, 360).Draw(t, "H")}.Lab()
		if v := c.XYZ(w.white); max(v.X/w.white.X, v.Y/w.white.Y, v.Z/w.white.Z) > 0.97 {
			t.Skip("next to white or beyond it: L* 90 with b* -17 would reflect more than all of the short waves")
		}
		got, err := CurveFromColour(c, w)
		require.NoError(t, err)
		require.Equal(t, FromColourOnly, got.Tag)
		for _, r := range got.Reflectance {
			require.True(t, r > 0 && r < 1)
		}
		back, err := w.Lab(got.Reflectance)
		require.NoError(t, err)
		require.InDelta(t, 0, CIE76(c, back), 1e-6)

		// Another curve of the same colour is rougher: move four samples along the direction that changes no tristimulus value.
		i := rapid.SliceOfNDistinct(rapid.IntRange(4, 30), 4, 4, rapid.ID).Draw(t, "samples")
		rows := make([][]float64, 3)
		for k := range rows {
			axis := func(v XYZ) float64 { return [3]float64{v.X, v.Y, v.Z}[k] }
			rows[k] = []float64{axis(w.w[i[0]]), axis(w.w[i[1]]), axis(w.w[i[2]]), -axis(w.w[i[3]])}
		}
		if !solve(rows) {
			t.Skip("the four are not independent")
		}
		direction := []float64{rows[0][3], rows[1][3], rows[2][3], 1}
		largest := 0.0
		for _, d := range direction {
			largest = max(largest, math.Abs(d))
		}
		moved := append([]float64(nil), got.Reflectance...)
		for k, d := range direction {
			moved[i[k]] += 1e-3 * d / largest
			if moved[i[k]] <= 0 || moved[i[k]] >= 1 {
				t.Skip("out of range")
			}
		}
		require.Greater(t, roughness(moved), roughness(got.Reflectance))
	})
}

// The curve belongs to the colour and not to the grid: measured more closely in the middle, it is the same but for what the steps leave out.
func TestCurveHardlyDependsOnTheGrid(t *testing.T) {
	even, err := NewWeights(D65Observer10, 380, 5, 71)
	require.NoError(t, err)
	uneven, err := NewWeightsAt(D65Observer10, slices.Concat(steps(380, 10, 12), steps(495, 5, 20), steps(600, 10, 14)))
	require.NoError(t, err)
	for _, c := range []Lab{{60, 20, 40}, {40, -20, 10}, {30, 5, -25}} {
		a, err := CurveFromColour(c, even)
		require.NoError(t, err)
		b, err := CurveFromColour(c, uneven)
		require.NoError(t, err)
		for i, r := range b.Reflectance {
			nm, _ := uneven.At(i)
			assert.InDelta(t, a.Reflectance[int(nm-380)/5], r, 0.004, "%v at %g nm", c, nm)
		}
		back, err := uneven.Lab(b.Reflectance)
		require.NoError(t, err)
		assert.InDelta(t, 0, CIE76(c, back), 1e-6)
	}
}

func TestNoCurveIsAnError(t *testing.T) {
	w := photoWeights(t)
	for _, c := range []Lab{{50, 150, -150}, {100, 50, 0}, {120, 0, 0}, {5, -100, 100}, {100, 0, 0}} {
		_, err := CurveFromColour(c, w)
		assert.ErrorIs(t, err, ErrNoCurve, "%v", c)
	}
	for _, bad := range []Lab{{300, 0, 0}, {50, math.NaN(), 0}, {50, 0, math.Inf(1)}} {
		_, err := CurveFromColour(bad, w)
		var fe *FieldError
		assert.ErrorAs(t, err, &fe)
	}
}

func FuzzCurveFromColour(f *testing.F) {
	f.Add(60.0, 20.0, 40.0)
	f.Add(0.0, 0.0, 0.0)
	f.Add(100.0, 0.0, 0.0)
	f.Add(99.9, 0.1, 3.0)
	w, err := NewWeights(D65Observer2, 380, 10, 36)
	require.NoError(f, err)
	f.Fuzz(func(t *testing.T, l, a, b float64) {
		c := Lab{l, a, b}
		got, err := CurveFromColour(c, w)
		if err != nil {
			return
		}
		back, err := w.Lab(got.Reflectance)
		require.NoError(t, err)
		require.InDelta(t, 0, CIE76(c, back), 1e-3)
	})
}
