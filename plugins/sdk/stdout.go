package sdk

import (
	"fmt"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

var (
	startedAsModule = os.Getenv(CookieKey) == CookieValue
	// handshakeOut leads to the host; nil when the process is not a module.
	handshakeOut *os.File
)

// init runs before main of every program that imports this package, which is the only moment early enough: a print in an
// author's main must not reach the host's handshake. It does nothing in a process that was not started as a module.
func init() {
	if !startedAsModule {
		return
	}
	out, err := guardStdout()
	if err != nil {
		fmt.Fprintf(os.Stderr, "standard output can't be guarded: %v\n", err)
		os.Exit(2)
	}
	handshakeOut = out
}

// guardStdout moves the host's end of standard output to a descriptor of its own and lets descriptor 1 lead to standard
// error, so that prints of any library in any language end in the log.
func guardStdout() (*os.File, error) {
	fd, err := unix.FcntlInt(uintptr(syscall.Stdout), unix.F_DUPFD_CLOEXEC, 10)
	if err != nil {
		return nil, err
	}
	if err := dup2(syscall.Stderr, syscall.Stdout); err != nil {
		return nil, err
	}
	return os.NewFile(uintptr(fd), "handshake"), nil
}
