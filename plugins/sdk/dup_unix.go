//go:build unix && !linux

package sdk

import "golang.org/x/sys/unix"

// dup2 makes descriptor to a copy of from.
func dup2(from, to int) error { return unix.Dup2(from, to) }
