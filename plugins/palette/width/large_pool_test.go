package width

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/palette/width/hull"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Subsets of a round have no cell in common, or leave none out in common, and over many rounds each cell comes as often as any other.
func TestRounds(t *testing.T) {
	for _, c := range []struct{ n, m int }{{200, 1}, {200, 30}, {200, 66}, {200, 100}, {200, 101}, {200, 170}, {200, 199}, {7, 3}} {
		s := &sampler{live: make(bitset, (c.n+63)/64)}
		next := s.inRounds(rand.New(rand.NewPCG(1, 2)), identity(c.n), c.m)
		size := min(c.m, c.n-c.m)
		round := c.n / size
		times := make([]float64, c.n)
		const rounds = 100
		for range rounds {
			marked := make([]int, c.n)
			for range round {
				subset := next()
				require.Len(t, subset, c.m)
				require.True(t, slices.IsSorted(subset))
				require.Len(t, slices.Compact(slices.Clone(subset)), c.m)
				for _, v := range subset {
					marked[v]++
					times[v]++
				}
			}
			for _, k := range marked {
				if c.m == size {
					require.LessOrEqual(t, k, 1, "%v", c)
				} else {
					require.GreaterOrEqual(t, k, round-1, "%v", c)
				}
			}
		}
		share := float64(c.m) / float64(c.n)
		within := 5 * math.Sqrt(share*(1-share)*float64(rounds*round))
		for _, k := range times {
			assert.InDelta(t, share*float64(rounds*round), k, within, "%v", c)
		}
	}
}

// The mean over subsets drawn in rounds is that over all subsets, and its stated standard error is not too small. Shades and dispersion of all subsets are
// enumerated; so is the volume of few cells, which then is exact and not drawn, while that of more is had without making hulls.
func TestRoundsAgainstAllSubsets(t *testing.T) {
	paletteOf := func(n int) *palette {
		table, err := tableOf(rowsOf("g", "s", "", genFixed(n)))
		require.NoError(t, err)
		all, err := averaged(t.Context(), table)
		require.NoError(t, err)
		return &all.in[0][0]
	}
	p, err := Params{ThresholdDE: 20}.withDefaults()
	require.NoError(t, err)
	few, more := paletteOf(11), paletteOf(40)
	var points []hull.Point
	for _, c := range more.cells {
		points = append(points, hull.Point{c.mean.L, c.mean.A, c.mean.B})
	}
	drawn := func(of *palette, m int, seed uint64) *Rarefied {
		w := &worker{ctx: t.Context(), params: p, rounds: true}
		w.params.Draws, w.params.Seed = leastDraws, seed
		got, err := w.sample(of, of.byLightness(), nil).rarefy(m, true)
		require.NoError(t, err)
		require.False(t, got.Enumerated)
		return got
	}
	for _, m := range []int{4, 5, 8} {
		w := &worker{ctx: t.Context(), params: p, enumerateUpTo: enumerateUpTo}
		want, err := w.sample(few, few.byLightness(), nil).rarefy(m, true)
		require.NoError(t, err)
		require.True(t, want.Enumerated)
		volume, general, err := hull.Expected(points, m)
		require.NoError(t, err)
		require.True(t, general)
		const runs = 400
		var off, squares, stated [widths]float64
		for seed := range uint64(runs) {
			got, large := drawn(few, m, seed), drawn(more, m, seed)
			for k, pair := range [widths][2]Expected{{got.Shades, want.Shades}, {*large.Volume, {Mean: volume}}, {got.Dispersion, want.Dispersion}} {
				d := pair[0].Mean - pair[1].Mean
				off[k], squares[k], stated[k] = off[k]+d/runs, squares[k]+d*d/runs, stated[k]+pair[0].MonteCarloSE*pair[0].MonteCarloSE/runs
			}
			require.Zero(t, got.Volume.MonteCarloSE)
			require.InEpsilon(t, enumeratedVolume(t, few, m), got.Volume.Mean, 1e-12)
		}
		for k := range widths {
			assert.Less(t, math.Abs(off[k]), 4*math.Sqrt(squares[k]/runs), "width %d of %d is off by %g", k, m, off[k])
			assert.Less(t, squares[k], 1.25*stated[k], "width %d of %d", k, m)
			assert.Positive(t, squares[k])
		}
	}
}

// enumeratedVolume is the mean volume of all subsets of m cells, hull by hull.
func enumeratedVolume(t *testing.T, of *palette, m int) float64 {
	t.Helper()
	sum, n := 0.0, 0
	require.NoError(t, everySubset(len(of.cells), m, func(subset []int) error {
		var points []hull.Point
		for _, v := range subset {
			c := of.cells[v].mean
			points = append(points, hull.Point{c.L, c.A, c.B})
		}
		v, _, err := hull.Volume(points)
		sum, n = sum+v, n+1
		return err
	}))
	return sum / float64(n)
}

// Cells that don't lie in general, as those of four on a grid, have the volumes of their subsets gone through, which is the same mean.
func TestVolumeOfCellsInAPlane(t *testing.T) {
	var colours []colorimetry.Lab
	for i := range 12 {
		colours = append(colours, colorimetry.Lab{L: 40 + 10*float64(i%3), A: 10 * float64(i/3%2), B: 7 * float64(i/6)})
	}
	table, err := tableOf(rowsOf("g", "s", "", colours))
	require.NoError(t, err)
	all, err := averaged(t.Context(), table)
	require.NoError(t, err)
	p, err := Params{}.withDefaults()
	require.NoError(t, err)
	of := &all.in[0][0]
	w := &worker{ctx: t.Context(), params: p, enumerateUpTo: enumerateUpTo}
	got, err := w.sample(of, of.byLightness(), nil).rarefy(6, true)
	require.NoError(t, err)
	assert.Equal(t, 924, got.Subsets)
	assert.InEpsilon(t, enumeratedVolume(t, of, 6), got.Volume.Mean, 1e-12)
	assert.Zero(t, got.Volume.MonteCarloSE)
}

// Differences put right by distances have the mean of all pairs, with the standard error that they state, which is less than half that of as many pairs alone.
func TestPairwiseByDistance(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	colours := make([]colorimetry.Lab, 300)
	for i := range colours {
		colours[i] = colorimetry.Lab{L: 25 + 60*rng.Float64(), A: 70*rng.Float64() - 35, B: 80*rng.Float64() - 30}
	}
	exact, err := pairwise(t.Context(), colours, 0, 0)
	require.NoError(t, err)
	require.False(t, exact.Sampled)
	const runs, pairs = 500, 500
	off, squares, stated := 0.0, 0.0, 0.0
	for seed := range uint64(runs) {
		got, err := pairwise(t.Context(), colours, seed, pairs)
		require.NoError(t, err)
		require.True(t, got.Sampled)
		require.Equal(t, pairs, got.Pairs)
		assert.Nil(t, got.MinDE)
		d := got.MeanDE - exact.MeanDE
		off, squares, stated = off+d/runs, squares+d*d/runs, stated+got.SE*got.SE/runs
	}
	assert.Less(t, math.Abs(off), 4*math.Sqrt(squares/runs), "off by %g", off)
	assert.InEpsilon(t, squares, stated, 0.25)
	sum, of := 0.0, 0.0
	for i, x := range colours {
		for _, y := range colours[:i] {
			d := difference(x, y) - exact.MeanDE
			sum, of = sum+d*d, of+1
		}
	}
	assert.Less(t, stated, sum/of/pairs/4*1.2)

	few, err := pairwise(t.Context(), colours[:60], 0, pairs)
	require.NoError(t, err)
	assert.False(t, few.Sampled, "1,770 pairs are all measured")
	alike := slices.Repeat(colours[:1], 100)
	none, err := pairwise(t.Context(), alike, 0, pairs)
	require.NoError(t, err)
	assert.Zero(t, none.MeanDE)
	assert.Zero(t, none.SE)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = pairwise(ctx, colours, 0, pairs)
	assert.ErrorIs(t, err, context.Canceled)
}

// A very large question says how many subsets it drew, and tells within its errors what a question told to draw independent ones does.
func TestVeryLargeQuestion(t *testing.T) {
	rows := largePool(26_000, 1)
	large := measure(t, rows, Params{Seed: 1, Interval: true})
	plain := measure(t, rows, Params{Seed: 2, Interval: true, Draws: 50})
	require.Less(t, large.Params.Draws, intervalDraws)
	worst := 0.0
	for i, g := range large.Strata[0].Groups {
		x, y := g.Rarefied, plain.Strata[0].Groups[i].Rarefied
		require.False(t, x.Enumerated)
		require.Equal(t, large.Params.Draws, x.Subsets)
		require.Equal(t, x.M, y.M)
		assert.Nil(t, x.Shades.Interval)
		assert.Contains(t, x.Shades.NoInterval, "so many groups")
		for _, pair := range [][2]Expected{{x.Shades, y.Shades}, {*x.Volume, *y.Volume}, {x.Dispersion, y.Dispersion}} {
			worst = max(worst, math.Abs(pair[0].Mean-pair[1].Mean)/math.Hypot(pair[0].MonteCarloSE, pair[1].MonteCarloSE))
		}
	}
	assert.Less(t, worst, 5.0, "standard errors, of 600 comparisons")
	assert.Greater(t, worst, 1.0, "they were drawn apart")
}

func TestTableRefuses(t *testing.T) {
	table := func() *Table { return NewTable([]string{"g"}, []string{"", "s"}, []string{"y"}, []string{"c", "d"}, 1) }
	good := colorimetry.Lab{L: 50}
	for want, add := range map[string]func(*Table){
		"rows[1].group is 1, allowed: an index below 1":   func(t *Table) { t.Add(1, 0, 0, 0, good) },
		"rows[1].block is 2, allowed: an index below 2":   func(t *Table) { t.Add(0, 2, 0, 0, good) },
		"rows[1].stratum is 9, allowed: an index below 1": func(t *Table) { t.Add(0, 0, 9, 0, good) },
		"rows[1].cell is 2, allowed: an index below 2":    func(t *Table) { t.Add(0, 0, 0, 2, good) },
		"rows[1].lab.L is NaN":                            func(t *Table) { t.Add(0, 0, 0, 0, colorimetry.Lab{L: math.NaN()}) },
	} {
		own := table()
		own.Add(0, 0, 0, 0, good)
		add(own)
		own.Add(0, 1, 0, 1, good)
		_, err := MeasureTable(t.Context(), own, Params{}, &collector{})
		assert.ErrorContains(t, err, want)
	}
	own := table()
	own.Add(0, 0, 0, 1, good)
	c := &collector{}
	a, err := MeasureTable(t.Context(), own, Params{}, c)
	require.NoError(t, err)
	c.sort(a.Strata)
	assert.Equal(t, 1, a.Readings)
	assert.Zero(t, a.Strata[0].Groups[0].Blocks, "a label that is empty is no session")
}

// refusing refuses groups, or pairs.
type refusing struct{ group, pair error }

func (r *refusing) Group(string, *GroupWidth) error { return r.group }

func (r *refusing) Pair(int, *Pair) error { return r.pair }

func TestTakerEndsTheWork(t *testing.T) {
	table := func() *Table {
		own := NewTable([]string{"g", "h"}, []string{""}, []string{"y"}, []string{"c"}, 2)
		own.Add(0, 0, 0, 0, colorimetry.Lab{L: 50})
		own.Add(1, 0, 0, 0, colorimetry.Lab{L: 50})
		return own
	}
	enough := errors.New("enough")
	for _, take := range []*refusing{{group: enough}, {pair: enough}} {
		_, err := MeasureTable(t.Context(), table(), Params{}, take)
		assert.ErrorIs(t, err, enough)
	}
}
