//go:build !linux

package doctor

import (
	"errors"
	"os"

	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
)

// ThisSystem is the machine that the program runs on. What is asked of it is only known on Linux.
func ThisSystem() System {
	unknown := errors.New("not known on this system")
	return System{
		FileSystem:        func(string) (FileSystem, error) { return FileSystem{}, unknown },
		ClockSynchronised: func() (bool, error) { return false, unknown },
		Kernel:            sandbox.Survey,
		OpenFiles:         func() (uint64, error) { return 0, unknown },
		UserID:            os.Getuid(),
	}
}
