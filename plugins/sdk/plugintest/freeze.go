//go:build unix

package plugintest

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// Freeze stops a process where it is, and waits until each of its threads has stopped: one that runs on for a moment could still answer.
// One whose host found it frozen and ended it meanwhile does no more either.
func Freeze(t testing.TB, pid int) {
	t.Helper()
	if pid <= 0 { // kill(2) means whole groups by these, the test's own with 0
		t.Fatalf("%d is no process", pid)
	}
	if err := syscall.Kill(pid, syscall.SIGSTOP); err != nil {
		t.Fatalf("process %d can't be stopped: %v", pid, err)
	}
	for until := time.Now().Add(time.Minute); !frozen(pid); time.Sleep(time.Millisecond) {
		if time.Now().After(until) {
			t.Fatalf("process %d has not stopped", pid)
		}
	}
}

// frozen tells whether no thread of a process runs: proc_pid_stat(5) has its state after the name in brackets.
func frozen(pid int) bool {
	threads, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/stat", pid))
	if err != nil || len(threads) == 0 {
		return errors.Is(syscall.Kill(pid, 0), syscall.ESRCH)
	}
	for _, thread := range threads {
		stat, err := os.ReadFile(thread)
		if err != nil {
			return false
		}
		text := string(stat)
		state := text[strings.LastIndexByte(text, ')')+1:]
		if !strings.HasPrefix(state, " T ") && !strings.HasPrefix(state, " Z ") && !strings.HasPrefix(state, " X ") { // stopped, or ended
			return false
		}
	}
	return true
}
