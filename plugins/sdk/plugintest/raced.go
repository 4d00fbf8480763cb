//go:build race

package plugintest

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
)

// executable is the program that module processes of this test run: this test binary without the race detector, which makes a process start up to
// ten times slower and so would have deadlines missed that are tried with it. Races in a module are looked for in its own package's tests.
// It is built beside this one, which `go test` keeps in a folder that it takes away in the end.
var executable = sync.OnceValues(func() (string, error) {
	self, err := os.Executable()
	if err != nil {
		return "", err
	}
	plain := filepath.Join(filepath.Dir(self), "plain-"+filepath.Base(self))
	build := exec.Command("go", "test", "-c", "-vet=off", "-race=false", "-o", plain, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build without the race detector: %w\n%s", err, out)
	}
	return plain, nil
})
