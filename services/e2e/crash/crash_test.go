package crash

import (
	"fmt"
	"os"
	"path/filepath"
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
	seed := number(t, "COMMONVAT_CRASH_SEED", uint64(time.Now().UnixNano()))
	cycles := int(number(t, "COMMONVAT_CRASH_CYCLES", 50))
	folder := os.Getenv("COMMONVAT_CRASH_DIR")
	if folder == "" {
		folder = shortFolder(t)
	}
	t.Logf("COMMONVAT_CRASH_SEED=%d COMMONVAT_CRASH_CYCLES=%d repeats this run", seed, cycles)
	begun := time.Now()
	for done, n := 0, uint64(0); done < cycles; n++ {
		h := newHarness(t, core, filepath.Join(folder, fmt.Sprint(n)), seed+n<<32)
		h.Pool = PoolStatus{}
		done += h.cycle // those of a test that was killed
		first := done
		for ; done < cycles && h.cycle < cyclesOfAStore; done++ {
			found, err := h.Cycle(t.Context())
			require.NoError(t, err, "cycle %d, COMMONVAT_CRASH_SEED=%d", done+1, seed)
			require.Empty(t, found, "cycle %d, COMMONVAT_CRASH_SEED=%d:\n%s", done+1, seed, shorten(found))
		}
		found, err := h.Settle(t.Context())
		require.NoError(t, err)
		require.Empty(t, found, "%s", shorten(found))
		t.Logf("%d cycles in %v; of this store: %+v", done, time.Since(begun).Round(time.Second), h.Counts)
		assert.Greater(t, h.Counts.Acknowledged, 10*(done-first), "too little was written to tell anything")
		assert.Less(t, h.Counts.Refused, h.Counts.Acknowledged/2, "most of what was written must count")
		for _, o := range operations {
			assert.True(t, h.Counts.Done[o.name] > 0 || done-first < 50, "nobody could %s", o.name)
		}
		assert.True(t, h.Counts.Unknown > 0 || h.Counts.Busy == 0, "no kill found a write under way")
	}
}

// cyclesOfAStore is for how many cycles a store lives on: each cycle looks at all of it, so the next ones begin with another.
const cyclesOfAStore = 100
