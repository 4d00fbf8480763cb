package crash

import (
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

const namespaceMade = "COMMONVAT_CRASH_NAMESPACE"

// withMounts runs a test that mounts file systems of its own: as it is where that is allowed, else in a user and mount namespace,
// for which the test program starts itself again.
func withMounts(t *testing.T, test func(t *testing.T)) {
	t.Helper()
	if os.Getenv(namespaceMade) != "" || mayMount(t) {
		test(t)
		return
	}
	again := exec.Command(os.Args[0], "-test.run=^"+t.Name()+"$", "-test.v")
	again.Env = append(os.Environ(), namespaceMade+"=1", coreBuilt+"="+core)
	again.SysProcAttr = inNamespace()
	out, err := again.CombinedOutput()
	t.Logf("in a namespace:\n%s", out)
	require.NoError(t, err)
	assert.Contains(t, string(out), "--- PASS: "+t.Name())
}

func mayMount(t *testing.T) bool {
	t.Helper()
	folder := filepath.Join(t.TempDir(), "try")
	require.NoError(t, os.Mkdir(folder, 0o700))
	if unix.Mount("tmpfs", folder, "tmpfs", 0, "size=64k") != nil {
		return false
	}
	require.NoError(t, unix.Unmount(folder, 0))
	return true
}

// mountMemory mounts a file system of a size ("8m") until the test ends.
func mountMemory(t *testing.T, folder, size string) {
	t.Helper()
	require.NoError(t, os.MkdirAll(folder, 0o700))
	require.NoError(t, unix.Mount("tmpfs", folder, "tmpfs", 0, "mode=0700,size="+size))
	t.Cleanup(func() { assert.NoError(t, unix.Unmount(folder, unix.MNT_DETACH)) })
}

// remount changes the size of what mountMemory mounted, or makes it read-only.
func remount(t *testing.T, folder, size string, readOnly bool) {
	t.Helper()
	flags := uintptr(unix.MS_REMOUNT)
	if readOnly {
		flags |= unix.MS_RDONLY
	}
	require.NoError(t, unix.Mount("tmpfs", folder, "tmpfs", flags, "size="+size))
}

// inNamespace gives a process a user namespace in which it may mount for itself alone.
func inNamespace() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{
		Cloneflags:  syscall.CLONE_NEWUSER | syscall.CLONE_NEWNS,
		UidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getuid(), Size: 1}},
		GidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getgid(), Size: 1}},
	}
}
