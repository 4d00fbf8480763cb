package groups

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

func lab(l, a, b float64) colorimetry.Lab { return colorimetry.Lab{L: l, A: a, B: b} }

func run(t *testing.T, cells []Cell) *Result {
	t.Helper()
	r, err := Compare(context.Background(), cells, 0, 1)
	require.NoError(t, err)
	return r
}

// Three recipes in two waters, where the recipes lie far apart: without the blocks nothing is seen. The values are those of R (package
// vegan, adonis2), F = 0.0511 and 4.8.
func TestBlocksMatter(t *testing.T) {
	x := [][2]colorimetry.Lab{
		{lab(50, 10, 10), lab(52, 12, 9)}, {lab(60, 20, 15), lab(63, 21, 17)}, {lab(40, 0, 5), lab(41, 3, 4)},
	}
	var blocked, together []Cell
	for i, pair := range x {
		for g, c := range pair {
			group := string(rune('a' + g))
			blocked = append(blocked, Cell{Group: group, Block: fmt.Sprint(i), Lab: c})
			together = append(together, Cell{Group: group, Lab: c})
		}
	}
	r := run(t, blocked)
	assert.InDelta(t, 4.8, r.Place.F, 0.005)
	assert.Equal(t, 8, r.Place.Arrangements)
	assert.True(t, r.Place.Enumerated)
	assert.Equal(t, 0.25, r.Place.P, "2 of 8: the waters as they are, and all exchanged")
	assert.Equal(t, [2]int{1, 2}, [2]int{r.Place.GroupDF, r.Place.RestDF})
	r = run(t, together)
	assert.InDelta(t, 0.0511, r.Place.F, 0.00005)
	assert.Equal(t, 720, r.Place.Arrangements)
}

// With one column of differences F of two balanced groups is the square of Student's t (paired, within blocks), so it can be had by hand.
func TestPairedIsStudent(t *testing.T) {
	d := []float64{1, 3, 2, 5, 4}
	var cells []Cell
	for i, x := range d {
		b := fmt.Sprint(i)
		cells = append(cells, Cell{"a", b, lab(50+7*float64(i), 0, 0)}, Cell{"b", b, lab(50+7*float64(i)+x, 0, 0)})
	}
	// mean 3, s² = 2.5, t² = 9/(2.5/5) = 18
	r := run(t, cells)
	assert.InDelta(t, 18, r.Place.F, 1e-9)
	assert.InDelta(t, 2.0/32, r.Place.P, 1e-12, "only all or none turned reach it")
}

// Without blocks and for balanced groups SS is that of the group means.
func TestUnblockedAgreesWithTextbook(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	const k, n = 3, 4
	var cells []Cell
	var means [k]colorimetry.Lab
	var grand colorimetry.Lab
	for g := range k {
		for range n {
			c := lab(50+5*rng.NormFloat64()+float64(g), 5*rng.NormFloat64(), 5*rng.NormFloat64())
			cells = append(cells, Cell{Group: fmt.Sprint(g), Lab: c})
			means[g].L += c.L / n
			means[g].A += c.A / n
			means[g].B += c.B / n
			grand.L += c.L / (k * n)
			grand.A += c.A / (k * n)
			grand.B += c.B / (k * n)
		}
	}
	square := func(a, b colorimetry.Lab) float64 {
		return (a.L-b.L)*(a.L-b.L) + (a.A-b.A)*(a.A-b.A) + (a.B-b.B)*(a.B-b.B)
	}
	between, rest := 0.0, 0.0
	for i, c := range cells {
		rest += square(c.Lab, means[i/n])
	}
	for _, m := range means {
		between += n * square(m, grand)
	}
	r, err := Compare(context.Background(), cells, 999, 5)
	require.NoError(t, err)
	assert.InEpsilon(t, between/(k-1)/(rest/(k*n-k)), r.Place.F, 1e-9)
	assert.False(t, r.Place.Enumerated)
	assert.Len(t, r.Pairs, 3)
	for _, p := range r.Pairs {
		assert.GreaterOrEqual(t, p.PlaceAdjusted, p.Place.P)
	}
}

// A spread four times as wide is found as spread; a shift alone isn't.
func TestSpreadAndPlaceAreToldApart(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	cells := func(shift, scale float64) (out []Cell) {
		for b := range 8 {
			session := 3 * rng.NormFloat64()
			for range 4 {
				x := func() float64 { return rng.NormFloat64() }
				out = append(out, Cell{"a", fmt.Sprint(b), lab(50+session+x(), x(), x())},
					Cell{"b", fmt.Sprint(b), lab(50+session+shift+scale*x(), scale*x(), scale*x())})
			}
		}
		return out
	}
	r := run(t, cells(6, 1))
	assert.Less(t, r.Place.P, 0.001)
	assert.Greater(t, r.Spread.P, 0.05)
	r = run(t, cells(0, 4))
	assert.Less(t, r.Spread.P, 0.001)
	assert.Greater(t, r.Place.P, 0.01)
}

// The chance of p ≤ .05 without an effect is near .05 with sessions that shift all their cells.
func TestSizeUnderNoEffect(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	runs := 200
	if testing.Short() {
		runs = 50
	}
	place, spread := 0, 0
	for range runs {
		var cells []Point
		for b := range 6 {
			shift := 4 * rng.NormFloat64()
			for _, g := range []string{"a", "b", "c"} {
				cells = append(cells, Point{g, fmt.Sprint(b), [3]float64{shift + rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}})
			}
		}
		r, err := compare(context.Background(), cells, 199, 1, true)
		require.NoError(t, err)
		if r.Place.P <= 0.05 {
			place++
		}
		if r.Spread.P <= 0.05 {
			spread++
		}
	}
	limit := 0.05 + 4*math.Sqrt(0.05*0.95/float64(runs)) // four standard errors
	assert.Less(t, float64(place)/float64(runs), limit)
	assert.Less(t, float64(spread)/float64(runs), limit)
}

func TestWhatCannotBeTested(t *testing.T) {
	same := lab(50, 0, 0)
	for name, cells := range map[string][]Cell{
		"nothing":         nil,
		"one group":       {{"a", "1", same}, {"a", "1", lab(51, 0, 0)}},
		"all alike":       {{"a", "1", same}, {"b", "1", same}, {"a", "2", same}, {"b", "2", same}},
		"alone in blocks": {{"a", "1", same}, {"b", "2", lab(60, 0, 0)}},
		"no freedom":      {{"a", "1", same}, {"b", "1", lab(60, 0, 0)}},
	} {
		t.Run(name, func(t *testing.T) {
			r := run(t, cells)
			assert.Nil(t, r.Place)
			assert.Nil(t, r.Spread)
		})
	}
	r := run(t, []Cell{{"a", "1", same}, {"b", "1", lab(51, 0, 0)}, {"c", "2", same}, {"d", "2", lab(52, 0, 0)}, {"c", "2", lab(53, 0, 0)}})
	assert.Equal(t, []string{"c", "d"}, r.Apart)
	assert.Nil(t, r.Place)
	require.Len(t, r.Pairs, 6)
	assert.NotNil(t, r.Pairs[5].Place, "c and d share a block")
	assert.Equal(t, 1.0, r.Pairs[5].PlaceAdjusted)
	// Exactly alike within groups and apart between them: F is infinite, p still counts.
	r = run(t, []Cell{{"a", "1", same}, {"b", "1", lab(60, 0, 0)}, {"a", "2", same}, {"b", "2", lab(60, 0, 0)}, {"a", "3", same}, {"b", "3", lab(60, 0, 0)}})
	assert.True(t, math.IsInf(r.Place.F, 1))
	assert.Equal(t, 0.25, r.Place.P)
	assert.Nil(t, r.Spread)
}

func TestRefuses(t *testing.T) {
	for field, cells := range map[string][]Cell{
		"cells[0].group": {{"", "1", lab(50, 0, 0)}},
		"cells[1].lab.a": {{"a", "1", lab(50, 0, 0)}, {"a", "1", lab(50, math.NaN(), 0)}},
		"cells[0].lab.L": {{"a", "1", lab(300, 0, 0)}},
	} {
		_, err := Compare(context.Background(), cells, 0, 1)
		var fault *colorimetry.FieldError
		require.ErrorAs(t, err, &fault)
		assert.Equal(t, field, fault.Field)
	}
	_, err := Compare(context.Background(), nil, 3, 1)
	assert.ErrorContains(t, err, "permutations")
}
