package main

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"

	"golang.org/x/sync/errgroup"

	"github.com/commonvat/commonvat/plugins/compare/effect"
	"github.com/commonvat/commonvat/plugins/compare/groups"
	"github.com/commonvat/commonvat/plugins/compare/orders"
	"github.com/commonvat/commonvat/plugins/compare/outlook"
	"github.com/commonvat/commonvat/plugins/compare/waters"
	"github.com/commonvat/commonvat/plugins/palette/width"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// line is one question in one situation.
type line struct {
	question, situation string
	limit               float64
	atLeast             bool
	times               int // as many runs as others, 0 for 1: quick lines whose share lies near its limit
	// hit runs one experiment; coverage gives its estimate and interval instead, as the truth is the mean of all estimates.
	hit      func(ctx context.Context, rng *rand.Rand) (bool, error)
	interval func(ctx context.Context, rng *rand.Rand) (estimate float64, in *width.Interval, err error)
}

type result struct{ hits, runs int }

func (r result) share() float64 { return float64(r.hits) / float64(r.runs) }

func (r result) held(l line) bool {
	if l.atLeast {
		return r.share() >= l.limit
	}
	return r.share() <= l.limit
}

func standardError(p float64, runs int) float64 { return math.Sqrt(p * (1 - p) / float64(runs)) }

// measure runs the experiments, each with random numbers of its own, so that the answer does not depend on processors.
func (l line) measure(ctx context.Context, runs int, seed uint64) (result, error) {
	runs *= max(1, l.times)
	var hits atomic.Int64
	estimates, intervals := make([]float64, runs), make([]*width.Interval, runs)
	side, ctx := errgroup.WithContext(ctx)
	side.SetLimit(runtime.GOMAXPROCS(0))
	for run := range runs {
		side.Go(func() (err error) {
			rng := rand.New(rand.NewPCG(seed, uint64(run)+1))
			if l.interval != nil {
				estimates[run], intervals[run], err = l.interval(ctx, rng)
				return err
			}
			hit, err := l.hit(ctx, rng)
			if hit {
				hits.Add(1)
			}
			return err
		})
	}
	if err := side.Wait(); err != nil {
		return result{}, err
	}
	if l.interval == nil {
		return result{int(hits.Load()), runs}, nil
	}
	// The expected width of m cells has no bias in the number of cells, so the mean of the estimates is the truth but for 1 part in √runs of
	// their spread.
	truth := 0.0
	for _, e := range estimates {
		truth += e / float64(runs)
	}
	covered := 0
	for _, in := range intervals {
		if in != nil && in.Low <= truth && truth <= in.High {
			covered++
		}
	}
	return result{covered, runs}, nil
}

// laboratory is how experiments are drawn. Each order of a session has two pots of its own, whose accidents all its pieces share, as
// a shift and as a strength; a session has a shift that both orders share; a piece has noise of its own.
type laboratory struct {
	sessions, recipes   int
	session, pot, piece float64 // standard deviations of shifts in each axis
	strength            float64 // standard deviation of the logarithm of a pot's strength
	shift               [3]float64
	ratio               float64 // spread of the first order over that of the second, noise included, with strength 0; 0 means 1
}

type vector = [3]float64

func normal(rng *rand.Rand, sd float64) vector {
	return vector{sd * rng.NormFloat64(), sd * rng.NormFloat64(), sd * rng.NormFloat64()}
}

// centre is where the recipes lie about, wool is their undyed fibre.
var centre, wool = vector{55, 5, 25}, vector{88, 0, 12}

// draw gives the colours by session, order and recipe. Recipes are drawn for the experiment and dyed in each session.
func (l laboratory) draw(rng *rand.Rand) [][2][]vector {
	recipes := make([]vector, l.recipes)
	var mean vector
	for r := range recipes {
		recipes[r] = vector{centre[0] + 12*rng.NormFloat64(), centre[1] + 15*rng.NormFloat64(), centre[2] + 15*rng.NormFloat64()}
		for i := range 3 {
			mean[i] += recipes[r][i] / float64(l.recipes)
		}
	}
	// The recipes' mean is where the tolerance is measured.
	for r := range recipes {
		for i := range 3 {
			recipes[r][i] += centre[i] - mean[i]
		}
	}
	// The noise dilutes the ratio of the recipes' own spreads, which is therefore taken larger.
	spread := 0.0
	for _, x := range recipes {
		for i := range 3 {
			spread += (x[i] - centre[i]) * (x[i] - centre[i]) / float64(l.recipes)
		}
	}
	noise := 3 * (l.session*l.session + 2*l.pot*l.pot + l.piece*l.piece)
	stretch := math.Sqrt((l.ratio*l.ratio*(spread+noise) - noise) / spread)
	out := make([][2][]vector, l.sessions)
	for s := range out {
		common := normal(rng, l.session)
		for o := range 2 {
			first, second := normal(rng, l.pot), normal(rng, l.pot)
			strength := math.Exp(l.strength * (rng.NormFloat64() + rng.NormFloat64()) / math.Sqrt2)
			for _, x := range recipes {
				piece := normal(rng, l.piece)
				for i := range 3 {
					if o == 0 && l.ratio > 0 {
						x[i] = centre[i] + stretch*(x[i]-centre[i])
					}
					x[i] = wool[i] + strength*(x[i]-wool[i])
					x[i] += common[i] + first[i] + second[i] + piece[i]
					if o == 0 {
						x[i] += l.shift[i]
					}
				}
				out[s][o] = append(out[s][o], x)
			}
		}
	}
	return out
}

// lab keeps to the range of colours; what is drawn lies far inside it.
func lab(x vector) colorimetry.Lab {
	return colorimetry.Lab{L: min(100, max(0, x[0])), A: min(120, max(-120, x[1])), B: min(120, max(-120, x[2]))}
}

func (l laboratory) wider(ctx context.Context, rng *rand.Rand) (*orders.Result, error) {
	var rows []orders.Row
	for s, of := range l.draw(rng) {
		for o := range 2 {
			for r, x := range of[o] {
				rows = append(rows, orders.Row{ReadingID: fmt.Sprintf("%d-%d-%d", s, o, r), Group: []string{"first", "second"}[o], Block: fmt.Sprint(s), Pair: "pair",
					Cell: fmt.Sprint(r), Lab: lab(x)})
			}
		}
	}
	return orders.Compare(ctx, rows, orders.Params{First: "first", Second: "second", ClosingBlocks: l.sessions})
}

func (l laboratory) effect(ctx context.Context, rng *rand.Rand) (*effect.Result, error) {
	var rows []effect.Row
	for s, of := range l.draw(rng) {
		for o := range 2 {
			for r, x := range of[o] {
				rows = append(rows, effect.Row{ReadingID: fmt.Sprintf("%d-%d-%d", s, o, r), Arm: effect.Arm(o + 1), Block: fmt.Sprint(s), Cell: fmt.Sprint(r), Lab: lab(x)})
			}
		}
	}
	return effect.Measure(ctx, rows, effect.Params{ClosingBlocks: l.sessions, Permutations: 499, NoOutlook: true})
}

func (l laboratory) says(verdicts ...effect.Verdict) func(context.Context, *rand.Rand) (bool, error) {
	return func(ctx context.Context, rng *rand.Rand) (bool, error) {
		r, err := l.effect(ctx, rng)
		if err != nil {
			return false, err
		}
		return slices.Contains(verdicts, r.Verdict), nil
	}
}

// atTolerance is the shift in one direction, seen from the middle of the recipes, that is exactly the default tolerance.
func atTolerance(direction vector) vector { return shiftAt(centre, direction) }

// shiftAt is that shift as seen from another colour.
func shiftAt(from, direction vector) vector {
	by := outlook.Stretch(effect.DefaultToleranceDE, func(k float64) float64 {
		x := vector{from[0] + k*direction[0], from[1] + k*direction[1], from[2] + k*direction[2]}
		return colorimetry.CIEDE2000(lab(from), lab(x), colorimetry.DefaultFactors)
	})
	return vector{by * direction[0], by * direction[1], by * direction[2]}
}

// covers measures a palette of sessions with recipes of their own, that share a pot, at m cells.
func covers(sessions, recipes, m int, pot, spread float64, of func(*width.Rarefied) *width.Expected) func(context.Context, *rand.Rand) (float64, *width.Interval, error) {
	return func(ctx context.Context, rng *rand.Rand) (float64, *width.Interval, error) {
		var rows []width.Row
		for s := range sessions {
			shared := normal(rng, pot)
			for r := range recipes {
				x := vector{centre[0] + shared[0] + spread*rng.NormFloat64(), centre[1] + shared[1] + spread*rng.NormFloat64(), centre[2] + shared[2] + spread*rng.NormFloat64()}
				rows = append(rows, width.Row{ReadingID: fmt.Sprintf("%d-%d", s, r), Group: "g", Block: fmt.Sprint(s), Cell: fmt.Sprint(r), Lab: lab(x)})
			}
		}
		a, err := width.Measure(ctx, rows, width.Params{M: m, Interval: true, Draws: 600, Seed: 1})
		if err != nil {
			return 0, nil, err
		}
		e := of(a.Strata[0].Groups[0].Rarefied)
		return e.Mean, e.Interval, nil
	}
}

// The limits: how often a verdict may be false, how often an interval has to hold, and how often what is there has to be found.
const falsely, coverage, found = 0.065, 0.88, 0.8

// lines are all whose question and situation, as in "falsely order matters, 6 sessions of 1, no effect", contain a text.
func lines(only string) []line {
	all := slices.Concat(widthLines(), effectLines(), toleranceLines(), coverageLines(), besideLines(falsely), waterLines(), groupLines(),
		hardWidthLines(), hardEffectLines(), hardCoverageLines(), hardWaterLines(), hardGroupLines(), blankLines(), foundLines())
	return slices.DeleteFunc(all, func(l line) bool { return !strings.Contains(l.question+", "+l.situation, only) })
}

// usual is a laboratory of so many sessions, each with so many recipes.
func usual(sessions, recipes int) laboratory {
	return laboratory{session: 2, pot: 1.5, piece: 0.7, strength: usualStrength, sessions: sessions, recipes: recipes}
}

const usualStrength = 0.05

func (l laboratory) size() string { return fmt.Sprintf("%d sessions of %d", l.sessions, l.recipes) }

// widthLines are about which order is wider.
func widthLines() (out []line) {
	uneven := usual(6, 3)
	uneven.strength = 0.3 // so that the spreads differ by more than the margin in most runs
	for _, l := range []laboratory{usual(6, 3), usual(6, 6), usual(9, 4), uneven} {
		l.shift = vector{4, -3, 2} // orders may differ in place
		what := l.size()
		if l.strength != usualStrength {
			what += ", uneven pots"
		}
		out = append(out, line{question: "falsely one order wider", situation: what + ", no difference in width", limit: falsely, hit: func(ctx context.Context, rng *rand.Rand) (bool, error) {
			r, err := l.wider(ctx, rng)
			return err == nil && (r.Verdict == orders.FirstWider || r.Verdict == orders.SecondWider), err
		}})
	}
	for _, l := range []laboratory{usual(6, 4), usual(10, 4)} {
		l.ratio, l.strength = orders.DefaultMarginRatio, 0
		out = append(out, line{question: "falsely equally wide", situation: l.size() + ", a ratio of 1.10", limit: falsely, hit: func(ctx context.Context, rng *rand.Rand) (bool, error) {
			r, err := l.wider(ctx, rng)
			return err == nil && r.Verdict == orders.EquallyWide, err
		}})
	}
	return out
}

// effectLines are about an order effect where there is none, or the same in all cells.
func effectLines() (out []line) {
	noisy := usual(6, 4)
	noisy.pot = 3
	for _, l := range []laboratory{usual(6, 1), usual(6, 4), noisy, usual(10, 4)} {
		what := l.size()
		if l.pot == noisy.pot {
			what += ", noisy pots"
		}
		out = append(out, line{question: "falsely order matters", situation: what + ", no effect", limit: falsely, hit: l.says(effect.OrderMatters)})
		if l.recipes > 1 {
			out = append(out, line{question: "falsely depends on the cell", situation: what + ", no effect", limit: falsely, hit: l.says(effect.DependsOnCell)})
		}
	}
	one := usual(8, 4)
	one.shift, one.piece = vector{0, 8, 0}, 1.5
	return append(out, line{question: "falsely depends on the cell", situation: one.size() + ", the same large effect in all", limit: falsely, hit: one.says(effect.DependsOnCell)})
}

// toleranceLines are about an effect that is exactly as large as the tolerance.
func toleranceLines() (out []line) {
	add := func(l laboratory, what string) {
		out = append(out, line{question: "falsely no practical difference", situation: l.size() + what, limit: falsely, hit: l.says(effect.NoPracticalDifference, effect.DetectableButSmall)})
	}
	for _, direction := range []vector{{1, 0, 0}, {0, 1, 0}, {0, 0.6, -0.8}} {
		for _, pot := range []float64{0.4, 1, 2} {
			l := usual(8, 3)
			l.pot, l.piece, l.strength, l.shift = pot, 0.5, 0, atTolerance(direction)
			add(l, fmt.Sprintf(", pots ±%g, 2 apart along %v", pot, direction))
		}
	}
	for _, n := range []int{6, 16} {
		l := usual(n, 3)
		l.pot, l.piece, l.strength, l.shift = 1, 0.5, 0, atTolerance(vector{0.6, 0.8, 0})
		add(l, ", pots ±1, 2 apart")
	}
	return out
}

// coverageLines are about the intervals of palettes.
func coverageLines() (out []line) {
	shades := func(r *width.Rarefied) *width.Expected { return &r.Shades }
	volume := func(r *width.Rarefied) *width.Expected { return r.Volume }
	dispersion := func(r *width.Rarefied) *width.Expected { return &r.Dispersion }
	for _, c := range []struct {
		what   string
		spread float64
		of     func(*width.Rarefied) *width.Expected
	}{{"shades", 15, shades}, {"shades, of a narrow palette,", 5, shades}, {"hull volume", 15, volume}, {"dispersion", 15, dispersion}} {
		for _, n := range [][3]int{{8, 1, 6}, {12, 1, 6}, {6, 2, 6}, {20, 1, 8}} {
			out = append(out, line{question: "coverage of a 95 % interval", situation: fmt.Sprintf("%s of %d cells, %d sessions of %d", c.what, n[2], n[0], n[1]), limit: coverage, atLeast: true,
				interval: covers(n[0], n[1], n[2], 2, c.spread, c.of)})
		}
	}
	return out
}

// waterLines are about two waters that give one colour.
func waterLines() (out []line) {
	for _, together := range []bool{true, false} {
		what := "7 sessions with both waters"
		if !together {
			what = "12 sessions of one water, members differ"
		}
		out = append(out, line{question: "falsely waters differ", situation: what, limit: falsely, hit: func(ctx context.Context, rng *rand.Rand) (bool, error) {
			r, err := waters.Compare(ctx, waterRows(rng, together), waters.Params{Closing: true, Permutations: 499, NoOutlook: true})
			return err == nil && r.Verdict == waters.WatersDiffer, err
		}})
	}
	return out
}

// groupLines are about three groups that are alike.
func groupLines() (out []line) {
	const question = "falsely three groups differ"
	for _, of := range []struct {
		what string
		test func(*groups.Result) *groups.Test
	}{{"place", func(r *groups.Result) *groups.Test { return r.Place }}, {"spread", func(r *groups.Result) *groups.Test { return r.Spread }}} {
		out = append(out, line{question: question, situation: "in " + of.what + ", 6 sessions, 2 cells of each", limit: falsely, times: 5, hit: func(ctx context.Context, rng *rand.Rand) (bool, error) {
			r, err := groups.Compare(ctx, looseCells(rng), 499, rng.Uint64())
			if err != nil {
				return false, err
			}
			return of.test(r).P <= 0.05, nil
		}}, line{question: question, situation: "in " + of.what + ", by whole units, 6 sessions, 4 recipes in a pot of each", limit: falsely, hit: func(ctx context.Context, rng *rand.Rand) (bool, error) {
			r, err := groups.CompareUnits(ctx, unitCells(rng, 6, 0, 0, 0), groups.UnitParams{Permutations: 499, Seed: rng.Uint64(), NoOutlook: true})
			if err != nil {
				return false, err
			}
			return of.test(&r.Result).P <= 0.05, nil
		}})
	}
	return out
}

// looseCells are two cells of each of three groups in six sessions, each in a pot of its own.
func looseCells(rng *rand.Rand) (cells []groups.Cell) {
	for b := range 6 {
		shared := normal(rng, 4)
		for k := range 6 {
			x := normal(rng, 3)
			cells = append(cells, groups.Cell{Group: fmt.Sprint(k % 3), Block: fmt.Sprint(b), Lab: lab(vector{55 + shared[0] + x[0], shared[1] + x[1], shared[2] + x[2]})})
		}
	}
	return cells
}

// waterRows is work in two waters without an effect. Each pot holds six recipes; members differ by 1.5 in each axis.
func waterRows(rng *rand.Rand, together bool) []waters.Row {
	var rows []waters.Row
	bias := []vector{normal(rng, 1.5), normal(rng, 1.5), normal(rng, 1.5)}
	pot := func(session, member int, water string) {
		shared := normal(rng, 1.5)
		for r := range 6 {
			piece := normal(rng, 0.7)
			x := vector{40 + 5*float64(r), 4 * float64(r), 20}
			for i := range 3 {
				x[i] += bias[member][i] + shared[i] + piece[i]
			}
			rows = append(rows, waters.Row{ReadingID: fmt.Sprintf("%d-%s-%d", session, water, r), Water: water, Block: fmt.Sprint(session), Member: fmt.Sprint(member),
				Recipe: fmt.Sprint(r), Lab: lab(x)})
		}
	}
	if together {
		for s := range 7 {
			pot(s, s%3, "tap")
			pot(s, s%3, "well")
		}
		return rows
	}
	for s := range 12 {
		pot(s, s/2%3, []string{"tap", "well"}[s%2])
	}
	return rows
}
