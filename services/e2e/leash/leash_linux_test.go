package leash_test

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/e2e/leash"
)

const parentVariable = "LEASH_TEST_PARENT"

// TestMain lets this program be started again as a test that starts a process and is then ended by a panic, as by go test's time limit.
func TestMain(m *testing.M) {
	if os.Getenv(parentVariable) == "" {
		os.Exit(m.Run())
	}
	sleeping := exec.Command("sleep", "300")
	if _, err := leash.Start(sleeping, syscall.SIGKILL); err != nil {
		panic(err)
	}
	fmt.Println(sleeping.Process.Pid)
	_, _ = io.ReadAll(os.Stdin)
	go panic("the time is over")
	select {}
}

// living reports whether a process is there and hasn't ended; one that nobody waited for yet has.
func living(pid int) bool {
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	return err == nil && !bytes.Contains(status, []byte("State:\tZ"))
}

func TestProcessesEndWithATestThatPanics(t *testing.T) {
	parent := exec.Command(os.Args[0])
	parent.Env = append(os.Environ(), parentVariable+"=1")
	in, err := parent.StdinPipe()
	require.NoError(t, err)
	out, err := parent.StdoutPipe()
	require.NoError(t, err)
	ended, err := leash.Start(parent, syscall.SIGKILL)
	require.NoError(t, err)
	var pid int
	_, err = fmt.Fscan(out, &pid)
	require.NoError(t, err)
	require.True(t, living(pid), "it lives while the test does")
	t.Cleanup(func() {
		if living(pid) {
			_ = syscall.Kill(pid, syscall.SIGKILL)
		}
	})

	require.NoError(t, in.Close())
	var exit *exec.ExitError
	require.ErrorAs(t, <-ended, &exit)
	assert.Equal(t, 2, exit.ExitCode(), "of a panic (package runtime)")
	assert.Eventually(t, func() bool { return !living(pid) }, time.Minute, 10*time.Millisecond, "it ends with the test")
}

func TestStartTellsWhatFailed(t *testing.T) {
	ended, err := leash.Start(exec.Command("/nowhere/program"), syscall.SIGKILL)
	require.ErrorIs(t, err, os.ErrNotExist)
	_, open := <-ended
	assert.False(t, open, "there is nothing to wait for")
	ended, err = leash.Start(exec.Command("false"), syscall.SIGKILL)
	require.NoError(t, err)
	assert.EqualError(t, <-ended, "exit status 1")
}
