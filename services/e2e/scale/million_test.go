package scale_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"

	"github.com/commonvat/commonvat/plugins/sdk/host"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// module is one running module in the place of a catalog.
type module struct {
	*grpc.ClientConn
	described *describev1.DescribeResponse
}

func (m *module) Acquire(string) (pipeline.Handle, error) { return m, nil }
func (m *module) Serving(string, string) []string         { return nil }
func (m *module) Identity() *typesv1.ModuleIdentity {
	return &typesv1.ModuleIdentity{Name: m.described.GetName(), Version: m.described.GetVersion(), Digest: "built from this tree", Kind: m.described.GetKind()}
}
func (m *module) Description() *describev1.DescribeResponse {
	return m.described
}
func (m *module) Release()     {}
func (m *module) Blame(string) {}

// sessionQuestion is a question of a large cooperative about so many readings of as many pieces: 200 groups over so many yarns, sessions of 25 pieces that
// hold five recipes of five groups each, with the noise of pots. Colours, sessions and recipes are invented, from a seed.
func sessionQuestion(readings, yarns int) pipeline.WidthsQuestion {
	const groups, recipes = 200, 40
	random := rand.New(rand.NewPCG(seed, 4))
	centre := make([]trial.Lab, groups*recipes)
	for i := range centre {
		centre[i] = trial.Lab{L: 25 + 60*random.Float64(), A: 70*random.Float64() - 35, B: 80*random.Float64() - 30}
	}
	q := pipeline.WidthsQuestion{
		Condition:     trial.ColourCondition{Illuminant: trial.IlluminantD65, Observer: trial.Observer10},
		ThresholdDE00: 5, Seed: 1,
	}
	list := func(n int, format string) (out []string) {
		for i := range n {
			out = append(out, fmt.Sprintf(format, i))
		}
		return out
	}
	rows := make(pipeline.RowList, 0, readings)
	q.Labels = pipeline.Labels{Groups: list(groups, "group %03d"), Strata: list(yarns, "yarn %d"), Cells: list(recipes, "recipe %02d"),
		Blocks: list((readings+24)/25, "0198c000-0000-7000-8000-%012d")}
	noise := func() float64 { return 1.5 * random.NormFloat64() }
	for session := range q.Labels.Blocks {
		first, yarn := 5*random.IntN(groups/5), random.IntN(yarns)
		for k := 0; k < 25 && len(rows) < readings; k++ {
			group, recipe := first+k%5, random.IntN(recipes)
			c := centre[group*recipes+recipe]
			rows = append(rows, pipeline.Row{
				ReadingID: uuid.MustParse(fmt.Sprintf("0198c000-0000-7000-9000-%012d", len(rows))), Group: uint32(group), Block: uint32(session), Stratum: uint32(yarn),
				Cell: uint32(recipe), Lab: trial.Lab{L: c.L + noise(), A: c.A + noise(), B: c.B + noise()},
			})
		}
	}
	q.Rows = rows
	return q
}

// processorTime is that of a process so far, and mostMemory the most that it held, in MiB.
func processorTime(b *testing.B, pid int) float64 {
	b.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	require.NoError(b, err)
	_, after, found := strings.Cut(string(text), ") ")
	require.True(b, found)
	ticks := 0.0
	for _, field := range strings.Fields(after)[11:13] {
		n, err := strconv.ParseFloat(field, 64)
		require.NoError(b, err)
		ticks += n
	}
	return ticks / 100
}

func mostMemory(b *testing.B, pid int) float64 {
	b.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	require.NoError(b, err)
	_, after, found := strings.Cut(string(text), "VmHWM:")
	require.True(b, found)
	kB, err := strconv.ParseFloat(strings.Fields(after)[0], 64)
	require.NoError(b, err)
	return kB / 1024
}

// BenchmarkWidths asks the palette module, a process of its own as the core starts it, through the core's pipeline: 200 groups over five yarns, no permutations.
// It takes 10,000 and 100,000 readings, with COMMONVAT_SCALE_READINGS=1000000 a million as well. The last line has the exponent of time fitted from
// the least to the most readings; n log n has 1.12 from 1e4 to 1e5 and 1.09 to 1e6. The limits that it was built to, on a million, are 3 s and 400 MiB; they stand beside the
// figures and are not asserted. The seconds of the processors count the module's and this process's together.
func BenchmarkWidths(b *testing.B) {
	sizes := []int{small, defaultLarge}
	if n := large(b); n > defaultLarge {
		sizes = append(sizes, n)
	}
	bin := build(b)
	var logs [][2]float64 // of readings and seconds of the processors
	for _, n := range sizes {
		b.Run(strconv.Itoa(n), func(b *testing.B) {
			q := sessionQuestion(n, 5)
			taken, busy, held := time.Duration(0), 0.0, 0.0
			for b.Loop() {
				response, elapsed, used, memory := askAlone(b, bin, q)
				require.NotEmpty(b, response.GetPairs())
				taken, busy, held = taken+elapsed, busy+used, max(held, memory)
			}
			runs := float64(b.N)
			b.ReportMetric(taken.Seconds()/runs, "s-question(limit-3)")
			b.ReportMetric(busy/runs, "s-processors")
			b.ReportMetric(held, "MiB-module(limit-400)")
			b.ReportMetric(0, "ns/op")
			logs = append(logs, [2]float64{math.Log(float64(n)), math.Log(busy / runs)})
		})
	}
	if len(logs) < 2 {
		return
	}
	b.Run("exponent", func(b *testing.B) {
		b.ReportMetric(slope(logs), "exponent(n-log-n-1.09)")
		b.ReportMetric(0, "ns/op")
	})
}

// askAlone asks a module that was started for it, so that the most memory is that of one question.
func askAlone(b *testing.B, bin string, q pipeline.WidthsQuestion) (response *palettev1.MeasureWidthsResponse, taken time.Duration, busy, held float64) {
	b.Helper()
	sockets, err := os.MkdirTemp("", "cv")
	require.NoError(b, err)
	defer func() { _ = os.RemoveAll(sockets) }()
	name := filepath.Base(modules[1])
	process, err := host.Start(b.Context(), host.Config{Path: filepath.Join(bin, "modules", name, name), SocketParent: sockets, StartTimeout: time.Minute})
	require.NoError(b, err)
	defer process.Stop(5 * time.Second)
	described, err := process.Describe(b.Context())
	require.NoError(b, err)
	self := func() float64 {
		var u syscall.Rusage
		require.NoError(b, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
		return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
	}
	before, begun := self(), time.Now()
	idle := processorTime(b, process.PID())
	response, _, err = pipeline.New(&module{process.Conn(), described}).MeasureWidths(b.Context(), q)
	taken = time.Since(begun)
	require.NoError(b, err)
	return response, taken, self() - before + processorTime(b, process.PID()) - idle, mostMemory(b, process.PID())
}

// slope is that of the least squares line.
func slope(points [][2]float64) float64 {
	n, x, y := float64(len(points)), 0.0, 0.0
	for _, p := range points {
		x, y = x+p[0]/n, y+p[1]/n
	}
	xy, xx := 0.0, 0.0
	for _, p := range points {
		xy, xx = xy+(p[0]-x)*(p[1]-y), xx+(p[0]-x)*(p[0]-x)
	}
	return xy / xx
}
