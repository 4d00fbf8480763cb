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
	// Cells of either group in those strata.
	FirstCells, SecondCells int
	// MeanLogRatio is the mean over strata of ln(dispersion of First / of Second) at equal numbers, nil where none has one.
	MeanLogRatio *float64
	// MeanShadeDifference is the mean over strata of E[N_m] of First − of Second, nil where no stratum is shared.
	MeanShadeDifference *float64
	// Thin says that this is too little to lean on: where the rows know several strata, fewer than three that hold two cells of both or fewer
	// than six cells of either in those; where they know one, an equal number below six.
	Thin bool
}

// PairStratum compares two groups in one stratum.
type PairStratum struct {
	Stratum                 string
	FirstCells, SecondCells int
	M                       int      // the smaller of the two, or the M asked for, at most 120 when chosen
	LogRatio                *float64 // ln(E[dispersion of M] of First / of Second); nil where one is 0
	ShadeDifference         float64  // E[N_M] of First − of Second
	// GainFirst is what First adds to the shades of Second, GainSecond the reverse, of all cells: they describe, as they grow with the
	// number of cells.
	GainFirst, GainSecond Count
	// NoGain says that the gains were not counted, as for pairs of more than 400,000 cells together.
	NoGain bool
}

// meet notes with every palette at which equal numbers it will be compared, and counts the cells of all that can be.
func (w *worker) meet() {
	for _, in := range w.palettes.in {
		for i := range in {
			b := &in[i]
			for k := range i {
				a := &in[k]
				if m := w.meetingAt(a, b); m > 0 {
					a.at(m)
					b.at(m)
					w.met += len(a.cells) + len(b.cells)
				}
			}
		}
	}
}

// meetingAt is the equal number at which two palettes of one stratum are compared, 0 where they can't be.
func (w *worker) meetingAt(a, b *palette) int {
	least, m := min(len(a.cells), len(b.cells)), w.params.M
	if m == 0 {
		m = equalNumber(least, len(w.palettes.in[a.stratum]))
	}
	if least < max(2, m) {
		return 0
	}
	return m
}

// pairs compares every two groups. Of 200 groups over 1,000 yarns, where a million readings make 36,000 palettes, that is in 20 million places.
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
			var p Pair // its lists have room for the next
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

// pair fills in p, given the palettes of both groups by stratum.
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
		m := w.meetingAt(a, b)
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

// equalNumber is the m at which two groups are compared, the smaller of which has n cells, in a stratum of so many groups.
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
		return n // below 2, which is refused
	}
	return coarse[at]
}

func (w *worker) pairIn(ctx context.Context, a, b *palette, m int) (PairStratum, error) {
	p := PairStratum{Stratum: a.stratumName, FirstCells: len(a.cells), SecondCells: len(b.cells), M: m}
	ra, rb := a.at(m), b.at(m)
	if x, y := ra.dispersion, rb.dispersion; x > 0 && y > 0 {
		r := math.Log(x / y)
		p.LogRatio = &r
	}
	p.ShadeDifference = ra.shades - rb.shades
	if p.NoGain = w.met > gainCells; p.NoGain {
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

// summarise fills in the means over strata and the gate. Where there is but one stratum, nothing is mixed, and the equal number decides.
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

// mean is that of x, nil of nothing.
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
