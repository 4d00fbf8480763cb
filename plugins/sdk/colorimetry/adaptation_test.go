package colorimetry

import (
	"math"
	"testing"

	"github.com/lucasb-eyer/go-colorful"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The Bradford matrix from D65 to D50 that is published with ICC profiles and by B. Lindbloom, from memory, for the whites 0.95047, 1,
// 1.08883 and 0.96422, 1, 0.82521.
func TestBradfordMatrix(t *testing.T) {
	want := matrix{{1.0478112, 0.0228866, -0.0501270}, {0.0295424, 0.9904844, -0.0170491}, {-0.0092345, 0.0150436, 0.7521316}}
	got := adaptationMatrix(Bradford, XYZ{0.95047, 1, 1.08883}, XYZ{0.96422, 1, 0.82521})
	for i := range want {
		for k := range want[i] {
			assert.InDelta(t, want[i][k], got[i][k], 1e-6)
		}
	}
}

// From illuminant A to D65 as other libraries have it: all three by colorjs.io 0.7.1 (run by us), CAT02 and these whites also in the documentation of
// colour 0.3.7, of chromatic_adaptation_matrix_VonKries.
func TestAdaptationMatricesOfOtherLibraries(t *testing.T) {
	a, d65 := XYZ{1.09846607, 1, 0.35582280}, XYZ{0.95042855, 1, 1.08890037}
	for method, want := range map[AdaptationMethod]matrix{
		Bradford: {{0.8446795, -0.1179355, 0.3948941}, {-0.1366408, 1.1041237, 0.1291981}, {0.0798672, -0.1349315, 3.1928830}},
		CAT02:    {{0.8687654, -0.1416539, 0.3871961}, {-0.1030072, 1.0584014, 0.1538646}, {0.0078167, 0.0267875, 2.9608177}},
		CAT16:    {{0.9506845, -0.1873915, 0.2628427}, {-0.0256675, 1.0323090, -0.0115624}, {-0.0027413, 0.0909859, 2.8129892}},
	} {
		got := adaptationMatrix(method, a, d65)
		for i := range want {
			for k := range want[i] {
				assert.InDelta(t, want[i][k], got[i][k], 1e-7, "%v row %d column %d", method, i, k)
			}
		}
	}
}

func TestAdaptationProperties(t *testing.T) {
	conditions := allConditions()
	rapid.Check(t, func(t *rapid.T) {
		m := rapid.SampledFrom([]AdaptationMethod{Bradford, CAT02, CAT16}).Draw(t, "method")
		from, to := rapid.SampledFrom(conditions).Draw(t, "from"), rapid.SampledFrom(conditions).Draw(t, "to")
		there, err := NewAdaptation(m, from, to)
		require.NoError(t, err)
		back, err := NewAdaptation(m, to, from)
		require.NoError(t, err)
		c := drawLab(t, "colour")
		require.InDelta(t, 0, CIE76(c, back.Lab(there.Lab(c))), 1e-8, "there and back")
		l := rapid.Float64Range(8, 100).Draw(t, "grey")
		require.InDelta(t, 0, CIE76(Lab{L: l}, there.Lab(Lab{L: l})), 1e-9, "greys stay grey")
		require.InDelta(t, 0, CIE76(there.Lab(c), there.XYZ(c.XYZ(there.fromXYZ)).Lab(there.toXYZ)), 1e-9, "by tristimulus values as by CIELAB")
		if from == to {
			require.InDelta(t, 0, CIE76(c, there.Lab(c)), 1e-9)
		}
		require.Equal(t, to, there.To())
		require.Equal(t, m.String()+" from "+from.String()+" to "+to.String(), there.Label())
		parsed, err := ParseAdaptationMethod(m.String())
		require.NoError(t, err)
		require.Equal(t, m, parsed)
	})
	_, err := NewAdaptation(0, D65Observer2, AObserver10)
	assert.ErrorContains(t, err, "allowed: Bradford, CAT02, CAT16")
	_, err = NewAdaptation(CAT16, Condition{}, AObserver10)
	assert.ErrorContains(t, err, "from.illuminant")
	_, err = NewAdaptation(CAT16, AObserver10, Condition{})
	assert.ErrorContains(t, err, "to.illuminant")
	_, err = ParseAdaptationMethod("bradford")
	assert.Error(t, err)
}

// The matrices of IEC 61966-2-1 have four decimals, from memory.
func TestSRGBMatrices(t *testing.T) {
	for i, row := range (matrix{{0.4124, 0.3576, 0.1805}, {0.2126, 0.7152, 0.0722}, {0.0193, 0.1192, 0.9505}}) {
		for k, v := range row {
			assert.InDelta(t, v, sRGBToXYZ[i][k], 0.00006)
		}
	}
	for i, row := range (matrix{{3.2406, -1.5372, -0.4986}, {-0.9689, 1.8758, 0.0415}, {0.0557, -0.2040, 1.0570}}) {
		for k, v := range row {
			assert.InDelta(t, v, xyzToSRGB[i][k], 0.0007) // the standard inverted the rounded matrix
		}
	}
}

// go-colorful as a second opinion. Its matrix and white have other last digits.
func TestSRGBAgainstColorful(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ch := rapid.Float64Range(0, 1)
		c := SRGB{ch.Draw(t, "R"), ch.Draw(t, "G"), ch.Draw(t, "B")}
		require.NoError(t, c.Validate())
		l, a, b := colorful.Color{R: c.R, G: c.G, B: c.B}.Lab()
		require.InDelta(t, 0, CIE76(Lab{100 * l, 100 * a, 100 * b}, c.Lab()), 0.03)
		back, in, err := c.Lab().SRGB(D65Observer2)
		require.NoError(t, err)
		require.True(t, in)
		require.InDelta(t, c.R, back.R, 1e-9)
		require.InDelta(t, c.G, back.G, 1e-9)
		require.InDelta(t, c.B, back.B, 1e-9)
	})
}

func TestSRGBGamut(t *testing.T) {
	for _, c := range []struct {
		lab Lab
		in  bool
	}{{Lab{100, 0, 0}, true}, {Lab{0, 0, 0}, true}, {Lab{50, 0, 0}, true}, {Lab{50, 100, -100}, false}, {Lab{101, 0, 0}, false}, {Lab{50, -80, 0}, false}} {
		rgb, in, err := c.lab.SRGB(D65Observer2)
		require.NoError(t, err)
		assert.Equal(t, c.in, in, "%v", c.lab)
		assert.NoError(t, rgb.Clip().Validate())
		assert.InDelta(t, 0, CIE76(c.lab, rgb.Lab()), 1e-9, "outside of the gamut too, the channels are the colour's")
	}
	white, _, err := Lab{L: 100}.SRGB(D65Observer2)
	require.NoError(t, err)
	assert.InDelta(t, 1, white.R, 1e-12)
	assert.InDelta(t, 1, white.G, 1e-12)
	assert.InDelta(t, 1, white.B, 1e-12)
	_, _, err = Lab{L: 50}.SRGB(D65Observer10)
	assert.EqualError(t, err, "condition is D65/10, allowed: D65/2; adapt the colour first, as a step of its own")
	_, _, err = Lab{L: 300}.SRGB(D65Observer2)
	assert.ErrorContains(t, err, "L is 300")
	assert.ErrorContains(t, SRGB{0, 1.2, 0}.Validate(), "G is 1.2, allowed: 0 to 1")
	assert.Error(t, SRGB{math.NaN(), 0, 0}.Validate())
	assert.Error(t, SRGB{0, 0, -1}.Validate())
}
