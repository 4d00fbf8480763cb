package scale_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// BenchmarkLargeQuestion asks a core with 10,000, 100,000 and, with COMMONVAT_SCALE_READINGS=1000000, a million readings how wide palettes are by mordant: of everything
// there is and of a fifth, in four groups, and of everything there is in another record in 200. Each is asked twice: when it is asked first, the colours are computed
// too. It must be answered, or refused in words, and leave the core at work. The last lines have the exponents of the core's own time, fitted from the least to
// the most readings; n log n has 1.12 from 1e4 to 1e5 and 1.09 to 1e6. Times are of the processors, and memory the most that a process held; the core's is
// that of its start too. The limits that core and module were built to, 3 s and 400 MiB, stand beside the figures and are not asserted.
func BenchmarkLargeQuestion(b *testing.B) {
	sizes := []int{small, defaultLarge}
	if n := large(b); n > defaultLarge {
		sizes = append(sizes, n)
	}
	growth := map[string][][2]float64{}
	for _, n := range sizes {
		few := func(b *testing.B) (data, token string) { return record(b, n) }
		many := func(b *testing.B) (data, token string) {
			return recordOf(b, fmt.Sprintf("%d-%d", n, len(manyMordants)), n, manyMordants)
		}
		for _, q := range []struct {
			name, filter, growth string
			record               func(b *testing.B) (data, token string)
		}{
			{"all", "", "", few},
			{"a fifth", `fibre = "wool"`, "none", few},
			{"200 groups", "", ", 200 groups", many},
		} {
			b.Run(fmt.Sprintf("%d/%s", n, q.name), func(b *testing.B) {
				for b.Loop() {
					data, token := q.record(b)
					first, again := askTwice(b, data, token, q.filter)
					growth["first"+q.growth] = append(growth["first"+q.growth], [2]float64{math.Log(float64(n)), math.Log(first)})
					growth["again"+q.growth] = append(growth["again"+q.growth], [2]float64{math.Log(float64(n)), math.Log(again)})
				}
				b.ReportMetric(0, "ns/op")
			})
		}
	}
	for _, name := range []string{"first", "again", "first, 200 groups", "again, 200 groups"} {
		if len(growth[name]) < 2 { // not all were asked
			continue
		}
		b.Run("exponent "+name, func(b *testing.B) {
			b.ReportMetric(slope(growth[name]), "exponent(n-log-n-1.09)")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// askTwice asks a core that was started for it, and gives the seconds that the core's processors took for each.
func askTwice(b *testing.B, data, token, filter string) (first, again float64) {
	b.Helper()
	c := startOn(b, data, token)
	c.load()
	b.ReportMetric(c.memory("VmHWM"), "MiB-core-before")
	var took [2]float64
	for i, name := range []string{"first", "again"} {
		begun, busy := time.Now(), c.busy()
		modules := c.modules()
		of := map[string]float64{}
		for module, pid := range modules {
			of[module] = processorTime(b, pid)
		}
		answer, err := c.ask(filter)
		// A hundredth is the clock's step.
		took[i] = max(c.busy()-busy, 0.01)
		b.ReportMetric(time.Since(begun).Seconds(), "s-"+name)
		b.ReportMetric(took[i], "s-core-"+name)
		if err != nil {
			b.Logf("refused: %v", err)
			require.Contains(b, []codes.Code{codes.InvalidArgument, codes.DeadlineExceeded, codes.ResourceExhausted}, status.Code(err), "%v", err)
		}
		for module, pid := range c.modules() {
			kind := strings.Split(strings.TrimPrefix(module, "commonvat-module-"), "-")[0]
			b.ReportMetric(processorTime(b, pid)-of[module], "s-"+kind+"-"+name)
			b.ReportMetric(mostMemory(b, pid), "MiB-"+kind)
		}
		b.ReportMetric(float64(answer.GetPiecesUsed()), "pieces")
		groups := map[string]bool{}
		for _, g := range answer.GetGroups() {
			groups[g.GetGroup()] = true
		}
		b.ReportMetric(float64(len(groups)), "groups")
	}
	b.ReportMetric(c.memory("VmHWM"), "MiB-core(limit-400)")
	_, err := c.page("", "")
	require.NoError(b, err, "the core goes on")
	c.stop()
	return took[0], took[1]
}

// modules are the processes of modules by their names.
func (c *core) modules() map[string]int {
	c.b.Helper()
	out := map[string]int{}
	lists, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/children", c.process.Process.Pid))
	require.NoError(c.b, err)
	for _, list := range lists {
		text, _ := os.ReadFile(list) // a thread may have ended
		for _, child := range strings.Fields(string(text)) {
			pid, err := strconv.Atoi(child)
			require.NoError(c.b, err)
			arguments, _ := os.ReadFile(fmt.Sprintf("/proc/%d/cmdline", pid))
			if _, name, found := strings.Cut(string(arguments), "commonvat-module-"); found {
				out["commonvat-module-"+strings.FieldsFunc(name, func(r rune) bool { return r == 0 || r == '/' })[0]] = pid
			}
		}
	}
	return out
}
