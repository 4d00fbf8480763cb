// Package leash starts processes of tests that end when the test's own process does, whatever way it ends: one that is killed, panics or outlives
// `go test`'s time limit cleans up nothing. It does so where the system has a signal for the death of a parent, which is Linux.
package leash

import (
	"os/exec"
	"runtime"
	"syscall"
)

// Start starts a command, which gets the signal when this process ends: SIGKILL, or one that the program takes as a word to end first what it started
// itself. What waiting for the command gave comes through ended, which is closed after it; nobody else may wait. Error: the command didn't start.
func Start(cmd *exec.Cmd, signal syscall.Signal) (ended <-chan error, err error) {
	if cmd.SysProcAttr == nil {
		cmd.SysProcAttr = &syscall.SysProcAttr{}
	}
	atEnd(cmd.SysProcAttr, signal)
	started, waited := make(chan error), make(chan error, 1)
	go func() {
		defer close(waited)
		// The death of a parent is that of the thread which started the child (prctl(2), PR_SET_PDEATHSIG), so it stays and waits.
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := cmd.Start()
		started <- err
		if err == nil {
			waited <- cmd.Wait()
		}
	}()
	return waited, <-started
}
