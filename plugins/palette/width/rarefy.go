package width

import (
	"cmp"
	"context"
	"fmt"
	"hash/fnv"
	"math"
	"math/bits"
	"math/rand/v2"
	"slices"

	"github.com/commonvat/commonvat/plugins/palette/width/hull"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Rarefied holds the widths expected of M cells chosen at random from a group's cells.
type Rarefied struct {
	M int
	// Subsets measured; of very large questions (see Params.Draws) only the first four fifths for Volume. Where it takes less work, Volume is that of all
	// subsets, and its MonteCarloSE 0.
	Subsets    int
	Enumerated bool // all C(n, M) subsets; otherwise Subsets were drawn
	// Shades at the headline threshold.
	Shades Expected
	// Volume of the hull, nil for fewer than 4 cells; its side is that of the expected volume.
	Volume     *Expected
	Side       float64
	Dispersion Expected
	// SearchNodes were used for all subsets together.
	SearchNodes int
}

// Expected is a mean over subsets.
type Expected struct {
	Mean float64
	// UpperMean is above Mean only where the search for shades ran out of its budget; the truth lies between them.
	UpperMean    float64
	MonteCarloSE float64 // of Mean for having drawn subsets; 0 when it is that of all
	// Interval at 95 % for the sessions, nil with NoInterval saying why.
	Interval   *Interval
	NoInterval string
}

// Interval is approximate: a delete-one-block jackknife of the logarithm of the mean, with Student's t on B−1 degrees of freedom. Its
// coverage of 95 % was 0.90 to 0.98 in our simulations.
type Interval struct {
	Low, High float64
	Blocks    int
}

// enumerateUpTo is the number of subsets up to which all are taken.
const enumerateUpTo = 20_000

// leastWidth is the width, in units of CIELAB, at and below which there is nothing to measure: a mean of equal colours is off by 1e-14, of which a logarithm
// would make an interval of many powers of ten. Instruments tell 0.01.
const leastWidth = 1e-9

// testsForCell is how many tests of a point against a plane take as long as making a hull for each of its cells.
const testsForCell = 50

// leastOmitting is the number of subsets without a block behind each leave-out value; where the drawn subsets hold fewer, more are
// drawn from the cells of the other blocks.
const leastOmitting = 400

// worker carries what all calculations of one call share.
type worker struct {
	ctx      context.Context
	params   Params
	palettes *palettes
	// enumerateUpTo is the number of subsets up to which all are taken; rounds says that others are drawn in rounds.
	enumerateUpTo int
	rounds        bool
	// samplePairs is the number of pairs of cells that a group draws; see samplePairs.
	samplePairs int
	// met counts the cells of all pairs of palettes that can be compared.
	met int
}

// tally sums one width over subsets.
type tally struct{ sum, upper, squares float64 }

func (t *tally) add(lower, upper float64) {
	t.sum += lower
	t.upper += upper
	t.squares += lower * lower
}

// the widths that are rarefied.
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

// byLightness are the cells in the order that graphs want.
func (p *palette) byLightness() []cell {
	order := make([]int32, len(p.cells))
	for i := range order {
		order[i] = int32(i)
	}
	slices.SortFunc(order, func(i, j int32) int {
		x, y := &p.cells[i].mean, &p.cells[j].mean
		if x.L != y.L {
			if x.L < y.L {
				return -1
			}
			return 1
		}
		return cmp.Or(byLightness(*x, *y), cmp.Compare(i, j))
	})
	out := make([]cell, len(order))
	for k, i := range order {
		out[k] = p.cells[i]
	}
	return out
}

// sample makes ready to rarefy a palette, given its cells by lightness; g is their graph, nil where it must be made.
func (w *worker) sample(of *palette, cells []cell, g *graph) *sampler {
	s := &sampler{ctx: w.ctx, params: w.params, enumerateUpTo: w.enumerateUpTo, rounds: w.rounds, of: of, cells: cells, graph: g}
	if len(cells) <= graphUpTo && (g == nil || len(g.colours) != len(cells)) { // cells of the same colour are one in g
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

// rarefy takes 2 ≤ m ≤ len(cells).
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
	toMeasure := s.params.Draws // subsets whose volume is
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

// expectedVolume is that of all subsets, without an interval, nil where going through so many hulls is less work or the cells don't lie in general.
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

	graph   *graph // of all cells; nil for too many, each subset then makes its own
	left    int    // search nodes
	volume  bool   // is measured
	hulls   int    // subsets of all with a volume
	block   []int  // number of each cell's block, −1 for a session not stated
	holds   []bool
	all     sums
	without []sums // by block: the subsets that hold none of its cells; nil where there is no interval

	colours []colorimetry.Lab // of cells
	shares  []colorimetry.Lab // of cells in the mean of m
	live    bitset            // see draw
	spots   []spot            // of cells, where each subset makes its graph
	own     []colorimetry.Lab // of the subset at hand, then
	drawn   []spot
	points  []hull.Point
}

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

// ownGraph is that of a subset of too many cells for one graph.
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

// dispersion is that of a subset of m, to the bit what the function of that name says, with each cell divided by m once.
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

// noInterval says why the sessions give no interval, "" when they do.
func (s *sampler) noInterval(m int) string {
	if slices.Contains(s.block, -1) {
		return "a session is not stated"
	}
	if len(s.holds) < 2 {
		return "fewer than 2 sessions"
	}
	in := make([]int, len(s.holds))
	for _, b := range s.block {
		in[b]++
	}
	if rest := len(s.cells) - slices.Max(in); rest < m {
		return fmt.Sprintf("without one session only %d cells are left, fewer than m = %d", rest, m)
	}
	return ""
}

// topUp draws subsets from the cells of all other blocks where too few drawn subsets happened to leave a block out. Both kinds
// are uniform over the subsets without the block.
func (s *sampler) topUp(rng *rand.Rand, m int) error {
	pool := make([]int, 0, len(s.block))
	for b := range s.without {
		if s.without[b].n >= leastOmitting {
			continue
		}
		pool = pool[:0]
		for v, own := range s.block {
			if own != b {
				pool = append(pool, v)
			}
		}
		for s.without[b].n < leastOmitting {
			lower, upper, err := s.widths(s.draw(rng, pool, m))
			if err != nil {
				return err
			}
			s.without[b].add(lower, upper)
		}
	}
	return nil
}

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

// boundShades widens the interval of a count near its ceiling. Where hardly any two of the cells are closer than the threshold, all leave-out
// values are m or nearly, and their spread says nothing: it is 0 where no two are close. Such pairs are rare events, so their number
// has the exact interval of a Poisson count (Garwood 1936, Biometrika 28:437, from memory), and each of them costs a subset what they
// cost on average: both of a pair are in a subset in m(m−1) of n(n−1) cases.
func (s *sampler) boundShades(e *Expected, m int) {
	e.Interval.High = min(e.Interval.High, float64(m))
	if s.graph == nil {
		return
	}
	joined := 0
	for _, near := range s.graph.joined {
		for _, x := range near {
			joined += bits.OnesCount64(x)
		}
	}
	pairs := joined / 2
	n := float64(len(s.cells))
	each := float64(m) * float64(m-1) / (n * (n - 1))
	if pairs > 0 {
		each = (float64(m) - e.Mean) / float64(pairs)
	}
	low, high := poissonInterval(pairs)
	e.Interval.Low = max(1, min(e.Interval.Low, float64(m)-each*high))
	e.Interval.High = max(e.Interval.High, float64(m)-each*low)
}

// poissonInterval is the exact 95 % interval of the expectation of a count.
func poissonInterval(count int) (low, high float64) {
	k := float64(count)
	solve := func(reached func(mean float64) bool) float64 {
		from, to := 0.0, k+10*math.Sqrt(k+4)
		for range 60 {
			mid := (from + to) / 2
			if reached(mid) {
				to = mid
			} else {
				from = mid
			}
		}
		return (from + to) / 2
	}
	high = solve(func(mean float64) bool { return poissonUpTo(count, mean) <= 0.025 })
	if count > 0 {
		low = solve(func(mean float64) bool { return 1-poissonUpTo(count-1, mean) >= 0.025 })
	}
	return low, high
}

// poissonUpTo is P(X ≤ count), for many by the normal approximation of Wilson & Hilferty (from memory).
func poissonUpTo(count int, mean float64) float64 {
	if count > 500 {
		k := float64(count + 1)
		z := 3 * math.Sqrt(k) * (1 - 1/(9*k) - math.Cbrt(mean/k))
		return 0.5 * math.Erfc(-z/math.Sqrt2)
	}
	sum, term := 0.0, math.Exp(-mean)
	for i := 0; i <= count; i++ {
		sum += term
		term *= mean / float64(i+1)
	}
	return min(1, sum)
}

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

// stream gives each group of a stratum its own random numbers, whatever other groups there are.
func (p *palette) stream() uint64 {
	h := fnv.New64a()
	_, _ = fmt.Fprintf(h, "%q %q", p.stratumName, p.groupName) // a hash never fails
	return h.Sum64()
}

func identity(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

// draw picks m of pool, every subset alike, and shuffles pool on the way. The subset is ascending and valid until the next draw.
func (s *sampler) draw(rng *rand.Rand, pool []int, m int) []int {
	for i := range m {
		j := i + rng.IntN(len(pool)-i)
		pool[i], pool[j] = pool[j], pool[i]
		s.live.add(pool[i])
	}
	subset := pool[:0]
	for w, x := range s.live {
		for ; x != 0; x &= x - 1 {
			subset = append(subset, w<<6+bits.TrailingZeros64(x))
		}
	}
	clear(s.live)
	return subset
}

// inRounds draws one subset of m after the other of pool, which has more than m. Each is any one as likely as another, but those of a round have no cell in
// common, or where m is more than half, leave none out in common: every cell counts once in a round, so that a mean over rounds hangs less on
// which cells were drawn than one of as many independent subsets. In trials with our generated pools 40 in rounds told the mean shades as well as 50
// others, 32 the mean volume and 40 the dispersion twice as well; the standard error that is made from their spread says too much rather than too little.
func (s *sampler) inRounds(rng *rand.Rand, pool []int, m int) func() []int {
	n := len(pool)
	out := n-m < m
	size := min(m, n-m)
	kept := make([]int, 0, m)
	rest := pool
	return func() []int {
		if len(rest) < size {
			rest = pool
		}
		drawn := s.draw(rng, rest, size)
		rest = rest[size:]
		if !out {
			return drawn
		}
		kept = kept[:0]
		for v, next := 0, 0; v < n; v++ {
			if next < len(drawn) && drawn[next] == v {
				next++
			} else {
				kept = append(kept, v)
			}
		}
		return kept
	}
}

// subsets is C(n, m), or more than most when it is larger than that.
func subsets(n, m, most int) int {
	c := 1
	for i := 1; i <= min(m, n-m); i++ {
		c = c * (n - i + 1) / i
		if c > most {
			return c
		}
	}
	return c
}

// everySubset visits the subsets of m of n in lexicographic order.
func everySubset(n, m int, visit func([]int) error) error {
	s := identity(m)
	for {
		if err := visit(s); err != nil {
			return err
		}
		i := m - 1
		for i >= 0 && s[i] == n-m+i {
			i--
		}
		if i < 0 {
			return nil
		}
		s[i]++
		for j := i + 1; j < m; j++ {
			s[j] = s[j-1] + 1
		}
	}
}
