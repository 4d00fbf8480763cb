package main

import (
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"
)

// asInit runs the program once more as a child and stands in for an init process, where this process is the first one of its
// system, as in a container. Then it is given every process whose parent has ended, and whoever doesn't wait for those
// leaves them as zombies until no process can be started any more. The waiting is done here and not in the core itself,
// because waiting for any child would take away the ends that the supervision of modules waits for.
//
// It returns the exit code: the child's, or as shells do 128 and the signal's number. The kernel ends whatever is left when
// this process does.
func asInit() (code int, err error) {
	self, err := os.Executable()
	if err != nil {
		return 0, fmt.Errorf("find this program to run it below the first process: %w", err)
	}
	signals := make(chan os.Signal, 16)
	signal.Notify(signals, syscall.SIGTERM, syscall.SIGINT, syscall.SIGHUP, syscall.SIGQUIT, syscall.SIGUSR1, syscall.SIGUSR2)
	defer signal.Stop(signals)
	//nolint:gosec // this program itself, with what it was given
	child, err := syscall.ForkExec(self, os.Args, &syscall.ProcAttr{
		Env: os.Environ(), Files: []uintptr{0, 1, 2},
		// A group of its own, so that a terminal's interrupt reaches it once, through here, and not twice: the second ends it at once.
		Sys: &syscall.SysProcAttr{Setpgid: true},
	})
	if err != nil {
		return 0, fmt.Errorf("run %s below the first process: %w", self, err)
	}
	ended := make(chan int, 1)
	go func() { ended <- reap(child) }()
	for {
		select {
		case received := <-signals:
			if number, ok := received.(syscall.Signal); ok {
				_ = syscall.Kill(child, number) // it may have ended just now
			}
		case code := <-ended:
			return code, nil
		}
	}
}

// reap waits for whatever ends, until the child does, and returns its exit code.
func reap(child int) int {
	for {
		var status syscall.WaitStatus
		pid, err := syscall.Wait4(-1, &status, 0, nil)
		switch {
		case errors.Is(err, syscall.EINTR):
		case err != nil: // no child is left, which can't be while ours isn't reaped
			return exitFault
		case pid != child:
		case status.Exited():
			return status.ExitStatus()
		case status.Signaled(): //nolint:misspell // so it is called
			return 128 + int(status.Signal())
		}
	}
}
