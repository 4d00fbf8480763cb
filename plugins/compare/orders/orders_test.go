package orders

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/commonvat/commonvat/plugins/palette/width/hull"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

type lab = colorimetry.Lab

// design makes sessions × cells of one pair in the orders "AB" and "BA" around recipe colours of its own.
type design struct {
	blocks, cells int
	pair          string
	scaleAB       float64 // how much wider the recipes of AB lie
	shiftAB       lab
	noise         float64
	seed          uint64
}

func (d design) rows() []Row {
	rng := rand.New(rand.NewPCG(d.seed, 77))
	recipes := make([]lab, d.cells)
	for i := range recipes {
		recipes[i] = lab{L: 8 * rng.NormFloat64(), A: 8 * rng.NormFloat64(), B: 8 * rng.NormFloat64()}
	}
	var rows []Row
	for s := range d.blocks {
		for o, order := range []string{"AB", "BA"} {
			pot := lab{L: d.noise * rng.NormFloat64(), A: d.noise * rng.NormFloat64(), B: d.noise * rng.NormFloat64()}
			for c, r := range recipes {
				k, shift := 1.0, lab{}
				if o == 0 {
					k, shift = d.scaleAB, d.shiftAB
				}
				rows = append(rows, Row{
					ReadingID: fmt.Sprintf("%s-%02d-%s-%02d", d.pair, s, order, c), Group: order, Block: fmt.Sprintf("s%02d", s), Pair: d.pair, Cell: fmt.Sprint(c),
					Lab: lab{L: 50 + k*r.L + shift.L + pot.L + 0.5*rng.NormFloat64(), A: k*r.A + shift.A + pot.A + 0.5*rng.NormFloat64(), B: k*r.B + shift.B + pot.B + 0.5*rng.NormFloat64()},
				})
			}
		}
	}
	return rows
}

func compare(t require.TestingT, rows []Row, p Params) *Result {
	r, err := Compare(context.Background(), rows, p)
	require.NoError(t, err)
	return r
}

// bruteP is the permutation p of the dispersion by plain loops over lists of colours (enumerated): no sums carried, no half of
// arrangements left out, no code shared. Only for complete designs of one pair.
func bruteP(rows []Row, alignFirst bool) float64 { return bruteOf(rows, alignFirst, bruteSpread) }

// bruteWithin takes each session's own mean of each order off first; nothing is aligned then.
func bruteWithin(rows []Row) float64 {
	type place struct{ block, group string }
	sum, n := map[place]lab{}, map[place]float64{}
	for _, r := range rows {
		k := place{r.Block, r.Group}
		sum[k] = lab{L: sum[k].L + r.Lab.L, A: sum[k].A + r.Lab.A, B: sum[k].B + r.Lab.B}
		n[k]++
	}
	centred := slices.Clone(rows)
	for i, r := range centred {
		k := place{r.Block, r.Group}
		centred[i].Lab = lab{L: r.Lab.L - sum[k].L/n[k], A: r.Lab.A - sum[k].A/n[k], B: r.Lab.B - sum[k].B/n[k]}
	}
	return bruteOf(centred, false, bruteSpread)
}

// Sessions of one cell each have no spread within them: the spreads about the orders' means are tested.
func TestSessionsOfOneCell(t *testing.T) {
	for seed := range uint64(4) {
		var rows []Row
		kept := map[string]string{}
		for _, r := range (design{blocks: 7, cells: 3, scaleAB: 1.3, noise: 1.5, seed: seed, shiftAB: lab{A: 6}}).rows() {
			if _, ok := kept[r.Block]; !ok {
				kept[r.Block] = []string{"first", "second"}[len(kept)%2]
			}
			if last := r.Cell[len(r.Cell)-1]; (last == '0') == (kept[r.Block] == "first") && last != '2' {
				rows = append(rows, r)
			}
		}
		r := compare(t, rows, Params{ClosingBlocks: 7})
		require.NotNil(t, r.Test)
		assert.False(t, r.Test.Within)
		assert.Equal(t, 7, r.Cells)
		assert.Equal(t, bruteP(rows, true), r.Test.P)
	}
}

func bruteSpread(x []lab) float64 {
	var m lab
	for _, c := range x {
		m.L += c.L / float64(len(x))
		m.A += c.A / float64(len(x))
		m.B += c.B / float64(len(x))
	}
	s := 0.0
	for _, c := range x {
		s += (c.L-m.L)*(c.L-m.L) + (c.A-m.A)*(c.A-m.A) + (c.B-m.B)*(c.B-m.B)
	}
	return math.Sqrt(s / float64(len(x)))
}

func bruteVolume(x []lab) float64 {
	points := make([]hull.Point, len(x))
	for i, c := range x {
		points[i] = hull.Point{c.L, c.A, c.B}
	}
	body, err := hull.Solid(points)
	if err != nil {
		panic(err)
	}
	return body.Volume
}

func bruteOf(rows []Row, alignFirst bool, width func([]lab) float64) float64 {
	blocks := map[string]map[string][]lab{}
	mean := map[string]lab{}
	n := map[string]float64{}
	for _, r := range rows {
		if blocks[r.Block] == nil {
			blocks[r.Block] = map[string][]lab{}
		}
		blocks[r.Block][r.Group] = append(blocks[r.Block][r.Group], r.Lab)
		m := mean[r.Group]
		mean[r.Group] = lab{L: m.L + r.Lab.L, A: m.A + r.Lab.A, B: m.B + r.Lab.B}
		n[r.Group]++
	}
	var names []string
	for b := range blocks {
		names = append(names, b)
	}
	slices.Sort(names)
	statistic := func(mask int) float64 {
		var x, y []lab
		for i, b := range names {
			for _, order := range []string{"AB", "BA"} {
				for _, c := range blocks[b][order] {
					if alignFirst {
						m := mean[order]
						c = lab{L: c.L - m.L/n[order], A: c.A - m.A/n[order], B: c.B - m.B/n[order]}
					}
					if (order == "AB") != (mask>>i&1 == 1) {
						x = append(x, c)
					} else {
						y = append(y, c)
					}
				}
			}
		}
		return width(x) - width(y)
	}
	observed := math.Abs(statistic(0))
	hits := 0
	for mask := range 1 << len(names) {
		if math.Abs(statistic(mask)) >= observed-1e-9*max(1, observed) {
			hits++
		}
	}
	return float64(hits) / float64(int(1)<<len(names))
}

func TestExactPAgainstEnumeration(t *testing.T) {
	for blocks := 6; blocks <= 8; blocks++ {
		for seed := range uint64(8) {
			rows := design{blocks: blocks, cells: 4, scaleAB: 1 + 0.05*float64(seed), noise: 1.5, seed: seed, shiftAB: lab{A: 6}}.rows()
			r := compare(t, rows, Params{ClosingBlocks: blocks})
			require.NotNil(t, r.Test)
			assert.True(t, r.Test.Enumerated)
			assert.Equal(t, 1<<blocks, r.Test.Arrangements)
			assert.Equal(t, bruteOf(rows, true, bruteVolume), r.Test.PVolume, "blocks %d seed %d", blocks, seed)
			assert.True(t, r.Test.Within)
			assert.Equal(t, bruteWithin(rows), r.Test.P, "blocks %d seed %d", blocks, seed)
			assert.GreaterOrEqual(t, r.Test.P, 2/float64(int(1)<<blocks))
			assert.Equal(t, r.Test.P, r.Test.PAdjusted)
		}
	}
}

// The dead test: where the orders differ in place, raw swaps of labels mix two clouds and find no width; the aligned test finds it
// as if there were no shift (both by full enumeration, on the same twenty simulated experiments).
func TestAlignedFindsWhatRawSwapsMiss(t *testing.T) {
	var raw, found int
	for seed := range uint64(20) {
		d := design{blocks: 7, cells: 6, scaleAB: 1.1, noise: 3, seed: seed, shiftAB: lab{A: 30}}
		rows := d.rows()
		if bruteP(rows, false) <= 0.05 {
			raw++
		}
		r := compare(t, rows, Params{ClosingBlocks: 7})
		if r.Test.P <= 0.05 {
			found++
		}
		d.shiftAB = lab{}
		unshifted := compare(t, d.rows(), Params{ClosingBlocks: 7})
		require.InDelta(t, unshifted.Test.P, r.Test.P, 1e-12)
		require.InDelta(t, unshifted.Test.PVolume, r.Test.PVolume, 1e-12)
	}
	assert.LessOrEqual(t, raw, 1)
	assert.GreaterOrEqual(t, found, 8)
}

func TestClearlyWider(t *testing.T) {
	rows := design{blocks: 8, cells: 6, scaleAB: 1.5, noise: 1, seed: 2, shiftAB: lab{L: -5, A: 10, B: 10}}.rows()
	r := compare(t, rows, Params{ClosingBlocks: 8})
	assert.Equal(t, 2.0/256, r.Test.P)
	assert.Equal(t, FirstWider, r.Verdict)
	assert.Equal(t, "AB", r.First)
	assert.InDelta(t, math.Log(1.5), *r.Dispersion.LogRatio, 0.1)
	assert.LessOrEqual(t, r.Test.PVolume, 0.05)
	assert.Greater(t, r.Volume.First, r.Volume.Second)
	assert.Contains(t, r.Sentence, "AB is wider, by ")
}

func TestVerdicts(t *testing.T) {
	tests := []struct {
		name string
		d    design
		p    Params
		want Verdict
	}{
		{"second wider", design{blocks: 7, cells: 6, scaleAB: 0.6, noise: 1, seed: 3}, Params{ClosingBlocks: 7}, SecondWider},
		{"equally wide", design{blocks: 8, cells: 8, scaleAB: 1, noise: 0.3, seed: 4}, Params{ClosingBlocks: 8}, EquallyWide},
		{"small but found", design{blocks: 8, cells: 8, scaleAB: 1.09, noise: 0.05, seed: 5}, Params{ClosingBlocks: 8, MarginRatio: 1.09}, DetectableButSmall},
		{"noise", design{blocks: 6, cells: 3, scaleAB: 1.1, noise: 8, seed: 6}, Params{ClosingBlocks: 6}, NoAnswer},
		{"exploratory", design{blocks: 7, cells: 6, scaleAB: 0.6, noise: 1, seed: 3}, Params{}, Exploratory},
		{"not closed", design{blocks: 7, cells: 6, scaleAB: 0.6, noise: 1, seed: 3}, Params{ClosingBlocks: 8}, NotEnoughYet},
		{"too few for six comparisons", design{blocks: 7, cells: 6, scaleAB: 0.6, noise: 1, seed: 3}, Params{ClosingBlocks: 7, Comparisons: 6}, NotEnoughYet},
		{"one recipe", design{blocks: 7, cells: 1, scaleAB: 1, noise: 1, seed: 3}, Params{ClosingBlocks: 7}, NotEnoughYet},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := compare(t, tt.d.rows(), tt.p)
			assert.Equal(t, tt.want, r.Verdict, "%+v %+v", r.Test, r.Dispersion)
			assert.NotEmpty(t, r.Sentence)
			assert.NotNil(t, r.Dispersion, "estimates are given whenever they exist")
			assert.Equal(t, tt.want != Exploratory && tt.want != NotEnoughYet, r.Test != nil, "p only at the closing size")
		})
	}
}

func TestWhatIsMissing(t *testing.T) {
	three := design{blocks: 3, cells: 4, scaleAB: 1.2, noise: 1, seed: 1}.rows()
	r := compare(t, three, Params{ClosingBlocks: 6})
	assert.Equal(t, NotEnoughYet, r.Verdict)
	assert.Equal(t, []Need{{Sessions, 3}}, r.Missing)
	assert.Equal(t, "not enough yet: 3 more sessions holding both AB and BA", r.Sentence)
	r = compare(t, three, Params{ClosingBlocks: 3})
	assert.Equal(t, NotEnoughYet, r.Verdict, "three sessions are below the gate even when planned so")
	assert.Equal(t, []Need{{Sessions, 3}}, r.Missing)
	r = compare(t, three, Params{ClosingBlocks: 4, Comparisons: 6})
	assert.Equal(t, []Need{{Sessions, 5}}, r.Missing)
	r = compare(t, three, Params{})
	assert.Equal(t, Exploratory, r.Verdict)
	assert.Equal(t, []Need{{Sessions, 3}}, r.Missing, "told beside an exploratory answer too")
	r = compare(t, design{blocks: 5, cells: 1, scaleAB: 1, noise: 1}.rows(), Params{ClosingBlocks: 6})
	assert.Equal(t, "not enough yet: 1 more session holding both AB and BA and 1 more recipe found in both AB and BA", r.Sentence)
	r = compare(t, nil, Params{ClosingBlocks: 6})
	assert.Equal(t, []Need{{Sessions, 6}, {Recipes, 2}}, r.Missing)
	assert.Nil(t, r.Dispersion)
	r = compare(t, nil, Params{})
	assert.Equal(t, Exploratory, r.Verdict)
}

// 2/2^B: six sessions reach .031, six comparisons need eight (analytic).
func TestNeededBlocks(t *testing.T) {
	assert.Equal(t, 6, NeededBlocks(0.05, 1))
	assert.Equal(t, 8, NeededBlocks(0.05, 6))
	assert.Equal(t, 8, NeededBlocks(0.01, 1))
	assert.Equal(t, 6, NeededBlocks(0.5, 0))
}

// Holm's step-down by hand (analytic): three p of .01, .04, .03 with k = 3, then with two more not known.
func TestHolm(t *testing.T) {
	assert.InDeltaSlice(t, []float64{0.03, 0.06, 0.06}, Holm([]float64{0.01, 0.04, 0.03}, 3), 1e-12)
	assert.InDeltaSlice(t, []float64{0.05, 0.12, 0.12}, Holm([]float64{0.01, 0.04, 0.03}, 5), 1e-12)
	assert.InDeltaSlice(t, []float64{1, 1}, Holm([]float64{0.9, 0.6}, 0), 1e-12)
	assert.Empty(t, Holm(nil, 4))
}

// With one more comparison made beside it, Holm's factor of the smaller p is two.
func TestComparisonsBesideIt(t *testing.T) {
	rows := design{blocks: 8, cells: 5, scaleAB: 1.6, noise: 1, seed: 1}.rows()
	alone, beside := compare(t, rows, Params{ClosingBlocks: 8}), compare(t, rows, Params{ClosingBlocks: 8, Comparisons: 2})
	assert.Equal(t, FirstWider, beside.Verdict)
	assert.Equal(t, alone.Test.P, alone.Test.PAdjusted)
	assert.Equal(t, alone.Test.P, beside.Test.P)
	assert.InDelta(t, 2*alone.Test.P, beside.Test.PAdjusted, 1e-12)
}

// Pairs that lie far apart do not hide or make an effect: aligned within each pair, moving one pair changes nothing but rounding.
func TestPairsAreAlignedWithin(t *testing.T) {
	near := design{blocks: 7, cells: 3, scaleAB: 1.4, noise: 1, seed: 1, pair: "p"}.rows()
	other := design{blocks: 7, cells: 3, scaleAB: 1.3, noise: 1, seed: 8, pair: "q"}.rows()
	far := slices.Clone(other)
	for i := range far {
		far[i].Lab.A += 60
		if far[i].Group == "AB" {
			far[i].Lab.B -= 20
		}
	}
	x := compare(t, append(slices.Clone(near), other...), Params{ClosingBlocks: 7})
	y := compare(t, append(slices.Clone(near), far...), Params{ClosingBlocks: 7})
	assert.Equal(t, 6, x.Recipes)
	assert.Equal(t, x.Test.P, y.Test.P)
	assert.Equal(t, x.Test.PVolume, y.Test.PVolume)
	assert.InDelta(t, x.Dispersion.Difference, y.Dispersion.Difference, 1e-9)
	assert.InDelta(t, *x.Dispersion.SELogRatio, *y.Dispersion.SELogRatio, 1e-9)
}

// The first ClosingBlocks complete sessions decide, in the order given; nothing of a later one enters.
func TestOnlyTheFirstSessionsDecide(t *testing.T) {
	rows := design{blocks: 9, cells: 4, scaleAB: 1.4, noise: 1, seed: 1}.rows()
	var order []string
	for s := 8; s >= 0; s-- {
		order = append(order, fmt.Sprintf("s%02d", s))
	}
	r := compare(t, rows, Params{ClosingBlocks: 6, BlockOrder: order})
	assert.Equal(t, order[:6], r.Blocks)
	assert.Equal(t, order[6:], r.LaterBlocks)
	var few []Row
	for _, x := range rows {
		if x.Block >= "s03" {
			few = append(few, x)
		}
	}
	q := compare(t, few, Params{ClosingBlocks: 6})
	assert.Equal(t, q.Test, r.Test)
	assert.InDelta(t, q.Dispersion.Difference, r.Dispersion.Difference, 1e-12)
	_, err := Compare(context.Background(), rows, Params{BlockOrder: order[:5]})
	var fe *colorimetry.FieldError
	require.ErrorAs(t, err, &fe)
	assert.Equal(t, "block_order", fe.Field)
}

func TestUnmatchedAreListedAndDropped(t *testing.T) {
	rows := design{blocks: 6, cells: 3, scaleAB: 1.4, noise: 1, seed: 1}.rows()
	want := compare(t, rows, Params{ClosingBlocks: 6, First: "AB", Second: "BA"})
	extra := func(id, group, block, cell string) Row {
		return Row{ReadingID: id, Group: group, Block: block, Cell: cell, Lab: lab{L: 10, A: 100, B: -100}}
	}
	more := append(slices.Clone(rows),
		extra("x1", "AB", "s00", "only AB"), extra("x2", "", "s00", "0"), extra("x3", "AB", "", "0"), extra("x4", "A", "s01", "0"),
		extra("x5", "AC", "s01", "0"), extra("x6", "BA", "s09", "lone session"), extra("x7", "Z", "s01", "0"), extra("x8", "Z", "s01", "0"))
	got := compare(t, more, Params{ClosingBlocks: 6, First: "AB", Second: "BA"})
	why := map[string]Reason{}
	for _, d := range got.Dropped {
		for _, id := range d.ReadingIDs {
			why[id] = d.Reason
		}
	}
	assert.Equal(t, map[string]Reason{"x1": NoPartner, "x2": OrderNotStated, "x3": SessionNotStated, "x4": AnotherOrder,
		"x5": AnotherOrder, "x6": NoPartner, "x7": AnotherOrder, "x8": AnotherOrder}, why)
	got.Dropped = nil
	assert.Equal(t, want, got)
	_, err := Compare(context.Background(), more, Params{})
	var fe *colorimetry.FieldError
	require.ErrorAs(t, err, &fe, "five orders and none named")
	assert.Equal(t, "first", fe.Field)
}

// Shades are counted inside the sessions: six recipes are never more than six shades, whatever the pots' noise adds over all.
func TestShadesInsideSessions(t *testing.T) {
	s := compare(t, design{blocks: 7, cells: 6, scaleAB: 0.6, noise: 1, seed: 3}.rows(), Params{}).Shades
	assert.LessOrEqual(t, s.First.Upper, 6.0)
	assert.Less(t, s.First.Upper, s.Second.Lower)
	assert.Greater(t, s.FirstTogether.Lower, 6)
}

// The spread says AB by a little in every session; the shades say BA. Then there is no answer.
func TestDisagreementIsNoAnswer(t *testing.T) {
	// AB: two tight clusters far apart, two shades; BA: an even row, more shades, less spread.
	var rows []Row
	rng := rand.New(rand.NewPCG(1, 1))
	for s := range 7 {
		for c := range 6 {
			ab := 22.0
			if c%2 == 0 {
				ab = -22
			}
			ba := -25 + 10*float64(c)
			for _, x := range []struct {
				order string
				a     float64
			}{{"AB", ab}, {"BA", ba}} {
				rows = append(rows, Row{ReadingID: fmt.Sprint(s, x.order, c), Group: x.order, Block: fmt.Sprint(s), Cell: fmt.Sprint(c),
					Lab: lab{L: 50 + 0.1*rng.NormFloat64(), A: x.a + 0.1*rng.NormFloat64(), B: 30 + 0.1*rng.NormFloat64()}})
			}
		}
	}
	r := compare(t, rows, Params{ClosingBlocks: 7})
	assert.LessOrEqual(t, r.Test.P, 0.05)
	assert.Positive(t, r.Dispersion.Difference)
	assert.Less(t, r.Shades.First.Upper, r.Shades.Second.Lower)
	assert.Equal(t, NoAnswer, r.Verdict)
	assert.Contains(t, r.Sentence, "no answer at this size: the spread points to AB, the number of distinct shades to BA")
}

func TestDegenerate(t *testing.T) {
	flat := func(change func(r *Row, i int)) []Row {
		rows := design{blocks: 6, cells: 4, scaleAB: 1, seed: 1}.rows()
		for i := range rows {
			rows[i].Lab = lab{L: 50.1, A: 0.3, B: 0.7}
			change(&rows[i], i)
		}
		return rows
	}
	r := compare(t, flat(func(*Row, int) {}), Params{ClosingBlocks: 6})
	assert.Equal(t, 1.0, r.Test.P)
	assert.Zero(t, r.Dispersion.Difference)
	assert.Nil(t, r.Dispersion.LogRatio)
	assert.Equal(t, "point", r.Volume.FirstStatus)
	assert.Equal(t, NoAnswer, r.Verdict)

	r = compare(t, flat(func(x *Row, i int) {
		if x.Group == "AB" {
			x.Lab.A += float64(i % 4)
		}
	}), Params{ClosingBlocks: 6})
	assert.Nil(t, r.Dispersion.LogRatio, "one order without spread")
	assert.Equal(t, 2.0/64, r.Test.P)
	assert.Equal(t, FirstWider, r.Verdict)
	assert.Contains(t, r.Sentence, "does not spread at all")

	r = compare(t, flat(func(x *Row, i int) { x.Lab.L += float64(i%4) * 3 }), Params{ClosingBlocks: 6})
	assert.Equal(t, "line", r.Volume.FirstStatus)
	assert.Zero(t, r.Volume.First)
	assert.Equal(t, 1.0, r.Test.P)
	assert.Equal(t, EquallyWide, r.Verdict)

	one := compare(t, design{blocks: 1, cells: 4, scaleAB: 1.5, seed: 1}.rows(), Params{ClosingBlocks: 6})
	assert.NotNil(t, one.Dispersion.LogRatio)
	assert.Nil(t, one.Dispersion.SELogRatio, "one session has no error")
	assert.Equal(t, []Need{{Sessions, 5}}, one.Missing)
}

func TestRefusals(t *testing.T) {
	good := design{blocks: 2, cells: 2, scaleAB: 1, seed: 1}.rows()
	for _, tt := range []struct {
		name  string
		spoil func(r []Row, p *Params)
		field string
		text  string
	}{
		{"NaN", func(r []Row, _ *Params) { r[5].Lab.L = math.NaN() }, "lab.L", "row 5"},
		{"infinity", func(r []Row, _ *Params) { r[0].Lab.B = math.Inf(1) }, "lab.b", "row 0"},
		{"lightness", func(r []Row, _ *Params) { r[2].Lab.L = 300 }, "lab.L", "300"},
		{"id twice", func(r []Row, _ *Params) { r[1].ReadingID = r[0].ReadingID }, "reading_id", "row"},
		{"no id", func(r []Row, _ *Params) { r[1].ReadingID = "" }, "reading_id", "row 1"},
		{"no cell", func(r []Row, _ *Params) { r[1].Cell = "" }, "cell", "row 1"},
		{"alpha", func(_ []Row, p *Params) { p.Alpha = 0.9 }, "alpha", "0.9"},
		{"alpha NaN", func(_ []Row, p *Params) { p.Alpha = math.NaN() }, "alpha", "NaN"},
		{"margin", func(_ []Row, p *Params) { p.MarginRatio = 1 }, "margin_ratio", "above 1"},
		{"threshold", func(_ []Row, p *Params) { p.ThresholdDE = math.Inf(1) }, "threshold_de", "Inf"},
		{"closing", func(_ []Row, p *Params) { p.ClosingBlocks = -1 }, "closing_blocks", "-1"},
		{"comparisons", func(_ []Row, p *Params) { p.Comparisons = -2 }, "comparisons", "-2"},
		{"permutations", func(_ []Row, p *Params) { p.Permutations = 5 }, "permutations", "5"},
		{"nodes", func(_ []Row, p *Params) { p.SearchNodes = -2 }, "search_nodes", "-2"},
		{"one order named", func(_ []Row, p *Params) { p.First = "AB" }, "first, second", "two labels"},
		{"same order", func(_ []Row, p *Params) { p.First, p.Second = "AB", "AB" }, "second", "AB"},
		{"session twice", func(_ []Row, p *Params) { p.BlockOrder = []string{"s00", "s00"} }, "block_order[1]", "s00"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			rows, p := slices.Clone(good), Params{}
			tt.spoil(rows, &p)
			_, err := Compare(context.Background(), rows, p)
			var fe *colorimetry.FieldError
			require.ErrorAs(t, err, &fe)
			assert.Equal(t, tt.field, fe.Field)
			assert.ErrorContains(t, err, tt.text)
		})
	}
	ended, end := context.WithCancel(context.Background())
	end()
	_, err := Compare(ended, design{blocks: 6, cells: 2, scaleAB: 1, seed: 1}.rows(), Params{ClosingBlocks: 6})
	require.ErrorIs(t, err, context.Canceled)
}

func TestInvariances(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := design{blocks: rapid.IntRange(6, 7).Draw(t, "blocks"), cells: rapid.IntRange(2, 4).Draw(t, "cells"),
			scaleAB: rapid.Float64Range(0.7, 1.4).Draw(t, "scale"), noise: 1, seed: rapid.Uint64Range(0, 1000).Draw(t, "seed")}
		rows := d.rows()
		p := Params{ClosingBlocks: d.blocks}
		want := compare(t, rows, p)

		mixed := slices.Clone(rows)
		rand.New(rand.NewPCG(1, rapid.Uint64().Draw(t, "shuffle"))).Shuffle(len(mixed), func(i, j int) { mixed[i], mixed[j] = mixed[j], mixed[i] })
		require.Equal(t, want, compare(t, mixed, p), "order of rows")

		swapped := slices.Clone(rows)
		for i := range swapped {
			swapped[i].Group = map[string]string{"AB": "BA", "BA": "AB"}[swapped[i].Group]
		}
		got := compare(t, swapped, p)
		got.Test.Difference = 0 - got.Test.Difference
		require.Equal(t, want.Test, got.Test)
		require.Equal(t, want.Dispersion.Difference, -got.Dispersion.Difference)
		turned := map[Verdict]Verdict{FirstWider: SecondWider, SecondWider: FirstWider}
		if v, ok := turned[want.Verdict]; ok {
			require.Equal(t, v, got.Verdict)
		} else {
			require.Equal(t, want.Verdict, got.Verdict)
		}

		shifted := slices.Clone(rows)
		for i := range shifted {
			shifted[i].Lab.A += 7.3
			shifted[i].Lab.L -= 2.1
		}
		got = compare(t, shifted, p)
		require.InDelta(t, want.Dispersion.Difference, got.Dispersion.Difference, 1e-9)
		require.InDelta(t, want.Test.P, got.Test.P, 1e-12)

		twice := slices.Clone(rows) // each reading again: a replicate is averaged, not counted
		for _, r := range rows {
			r.ReadingID += "-again"
			twice = append(twice, r)
		}
		got = compare(t, twice, p)
		require.Equal(t, want.Cells, got.Cells)
		require.Equal(t, want.Test.P, got.Test.P)
	})
}

// Above 16 sessions arrangements are drawn: p is a whole number of M + 1 parts, never 0, and the same for the same seed.
func TestDrawnArrangements(t *testing.T) {
	rows := design{blocks: 17, cells: 2, scaleAB: 1.8, noise: 0.3, seed: 1}.rows()
	p := Params{ClosingBlocks: 17, Permutations: 199, Seed: 5}
	r := compare(t, rows, p)
	assert.False(t, r.Test.Enumerated)
	assert.Equal(t, 199, r.Test.Arrangements)
	assert.Equal(t, 1.0/200, r.Test.P)
	assert.Equal(t, r, compare(t, rows, p))
	rows = design{blocks: 17, cells: 2, scaleAB: 1, noise: 3, seed: 2}.rows()
	r = compare(t, rows, p)
	assert.InDelta(t, math.Round(r.Test.P*200), r.Test.P*200, 1e-9)
	assert.InDelta(t, bruteWithin(rows), r.Test.P, 0.18, "five standard errors of 199 draws")
}

// Under no effect p ≤ .05 is found in about one run of twenty: 400 simulated experiments of 6 sessions × 4 cells with pot noise and
// a shift between orders. The bound is loose: five standard errors of .05 above .06, the size in our longer simulations.
func TestSizeUnderNoEffect(t *testing.T) {
	const runs = 400
	hits := 0
	for seed := range uint64(runs) {
		r := compare(t, design{blocks: 6, cells: 4, scaleAB: 1, noise: 1.5, seed: 1000 + seed, shiftAB: lab{A: 10}}.rows(), Params{ClosingBlocks: 6})
		if r.Test.P <= 0.05 {
			hits++
		}
	}
	assert.Less(t, float64(hits)/runs, 0.06+5*math.Sqrt(0.05*0.95/runs))
	assert.Positive(t, hits, "a test that never rejects is dead")
}

func BenchmarkCompare(b *testing.B) {
	for _, blocks := range []int{6, 10, 16} {
		rows := design{blocks: blocks, cells: 6, scaleAB: 1.2, noise: 1, seed: 1}.rows()
		b.Run(fmt.Sprint(blocks), func(b *testing.B) {
			for b.Loop() {
				if _, err := Compare(context.Background(), rows, Params{ClosingBlocks: blocks}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
