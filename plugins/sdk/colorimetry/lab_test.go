package colorimetry

import (
	"math"
	"testing"

	"github.com/lucasb-eyer/go-colorful"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func drawLab(t *rapid.T, name string) Lab {
	return Lab{
		rapid.Float64Range(0, 100).Draw(t, name+".L"),
		rapid.Float64Range(-128, 128).Draw(t, name+".a"),
		rapid.Float64Range(-128, 128).Draw(t, name+".b"),
	}
}

func TestLabRoundTrips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawLab(t, "colour")
		white, err := White(rapid.SampledFrom(allConditions()).Draw(t, "condition"))
		require.NoError(t, err)
		require.InDelta(t, 0, CIE76(c, c.XYZ(white).Lab(white)), 1e-10)
		lch := c.LCh()
		require.NoError(t, lch.Validate())
		require.Less(t, lch.H, 360.0)
		require.InDelta(t, 0, CIE76(c, lch.Lab()), 1e-10)
	})
}

// Second opinion: go-colorful, which scales L by 1/100 and uses decimals that
// are rounded where the standard has fractions.
func TestLabAgreesWithColorful(t *testing.T) {
	white, err := White(D65Observer2)
	require.NoError(t, err)
	ref := [3]float64{white.X / 100, 1, white.Z / 100}
	rapid.Check(t, func(t *rapid.T) {
		v := XYZ{
			rapid.Float64Range(0, 100).Draw(t, "X"),
			rapid.Float64Range(0, 100).Draw(t, "Y"),
			rapid.Float64Range(0, 110).Draw(t, "Z"),
		}
		got := v.Lab(white)
		l, a, b := colorful.XyzToLabWhiteRef(v.X/100, v.Y/100, v.Z/100, ref)
		require.InDelta(t, 0, CIE76(Lab{100 * l, 100 * a, 100 * b}, got), 1e-6)
		x, y, z := colorful.LabToXyzWhiteRef(got.L/100, got.A/100, got.B/100, ref)
		back := got.XYZ(white)
		require.InDelta(t, 100*x, back.X, 1e-6)
		require.InDelta(t, 100*y, back.Y, 1e-6)
		require.InDelta(t, 100*z, back.Z, 1e-6)
	})
}

func TestLabJoinsAtTheStraightPart(t *testing.T) {
	white := XYZ{100, 100, 100}
	y := 100 * 216.0 / 24389
	below, above := XYZ{y, math.Nextafter(y, 0), y}.Lab(white).L, XYZ{y, math.Nextafter(y, 100), y}.Lab(white).L
	assert.InDelta(t, 8, below, 1e-12) // kappa * epsilon is 8 exactly
	assert.InDelta(t, 8, above, 1e-12)
	assert.InDelta(t, 0, XYZ{}.Lab(white).L, 1e-14)
}

func TestHue(t *testing.T) {
	negativeZero := math.Copysign(0, -1)
	for _, c := range []struct {
		lab  Lab
		h, c float64
	}{
		{Lab{50, 3, 4}, 53.13010235415598, 5},
		{Lab{50, 0, 0}, 0, 0},
		{Lab{50, negativeZero, negativeZero}, 0, 0},
		{Lab{50, negativeZero, 0}, 0, 0},
		{Lab{50, 1, negativeZero}, 0, 1},
		{Lab{50, -1, negativeZero}, 180, 1},
		{Lab{50, 1, -1e-300}, 0, 1}, // not 360
		{Lab{50, 0, -2}, 270, 2},
	} {
		got := c.lab.LCh()
		assert.InDelta(t, c.h, got.H, 1e-12, "%v", c.lab)
		assert.InDelta(t, c.c, got.C, 1e-12, "%v", c.lab)
		assert.Less(t, got.H, 360.0)
	}
}

func TestValidateNamesTheField(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		err  error
		want string
	}{
		{Lab{L: 300}.Validate(), "L is 300, allowed: 0 to 150"},
		{Lab{L: -1}.Validate(), "L is -1, allowed: 0 to 150"},
		{Lab{L: nan}.Validate(), "L is NaN, allowed: 0 to 150"},
		{Lab{A: -200.5}.Validate(), "a is -200.5, allowed: -200 to 200"},
		{Lab{A: nan}.Validate(), "a is NaN, allowed: -200 to 200"},
		{Lab{B: inf}.Validate(), "b is +Inf, allowed: -200 to 200"},
		{LCh{L: inf}.Validate(), "L is +Inf, allowed: 0 to 150"},
		{LCh{C: -1}.Validate(), "C is -1, allowed: 0 to 283"},
		{LCh{H: 400}.Validate(), "H is 400, allowed: 0 to 360"},
		{Factors{nan, 1, 1}.Validate(), "kL is NaN, allowed: 0.1 to 10"},
		{Factors{1, 0, 1}.Validate(), "kC is 0, allowed: 0.1 to 10"},
		{Factors{1, 1, inf}.Validate(), "kH is +Inf, allowed: 0.1 to 10"},
	} {
		assert.EqualError(t, c.err, c.want)
	}
	assert.NoError(t, Lab{L: 150, A: -200, B: 200}.Validate())
	assert.NoError(t, DefaultFactors.Validate())
}

func TestConditionText(t *testing.T) {
	for _, c := range allConditions() {
		text, err := c.MarshalText()
		require.NoError(t, err)
		var back Condition
		require.NoError(t, back.UnmarshalText(text))
		assert.Equal(t, c, back)
	}
	assert.Equal(t, "D65/10", D65Observer10.String())
	assert.Equal(t, "A/10", AObserver10.String())
	for _, bad := range []string{"", "D65", "D65/", "/10", "D65/5", "d65/10", "D65/10 ", "E/2"} {
		c := D65Observer2
		assert.Error(t, c.UnmarshalText([]byte(bad)), bad)
		assert.Equal(t, D65Observer2, c, "a refused text leaves the condition alone")
	}
	_, err := Condition{}.MarshalText()
	assert.Error(t, err)
}

func FuzzParseCondition(f *testing.F) {
	for _, seed := range []string{"D65/10", "A/2", "FL11/10", "", "/", "D65/10/2"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		c, err := ParseCondition(text)
		if err != nil {
			return
		}
		require.NoError(t, c.Validate())
		require.Equal(t, text, c.String())
	})
}

func TestKubelkaMunk(t *testing.T) {
	// Arithmetic: (1-0.04)^2 / 0.08 = 11.52.
	ks, clipped := KS(0.04)
	assert.InDelta(t, 11.52, ks, 1e-12)
	assert.False(t, clipped)
	for r, edge := range map[float64]float64{0: MinKSReflectance, 0.001: MinKSReflectance, 1: MaxKSReflectance, 1.4: MaxKSReflectance} {
		ks, clipped := KS(r)
		want, inside := KS(edge)
		assert.Equal(t, want, ks)
		assert.True(t, clipped)
		assert.False(t, inside)
	}
	ks, _ = KS(math.NaN())
	assert.True(t, math.IsNaN(ks))
	rapid.Check(t, func(t *rapid.T) {
		r := rapid.Float64Range(MinKSReflectance, MaxKSReflectance).Draw(t, "reflectance")
		ks, _ := KS(r)
		require.InDelta(t, r, ReflectanceFromKS(ks), 1e-12)
	})
	assert.Equal(t, 1.0, ReflectanceFromKS(0))
}
