package e2e_test

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/e2e/leash"
)

// The service manager's protocol is sd_notify(3): datagrams to the socket that NOTIFY_SOCKET names, lines of NAME=VALUE.
func TestServiceManagerIsToldInOrder(t *testing.T) {
	path := filepath.Join(shortDir(t), "notify")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	require.NoError(t, err)
	defer func() { require.NoError(t, socket.Close()) }()
	next := func() string {
		t.Helper()
		require.NoError(t, socket.SetReadDeadline(time.Now().Add(readyWithin)))
		buffer := make([]byte, 4096)
		n, err := socket.Read(buffer)
		require.NoError(t, err)
		return string(buffer[:n])
	}
	l := newLab(t, "ash")
	l.installModules("palette-width")
	l.env = []string{"NOTIFY_SOCKET=" + path}
	l.start()
	assert.Equal(t, "STATUS=opening the store", next())
	assert.Equal(t, "READY=1\nSTATUS=serving on "+l.address, next())
	// It answers from then on, whatever the modules do.
	assert.Contains(t, l.tool("commonvatd", "healthcheck", "--address", l.address), "SERVING")
	l.eventually(readyWithin, "the module runs", func() bool { return len(l.modulePIDs()) > 0 })
	for _, pid := range l.modulePIDs() {
		environment, err := os.ReadFile(fmt.Sprintf("/proc/%d/environ", pid))
		require.NoError(t, err)
		assert.NotContains(t, string(environment), "NOTIFY_SOCKET", "a module can't speak for the core")
	}
	l.stop()
	assert.Equal(t, "STOPPING=1\nSTATUS=stopping", next())
	require.NoError(t, socket.SetReadDeadline(time.Now().Add(50*time.Millisecond)))
	_, err = socket.Read(make([]byte, 1))
	assert.ErrorIs(t, err, os.ErrDeadlineExceeded, "nothing more is said")
}

// A manager that has gone keeps nobody from the records.
func TestCoreServesWithoutTheManagerItWasToldOf(t *testing.T) {
	l := newLab(t, "ash")
	l.env = []string{"NOTIFY_SOCKET=" + filepath.Join(shortDir(t), "nobody")}
	l.start()
	l.does("ash", "trial", "list")
	l.stop()
	assert.Contains(t, l.log(), "the service manager was not told")
}

// zombies lists the children of a process that have ended and were not waited for.
func zombies(t *testing.T, parent int) []string {
	t.Helper()
	var found []string
	stats, err := filepath.Glob("/proc/[0-9]*/stat")
	require.NoError(t, err)
	for _, path := range stats {
		text, err := os.ReadFile(path)
		if err != nil {
			continue // it has ended meanwhile
		}
		// pid (name) state ppid ..., see proc(5); a name may hold anything, so what follows its last bracket counts.
		after := bytes.LastIndexByte(text, ')')
		fields := strings.Fields(string(text[after+1:]))
		if fields[0] == "Z" && fields[1] == fmt.Sprint(parent) {
			found = append(found, string(text))
		}
	}
	return found
}

// below finds the one child of a process.
func below(t *testing.T, parent int) int {
	t.Helper()
	deadline := time.Now().Add(readyWithin)
	for ; time.Now().Before(deadline); time.Sleep(10 * time.Millisecond) {
		children, err := os.ReadFile(fmt.Sprintf("/proc/%d/task/%d/children", parent, parent))
		require.NoError(t, err)
		var child int
		if _, err := fmt.Sscan(string(children), &child); err == nil {
			return child
		}
	}
	t.Fatal("no child")
	return 0
}

// firstProcess runs a shell line as process 1 of a process namespace of its own, which ends with it.
func firstProcess(t *testing.T, log *os.File, line string, args ...string) (ended <-chan error, first int) {
	t.Helper()
	cmd := exec.Command("unshare", append([]string{"--user", "--map-root-user", "--pid", "--fork", "--kill-child", "--mount-proc", "sh", "-c", line, "sh"}, args...)...)
	cmd.Env = environment()
	cmd.Stdout, cmd.Stderr = log, log
	ended, err := leash.Start(cmd, syscall.SIGKILL)
	require.NoError(t, err, "process namespaces are needed: unshare of util-linux")
	t.Cleanup(func() {
		_ = cmd.Process.Kill() // nothing if it has ended
		<-ended                //nolint:errcheck // whoever waits for it has it
	})
	return ended, below(t, cmd.Process.Pid)
}

// As the first process of a container the core is given the orphans of all others. The shell leaves one behind and then becomes
// the core. That what is looked for would be seen is shown by a first process that doesn't wait.
func TestFirstProcessReapsOrphansAndPassesTheEndOn(t *testing.T) {
	const orphan = `(sh -c 'sleep 0.3' & echo $! >/dev/null) ; exec "$@"`
	_, sleeping := firstProcess(t, nil, orphan, "sleep", "60")
	deadline := time.Now().Add(readyWithin)
	for len(zombies(t, sleeping)) == 0 {
		require.True(t, time.Now().Before(deadline), "the control doesn't show a zombie")
		time.Sleep(10 * time.Millisecond)
	}

	l := newLab(t, "ash")
	l.installModules("palette-width")
	ready, marker := filepath.Join(l.data, "ready"), filepath.Join(l.data, "orphan-ended")
	log, err := os.Create(l.logFile())
	require.NoError(t, err)
	defer func() { _ = log.Close() }()
	ended, first := firstProcess(t, log, `(sh -c 'sleep 0.5; : >'"$1" & echo $! >/dev/null) ; shift ; exec "$@"`, marker,
		program("commonvatd"), "serve", "--data", l.data, "--listen", "127.0.0.1:0", "--ready-file", ready, "--runtime-dir", l.runtime)
	l.eventually(readyWithin, "the core is ready", func() bool {
		address, err := os.ReadFile(ready)
		l.address = strings.TrimSpace(string(address))
		return err == nil && l.address != ""
	})
	l.eventually(readyWithin, "the orphan has ended", func() bool { _, err := os.Stat(marker); return err == nil })
	l.eventually(readyWithin, "the orphan is waited for", func() bool { return len(zombies(t, first)) == 0 })
	// The core's own waiting isn't disturbed: a module that is killed is seen to end, and comes back.
	var module []int
	l.eventually(readyWithin, "the module runs", func() bool { // one that is killed before its handshake would not be started again
		module = l.modulePIDs()
		return len(module) == 1 && strings.Contains(l.log(), `"state":"running"`)
	})
	require.NoError(t, syscall.Kill(module[0], syscall.SIGKILL))
	l.eventually(readyWithin, "the module runs again", func() bool {
		again := l.modulePIDs()
		return len(again) == 1 && again[0] != module[0]
	})
	require.Empty(t, zombies(t, first))
	l.does("ash", "trial", "list")

	require.NoError(t, syscall.Kill(first, syscall.SIGTERM))
	require.NoError(t, <-ended, "%s", l.log())
	assert.Contains(t, l.log(), `"msg":"stopped"`)
	assert.Empty(t, l.modulePIDs())
	assert.NoFileExists(t, ready)
}

// A fault at the start of the core is the first process's exit code too.
func TestFirstProcessPassesTheExitCodeOn(t *testing.T) {
	cmd := exec.Command("unshare", "--user", "--map-root-user", "--pid", "--fork", "--kill-child", "--mount-proc", program("commonvatd"), "serve", "--stop-grace", "0s")
	cmd.Env = environment()
	out, err := cmd.CombinedOutput()
	require.Error(t, err)
	assert.Equal(t, 2, cmd.ProcessState.ExitCode(), "%s", out)
	assert.Contains(t, string(out), "stop_grace")
}
