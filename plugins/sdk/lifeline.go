package sdk

import (
	"fmt"
	"os"
	"strconv"
	"syscall"
)

// holdLifeline ends the process when the host's end of the lifeline closes. Without the variable it does nothing: the
// module was started by a host that watches it otherwise.
func holdLifeline() error {
	text := os.Getenv(LifelineEnv)
	if text == "" {
		return nil
	}
	fd, err := strconv.Atoi(text)
	if err != nil || fd < 3 {
		return fmt.Errorf("%s is %q, want a file descriptor of 3 or more", LifelineEnv, text)
	}
	var st syscall.Stat_t
	if err := syscall.Fstat(fd, &st); err != nil {
		return fmt.Errorf("lifeline on descriptor %d: %w", fd, err)
	}
	syscall.CloseOnExec(fd)
	pipe := os.NewFile(uintptr(fd), "lifeline")
	go func() {
		buf := make([]byte, 1)
		for {
			// Bytes mean nothing; only the end counts.
			if _, err := pipe.Read(buf); err != nil {
				os.Exit(0)
			}
		}
	}()
	return nil
}
