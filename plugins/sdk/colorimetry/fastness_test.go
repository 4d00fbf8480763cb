package colorimetry

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Two examples worked with independent code: a lightness change of 2.9, and a blue that loses colour.
func TestA05Examples(t *testing.T) {
	c, err := A05(Lab{60, 0, 0}, Lab{62.9, 0, 0})
	require.NoError(t, err)
	assert.InDelta(t, 2.9, c.DeltaEF, 1e-12)
	assert.Equal(t, "3-4", c.Grade.String())
	assert.InDelta(t, 3.2941, c.Continuous, 0.00005)
	c, err = A05(Lab{40, 10, -30}, Lab{43, 8, -24})
	require.NoError(t, err)
	assert.InDelta(t, 4.874660, c.DeltaEF, 5e-7)
	assert.Equal(t, "2-3", c.Grade.String())
	assert.InDelta(t, 2.4802, c.Continuous, 0.00005)
}

// Each step of the grey scale itself has its own grade: greys that differ in lightness alone, with the tolerances of ISO 105-A02.
func TestA05GradesTheGreyScale(t *testing.T) {
	rows := publishedRows(t, "iso105_grey_scales.csv")
	require.Len(t, rows, 9)
	for i, r := range rows {
		for _, off := range []float64{-1, 0, 1} {
			step := max(0, r.number(t, "a02_step")+off*r.number(t, "a02_tol"))
			c, err := A05(Lab{40, 0, 0}, Lab{40 + step, 0, 0})
			require.NoError(t, err)
			assert.Equal(t, r["grade"], c.Grade.String(), "%v", step)
			if off == 0 {
				// The continuous scale hits its own steps to a third of a half grade.
				assert.InDelta(t, 5-float64(i)/2, c.Continuous, 0.04, "%v", step)
			}
		}
		if r["a05_limit"] != "" {
			assert.InDelta(t, r.number(t, "a05_limit"), a05Cuts[i], 1e-12)
			next := rows[i+1].number(t, "a02_step")
			assert.InDelta(t, (r.number(t, "a02_step")+next)/2, a05Cuts[i], 1e-9, "the middle of two steps")
		}
	}
}

func TestA05Properties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, q := drawPair(t)
		a, err := A05(p, q)
		require.NoError(t, err)
		require.True(t, a.Continuous >= 1 && a.Continuous <= 5)
		require.True(t, a.Grade >= 1 && a.Grade <= 5)
		require.InDelta(t, float64(a.Grade), a.Continuous, 0.55)
		s, err := A04(p, q)
		require.NoError(t, err)
		require.True(t, s.SSR >= 1 && s.SSR <= 5)
	})
}

func TestA04(t *testing.T) {
	// dE_GS 12 gives 6.1 - 1.45 ln 12 = 2.4969, the formula with the natural logarithm.
	s, err := A04(Lab{90, 0, 0}, Lab{78, 0, 0})
	require.NoError(t, err)
	assert.InDelta(t, 12, s.DeltaEGS, 1e-12)
	assert.InDelta(t, 2.4969, s.SSR, 0.00005)
	assert.Equal(t, "2-3", s.Grade.String())
	// A stain of colour alone counts six tenths.
	s, err = A04(Lab{90, 0, 0}, Lab{90, 10, 0})
	require.NoError(t, err)
	assert.InDelta(t, 6, s.DeltaEGS, 1e-12)
	s, err = A04(Lab{90, 0, 0}, Lab{90, 0, 0})
	require.NoError(t, err)
	assert.Equal(t, Staining{0, 5, 5}, s)
	s, err = A04(Lab{90, 0, 0}, Lab{20, 0, 0})
	require.NoError(t, err)
	assert.Equal(t, Grade(1), s.Grade)
	// Above 4 the straight line: 5 - 0.23 x 2.2.
	s, err = A04(Lab{90, 0, 0}, Lab{87.8, 0, 0})
	require.NoError(t, err)
	assert.InDelta(t, 4.494, s.SSR, 1e-9)
	// The steps of the staining scale of ISO 105-A03 itself, from memory.
	for step, want := range map[float64]string{2.2: "4-5", 4.3: "4", 6.0: "3-4", 8.5: "3", 12.0: "2-3", 16.9: "2", 24.0: "1-2", 34.1: "1"} {
		s, err = A04(Lab{90, 0, 0}, Lab{90 - step, 0, 0})
		require.NoError(t, err)
		assert.Equal(t, want, s.Grade.String(), "%v", step)
	}
}

func TestFastnessRefuses(t *testing.T) {
	good := Lab{50, 0, 0}
	for _, bad := range []Lab{{300, 0, 0}, {math.NaN(), 0, 0}, {50, math.Inf(1), 0}} {
		for _, pair := range [][2]Lab{{bad, good}, {good, bad}} {
			_, err := A05(pair[0], pair[1])
			assert.Error(t, err)
			_, err = A04(pair[0], pair[1])
			assert.Error(t, err)
		}
	}
	_, err := A05(good, Lab{300, 0, 0})
	assert.EqualError(t, err, "exposed.L is 300, allowed: 0 to 150")
}

func TestBracketBlueWool(t *testing.T) {
	refs := [8]float64{32, 16, 8, 4, 2, 1, 0.5, 0.25}
	for piece, want := range map[float64]string{
		40: "below 1", 32: "1", 30: "1", 22: "1-2", 17: "2", 16: "2", 11: "2-3", 2: "5", 0.25: "8", 0.2: "above 8", 0: "above 8",
	} {
		b, err := BracketBlueWool(refs, piece)
		require.NoError(t, err)
		assert.Equal(t, want, b.String(), "%v", piece)
	}
	// Each reference is half of the one before, so a part f of the way from 32 to 16 is 32/2^f: the cuts are at a quarter and three quarters.
	for f, want := range map[float64]string{0.249: "1", 0.251: "1-2", 0.749: "1-2", 0.751: "2"} {
		b, err := BracketBlueWool(refs, 32/math.Exp2(f))
		require.NoError(t, err)
		assert.Equal(t, want, b.String(), "%v", f)
	}
	_, err := BracketBlueWool([8]float64{1.249, 1.1, 1, .9, .8, .7, .6, .5}, 1)
	assert.ErrorIs(t, err, ErrTooLittleExposure)
	_, err = BracketBlueWool([8]float64{1.25, 1.1, 1, .9, .8, .7, .6, .5}, 1)
	assert.NoError(t, err, "grade 4-5 has begun")
	_, err = BracketBlueWool([8]float64{8, 9, 7, 6, 5, 4, 3, 2}, 1)
	assert.EqualError(t, err, "references[1] is 9, allowed: below the one before, 8")
	for _, bad := range []float64{math.NaN(), -1, math.Inf(1)} {
		_, err = BracketBlueWool(refs, bad)
		assert.ErrorContains(t, err, "piece is")
		r := refs
		r[3] = bad
		_, err = BracketBlueWool(r, 3)
		assert.ErrorContains(t, err, "references[3] is")
	}
	// A reference that has not changed.
	b, err := BracketBlueWool([8]float64{8, 7, 6, 5, 4, 3, 2, 0}, 0.5)
	require.NoError(t, err)
	assert.Equal(t, "7-8", b.String()) // ln 4 of ln 200, the unchanged one counting as 0.01
	rapid.Check(t, func(t *rapid.T) {  // less change is never a lower number
		p := rapid.Float64Range(0, 50).Draw(t, "piece")
		q := rapid.Float64Range(0, p).Draw(t, "less")
		a, err := BracketBlueWool(refs, p)
		require.NoError(t, err)
		b, err := BracketBlueWool(refs, q)
		require.NoError(t, err)
		require.GreaterOrEqual(t, b.Low+b.High, a.Low+a.High)
	})
}
