//go:build !linux

package cli

import (
	"errors"
	"os"
)

func isTerminal(f *os.File) bool {
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

// readUnseen isn't written for this system.
func readUnseen(*os.File) ([]byte, error) {
	return nil, errors.New("this system can't hide what is typed here: use --token-file, or a pipe")
}
