package colorimetry

import (
	"math"
	"math/rand/v2"
	"sync"
	"testing"
	"time"
)

const benchPairs = 4096

// randomColours are spread evenly over a box about as large as dyed fibre
// fills. The seed is fixed.
func randomColours(n int, seed uint64) []Lab {
	r := rand.New(rand.NewPCG(seed, 2005))
	out := make([]Lab, n)
	for i := range out {
		out[i] = Lab{L: 100 * r.Float64(), A: 160*r.Float64() - 80, B: 160*r.Float64() - 80}
	}
	return out
}

// Run with: go test -bench CIEDE2000 -benchtime 1s ./plugins/sdk/colorimetry
func BenchmarkCIEDE2000(b *testing.B) {
	reference, sample := randomColours(benchPairs, 1), randomColours(benchPairs, 2)
	out := make([]float64, benchPairs)
	packed := func() {
		if err := CIEDE2000Pairs(out, reference, sample, DefaultFactors); err != nil {
			b.Fatal(err)
		}
	}
	straight := func() {
		for i := range out {
			out[i] = straightCIEDE2000(reference[i], sample[i], DefaultFactors)
		}
	}
	perPair := func(b *testing.B, d time.Duration) float64 {
		return float64(d.Nanoseconds()) / float64(b.N) / benchPairs
	}
	for _, c := range []struct {
		name string
		run  func()
	}{{"packed", packed}, {"straight", straight}} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				c.run()
			}
			b.ReportMetric(perPair(b, b.Elapsed()), "ns/pair")
		})
	}
	// Both in turn inside one run, and of each the fastest turn: what a busy machine takes away from a turn says nothing about the code.
	b.Run("ratio", func(b *testing.B) {
		p, s := time.Duration(math.MaxInt64), time.Duration(math.MaxInt64)
		for b.Loop() {
			begun := time.Now()
			packed()
			between := time.Now()
			straight()
			p, s = min(p, between.Sub(begun)), min(s, time.Since(between))
		}
		b.ReportMetric(float64(p.Nanoseconds())/benchPairs, "packed-ns/pair")
		b.ReportMetric(float64(s.Nanoseconds())/benchPairs, "straight-ns/pair")
		b.ReportMetric(float64(s)/float64(p), "x-straight")
	})
	// The same pairs on one processor and shared by two, in the same way.
	b.Run("two", func(b *testing.B) {
		const many = 16 * benchPairs
		reference, sample, out := randomColours(many, 1), randomColours(many, 2), make([]float64, many)
		some := func(from, to int) {
			if err := CIEDE2000Pairs(out[from:to], reference[from:to], sample[from:to], DefaultFactors); err != nil {
				b.Error(err)
			}
		}
		one, two := time.Duration(math.MaxInt64), time.Duration(math.MaxInt64)
		for b.Loop() {
			begun := time.Now()
			some(0, many)
			between := time.Now()
			var w sync.WaitGroup
			w.Go(func() { some(0, many/2) })
			some(many/2, many)
			w.Wait()
			one, two = min(one, between.Sub(begun)), min(two, time.Since(between))
		}
		b.ReportMetric(float64(one)/float64(two), "x-one")
	})
}
