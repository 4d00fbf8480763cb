package sqlite

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/storetest"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// The test program starts itself again as a child, for what needs a process of its own.
const (
	childRole   = "COMMONVAT_STORE_TEST_CHILD"
	childFolder = "COMMONVAT_STORE_TEST_FOLDER"
)

func child(role string) {
	folder := os.Getenv(childFolder)
	switch role {
	case "submit":
		childSubmits(folder)
	case "files bounded":
		childFilesBounded(folder)
	case "open as nobody":
		// Permissions do not bind the superuser.
		if os.Getuid() == 0 {
			if err := syscall.Setuid(65534); err != nil {
				fmt.Println("setuid:", err)
				return
			}
		}
		_, err := Open(context.Background(), Config{Path: filepath.Join(folder, "records.db")})
		fmt.Println(err)
	}
}

func childCommand(role, folder string) *exec.Cmd {
	cmd := exec.Command(os.Args[0])
	cmd.Env = []string{childRole + "=" + role, childFolder + "=" + folder}
	cmd.Stderr = os.Stderr
	return cmd
}

const childCallers = 8

// childSubmits submits trials until it is killed, and tells of each before and after.
func childSubmits(folder string) {
	s, err := Open(context.Background(), Config{Path: filepath.Join(folder, "records.db")})
	if err != nil {
		fmt.Println("open:", err)
		return
	}
	var telling sync.Mutex
	tell := func(what string, id trial.ID) {
		telling.Lock()
		defer telling.Unlock()
		fmt.Println(what, id)
	}
	for range childCallers {
		go func() {
			for {
				sample := storetest.NewSample("ann")
				tell("asked", sample.Trial.ID)
				_, err := s.Change(context.Background(), store.ChangeRequest{
					Actor: storetest.By("ann"), RequestID: storetest.NewID(), Now: time.Now(),
					Apply: func(r trial.Records) ([]byte, error) { return nil, sample.Put(r) },
				})
				if err != nil {
					tell("failed: "+err.Error(), sample.Trial.ID)
					os.Exit(1)
				}
				tell("acknowledged", sample.Trial.ID)
			}
		}()
	}
	select {}
}

// TestKilled kills a process that submits: what it had acknowledged is there, each once, and the rest
// at most once. A kill does not show what a power cut would: what the system had not yet written survives it.
func TestKilled(t *testing.T) {
	folder := t.TempDir()
	s := openIn(t, folder, Config{})
	storetest.AddMembers(t, s)
	require.NoError(t, s.Close())

	asked, acknowledged := map[trial.ID]bool{}, map[trial.ID]bool{}
	for cycle := range 3 {
		cmd := childCommand("submit", folder)
		out, err := cmd.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, cmd.Start())
		before := len(acknowledged)
		lines := bufio.NewScanner(out)
		for lines.Scan() {
			what, id, ok := strings.Cut(lines.Text(), " ")
			switch {
			case ok && what == "asked":
				asked[id] = true
			case ok && what == "acknowledged":
				acknowledged[id] = true
			default:
				assert.Fail(t, "child says", lines.Text())
			}
			if len(acknowledged) == before+40+7*cycle {
				// It goes on submitting while the signal is on its way, and what it still says is read.
				require.NoError(t, cmd.Process.Kill())
			}
		}
		require.Error(t, cmd.Wait(), "killed")

		s := openIn(t, folder, Config{})
		found := map[trial.ID]int{}
		for after := ""; ; {
			page, err := s.ListTrials(t.Context(), store.TrialQuery{Reader: "ann", BeforeID: after, Limit: store.MaxPage})
			require.NoError(t, err)
			if len(page) == 0 {
				break
			}
			for _, row := range page {
				found[row.ID]++
			}
			after = page[len(page)-1].ID
		}
		for id := range acknowledged {
			assert.Equal(t, 1, found[id], "acknowledged trial %s", id)
		}
		for id, times := range found {
			assert.True(t, asked[id] && times == 1, "trial %s was found %d times", id, times)
		}
		assert.Equal(t, int64(len(found)), s.Revision())
		assertSound(t, s)
		require.NoError(t, s.Close())
	}
	require.GreaterOrEqual(t, len(acknowledged), 3*40)
}

// assertSound checks the file itself, and that the tables beside the trials say what the trials do.
func assertSound(t *testing.T, s *Store) {
	t.Helper()
	var text string
	require.NoError(t, s.read.QueryRowContext(t.Context(), "PRAGMA integrity_check").Scan(&text))
	assert.Equal(t, "ok", text)
	var broken int
	require.NoError(t, s.read.QueryRowContext(t.Context(), "SELECT count(*) FROM pragma_foreign_key_check").Scan(&broken))
	assert.Zero(t, broken, "references that lead nowhere")
	for table, want := range map[string]string{
		"pieces": "4", "entry_ids": "25", "immersions": "6", "feed": "3", "baths": "2", "requests": "1",
	} {
		var right bool
		require.NoError(t, s.read.QueryRowContext(t.Context(),
			"SELECT (SELECT count(*) FROM "+table+") = "+want+" * (SELECT count(*) FROM trials)").Scan(&right))
		assert.True(t, right, "%s has %s rows for each trial", table, want)
	}
}

func TestFolderNotWritable(t *testing.T) {
	folder := t.TempDir()
	require.NoError(t, os.Chmod(filepath.Dir(folder), 0o755))
	require.NoError(t, os.Chmod(folder, 0o555))
	t.Cleanup(func() { assert.NoError(t, os.Chmod(folder, 0o755)) })
	out, err := childCommand("open as nobody", folder).Output()
	require.NoError(t, err)
	path := filepath.Join(folder, "records.db")
	assert.Contains(t, string(out), "open store "+path+": ")
	assert.Contains(t, string(out), "permission denied\n")
	entries, err := os.ReadDir(folder)
	require.NoError(t, err)
	assert.Empty(t, entries)
}

func TestPathIsNoFile(t *testing.T) {
	_, err := Open(t.Context(), Config{Path: t.TempDir()})
	assert.Error(t, err)
	_, err = Open(t.Context(), Config{})
	assert.ErrorContains(t, err, "no path")
	blocked := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(blocked, nil, 0o600))
	_, err = Open(t.Context(), Config{Path: filepath.Join(blocked, "records.db")})
	var pathError *os.PathError
	assert.True(t, errors.As(err, &pathError), "%v", err)
}
