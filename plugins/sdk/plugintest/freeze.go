//go:build unix

package plugintest

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// Freeze stops a process where it is, and waits until each of its threads has stopped: one that runs on for a moment could still answer.
func Freeze(t testing.TB, pid int) {
	t.Helper()
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
		return false
	}
	for _, thread := range threads {
		stat, err := os.ReadFile(thread)
		if err != nil {
			return false
		}
		text := string(stat)
		if !strings.HasPrefix(text[strings.LastIndexByte(text, ')')+1:], " T ") {
			return false
		}
	}
	return true
}
