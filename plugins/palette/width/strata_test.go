package width

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/palette/width/hull"
)

func scaledBy(colours []lab, k float64) []lab {
	out := make([]lab, len(colours))
	for i, c := range colours {
		out[i] = lab{L: 50 + (c.L-50)*k, A: c.A * k, B: c.B * k}
	}
	return out
}

// Two groups of equal width in every yarn, one of them on more yarns, whose colours lie far apart: over all yarns its cells spread
// more, and still it must not be called wider.
func TestMoreYarnsAreNotWider(t *testing.T) {
	base := scaledBy(genFixed(4), 0.4)
	var rows []Row
	var everywhere []lab
	for i, yarn := range []string{"", "merino", "rambouillet", "shetland", "silk"} {
		var shifted []lab
		for _, c := range base {
			shifted = append(shifted, lab{L: c.L - 10 + 5*float64(i), A: c.A + 12*float64(i), B: c.B})
		}
		rows = append(rows, rowsOf("alum", "s", yarn, shifted)...)
		everywhere = append(everywhere, shifted...)
		if i < 3 {
			rows = append(rows, rowsOf("iron", "s", yarn, shifted)...)
		}
	}
	a := measure(t, rows, Params{})
	assert.Len(t, a.Strata, 5)
	assert.Empty(t, a.Strata[0].Label, "not stated is a stratum of its own")
	require.Len(t, a.Pairs, 1)
	p := a.Pairs[0]
	assert.Equal(t, "alum", p.First)
	assert.Len(t, p.Strata, 3)
	assert.Equal(t, 12, p.FirstCells)
	assert.InDelta(t, 0, *p.MeanLogRatio, 1e-12)
	assert.InDelta(t, 0, *p.MeanShadeDifference, 1e-12)
	assert.False(t, p.Thin)
	wide, _ := Dispersion(everywhere)
	narrow, _ := Dispersion(everywhere[:12])
	assert.Greater(t, wide, 1.2*narrow, "pooled over yarns it would look wider")
}

// The mean log-ratio of palettes that differ by a factor is the log of that factor (analytic), whatever the strata's own sizes.
func TestMeanLogRatioIsTheFactor(t *testing.T) {
	var rows []Row
	for i, yarn := range []string{"a", "b", "c"} {
		colours := scaledBy(genFixed(5), 0.5+0.3*float64(i))
		rows = append(rows, rowsOf("wide", "s", yarn, colours)...)
		rows = append(rows, rowsOf("tight", "s", yarn, scaledBy(colours, 0.5))...)
	}
	p := measure(t, rows, Params{}).Pairs[0]
	assert.Equal(t, "tight", p.First)
	assert.InDelta(t, math.Log(0.5), *p.MeanLogRatio, 1e-12)
	assert.Len(t, p.Strata, 3)
	for _, s := range p.Strata {
		assert.InDelta(t, math.Log(0.5), *s.LogRatio, 1e-12, "in %s", s.Stratum)
	}
}

func TestEqualNumbersInsideAStratum(t *testing.T) {
	// Many cells of one palette against few of the same palette: at equal m the difference is that of the cells, not of n.
	many := genFixed(18)
	a := measure(t, append(rowsOf("few", "s", "y", many[:6]), rowsOf("many", "s", "y", many)...), Params{})
	p := a.Pairs[0]
	require.Len(t, p.Strata, 1)
	assert.Equal(t, 6, p.Strata[0].M)
	assert.False(t, p.Thin, "a single stratum wants equal m of 6")
	assert.Equal(t, 6, a.Strata[0].M)
	few, more := a.Strata[0].Groups[0], a.Strata[0].Groups[1]
	assert.InDelta(t, few.Rarefied.Shades.Mean-more.Rarefied.Shades.Mean, p.Strata[0].ShadeDifference, 1e-12)
	assert.Greater(t, float64(more.Shades[0].Lower), more.Rarefied.Shades.Mean)
	assert.Zero(t, p.Strata[0].GainFirst.Upper, "what is a part adds nothing")
	assert.Equal(t, more.Shades[0].Lower-few.Shades[0].Lower, p.Strata[0].GainSecond.Lower)
}

// The gates: over several strata three that hold two cells of both, and six cells of either there; in a single one an equal number of six.
func TestThinPairs(t *testing.T) {
	over := func(x, y int, yarns ...string) *Pair {
		var rows []Row
		for _, yarn := range yarns {
			rows = append(rows, rowsOf("x", "s", yarn, genFixed(x))...)
			rows = append(rows, rowsOf("y", "s", yarn, scaledBy(genFixed(y), 0.5))...)
		}
		return &measure(t, rows, Params{}).Pairs[0]
	}
	p := over(4, 4, "a", "b")
	assert.True(t, p.Thin, "of three yarns one is missing")
	assert.InDelta(t, math.Log(2), *p.MeanLogRatio, 1e-12, "the estimate is there")
	assert.NotNil(t, p.MeanShadeDifference)
	assert.False(t, over(2, 2, "a", "b", "c").Thin)
	assert.True(t, over(8, 1, "a", "b", "c").Thin, "of one cell there is no spread")
	assert.False(t, over(6, 6, "a").Thin)
	assert.True(t, over(6, 5, "a").Thin)
	// Two cells of y in two yarns and one in the third: two yarns count, with four of its cells.
	rows := append(rowsOf("x", "s", "c", genFixed(9)), rowsOf("y", "s", "c", genFixed(1))...)
	for _, yarn := range []string{"a", "b"} {
		rows = append(rows, rowsOf("x", "s", yarn, genFixed(9))...)
		rows = append(rows, rowsOf("y", "s", yarn, genFixed(2))...)
	}
	p = &measure(t, rows, Params{}).Pairs[0]
	assert.Len(t, p.Strata, 2)
	assert.Equal(t, 4, p.SecondCells)
	assert.True(t, p.Thin)
}

// A thousand equal colours have no spread at all, and so no ratio to those of another group: what rounding leaves of their mean is no figure. The same of
// equal colours that are means of more or fewer readings.
func TestEqualColoursHaveNoSpread(t *testing.T) {
	equal := slices.Repeat([]lab{{L: 50.1, A: 10.7, B: -3.3}}, 1000)
	rows := append(rowsOf("equal", "s", "", equal), rowsOf("wide", "s", "", genFixed(12))...)
	for i := range 7 {
		for k := range i {
			rows = append(rows, Row{ReadingID: fmt.Sprintf("again %d %d", i, k), Group: "means", Block: "s", Cell: fmt.Sprint(i), Lab: equal[0]})
		}
	}
	a := measure(t, rows, Params{})
	for _, g := range a.Strata[0].Groups {
		if g.Group == "wide" {
			continue
		}
		require.NotNil(t, g.Dispersion, g.Group)
		assert.Equal(t, 0.0, *g.Dispersion, g.Group)
		if g.Rarefied != nil {
			assert.Equal(t, 0.0, g.Rarefied.Dispersion.Mean, g.Group)
		}
		if g.Group == "equal" {
			assert.Equal(t, hull.Single, g.Hull.Status)
		}
	}
	for _, p := range a.Pairs {
		assert.Nil(t, p.MeanLogRatio, "%s and %s", p.First, p.Second)
	}
}

func TestGroupsWithoutACommonStratum(t *testing.T) {
	rows := append(rowsOf("x", "s", "a", genFixed(4)), rowsOf("y", "s", "b", genFixed(4))...)
	rows = append(rows, rowsOf("x", "s", "b", genFixed(1))...)
	a := measure(t, rows, Params{})
	p := a.Pairs[0]
	assert.Empty(t, p.Strata)
	assert.Nil(t, p.MeanLogRatio)
	assert.Nil(t, p.MeanShadeDifference)
	assert.True(t, p.Thin)
}
