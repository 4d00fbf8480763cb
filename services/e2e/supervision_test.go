package e2e_test

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestNoModuleOutlivesAKilledCore(t *testing.T) {
	l := newLab(t, "ash:researcher")
	l.installModules()
	for range 3 {
		l.start()
		l.eventually(callWithin, "all modules run", func() bool { return strings.Count(l.does("ash", "modules"), "running") == 4 })
		require.Len(t, l.modulePIDs(), 4)
		l.kill()
		l.eventually(endWithin, "no module is left", func() bool { return len(l.modulePIDs()) == 0 })
	}
	l.start()
	l.asks("ash", "palette", "--by", "fibre")
	l.stop()
	assert.Empty(t, l.modulePIDs())
	left, err := filepath.Glob(filepath.Join(l.runtime, "i-*"))
	require.NoError(t, err)
	assert.Empty(t, left, "socket folders of killed cores are swept")
}

// A module that is killed is started again; one that ends again and again is left alone, and what is wrong is said. The record is
// served all the while.
func TestKilledModulesComeBackUntilTheyAreGivenUp(t *testing.T) {
	l := newLab(t, "ash:researcher")
	l.installModules()
	l.start()
	l.does("ash", "trial", "submit", example)
	l.does("ash", "trial", "share", exampleID, "--level", "cooperative")
	l.asks("ash", "palette", "--by", "fibre")
	for _, pid := range l.modulePIDs() {
		require.NoError(t, syscall.Kill(pid, syscall.SIGKILL))
	}
	l.does("ash", "trial", "show", exampleID)
	l.asks("ash", "palette", "--by", "fibre")

	quarantined := func() bool {
		for _, m := range l.modulesOf("ash") {
			if m.Kind == "palette" {
				if m.PID > 0 {
					_ = syscall.Kill(m.PID, syscall.SIGKILL) // perhaps it ended meanwhile
				}
				return m.State == "quarantined"
			}
		}
		return false
	}
	l.eventually(callWithin, "the palette module is given up", quarantined)
	a := l.client("ash", "palette", "--by", "fibre")
	assert.Equal(t, exitUnavailable, a.code)
	assert.Contains(t, a.errors, "palette-width")
	assert.Contains(t, a.errors, "quarantined")
	l.does("ash", "trial", "show", exampleID)
	l.stop()
	assert.Empty(t, l.modulePIDs())
}

// moduleState is what the client tells of a module.
type moduleState struct {
	Kind  string
	State string
	PID   int
}

func (l *lab) modulesOf(member string) []moduleState {
	l.t.Helper()
	rows, err := csv.NewReader(strings.NewReader(l.does(member, "modules", "--output", "csv"))).ReadAll()
	require.NoError(l.t, err)
	var all []moduleState
	for _, row := range rows[1:] {
		at := func(column string) string { return row[slices.Index(rows[0], column)] }
		m := moduleState{Kind: at("kind"), State: at("state")}
		for _, pid := range l.modulePIDs() {
			command, _ := os.ReadFile(filepath.Join("/proc", strconv.Itoa(pid), "cmdline"))
			if strings.Contains(string(command), "-module-"+at("module")) {
				m.PID = pid
			}
		}
		all = append(all, m)
	}
	return all
}

func TestRecordsAreServedWithoutModules(t *testing.T) {
	l := newLab(t, "ash")
	l.installModules("palette-width") // and no reading module
	l.start()
	l.does("ash", "trial", "submit", example)
	l.does("ash", "trial", "share", exampleID, "--level", "cooperative")
	a := l.client("ash", "palette", "--by", "fibre")
	assert.Equal(t, exitUnavailable, a.code)
	assert.Contains(t, a.errors, "reading")
	l.does("ash", "trial", "show", exampleID)
	l.stop()
}

// A build made later, of the same name and version, takes over at the next start.
func TestALaterBuildTakesOver(t *testing.T) {
	l := newLab(t, "ash")
	l.installModules()
	folder := filepath.Join(t.TempDir(), "later")
	require.NoError(t, os.CopyFS(folder, os.DirFS(filepath.Join(built, "modules", "commonvat-module-difference-deltae"))))
	executable := filepath.Join(folder, "commonvat-module-difference-deltae")
	require.NoError(t, os.Chmod(executable, 0o700))
	f, err := os.OpenFile(executable, os.O_APPEND|os.O_WRONLY, 0)
	require.NoError(t, err)
	_, err = f.WriteString("later") // behind the end of an ELF file nothing is read
	require.NoError(t, err)
	require.NoError(t, f.Close())
	digest := strings.Fields(l.tool("commonvatd", "module", "install", folder, "--data", l.data))[0]
	l.start()
	l.does("ash", "trial", "submit", example)
	pieces := l.piecesOf("ash", exampleID)
	var got struct {
		Modules []struct {
			Name   string `json:"name"`
			Digest string `json:"digest"`
		} `json:"modules"`
	}
	text := l.asks("ash", "difference", pieces["yellow first"].Code, pieces["blue first"].Code, "--output", "json")
	require.NoError(t, json.Unmarshal([]byte(text), &got))
	require.Len(t, got.Modules, 2)
	assert.Equal(t, digest, got.Modules[1].Digest)
	l.stop()
}
