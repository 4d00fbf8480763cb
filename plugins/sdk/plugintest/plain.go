//go:build !race

package plugintest

import "os"

// executable is the program that module processes of this test run.
func executable() (string, error) { return os.Executable() }
