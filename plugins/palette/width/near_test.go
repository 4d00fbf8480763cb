package width

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// nearPairs are pairs up to about reach apart all over the range, every other one among the blues and violets, where the rotation is.
func nearPairs(n int, seed uint64, visit func(x, y colorimetry.Lab)) {
	rng := rand.New(rand.NewPCG(seed, 5))
	for i := range n {
		h := 2 * math.Pi * rng.Float64()
		if i%2 == 0 {
			h = (275 + 30*rng.NormFloat64()) * math.Pi / 180
		}
		c := 200 * math.Pow(rng.Float64(), 2)
		x := colorimetry.Lab{L: 100 * rng.Float64(), A: c * math.Cos(h), B: c * math.Sin(h)}
		reach := 40 * math.Pow(rng.Float64(), 3)
		y := colorimetry.Lab{L: x.L + reach*(2*rng.Float64()-1), A: x.A + reach*(2*rng.Float64()-1)*(1+c/20), B: x.B + reach*(2*rng.Float64()-1)*(1+c/20)}
		if y.Validate() == nil {
			visit(x, y)
		}
	}
}

// What the tables give is off by less than a quarter of what is allowed for, and what is called too far is too far.
func TestRoughly(t *testing.T) {
	worst, decided, beyond := 0.0, 0, 0
	nearPairs(400_000, 1, func(x, y colorimetry.Lab) {
		want := difference(x, y)
		want *= want
		a, b := spotOf(x), spotOf(y)
		const limit = 100.0
		r := reachOf((a.l+b.l)/2, (a.l+b.l)/2, 10)
		if r.beyond(&a, &b) {
			beyond++
			if want <= limit {
				t.Fatalf("%v and %v are called beyond reach", x, y)
			}
		}
		if r := roughly(&a, &b); !math.IsNaN(r.square) {
			decided++
			worst = max(worst, math.Abs(r.square-want*r.scale)/r.terms)
		}
	})
	assert.Less(t, worst, doubt/4)
	assert.Greater(t, decided, 100_000)
	assert.Greater(t, beyond, 50_000)
	t.Logf("largest error %.2g of the terms; %d pairs decided, %d beyond reach", worst, decided, beyond)
}

// Closer is exactly what CIEDE2000 says, for thresholds a last bit either side of the difference as well.
func TestCloser(t *testing.T) {
	nearPairs(50_000, 2, func(x, y colorimetry.Lab) {
		d := difference(x, y)
		a, b := spotOf(x), spotOf(y)
		for _, threshold := range []float64{2.5, 5, 10, d, math.Nextafter(d, 0), math.Nextafter(d, 1e3), d * (1 - 1e-4), d * (1 + 1e-4)} {
			if got := closerThan(threshold).closer(&a, &b); got != (d < threshold) {
				t.Fatalf("%v and %v, %v apart: closer than %v: %v", x, y, d, threshold, got)
			}
		}
	})
	grey := []colorimetry.Lab{{}, {L: 50}, {L: 50, A: 1e-200}, {L: 50, A: -1}, {L: 50, A: 1}, {L: 150, A: 200, B: 200}, {L: 150, A: -200, B: 200}, {L: 150, A: 200, B: -200}, {L: 149, A: 199, B: -200}}
	for _, x := range grey {
		for _, y := range grey {
			a, b := spotOf(x), spotOf(y)
			for _, threshold := range []float64{1e-9, 1, 2.5, 100} {
				assert.Equal(t, difference(x, y) < threshold, closerThan(threshold).closer(&a, &b), "%v %v %v", x, y, threshold)
			}
		}
	}
}

func BenchmarkCloser(b *testing.B) {
	var x, y []spot
	nearPairs(4096, 3, func(p, q colorimetry.Lab) { x, y = append(x, spotOf(p)), append(y, spotOf(q)) })
	c := closerThan(5)
	b.Run("tables", func(b *testing.B) {
		i, n := 0, 0
		for b.Loop() {
			if c.closer(&x[i], &y[i]) {
				n++
			}
			if i++; i == len(x) {
				i = 0
			}
		}
	})
	b.Run("formula", func(b *testing.B) {
		i, n := 0, 0
		for b.Loop() {
			if difference(x[i].lab(), y[i].lab()) < 5 {
				n++
			}
			if i++; i == len(x) {
				i = 0
			}
		}
	})
}
