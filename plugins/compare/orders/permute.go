package orders

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"

	"github.com/commonvat/commonvat/plugins/palette/width"
	"github.com/commonvat/commonvat/plugins/palette/width/hull"
)

// noSpread is the dispersion in CIELAB units below which there is none but rounding.
const noSpread = 1e-9

// aligned holds the cells with each order's mean subtracted within each pair.
type aligned struct {
	blocks []alignedBlock
	pairs  int
	count  []int // cells of each pair, the same in both orders and in every arrangement
	n      int
}

type alignedBlock struct {
	pair  []int           // number of each cell's pair
	cells [2][]hull.Point // by order
	// Sums by order and pair, and of squares by order, so that an arrangement costs no pass over cells.
	sum     [2][]hull.Point
	squares [2]float64
	count   []int // cells by pair
	// within is the sum of squares by order about the session's own means of each pair that has two cells or more here; no shift of a pot or of an
	// order is in it. cells2 counts those cells.
	within [2]float64
	cells2 int
}

func align(blocks []block) *aligned {
	var labels []string
	for _, b := range blocks {
		for _, c := range b.cells {
			labels = append(labels, c.pair)
		}
	}
	a := &aligned{n: len(labels)}
	slices.Sort(labels)
	labels = slices.Compact(labels)
	a.pairs = len(labels)
	a.count = make([]int, a.pairs)
	var mean [2][]hull.Point
	for o := range mean {
		mean[o] = make([]hull.Point, a.pairs)
	}
	for _, b := range blocks {
		ab := alignedBlock{count: make([]int, a.pairs)}
		for _, c := range b.cells {
			k, _ := slices.BinarySearch(labels, c.pair)
			ab.pair = append(ab.pair, k)
			ab.count[k]++
			a.count[k]++
			for o, x := range c.colour {
				p := hull.Point{x.L, x.A, x.B}
				ab.cells[o] = append(ab.cells[o], p)
				for i := range p {
					mean[o][k][i] += p[i]
				}
			}
		}
		a.blocks = append(a.blocks, ab)
	}
	for i := range a.blocks {
		b := &a.blocks[i]
		b.spreadWithin(a.pairs)
		for o := range 2 {
			b.sum[o] = make([]hull.Point, a.pairs)
			for c, k := range b.pair {
				for x := range 3 {
					v := b.cells[o][c][x] - mean[o][k][x]/float64(a.count[k])
					b.cells[o][c][x] = v
					b.sum[o][k][x] += v
					b.squares[o] += v * v
				}
			}
		}
	}
	return a
}

func (b *alignedBlock) spreadWithin(pairs int) {
	for k := range pairs {
		if b.count[k] < 2 {
			continue
		}
		b.cells2 += b.count[k]
		for o := range 2 {
			var mean hull.Point
			for c, pair := range b.pair {
				if pair == k {
					for x := range 3 {
						mean[x] += b.cells[o][c][x] / float64(b.count[k])
					}
				}
			}
			for c, pair := range b.pair {
				if pair == k {
					for x := range 3 {
						v := b.cells[o][c][x] - mean[x]
						b.within[o] += v * v
					}
				}
			}
		}
	}
}

// withinTells says whether enough sessions hold two cells of a pair for the test to look within sessions.
func (a *aligned) withinTells(p Params) bool {
	n := 0
	for i := range a.blocks {
		if a.blocks[i].cells2 > 0 {
			n++
		}
	}
	return n >= NeededBlocks(p.Alpha, p.Comparisons)
}

// withinWidths are the dispersions of the two orders within sessions, with the sessions swapped that swap tells.
func (a *aligned) withinWidths(swap func(b int) bool) (w [2]float64) {
	var squares [2]float64
	n := 0
	for i := range a.blocks {
		b := &a.blocks[i]
		n += b.cells2
		for o := range 2 {
			from := o
			if swap(i) {
				from = 1 - o
			}
			squares[o] += b.within[from]
		}
	}
	for o := range 2 {
		if w[o] = math.Sqrt(squares[o] / float64(max(1, n))); w[o] < noSpread {
			w[o] = 0
		}
	}
	return w
}

// widths are the dispersions of the two orders with the sessions swapped that swap tells; without, from 0, leaves one session out.
func (a *aligned) widths(swap func(b int) bool, without int) (w [2]float64) {
	n := a.n
	count := a.count
	if without >= 0 {
		n -= len(a.blocks[without].pair)
		count = slices.Clone(a.count)
		for k, c := range a.blocks[without].count {
			count[k] -= c
		}
	}
	for o := range 2 {
		squares := 0.0
		sum := make([]hull.Point, a.pairs)
		for i := range a.blocks {
			if i == without {
				continue
			}
			b, from := &a.blocks[i], o
			if swap(i) {
				from = 1 - o
			}
			squares += b.squares[from]
			for k, s := range b.sum[from] {
				for x := range 3 {
					sum[k][x] += s[x]
				}
			}
		}
		for k, s := range sum {
			if count[k] > 0 {
				squares -= (s[0]*s[0] + s[1]*s[1] + s[2]*s[2]) / float64(count[k])
			}
		}
		if n > 0 {
			w[o] = math.Sqrt(max(0, squares/float64(n)))
		}
		if w[o] < noSpread {
			w[o] = 0
		}
	}
	return w
}

// volumes are the hull volumes of the two orders, aligned anew within each pair.
func (a *aligned) volumes(swap func(b int) bool) (v [2]float64, status [2]hull.Status, err error) {
	for o := range 2 {
		sum := make([]hull.Point, a.pairs)
		points := make([]hull.Point, 0, a.n)
		for i := range a.blocks {
			from := o
			if swap(i) {
				from = 1 - o
			}
			points = append(points, a.blocks[i].cells[from]...)
			for k, s := range a.blocks[i].sum[from] {
				for x := range 3 {
					sum[k][x] += s[x]
				}
			}
		}
		at := 0
		for i := range a.blocks {
			for _, k := range a.blocks[i].pair {
				for x := range 3 {
					points[at][x] -= sum[k][x] / float64(a.count[k])
				}
				at++
			}
		}
		if v[o], status[o], err = hull.Volume(points); err != nil {
			return v, status, err
		}
	}
	return v, status, nil
}

func asObserved(int) bool { return false }

func (a *aligned) volume() (*Volume, error) {
	v, s, err := a.volumes(asObserved)
	if err != nil {
		return nil, err
	}
	return &Volume{First: v[0], Second: v[1], FirstStatus: string(s[0]), SecondStatus: string(s[1])}, nil
}

// dispersion is nil for fewer than two cells.
func (a *aligned) dispersion() *Dispersion {
	if a.n < 2 {
		return nil
	}
	w := a.widths(asObserved, -1)
	d := &Dispersion{First: w[0], Second: w[1], Difference: w[0] - w[1]}
	if w[0] == 0 || w[1] == 0 {
		return d
	}
	ratio := math.Log(w[0] / w[1])
	d.LogRatio = &ratio
	if len(a.blocks) < 2 {
		return d
	}
	leave := make([]float64, len(a.blocks))
	for b := range a.blocks {
		x := a.widths(asObserved, b)
		if x[0] == 0 || x[1] == 0 {
			return d
		}
		leave[b] = math.Log(x[0] / x[1])
	}
	se := width.JackknifeSE(leave)
	d.freedom = a.freedom()
	half := width.StudentQuantile(0.95, d.freedom) * se
	low, high := math.Exp(ratio-half), math.Exp(ratio+half)
	d.SELogRatio, d.RatioLow, d.RatioHigh = &se, &low, &high
	return d
}

// freedom is one less than the number of sessions of equal size that would weigh as those that there are, (Σn)²/Σn² rounded down (Kish 1965, Survey
// Sampling, from memory). Eight sessions of which two hold most of the cells tell less than eight alike.
func (a *aligned) freedom() int {
	squares := 0
	for i := range a.blocks {
		n := len(a.blocks[i].pair)
		squares += n * n
	}
	return max(1, a.n*a.n/squares-1)
}

// test permutes the dispersion and, for support, the volume.
func (a *aligned) test(ctx context.Context, p Params) (*Test, error) {
	t := &Test{Within: a.withinTells(p)}
	var err error
	t.P, t.Arrangements, t.Enumerated, err = a.permute(ctx, p.Seed, enumerateBlocks, p.Permutations, func(swap func(b int) bool) (float64, error) {
		w := a.widths(swap, -1)
		if t.Within {
			w = a.withinWidths(swap)
		}
		return w[0] - w[1], nil
	})
	if w := a.withinWidths(asObserved); t.Within {
		t.Difference = w[0] - w[1]
	} else {
		w = a.widths(asObserved, -1)
		t.Difference = w[0] - w[1]
	}
	if err != nil {
		return nil, err
	}
	t.PVolume, t.VolumeArrangements, _, err = a.permute(ctx, p.Seed, enumerateVolumeBlocks, min(p.Permutations, volumeDraws), func(swap func(b int) bool) (float64, error) {
		v, _, err := a.volumes(swap)
		return v[0] - v[1], err
	})
	if err != nil {
		return nil, err
	}
	return t, nil
}

// permute counts the arrangements whose statistic is at least as far from 0 as the observed one.
func (a *aligned) permute(ctx context.Context, seed uint64, enumerateUpTo, draws int, statistic func(swap func(b int) bool) (float64, error)) (p float64, arrangements int, enumerated bool, err error) {
	observed, err := statistic(asObserved)
	if err != nil {
		return 0, 0, false, err
	}
	hits, done := 0, 0
	look := func(swap func(b int) bool) error {
		if done%32 == 0 {
			if err := ctx.Err(); err != nil {
				return err
			}
		}
		done++
		x, err := statistic(swap)
		if err == nil && reaches(x, observed) {
			hits++
		}
		return err
	}
	blocks := len(a.blocks)
	if blocks <= enumerateUpTo {
		// Swapping all sessions only turns the sign, so half of the arrangements stand for all.
		half := 1 << (blocks - 1)
		for mask := range half {
			if err := look(func(b int) bool { return mask>>b&1 == 1 }); err != nil {
				return 0, 0, false, err
			}
		}
		return float64(hits) / float64(half), 2 * half, true, nil
	}
	rng := rand.New(rand.NewPCG(seed, uint64(blocks)))
	swaps := make([]bool, blocks)
	for range draws {
		for b := range swaps {
			swaps[b] = rng.Uint64()>>63 == 1
		}
		if err := look(func(b int) bool { return swaps[b] }); err != nil {
			return 0, 0, false, err
		}
	}
	return float64(hits+1) / float64(draws+1), draws, false, nil
}

// reaches compares with a tolerance, or ties would flip by rounding.
func reaches(t, observed float64) bool {
	return math.Abs(t) >= math.Abs(observed)-1e-9*max(1, math.Abs(observed))
}
