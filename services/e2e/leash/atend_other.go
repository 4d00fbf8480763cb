//go:build !linux

package leash

import "syscall"

func atEnd(*syscall.SysProcAttr, syscall.Signal) {} // there is no such signal
