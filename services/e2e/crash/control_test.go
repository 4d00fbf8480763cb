package crash

import (
	"bytes"
	"debug/buildinfo"
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/e2e/crash/process"
)

const (
	faultyTag  = "ackbeforecommit"
	faultyWord = "this build acknowledges changes before they are on disk"
	storeFault = "commitorder_faulty.go"
	storeRight = "commitorder.go"
)

// A core that acknowledges before it commits must be found out by the same harness, within a few cycles and for that very reason;
// else the harness proves nothing.
func TestCoreThatAcknowledgesTooEarlyIsFoundOut(t *testing.T) {
	faulty, err := process.Build(t.TempDir(), faultyTag)
	require.NoError(t, err)
	assert.Equal(t, faultyTag, tagsOf(t, faulty), "it must be the faulty build")
	assert.True(t, says(t, faulty, faultyWord), "it must be the faulty build")

	seed := number(t, "COMMONVAT_CRASH_SEED", 1)
	h := newHarness(t, core, shortFolder(t), seed) // members are taken in as they should be
	h.Lab.Binary = faulty
	const within = 10
	for cycle := range within {
		found, err := h.Cycle(t.Context())
		require.NoError(t, err)
		if len(found) == 0 {
			continue
		}
		t.Logf("found in cycle %d:\n%s", cycle+1, shorten(found))
		log, err := os.ReadFile(h.Lab.LogFile())
		require.NoError(t, err)
		assert.Contains(t, string(log), faultyWord)
		for _, v := range found {
			assert.Equal(t, Lost, v.Kind, "%v", v)
		}
		return
	}
	t.Fatalf("not found out in %d cycles: %+v", within, h.Counts)
}

// The build that is shipped has nothing of the fault.
func TestShippedCoreHasNothingOfTheFault(t *testing.T) {
	assert.Empty(t, tagsOf(t, core))
	assert.False(t, says(t, core, faultyWord))
	out, err := exec.Command("go", "list", "-f", "{{.GoFiles}}", "github.com/commonvat/commonvat/services/internal/store/sqlite").Output()
	require.NoError(t, err)
	files := strings.Fields(strings.Trim(strings.TrimSpace(string(out)), "[]"))
	assert.Contains(t, files, storeRight)
	assert.NotContains(t, files, storeFault)
}

func tagsOf(t *testing.T, program string) string {
	t.Helper()
	info, err := buildinfo.ReadFile(program)
	require.NoError(t, err)
	for _, setting := range info.Settings {
		if setting.Key == "-tags" {
			return setting.Value
		}
	}
	return ""
}

func says(t *testing.T, program, text string) bool {
	t.Helper()
	all, err := os.ReadFile(program)
	require.NoError(t, err)
	return bytes.Contains(all, []byte(text))
}
