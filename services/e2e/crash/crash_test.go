package crash

import (
	"fmt"
	"os"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/e2e/crash/process"
)

// core is the built program of these tests; a test that starts itself again in a namespace finds it by coreBuilt.
var core string

const coreBuilt = "COMMONVAT_CRASH_CORE"

func TestMain(m *testing.M) { os.Exit(run(m)) }

func run(m *testing.M) int {
	if core = os.Getenv(coreBuilt); core != "" {
		return m.Run()
	}
	folder, err := os.MkdirTemp("", "commonvat-crash")
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

// number reads a setting of the run from the environment.
func number(t *testing.T, name string, otherwise uint64) uint64 {
	t.Helper()
	text := os.Getenv(name)
	if text == "" {
		return otherwise
	}
	n, err := strconv.ParseUint(text, 10, 64)
	require.NoError(t, err, name)
	return n
}

func shortFolder(t *testing.T) string {
	t.Helper()
	folder, err := os.MkdirTemp("", "cvk") // short, for the sockets of modules
	require.NoError(t, err)
	t.Cleanup(func() { _ = os.RemoveAll(folder) })
	return folder
}

func newHarness(t *testing.T, binary, folder string, seed uint64) *Harness {
	t.Helper()
	h, err := NewHarness(binary, folder, seed)
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, h.End()) })
	return h
}

func TestKilledUnderLoad(t *testing.T) {
	seed := number(t, "COMMONVAT_CRASH_SEED", uint64(time.Now().UnixNano())) //nolint:gosec // after 1970
	cycles := int(number(t, "COMMONVAT_CRASH_CYCLES", 50))                   //nolint:gosec // small
	folder := os.Getenv("COMMONVAT_CRASH_DIR")
	if folder == "" {
		folder = shortFolder(t)
	}
	t.Logf("COMMONVAT_CRASH_SEED=%d COMMONVAT_CRASH_CYCLES=%d repeats this run", seed, cycles)
	h := newHarness(t, core, folder, seed)
	h.Pool = PoolStatus{}
	begun := time.Now()
	for cycle := range cycles {
		found, err := h.Cycle(t.Context())
		require.NoError(t, err, "cycle %d, COMMONVAT_CRASH_SEED=%d", cycle+1, seed)
		require.Empty(t, found, "cycle %d, COMMONVAT_CRASH_SEED=%d:\n%s", cycle+1, seed, shorten(found))
		if cycle%50 == 49 {
			t.Logf("%d cycles in %v: %+v", cycle+1, time.Since(begun).Round(time.Second), h.Counts)
		}
	}
	found, err := h.Settle(t.Context())
	require.NoError(t, err)
	require.Empty(t, found, "%s", shorten(found))

	t.Logf("%+v", h.Counts)
	assert.Greater(t, h.Counts.Acknowledged, 20*cycles, "too little was written to tell anything")
	assert.Less(t, h.Counts.Refused, h.Counts.Acknowledged/2, "most of what was written must count")
	assert.Positive(t, h.Counts.Unknown, "no kill found a write under way")
}
