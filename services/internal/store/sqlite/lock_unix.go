//go:build unix

package sqlite

import (
	"errors"
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// lockFile takes the lock that keeps a second process, or a second Open in this one, off
// the same store. The system lets go of it when the process ends, however it ends.
func lockFile(path string) (*os.File, error) {
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("lock file: %w", err)
	}
	if err := unix.Flock(int(file.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		_ = file.Close()
		if errors.Is(err, unix.EWOULDBLOCK) {
			return nil, fmt.Errorf("%w (lock file %s)", ErrInUse, path)
		}
		return nil, fmt.Errorf("lock file %s: %w", path, err)
	}
	return file, nil
}
