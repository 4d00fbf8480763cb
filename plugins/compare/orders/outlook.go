package orders

import (
	"math"

	"github.com/commonvat/commonvat/plugins/palette/width"
)

// Outlook tells how many sessions it will take in all to tell which order is wider, from the noise between the sessions so far.
//
// Method: the standard error of the log ratio goes as 1/√B, so that of n sessions is Noise/√n. n is enough, with a chance of 80 %, to find a ratio where
// |ln target|·√n/Noise is at least t(1−α/2k, n−1) + z(.80) and (|ln target| − ln margin)·√n/Noise at least z(.80), and to show that the orders are equally
// wide, if they are, where ln margin·√n/Noise is at least t(.95, n−1) + z(.90). It is the power of a test on a mean of normal figures, which the
// jackknife's standard error makes of it; rough for few sessions.
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
	outlookFrom = 3
	outlookMost = 60
	z80, z90    = 0.8416212335729143, 1.2815515655446004 // quantiles of the normal distribution (from memory)
)

// outlook is nil for fewer than 3 sessions, or where there is no noise to go by.
func outlook(d *Dispersion, blocks int, p Params) *Outlook {
	if d == nil || d.LogRatio == nil || d.SELogRatio == nil || blocks < outlookFrom || !(*d.SELogRatio > 0) {
		return nil
	}
	margin := math.Log(p.MarginRatio)
	target := max(math.Abs(*d.LogRatio), 1.5*margin)
	noise := *d.SELogRatio * math.Sqrt(float64(blocks))
	least := func(enough func(root float64, df int) bool) int {
		for n := NeededBlocks(p.Alpha, p.Comparisons); n <= outlookMost; n++ {
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
			return target*root >= width.StudentQuantile(tail, df)+z80 && (target-margin)*root >= z80
		}),
		ToRuleOut: least(func(root float64, df int) bool { return margin*root >= width.StudentQuantile(0.95, df)+z90 }),
	}
}
