package width

import (
	"fmt"
	"maps"
	"math"
	"math/bits"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Plain statements of what Measure tells, from the definitions in the package comment, with no regard to time. They share with it the formula of the
// difference and Student's quantile, which have outside checks of their own.

// plainPool is a pool of a few invented cells, some of them alike or on a plane, with all params that are to be held against the plain statements.
func plainPool(seed uint64) ([]Row, Params) {
	rng := rand.New(rand.NewPCG(seed, 12))
	groups, strata, recipes, sessions := 1+rng.IntN(3), 1+rng.IntN(2), 1+rng.IntN(4), 1+rng.IntN(4)
	spread, noise := []float64{3, 15, 60}[rng.IntN(3)], []float64{0, 1, 4}[rng.IntN(3)]
	centre := make([]lab, recipes*groups)
	for i := range centre {
		centre[i] = lab{L: 50 + spread*(rng.Float64()-0.5), A: spread * (rng.Float64() - 0.5), B: spread * (rng.Float64() - 0.7)}
	}
	cells := map[string]int{} // of each palette: its subsets are all tried
	known := map[string]bool{}
	var rows []Row
	for i := range 4 + rng.IntN(40) {
		r := Row{ReadingID: fmt.Sprintf("%03d", i), Group: fmt.Sprint("g", rng.IntN(groups)), Stratum: fmt.Sprint("y", rng.IntN(strata)),
			Block: fmt.Sprint("s", rng.IntN(sessions)), Cell: fmt.Sprint("r", rng.IntN(recipes))}
		palette, cell := r.Stratum+r.Group, r.Stratum+r.Group+r.Block+r.Cell
		if !known[cell] {
			if cells[palette] == 9 {
				continue
			}
			known[cell] = true
			cells[palette]++
		}
		var g, c int
		_, _ = fmt.Sscanf(r.Group+r.Cell, "g%dr%d", &g, &c)
		x := centre[g*recipes+c]
		r.Lab = lab{L: x.L + noise*rng.NormFloat64(), A: x.A + noise*rng.NormFloat64(), B: x.B + noise*rng.NormFloat64()}
		if seed%5 == 0 { // on a lattice
			r.Lab = lab{L: math.Round(r.Lab.L/4) * 4, A: math.Round(r.Lab.A/4) * 4, B: math.Round(r.Lab.B/4) * 4}
		}
		rows = append(rows, r)
	}
	p := Params{Seed: seed, Interval: rng.IntN(2) == 0}
	if rng.IntN(3) == 0 {
		p.M = 2 + rng.IntN(5)
	}
	return rows, p
}

type plainCell struct {
	block, recipe string
	mean          lab
}

// plainCells are those of a palette.
func plainCells(rows []Row, stratum, group string) []plainCell {
	sums, counts := map[[2]string]lab{}, map[[2]string]float64{}
	for _, r := range rows {
		if r.Stratum == stratum && r.Group == group {
			k := [2]string{r.Block, r.Cell}
			s := sums[k]
			sums[k] = lab{L: s.L + r.Lab.L, A: s.A + r.Lab.A, B: s.B + r.Lab.B}
			counts[k]++
		}
	}
	var out []plainCell
	for k, s := range sums {
		n := counts[k]
		out = append(out, plainCell{k[0], k[1], lab{L: s.L / n, A: s.A / n, B: s.B / n}})
	}
	return out
}

func meansOf(cells []plainCell) []lab {
	out := make([]lab, len(cells))
	for i, c := range cells {
		out[i] = c.mean
	}
	return out
}

// plainVolume sums the tetrahedra from the middle to every three points that have no point on their far side, of several in one plane those of
// a fan. Rounding decides nothing as long as heights are far from 1e-7.
func plainVolume(colours []lab) float64 {
	sub := func(a, b lab) lab { return lab{L: a.L - b.L, A: a.A - b.A, B: a.B - b.B} }
	dot := func(a, b lab) float64 { return a.L*b.L + a.A*b.A + a.B*b.B }
	cross := func(a, b lab) lab {
		return lab{L: a.A*b.B - a.B*b.A, A: a.B*b.L - a.L*b.B, B: a.L*b.A - a.A*b.L}
	}
	var middle lab
	for _, c := range colours {
		n := float64(len(colours))
		middle = lab{L: middle.L + c.L/n, A: middle.A + c.A/n, B: middle.B + c.B/n}
	}
	seen := map[string]bool{} // planes
	volume := 0.0
	for i, p := range colours {
		for j, q := range colours[:i] {
			for _, r := range colours[:j] {
				n := cross(sub(q, p), sub(r, p))
				if dot(n, n) < 1e-14 {
					continue
				}
				n = lab{L: n.L / math.Sqrt(dot(n, n)), A: n.A / math.Sqrt(dot(n, n)), B: n.B / math.Sqrt(dot(n, n))}
				if dot(sub(middle, p), n) > 0 {
					n = lab{L: -n.L, A: -n.A, B: -n.B}
				}
				outside, on, plane := false, []lab{}, ""
				for k, c := range colours {
					h := dot(sub(c, p), n)
					outside = outside || h > 1e-7
					if math.Abs(h) <= 1e-7 {
						on, plane = append(on, c), fmt.Sprint(plane, k, " ")
					}
				}
				if outside || seen[plane] {
					continue
				}
				seen[plane] = true
				volume += dot(sub(p, middle), n) * plainArea(on, n, sub, cross, dot) / 3
			}
		}
	}
	return volume
}

// plainArea is that of the hull of points in the plane of normal n: over every two that have no point to their right, half the cross products.
func plainArea(on []lab, n lab, sub, cross func(a, b lab) lab, dot func(a, b lab) float64) float64 {
	twice := 0.0
	alike := func(p, q lab) bool { return dot(sub(p, q), sub(p, q)) < 1e-18 }
	for i, p := range on {
		for j, q := range on {
			edge := i != j && !alike(p, q)
			for k, r := range on {
				h := dot(cross(sub(q, p), sub(r, p)), n)
				// Of points on one line only the outermost two are an edge, and of points alike the first.
				along := dot(sub(r, p), sub(q, p))
				edge = edge && h > -1e-7 && (h > 1e-7 || along > -1e-9 && along < dot(sub(q, p), sub(q, p))+1e-9) &&
					(!alike(r, p) || k >= i) && (!alike(r, q) || k >= j)
			}
			if edge {
				twice += dot(cross(sub(p, on[0]), sub(q, on[0])), n)
			}
		}
	}
	return twice / 2
}

// plainDispersion is the root of half the mean square of all differences, those of each with itself too.
func plainDispersion(colours []lab) float64 {
	sum, n := 0.0, float64(len(colours))
	for _, x := range colours {
		for _, y := range colours {
			sum += (x.L-y.L)*(x.L-y.L) + (x.A-y.A)*(x.A-y.A) + (x.B-y.B)*(x.B-y.B)
		}
	}
	return math.Sqrt(sum / (2 * n * n))
}

// plainHues gives the longest way from a hue to the next one, and e to the entropy of chroma over bins of 10°.
func plainHues(colours []lab) (gap, effective float64, ok bool) {
	var hues []float64
	bins, total := map[int]float64{}, 0.0
	for _, c := range colours {
		if chroma := math.Hypot(c.A, c.B); chroma >= 5 {
			h := math.Mod(math.Atan2(c.B, c.A)*180/math.Pi+360, 360)
			hues = append(hues, h)
			bins[int(h/10)] += chroma
			total += chroma
		}
	}
	for i, h := range hues {
		next := 360.0
		for j, x := range hues {
			if way := math.Mod(x-h+360, 360); i != j && (way > 0 || j > i) { // of hues alike each leads to the next
				next = min(next, way)
			}
		}
		gap = max(gap, next)
	}
	entropy := 0.0
	for _, w := range bins {
		entropy -= w / total * math.Log(w/total)
	}
	return gap, math.Exp(entropy), len(hues) > 1
}

// plainMeans are the means over all subsets of m of the cells that are kept.
func plainMeans(cells []plainCell, m int, threshold float64, keep func(plainCell) bool) (shades, volume, spread float64) {
	n := 0.0
	for set := range uint(1) << len(cells) {
		var sub []lab
		kept := bits.OnesCount(set) == m
		for i, c := range cells {
			if kept && set>>i&1 == 1 {
				kept = keep(c)
				sub = append(sub, c.mean)
			}
		}
		if kept {
			n++
			shades += float64(enumeratedShades(sub, threshold))
			spread += plainDispersion(sub)
			if m >= 4 {
				volume += plainVolume(sub)
			}
		}
	}
	return shades / n, volume / n, spread / n
}

// All of an answer against the plain statements, on 300 generated pools.
func TestAgainstPlainStatements(t *testing.T) {
	pools := uint64(300)
	if testing.Short() {
		pools = 200
	}
	intervals, gains := 0, 0
	for seed := range pools {
		rows, p := plainPool(seed)
		a := measure(t, rows, p)
		const tolerance = 1e-9
		same := func(want, got float64, what string) {
			t.Helper()
			require.InDelta(t, want, got, tolerance*(1+math.Abs(want)), "%s, seed %d", what, seed)
		}
		for _, s := range a.Strata {
			for _, g := range s.Groups {
				cells := plainCells(rows, s.Label, g.Group)
				colours := meansOf(cells)
				require.Len(t, cells, g.Cells)
				for _, n := range g.Shades {
					require.True(t, n.Exact())
					require.Equal(t, enumeratedShades(colours, n.ThresholdDE), n.Lower, "seed %d", seed)
				}
				same(plainVolume(colours), g.Hull.Volume, "volume")
				same(plainFlatArea(colours), g.Hull.AreaAB, "area")
				low, high := colours[0], colours[0]
				lowC, highC := math.Inf(1), 0.0
				mean, least, pairs := 0.0, math.Inf(1), 0.0
				for i, c := range colours {
					low.L, high.L = min(low.L, c.L), max(high.L, c.L)
					lowC, highC = min(lowC, math.Hypot(c.A, c.B)), max(highC, math.Hypot(c.A, c.B))
					for _, d := range colours[:i] {
						mean, least, pairs = mean+difference(c, d), min(least, difference(c, d)), pairs+1
					}
				}
				same(high.L-low.L, g.LightnessSpan, "range of lightness")
				same(highC-lowC, g.ChromaSpan, "range of chroma")
				if len(cells) < 2 {
					require.Nil(t, g.Dispersion)
					continue
				}
				if gap, effective, ok := plainHues(colours); ok {
					same(gap, g.Hue.LargestEmptyArc, "largest gap of hues")
					same(effective, g.Hue.EffectiveHues, "effective hues")
				} else {
					require.Nil(t, g.Hue)
				}
				same(plainDispersion(colours), *g.Dispersion, "dispersion")
				same(mean/pairs, g.Pairwise.MeanDE, "mean difference")
				same(least, *g.Pairwise.MinDE, "least difference")
				r := g.Rarefied
				if r == nil {
					require.True(t, s.M == 0 && len(cells) < 6 || len(cells) < s.M)
					continue
				}
				require.True(t, p.M > 0 || s.M >= 6, "so few cells are chosen by nobody")
				shades, volume, spread := plainMeans(cells, s.M, 5, func(plainCell) bool { return true })
				same(shades, r.Shades.Mean, "shades of equal numbers")
				same(spread, r.Dispersion.Mean, "dispersion of equal numbers")
				if r.Volume != nil {
					same(volume, r.Volume.Mean, "volume of equal numbers")
				}
				if r.Dispersion.Interval != nil {
					blocks := map[string]bool{}
					for _, c := range cells {
						blocks[c.block] = true
					}
					var logs []float64
					least := math.Inf(1)
					for b := range maps.Keys(blocks) {
						_, _, d := plainMeans(cells, s.M, 5, func(c plainCell) bool { return c.block != b })
						logs, least = append(logs, math.Log(d)), min(least, d)
					}
					if least < 1e-9 { // of roundings
						continue
					}
					intervals++
					centre, ss := 0.0, 0.0
					for _, x := range logs {
						centre += x / float64(len(logs))
					}
					for _, x := range logs {
						ss += (x - centre) * (x - centre)
					}
					half := StudentQuantile(0.975, len(logs)-1) * math.Sqrt(ss*float64(len(logs)-1)/float64(len(logs)))
					same(spread*math.Exp(half), r.Dispersion.Interval.High, "upper end")
					same(spread*math.Exp(-half), r.Dispersion.Interval.Low, "lower end")
				}
			}
		}
		for _, pair := range a.Pairs {
			for _, s := range pair.Strata {
				x, y := plainCells(rows, s.Stratum, pair.First), plainCells(rows, s.Stratum, pair.Second)
				nx, _, dx := plainMeans(x, s.M, 5, func(plainCell) bool { return true })
				ny, _, dy := plainMeans(y, s.M, 5, func(plainCell) bool { return true })
				same(nx-ny, s.ShadeDifference, "difference of shades")
				if s.LogRatio != nil && min(dx, dy) > 1e-9 { // not of roundings
					same(math.Log(dx/dy), *s.LogRatio, "ratio of dispersions")
				}
				if len(x)+len(y) <= 12 {
					gains++
					both := enumeratedShades(append(meansOf(x), meansOf(y)...), 5)
					require.Equal(t, both-enumeratedShades(meansOf(y), 5), s.GainFirst.Lower)
					require.Equal(t, both-enumeratedShades(meansOf(x), 5), s.GainSecond.Upper)
				}
			}
		}
	}
	assert.Greater(t, intervals, 20)
	assert.Greater(t, gains, 20)
}

func plainFlatArea(colours []lab) float64 {
	flat := make([]lab, len(colours))
	for i, c := range colours {
		flat[i] = lab{A: c.A, B: c.B}
	}
	sub := func(a, b lab) lab { return lab{A: a.A - b.A, B: a.B - b.B} }
	cross := func(a, b lab) lab { return lab{L: a.A*b.B - a.B*b.A} }
	return plainArea(flat, lab{L: 1}, sub, cross, func(a, b lab) float64 { return a.L*b.L + a.A*b.A + a.B*b.B })
}

// What an order of elimination finds in parts of a graph is what is found without one, to the node of the search: on graphs with much and little that is chordal.
func TestElimination(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 8))
	ordered, rest := 0, 0
	for range 300 {
		n := 1 + rng.IntN(eliminatedUpTo)
		plain, fast := emptyGraph(make([]lab, n)), emptyGraph(make([]lab, n))
		width := 1 + 4*rng.Float64() // intervals on a line make chordal graphs
		strange := []float64{0, 0.001, 0.02}[rng.IntN(3)]
		at := make([]float64, n)
		for i := range at {
			at[i] = float64(n) * rng.Float64()
		}
		for i := range n {
			for j := range i {
				if math.Abs(at[i]-at[j]) < width || rng.Float64() < strange {
					plain.join(i, j)
					fast.join(i, j)
				}
			}
		}
		fast.eliminate()
		ordered += len(fast.order)
		rest += n - len(fast.order)
		for range 20 {
			subset := rng.Perm(n)[:1+rng.IntN(n)]
			slices.Sort(subset)
			before, after := 3000, 3000
			lower, upper := plain.countOf(t.Context(), subset, &before)
			lower2, upper2 := fast.countOf(t.Context(), subset, &after)
			require.Equal(t, []int{lower, upper, before}, []int{lower2, upper2, after})
		}
	}
	assert.Greater(t, ordered, 1000)
	assert.Greater(t, rest, 1000)
}

// Drawn subsets, over words of a set, are those of a plain draw that sorts, and their widths to the bit those of the functions for whole palettes.
func TestDrawnSubsets(t *testing.T) {
	rows := largePool(400, 1)
	for i := range rows {
		rows[i].Group = "all"
	}
	table, err := tableOf(rows)
	require.NoError(t, err)
	all, err := averaged(t.Context(), table)
	require.NoError(t, err)
	p, err := Params{Seed: 5}.withDefaults()
	require.NoError(t, err)
	of := &all.in[0][0]
	w := &worker{ctx: t.Context(), params: p}
	s := w.sample(of, of.byLightness(), nil)
	const m = 40
	got, err := s.rarefy(m, false)
	require.NoError(t, err)
	require.False(t, got.Enumerated)
	rng, pool := rand.New(rand.NewPCG(p.Seed, of.stream())), identity(len(s.cells))
	shades, spread := 0.0, 0.0
	for range p.Draws {
		for i := range m {
			j := i + rng.IntN(len(pool)-i)
			pool[i], pool[j] = pool[j], pool[i]
		}
		slices.Sort(pool[:m])
		var sub []lab
		for _, v := range pool[:m] {
			sub = append(sub, s.cells[v].mean)
		}
		n, err := DistinctShades(t.Context(), sub, p.ThresholdDE, p.SearchNodes)
		require.NoError(t, err)
		d, _ := Dispersion(sub)
		shades, spread = shades+float64(n.Lower), spread+d
	}
	assert.Equal(t, shades/float64(p.Draws), got.Shades.Mean)
	assert.Equal(t, spread/float64(p.Draws), got.Dispersion.Mean)
}
