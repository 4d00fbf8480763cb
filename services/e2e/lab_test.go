package e2e_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/services/e2e/leash"
)

// built is where TestMain put the programs: commonvatd, commonvat, commonvat-demo and modules/.
var built string

const root = "../.."

func TestMain(m *testing.M) {
	plugintest.Main(map[string]func(){"difference-swapped": serveSwapped, "difference-moody": serveMoody})
	os.Exit(run(m))
}

func run(m *testing.M) int {
	dir, err := os.MkdirTemp("", "commonvat-e2e")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer func() { _ = os.RemoveAll(dir) }()
	if err := build(dir); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	built = dir
	return m.Run()
}

// serving is the core that labs start. Tests with the race detector start one that has it too; what is done in a moment or by modules is left to programs
// without it, which start up to ten times faster.
const serving = "commonvatd" + withDetector

// build builds the programs and the modules into a folder.
func build(dir string) error {
	targets := []string{"build"}
	if withDetector != "" {
		targets = append(targets, "build-race")
	}
	make := exec.Command("make", append([]string{"-s", "-C", root, "BIN=" + dir}, targets...)...)
	make.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := make.CombinedOutput(); err != nil {
		return fmt.Errorf("make %v: %w\n%s", targets, err, out)
	}
	return nil
}

// environment is the tests' own without what would lead our programs elsewhere: whoever follows the README has some of it set.
func environment(more ...string) []string {
	own := slices.DeleteFunc(os.Environ(), func(v string) bool {
		return strings.HasPrefix(v, "COMMONVAT_") || strings.HasPrefix(v, "OTEL_")
	})
	return append(own, more...)
}

func program(name string) string { return filepath.Join(built, name) }

// shortDir is a folder with a short path, for sockets.
func shortDir(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "cv")
	require.NoError(t, err)
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}

// lab is one cooperative's core with its data folder; members have tokens.
type lab struct {
	t       testing.TB
	data    string
	runtime string
	env     []string // further environment of the core
	flags   []string // further flags of the core
	tokens  map[string]string
	core    *exec.Cmd
	ended   chan struct{} // closed when the core has ended
	address string
}

const (
	readyWithin = 2 * time.Minute
	endWithin   = 2 * time.Minute
	callWithin  = 2 * time.Minute
)

// newLab makes members before the core starts, each with a token: "name" or "name:role,role".
func newLab(t testing.TB, members ...string) *lab {
	t.Helper()
	l := &lab{t: t, data: t.TempDir(), runtime: shortDir(t), tokens: map[string]string{}}
	for _, member := range members {
		name, roles, _ := strings.Cut(member, ":")
		if roles == "" {
			roles = "member"
		}
		file := filepath.Join(l.data, name+".token")
		l.tool("commonvatd", "member", "add", name, "--role", roles, "--data", l.data, "--token-file", file)
		l.tokens[name] = file
	}
	return l
}

// installed are the modules' folders that labs of these tests begin with, by the names of their modules.
var installed = map[string]string{}

// installModules puts modules into the store: all that were built, or the named kinds' only.
func (l *lab) installModules(names ...string) {
	l.t.Helper()
	if len(names) == 0 {
		names = []string{"reading-reflectance", "difference-deltae", "palette-width", "compare-orders"}
	}
	key := strings.Join(names, " ")
	store, known := installed[key]
	if !known {
		var err error
		store, err = os.MkdirTemp(built, "installed")
		require.NoError(l.t, err)
		putReports(l.t, store)
		for _, name := range names {
			l.tool("commonvatd", "module", "install", filepath.Join(built, "modules", "commonvat-module-"+name), "--data", store)
		}
		installed[key] = store
	}
	copyInto(l.t, filepath.Join(store, "modules"), l.data)
}

// tried installs every module that was built, once for all tests, and gives the data folder.
var tried = sync.OnceValues(func() (string, error) {
	data, err := os.MkdirTemp(built, "tried")
	if err != nil {
		return "", err
	}
	folders, err := filepath.Glob(filepath.Join(built, "modules", "*"))
	if err != nil {
		return "", err
	}
	out, err := exec.Command(program("commonvatd"), append([]string{"module", "install", "--data", data}, folders...)...).CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("install all modules: %w\n%s", err, out)
	}
	return data, nil
})

// putReports puts the reports of all built modules into a data folder, before they are installed there. A build is tried as it is installed, which takes
// seconds and says the same each time, unless there is a report that it passed.
func putReports(t testing.TB, data string) {
	t.Helper()
	from, err := tried()
	require.NoError(t, err)
	require.NoError(t, os.MkdirAll(filepath.Join(data, "modules"), 0o750))
	copyInto(t, filepath.Join(from, "modules", "reports"), filepath.Join(data, "modules"))
}

func copyInto(t testing.TB, from, folder string) {
	t.Helper()
	out, err := exec.Command("cp", "-a", from, folder).CombinedOutput()
	require.NoError(t, err, "%s", out)
}

// tool runs one of our programs, which must succeed.
func (l *lab) tool(name string, args ...string) string {
	l.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), callWithin)
	defer cancel()
	out, err := exec.CommandContext(ctx, program(name), args...).CombinedOutput()
	require.NoError(l.t, err, "%s %s\n%s", name, strings.Join(args, " "), out)
	return string(out)
}

// start runs the core until the test ends, or stop or kill.
func (l *lab) start() {
	l.t.Helper()
	ready := filepath.Join(l.data, "ready")
	_ = os.Remove(ready) // of a core that was killed
	log, err := os.OpenFile(l.logFile(), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	require.NoError(l.t, err)
	core := exec.Command(program(serving), append([]string{"serve", "--data", l.data, "--listen", "127.0.0.1:0",
		"--ready-file", ready, "--runtime-dir", l.runtime, "--log-level", "debug"}, l.flags...)...)
	core.Env = environment(l.env...)
	core.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	core.Stdout, core.Stderr = log, log
	waited, err := leash.Start(core, syscall.SIGKILL)
	require.NoError(l.t, err)
	ended := make(chan struct{})
	go func() {
		<-waited //nolint:errcheck // how it ended is asked of its state
		_ = log.Close()
		close(ended)
	}()
	l.core, l.ended = core, ended
	l.t.Cleanup(func() {
		_ = core.Process.Kill() // nothing if it has ended
		<-ended
		if withDetector != "" {
			assert.NotContains(l.t, l.log(), "WARNING: DATA RACE")
		}
	})
	l.eventually(readyWithin, "the core is ready", func() bool {
		address, err := os.ReadFile(ready)
		l.address = strings.TrimSpace(string(address))
		return err == nil && l.address != ""
	})
}

func (l *lab) logFile() string { return filepath.Join(l.data, "core.log") }

func (l *lab) log() string {
	l.t.Helper()
	text, err := os.ReadFile(l.logFile())
	require.NoError(l.t, err)
	return string(text)
}

// stop ends the core as an operator does.
func (l *lab) stop() {
	l.t.Helper()
	require.NoError(l.t, l.core.Process.Signal(syscall.SIGTERM))
	l.waitEnd()
	require.Zero(l.t, l.core.ProcessState.ExitCode(), "%s", l.log())
}

// kill ends the core as a power cut does.
func (l *lab) kill() {
	l.t.Helper()
	require.NoError(l.t, l.core.Process.Kill())
	l.waitEnd()
}

func (l *lab) waitEnd() {
	l.t.Helper()
	select {
	case <-l.ended:
	case <-time.After(endWithin):
		l.t.Fatal("the core did not end")
	}
}

func (l *lab) eventually(within time.Duration, what string, is func() bool) {
	l.t.Helper()
	for deadline := time.Now().Add(within); !is(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			text, _ := os.ReadFile(l.logFile())
			l.t.Fatalf("not within %v: %s\n%s", within, what, text)
		}
	}
}

// answer is what the client gave.
type answer struct {
	code        int
	out, errors string
}

// client runs the command line as a member and returns whatever came of it.
func (l *lab) client(member string, args ...string) answer {
	l.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), callWithin)
	defer cancel()
	cmd := exec.CommandContext(ctx, program("commonvat"), args...)
	cmd.Dir = root
	home := filepath.Join(l.data, "home-"+member)
	cmd.Env = environment("HOME="+home, "XDG_CONFIG_HOME="+home, "COMMONVAT_SERVER="+l.address, "COMMONVAT_TOKEN_FILE="+l.tokens[member])
	cmd.Env = append(cmd.Env, l.env...)
	var out, faults bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &faults
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		require.NoError(l.t, err)
	}
	return answer{code: cmd.ProcessState.ExitCode(), out: out.String(), errors: faults.String()}
}

// does runs the command line as a member; it must succeed. The output is returned.
func (l *lab) does(member string, args ...string) string {
	l.t.Helper()
	a := l.client(member, args...)
	require.Zero(l.t, a.code, "commonvat %s\n%s%s", strings.Join(args, " "), a.out, a.errors)
	return a.out
}

// asks is does for questions that need modules, which may still be starting.
func (l *lab) asks(member string, args ...string) string {
	l.t.Helper()
	var a answer
	l.eventually(callWithin, "commonvat "+strings.Join(args, " ")+" is answered", func() bool {
		a = l.client(member, args...)
		return a.code != exitUnavailable
	})
	require.Zero(l.t, a.code, "commonvat %s\n%s%s", strings.Join(args, " "), a.out, a.errors)
	return a.out
}

// The client's documented exit codes.
const (
	exitUsage       = 2
	exitNotFound    = 3
	exitForbidden   = 4
	exitConflict    = 5
	exitUnavailable = 6
	exitInvalid     = 7
)

// modulePIDs finds the module processes that a core's runtime folder belongs to: those that carry its sockets' folder in their
// environment. Zombies are dead.
func (l *lab) modulePIDs() []int {
	l.t.Helper()
	return processesWith(l.t, "PLUGIN_UNIX_SOCKET_DIR="+l.runtime)
}

// processesWith lists the living processes whose environment or command line holds a text.
func processesWith(t testing.TB, text string) []int {
	t.Helper()
	entries, err := os.ReadDir("/proc")
	require.NoError(t, err)
	var pids []int
	for _, e := range entries {
		var pid int
		if _, err := fmt.Sscan(e.Name(), &pid); err != nil || pid == os.Getpid() {
			continue
		}
		dir := filepath.Join("/proc", e.Name())
		environment, _ := os.ReadFile(filepath.Join(dir, "environ"))
		command, _ := os.ReadFile(filepath.Join(dir, "cmdline"))
		state, _ := os.ReadFile(filepath.Join(dir, "status"))
		if bytes.Contains(state, []byte("State:\tZ")) {
			continue
		}
		if bytes.Contains(environment, []byte(text)) || bytes.Contains(command, []byte(text)) {
			pids = append(pids, pid)
		}
	}
	return pids
}
