package linear

import (
	"fmt"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/anishathalye/porcupine"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/e2e/crash/process"
)

var core string // the built program

func TestMain(m *testing.M) { os.Exit(run(m)) }

func run(m *testing.M) int {
	folder, err := os.MkdirTemp("", "commonvat-linear")
	if err == nil {
		defer func() { _ = os.RemoveAll(folder) }()
		core, err = process.Build(folder)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return m.Run()
}

const checkWithin = 2 * time.Minute

func seed(t *testing.T) uint64 {
	t.Helper()
	text := os.Getenv("COMMONVAT_CRASH_SEED")
	if text == "" {
		text = strconv.FormatInt(time.Now().UnixNano(), 10)
	}
	n, err := strconv.ParseUint(text, 10, 64)
	require.NoError(t, err)
	t.Logf("COMMONVAT_CRASH_SEED=%d", n)
	return n
}

func newRunner(t *testing.T, target Target, records []string) *Runner {
	t.Helper()
	folder, err := os.MkdirTemp("", "cvl") // short, for sockets
	require.NoError(t, err)
	t.Cleanup(func() { _ = os.RemoveAll(folder) })
	lab, err := process.New(core, folder)
	require.NoError(t, err)
	t.Cleanup(lab.End)
	token, err := lab.Member("ash")
	require.NoError(t, err)
	return &Runner{Lab: lab, Token: token, Target: target, Records: records, Clients: 8, Kills: 6, Seed: seed(t)}
}

func newRecords() (records []string, trials Trials) {
	trials.Pieces = map[string]string{}
	for range 4 {
		id := newID()
		records, trials.Pieces[id] = append(records, id), newID()
	}
	return records, trials
}

// Everything that clients were answered, over kills and restarts, one record at a time could have answered.
func TestRecordsAreLinearizable(t *testing.T) {
	records, trials := newRecords()
	for _, target := range []Target{trials, Waters{}} {
		t.Run(fmt.Sprintf("%T", target), func(t *testing.T) {
			r := newRunner(t, target, records)
			history, err := r.Run(t.Context())
			require.NoError(t, err)
			counts := map[string]int{}
			for _, op := range history {
				counts[fmt.Sprint(op.Input.(Input).Kind, " ", op.Output.(Output).Result)]++
			}
			t.Logf("%d operations: %v", len(history), counts)
			require.LessOrEqual(t, len(history), mostOperations+r.Clients+len(records))
			for sort, least := range map[string]int{
				"add ok": 20, "update ok": 20, "update stale": 5, "delete ok": 2, "undelete ok": 2, "undelete not deleted": 2,
			} {
				assert.GreaterOrEqual(t, counts[sort], least, "%s: too few to tell anything", sort)
			}
			require.Equal(t, porcupine.Ok, check(t, history))
			assertBites(t, history)
		})
	}
}

func check(t *testing.T, history []porcupine.Operation) porcupine.CheckResult {
	t.Helper()
	begun := time.Now()
	result, info := porcupine.CheckOperationsVerbose(Model(), history, checkWithin)
	t.Logf("checked in %v: %v", time.Since(begun).Round(time.Millisecond), result)
	if path := os.Getenv("COMMONVAT_LINEAR_PICTURE"); path != "" && result == porcupine.Illegal {
		require.NoError(t, porcupine.VisualizePath(Model(), info, path))
	}
	return result
}

// assertBites spoils a good history in one place, each time another way, which the check must notice.
func assertBites(t *testing.T, history []porcupine.Operation) {
	t.Helper()
	last := len(history) - 1 // the last read of the last record
	require.Equal(t, Get, history[last].Input.(Input).Kind)
	record := history[last].Input.(Input).Record
	spoil := func(what string, at int, change func(*Output)) {
		spoilt := slices.Clone(history)
		out := spoilt[at].Output.(Output)
		change(&out)
		spoilt[at].Output = out
		assert.Equal(t, porcupine.Illegal, check(t, spoilt), what)
	}
	early := slices.IndexFunc(history, func(op porcupine.Operation) bool {
		return op.Input.(Input).Record == record && op.Output.(Output).Result == OK
	})
	require.GreaterOrEqual(t, early, 0)
	spoil("a read of long ago", last, func(out *Output) { *out = history[early].Output.(Output) })
	spoil("an entry lost", last, func(out *Output) { out.List = "" })
	spoil("a record gone", last, func(out *Output) { *out = Output{Result: NotFound} })
	read := map[string]bool{} // values
	for _, op := range history {
		if op.Input.(Input).Kind == Get {
			read[op.Output.(Output).Value] = true
		}
	}
	updated := slices.IndexFunc(history, func(op porcupine.Operation) bool {
		in := op.Input.(Input)
		return in.Kind == Update && op.Output.(Output).Result == OK && read[in.Value]
	})
	require.GreaterOrEqual(t, updated, 0)
	spoil("a refusal of what was done", updated, func(out *Output) { *out = Output{Result: Stale} })
	spoil("a deletion undone, or done", last, func(out *Output) { out.Deleted = !out.Deleted })
	// A later one may be that of a change without answer.
	spoil("a revision of long ago", last, func(out *Output) { out.Revision = 1 })
}

// A core that acknowledges before it commits isn't linearizable over kills, and must be found out.
func TestCoreThatAcknowledgesTooEarlyIsFoundOut(t *testing.T) {
	faulty, err := process.Build(t.TempDir(), "ackbeforecommit")
	require.NoError(t, err)
	records, trials := newRecords()
	for range 5 {
		r := newRunner(t, trials, records)
		r.Lab.Binary = faulty
		history, err := r.Run(t.Context())
		require.NoError(t, err)
		if check(t, history) == porcupine.Illegal {
			return
		}
	}
	t.Fatal("not found out in 5 runs")
}
