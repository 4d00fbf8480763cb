package cli

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

func isTerminal(f *os.File) bool {
	_, err := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS)
	return err == nil
}

// readUnseen reads a line that the terminal doesn't show.
func readUnseen(f *os.File) (line []byte, err error) {
	fd := int(f.Fd())
	before, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return nil, err
	}
	hidden := *before
	hidden.Lflag &^= unix.ECHO
	if err := unix.IoctlSetTermios(fd, unix.TCSETS, &hidden); err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, unix.IoctlSetTermios(fd, unix.TCSETS, before)) }()
	return readLine(f)
}
