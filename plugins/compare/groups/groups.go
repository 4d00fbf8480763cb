// Package groups tells whether two or more groups of colours lie in different places, and whether they spread differently, from
// cells that stand in blocks.
//
// # Method
//
// Place: permutational analysis of variance (Anderson 2001, Austral Ecology 26:32, from memory) in Euclidean CIELAB, where sums of
// squares come from the colours themselves and no matrix of distances is needed. The block is always in the model: block means are
// taken off colours and group indicators, SS of the groups is that of the projection on what is left of the indicators, and
// F = (SS_groups/r)/(SS_rest/(n−B−r)) with r the rank of the indicators, k−1 where all groups are joined by shared blocks.
//
// Spread: what the same analysis fits to blocks and groups is taken off the colours. Then their distances to the spatial median of their group, times
// sqrt(n/(n−1)) where groups differ in size, go through the same analysis (Anderson 2006, Biometrics 62:245, from memory); what is permuted are the
// residuals about each group's mean distance. With distances to the mean, 6.8 % of simulated groups of equal spread were found to differ at .05; with
// distances to the median, 3.7 %.
//
// Cells are exchanged within their block only: all arrangements up to 2^16, otherwise seeded draws with p = (b+1)/(M+1) (Phipson &
// Smyth 2010). Statistics within 1e-9·max(1, |F|) tie.
//
// Read both together: where groups differ in spread and in number, a difference in place may be one in spread. With units that goes for the pots of a
// group, of which the spread within units says nothing: three groups in one place, one of which had pots three times as uneven as the others, were called different in 8 %
// of simulated experiments of eight sessions, and in 18 % where three of these held it. Two groups by themselves have no such fault, as an exchange then turns a sign.
//
// # Units
//
// Pieces of one pot share its accidents, so cells of a group and block aren't independent of each other. CompareUnits makes them one unit: place is
// tested on the means of units, spread on the root mean square distance of a unit's cells from its mean, which a pot's accident leaves as it is. Whole units
// are exchanged within blocks, in which all groups have the same cells, so that units of a block are alike but for their group.
package groups

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Cell is one cell mean. Cells of one block and group are kept apart, so a caller averages what is not independent first.
type Cell struct {
	Group string // not empty
	Block string // exchanged within; all alike for no blocks
	Lab   colorimetry.Lab
}

// Point is a cell of any three figures, such as a difference between two colours. They are finite.
type Point struct {
	Group, Block string
	X            [3]float64
}

// Limits and defaults.
const (
	DefaultPermutations = 9999
	// EstimatesOnly in place of a number of permutations spares the tests: P is 0 then, and no arrangement is tried.
	EstimatesOnly = -1
	EnumerateUpTo = 1 << 16
	MaxGroups     = 500
	noSpread      = 1e-18 // of a share of squares: what is left below is rounding
)

// Result is the answer.
type Result struct {
	Groups []string // by label
	Cells  int      // used: those whose block holds two cells or more
	Blocks int      // used
	// Alone counts cells that stand alone in their block: they can't be exchanged, and are left out.
	Alone int
	// Apart are groups that no chain of shared blocks joins to the first: nothing can be said of them against it. Place and Spread are
	// nil then.
	Apart         []string
	Place, Spread *Test
	// Pairs tests every two groups by themselves, with p held over all pairs as EveryTwo has it; only for three groups or more.
	Pairs []Pair
}

// Test is one analysis of variance.
type Test struct {
	// Share is the part of the squares within blocks that lies between the groups, 0 to 1.
	Share        float64
	F            float64 // +Inf where the groups leave no rest
	GroupDF      int
	RestDF       int
	P            float64
	Arrangements int
	Enumerated   bool
}

// Pair is the tests of two groups among more.
type Pair struct {
	First, Second                 string
	Place, Spread                 *Test // nil where no block holds both
	PlaceAdjusted, SpreadAdjusted float64
}

// Compare tests the groups. permutations is 99 to 1e6, 0 for 9,999, or EstimatesOnly. It refuses with a *colorimetry.FieldError and otherwise fails only
// when ctx ends. Tests that do not exist, for want of cells, blocks or spread, are nil.
func Compare(ctx context.Context, cells []Cell, permutations int, seed uint64) (*Result, error) {
	if permutations == 0 {
		permutations = DefaultPermutations
	}
	if permutations != EstimatesOnly && (permutations < 99 || permutations > 1e6) {
		return nil, refuse("permutations", strconv.Itoa(permutations), "-1 (for no test), 0 (for 9999) or 99 to 1000000")
	}
	var names []string
	points := make([]Point, len(cells))
	for i, c := range cells {
		points[i] = Point{c.Group, c.Block, [3]float64{c.Lab.L, c.Lab.A, c.Lab.B}}
		if c.Group == "" {
			return nil, refuse(fmt.Sprintf("cells[%d].group", i), `""`, "a text that is not empty")
		}
		if err := c.Lab.Validate(); err != nil {
			return nil, colorimetry.Under(fmt.Sprintf("cells[%d].lab", i), err)
		}
		names = append(names, c.Group)
	}
	slices.Sort(names)
	names = slices.Compact(names)
	if len(names) > MaxGroups {
		return nil, refuse("cells", fmt.Sprintf("of %d groups", len(names)), fmt.Sprintf("at most %d groups", MaxGroups))
	}
	r, err := compare(ctx, points, permutations, seed, true)
	if err != nil || len(names) < 3 {
		return r, err
	}
	r.Pairs, err = pairs(names, permutations, func(of []string) (*Test, error) {
		return PlaceOfJoined(ctx, only(points, of), permutations, seed)
	}, func(of []string) (*Test, error) {
		f, x, _ := design(only(points, of))
		if f == nil {
			return nil, nil
		}
		distance, residual := f.distances(x)
		return f.test(ctx, distance, residual, permutations, seed)
	})
	return r, err
}

// Place is the test of place alone, of any figures; nil where it does not exist. permutations is as of Compare. It fails only when ctx
// ends, or for more than 500 groups or bad permutations with a *colorimetry.FieldError.
func Place(ctx context.Context, points []Point, permutations int, seed uint64) (*Test, error) {
	if permutations == 0 {
		permutations = DefaultPermutations
	}
	names := map[string]bool{}
	for _, p := range points {
		names[p.Group] = true
	}
	switch {
	case permutations < 99 || permutations > 1e6:
		return nil, refuse("permutations", strconv.Itoa(permutations), "0 (for 9999) or 99 to 1000000")
	case len(names) > MaxGroups:
		return nil, refuse("points", fmt.Sprintf("of %d groups", len(names)), fmt.Sprintf("at most %d groups", MaxGroups))
	}
	r, err := compare(ctx, points, permutations, seed, false)
	if err != nil {
		return nil, err
	}
	return r.Place, nil
}

// field is a set of values in blocks with the projection on the groups.
type field struct {
	blocks [][]int     // the rows of each block
	basis  [][]float64 // orthonormal, of what the blocks leave of the group indicators
	group  []int
	n, k   int
}

func compare(ctx context.Context, cells []Point, permutations int, seed uint64, withSpread bool) (*Result, error) {
	f, x, r := design(cells)
	if f == nil || len(r.Apart) > 0 {
		return r, nil
	}
	var err error
	if r.Place, err = f.test(ctx, x, x, permutations, seed); err != nil || !withSpread {
		return r, err
	}
	distance, residual := f.distances(x)
	r.Spread, err = f.test(ctx, distance, residual, permutations, seed)
	return r, err
}

// design lays cells out in their blocks, with their figures less the block's mean. It is nil, and only the counts of the result are there, where
// there is one group only.
func design(cells []Point) (*field, [][]float64, *Result) {
	cells = slices.Clone(cells)
	slices.SortFunc(cells, func(a, b Point) int {
		return cmp.Or(strings.Compare(a.Block, b.Block), strings.Compare(a.Group, b.Group), slices.Compare(a.X[:], b.X[:]))
	})
	inBlock := map[string]int{}
	for _, c := range cells {
		inBlock[c.Block]++
	}
	r := &Result{}
	var used []Point
	for _, c := range cells {
		r.Groups = append(r.Groups, c.Group)
		if inBlock[c.Block] < 2 {
			r.Alone++
			continue
		}
		used = append(used, c)
	}
	slices.Sort(r.Groups)
	r.Groups = slices.Compact(r.Groups)
	r.Cells = len(used)
	f := &field{n: len(used), k: len(r.Groups)}
	for i, c := range used {
		if i == 0 || used[i-1].Block != c.Block {
			f.blocks = append(f.blocks, nil)
		}
		last := &f.blocks[len(f.blocks)-1]
		*last = append(*last, i)
		g, _ := slices.BinarySearch(r.Groups, c.Group)
		f.group = append(f.group, g)
	}
	r.Blocks = len(f.blocks)
	if r.Apart = f.apart(r.Groups); f.k < 2 {
		return nil, nil, r
	}
	f.project()
	x := make([][]float64, f.n)
	for i, c := range used {
		x[i] = slices.Clone(c.X[:])
	}
	f.centre(x)
	return f, x, r
}

// apart lists groups that no chain of shared blocks joins to the first one.
func (f *field) apart(names []string) []string {
	joined := make([]bool, f.k)
	if f.k > 0 {
		joined[0] = true
	}
	for again := true; again; {
		again = false
		for _, b := range f.blocks {
			some, all := false, true
			for _, i := range b {
				some = some || joined[f.group[i]]
				all = all && joined[f.group[i]]
			}
			if !some || all {
				continue
			}
			again = true
			for _, i := range b {
				joined[f.group[i]] = true
			}
		}
	}
	var out []string
	for g, ok := range joined {
		if !ok {
			out = append(out, names[g])
		}
	}
	return out
}

// centre takes each block's mean off.
func (f *field) centre(x [][]float64) {
	for _, b := range f.blocks {
		for d := range x[b[0]] {
			mean := 0.0
			for _, i := range b {
				mean += x[i][d] / float64(len(b))
			}
			for _, i := range b {
				x[i][d] -= mean
			}
		}
	}
}

// project makes the basis by Gram and Schmidt, twice for accuracy.
func (f *field) project() {
	for g := range f.k - 1 {
		v := make([][]float64, f.n)
		for i := range v {
			v[i] = []float64{0}
			if f.group[i] == g {
				v[i][0] = 1
			}
		}
		f.centre(v)
		u := make([]float64, f.n)
		before := 0.0
		for i := range u {
			u[i] = v[i][0]
			before += u[i] * u[i]
		}
		for range 2 {
			for _, e := range f.basis {
				dot := 0.0
				for i := range u {
					dot += u[i] * e[i]
				}
				for i := range u {
					u[i] -= dot * e[i]
				}
			}
		}
		after := 0.0
		for _, y := range u {
			after += y * y
		}
		if !(after > 1e-18*before) {
			continue
		}
		for i := range u {
			u[i] /= math.Sqrt(after)
		}
		f.basis = append(f.basis, u)
	}
}

// explained is the sum of squares of the groups when row i holds x[at[i]], which is centred in blocks.
func (f *field) explained(x [][]float64, at []int) float64 {
	ss := 0.0
	for _, e := range f.basis {
		for d := range x[0] {
			dot := 0.0
			for i, w := range e {
				dot += w * x[at[i]][d]
			}
			ss += dot * dot
		}
	}
	return ss
}

// distances are those of centred colours to their group's spatial median, one column, and their residuals about each group's mean distance, both
// centred in blocks. The medians are of what is left of the colours once groups and blocks are fitted together: where blocks don't hold the same groups, a block's
// mean lies toward those that it holds, and groups that lie far off would look wide.
func (f *field) distances(x [][]float64) (distance, residual [][]float64) {
	x = f.unfitted(x)
	count := make([]float64, f.k)
	mean := make([][3]float64, f.k)
	for i, g := range f.group {
		count[g]++
		for d := range 3 {
			mean[g][d] += x[i][d]
		}
	}
	centre := make([][3]float64, f.k)
	for g := range centre {
		for d := range 3 {
			centre[g][d] = mean[g][d] / count[g]
		}
		centre[g] = f.median(x, g, centre[g])
	}
	unequal := slices.ContainsFunc(count, func(c float64) bool { return c != count[0] })
	sums := make([]float64, f.k)
	distance, residual = make([][]float64, f.n), make([][]float64, f.n)
	for i, g := range f.group {
		ss := 0.0
		for d := range 3 {
			y := x[i][d] - centre[g][d]
			ss += y * y
		}
		z := math.Sqrt(ss)
		if unequal && count[g] > 1 {
			z *= math.Sqrt(count[g] / (count[g] - 1))
		}
		distance[i] = []float64{z}
		sums[g] += z
	}
	for i, g := range f.group {
		residual[i] = []float64{distance[i][0] - sums[g]/count[g]}
	}
	f.centre(distance)
	f.centre(residual)
	return distance, residual
}

// unfitted is what the groups leave of centred figures.
func (f *field) unfitted(x [][]float64) [][]float64 {
	left := make([][]float64, f.n)
	for i := range x {
		left[i] = slices.Clone(x[i])
	}
	for _, e := range f.basis {
		for d := range x[0] {
			dot := 0.0
			for i, w := range e {
				dot += w * x[i][d]
			}
			for i, w := range e {
				left[i][d] -= w * dot
			}
		}
	}
	return left
}

// median is the spatial median of a group, by the iteration of Weiszfeld (Vardi & Zhang 2000, from memory, for a start on a point) from
// its mean, a fixed number of times.
func (f *field) median(x [][]float64, group int, at [3]float64) [3]float64 {
	for range 100 {
		var sum [3]float64
		weight := 0.0
		for i, g := range f.group {
			if g != group {
				continue
			}
			far := math.Sqrt((x[i][0]-at[0])*(x[i][0]-at[0]) + (x[i][1]-at[1])*(x[i][1]-at[1]) + (x[i][2]-at[2])*(x[i][2]-at[2]))
			w := 1 / max(far, 1e-9)
			weight += w
			for d := range 3 {
				sum[d] += w * x[i][d]
			}
		}
		for d := range 3 {
			at[d] = sum[d] / weight
		}
	}
	return at
}

// test is the analysis of observed, its reference the permutations of exchanged. It is nil where no freedom is left, or no squares.
func (f *field) test(ctx context.Context, observed, exchanged [][]float64, permutations int, seed uint64) (*Test, error) {
	t := &Test{GroupDF: len(f.basis), RestDF: f.n - len(f.blocks) - len(f.basis)}
	if t.RestDF < 1 || t.GroupDF < 1 {
		return nil, nil
	}
	at := make([]int, f.n)
	for i := range at {
		at[i] = i
	}
	// An exchange within blocks changes no total.
	statistic := func(x [][]float64, all float64) float64 {
		between := f.explained(x, at)
		rest := all - between
		if rest <= 1e-12*all {
			rest = 0
		}
		return between / float64(t.GroupDF) / (rest / float64(t.RestDF))
	}
	total, exchangeable := squares(observed), squares(exchanged)
	if !(total > noSpread) || !(exchangeable > noSpread) {
		// Nothing varies, or nothing about the groups' means, so there is nothing to exchange.
		return nil, nil
	}
	t.F, t.Share = statistic(observed, total), min(1, f.explained(observed, at)/total)
	if permutations == EstimatesOnly {
		return t, nil
	}
	hits := 0
	look := func() error {
		if t.Arrangements%64 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		t.Arrangements++
		x := statistic(exchanged, exchangeable)
		if math.IsInf(t.F, 1) && math.IsInf(x, 1) || x >= t.F-1e-9*max(1, math.Abs(t.F)) {
			hits++
		}
		return nil
	}
	if t.Enumerated = f.arrangements() <= EnumerateUpTo; t.Enumerated {
		if err := f.every(at, 0, look); err != nil {
			return nil, err
		}
		t.P = float64(hits) / float64(t.Arrangements)
		return t, nil
	}
	rng := rand.New(rand.NewPCG(seed, uint64(f.n)))
	for range permutations {
		for _, b := range f.blocks {
			for i := len(b) - 1; i > 0; i-- {
				j := rng.IntN(i + 1)
				at[b[i]], at[b[j]] = at[b[j]], at[b[i]]
			}
		}
		if err := look(); err != nil {
			return nil, err
		}
	}
	t.P = float64(hits+1) / float64(permutations+1)
	return t, nil
}

func squares(x [][]float64) (all float64) {
	for _, row := range x {
		for _, v := range row {
			all += v * v
		}
	}
	return all
}

// arrangements is the product of the factorials of the blocks, or more than EnumerateUpTo.
func (f *field) arrangements() int {
	n := 1
	for _, b := range f.blocks {
		for i := 2; i <= len(b); i++ {
			if n *= i; n > EnumerateUpTo {
				return n
			}
		}
	}
	return n
}

// every visits all arrangements from block k on.
func (f *field) every(at []int, k int, visit func() error) error {
	if k == len(f.blocks) {
		return visit()
	}
	b := f.blocks[k]
	var permute func(i int) error
	permute = func(i int) error {
		if i == len(b) {
			return f.every(at, k+1, visit)
		}
		for j := i; j < len(b); j++ {
			at[b[i]], at[b[j]] = at[b[j]], at[b[i]]
			if err := permute(i + 1); err != nil {
				return err
			}
			at[b[i]], at[b[j]] = at[b[j]], at[b[i]]
		}
		return nil
	}
	return permute(0)
}

func refuse(field, value, allowed string) error {
	return &colorimetry.FieldError{Field: field, Value: value, Allowed: allowed}
}
