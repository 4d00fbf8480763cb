package orders

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// sizes are sessions that hold so many of a design's recipes.
func sizes(rows []Row, of ...int) (out []Row) {
	for _, r := range rows {
		var session, cell int
		_, _ = fmt.Sscanf(r.Block, "s%d", &session)
		_, _ = fmt.Sscan(r.Cell, &cell)
		if cell < of[session%len(of)] {
			out = append(out, r)
		}
	}
	return out
}

// Quantiles of Student's t as printed in tables: t(.95) is 2.015 with 5 and 2.353 with 3 degrees of freedom (from memory).
func TestUnequalSessionsWeighLikeFewer(t *testing.T) {
	for _, tt := range []struct {
		of []int
		t  float64
	}{{[]int{4}, 2.015}, {[]int{2, 3, 6}, 2.353}} { // 22²/(2·(4+9+36)) = 4.9
		r := compare(t, sizes(design{blocks: 6, cells: 6, scaleAB: 1.1, noise: 1, seed: 5}.rows(), tt.of...), Params{ClosingBlocks: 6})
		d := r.Dispersion
		require.NotNil(t, d.RatioHigh)
		assert.InDelta(t, tt.t, (math.Log(*d.RatioHigh)-*d.LogRatio) / *d.SELogRatio, 0.001)
		assert.InDelta(t, tt.t, (*d.LogRatio-math.Log(*d.RatioLow)) / *d.SELogRatio, 0.001)
	}
}

// Sessions of one recipe each, whose pots differ much in strength and orders not in width: an order that the swaps find wider is called so only beyond the error from
// session to session, t(.975) with 5 degrees of freedom being 2.571 (tables, from memory).
func TestSwapsAboutMeansAreNotEnough(t *testing.T) {
	wider, held := 0, 0
	for seed := range uint64(120) {
		rng := rand.New(rand.NewPCG(seed, 9))
		var rows []Row
		for s := range 6 {
			for _, order := range []string{"AB", "BA"} {
				strength := math.Exp(0.3 * rng.NormFloat64())
				rows = append(rows, Row{ReadingID: fmt.Sprint(s, order), Group: order, Block: fmt.Sprint(s), Cell: fmt.Sprint(s % 3),
					Lab: lab{L: 90 - 20*strength + float64(s%3), A: 20 * strength, B: 5 + 8*rng.NormFloat64()*strength}})
			}
		}
		r := compare(t, rows, Params{ClosingBlocks: 6})
		require.False(t, r.Test.Within)
		if r.Test.P > 0.05 || r.Shades.direction() != 0 {
			continue
		}
		d := r.Dispersion
		if math.Abs(*d.LogRatio) > 2.571*(*d.SELogRatio) {
			wider++
			assert.Contains(t, []Verdict{FirstWider, SecondWider, DetectableButSmall}, r.Verdict)
		} else {
			held++
			assert.Equal(t, NoAnswer, r.Verdict)
			assert.Contains(t, r.Sentence, "looks wider, but")
		}
	}
	assert.Positive(t, wider)
	assert.Positive(t, held)
}
