package orders

import (
	"math"
	"math/rand/v2"

	"github.com/commonvat/commonvat/plugins/compare/outlook"
	"github.com/commonvat/commonvat/plugins/palette/width"
)

// Outlook tells how many sessions it will take in all to tell which order is wider, from the noise between the sessions so far.
//
// Method: the standard error of the log ratio goes as 1/√B, so that of n sessions is Noise/√n. n is enough, with a chance of 80 %, to find a ratio where
// |ln target|·√n/Noise is at least t(1−α/2k, n−1) + z(.80) and (|ln target| − ln margin)·√n/Noise at least z(.80), and to show that the orders are equally
// wide, if they are, where ln margin·√n/Noise is at least t(.95, n−1) + z(.90). That is the power of a test on the mean of normal figures, as which the
// jackknife treats the sessions. Up to 13 sessions (outlook.Few arrangements) finding a difference is harder than this formula says. There 1,000
// experiments are drawn instead, with normal figures of sessions about ln target whose signs are turned in every way.
type Outlook struct {
	From int // sessions behind the noise
	// Noise is the standard deviation between sessions of ln(first/second), as the jackknife's standard error has it.
	Noise float64
	// TargetRatio is the ratio that ToFind is for, above 1: that so far, and at least the margin to the power of 1.5.
	TargetRatio float64
	// ToFind and ToRuleOut are sessions in all. 0: more than 60.
	ToFind, ToRuleOut int
}

const (
	outlookRuns = 1000
	z80, z90    = 0.8416212335729143, 1.2815515655446004 // quantiles of the normal distribution (from memory)
)

// foresee is nil for fewer than 3 sessions, or where there is no noise to go by.
func foresee(d *Dispersion, blocks int, p Params) *Outlook {
	if d == nil || d.LogRatio == nil || d.SELogRatio == nil || blocks < outlook.From || !(*d.SELogRatio > 0) {
		return nil
	}
	margin := math.Log(p.MarginRatio)
	target := max(math.Abs(*d.LogRatio), 1.5*margin)
	noise := *d.SELogRatio * math.Sqrt(float64(blocks))
	least := func(enough func(root float64, df int) bool) int {
		for n := NeededBlocks(p.Alpha, p.Comparisons); n <= outlook.Most; n++ {
			if enough(math.Sqrt(float64(n))/noise, n-1) {
				return n
			}
		}
		return 0
	}
	tail := 1 - p.Alpha/2/float64(p.Comparisons)
	return &Outlook{
		From: blocks, Noise: noise, TargetRatio: math.Exp(target),
		ToFind: least(func(root float64, df int) bool {
			if n := df + 1; math.Ldexp(1, n-1) <= outlook.Few {
				return oftenFound(n, target/noise, margin/noise, p.Alpha/float64(p.Comparisons))
			}
			return target*root >= width.StudentQuantile(tail, df)+z80 && (target-margin)*root >= z80
		}),
		ToRuleOut: least(func(root float64, df int) bool { return margin*root >= width.StudentQuantile(0.95, df)+z90 }),
	}
}

// oftenFound tells whether 80 % of experiments of n sessions find a difference: their figures are normal about target with a deviation of 1, their mean is margin or
// more, and at most alpha of the ways to turn their signs give as large a sum.
func oftenFound(n int, target, margin, alpha float64) bool {
	rng := rand.New(rand.NewPCG(1, uint64(n)))
	most := int(alpha*math.Ldexp(1, n-1) + 1e-9) // of signs turned in all sessions alike one is tried
	d := make([]float64, n)
	found := 0
	for range outlookRuns {
		sum := 0.0
		for j := range d {
			d[j] = target + rng.NormFloat64()
			sum += d[j]
		}
		own, hits := math.Abs(sum)*(1-1e-12), 0
		var try func(j int, sum float64) bool // false once too many are as large
		try = func(j int, sum float64) bool {
			if j < n {
				return try(j+1, sum+d[j]) && try(j+1, sum-d[j])
			}
			if math.Abs(sum) >= own {
				hits++
			}
			return hits <= most
		}
		if math.Abs(sum) >= margin*float64(n) && try(1, d[0]) {
			found++
		}
	}
	return float64(found) >= outlook.Goal*outlookRuns
}
