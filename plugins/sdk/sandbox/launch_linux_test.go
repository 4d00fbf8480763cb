package sandbox

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// swapVariable makes the test binary a launcher that is overtaken: between hash and execution another file takes the place
// of the hashed one. It holds the order; the other file lies beside the executable, with ".other" behind its name.
const swapVariable = "COMMONVAT_TEST_SWAP"

func init() {
	text, ok := os.LookupEnv(swapVariable)
	if !ok {
		return
	}
	var o order
	err := json.Unmarshal([]byte(text), &o)
	if err == nil {
		var f *os.File
		if f, err = openChecked(o.Path, o.SHA256); err == nil {
			if err = os.Rename(o.Path+".other", o.Path); err == nil {
				err = become(f, o, Survey())
			}
		}
	}
	fmt.Println(err)
	os.Exit(ExitFailed)
}

func programThatSays(t *testing.T, says string) string {
	t.Helper()
	folder := t.TempDir()
	source := filepath.Join(folder, "main.go")
	require.NoError(t, os.WriteFile(source, []byte("package main\n\nfunc main() { println(\""+says+"\") }\n"), 0o600))
	path := filepath.Join(folder, says)
	build := exec.Command("go", "build", "-o", path, source)
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	out, err := build.CombinedOutput()
	require.NoError(t, err, string(out))
	return path
}

func sumOf(t *testing.T, path string) string {
	t.Helper()
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

func TestSwappedFileDoesNotRun(t *testing.T) {
	hashed, other := programThatSays(t, "hashed"), programThatSays(t, "other")
	require.NoError(t, os.Rename(other, hashed+".other"))
	text, err := json.Marshal(order{
		Path: hashed, SHA256: sumOf(t, hashed), Args: []string{hashed}, Sockets: t.TempDir(), Host: os.Getpid(), Profile: Local,
	})
	require.NoError(t, err)
	cmd := exec.Command("/proc/self/exe")
	cmd.Env = []string{swapVariable + "=" + string(text)}
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, string(out))
	assert.Equal(t, "hashed\n", string(out))
	after, err := exec.Command(hashed).CombinedOutput()
	require.NoError(t, err)
	assert.Equal(t, "other\n", string(after), "the other file did take its place")
}

func TestHashedFileCannotBeWritten(t *testing.T) {
	path := filepath.Join(t.TempDir(), "module")
	require.NoError(t, os.WriteFile(path, []byte("bytes"), 0o700))
	f, err := openChecked(path, sumOf(t, path))
	require.NoError(t, err)
	_, err = unix.Open(path, unix.O_WRONLY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	assert.ErrorIs(t, err, unix.EWOULDBLOCK, "a writer waits")
	require.NoError(t, f.Close())

	writer, err := os.OpenFile(path, os.O_WRONLY, 0)
	require.NoError(t, err)
	_, err = openChecked(path, sumOf(t, path))
	assert.ErrorContains(t, err, "is open for writing")
	require.NoError(t, writer.Close())
	_, err = openChecked(path, strings.Repeat("0", 64))
	assert.ErrorIs(t, err, errChecksum)
	_, err = openChecked(filepath.Dir(path), "")
	assert.ErrorContains(t, err, "not a regular file")
}

// TestPythonRuntime runs a script held: its library is there, the rest is not.
func TestPythonRuntime(t *testing.T) {
	if _, err := os.Stat(pythonPath); err != nil {
		t.Skipf("no %s here", pythonPath)
	}
	path := filepath.Join(t.TempDir(), "commonvat-module-script")
	require.NoError(t, os.WriteFile(filepath.Join(filepath.Dir(path), "beside.py"), []byte("word = 'woad'\n"), 0o600))
	require.NoError(t, os.WriteFile(path, []byte(`#!/usr/bin/python3
import json, socket, ssl, subprocess, sys, threading
import beside
print(json.dumps({"word": beside.word, "args": sys.argv[1:]}))
threading.Thread(target=lambda: print("thread")).start()
for deed in (
    lambda: open("/etc/passwd"),
    lambda: socket.create_connection(("127.0.0.1", 1)),
    lambda: subprocess.run(["/bin/true"], stdin=0, stdout=1, stderr=2),
    lambda: bytearray(1 << 30),
):
    try:
        deed()
        print("done")
    except (OSError, MemoryError) as error:
        print(type(error).__name__)
`), 0o700))
	var sum []byte
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	full := sha256.Sum256(data)
	sum = full[:]
	l, err := Policy{Profile: Local, Wish: Wish{Runtime: RuntimePython3}}.Launch(path, sum, []string{path, "one"}, []string{"LANG=C.UTF-8"}, t.TempDir())
	require.NoError(t, err)
	cmd := &exec.Cmd{Path: l.Path, Args: l.Args, Env: l.Env}
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, string(out))
	assert.Equal(t, "{\"word\": \"woad\", \"args\": [\"one\"]}\nthread\nPermissionError\nPermissionError\nPermissionError\nMemoryError\n", string(out))
}

// TestPolicyOnWeakKernels shows what is refused and said where the kernel has less than the one that runs the tests.
func TestPolicyOnWeakKernels(t *testing.T) {
	for name, c := range map[string]struct {
		kernel Kernel
		lacks  string // "" when production holds
		not    string // said not to be enforced
	}{
		"nothing":       {Kernel{Linux: true}, "Landlock and seccomp", "writing outside its socket folder"},
		"no Landlock":   {Kernel{Linux: true, Seccomp: true}, "it lacks Landlock", "writing outside its socket folder"},
		"no filter":     {Kernel{Linux: true, LandlockABI: 7}, "it lacks seccomp", "UDP and every other socket but unix streams"},
		"old Landlock":  {Kernel{Linux: true, Seccomp: true, LandlockABI: 1}, "", "seeing whether a path exists, and its size and times"},
		"other systems": {Kernel{}, "Landlock and seccomp", "memory above 512 MiB"},
	} {
		t.Run(name, func(t *testing.T) {
			err := Policy{Profile: Production}.Check(c.kernel)
			if c.lacks == "" {
				assert.NoError(t, err)
			} else {
				assert.ErrorIs(t, err, ErrWeak)
				assert.ErrorContains(t, err, c.lacks)
			}
			assert.NoError(t, Policy{Profile: Local}.Check(c.kernel))
			assert.Contains(t, Policy{Profile: Local}.Report(c.kernel).NotEnforced, c.not)
		})
	}
	off := Policy{}.Report(Kernel{Linux: true, LandlockABI: 7, Seccomp: true})
	assert.Empty(t, off.Enforced)
}
