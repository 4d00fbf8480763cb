// Package width measures how wide a palette is: how many shades a set of dyed pieces holds that an eye can tell apart, and how
// much room they take in CIELAB, with what is needed to compare palettes fairly.
//
// # Method
//
// Readings are sorted by id and averaged to cell means within group, block (session) and stratum; sessions are never
// averaged together. The cells of one group in one stratum are a palette. Every palette has
//
//   - distinct shades N(t): the largest subset whose members are pairwise at least t apart in CIEDE2000, a maximum independent
//     set, exact or as a pair of bounds (see DistinctShades);
//   - volume of the convex hull in L*, a*, b* with the side of the cube of that volume, and hull area in a*, b*;
//   - dispersion sqrt(mean ‖x−x̄‖²), mean and least pairwise CIEDE2000, hue coverage, ranges of L* and C*ab;
//   - shades, volume and dispersion at equal numbers ("rarefied"): E[W_m], the mean of a width W over all subsets of m cells.
//     Every width grows with the number of pieces, so only rarefied widths may be compared. The hull volume as a range of traits
//     is from Cornwell, Schwilk & Ackerly 2006, Ecology 87:1465; rarefying to equal numbers is common in ecology.
//
// Groups that lie in several strata (yarns, instruments) are compared only inside a stratum that holds both, at equal m there,
// and the comparisons are then averaged over strata: a group never counts as wider for having been dyed on more yarns.
//
// # Where to look
//
// width.go has the question, the answer and the order of the work; cells.go makes cells of rows, palette.go is what one palette
// knows. shades.go counts shades, with graph.go, independent.go and near.go below it; metrics.go and hull have the other widths.
// rarefy.go takes them at equal numbers, over the subsets of subsets.go, with the errors of interval.go. strata.go compares groups.
//
// # Special cases
//
// Where there are too few cells for a value it is left out (nil), and where there are too few to rely on it, it is marked (Unstable,
// Thin, NoInterval). A stratum label "" is a stratum of its own, "not stated". A block label "" is a session not stated; such cells
// give widths but no interval, since nobody knows whether they are independent.
//
// # Accuracy
//
// Double precision; the same rows in any order, parameters and seed give the same answer to the last bit.
package width

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"
	"strconv"

	"golang.org/x/sync/errgroup"
	"golang.org/x/sync/semaphore"

	"github.com/commonvat/commonvat/plugins/palette/width/hull"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Row is one reading of one piece.
type Row struct {
	ReadingID string // unique, not empty; rows are sorted by it
	Group     string // what is compared: an order, a mordant group; "" is the group "not stated"
	Block     string // session; "" is not stated
	Stratum   string // what must not be mixed: yarn, instrument; "" is the stratum "not stated"
	Cell      string // not empty; readings of one group, block, stratum and cell are replicates and are averaged
	Lab       colorimetry.Lab
}

// Params are what the answer depends on besides the rows. A field that is zero stands for its default.
type Params struct {
	ThresholdDE       float64   // headline t in CIEDE2000, above 0 to 100; default 5
	ReportThresholdDE []float64 // further t for N(t) of all cells; default 2.5 and 10
	M                 int       // the equal number of cells, 2 to 500; default: chosen for each stratum, CompareM or more
	SearchNodes       int       // budget of search nodes for each N(t) and each rarefied mean, 1 to 1e8; default 2,000,000
	// Draws is the number of subsets drawn where more than 20,000 exist, 2 to 1e6; default 2,000.
	//
	// The default is less for questions about very many cells, down to 40. Where it comes to less than 500, subsets are drawn in rounds as soon as
	// more than three times as many exist, and the volume is taken of the first four fifths of them. Fewer than 500 drawn subsets, asked for or
	// not, have no interval.
	Draws    int
	Seed     uint64
	Interval bool // asks for intervals of rarefied widths; m is then chosen ≤ ⌊0.6·n_min⌋, but never below CompareM
}

// Limits and defaults of Params.
const (
	DefaultThresholdDE = 5.0
	DefaultSearchNodes = 2_000_000
	DefaultDraws       = 2000
	MaxM               = 500
)

// Below these a value is unstable, or a comparison thin.
const (
	StableHullCells = 8 // cells of which a hull volume is stable
	CompareM        = 6 // equal number at which palettes of a single stratum may be compared
	CompareStrata   = 3 // where there are several strata: how many must hold both groups
	CompareCells    = 6 // and how many cells either group must have in those
)

// What limits the work of a question about very many cells. It is counted in cells and not in time, so that the same question gets the same answer
// on every machine.
const (
	// drawnCells is roughly how many cells all drawn subsets of all groups have together, where Draws is not asked for; but each mean gets at
	// least leastDraws subsets. Where there are fewer draws than intervalDraws, they are made in rounds (see sampler.inRounds).
	drawnCells = 8_000_000
	leastDraws = 40
	// enumeratedForDraw: in rounds, all subsets are taken where there are at most so many for each draw. With the usual limit of 20,000, small
	// palettes would take ten times the work of large ones.
	enumeratedForDraw = 3
	// hullDraws of every leastDraws subsets drawn in rounds have their volume measured: so few are as exact for volumes as all are for shades.
	hullDraws = 32
	// intervalDraws is the number of draws below which there is no interval: chance in the draws would be taken for differences between sessions.
	intervalDraws = 500
	// cellsAtOnce bounds the cells of all palettes that are measured at one time, as each takes some 140 bytes more then. A palette of more is
	// measured alone.
	cellsAtOnce = 1 << 19
	// gainCells: gains are counted only where all pairs together have at most so many cells.
	gainCells = 400_000
	// finePairs: in a stratum of at most so many groups each pair is compared at the largest equal number that it allows; in one of more, at
	// the next lower of coarse, so that a group is rarefied at a few numbers and not at another one for each other group.
	finePairs = 15
)

// coarse are the equal numbers at which pairs are compared in strata of many groups.
var coarse = []int{2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64, 96, maxChosenM}

// maxChosenM caps the equal number that Measure chooses, to limit its work; a comparison at any equal number is fair.
const maxChosenM = 120

func (p Params) withDefaults() (Params, error) {
	if p.ThresholdDE == 0 {
		p.ThresholdDE = DefaultThresholdDE
	}
	if p.ReportThresholdDE == nil {
		p.ReportThresholdDE = []float64{2.5, 10}
	}
	if p.SearchNodes == 0 {
		p.SearchNodes = DefaultSearchNodes
	}
	if p.Draws == 0 {
		p.Draws = DefaultDraws
	}
	if err := checkThreshold("threshold_de", p.ThresholdDE); err != nil {
		return p, err
	}
	for i, t := range p.ReportThresholdDE {
		if err := checkThreshold(fmt.Sprintf("report_threshold_de[%d]", i), t); err != nil {
			return p, err
		}
	}
	switch {
	case p.M != 0 && (p.M < 2 || p.M > MaxM):
		return p, refuse("m", strconv.Itoa(p.M), fmt.Sprintf("0 (chosen) or 2 to %d", MaxM))
	case p.SearchNodes < 1 || p.SearchNodes > 1e8:
		return p, refuse("search_nodes", strconv.Itoa(p.SearchNodes), "1 to 100000000")
	case p.Draws < 2 || p.Draws > 1e6:
		return p, refuse("draws", strconv.Itoa(p.Draws), "2 to 1000000")
	}
	return p, nil
}

func checkThreshold(field string, t float64) error {
	if t > 0 && t <= 100 {
		return nil
	}
	return refuse(field, strconv.FormatFloat(t, 'g', -1, 64), "above 0 to 100")
}

func refuse(field, value, allowed string) error {
	return &colorimetry.FieldError{Field: field, Value: value, Allowed: allowed}
}

// Answer is what Measure gives.
type Answer struct {
	Widths
	Pairs []Pair // every two groups, by label
}

// Widths are the widths of all groups in all strata.
type Widths struct {
	Params   Params // as used, defaults filled in
	Readings int
	Cells    int
	Strata   []Stratum // by label
}

// Stratum holds the widths of the groups of one stratum.
type Stratum struct {
	Label string
	// M is the equal number that Rarefied uses for all groups here; 0 when none of them has CompareM cells.
	M int
	// Groups are by label. MeasureTable leaves them empty and gives them to its Taker.
	Groups []GroupWidth
}

// GroupWidth is the width of one palette, that of a group in a stratum. A field is nil where there are too few cells for it.
type GroupWidth struct {
	Group         string
	Readings      int
	Cells         int          // cell means: the n of all widths
	Blocks        int          // different sessions, those not stated aside
	Shades        []ShadeCount // headline threshold first, then the further ones
	Hull          HullWidth
	Dispersion    *float64 // from 2 cells
	Pairwise      *Pairwise
	Hue           *HueCoverage // from 2 cells with C*ab ≥ 5
	LightnessSpan float64      // L* max − min
	ChromaSpan    float64      // C*ab max − min
	Rarefied      *Rarefied    // nil where the stratum's M is 0 or more than Cells
}

// ShadeCount is N(t) of all cells of a group. It grows with their number, so it describes one palette and compares none.
type ShadeCount struct {
	ThresholdDE float64
	Count
}

// HullWidth is the room that the cells take in CIELAB.
type HullWidth struct {
	Status   hull.Status // ok, flat, line, point or empty
	Volume   float64     // cubic CIELAB units, 0 unless ok
	Side     float64     // Volume^(1/3), CIELAB units
	Vertices int
	Unstable bool    // fewer than 8 cells
	AreaAB   float64 // hull area in a*, b*, square CIELAB units
}

// Measure gives the widths of all groups in all strata and compares the groups over strata. It refuses bad rows and parameters
// with a *colorimetry.FieldError, for rows inside a *RowError, and otherwise fails only when ctx ends.
func Measure(ctx context.Context, rows []Row, params Params) (*Answer, error) {
	if _, err := params.withDefaults(); err != nil {
		return nil, err
	}
	t, err := tableOf(rows)
	if err != nil {
		return nil, err
	}
	groups := slices.Sorted(slices.Values(t.groups))
	c := &collector{pairs: make([]Pair, len(groups)*(len(groups)-1)/2)}
	widths, err := MeasureTable(ctx, t, params, c)
	if err != nil {
		return nil, err
	}
	c.sort(widths.Strata)
	return &Answer{Widths: *widths, Pairs: c.pairs}, nil
}

// MeasureTable is Measure for a table of rows, which it uses up. It hands each group and each pair to take as soon as it is measured, and keeps
// none: of many groups in many strata they need more memory than the rows. An error of take ends the work and is returned.
func MeasureTable(ctx context.Context, t *Table, params Params, take Taker) (*Widths, error) {
	p, err := params.withDefaults()
	if err != nil {
		return nil, err
	}
	if t.err != nil {
		return nil, t.err
	}
	all, err := averaged(ctx, t)
	if err != nil {
		return nil, err
	}
	a := &Widths{Readings: all.readings, Cells: all.cells}
	drawn := 0
	for _, in := range all.in {
		drawn += 2 * len(in) * p.chosenM(in) // for the groups, and for their pairs
	}
	if params.Draws == 0 && drawn > 0 {
		p.Draws = min(p.Draws, max(leastDraws, drawnCells/drawn))
	}
	a.Params = p
	w := &worker{params: p, palettes: all, samplePairs: samplePairs(all.in), enumerateUpTo: enumerateUpTo}
	if w.rounds = params.Draws == 0 && p.Draws < intervalDraws; w.rounds {
		w.enumerateUpTo = enumeratedForDraw * p.Draws
	}
	w.planPairs()
	// Each group has its own random numbers and its own budget, so the answer doesn't depend on how many are measured at a time.
	side, sideCtx := errgroup.WithContext(ctx)
	side.SetLimit(runtime.GOMAXPROCS(0))
	room := semaphore.NewWeighted(cellsAtOnce)
	w.ctx = sideCtx
	for i, in := range all.in {
		out := Stratum{Label: all.strata[i], M: p.chosenM(in)}
		for k := range in {
			side.Go(func() error {
				cells := min(int64(len(in[k].cells)), cellsAtOnce)
				if err := room.Acquire(sideCtx, cells); err != nil {
					return err
				}
				defer room.Release(cells)
				g, err := w.group(&in[k], out.M)
				if err != nil {
					return err
				}
				return take.Group(out.Label, g)
			})
		}
		a.Strata = append(a.Strata, out)
	}
	if err := side.Wait(); err != nil {
		return nil, err
	}
	if err := w.pairs(ctx, take); err != nil {
		return nil, err
	}
	return a, nil
}

// samplePairs is how many pairs of cells each group may measure, 0 where they needn't be shared out (see pairwise).
func samplePairs(strata [][]palette) int {
	groups, pairs := 0, 0
	for _, in := range strata {
		for _, g := range in {
			n := min(len(g.cells), allPairsUpTo)
			groups++
			pairs += n * (n - 1) / 2
		}
	}
	if pairs <= measuredPairs {
		return 0
	}
	return min(sampledPairs, max(leastPairs, askedPairs/groups))
}

// chosenM is the equal number for the groups of a stratum: the one asked for, else the least number of cells n_min of the groups that have
// CompareM or more, at most maxChosenM. For an interval it is ⌊0.6·n_min⌋, but never below CompareM, as fewer cells say little about a palette.
// It is 0 where no group has CompareM cells.
func (p Params) chosenM(groups []palette) int {
	if p.M > 0 {
		return p.M
	}
	least := math.MaxInt
	for _, g := range groups {
		if n := len(g.cells); n >= CompareM {
			least = min(least, n)
		}
	}
	if least == math.MaxInt {
		return 0
	}
	if p.Interval {
		least = max(CompareM, least*6/10)
	}
	return min(least, maxChosenM)
}

// group measures one palette at all cells and at the equal number m (0: none), and then what the pairs that it is in will need of it.
func (w *worker) group(g *palette, m int) (*GroupWidth, error) {
	out := &GroupWidth{Group: g.groupName, Readings: g.readings, Cells: len(g.cells)}
	for i, c := range g.cells {
		if c.block >= 0 && (i == 0 || c.block != g.cells[i-1].block) {
			out.Blocks++
		}
	}
	colours := coloursOf(g.cells)
	if d, ok := dispersion(colours); ok {
		out.Dispersion = &d
	}
	var err error
	if out.Pairwise, err = pairwise(w.ctx, colours, w.params.Seed, w.samplePairs); err != nil {
		return nil, err
	}
	out.Hue = hueCoverage(colours)
	out.LightnessSpan, out.ChromaSpan = spans(colours)
	thresholds := append([]float64{w.params.ThresholdDE}, w.params.ReportThresholdDE...)
	light := g.byLightness()
	byLightness := coloursOf(light)
	counts, headline, err := countShades(w.ctx, byLightness, thresholds, w.params.SearchNodes)
	if err != nil {
		return nil, err
	}
	for i, t := range thresholds {
		out.Shades = append(out.Shades, ShadeCount{ThresholdDE: t, Count: counts[i]})
	}
	g.shades = counts[0]
	if out.Hull, err = hullWidth(byLightness); err != nil {
		return nil, err
	}
	s := w.sample(g, light, headline)
	if s.graph != nil {
		defer s.graph.release()
	}
	if m > 0 && len(g.cells) >= m {
		if out.Rarefied, err = s.rarefy(m, true); err != nil {
			return nil, err
		}
	}
	for i := range g.expected {
		of := &g.expected[i]
		r := out.Rarefied
		if r == nil || r.M != of.m { // at the same number the same subsets would be drawn again
			if r, err = s.rarefy(of.m, false); err != nil {
				return nil, err
			}
		}
		of.shades, of.dispersion = r.Shades.Mean, r.Dispersion.Mean
	}
	return out, nil
}
