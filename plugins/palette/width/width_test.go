package width

import (
	"context"
	"fmt"
	"math"
	"math/bits"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"github.com/commonvat/commonvat/plugins/palette/width/hull"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

type lab = colorimetry.Lab

// The five colours of the worked example computed by us.
var fiveColours = []lab{{L: 45, A: 35, B: 20}, {L: 47, A: 33, B: 22}, {L: 60, A: 10, B: 50}, {L: 58, A: -20, B: 25}, {L: 35, A: 5, B: -30}}

// rowsOf makes one reading per colour, all in group, block and stratum.
func rowsOf(group, block, stratum string, colours []lab) []Row {
	var out []Row
	for i, c := range colours {
		out = append(out, Row{ReadingID: fmt.Sprintf("%s/%s/%s/%03d", stratum, group, block, i), Group: group, Block: block, Stratum: stratum, Cell: fmt.Sprint(i), Lab: c})
	}
	return out
}

func measure(t require.TestingT, rows []Row, p Params) *Answer {
	a, err := Measure(context.Background(), rows, p)
	require.NoError(t, err)
	return a
}

// Exact tells that the bounds agree.
func (c Count) Exact() bool { return c.Lower == c.Upper }

// Worked example computed by us: the five colours.
func TestFiveColours(t *testing.T) {
	a := measure(t, rowsOf("g", "s", "", fiveColours), Params{M: 4})
	g := a.Strata[0].Groups[0]
	assert.Equal(t, hull.OK, g.Hull.Status)
	assert.InDelta(t, 690, g.Hull.Volume, 1e-9)
	assert.InDelta(t, math.Cbrt(690), g.Hull.Side, 1e-12)
	assert.True(t, g.Hull.Unstable)
	require.Len(t, g.Shades, 3)
	assert.Equal(t, 5.0, g.Shades[0].ThresholdDE)
	assert.Equal(t, 4, g.Shades[0].Lower)
	assert.True(t, g.Shades[0].Exact())
	assert.Equal(t, 2.5, g.Shades[1].ThresholdDE)
	assert.Equal(t, 5, g.Shades[1].Upper)
	assert.True(t, g.Shades[1].Exact())
	assert.InDelta(t, 33.6895, g.Pairwise.MeanDE, 5e-5)
	assert.Equal(t, 10, g.Pairwise.Pairs)
	assert.InDelta(t, 150.8025, g.Hue.LargestEmptyArc, 5e-5)
	assert.InDelta(t, 4.9131, g.Hue.EffectiveHues, 5e-5)
	assert.InDelta(t, math.Log(4.9131)/math.Log(36), g.Hue.Evenness, 1e-5)
	assert.InDelta(t, 25, g.LightnessSpan, 1e-12)
	r := g.Rarefied
	require.NotNil(t, r)
	assert.True(t, r.Enumerated)
	assert.Equal(t, 5, r.Subsets)
	assert.InDelta(t, 276, r.Volume.Mean, 1e-9)
	assert.Zero(t, r.Volume.MonteCarloSE)
	// Enumerated by hand: three of the five subsets of four hold both of the near reds, which count once.
	assert.InDelta(t, (2*4+3*3)/5.0, r.Shades.Mean, 1e-12)
}

// Worked example computed by us: the box, whose volume and area are also plain multiplication.
func TestBox(t *testing.T) {
	var colours []lab
	for _, l := range []float64{40, 60} {
		for _, a := range []float64{-10, 20} {
			for _, b := range []float64{-5, 35} {
				colours = append(colours, lab{L: l, A: a, B: b})
			}
		}
	}
	g := measure(t, rowsOf("g", "", "", colours), Params{}).Strata[0].Groups[0]
	assert.InDelta(t, 24000, g.Hull.Volume, 1e-8)
	assert.InDelta(t, 1200, g.Hull.AreaAB, 1e-9)
	assert.False(t, g.Hull.Unstable)
	assert.InDelta(t, math.Sqrt(100+225+400), *g.Dispersion, 1e-12, "analytic: half edges 10, 15, 20")
	assert.Zero(t, g.Blocks)
	assert.Equal(t, "a session is not stated", g.Rarefied.Dispersion.NoInterval)
}

// Worked example computed by us: greys from 20 to 90 in steps of 10.
func TestGreys(t *testing.T) {
	var greys []lab
	for l := 20.0; l <= 90; l += 10 {
		greys = append(greys, lab{L: l})
	}
	for _, tt := range []struct {
		t float64
		n int
	}{{5, 8}, {8, 6}, {10, 4}} {
		c, err := DistinctShades(t.Context(), greys, tt.t, DefaultSearchNodes)
		require.NoError(t, err)
		assert.Equal(t, tt.n, c.Lower, "t = %v", tt.t)
		assert.True(t, c.Exact())
	}
	g := measure(t, rowsOf("g", "s", "", greys), Params{}).Strata[0].Groups[0]
	assert.Equal(t, hull.Line, g.Hull.Status)
	assert.Zero(t, g.Hull.Volume)
	assert.Nil(t, g.Hue, "no chromatic cell")
	assert.Equal(t, 70.0, g.LightnessSpan)
}

// Thirty replicates of one recipe are one cell and so one shade; as thirty recipes they are several.
func TestReplicatesAreAveragedFirst(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	var rows []Row
	for i := range 30 {
		rows = append(rows, Row{ReadingID: fmt.Sprintf("%02d", i), Group: "g", Block: "s", Cell: "madder on wool",
			Lab: lab{L: 45 + 1.5*rng.NormFloat64(), A: 30 + 1.5*rng.NormFloat64(), B: 20 + 1.5*rng.NormFloat64()}})
	}
	g := measure(t, rows, Params{}).Strata[0].Groups[0]
	assert.Equal(t, 30, g.Readings)
	assert.Equal(t, 1, g.Cells)
	assert.Equal(t, 1, g.Shades[0].Lower)
	assert.Equal(t, hull.Single, g.Hull.Status)
	assert.Nil(t, g.Dispersion)
	assert.Nil(t, g.Rarefied, "fewer than six")
	for i := range rows {
		rows[i].Block = fmt.Sprint(i % 2)
	}
	g = measure(t, rows, Params{}).Strata[0].Groups[0]
	assert.Equal(t, 2, g.Cells, "sessions are never averaged together")
	assert.Equal(t, 2, g.Blocks)
}

func TestRefusals(t *testing.T) {
	good := rowsOf("g", "s", "", fiveColours)
	tests := []struct {
		name   string
		spoil  func(rows []Row, p *Params)
		field  string
		inText string
	}{
		{"NaN", func(r []Row, _ *Params) { r[2].Lab.A = math.NaN() }, "lab.a", "row 2"},
		{"infinity", func(r []Row, _ *Params) { r[1].Lab.B = math.Inf(-1) }, "lab.b", "row 1"},
		{"lightness", func(r []Row, _ *Params) { r[0].Lab.L = -3 }, "lab.L", "-3"},
		{"lightness of 300", func(r []Row, _ *Params) { r[0].Lab.L = 300 }, "lab.L", "300"},
		{"no id", func(r []Row, _ *Params) { r[3].ReadingID = "" }, "reading_id", "row 3"},
		{"id twice", func(r []Row, _ *Params) { r[4].ReadingID = r[1].ReadingID }, "reading_id", "row 1"},
		{"no cell", func(r []Row, _ *Params) { r[4].Cell = "" }, "cell", "row 4"},
		{"threshold", func(_ []Row, p *Params) { p.ThresholdDE = -1 }, "threshold_de", "-1"},
		{"threshold NaN", func(_ []Row, p *Params) { p.ThresholdDE = math.NaN() }, "threshold_de", "NaN"},
		{"further threshold", func(_ []Row, p *Params) { p.ReportThresholdDE = []float64{5, 101} }, "report_threshold_de[1]", "101"},
		{"m", func(_ []Row, p *Params) { p.M = 1 }, "m", "2 to 500"},
		{"draws", func(_ []Row, p *Params) { p.Draws = -5 }, "draws", "-5"},
		{"nodes", func(_ []Row, p *Params) { p.SearchNodes = -1 }, "search_nodes", "-1"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			rows, p := slices.Clone(good), Params{}
			tt.spoil(rows, &p)
			_, err := Measure(context.Background(), rows, p)
			var fe *colorimetry.FieldError
			require.ErrorAs(t, err, &fe)
			assert.Equal(t, tt.field, fe.Field)
			assert.ErrorContains(t, err, tt.inText)
		})
	}
	_, err := DistinctShades(t.Context(), []lab{{L: 50}, {L: math.NaN()}}, 5, 10)
	var fe *colorimetry.FieldError
	require.ErrorAs(t, err, &fe)
	assert.Equal(t, "colours[1].L", fe.Field)
	ended, end := context.WithCancel(context.Background())
	end()
	_, err = Measure(ended, good, Params{})
	require.ErrorIs(t, err, context.Canceled)
}

func TestNoRows(t *testing.T) {
	a := measure(t, nil, Params{})
	assert.Empty(t, a.Strata)
	assert.Empty(t, a.Pairs)
}

func genColours(t *rapid.T, low, high int, spread float64) []lab {
	n := rapid.IntRange(low, high).Draw(t, "n")
	seed := rapid.Uint64().Draw(t, "seed")
	rng := rand.New(rand.NewPCG(seed, 1))
	out := make([]lab, n)
	for i := range out {
		out[i] = lab{L: 50 + spread*(rng.Float64()-0.5), A: spread * (rng.Float64() - 0.5), B: 10 + spread*(rng.Float64()-0.5)}
	}
	return out
}

// enumerated tries all subsets.
func enumeratedShades(colours []lab, t float64) int {
	n := len(colours)
	near := make([]uint, n)
	for i := range n {
		for j := range n {
			if i != j && colorimetry.CIEDE2000(colours[i], colours[j], colorimetry.DefaultFactors) < t {
				near[i] |= 1 << j
			}
		}
	}
	best := 0
	for s := range uint(1) << n {
		ok := true
		for i := range n {
			ok = ok && (s>>i&1 == 0 || s&near[i] == 0)
		}
		if ok {
			best = max(best, bits.OnesCount(s))
		}
	}
	return best
}

// Enumerated: N(t) over all subsets of up to 14 colours; every bound, from no budget to plenty, holds.
func TestShadesAgainstEnumeration(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		spread := rapid.Float64Range(3, 60).Draw(t, "spread")
		colours := genColours(t, 0, 12, spread)
		threshold := rapid.SampledFrom([]float64{2.5, 5, 10}).Draw(t, "t")
		want := enumeratedShades(colours, threshold)
		c, err := DistinctShades(t.Context(), colours, threshold, DefaultSearchNodes)
		require.NoError(t, err)
		require.Equal(t, want, c.Lower)
		require.Equal(t, want, c.Upper)
		for _, budget := range []int{0, 1, 2, 5} {
			c, err := DistinctShades(t.Context(), colours, threshold, budget)
			require.NoError(t, err)
			require.LessOrEqual(t, c.Lower, want)
			require.GreaterOrEqual(t, c.Upper, want)
			require.LessOrEqual(t, c.SearchNodes, budget)
		}
		sorted := slices.Clone(colours)
		slices.SortFunc(sorted, func(a, b lab) int { return int(math.Copysign(1, a.L-b.L)) })
		for _, pairs := range []int{onePassPairs, 10, 1, 0} {
			one := onePass(t.Context(), sorted, threshold, pairs)
			require.LessOrEqual(t, one.Lower, want)
			require.GreaterOrEqual(t, one.Upper, want)
		}
		again, err := DistinctShades(t.Context(), append(slices.Clone(colours), colours...), threshold, DefaultSearchNodes)
		require.NoError(t, err)
		require.Equal(t, c, again, "repeats add nothing")
	})
}

// The search itself on arbitrary graphs, which need not come from colours (enumerated).
func TestSearchOnArbitraryGraphs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 13).Draw(t, "n")
		g := emptyGraph(make([]lab, n))
		near := make([]uint, n)
		for i := range n {
			for j := range i {
				if rapid.IntRange(0, 2).Draw(t, "edge") == 0 {
					g.join(i, j)
					near[i] |= 1 << j
					near[j] |= 1 << i
				}
			}
		}
		best := 0
		for s := range uint(1) << n {
			ok := true
			for i := range n {
				ok = ok && (s>>i&1 == 0 || s&near[i] == 0)
			}
			if ok {
				best = max(best, bits.OnesCount(s))
			}
		}
		left := 1 << 20
		lower, upper := g.count(t.Context(), &left)
		require.Equal(t, best, lower)
		require.Equal(t, best, upper)
		require.LessOrEqual(t, g.leastDegree(), best)
		require.LessOrEqual(t, g.farthestFirst(), best)
		require.GreaterOrEqual(t, g.cliqueCover(), best)
	})
}

// More colours never hold fewer shades, a higher threshold never more, and the bounds of a component too large to search hold the
// counts of its parts.
func TestShadesProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		colours := genColours(t, 1, 40, 40)
		last := math.MaxInt
		for _, threshold := range []float64{1, 2.5, 5, 8, 10, 20} {
			c, err := DistinctShades(t.Context(), colours, threshold, DefaultSearchNodes)
			require.NoError(t, err)
			require.True(t, c.Exact())
			require.LessOrEqual(t, c.Upper, last)
			last = c.Lower
		}
		part := colours[:len(colours)/2]
		rest := colours[len(colours)/2:]
		p, err := DistinctShades(t.Context(), part, 5, DefaultSearchNodes)
		require.NoError(t, err)
		all, err := DistinctShades(t.Context(), colours, 5, DefaultSearchNodes)
		require.NoError(t, err)
		require.GreaterOrEqual(t, all.Lower, p.Lower)
		g := gain(all, p, len(rest))
		require.Equal(t, all.Lower-p.Lower, g.Lower)
		require.True(t, g.Exact())
		twice, err := DistinctShades(t.Context(), slices.Concat(part, part), 5, DefaultSearchNodes)
		require.NoError(t, err)
		require.Zero(t, gain(twice, p, len(part)).Upper)
	})
}

func TestLargeComponentsAreBoundedNotGuessed(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	var colours []lab
	for range 4000 {
		colours = append(colours, lab{L: 40 + 20*rng.Float64(), A: 20 * rng.Float64(), B: 20 * rng.Float64()})
	}
	few, err := DistinctShades(t.Context(), colours[:400], 5, DefaultSearchNodes)
	require.NoError(t, err)
	assert.Less(t, few.Lower, few.Upper, "a dense cloud is one large component")
	assert.Greater(t, few.Lower, 3)
	again, err := DistinctShades(t.Context(), colours[:400], 5, DefaultSearchNodes)
	require.NoError(t, err)
	assert.Equal(t, few, again)
	many, err := DistinctShades(t.Context(), colours, 5, DefaultSearchNodes)
	require.NoError(t, err)
	assert.Less(t, many.Lower, many.Upper)
	assert.LessOrEqual(t, few.Lower, many.Upper)
}

// Rarefied means against plain loops over all subsets (enumerated), and drawn means within five standard errors of them.
func TestRarefactionAgainstEnumeration(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 4))
	var rows []Row
	var colours []lab
	for i := range 9 {
		c := lab{L: 50 + 15*rng.NormFloat64(), A: 15 * rng.NormFloat64(), B: 15 * rng.NormFloat64()}
		colours = append(colours, c)
		rows = append(rows, Row{ReadingID: fmt.Sprint(i), Group: "g", Block: fmt.Sprint("s", i%3), Cell: fmt.Sprint(i), Lab: c})
	}
	const m = 5
	mean := func(keep func(i int) bool) (volume, shades, disp float64) {
		n := 0.0
		for s := range uint(1) << 9 {
			var sub []lab
			ok := bits.OnesCount(s) == m
			for i := range 9 {
				if s>>i&1 == 1 {
					ok = ok && keep(i)
					sub = append(sub, colours[i])
				}
			}
			if !ok {
				continue
			}
			n++
			b, err := hull.Solid(points(sub))
			require.NoError(t, err)
			volume += b.Volume
			shades += float64(enumeratedShades(sub, 5))
			d, _ := Dispersion(sub)
			disp += d
		}
		return volume / n, shades / n, disp / n
	}
	v, s, d := mean(func(int) bool { return true })
	r := measure(t, rows, Params{M: m, Interval: true}).Strata[0].Groups[0].Rarefied
	assert.Equal(t, 126, r.Subsets)
	assert.InEpsilon(t, v, r.Volume.Mean, 1e-12)
	assert.InEpsilon(t, s, r.Shades.Mean, 1e-12)
	assert.InEpsilon(t, d, r.Dispersion.Mean, 1e-12)
	var logs []float64
	for b := range 3 {
		_, _, x := mean(func(i int) bool { return i%3 != b })
		logs = append(logs, math.Log(x))
	}
	require.NotNil(t, r.Dispersion.Interval)
	half := 4.302653 * JackknifeSE(logs) // t of 2 degrees of freedom, from memory of printed tables
	assert.InEpsilon(t, d*math.Exp(half), r.Dispersion.Interval.High, 1e-6)
	assert.InEpsilon(t, d*math.Exp(-half), r.Dispersion.Interval.Low, 1e-6)
	assert.Equal(t, 3, r.Dispersion.Interval.Blocks)

	w := &worker{ctx: context.Background(), params: Params{ThresholdDE: 5, SearchNodes: 1e6, Draws: 500}}
	big := append(slices.Clone(rows), rowsOf("g", "s3", "", colours)...)
	for i := range big[9:] {
		big[9+i].Lab.L += 3
		big[9+i].Cell += "b"
	}
	table, err := tableOf(big)
	require.NoError(t, err)
	all, err := averaged(t.Context(), table)
	require.NoError(t, err)
	cells := all.in[0][0].cells
	drawn, err := w.sample(&all.in[0][0], all.in[0][0].byLightness(), nil).rarefy(8, true) // C(18, 8) = 43,758
	require.NoError(t, err)
	assert.False(t, drawn.Enumerated)
	assert.Equal(t, 500, drawn.Subsets)
	sum, n := 0.0, 0.0
	require.NoError(t, everySubset(18, 8, func(sub []int) error {
		var c []lab
		for _, i := range sub {
			c = append(c, cells[i].mean)
		}
		x, _ := Dispersion(c)
		sum += x
		n++
		return nil
	}))
	assert.Equal(t, 43758.0, n)
	assert.Positive(t, drawn.Dispersion.MonteCarloSE)
	assert.InDelta(t, sum/n, drawn.Dispersion.Mean, 5*drawn.Dispersion.MonteCarloSE)
	require.NotNil(t, drawn.Dispersion.Interval)
}

func genFixed(n int) []lab {
	rng := rand.New(rand.NewPCG(uint64(n), 9))
	out := make([]lab, n)
	for i := range out {
		out[i] = lab{L: 50 + 12*rng.NormFloat64(), A: 12 * rng.NormFloat64(), B: 12 * rng.NormFloat64()}
	}
	return out
}

func TestMeasureDoesNotDependOnRowOrderOrOtherGroups(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var rows []Row
		for _, g := range []string{"x", "y"} {
			for _, s := range []string{"", "yarn"} {
				rows = append(rows, rowsOf(g, "s", s, genColours(t, 1, 8, 50))...)
			}
		}
		p := Params{Seed: 4, M: 3}
		want := measure(t, rows, p)
		mixed := slices.Clone(rows)
		rand.New(rand.NewPCG(1, rapid.Uint64().Draw(t, "shuffle"))).Shuffle(len(mixed), func(i, j int) { mixed[i], mixed[j] = mixed[j], mixed[i] })
		require.Equal(t, want, measure(t, mixed, p))
		more := measure(t, append(mixed, rowsOf("z", "s", "", fiveColours)...), p)
		require.Equal(t, want.Strata[0].Groups, more.Strata[0].Groups[:2])
	})
}

// Printed quantiles of Student's t, as in any handbook table (from memory), and gonum as a second opinion.
func TestStudentQuantile(t *testing.T) {
	for _, tt := range []struct {
		p    float64
		df   int
		want float64
	}{{0.975, 1, 12.706}, {0.95, 1, 6.314}, {0.975, 2, 4.303}, {0.95, 5, 2.015}, {0.975, 5, 2.571}, {0.95, 7, 1.895}, {0.975, 10, 2.228}, {0.995, 30, 2.750}, {0.95, 120, 1.658}} {
		assert.InDelta(t, tt.want, StudentQuantile(tt.p, tt.df), 5e-4, "p %v df %v", tt.p, tt.df)
	}
	for _, df := range []int{1, 2, 3, 4, 9, 16, 55, 400} {
		for _, p := range []float64{0.01, 0.3, 0.6, 0.9, 0.975, 0.999} {
			assert.InEpsilon(t, distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(df)}.Quantile(p), StudentQuantile(p, df), 1e-7, "p %v df %v", p, df)
		}
	}
	assert.Zero(t, StudentQuantile(0.5, 3))
	assert.True(t, math.IsNaN(StudentQuantile(1, 3)))
	assert.True(t, math.IsNaN(StudentQuantile(0.9, 0)))
}

// For the mean the jackknife gives the textbook standard error s/√n (analytic).
func TestJackknifeSEOfAMean(t *testing.T) {
	x := []float64{3, 5, 8, 9, 15}
	leave := make([]float64, len(x))
	for i := range x {
		leave[i] = (40 - x[i]) / 4
	}
	ss := 0.0
	for _, v := range x {
		ss += (v - 8) * (v - 8)
	}
	assert.InEpsilon(t, math.Sqrt(ss/4/5), JackknifeSE(leave), 1e-12)
	assert.True(t, math.IsNaN(JackknifeSE([]float64{1})))
}

func TestHueCoverage(t *testing.T) {
	at := func(deg, c float64) lab {
		return colorimetry.LCh{L: 50, C: c, H: deg}.Lab()
	}
	even := make([]lab, 36)
	for i := range even {
		even[i] = at(float64(i)*10+5, 30)
	}
	h := hueCoverage(even)
	assert.InDelta(t, 36, h.EffectiveHues, 1e-9, "analytic: one in each bin")
	assert.InDelta(t, 1, h.Evenness, 1e-12)
	assert.InDelta(t, 10, h.LargestEmptyArc, 1e-9)
	h = hueCoverage([]lab{at(350, 20), at(20, 20), at(25, 4.9)})
	assert.Equal(t, 2, h.Chromatic)
	assert.InDelta(t, 330, h.LargestEmptyArc, 1e-9, "the arc wraps")
	assert.InDelta(t, 2, h.EffectiveHues, 1e-9)
	h = hueCoverage([]lab{at(42, 20), at(42, 20)})
	assert.InDelta(t, 360, h.LargestEmptyArc, 1e-9)
	assert.Nil(t, hueCoverage([]lab{at(42, 20), {L: 50}}))
}

func TestManyCellsSampleTheirPairs(t *testing.T) {
	colours := genFixed(3001)
	p, err := pairwise(t.Context(), colours, 1, 0)
	require.NoError(t, err)
	assert.True(t, p.Sampled)
	assert.Nil(t, p.MinDE)
	q, err := pairwise(t.Context(), colours[:3000], 1, 0)
	require.NoError(t, err)
	assert.False(t, q.Sampled)
	assert.InDelta(t, q.MeanDE, p.MeanDE, 6*p.SE)
}

// Nothing goes on for nobody: every long loop asks whether the caller is still there.
func TestEverythingEndsWithTheCaller(t *testing.T) {
	ended, end := context.WithCancel(t.Context())
	end()
	for _, n := range []int{40, 400, 3001} {
		colours := genFixed(n)
		_, err := DistinctShades(ended, colours, 5, DefaultSearchNodes)
		require.ErrorIs(t, err, context.Canceled)
		_, err = pairwise(ended, colours, 1, 0)
		require.ErrorIs(t, err, context.Canceled)
		_, err = Measure(ended, rowsOf("g", "s", "", colours), Params{})
		require.ErrorIs(t, err, context.Canceled)
	}

	// The search itself leaves off, of which the budget is what it asks by.
	searches := func(ctx context.Context) bool {
		left := 4097
		s := search{ctx: ctx, left: &left}
		for i := range 60 { // a ring with chords, which has no vertex that can be taken without branching
			for _, step := range []int{1, 7, 53, 59} {
				s.joined[i] |= 1 << ((i + step) % 60)
			}
		}
		return s.run(1<<60-1, 0)
	}
	assert.True(t, searches(t.Context()))
	assert.False(t, searches(ended))
}

func BenchmarkDistinctShades(b *testing.B) {
	for _, n := range []int{40, 400, 3000, 20_000} {
		colours := genFixed(n)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			for b.Loop() {
				if _, err := distinctShades(b.Context(), colours, 5, DefaultSearchNodes); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkMeasure(b *testing.B) {
	var rows []Row
	for _, g := range []string{"a", "b", "c"} {
		for s := range 5 {
			rows = append(rows, rowsOf(g, fmt.Sprint(s), "", genFixed(8))...)
		}
	}
	for b.Loop() {
		if _, err := Measure(context.Background(), rows, Params{Interval: true}); err != nil {
			b.Fatal(err)
		}
	}
}
