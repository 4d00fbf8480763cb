package runs_test

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/palette"       //nolint:depguard // the yardstick of a benchmark
	"github.com/commonvat/commonvat/plugins/palette/width" //nolint:depguard // likewise
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	"github.com/commonvat/commonvat/plugins/sdk/score"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
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
			ReadingID: uuid.MustParse(fmt.Sprintf("%08x-0000-7000-8000-000000000000", i)), Group: uint32(i / 100 % 10), Stratum: uint32(i / 1000), Cell: uint32(i / 2),
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

// widths are the scores of the palette module itself, which runs mostly ask for.
func widths(ctx context.Context, g score.Group) (sum float64, err error) {
	colours := g.Colours()
	shades, err := width.DistinctShades(ctx, colours, width.DefaultThresholdDE, width.DefaultSearchNodes)
	if err != nil {
		return 0, err
	}
	hull, err := width.Hull(colours)
	if err != nil {
		return 0, err
	}
	spread, _ := width.Dispersion(colours)
	return float64(shades.Lower) + hull.Volume + spread, nil
}

func benchMethod(name string, of func(context.Context, score.Group) (float64, error)) score.Method {
	return score.Method{Name: "bench-" + name, Version: "1.0.0", Author: "test", Summary: "Of a benchmark.", Scores: []score.Score{
		{Name: "value", Unit: "1", Summary: "A value.", LeastCells: 2, Of: of},
	}}
}

// own is the module's own time on the same rows in one process, read strictly: it begins with rows in memory and ends with figures, so that to read them off the
// wire, to check them and to answer are not the module's own but the run's. Rows are put into groups and cells, as any module must do, in the
// quickest of four plain ways that were tried, and its function is called.
func own(c *frozen.Columns, of func(context.Context, score.Group) (float64, error)) (sum float64) {
	type mean struct {
		pipeline.Unit
		lab colorimetry.Lab
		n   float64
	}
	cells := make([]mean, 0, len(c.Labels.Cells))
	at := make(map[pipeline.Unit]int, len(c.Labels.Cells))
	last := -1
	for i := range c.Rows {
		r := &c.Rows[i]
		u := pipeline.Unit{Group: r.Group, Block: r.Block, Stratum: r.Stratum, Cell: r.Cell}
		if last < 0 || cells[last].Unit != u { // replicates often come together
			known := false
			if last, known = at[u]; !known {
				last = len(cells)
				at[u] = last
				cells = append(cells, mean{Unit: u})
			}
		}
		m := &cells[last]
		m.lab.L, m.lab.A, m.lab.B, m.n = m.lab.L+r.Lab.L, m.lab.A+r.Lab.A, m.lab.B+r.Lab.B, m.n+1
	}
	slices.SortStableFunc(cells, func(a, b mean) int {
		if d := cmp.Or(cmp.Compare(a.Stratum, b.Stratum), cmp.Compare(a.Group, b.Group)); d != 0 {
			return d
		}
		return cmp.Or(cmp.Compare(c.Labels.Blocks[a.Block], c.Labels.Blocks[b.Block]), cmp.Compare(c.Labels.Cells[a.Cell], c.Labels.Cells[b.Cell]))
	})
	for len(cells) > 0 {
		g := score.Group{Name: c.Labels.Groups[cells[0].Group], Stratum: c.Labels.Strata[cells[0].Stratum]}
		n := 0
		for ; n < len(cells) && cells[n].Stratum == cells[0].Stratum && cells[n].Group == cells[0].Group; n++ {
			m := &cells[n]
			g.Cells = append(g.Cells, score.Cell{Name: c.Labels.Cells[m.Cell], Readings: int(m.n), Lab: colorimetry.Lab{L: m.lab.L / m.n, A: m.lab.A / m.n, B: m.lab.B / m.n}})
		}
		value, _ := of(context.Background(), g)
		sum += value
		cells = cells[n:]
	}
	return sum
}

// overMeter tells when a run is over: asking again and again would take time of what is measured.
type overMeter chan struct{}

func (m overMeter) RunEnded(string) { m <- struct{}{} }
func (overMeter) RowsScored(int)    {}

// processorTime is what this process and a module's have had of the processors.
func processorTime(b *testing.B, module int) time.Duration {
	var own syscall.Rusage
	require.NoError(b, syscall.Getrusage(syscall.RUSAGE_SELF, &own))
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", module))
	require.NoError(b, err)
	fields := strings.Fields(string(text[bytes.LastIndexByte(text, ')')+1:]))
	total := time.Duration(own.Utime.Nano() + own.Stime.Nano())
	for _, field := range fields[11:13] { // utime and stime in hundredths of a second, proc(5)
		ticks, err := strconv.Atoi(field)
		require.NoError(b, err)
		total += time.Duration(ticks) * 10 * time.Millisecond
	}
	return total
}

// BenchmarkRescoring holds a run against the module's own time on the same rows in one process, by turns. scoring is from the first question to the last score
// that is kept; whole is with the columns' freezing, which is no part of scoring: it is done once for all modules of a run. processor is of both processes
// together, which says more than the clock where the machine has other work; on an idle one scoring is less, since core and module work side by side.
func BenchmarkRescoring(b *testing.B) {
	described := func(name string, of func(context.Context, score.Group) (float64, error)) *describev1.DescribeResponse {
		m := benchMethod(name, of)
		return m.Describe()
	}
	for _, method := range []struct {
		name      string
		of        func(context.Context, score.Group) (float64, error)
		described *describev1.DescribeResponse
	}{
		{"pairs", meanDifference, described("pairs", meanDifference)}, {"cells", meanChroma, described("cells", meanChroma)}, {"width", widths, palette.Describe()},
	} { // the module is a process of its own
		b.Run(method.name, func(b *testing.B) {
			l := begin(b)
			l.stop()
			over := make(overMeter, 1)
			l.config.PartRows, l.config.Meter = 0, over
			l.start()
			c := largeColumns(benchReadings(b), l.trials)
			l.cupboard.freeze.Columns = c
			var first atomic.Int64
			m := l.shelf.start(b, "bench-"+method.name, method.described)
			var worked time.Duration
			m.before = func(context.Context, int) {
				if first.CompareAndSwap(0, time.Now().UnixNano()) {
					worked = processorTime(b, m.process.PID())
				}
			}
			var alone, scoring, whole, aloneWorked, scoringWorked time.Duration
			var began time.Time
			for b.Loop() {
				worked, began = processorTime(b, m.process.PID()), time.Now()
				want := own(c, method.of)
				alone += time.Since(began)
				aloneWorked += processorTime(b, m.process.PID()) - worked
				first.Store(0)
				began = time.Now()
				run, err := l.Create(b.Context(), rosa, request("bench-"+method.name))
				require.NoError(b, err)
				<-over
				whole += time.Since(began)
				scoring += time.Duration(time.Now().UnixNano() - first.Load())
				scoringWorked += processorTime(b, m.process.PID()) - worked
				done := l.until(run.GetId(), done)
				require.EqualValues(b, len(c.Rows), done.GetResults()[0].GetRowsDone())
				require.NotZero(b, want)
				b.StopTimer()
				require.NoError(b, l.Delete(b.Context(), rosa, run.GetId(), ""))
				b.StartTimer()
			}
			b.ReportMetric(float64(scoring)/float64(alone), "scoring/own")
			b.ReportMetric(float64(whole)/float64(alone), "whole/own")
			b.ReportMetric(float64(scoringWorked)/float64(aloneWorked), "processor/own")
			b.ReportMetric(aloneWorked.Seconds()/float64(b.N), "own-cpu-s/op")
			b.ReportMetric(scoringWorked.Seconds()/float64(b.N), "scoring-cpu-s/op")
			b.ReportMetric(alone.Seconds()/float64(b.N), "own-s/op")
			b.ReportMetric(scoring.Seconds()/float64(b.N), "scoring-s/op")
			b.ReportMetric(whole.Seconds()/float64(b.N), "whole-s/op")
		})
	}
}
