package colorimetry

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Worked by hand from the equations: a reference of L 50, C 20, hue 0 has S_C = 1.9, S_H = 1.3 in graphic arts, 1.96 and 1.28 in textile; by CMC
// S_L = 2.04875/1.8825, S_C = 1.276/1.262 + 0.638, and at hue 0 T = 0.36 + 0.4 cos 35.
func TestFormulasByHand(t *testing.T) {
	ref := Lab{50, 20, 0}
	sL, sC := 2.04875/1.8825, 1.276/1.262+0.638
	f := math.Sqrt(160000.0 / 161900)
	sH := sC * (f*(0.36+0.4*0.8191520442889918) + 1 - f)
	twist := Lab{50, 0, 20} // a quarter turn: dH = 20 sqrt 2
	for _, c := range []struct {
		got, want float64
	}{
		{CIE94(ref, Lab{50, 39, 0}, CIE94GraphicArts, DefaultFactors), 10},
		{CIE94(ref, Lab{50, 39.6, 0}, CIE94Textile, DefaultFactors), 10},
		{CIE94(ref, Lab{56, 20, 0}, CIE94Textile, DefaultFactors), 3},
		{CIE94(ref, Lab{56, 20, 0}, CIE94Textile, Factors{2, 1, 1}), 1.5},
		{CIE94(ref, twist, CIE94GraphicArts, DefaultFactors), 20 * math.Sqrt2 / 1.3},
		{CIE94(ref, twist, CIE94Textile, Factors{1, 1, 2}), 10 * math.Sqrt2 / 1.28},
		{CMC(ref, Lab{53, 20, 0}, 1, 1), 3 / sL},
		{CMC(ref, Lab{53, 20, 0}, 2, 1), 1.5 / sL},
		{CMC(ref, Lab{50, 23, 0}, 2, 1), 3 / sC},
		{CMC(ref, twist, 2, 1), 20 * math.Sqrt2 / sH},
		{CMC(Lab{15.9, 0, 0}, Lab{16.411, 0, 0}, 1, 1), 1}, // S_L is 0.511 below 16
		{CMC(Lab{50, 0, 0}, Lab{50, 0.638, 0}, 2, 1), 1},
	} {
		assert.InDelta(t, c.want, c.got, 1e-12)
	}
}

// The hue difference of the cross product keeps its digits where that of the root loses half of them, and agrees with it elsewhere.
func TestHueDifference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, q := drawPair(t)
		c1, c2 := math.Hypot(p.A, p.B), math.Hypot(q.A, q.B)
		h := deltaH(p, q, c1, c2)
		require.InDelta(t, math.Sqrt(max(0, 2*(c1*c2-p.A*q.A-p.B*q.B))), math.Abs(h), 1e-5)
		// dE² = dL² + dC² + dH², the definition of CIE 015.
		require.InDelta(t, CIE76(p, q), math.Sqrt((q.L-p.L)*(q.L-p.L)+(c2-c1)*(c2-c1)+h*h), 1e-9)
	})
	// A turn of 1e-9 radians at chroma 30.
	p, q := Lab{50, 30, 0}, Lab{50, 30 * math.Cos(1e-9), 30 * math.Sin(1e-9)}
	assert.InEpsilon(t, 30e-9, deltaH(p, q, 30, 30), 1e-9)
	assert.Zero(t, deltaH(Lab{50, 0, 0}, q, 0, 30))
}

func TestFormulaProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, q := drawPair(t)
		for _, f := range Formulas() {
			k := Factors{2, 1, 1}
			if f == FormulaCIE76 {
				k = DefaultFactors
			}
			require.NoError(t, f.Check(k))
			d := f.Difference(p, q, k)
			require.GreaterOrEqual(t, d, 0.0)
			require.False(t, math.IsInf(d, 0))
			require.Zero(t, f.Difference(p, p, k))
			if f.Symmetric() {
				require.Equal(t, d, f.Difference(q, p, k))
			}
			parsed, err := ParseFormula(string(f))
			require.NoError(t, err)
			require.Equal(t, f, parsed)
		}
	})
	// The asymmetric ones are asymmetric.
	p, q := Lab{40, 50, 10}, Lab{45, 20, 30}
	for _, f := range Formulas() {
		assert.Equal(t, f.Symmetric(), f.Difference(p, q, DefaultFactors) == f.Difference(q, p, DefaultFactors), f)
		for _, bad := range []Lab{{math.NaN(), 1, 2}, {50, math.NaN(), 2}, {50, 1, math.NaN()}} {
			assert.True(t, math.IsNaN(f.Difference(bad, q, DefaultFactors)), "%s %v", f, bad)
			assert.True(t, math.IsNaN(f.Difference(q, bad, DefaultFactors)), "%s %v", f, bad)
		}
	}
	_, err := ParseFormula("cie2000")
	assert.ErrorContains(t, err, "allowed: ciede2000, cie76, cie94_textile, cie94_graphic_arts, cmc")
	assert.ErrorContains(t, FormulaCIE76.Check(Factors{2, 1, 1}), "kL is 2, allowed: 1: cie76 has no such factor")
	assert.ErrorContains(t, FormulaCMC.Check(Factors{2, 1, 2}), "kH is 2, allowed: 1: cmc has no such factor")
	assert.ErrorContains(t, FormulaCIEDE2000.Check(Factors{0, 1, 1}), "kL is 0")
	assert.Equal(t, "CMC(2:1)", FormulaCMC.Printed(Factors{2, 1, 1}))
	assert.Equal(t, "CIE94 (textile), kL = 2, kC = 1, kH = 1", FormulaCIE94Textile.Printed(DefaultFactors))
	assert.Equal(t, "CIEDE2000, kL = 2, kC = 1, kH = 1", FormulaCIEDE2000.Printed(Factors{2, 1, 1}))
	assert.True(t, math.IsNaN(Formula("x").Difference(p, q, DefaultFactors)))
}

func TestCompareRefuses(t *testing.T) {
	good := Lab{50, 1, 2}
	for _, c := range []struct {
		f    Formula
		p, q Lab
		k    Factors
		says string
	}{
		{"cie1976", good, good, DefaultFactors, "formula"},
		{FormulaCMC, good, good, Factors{2, 1, 2}, "kH is 2"},
		{FormulaCIE76, good, good, Factors{}, "kL is 0"},
		{FormulaCIE76, Lab{300, 0, 0}, good, DefaultFactors, "reference.L is 300, allowed: 0 to 150"},
		{FormulaCIEDE2000, good, Lab{50, math.NaN(), 0}, DefaultFactors, "sample.a is NaN"},
	} {
		_, err := c.f.Compare(c.p, c.q, c.k)
		assert.ErrorContains(t, err, c.says)
	}
	d, err := FormulaCIE76.Compare(Lab{50, 1, 1}, Lab{62, 4, 5}, DefaultFactors)
	require.NoError(t, err)
	assert.Equal(t, 13.0, d)
}
