// Package pythontest is what the tests of modules in Python share.
package pythontest

import (
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/commonvat/commonvat/plugins/sdk/python"
	"github.com/stretchr/testify/require"
)

var lacking = sync.OnceValue(func() string {
	out, err := exec.Command(python.Interpreter, "-sB", "-c", "import grpc, google.protobuf, numpy, cryptography").CombinedOutput() //nolint:gosec // only tests call this
	if err == nil {
		return ""
	}
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	return err.Error() + " " + lines[len(lines)-1]
})

// Need skips a test where there is no Python with the packages that modules need. What CI runs on has them, and CI allows no such skip.
func Need(t testing.TB) {
	t.Helper()
	if why := lacking(); why != "" {
		t.Skipf("needs Debian's python3-grpcio, python3-protobuf, python3-cryptography and python3-numpy: %s", why)
	}
}

// Folder makes a module folder of the files in from, which are its own, and the SDK.
func Folder(t testing.TB, from string) string {
	t.Helper()
	Need(t)
	to := t.TempDir()
	entries, err := os.ReadDir(from)
	require.NoError(t, err)
	for _, e := range entries {
		if !e.Type().IsRegular() || strings.HasSuffix(e.Name(), ".go") {
			continue
		}
		text, err := os.ReadFile(filepath.Join(from, e.Name()))
		require.NoError(t, err)
		mode := fs.FileMode(0o644)
		if strings.HasPrefix(string(text), "#!") {
			mode = 0o755
		}
		require.NoError(t, os.WriteFile(filepath.Join(to, e.Name()), text, mode)) //nolint:gosec // only tests call this
	}
	require.NoError(t, python.CopyInto(to))
	return to
}

// Unittest runs the Python tests in a folder, with the SDK in reach, and requires that there are some and that they pass.
func Unittest(t *testing.T, folder string) {
	t.Helper()
	Need(t)
	sdk, err := filepath.Abs(filepath.Join(Root(t), "plugins/sdk/python"))
	require.NoError(t, err)
	cmd := exec.CommandContext(t.Context(), python.Interpreter, "-sB", "-m", "unittest", "discover", "-v") //nolint:gosec // only tests call this
	cmd.Dir = folder
	cmd.Env = append(os.Environ(), "PYTHONPATH="+sdk)
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s", out)
	require.NotContains(t, string(out), "Ran 0 tests", folder)
}

// Root is the top folder of the tree.
func Root(t testing.TB) string {
	t.Helper()
	at, err := os.Getwd()
	require.NoError(t, err)
	for ; at != filepath.Dir(at); at = filepath.Dir(at) {
		if _, err := os.Stat(filepath.Join(at, "go.mod")); err == nil {
			return at
		}
	}
	t.Fatal("no go.mod above the test's folder")
	return ""
}
