package host

import (
	"errors"
	"fmt"
	"os"
	"strconv"
	"syscall"

	"golang.org/x/sys/unix"
)

// processAttributes gives the module a process group of its own, so that a terminal's interrupt does not reach it and the
// group can be killed whole, and lets it die with its host.
func processAttributes() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
}

// awaitExit waits until the process has ended without reaping it, and tells whether it could.
func awaitExit(pid int) bool {
	for {
		err := unix.Waitid(unix.P_PID, pid, nil, unix.WEXITED|unix.WNOWAIT, nil)
		if !errors.Is(err, unix.EINTR) {
			return err == nil
		}
	}
}

// residentBytes is the resident memory of a process, 0 where it can't be told (proc(5), /proc/pid/statm).
func residentBytes(pid int) int64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/statm", pid))
	if err != nil {
		return 0
	}
	var size, resident int64
	if _, err := fmt.Sscan(string(text), &size, &resident); err != nil {
		return 0
	}
	return resident * int64(os.Getpagesize())
}

// lowerBy is how much nicer a process is started that is started gently: by 10 it gets a tenth of the processor beside one that isn't (sched(7)).
const lowerBy = 10

// lowPriority lowers the priority of a process group, if it can be raised again, and tells whether it did. A user without privileges may raise a
// priority as far as RLIMIT_NICE says, which the process has of this one.
func lowPriority(pgid int) bool {
	own, err := ownNice()
	if err != nil || !mayRaiseTo(own) {
		return false
	}
	return syscall.Setpriority(syscall.PRIO_PGRP, pgid, min(own+lowerBy, 19)) == nil
}

// fullPriority gives every thread of a process group this process's priority. A thread has that of the one that made it, at the time: threads that
// were being made are found by looking again.
func fullPriority(pgid int) {
	own, err := ownNice()
	if err != nil {
		return
	}
	for range 5 {
		if err := syscall.Setpriority(syscall.PRIO_PGRP, pgid, own); err != nil {
			return
		}
		if all, err := threadsHave(pgid, own); all || err != nil {
			return
		}
	}
}

func threadsHave(pid, nice int) (bool, error) {
	threads, err := os.ReadDir(fmt.Sprintf("/proc/%d/task", pid))
	if err != nil {
		return false, err
	}
	for _, t := range threads {
		tid, err := strconv.Atoi(t.Name())
		if err != nil {
			return false, err
		}
		if has, err := niceOf(tid); err == nil && has != nice { // it may have ended
			return false, nil
		}
	}
	return true, nil
}

func ownNice() (int, error) { return niceOf(os.Getpid()) }

// niceOf is the nice value of a thread; the call itself gives 20 less that, so that it is never negative (getpriority(2)).
func niceOf(tid int) (int, error) {
	got, err := syscall.Getpriority(syscall.PRIO_PROCESS, tid)
	return 20 - got, err
}

func mayRaiseTo(nice int) bool {
	var limit unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_NICE, &limit); err == nil && limit.Cur >= uint64(20-nice) {
		return true
	}
	head := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
	var caps [2]unix.CapUserData
	return unix.Capget(&head, &caps[0]) == nil && caps[0].Effective&(1<<unix.CAP_SYS_NICE) != 0
}
