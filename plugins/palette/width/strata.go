package width

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"
	"strings"

	"golang.org/x/sync/errgroup"
)

// Leaning is the direction in which the estimates of a pair point. It is no verdict: no test stands behind it.
type Leaning string

// The leanings of a pair.
const (
	LeansFirst    Leaning = "first wider"
	LeansSecond   Leaning = "second wider"
	LeansNeither  Leaning = "level"          // ratio of dispersions within the margin and less than half a shade apart
	LeansBoth     Leaning = "mixed"          // shades and dispersion clearly point in opposite directions
	NotComparable Leaning = "not comparable" // no stratum holds two cells of both
)

// levelShades is the difference of expected shades below which two palettes may be level.
const levelShades = 0.5

// Need is something that a gate misses.
type Need struct {
	Kind string // "strata", "cells" (of the smaller group) or "m" (equal number)
	Have int
	Want int
}

// Pair compares two groups, First before Second by label, over the strata that hold at least two cells of both.
type Pair struct {
	First, Second string
	Strata        []PairStratum
	// Cells of either group in those strata.
	FirstCells, SecondCells int
	// MeanLogRatio is the mean over strata of ln(dispersion of First / of Second) at equal numbers, nil where none has one.
	// Its SE over strata is nil for fewer than two.
	MeanLogRatio, SELogRatio *float64
	LogRatioStrata           int
	// MeanShadeDifference is the mean over strata of E[N_m] of First − of Second, nil where no stratum is shared.
	MeanShadeDifference, SEShadeDifference *float64
	Leaning                                Leaning
	// Thin says that this is too little to rank by; Needs says what is missing.
	Thin  bool
	Needs []Need
	// NotShared are strata that hold one of the groups but not two cells of both, or not the M asked for.
	NotShared []string
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
				p = Pair{First: first, Second: second, Strata: p.Strata[:0], NotShared: p.NotShared[:0]}
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
			p.NotShared = append(p.NotShared, first[0].stratumName)
			first = first[1:]
			continue
		case len(first) == 0 || second[0].stratum < first[0].stratum:
			p.NotShared = append(p.NotShared, second[0].stratumName)
			second = second[1:]
			continue
		}
		a, b := first[0], second[0]
		first, second = first[1:], second[1:]
		m := w.meetingAt(a, b)
		if m == 0 {
			p.NotShared = append(p.NotShared, a.stratumName)
			continue
		}
		in, err := w.pairIn(ctx, a, b, m)
		if err != nil {
			return err
		}
		p.Strata = append(p.Strata, in)
	}
	p.summarise(w.params, len(w.palettes.strata))
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

// summarise fills in the means over strata, the leaning and the gate. Where the rows know more than one stratum, a pair wants
// three of them and six cells of either group; where there is but one stratum, nothing is mixed and it wants equal m ≥ 6.
func (p *Pair) summarise(params Params, strataInAll int) {
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
	p.LogRatioStrata = len(ratios)
	p.MeanLogRatio, p.SELogRatio = meanAndSE(ratios)
	p.MeanShadeDifference, p.SEShadeDifference = meanAndSE(shades)
	p.Leaning = leaning(p.MeanLogRatio, p.MeanShadeDifference, math.Log(params.MarginRatio))
	want := func(kind string, have, want int) {
		if have < want {
			p.Needs = append(p.Needs, Need{Kind: kind, Have: have, Want: want})
		}
	}
	if strataInAll > 1 {
		want("strata", len(p.Strata), CompareStrata)
		want("cells", min(p.FirstCells, p.SecondCells), CompareCells)
	} else {
		if len(p.Strata) == 0 {
			least = 0
		}
		want("m", least, CompareM)
	}
	p.Thin = len(p.Needs) > 0
}

func meanAndSE(x []float64) (mean, se *float64) {
	if len(x) == 0 {
		return nil, nil
	}
	n, m, ss := float64(len(x)), 0.0, 0.0
	for _, v := range x {
		m += v / n
	}
	if len(x) < 2 {
		return &m, nil
	}
	for _, v := range x {
		ss += (v - m) * (v - m)
	}
	s := math.Sqrt(ss / (n - 1) / n)
	return &m, &s
}

func leaning(logRatio, shades *float64, margin float64) Leaning {
	if shades == nil {
		return NotComparable
	}
	// What is within its band points nowhere.
	r, s := 0.0, 0.0
	if logRatio != nil && math.Abs(*logRatio) >= margin {
		r = *logRatio
	}
	if math.Abs(*shades) >= levelShades {
		s = *shades
	}
	switch {
	case r == 0 && s == 0:
		return LeansNeither
	case r > 0 && s < 0, r < 0 && s > 0:
		return LeansBoth
	case r+s > 0: // of the same sign, or one is 0
		return LeansFirst
	}
	return LeansSecond
}

// RankingStatus says whether there is anything to rank by.
type RankingStatus string

// The states of a ranking.
const (
	Ranked       RankingStatus = "ranked"
	Insufficient RankingStatus = "insufficient" // no pair passes its gate
)

// Ranking orders groups by their pairs. Pairs that are thin count for nothing.
type Ranking struct {
	Status RankingStatus
	Places []Place // best first
	// Unplaced groups have no pair that passes its gate.
	Unplaced []string
	// Complete says that every two placed groups could be compared.
	Complete bool
	// Circular says that some three groups go round: the first wider than the second, it than the third, it than the first.
	Circular bool
	// Needs of the pair nearest to its gate, where the status is insufficient.
	Needs []Need
}

// Place is one group's place; groups with equal Score share it.
type Place struct {
	Place                         int // from 1; after a place shared by two, the next is two further
	Group                         string
	Wider, Narrower, Level, Mixed int     // pairs that pass their gate
	NotCompared                   int     // pairs that are thin or share no stratum
	Score                         float64 // (Wider − Narrower) / pairs that pass their gate, −1 to 1
}

func rank(groups []string, pairs []Pair) Ranking {
	n := len(groups)
	places := make([]Place, n)
	at := make(map[string]int, n)
	for i, g := range groups {
		places[i].Group, at[g] = g, i
	}
	out := Ranking{Status: Insufficient, Complete: true}
	wider := make([]bool, n*n) // the group at i than that at k, at i*n + k
	for i := range pairs {
		p := &pairs[i]
		first, second := at[p.First], at[p.Second]
		a, b := &places[first], &places[second]
		if p.Thin {
			a.NotCompared++
			b.NotCompared++
			if i == 0 || missing(p.Needs) < missing(out.Needs) {
				out.Needs = p.Needs
			}
			continue
		}
		out.Status = Ranked
		switch p.Leaning {
		case LeansFirst:
			a.Wider++
			b.Narrower++
			wider[first*n+second] = true
		case LeansSecond:
			b.Wider++
			a.Narrower++
			wider[second*n+first] = true
		case LeansNeither:
			a.Level++
			b.Level++
		default:
			a.Mixed++
			b.Mixed++
		}
	}
	if out.Status == Ranked {
		out.Needs = nil
	}
	for _, p := range places {
		compared := p.Wider + p.Narrower + p.Level + p.Mixed
		if compared == 0 {
			out.Unplaced = append(out.Unplaced, p.Group)
			continue
		}
		p.Score = float64(p.Wider-p.Narrower) / float64(compared)
		out.Places = append(out.Places, p)
	}
	slices.Sort(out.Unplaced)
	slices.SortFunc(out.Places, func(a, b Place) int {
		if a.Score != b.Score {
			return int(math.Copysign(1, b.Score-a.Score))
		}
		return strings.Compare(a.Group, b.Group)
	})
	for i := range out.Places {
		out.Places[i].Place = i + 1
		if i > 0 && out.Places[i].Score == out.Places[i-1].Score {
			out.Places[i].Place = out.Places[i-1].Place
		}
		out.Complete = out.Complete && out.Places[i].NotCompared <= len(out.Unplaced)
	}
	for x := range n {
		for y := range n {
			for z := 0; wider[x*n+y] && z < n && !out.Circular; z++ {
				out.Circular = wider[y*n+z] && wider[z*n+x]
			}
		}
	}
	return out
}

func missing(needs []Need) int {
	n := 0
	for _, x := range needs {
		n += x.Want - x.Have
	}
	return n
}

// String tells the need in a dyer's words.
func (n Need) String() string {
	more := n.Want - n.Have
	switch n.Kind {
	case "strata":
		return fmt.Sprintf("%d more strata with two pieces of both groups", more)
	case "cells":
		return fmt.Sprintf("%d more pieces of the smaller group", more)
	}
	return fmt.Sprintf("%d more pieces of the smaller group for equal numbers", more)
}
