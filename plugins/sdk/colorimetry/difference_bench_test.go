package colorimetry

import (
	"math"
	"math/rand/v2"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sys/unix"
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
}

// The same pairs on one processor, and shared out in small chunks to two; of each the fastest turn. x-one is by the clock, and on a machine with other work
// says more of that work than of this code. x-one-own is by the time that the threads themselves had a processor, in turns in which both had one for at
// least three quarters of the turn: what two at once cost each other in caches and memory. It is left out where there was no such turn.
func BenchmarkCIEDE2000OnTwoProcessors(b *testing.B) {
	const many, chunk = 16 * benchPairs, benchPairs / 16
	reference, sample, out := randomColours(many, 1), randomColours(many, 2), make([]float64, many)
	var next atomic.Int64
	// work takes chunks until there are none and gives its own thread's time.
	work := func() (own time.Duration) {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		begun := threadTime(b)
		for to := int(next.Add(chunk)); to <= many; to = int(next.Add(chunk)) {
			if err := CIEDE2000Pairs(out[to-chunk:to], reference[to-chunk:to], sample[to-chunk:to], DefaultFactors); err != nil {
				b.Error(err)
			}
		}
		return threadTime(b) - begun
	}
	const never = time.Duration(math.MaxInt64)
	one, two, ownOne, ownTwo := never, never, never, never
	for b.Loop() {
		next.Store(0)
		begun := time.Now()
		ownOne = min(ownOne, work())
		between := time.Now()
		next.Store(0)
		var w sync.WaitGroup
		var first time.Duration
		w.Go(func() { first = work() })
		second := work()
		w.Wait()
		turn := time.Since(between)
		one, two = min(one, between.Sub(begun)), min(two, turn)
		if first+second >= turn*3/2 {
			ownTwo = min(ownTwo, first+second)
		}
	}
	b.ReportMetric(float64(one)/float64(two), "x-one")
	if ownTwo != never {
		b.ReportMetric(2*float64(ownOne)/float64(ownTwo), "x-one-own")
	}
}

// threadTime is how long the calling thread had a processor.
func threadTime(b *testing.B) time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_THREAD_CPUTIME_ID, &t); err != nil {
		b.Fatal(err)
	}
	return time.Duration(t.Nano())
}
