package e2e_test

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/e2e/leash"
)

// demo is commonvat-demo run on a data folder, where the modules that it installs have passed already.
func demo(ctx context.Context, t testing.TB, data string, args ...string) *exec.Cmd {
	t.Helper()
	putReports(t, data)
	return demoIn(ctx, root, data, args...)
}

// demoIn is commonvat-demo run from a folder.
func demoIn(ctx context.Context, folder, data string, args ...string) *exec.Cmd {
	args = append([]string{"run", "--bin", built, "--data", data, "--listen", "127.0.0.1:0"}, args...)
	cmd := exec.CommandContext(ctx, program("commonvat-demo"), args...)
	cmd.Dir, cmd.Env = folder, environment()
	return cmd
}

func TestDemoAnswersAndLoadsOnce(t *testing.T) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*callWithin)
	defer cancel()
	data := t.TempDir()
	expected, err := os.ReadFile(filepath.Join(root, "testdata/demo/expected.txt"))
	require.NoError(t, err)
	var revisions []string
	for range 2 {
		out, err := demo(ctx, t, data, "--once").CombinedOutput()
		require.NoError(t, err, "%s", out)
		for _, line := range strings.Split(strings.TrimSpace(string(expected)), "\n") {
			assert.Contains(t, string(out), line)
		}
		_, revision, found := strings.Cut(string(out), "pool revision ")
		require.True(t, found)
		revision, _, _ = strings.Cut(revision, "\n")
		revisions = append(revisions, revision)
	}
	assert.Equal(t, revisions[0], revisions[1], "the second run loads nothing")
	info, err := os.Stat(filepath.Join(data, "demo-tokens", "clover.token"))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	assert.Empty(t, processesWith(t, data), "nothing is left running")
}

// As the README has it: from the clone, with a data folder named relative to it.
func TestRelativeDataFolder(t *testing.T) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*callWithin)
	defer cancel()
	steps, err := filepath.Abs(filepath.Join(root, "testdata/demo/cooperative.jsonl"))
	require.NoError(t, err)
	folder := t.TempDir()
	putReports(t, filepath.Join(folder, "data"))
	out, err := demoIn(ctx, folder, "data", "--once", "--steps", steps).CombinedOutput()
	require.NoError(t, err, "%s", out)
	assert.Contains(t, string(out), "gives the wider palette")
}

func TestCtrlCEndsTheDemoCleanly(t *testing.T) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*callWithin)
	defer cancel()
	data := t.TempDir()
	cmd := demo(ctx, t, data)
	output, printed := io.Pipe() // StdoutPipe would be closed by whoever waits for the process, before it is read to its end
	cmd.Stdout = printed
	var faults bytes.Buffer
	cmd.Stderr = &faults
	wait, err := leash.Start(cmd, syscall.SIGTERM)
	require.NoError(t, err)
	ended := make(chan error, 1)
	go func() {
		err := <-wait
		_ = printed.Close()
		ended <- err
	}()
	up := false
	lines := bufio.NewScanner(output)
	for lines.Scan() {
		if strings.Contains(lines.Text(), "until Ctrl-C") {
			up = true
			require.NoError(t, cmd.Process.Signal(syscall.SIGINT))
		}
	}
	require.NoError(t, lines.Err())
	require.NoError(t, <-ended, "%s", faults.String())
	assert.True(t, up)
	assert.Empty(t, processesWith(t, data), "nothing is left running")
}
