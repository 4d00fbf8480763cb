// Package votes counts judgements by eye of two pieces held side by side: which is the yellower, the deeper, the duller.
//
// # Method
//
// Pieces of one session share its pots, so a session has one vote: that of most of its judgements, none where they are split. The exact
// two-sided sign test gives p = min(1, 2·P(Bin(n, ½) ≥ max(k, n−k))) over the sessions that voted for either (Dixon & Mood 1946, Journal of
// the American Statistical Association 41:557, from memory). Judgements are never mixed with measured differences.
package votes

import (
	"fmt"
	"math"
	"strconv"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Choice is what was judged.
type Choice int

// The choices.
const (
	Neither Choice = iota
	First
	Second
)

// Judgement is one look at two pieces.
type Judgement struct {
	Session string // "" is not stated: counted and left out
	Choice  Choice
	Blind   bool // who judged did not know which piece was which
}

// MinVotes is the least number of votes that can reach p ≤ .05: 2/2^6 is .031.
const MinVotes = 6

// Result is the count.
type Result struct {
	First, Second int // votes of sessions
	Split         int // sessions that judged neither, or evenly
	NoSession     int // judgements
	NotBlind      int // judgements left out because they were not blind, where only blind ones count
	// P is nil below 6 votes, with Missing saying so.
	P       *float64
	Missing string
}

// Count counts. With blindOnly, judgements that were not blind are left out; a verdict should rest on blind ones. It refuses a choice out
// of range with a *colorimetry.FieldError.
func Count(judgements []Judgement, blindOnly bool) (Result, error) {
	var r Result
	balance := map[string]int{}
	for i, j := range judgements {
		switch {
		case j.Choice < Neither || j.Choice > Second:
			return r, &colorimetry.FieldError{Field: fmt.Sprintf("judgements[%d].choice", i), Value: strconv.Itoa(int(j.Choice)), Allowed: "0 to 2"}
		case blindOnly && !j.Blind:
			r.NotBlind++
		case j.Session == "":
			r.NoSession++
		default:
			balance[j.Session] += [...]int{0, 1, -1}[j.Choice]
		}
	}
	for _, b := range balance {
		switch {
		case b > 0:
			r.First++
		case b < 0:
			r.Second++
		default:
			r.Split++
		}
	}
	n := r.First + r.Second
	if n < MinVotes {
		plural := "s"
		if MinVotes-n == 1 {
			plural = ""
		}
		r.Missing = fmt.Sprintf("%d more session%s with a judgement for one of the two", MinVotes-n, plural)
		return r, nil
	}
	p := signTest(max(r.First, r.Second), n)
	r.P = &p
	return r, nil
}

// signTest is the chance of k or more of n one way or the other, k ≥ n/2.
func signTest(k, n int) float64 {
	tail := 0.0
	for i := k; i <= n; i++ {
		a, _ := math.Lgamma(float64(n + 1))
		b, _ := math.Lgamma(float64(i + 1))
		c, _ := math.Lgamma(float64(n - i + 1))
		tail += math.Exp(a - b - c - float64(n)*math.Ln2)
	}
	return min(1, 2*tail)
}
