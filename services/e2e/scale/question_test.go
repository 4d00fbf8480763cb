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
	"google.golang.org/protobuf/proto"

	poolpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typespb "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pool"
)

// BenchmarkLargeQuestion asks a core with 10,000, 100,000 and, with COMMONVAT_SCALE_READINGS=1000000, a million readings how wide palettes are by mordant: of everything
// there is and of a fifth, in four groups, and of everything there is in another record in 200, there under A/10 too. Each is asked twice, since a question is asked first when all that
// it shares with others is made for it: in the least record the colours too, which in others were computed when the pool was loaded; that time is told apart. It must be answered, or refused in words, and leave the core and the modules at work. The last lines have the exponents of the time of the core, and of core and modules together,
// fitted from the least to the most readings; n log n has 1.12 from 1e4 to 1e5 and 1.09 to 1e6. -bench 'LargeQuestion/.*/200_groups$' measures one question with its exponents. Times are of
// the processors, and memory the most that a process held; the core's is that of its start too. The limits that core and module were built to, 3 s and 400 MiB,
// stand beside the figures and are not asserted.
func BenchmarkLargeQuestion(b *testing.B) {
	sizes := []int{small, defaultLarge}
	if n := large(b); n > defaultLarge {
		sizes = append(sizes, n)
	}
	core, all := map[string][][2]float64{}, map[string][][2]float64{}
	underA := &typespb.ColourCondition{Illuminant: typespb.Illuminant_ILLUMINANT_A, Observer: typespb.Observer_OBSERVER_CIE_1964_10_DEGREE}
	questions := []struct {
		name, filter string
		condition    *typespb.ColourCondition
	}{{"all", "", nil}, {"a fifth", `fibre = "wool"`, nil}, {"200 groups", "", nil}, {"200 groups under A", "", underA}}
	for _, n := range sizes {
		for _, q := range questions {
			b.Run(fmt.Sprintf("%d/%s", n, q.name), func(b *testing.B) {
				for b.Loop() {
					data, token := record(b, n)
					if strings.HasPrefix(q.name, "200 groups") {
						data, token = recordOf(b, fmt.Sprintf("%d-%d", n, len(manyMordants)), n, manyMordants)
					}
					for i, t := range askTwice(b, data, token, q.filter, q.condition, n) {
						name := q.name + ", " + asked[i]
						core[name] = append(core[name], [2]float64{math.Log(float64(n)), math.Log(t.core)})
						all[name] = append(all[name], [2]float64{math.Log(float64(n)), math.Log(t.core + t.modules)})
					}
				}
				b.ReportMetric(0, "ns/op")
			})
		}
	}
	for _, q := range questions {
		for _, when := range asked {
			name := q.name + ", " + when
			if len(core[name]) < 2 { // not all were asked
				continue
			}
			b.Run("exponent/"+name, func(b *testing.B) {
				b.ReportMetric(slope(core[name]), "core(n-log-n-1.09)")
				b.ReportMetric(slope(all[name]), "core-and-modules(n-log-n-1.09)")
				b.ReportMetric(0, "ns/op")
			})
		}
	}
}

var asked = [2]string{"first", "again"}

// seconds that processors took.
type seconds struct{ core, modules float64 }

// askTwice asks a core that was started for it.
func askTwice(b *testing.B, data, token, filter string, condition *typespb.ColourCondition, n int) (took [2]seconds) {
	b.Helper()
	c := startOn(b, data, token)
	c.load()
	begun, busy := time.Now(), c.busy()
	if pieces := c.pieces(); pieces >= pool.DefaultBeforehandFrom {
		c.logged("colours computed beforehand")
	}
	b.ReportMetric(time.Since(begun).Seconds(), "s-beforehand")
	b.ReportMetric(c.busy()-busy, "s-core-beforehand")
	b.ReportMetric(c.memory("VmHWM"), "MiB-core-before")
	for i, name := range asked {
		begun, busy := time.Now(), c.busy()
		before := map[int]float64{}
		for _, pid := range c.modules() {
			before[pid] = processorTime(b, pid)
		}
		times := 1.0 // a hundredth of a second is the clock's step, and few readings take about as long
		if i > 0 {
			times = float64(max(1, 200_000/n))
		}
		answer, err := c.ask(filter, condition)
		for more := times - 1; more > 0; more-- {
			answer, err = c.ask(filter, condition)
		}
		took[i].core = max(c.busy()-busy, 0.01) / times
		b.ReportMetric(time.Since(begun).Seconds()/times, "s-"+name)
		b.ReportMetric(took[i].core, "s-core-"+name)
		if err != nil {
			b.Logf("refused: %v", err)
			require.Contains(b, []codes.Code{codes.InvalidArgument, codes.DeadlineExceeded, codes.ResourceExhausted}, status.Code(err), "%v", err)
		}
		after := c.modules()
		for module, pid := range after {
			kind := strings.Split(strings.TrimPrefix(module, "commonvat-module-"), "-")[0]
			own := (processorTime(b, pid) - before[pid]) / times
			took[i].modules += own
			b.ReportMetric(own, "s-"+kind+"-"+name)
			b.ReportMetric(mostMemory(b, pid), "MiB-"+kind)
			delete(before, pid)
		}
		require.Empty(b, before, "processes of modules that ended")
		b.ReportMetric(float64(answer.GetPiecesUsed()), "pieces")
		b.ReportMetric(float64(proto.Size(answer))/(1<<20), "MiB-answer")
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
	return took
}

// pieces are those in the pool.
func (c *core) pieces() int {
	c.b.Helper()
	state, err := poolpb.NewPoolServiceClient(c.conn).GetPoolStatus(c.ctx, &poolpb.GetPoolStatusRequest{})
	require.NoError(c.b, err)
	return int(state.GetRows())
}

// logged waits until the core has logged a text.
func (c *core) logged(text string) {
	c.b.Helper()
	for begun := time.Now(); ; time.Sleep(10 * time.Millisecond) {
		log, err := os.ReadFile(c.log)
		require.NoError(c.b, err)
		if strings.Contains(string(log), text) {
			return
		}
		require.Less(c.b, time.Since(begun), loadWithin, "the core logs %q", text)
	}
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
