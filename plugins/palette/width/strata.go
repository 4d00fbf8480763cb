package width

import (
	"context"
	"math"
	"runtime"
	"slices"

	"golang.org/x/sync/errgroup"
)

// Pair compares two groups, First before Second by label, over the strata that hold at least two cells of both.
type Pair struct {
	First, Second string
	Strata        []PairStratum
	// Cells of each group in those strata.
	FirstCells, SecondCells int
	// MeanLogRatio is the mean over strata of ln(dispersion of First / of Second) at equal numbers, nil where none has one.
	MeanLogRatio *float64
	// MeanShadeDifference is the mean over strata of E[N_m] of First − of Second, nil where no stratum is shared.
	MeanShadeDifference *float64
	// Thin says that this is too little to rely on. Where all rows are of one stratum, the equal number is below CompareM (6). Where there are
	// several, fewer than CompareStrata (3) hold two cells of both groups, or one group has fewer than CompareCells (6) cells in those.
	Thin bool
}

// PairStratum compares two groups in one stratum.
type PairStratum struct {
	Stratum                 string
	FirstCells, SecondCells int
	M                       int      // the equal number: as asked for, else the smaller of the two numbers of cells, at most 120 (see finePairs too)
	LogRatio                *float64 // ln(E[dispersion of M] of First / of Second); nil where one is 0
	ShadeDifference         float64  // E[N_M] of First − of Second
	// GainFirst is how many shades First adds to those of Second, GainSecond the reverse, counted over all cells. They grow with the number of
	// cells, so they describe and don't compare.
	GainFirst, GainSecond Count
	// NoGain says that the gains were not counted, since all pairs together have more than 400,000 cells.
	NoGain bool
}

// planPairs notes in every palette the equal numbers at which it will be compared, so that group can measure it there, and counts the cells of all
// pairs that can be compared.
func (w *worker) planPairs() {
	for _, in := range w.palettes.in {
		for i := range in {
			b := &in[i]
			for k := range i {
				a := &in[k]
				if m := w.pairM(a, b); m > 0 {
					a.expectedAt(m)
					b.expectedAt(m)
					w.pairedCells += len(a.cells) + len(b.cells)
				}
			}
		}
	}
}

// pairM is the equal number at which two palettes of one stratum are compared, 0 where they have too few cells.
func (w *worker) pairM(a, b *palette) int {
	least, m := min(len(a.cells), len(b.cells)), w.params.M
	if m == 0 {
		m = equalNumber(least, len(w.palettes.in[a.stratum]))
	}
	if least < max(2, m) {
		return 0
	}
	return m
}

// pairs compares every two groups in every stratum that holds both. For 200 groups over 1,000 yarns that may be 20 million comparisons, so nothing of
// them is kept here.
func (w *worker) pairs(ctx context.Context, take Taker) error {
	of := w.palettes
	own := make([][]*palette, len(of.groups)) // palettes of each group, by stratum
	for _, in := range of.in {
		for i := range in {
			own[in[i].group] = append(own[in[i].group], &in[i])
		}
	}
	side, sideCtx := errgroup.WithContext(ctx)
	side.SetLimit(runtime.GOMAXPROCS(0))
	at := 0
	for i, first := range of.groups {
		from := at
		at += len(of.groups) - i - 1
		side.Go(func() error {
			var p Pair // one for all, so that its list is allocated once
			for k, second := range of.groups[i+1:] {
				p = Pair{First: first, Second: second, Strata: p.Strata[:0]}
				if err := w.pair(sideCtx, &p, own[i], own[i+1+k]); err != nil {
					return err
				}
				if err := take.Pair(from+k, &p); err != nil {
					return err
				}
			}
			return nil
		})
	}
	return side.Wait()
}

// pair fills in p, given the palettes of both groups in the order of strata, and walks along both lists to find the strata that they share.
func (w *worker) pair(ctx context.Context, p *Pair, first, second []*palette) error {
	for len(first) > 0 || len(second) > 0 {
		switch {
		case len(second) == 0 || len(first) > 0 && first[0].stratum < second[0].stratum:
			first = first[1:]
			continue
		case len(first) == 0 || second[0].stratum < first[0].stratum:
			second = second[1:]
			continue
		}
		a, b := first[0], second[0]
		first, second = first[1:], second[1:]
		m := w.pairM(a, b)
		if m == 0 {
			continue
		}
		in, err := w.pairIn(ctx, a, b, m)
		if err != nil {
			return err
		}
		p.Strata = append(p.Strata, in)
	}
	p.summarise(len(w.palettes.strata))
	return nil
}

// equalNumber is the m at which two palettes are compared, of which the smaller has n cells, in a stratum of so many groups.
func equalNumber(n, groups int) int {
	n = min(n, maxChosenM)
	if groups <= finePairs {
		return n
	}
	at, exact := slices.BinarySearch(coarse, n)
	if !exact {
		at--
	}
	if at < 0 {
		return n // below 2, which pairM turns into 0
	}
	return coarse[at]
}

// pairIn compares two palettes of one stratum at the equal number m.
func (w *worker) pairIn(ctx context.Context, a, b *palette, m int) (PairStratum, error) {
	p := PairStratum{Stratum: a.stratumName, FirstCells: len(a.cells), SecondCells: len(b.cells), M: m}
	ra, rb := a.expectedAt(m), b.expectedAt(m)
	if x, y := ra.dispersion, rb.dispersion; x > 0 && y > 0 {
		r := math.Log(x / y)
		p.LogRatio = &r
	}
	p.ShadeDifference = ra.shades - rb.shades
	if p.NoGain = w.pairedCells > gainCells; p.NoGain {
		return p, ctx.Err()
	}
	both, err := distinctShades(ctx, slices.Concat(coloursOf(a.cells), coloursOf(b.cells)), w.params.ThresholdDE, w.params.SearchNodes)
	if err != nil {
		return p, err
	}
	p.GainFirst = gain(both, b.shades, len(a.cells))
	p.GainSecond = gain(both, a.shades, len(b.cells))
	return p, nil
}

// summarise fills in the means over strata, and Thin. Where all rows are of one stratum there is nothing to average, and the equal number decides.
func (p *Pair) summarise(strataInAll int) {
	var ratios, shades []float64
	least := math.MaxInt
	for _, s := range p.Strata {
		p.FirstCells += s.FirstCells
		p.SecondCells += s.SecondCells
		shades = append(shades, s.ShadeDifference)
		if s.LogRatio != nil {
			ratios = append(ratios, *s.LogRatio)
		}
		least = min(least, s.M)
	}
	p.MeanLogRatio, p.MeanShadeDifference = mean(ratios), mean(shades)
	switch {
	case len(p.Strata) == 0:
		p.Thin = true
	case strataInAll > 1:
		p.Thin = len(p.Strata) < CompareStrata || min(p.FirstCells, p.SecondCells) < CompareCells
	default:
		p.Thin = least < CompareM
	}
}

// mean is the mean of x, nil where x is empty.
func mean(x []float64) *float64 {
	if len(x) == 0 {
		return nil
	}
	n, m := float64(len(x)), 0.0
	for _, v := range x {
		m += v / n
	}
	return &m
}
