//go:build linux

package main

import (
	"unsafe"

	"golang.org/x/sys/unix"
)

// execveat executes the file behind fd. It returns only with an error.
func execveat(fd int, argv **byte) error {
	empty := new(byte)
	env := []*byte{nil}
	_, _, errno := unix.Syscall6(unix.SYS_EXECVEAT, uintptr(fd), uintptr(unsafe.Pointer(empty)), uintptr(unsafe.Pointer(argv)),
		uintptr(unsafe.Pointer(&env[0])), unix.AT_EMPTY_PATH, 0)
	return errno
}
