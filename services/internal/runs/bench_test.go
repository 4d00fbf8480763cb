package runs_test

import (
	"cmp"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	"github.com/commonvat/commonvat/plugins/sdk/score"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/runs/frozen"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// benchReadings is how many readings are scored: 100,000, or as many as COMMONVAT_SCALE_READINGS says.
func benchReadings(b *testing.B) int {
	if text := os.Getenv("COMMONVAT_SCALE_READINGS"); text != "" {
		n, err := strconv.Atoi(text)
		require.NoError(b, err)
		return n
	}
	return 100_000
}

// largeColumns is n rows in groups of 100, two readings a cell, ten groups a stratum.
func largeColumns(n int, trials []trial.ID) *frozen.Columns {
	random := rand.New(rand.NewPCG(1, 2))
	c := &frozen.Columns{Condition: pool.DefaultCondition, Trials: trials, Labels: pipeline.Labels{Blocks: []string{""}}}
	for g := range 10 {
		c.Labels.Groups = append(c.Labels.Groups, fmt.Sprintf("group %d", g))
	}
	for s := range (n + 999) / 1000 {
		c.Labels.Strata = append(c.Labels.Strata, fmt.Sprintf("yarn %06d", s))
		c.Shown = append(c.Shown, c.Labels.Strata[s])
	}
	for i := range (n + 1) / 2 {
		c.Labels.Cells = append(c.Labels.Cells, fmt.Sprintf("cell %d", i+1))
	}
	for i := range n {
		c.Rows = append(c.Rows, pipeline.Row{
			ReadingID: fmt.Sprintf("%08x-0000-7000-8000-000000000000", i), Group: uint32(i / 100 % 10), Stratum: uint32(i / 1000), Cell: uint32(i / 2),
			Lab: trial.Lab{L: 20 + 60*random.Float64(), A: 80*random.Float64() - 40, B: 80*random.Float64() - 40},
		})
		c.TrialOf = append(c.TrialOf, uint32(i%len(trials)))
	}
	return c
}

// meanDifference is the mean CIEDE2000 of all pairs of cells, as a method that looks at pairs does.
func meanDifference(_ context.Context, g score.Group) (float64, error) {
	colours, sum, n := g.Colours(), 0.0, 0.0
	for i := range colours {
		for k := range i {
			sum += colorimetry.CIEDE2000(colours[i], colours[k], colorimetry.DefaultFactors)
			n++
		}
	}
	return sum / n, nil
}

// meanChroma looks at each cell once.
func meanChroma(_ context.Context, g score.Group) (float64, error) {
	sum := 0.0
	for _, c := range g.Cells {
		sum += c.Lab.A*c.Lab.A + c.Lab.B*c.Lab.B
	}
	return sum / float64(len(g.Cells)), nil
}

func benchMethod(name string, of func(context.Context, score.Group) (float64, error)) score.Method {
	return score.Method{Name: "bench-" + name, Version: "1.0.0", Author: "test", Summary: "Of a benchmark.", Scores: []score.Score{
		{Name: "value", Unit: "1", Summary: "A value.", LeastCells: 2, Of: of},
	}}
}

// own is the module's own time on the same rows in one process: they are put into groups and cells, and its function is called.
func own(c *frozen.Columns, of func(context.Context, score.Group) (float64, error)) (sum float64) {
	type key struct{ stratum, group, block, cell uint32 }
	type mean struct {
		key
		lab colorimetry.Lab
		n   float64
	}
	cells := map[key]*mean{}
	var order []*mean
	for i := range c.Rows {
		r := &c.Rows[i]
		k := key{r.Stratum, r.Group, r.Block, r.Cell}
		m := cells[k]
		if m == nil {
			m = &mean{key: k}
			cells[k] = m
			order = append(order, m)
		}
		m.lab.L, m.lab.A, m.lab.B, m.n = m.lab.L+r.Lab.L, m.lab.A+r.Lab.A, m.lab.B+r.Lab.B, m.n+1
	}
	slices.SortStableFunc(order, func(a, b *mean) int {
		return cmp.Or(cmp.Compare(a.stratum, b.stratum), cmp.Compare(a.group, b.group), cmp.Compare(c.Labels.Blocks[a.block], c.Labels.Blocks[b.block]), cmp.Compare(c.Labels.Cells[a.cell], c.Labels.Cells[b.cell]))
	})
	for len(order) > 0 {
		g := score.Group{}
		n := 0
		for ; n < len(order) && order[n].stratum == order[0].stratum && order[n].group == order[0].group; n++ {
			m := order[n]
			g.Cells = append(g.Cells, score.Cell{Name: c.Labels.Cells[m.cell], Readings: int(m.n), Lab: colorimetry.Lab{L: m.lab.L / m.n, A: m.lab.A / m.n, B: m.lab.B / m.n}})
		}
		value, _ := of(context.Background(), g)
		sum += value
		order = order[n:]
	}
	return sum
}

// BenchmarkRescoring holds a run against the module's own time on the same rows in one process, by turns. scoring is from the first question to the last score
// that is kept; whole is with the columns' freezing.
func BenchmarkRescoring(b *testing.B) {
	for _, method := range []struct {
		name string
		of   func(context.Context, score.Group) (float64, error)
	}{{"pairs", meanDifference}, {"cells", meanChroma}} { // the module is a process of its own
		b.Run(method.name, func(b *testing.B) {
			l := begin(b)
			l.stop()
			l.config.PartRows = 0
			l.start()
			c := largeColumns(benchReadings(b), l.trials)
			l.cupboard.freeze.Columns = c
			var first atomic.Int64
			m := l.shelf.start(b, benchMethod(method.name, method.of))
			m.before = func(context.Context, int) { first.CompareAndSwap(0, time.Now().UnixNano()) }
			var alone, scoring, whole time.Duration
			for b.Loop() {
				began := time.Now()
				want := own(c, method.of)
				alone += time.Since(began)
				first.Store(0)
				began = time.Now()
				run, err := l.Create(b.Context(), rosa, request("bench-"+method.name))
				require.NoError(b, err)
				done := l.until(run.GetId(), done)
				whole += time.Since(began)
				scoring += time.Duration(time.Now().UnixNano() - first.Load())
				require.EqualValues(b, len(c.Rows), done.GetResults()[0].GetRowsDone())
				require.NotZero(b, want)
				b.StopTimer()
				require.NoError(b, l.Delete(b.Context(), rosa, run.GetId(), ""))
				b.StartTimer()
			}
			b.ReportMetric(float64(scoring)/float64(alone), "scoring/own")
			b.ReportMetric(float64(whole)/float64(alone), "whole/own")
			b.ReportMetric(alone.Seconds()/float64(b.N), "own-s/op")
			b.ReportMetric(scoring.Seconds()/float64(b.N), "scoring-s/op")
			b.ReportMetric(whole.Seconds()/float64(b.N), "whole-s/op")
		})
	}
}
