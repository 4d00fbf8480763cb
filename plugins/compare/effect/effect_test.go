package effect

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/palette/width"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"

	"github.com/commonvat/commonvat/plugins/compare/noise"
)

// The worked example of the test of a mean vector: T² = 456, F(3,2) = 76, p = .01302 (R gives the same), and 2 of the 32 turns of signs.
func TestWorkedExample(t *testing.T) {
	d := [][3]float64{{2, 1, 0}, {1, 2, 1}, {3, 0, 1}, {2, 1, 2}, {2, 2, 0}}
	h := hotelling(d)
	require.NotNil(t, h)
	assert.InEpsilon(t, 456, h.T2, 1e-9)
	assert.InEpsilon(t, 76, h.F, 1e-9)
	assert.InDelta(t, 0.01302, h.P, 5e-6)
	assert.Equal(t, 2, h.DF2)
	turn := &turner{ctx: context.Background(), params: Params{Permutations: 9999}}
	p, arrangements, enumerated, err := turn.turn(len(d), func(sign []float64) []float64 {
		var sum [3]float64
		for j, v := range d {
			for i := range 3 {
				sum[i] += sign[j] * v[i]
			}
		}
		return []float64{math.Hypot(math.Hypot(sum[0], sum[1]), sum[2])}
	})
	require.NoError(t, err)
	assert.Equal(t, []float64{2.0 / 32}, p)
	assert.Equal(t, 32, arrangements)
	assert.True(t, enumerated)
}

// design makes sessions of matched cells: shift(cell) apart, each order's pots with accidents of their own.
func design(rng *rand.Rand, sessions, cells int, pot, piece float64, shift func(cell int) [3]float64) []Row {
	var rows []Row
	for s := range sessions {
		for _, arm := range []Arm{FirstOrder, SecondOrder} {
			accident := [3]float64{pot * rng.NormFloat64(), pot * rng.NormFloat64(), pot * rng.NormFloat64()}
			for c := range cells {
				x := [3]float64{40 + 5*float64(c), 10 - 6*float64(c), 20}
				for i := range 3 {
					x[i] += accident[i] + piece*rng.NormFloat64()
					if arm == FirstOrder {
						x[i] += shift(c)[i]
					}
				}
				rows = append(rows, Row{ReadingID: fmt.Sprintf("%02d-%d-%02d", s, arm, c), Arm: arm, Block: fmt.Sprintf("session %02d", s),
					Cell: fmt.Sprintf("recipe %d", c), Lab: colorimetry.Lab{L: x[0], A: x[1], B: x[2]}})
			}
		}
	}
	return rows
}

func none(int) [3]float64 { return [3]float64{} }

func measured(t *testing.T, rows []Row, p Params) *Result {
	t.Helper()
	r, err := Measure(context.Background(), rows, p)
	require.NoError(t, err)
	return r
}

func TestVerdicts(t *testing.T) {
	for _, c := range []struct {
		name  string
		noise float64
		shift func(int) [3]float64
		want  Verdict
	}{
		{"a large effect", 0.5, func(int) [3]float64 { return [3]float64{6, 0, 0} }, OrderMatters},
		{"none", 0.3, none, NoPracticalDifference},
		{"a small effect and little noise", 0.1, func(int) [3]float64 { return [3]float64{1, 0, 0} }, DetectableButSmall},
		{"opposite effects", 0.3, func(c int) [3]float64 { return [3]float64{6 - 12*float64(c%2), 0, 0} }, DependsOnCell},
		{"noise as large as the tolerance", 3, none, NoAnswer},
	} {
		t.Run(c.name, func(t *testing.T) {
			rows := design(rand.New(rand.NewPCG(1, 9)), 8, 4, c.noise, c.noise, c.shift)
			r := measured(t, rows, Params{ClosingBlocks: 8, Permutations: 999})
			assert.Equal(t, c.want, r.Verdict, r.Sentence)
			assert.Equal(t, 256, r.Overall.Arrangements)
			assert.Equal(t, 32, r.Cells)
			assert.NotNil(t, r.CellsDiffer)
			require.NotNil(t, r.Overall.Hotelling)
			shuffled := slices.Clone(rows)
			rand.New(rand.NewPCG(4, 4)).Shuffle(len(rows), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
			assert.Equal(t, r, measured(t, shuffled, Params{ClosingBlocks: 8, Permutations: 999}), "the order of rows does not matter")
		})
	}
}

// A cell that moves alone is named, at six sessions and six cells, where Holm over cells could never reach .05.
func TestTheCellIsNamed(t *testing.T) {
	rows := design(rand.New(rand.NewPCG(3, 3)), 6, 6, 0.3, 0.3, func(c int) [3]float64 {
		if c == 2 {
			return [3]float64{0, 7, 0}
		}
		return [3]float64{}
	})
	r := measured(t, rows, Params{ClosingBlocks: 6, Permutations: 999})
	require.Equal(t, DependsOnCell, r.Verdict, r.Sentence)
	assert.Contains(t, r.Sentence, "recipe 2")
	assert.Equal(t, 2.0/64, *r.Cell[2].PAdjusted)
}

// A recipe that all sessions hold and that looks as far apart as what matters stands against "no practical difference" of the average; the same recipe in five sessions
// does not.
func TestOneCellAgainstTheAverage(t *testing.T) {
	verdicts := map[Verdict]int{}
	for seed := range uint64(40) {
		rows := design(rand.New(rand.NewPCG(seed, 8)), 8, 8, 0.2, 1.6, func(c int) [3]float64 {
			if c == 2 {
				return [3]float64{0, 2.5, 0}
			}
			return [3]float64{}
		})
		r := measured(t, rows, Params{ClosingBlocks: 8, Permutations: 199, NoOutlook: true})
		far := slices.ContainsFunc(r.Cell, func(c CellEffect) bool { return c.DE >= 2 })
		verdicts[r.Verdict]++
		if r.Verdict == NoPracticalDifference || r.Verdict == DetectableButSmall {
			assert.False(t, far, "seed %d", seed)
			continue
		}
		if far && r.CellsDiffer.P > 0.05 && *r.Overall.UpperDE < 2 {
			assert.Contains(t, r.Sentence, "by itself")
			verdicts["by itself"]++
		}
	}
	assert.Positive(t, verdicts[NoPracticalDifference])
	assert.Positive(t, verdicts["by itself"])
	r := &Result{Params: Params{ToleranceDE: 2}, Cell: []CellEffect{{Cell: "few", Blocks: 5, DE: 3}, {Cell: "near", Blocks: 6, DE: 1.9}}}
	assert.Nil(t, r.against())
}

func TestGates(t *testing.T) {
	rows := design(rand.New(rand.NewPCG(1, 1)), 5, 2, 1, 1, none)
	r := measured(t, rows, Params{ClosingBlocks: 8})
	assert.Equal(t, NotEnoughYet, r.Verdict)
	assert.Equal(t, []string{"3 more sessions holding both orders"}, r.Missing)
	assert.Nil(t, r.Overall.P)
	assert.Nil(t, r.Cell[0].PAdjusted)
	require.NotNil(t, r.Outlook)
	r = measured(t, rows, Params{})
	assert.Equal(t, Exploratory, r.Verdict)
	assert.Nil(t, r.Overall.P)
	assert.NotNil(t, r.Overall.UpperDE)
	// Eight comparisons at once want as many sessions as 2^(1−B) ≤ .05/8.
	r = measured(t, design(rand.New(rand.NewPCG(1, 1)), 6, 2, 1, 1, none), Params{ClosingBlocks: 6, Comparisons: 8})
	assert.Equal(t, []string{"3 more sessions holding both orders"}, r.Missing)
	// Sessions after the closing size decide nothing.
	r = measured(t, design(rand.New(rand.NewPCG(1, 1)), 9, 2, 1, 1, none), Params{ClosingBlocks: 7})
	assert.Equal(t, []string{"session 07", "session 08"}, r.LaterBlocks)
	assert.Equal(t, 7, r.Overall.Blocks)
}

func TestWhatIsLeftOut(t *testing.T) {
	rows := []Row{
		{ReadingID: "1", Arm: FirstOrder, Block: "s", Cell: "x", Lab: colorimetry.Lab{L: 50}},
		{ReadingID: "2", Arm: SecondOrder, Block: "s", Cell: "y", Lab: colorimetry.Lab{L: 50}},
		{ReadingID: "3", Arm: SecondOrder, Cell: "x", Lab: colorimetry.Lab{L: 50}},
	}
	r := measured(t, rows, Params{ClosingBlocks: 6})
	assert.Equal(t, 1, r.NoSession)
	assert.Equal(t, []string{"s: x", "s: y"}, r.Unmatched)
	assert.Nil(t, r.Overall)
	assert.Equal(t, NotEnoughYet, r.Verdict)
	assert.Equal(t, Exploratory, measured(t, nil, Params{}).Verdict)
}

// All alike: no spread, no singular covariance turned into a number.
func TestAllAlike(t *testing.T) {
	r := measured(t, design(rand.New(rand.NewPCG(1, 1)), 6, 3, 0, 0, none), Params{ClosingBlocks: 6, Permutations: 99})
	assert.Nil(t, r.Overall.Hotelling)
	assert.Equal(t, 1.0, *r.Overall.P)
	assert.Zero(t, r.Overall.DE)
	assert.Equal(t, NoPracticalDifference, r.Verdict)
	// A covariance of rank 2.
	assert.Nil(t, hotelling([][3]float64{{1, 0, 0}, {2, 1, 0}, {0, 3, 0}, {4, 2, 0}, {5, 5, 0}}))
}

// The blank arms tell the bath from the colour: here B's bath lightens by 3 and B's colour darkens by 10.
func TestBlanks(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	var rows []Row
	for s := range 6 {
		for arm, l := range map[Arm]float64{AloneA: 60, BlankAfterA: 63, FirstOrder: 53} {
			rows = append(rows, Row{ReadingID: fmt.Sprintf("%d-%d", s, arm), Arm: arm, Block: fmt.Sprint(s), Cell: "x",
				Lab: colorimetry.Lab{L: l + 0.2*rng.NormFloat64(), A: 5 + 0.2*rng.NormFloat64(), B: 20}})
		}
	}
	r := measured(t, rows, Params{ClosingBlocks: 6})
	require.Len(t, r.Blanks, 2)
	assert.Equal(t, BathAloneOnA, r.Blanks[0].Kind)
	assert.InDelta(t, 3, r.Blanks[0].Difference[0], 0.5)
	assert.Equal(t, ColourOfBOnA, r.Blanks[1].Kind)
	assert.InDelta(t, -10, r.Blanks[1].Difference[0], 0.5)
	// The experiment has no session with both orders, so nothing is tested.
	assert.Nil(t, r.Blanks[0].P)
	for s := range 6 {
		rows = append(rows, Row{ReadingID: fmt.Sprintf("%d-b", s), Arm: SecondOrder, Block: fmt.Sprint(s), Cell: "x", Lab: colorimetry.Lab{L: 50, A: 5, B: 20}})
	}
	r = measured(t, rows, Params{ClosingBlocks: 6})
	require.NotNil(t, r.Blanks[0].P)
	assert.Equal(t, 2.0/64, *r.Blanks[0].P)
	assert.Equal(t, 4.0/64, *r.Blanks[0].PAdjusted, "two contrasts")
}

// For normal noise of σ in each axis around a grey that ΔE00 treats alike in all directions is not to be had; at L* = 50 with a* = b* = 0 and
// noise in L* only, the mean difference of r repeats from their mean times sqrt(r/(r−1)) is σ·sqrt(2/π).
func TestRepeatability(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	var rows []Row
	for c := range 4000 {
		for k := range 3 {
			rows = append(rows, Row{ReadingID: fmt.Sprintf("%d-%d", c, k), Arm: FirstOrder, Block: "s", Cell: fmt.Sprint(c), Repeat: fmt.Sprint(k),
				Lab: colorimetry.Lab{L: 50 + rng.NormFloat64()}})
		}
	}
	r := repeatability(rows)
	require.NotNil(t, r)
	assert.InDelta(t, math.Sqrt(2/math.Pi), r.MCDM, 0.02)
	assert.InDelta(t, 1, r.Covariance[0][0], 0.05)
	assert.Equal(t, 8000, r.DF)
	for i := range rows {
		rows[i].Repeat = ""
	}
	assert.Nil(t, repeatability(rows), "pot-mates say nothing of repeatability")
}

// Two standard deviations between sessions want more sessions than half of one; showing that there is no difference of 2 takes, by the
// project's simulations, about 6 sessions at 1 and 12 to 20 at 2.
func TestOutlook(t *testing.T) {
	least := func(sigma float64) int {
		s := simulation{place: [3]float64{50, 0, 0}, noise: noise.Root{{sigma}, {0, sigma}, {0, 0, sigma}}, params: Params{ToleranceDE: 2, Alpha: 0.05, Comparisons: 1}}
		return s.least([3]float64{}, func(_ [][3]float64, x Contrast) bool { return *x.UpperDE < 2 })
	}
	assert.LessOrEqual(t, least(0.5), 6)
	assert.Greater(t, least(2), 8)
	assert.Zero(t, least(30), "more than 60")
	r := measured(t, design(rand.New(rand.NewPCG(8, 8)), 4, 3, 0.5, 0.5, func(int) [3]float64 { return [3]float64{5, 0, 0} }), Params{})
	assert.Equal(t, 6, r.Outlook.ToFind)
	assert.GreaterOrEqual(t, r.Outlook.TargetDE, 3.0-1e-6)
}

func TestRefuses(t *testing.T) {
	good := Row{ReadingID: "1", Arm: FirstOrder, Block: "s", Cell: "x", Lab: colorimetry.Lab{L: 50}}
	bad := func(change func(*Row)) []Row { r := good; change(&r); return []Row{r} }
	for name, c := range map[string]struct {
		rows   []Row
		params Params
		field  string
	}{
		"arm":          {bad(func(r *Row) { r.Arm = 7 }), Params{}, "arm"},
		"not a number": {bad(func(r *Row) { r.Lab.A = math.NaN() }), Params{}, "lab.a"},
		"lightness":    {bad(func(r *Row) { r.Lab.L = 300 }), Params{}, "lab.L"},
		"no cell":      {bad(func(r *Row) { r.Cell = "" }), Params{}, "cell"},
		"tolerance":    {nil, Params{ToleranceDE: math.Inf(1)}, "tolerance_de"},
		"alpha":        {nil, Params{Alpha: 2}, "alpha"},
		"order":        {[]Row{good}, Params{BlockOrder: []string{"t"}}, "block_order"},
		"twice":        {nil, Params{BlockOrder: []string{"t", "t"}}, "block_order[1]"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Measure(context.Background(), c.rows, c.params)
			var fault *colorimetry.FieldError
			require.ErrorAs(t, err, &fault)
			assert.Equal(t, c.field, fault.Field)
		})
	}
	_, err := Measure(context.Background(), []Row{good, good}, Params{})
	var row *width.RowError
	require.ErrorAs(t, err, &row)
}
