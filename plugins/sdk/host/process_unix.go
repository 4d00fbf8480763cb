//go:build unix && !linux

package host

import "syscall"

// processAttributes gives the module a process group of its own, so that a terminal's interrupt does not reach it and the
// group can be killed whole. There is no parent-death signal here; the lifeline does its work.
func processAttributes() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Setpgid: true}
}

// awaitExit tells that waiting without reaping is not available.
func awaitExit(int) bool { return false }

// residentBytes tells nothing here.
func residentBytes(int) int64 { return 0 }

// lowPriority does nothing here, and fullPriority so neither.
func lowPriority(int) bool { return false }

func fullPriority(int) {}
