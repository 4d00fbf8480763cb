package width

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"github.com/commonvat/commonvat/plugins/palette/width/hull"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Rarefied holds the widths at the equal number M: what is expected of M cells chosen at random from a group's cells.
type Rarefied struct {
	M int
	// Subsets is how many were measured. For very large questions (see Params.Draws) the volume was measured of the first four fifths only. Where
	// that takes less work, Volume is computed exactly for all subsets (hull.Expected), and its MonteCarloSE is 0.
	Subsets    int
	Enumerated bool // these are all C(n, M) subsets; otherwise they were drawn
	// Shades at the headline threshold.
	Shades Expected
	// Volume of the hull, nil where M is below 4; Side is that of the cube of its mean.
	Volume     *Expected
	Side       float64
	Dispersion Expected
	// SearchNodes is how many were used for all subsets together.
	SearchNodes int
}

// Expected is a mean over subsets.
type Expected struct {
	Mean float64
	// UpperMean is above Mean only for shades whose search ran out of its budget; the exact mean lies between the two.
	UpperMean    float64
	MonteCarloSE float64 // error of Mean because subsets were drawn; 0 where all were taken
	// Interval at 95 % tells how far Mean may be off because of the sessions; where it is nil, NoInterval says why.
	Interval   *Interval
	NoInterval string
}

// enumerateUpTo is the number of subsets up to which all are taken, unless subsets are drawn in rounds.
const enumerateUpTo = 20_000

// testsForCell compares the costs of the two ways to a mean volume: making the hull of m cells takes about as long as m times so many tests of
// hull.Expected (measured by us).
const testsForCell = 50

// leastOmitting is how many subsets without a block each leave-one-block-out value needs. Where fewer were drawn by chance, more are drawn from the
// cells of the other blocks (see topUp).
const leastOmitting = 400

// worker carries what all calculations of one call of Measure share.
type worker struct {
	ctx      context.Context
	params   Params
	palettes *palettes
	// enumerateUpTo is the number of subsets up to which all are taken; where there are more they are drawn, and rounds says how (see inRounds).
	enumerateUpTo int
	rounds        bool
	// samplePairs is the number of pairs of cells of which a group's mean difference is taken; see the function.
	samplePairs int
	// pairedCells is the number of cells of all pairs of palettes that can be compared.
	pairedCells int
}

// tally sums one width over subsets.
type tally struct{ sum, upper, squares float64 }

func (t *tally) add(lower, upper float64) {
	t.sum += lower
	t.upper += upper
	t.squares += lower * lower
}

// The widths that are rarefied.
const (
	ofShades = iota
	ofVolume
	ofDispersion
	widths
)

// sums holds the tallies of a set of subsets.
type sums struct {
	n  int
	of [widths]tally
}

func (s *sums) add(lower, upper [widths]float64) {
	s.n++
	for k := range s.of {
		s.of[k].add(lower[k], upper[k])
	}
}

// sample prepares to rarefy a palette, given its cells by lightness and their graph at the headline threshold, nil if there is none yet.
func (w *worker) sample(of *palette, cells []cell, g *graph) *sampler {
	s := &sampler{ctx: w.ctx, params: w.params, enumerateUpTo: w.enumerateUpTo, rounds: w.rounds, of: of, cells: cells, graph: g}
	if len(cells) <= graphUpTo && (g == nil || len(g.colours) != len(cells)) { // g has one vertex for all cells of the same colour, and here each cell needs its own
		s.graph = newGraph(w.ctx, coloursOf(cells), w.params.ThresholdDE)
	}
	if s.graph != nil {
		s.graph.eliminate()
	}
	s.colours = coloursOf(cells)
	s.shares, s.live = make([]colorimetry.Lab, len(cells)), make(bitset, (len(cells)+63)/64)
	s.block = blockNumbers(cells)
	blocks := 0
	for _, b := range s.block {
		blocks = max(blocks, b+1)
	}
	s.holds = make([]bool, blocks)
	return s
}

// rarefy measures subsets of m cells, 2 ≤ m ≤ len(cells): shades and dispersion, and if full volume and intervals too.
func (s *sampler) rarefy(m int, full bool) (*Rarefied, error) {
	volume := full && m >= 4
	s.left, s.hulls = s.params.SearchNodes, 0
	n := len(s.cells)
	out := &Rarefied{M: m}
	out.Enumerated = subsets(n, m, s.enumerateUpTo) <= s.enumerateUpTo
	reason := "not asked for"
	if full {
		if reason = s.noInterval(m); reason == "" && !out.Enumerated && s.params.Draws < intervalDraws {
			reason = fmt.Sprintf("so many groups and cells leave %d draws to each; ask about fewer", s.params.Draws)
		}
	}
	s.all, s.without = sums{}, nil
	if reason == "" {
		s.without = make([]sums, len(s.holds))
	}
	for i, c := range s.colours {
		s.shares[i] = colorimetry.Lab{L: c.L / float64(m), A: c.A / float64(m), B: c.B / float64(m)}
	}
	toMeasure := s.params.Draws // how many subsets have their volume measured
	switch {
	case out.Enumerated:
		toMeasure = subsets(n, m, s.enumerateUpTo)
	case s.rounds:
		toMeasure = toMeasure * hullDraws / leastDraws
	}
	var err error
	if volume && s.without == nil {
		if out.Volume, err = s.expectedVolume(m, toMeasure, reason); err != nil {
			return nil, err
		}
	}
	byHulls := volume && out.Volume == nil
	s.volume = byHulls
	if out.Enumerated {
		err = everySubset(n, m, s.measure)
	} else {
		rng := rand.New(rand.NewPCG(s.params.Seed, s.of.stream()))
		pool := identity(n)
		next := func() []int { return s.draw(rng, pool, m) }
		if s.rounds {
			next = s.inRounds(rng, pool, m)
		}
		for i := 0; i < s.params.Draws && err == nil; i++ {
			s.volume = byHulls && i < toMeasure
			err = s.measure(next())
		}
		if err == nil && reason == "" {
			err = s.topUp(rng, m)
		}
	}
	if err != nil {
		return nil, err
	}
	out.Subsets = s.all.n
	out.Shades = s.expected(ofShades, m, out.Enumerated, reason)
	out.Dispersion = s.expected(ofDispersion, m, out.Enumerated, reason)
	if byHulls {
		v := s.expected(ofVolume, m, out.Enumerated, reason)
		out.Volume = &v
	}
	if volume {
		out.Side = math.Cbrt(out.Volume.Mean)
	}
	out.SearchNodes = s.params.SearchNodes - s.left
	return out, nil
}

// expectedVolume is the mean volume of all subsets, computed without making their hulls. It is nil where making so many hulls is less work, or where
// hull.Expected can't compute it, as four cells lie in a plane.
func (s *sampler) expectedVolume(m, hulls int, noInterval string) (*Expected, error) {
	if hull.Tests(len(s.colours)) > float64(testsForCell*m*hulls) {
		return nil, nil
	}
	s.points = s.points[:0]
	for i := range s.colours {
		c := &s.colours[i]
		s.points = append(s.points, hull.Point{c.L, c.A, c.B})
	}
	mean, general, err := hull.Expected(s.points, m)
	if err != nil || !general {
		return nil, err
	}
	return &Expected{Mean: mean, UpperMean: mean, NoInterval: noInterval}, nil
}

// sampler measures subsets of one group's cells.
type sampler struct {
	ctx    context.Context
	params Params
	of     *palette
	cells  []cell // by lightness

	enumerateUpTo int
	rounds        bool

	graph   *graph // of all cells; nil where these are too many, and each subset then makes its own
	left    int    // search nodes left of the budget
	volume  bool   // measure the volume of the next subset
	hulls   int    // how many subsets had their volume measured
	block   []int  // for each cell the number of its block, −1 for a session not stated
	holds   []bool // by block: whether the subset in hand has a cell of it
	all     sums
	without []sums // by block: the subsets that hold none of its cells; nil where there is no interval

	colours []colorimetry.Lab // of the cells
	shares  []colorimetry.Lab // of the cells, divided by m: their shares in the mean of a subset
	live    bitset            // memory of draw
	spots   []spot            // of the cells, where each subset makes its own graph
	own     []colorimetry.Lab // memory of ownGraph: colours and spots of the subset in hand
	drawn   []spot
	points  []hull.Point // memory for hulls
}

// widths measures one subset. Lower and upper bounds differ for shades alone, where the budget ran out.
func (s *sampler) widths(subset []int) (lower, upper [widths]float64, err error) {
	var lo, up int
	if s.graph != nil {
		lo, up = s.graph.countOf(s.ctx, subset, &s.left)
	} else {
		lo, up = s.ownGraph(subset).count(s.ctx, &s.left)
	}
	lower[ofShades], upper[ofShades] = float64(lo), float64(up)
	if s.volume {
		s.points = s.points[:0]
		for _, v := range subset {
			c := &s.colours[v]
			s.points = append(s.points, hull.Point{c.L, c.A, c.B})
		}
		volume, _, err := hull.Volume(s.points)
		if err != nil {
			return lower, upper, err
		}
		lower[ofVolume], upper[ofVolume] = volume, volume
	}
	d := s.dispersion(subset)
	lower[ofDispersion], upper[ofDispersion] = d, d
	return lower, upper, s.ctx.Err()
}

// ownGraph makes the graph of a subset, where all cells are too many for one graph.
func (s *sampler) ownGraph(subset []int) *graph {
	if s.spots == nil {
		s.spots = spotsOf(s.colours)
	}
	s.own, s.drawn = s.own[:0], s.drawn[:0]
	for _, v := range subset {
		s.own, s.drawn = append(s.own, s.colours[v]), append(s.drawn, s.spots[v])
	}
	return graphsOf(s.ctx, s.own, s.drawn, []float64{s.params.ThresholdDE})[0]
}

// dispersion is the dispersion of a subset of m. It gives the same bits as the function of that name, but each cell was divided by m only once.
func (s *sampler) dispersion(subset []int) float64 {
	var mean colorimetry.Lab
	for _, v := range subset {
		x := &s.shares[v]
		mean.L += x.L
		mean.A += x.A
		mean.B += x.B
	}
	ss := 0.0
	for _, v := range subset {
		c := &s.colours[v]
		l, a, b := c.L-mean.L, c.A-mean.A, c.B-mean.B
		ss += float64(l*l) + float64(a*a) + float64(b*b)
	}
	return spread(ss / float64(len(subset)))
}

// measure adds one subset to the sums, and to those without each block that it has no cell of.
func (s *sampler) measure(subset []int) error {
	lower, upper, err := s.widths(subset)
	if err != nil {
		return err
	}
	s.all.add(lower, upper)
	if s.volume {
		s.hulls++
	}
	if s.without == nil {
		return nil
	}
	clear(s.holds)
	for _, v := range subset {
		s.holds[s.block[v]] = true
	}
	for b, held := range s.holds {
		if !held {
			s.without[b].add(lower, upper)
		}
	}
	return nil
}

// expected gives the mean of width k over the subsets, with its errors. reason is why there is no interval, "" if there is one.
func (s *sampler) expected(k, m int, enumerated bool, reason string) Expected {
	n := float64(s.all.n)
	if k == ofVolume {
		n = float64(s.hulls)
	}
	t := s.all.of[k]
	e := Expected{Mean: t.sum / n, UpperMean: t.upper / n, NoInterval: reason}
	if !enumerated {
		e.MonteCarloSE = math.Sqrt(max(0, t.squares/n-e.Mean*e.Mean) / (n - 1))
	}
	if reason != "" {
		return e
	}
	if e.UpperMean > e.Mean {
		e.NoInterval = "the search for shades ran out of its budget"
		return e
	}
	logs := make([]float64, len(s.without))
	for b, x := range s.without {
		if !(x.of[k].sum > leastWidth*float64(x.n)) {
			e.NoInterval = "without one session nothing is left to measure"
			return e
		}
		logs[b] = math.Log(x.of[k].sum / float64(x.n))
	}
	half := StudentQuantile(0.975, len(logs)-1) * JackknifeSE(logs)
	e.Interval = &Interval{Low: e.Mean * math.Exp(-half), High: e.Mean * math.Exp(half), Blocks: len(logs)}
	if k == ofShades {
		s.boundShades(&e, m)
	}
	return e
}

// blockNumbers numbers the blocks of cells from 0, and gives −1 for a session not stated.
func blockNumbers(cells []cell) []int {
	var blocks []int32
	for _, c := range cells {
		if c.block >= 0 {
			blocks = append(blocks, c.block)
		}
	}
	slices.Sort(blocks)
	blocks = slices.Compact(blocks)
	out := make([]int, len(cells))
	for i, c := range cells {
		out[i] = -1
		if c.block >= 0 {
			out[i], _ = slices.BinarySearch(blocks, c.block)
		}
	}
	return out
}
