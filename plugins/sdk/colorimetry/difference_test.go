package colorimetry

import (
	"math"
	"testing"

	"github.com/lucasb-eyer/go-colorful"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func sharmaPair(t testing.TB, r publishedRow) (reference, sample Lab) {
	return Lab{r.number(t, "L1"), r.number(t, "a1"), r.number(t, "b1")},
		Lab{r.number(t, "L2"), r.number(t, "a2"), r.number(t, "b2")}
}

func TestCIEDE2000ReproducesThePublishedPairs(t *testing.T) {
	rows := publishedRows(t, "ciede2000_sharma2005.csv")
	require.Len(t, rows, 34)
	for _, r := range rows {
		p, q := sharmaPair(t, r)
		// Four published decimals.
		assert.InDelta(t, r.number(t, "dE00"), CIEDE2000(p, q, DefaultFactors), 0.000051, "pair %s", r["pair"])
		assert.Equal(t, CIEDE2000(p, q, DefaultFactors), CIEDE2000(q, p, DefaultFactors), "pair %s backwards", r["pair"])
	}
}

// go-colorful as a second opinion. It agrees with 33 of the 34 published pairs.
// It takes its colours through RGB, which moves the exactly opposite hues of
// pair 10 off each other by a last bit and lands it on the other branch: 7.2195
// where 7.1792 is published.
func TestCIEDE2000AgainstColorful(t *testing.T) {
	var fails []string
	for _, r := range publishedRows(t, "ciede2000_sharma2005.csv") {
		p, q := sharmaPair(t, r)
		theirs := 100 * colorful.Lab(p.L/100, p.A/100, p.B/100).DistanceCIEDE2000(colorful.Lab(q.L/100, q.A/100, q.B/100))
		if math.Abs(theirs-r.number(t, "dE00")) > 0.0001 {
			fails = append(fails, r["pair"])
			t.Logf("pair %s: go-colorful %.4f, published %s", r["pair"], theirs, r["dE00"])
			continue
		}
		assert.InDelta(t, theirs, CIEDE2000(p, q, DefaultFactors), 0.0001, "pair %s", r["pair"])
	}
	assert.Equal(t, []string{"10"}, fails)
}

// nearJump tells that a pair lies at one of the two jumps of the formula:
// opposite hues, or a mean hue of 0. There the straight form hangs on the last
// bit of its angles; TestJumps looks at them one by one.
func nearJump(p, q Lab, f Factors) bool {
	_, mean, apart := straightParts(p, q, f)
	return math.Abs(apart-180) < 1e-9 || mean < 1e-9 || mean > 360-1e-9
}

// drawPair draws two colours anywhere, or close together, where differences
// are used most and cancel most.
func drawPair(t *rapid.T) (p, q Lab) {
	p, q = drawLab(t, "reference"), drawLab(t, "sample")
	if rapid.Bool().Draw(t, "close") {
		scale := math.Pow(10, rapid.Float64Range(-6, 1).Draw(t, "log distance"))
		q = Lab{p.L + scale*q.L/100, p.A + scale*q.A/128, p.B + scale*q.B/128}
	}
	return p, q
}

func drawFactors(t *rapid.T) Factors {
	k := rapid.SampledFrom([]float64{1, 2, 0.5, 1.5})
	return Factors{k.Draw(t, "kL"), k.Draw(t, "kC"), k.Draw(t, "kH")}
}

func TestCIEDE2000AgreesWithTheStraightForm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, q := drawPair(t)
		f := drawFactors(t)
		if nearJump(p, q, f) {
			t.Skip("at a jump of the formula")
		}
		require.InDelta(t, straightCIEDE2000(p, q, f), CIEDE2000(p, q, f), 1e-10, "%v %v", p, q)
	})
	worst := 0.0
	left := 0
	for _, spread := range []float64{1, 0.1, 0.01, 1e-4} {
		reference, sample := randomColours(50_000, 3), randomColours(50_000, 4)
		for i, p := range reference {
			q := Lab{p.L + spread*(sample[i].L-p.L), p.A + spread*(sample[i].A-p.A), p.B + spread*(sample[i].B-p.B)}
			if nearJump(p, q, DefaultFactors) {
				left++
				continue
			}
			worst = max(worst, math.Abs(straightCIEDE2000(p, q, DefaultFactors)-CIEDE2000(p, q, DefaultFactors)))
		}
	}
	t.Logf("200,000 pairs, %d at a jump; largest deviation %.2g", left, worst)
	assert.Less(t, worst, 1e-10)
	assert.Less(t, left, 10)
}

func TestDifferenceProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, q := drawPair(t)
		f := drawFactors(t)
		d := CIEDE2000(p, q, f)
		require.GreaterOrEqual(t, d, 0.0)
		require.Equal(t, d, CIEDE2000(q, p, f), "symmetric")
		require.Zero(t, CIEDE2000(p, p, f), "identical colours")
		require.Equal(t, CIE76(p, q), CIE76(q, p))
		require.Zero(t, CIE76(p, p))

		// Reflection of both colours in the a axis leaves CIE76 alone, and so
		// does moving both by the same amount.
		move := drawLab(t, "move")
		moved := func(c Lab) Lab { return Lab{c.L + move.L, c.A + move.A, c.B + move.B} }
		require.InDelta(t, CIE76(p, q), CIE76(moved(p), moved(q)), 1e-10)

		// Doubling every factor halves the difference: the equation is
		// homogeneous in the three terms.
		double := Factors{2 * f.KL, 2 * f.KC, 2 * f.KH}
		require.InDelta(t, d/2, CIEDE2000(p, q, double), 1e-9)
	})
}

// Between greys only lightness counts: dL / S_L, and S_L depends only on the
// mean lightness, so that a shift which mirrors the mean about 50 is harmless.
func TestCIEDE2000OfGreys(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		mean := rapid.Float64Range(0, 50).Draw(t, "mean")
		apart := rapid.Float64Range(0, 20).Draw(t, "apart")
		at := func(m float64) float64 {
			return CIEDE2000(Lab{L: m - apart/2}, Lab{L: m + apart/2}, DefaultFactors)
		}
		square := (mean - 50) * (mean - 50)
		require.InDelta(t, apart/(1+0.015*square/math.Sqrt(20+square)), at(mean), 1e-9)
		require.InDelta(t, at(mean), at(100-mean), 1e-9)
	})
	// One grey: the hue terms vanish, whatever hue the other has.
	rapid.Check(t, func(t *rapid.T) {
		p, q := drawLab(t, "grey"), drawLab(t, "sample")
		p.A, p.B = 0, 0
		require.InDelta(t, straightCIEDE2000(p, q, DefaultFactors), CIEDE2000(p, q, DefaultFactors), 1e-9)
	})
}

func TestJumps(t *testing.T) {
	at := func(c, degrees float64) Lab { return LCh{50, c, degrees}.Lab() }
	delta := func(p, q Lab) float64 { return CIEDE2000(p, q, DefaultFactors) }

	// Opposite hues: the larger hue minus the smaller, mean in between, as in
	// published pairs 10 and 14; a last bit to either side must not matter.
	for _, c := range []float64{1, 3, 17.3, 60} {
		for degrees := 1.0; degrees < 180; degrees += 7 {
			p, q := at(c, degrees), at(c/2, degrees+180)
			want := straightCIEDE2000(p, q, DefaultFactors)
			assert.InDelta(t, want, delta(p, q), 1e-9, "%v %v", c, degrees)
			for _, bit := range []float64{math.Inf(1), math.Inf(-1)} {
				r := q
				r.B = math.Nextafter(q.B, bit)
				assert.InDelta(t, want, delta(p, r), 1e-9, "%v %v", c, degrees)
				assert.InDelta(t, want, delta(r, p), 1e-9, "%v %v", c, degrees)
			}
		}
	}
	// On the axis itself the angles are exact: 0 and 180, 90 and 270.
	for _, pair := range [][2]Lab{
		{{50, 3, 0}, {50, -5, 0}}, {{50, 3, math.Copysign(0, -1)}, {50, -5, math.Copysign(0, -1)}},
		{{50, 0, 3}, {50, 0, -5}}, {{50, 3, 1e-300}, {50, -5, 1e-300}}, {{50, 3, 0}, {50, -5, 1e-300}},
	} {
		want := straightCIEDE2000(pair[0], pair[1], DefaultFactors)
		assert.InDelta(t, want, delta(pair[0], pair[1]), 1e-9, "%v", pair)
		assert.InDelta(t, want, delta(pair[1], pair[0]), 1e-9, "%v", pair)
	}
	// A little further than 1e-10 degrees to either side the branches differ,
	// and the straight form tells them apart too.
	for _, off := range []float64{1e-8, -1e-8} {
		p, q := at(30, 20), at(10, 200+off)
		assert.InDelta(t, straightCIEDE2000(p, q, DefaultFactors), delta(p, q), 1e-9, "off by %g", off)
	}
	assert.Greater(t, math.Abs(delta(at(3, 70), at(1, 250+1e-8))-delta(at(3, 70), at(1, 250-1e-8))), 0.001)

	// A mean hue of 0 is 0, not 360, also after a last bit to either side:
	// mirror images in the a axis, without and with different chroma.
	for _, degrees := range []float64{3, 10, 45, 80} {
		p, q := Lab{50, 40 * math.Cos(degrees), 7}, Lab{50, 40 * math.Cos(degrees), -7}
		assert.Equal(t, delta(p, q), delta(q, p))
		p, q = at(30, degrees), at(60, -degrees)
		want := delta(p, at(60, -degrees+1e-9)) // mean just above 0
		for _, bit := range []float64{math.Inf(1), math.Inf(-1)} {
			r := q
			r.B = math.Nextafter(q.B, bit)
			assert.InDelta(t, want, delta(p, r), 1e-8)
		}
	}
}

func TestCIEDE2000OfExtremes(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, bad := range []Lab{{nan, 0, 0}, {50, nan, 0}, {50, 0, nan}, {50, inf, 0}, {50, 0, -inf}} {
		good := Lab{50, 10, -30}
		assert.True(t, math.IsNaN(CIEDE2000(bad, good, DefaultFactors)), "%v", bad)
		assert.True(t, math.IsNaN(CIEDE2000(good, bad, DefaultFactors)), "%v", bad)
	}
	for _, tiny := range []float64{5e-324, 1e-200, 1e-160, 1e-100, 1e-12} {
		d := CIEDE2000(Lab{50, tiny, tiny}, Lab{50, -tiny, tiny}, DefaultFactors)
		assert.False(t, math.IsNaN(d))
		assert.InDelta(t, 0, d, 3*tiny+1e-100)
		d = CIEDE2000(Lab{50, 100, 0}, Lab{50, tiny, -tiny}, DefaultFactors)
		assert.InDelta(t, CIEDE2000(Lab{50, 100, 0}, Lab{L: 50}, DefaultFactors), d, 1e-4)
	}
	// Far outside of any colour nothing overflows.
	assert.False(t, math.IsNaN(CIEDE2000(Lab{1e6, 1e30, -1e30}, Lab{-1e6, -1e30, 1e29}, DefaultFactors)))
}

func TestCIEDE2000Pairs(t *testing.T) {
	reference, sample := randomColours(100, 5), randomColours(100, 6)
	out := make([]float64, 100)
	require.NoError(t, CIEDE2000Pairs(out, reference, sample, Factors{2, 1, 1}))
	for i := range out {
		assert.Equal(t, CIEDE2000(reference[i], sample[i], Factors{2, 1, 1}), out[i])
	}
	assert.Error(t, CIEDE2000Pairs(out[:99], reference, sample, DefaultFactors))
	assert.Error(t, CIEDE2000Pairs(out, reference[:99], sample, DefaultFactors))
	assert.Zero(t, testing.AllocsPerRun(10, func() { _ = CIEDE2000Pairs(out, reference, sample, DefaultFactors) }))
}

func FuzzCIEDE2000(f *testing.F) {
	f.Add(50.0, 2.6772, -79.7751, 50.0, 0.0, -82.7485)
	f.Add(50.0, 2.49, -0.001, 50.0, -2.49, 0.0011)
	f.Add(0.0, 0.0, 0.0, 100.0, 0.0, 0.0)
	f.Fuzz(func(t *testing.T, l1, a1, b1, l2, a2, b2 float64) {
		p, q := Lab{l1, a1, b1}, Lab{l2, a2, b2}
		d := CIEDE2000(p, q, DefaultFactors)
		if p.Validate() != nil || q.Validate() != nil {
			return // no panic is all that is asked
		}
		require.GreaterOrEqual(t, d, 0.0)
		require.Equal(t, d, CIEDE2000(q, p, DefaultFactors))
		if !nearJump(p, q, DefaultFactors) {
			require.InDelta(t, straightCIEDE2000(p, q, DefaultFactors), d, 1e-9)
		}
	})
}
