package width

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Colours of one box are closer than the threshold, wherever it lies: also by the blue, where the formula turns, and by the neutral axis, where it stretches a*.
func TestColoursOfABoxAreOneShade(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		threshold := rapid.SampledFrom([]float64{0.1, 2, 5, 20}).Draw(t, "t")
		one := lab{L: rapid.Float64Range(0, 100).Draw(t, "L"), A: rapid.Float64Range(-100, 100).Draw(t, "a"), B: rapid.Float64Range(-100, 100).Draw(t, "b")}
		side := threshold / math.Sqrt(3)
		for _, s := range [][3]float64{{1, 1, 1}, {1, -1, 1}, {1, 1, -1}, {1, -1, -1}} {
			other := lab{L: one.L + s[0]*side, A: one.A + s[1]*side/math.Sqrt(4.5), B: one.B + s[2]*side/math.Sqrt2}
			require.LessOrEqual(t, colorimetry.CIEDE2000(one, other, colorimetry.DefaultFactors), threshold*(1+1e-9), "%v and %v", one, other)
			require.LessOrEqual(t, boxes([]lab{one, other}, threshold), 2)
		}
		require.Equal(t, 1, boxes([]lab{one, one}, threshold))
	})
}

// Very many colours that are nearly alike are counted within the pairs that are looked at; without that bound these would take 200 million pairs.
func TestVeryManyColoursAlike(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 6))
	colours := make([]lab, 20_000)
	for i := range colours {
		colours[i] = lab{L: 55 + random.Float64(), A: 10 + random.Float64(), B: 20 + random.Float64()}
	}
	slices.SortFunc(colours, byLightness)
	all := onePass(t.Context(), colours[:4000], 2, onePassPairs)
	some := onePass(t.Context(), colours[:4000], 2, 100_000)
	assert.Equal(t, all.Lower, some.Lower)
	assert.GreaterOrEqual(t, some.Upper, all.Upper)
	assert.LessOrEqual(t, some.Upper, 30, "boxes of colours within one unit")
	many := onePass(t.Context(), colours, 2, 100_000)
	assert.Positive(t, many.Lower)
	assert.LessOrEqual(t, many.Upper, 30)
}
