package orders

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/palette/width"
)

func seen(ratio, se float64) *Dispersion { return &Dispersion{LogRatio: &ratio, SELogRatio: &se} }

func TestOutlook(t *testing.T) {
	p, err := Params{First: "a", Second: "b", MarginRatio: 1.001}.withDefaults()
	require.NoError(t, err)
	// A mean of half a standard deviation takes 34 to be found by a two-sided t test at .05 with a power of .80 (33.4 by the noncentral t, as printed in tables
	// of power and by power.t.test of R; from memory).
	o := foresee(seen(0.5, 1/math.Sqrt(9)), 9, p)
	assert.Equal(t, 34, o.ToFind)
	assert.InDelta(t, 1, o.Noise, 1e-12)
	assert.Zero(t, o.ToRuleOut, "more than 60 for a margin of 0.1 %")

	p.MarginRatio = 1.10
	o = foresee(seen(0.001, 0.02), 4, p)
	assert.InDelta(t, math.Pow(1.10, 1.5), o.TargetRatio, 1e-12)
	assert.Equal(t, 6, o.ToFind)
	few := foresee(seen(0.001, 0.06), 4, p)
	assert.Greater(t, few.ToFind, o.ToFind)
	assert.Greater(t, few.ToRuleOut, o.ToRuleOut)
	p.Comparisons = 10
	assert.GreaterOrEqual(t, foresee(seen(0.001, 0.06), 4, p).ToFind, few.ToFind)

	// Of six sessions all signs must be one: a mean of 1.75 standard deviations does it with Φ(1.75)^6 = .78, where the t test has a power of .95; 1.83 with .81
	// (tables of the normal distribution, from memory).
	p.Comparisons, p.MarginRatio = 1, 1.001
	assert.Equal(t, 7, foresee(seen(1.75, 1/math.Sqrt(6)), 6, p).ToFind)
	assert.Equal(t, 6, foresee(seen(1.83, 1/math.Sqrt(6)), 6, p).ToFind)

	assert.Nil(t, foresee(nil, 6, p))
	assert.Nil(t, foresee(seen(0.1, 0.1), 2, p))
	assert.Nil(t, foresee(seen(0.1, 0), 6, p))
	assert.Nil(t, foresee(&Dispersion{}, 6, p))
}

// What the outlook says is enough for equal widths is enough in 8 of 10 simulated experiments: log ratios of sessions drawn from a normal distribution about 0.
func TestOutlookOfEqualWidthsBySimulation(t *testing.T) {
	p, err := Params{First: "a", Second: "b"}.withDefaults()
	require.NoError(t, err)
	const noise = 0.15
	o := foresee(seen(0, noise/2), 4, p)
	require.Positive(t, o.ToRuleOut)
	share := func(n int) float64 {
		rng := rand.New(rand.NewPCG(3, uint64(n)))
		hits := 0
		const runs = 4000
		for range runs {
			sum, squares := 0.0, 0.0
			for range n {
				x := noise * rng.NormFloat64()
				sum, squares = sum+x, squares+x*x
			}
			mean := sum / float64(n)
			se := math.Sqrt((squares - sum*mean) / float64(n-1) / float64(n))
			if math.Abs(mean)+width.StudentQuantile(0.95, n-1)*se < math.Log(DefaultMarginRatio) {
				hits++
			}
		}
		return float64(hits) / runs
	}
	assert.InDelta(t, 0.8, share(o.ToRuleOut), 0.07)
	assert.Less(t, share(o.ToRuleOut-4), 0.8)
}
