package sandbox_test

import (
	"context"
	"crypto/sha256"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk/host"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest/echo"
	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// weakVariable lets the tests pass by on a kernel that can't hold the production profile. Without it they fail there: a run
// that shows nothing must not look like one that does.
const weakVariable = "COMMONVAT_TEST_WEAK_KERNEL"

func strongKernel(t *testing.T) {
	t.Helper()
	if err := sandbox.Survey().CheckProduction(); err != nil {
		if os.Getenv(weakVariable) != "" {
			t.Skipf("%v, and %s is set", err, weakVariable)
		}
		t.Fatalf("%v; set %s to pass by", err, weakVariable)
	}
}

// prisonerPath is built once for all tests, static and without the race detector, whose shadow of the memory no limit fits.
var prisonerPath string

func TestMain(m *testing.M) {
	if path := os.Getenv(hostVariable); path != "" {
		beHost(path)
	}
	folder, err := os.MkdirTemp("", "prisoner")
	if err == nil {
		prisonerPath = filepath.Join(folder, "commonvat-module-prisoner")
		build := exec.Command("go", "build", "-o", prisonerPath, "./internal/prisoner")
		build.Env = append(os.Environ(), "CGO_ENABLED=0")
		build.Stderr = os.Stderr
		err = build.Run()
	}
	code := 1
	if err != nil {
		fmt.Fprintln(os.Stderr, "the prisoner can't be built:", err)
	} else {
		code = m.Run()
	}
	_ = os.RemoveAll(folder)
	os.Exit(code)
}

// installed copies the prisoner into a folder of its own, as a store does, and returns its path and checksum.
func installed(t *testing.T) (string, []byte) {
	t.Helper()
	data, err := os.ReadFile(prisonerPath)
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), filepath.Base(prisonerPath))
	require.NoError(t, os.WriteFile(path, data, 0o755))
	sum := sha256.Sum256(data)
	return path, sum[:]
}

func sumOf(t *testing.T, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	sum := sha256.Sum256(data)
	return sum[:]
}

func start(t *testing.T, path string, sum []byte, policy sandbox.Policy) (*host.Process, error) {
	t.Helper()
	sockets, err := os.MkdirTemp("", "cv")
	require.NoError(t, err)
	p, err := host.Start(t.Context(), host.Config{Path: path, SHA256: sum, SocketParent: sockets, Sandbox: policy, StartTimeout: plugintest.Patience})
	t.Cleanup(func() {
		if p != nil {
			p.Stop(time.Second)
		}
		assert.NoError(t, os.RemoveAll(sockets))
	})
	return p, err
}

func ask(t *testing.T, p *host.Process, deed string) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	answer, err := echo.Call(ctx, p.Conn(), []byte(deed))
	require.NoError(t, err, deed)
	return string(answer)
}

// victim is a process of this user that has nothing to do with the module.
func victim(t *testing.T) int {
	t.Helper()
	cmd := exec.Command("sleep", "600")
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	return cmd.Process.Pid
}

// TestPrisonerIsHeld lets one prisoner go free and holds another, and asks both the same.
func TestPrisonerIsHeld(t *testing.T) {
	strongKernel(t)
	outside := t.TempDir()
	file := filepath.Join(outside, "file")
	require.NoError(t, os.WriteFile(file, []byte("the record"), 0o600))
	tcp, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer func() { _ = tcp.Close() }()
	udp, err := net.ListenPacket("udp", "127.0.0.1:0")
	require.NoError(t, err)
	defer func() { _ = udp.Close() }()
	// A path of t.TempDir is too long for a socket.
	short, err := os.MkdirTemp("", "cvx")
	require.NoError(t, err)
	defer func() { _ = os.RemoveAll(short) }()
	local, err := net.Listen("unix", filepath.Join(short, "s"))
	require.NoError(t, err)
	defer func() { _ = local.Close() }()
	abstract, err := net.Listen("unix", fmt.Sprintf("@commonvat-test-%d", os.Getpid()))
	require.NoError(t, err)
	defer func() { _ = abstract.Close() }()
	logger, err := net.ListenPacket("unixgram", filepath.Join(short, "d"))
	require.NoError(t, err)
	defer func() { _ = logger.Close() }()
	pid, self := victim(t), os.Getpid()

	deeds := []struct {
		deed string
		root bool // the free prisoner needs to be root for it
	}{
		{deed: "read /etc/passwd"},
		{deed: "read " + file},
		{deed: "list /"},
		{deed: "list " + outside},
		{deed: fmt.Sprintf("read /proc/%d/environ", self)},
		{deed: "read /proc/self/environ"},
		{deed: "make " + filepath.Join(outside, "%s-made")},
		{deed: "make /tmp/commonvat-test-%s-made"},
		{deed: "link " + filepath.Join(outside, "%s-link")},
		{deed: "chmod " + file},
		{deed: "touch " + file},
		{deed: "emptied " + filepath.Join(outside, "%s-victim")},
		{deed: "truncate " + filepath.Join(outside, "%s-victim")},
		{deed: "remove " + filepath.Join(outside, "%s-victim")},
		{deed: "dial tcp " + tcp.Addr().String()},
		{deed: "listen tcp 127.0.0.1:0"},
		{deed: "dial udp " + udp.LocalAddr().String()},
		{deed: "dial unix " + local.Addr().String()},
		{deed: "dial unix " + abstract.Addr().String()},
		{deed: "dial unixgram " + logger.LocalAddr().String()},
		{deed: fmt.Sprintf("socket %d %d", unix.AF_NETLINK, unix.SOCK_RAW)},
		{deed: fmt.Sprintf("socket %d %d", unix.AF_UNIX, unix.SOCK_DGRAM)},
		{deed: fmt.Sprintf("socket %d %d", unix.AF_PACKET, unix.SOCK_RAW), root: true},
		{deed: "run /bin/true"},
		{deed: "fork"},
		{deed: "clone3"},
		{deed: fmt.Sprintf("signal %d", pid)},
		{deed: fmt.Sprintf("signal %d", self)},
		{deed: fmt.Sprintf("trace %d", pid), root: true},
		{deed: fmt.Sprintf("limits %d", self)},
		{deed: fmt.Sprintf("pidfd %d", self)},
		{deed: "orphan"},
		{deed: "memfd"},
		{deed: "shm"},
		{deed: "inotify"},
		{deed: "io_uring"},
		{deed: "unshare"},
		{deed: "shared 1"},
		{deed: "growing 1"},
		{deed: "map 1024"},
		{deed: fmt.Sprintf("owner %d", self)},
		{deed: "own-file"},
		{deed: "capabilities", root: true},
	}
	path, sum := installed(t)
	free, err := start(t, path, sum, sandbox.Policy{})
	require.NoError(t, err)
	held, err := start(t, path, sum, sandbox.Policy{Profile: sandbox.Production, Wish: sandbox.Wish{MemoryMiB: 256}})
	require.NoError(t, err)
	for _, name := range []string{"free", "held"} {
		require.NoError(t, os.WriteFile(filepath.Join(outside, name+"-victim"), []byte("the record"), 0o600))
	}
	defer func() { _ = os.Remove("/tmp/commonvat-test-free-made") }()
	for _, d := range deeds {
		one := func(name string) string {
			if strings.Contains(d.deed, "%s") {
				return fmt.Sprintf(d.deed, name)
			}
			return d.deed
		}
		if !d.root || os.Getuid() == 0 {
			assert.Equal(t, "done", ask(t, free, one("free")), "free: %s", d.deed)
		}
		got := ask(t, held, one("held"))
		assert.True(t, strings.HasPrefix(got, "refused: "), "held: %s: %s", d.deed, got)
		t.Logf("%s: %s", d.deed, got)
	}
	kept, err := os.ReadFile(filepath.Join(outside, "held-victim"))
	require.NoError(t, err)
	assert.Equal(t, "the record", string(kept))

	// Whatever would end or replace a free prisoner: the held one is refused and goes on.
	for _, deed := range []string{
		"exec /bin/true", "exec " + path, "exec-by-descriptor /bin/true", fmt.Sprintf("group %d", pid),
	} {
		got := ask(t, held, deed)
		assert.True(t, strings.HasPrefix(got, "refused: "), "held: %s: %s", deed, got)
		t.Logf("%s: %s", deed, got)
	}
	// What a module needs works.
	for _, deed := range []string{"own-socket", "list " + filepath.Dir(path), "read " + path, "map 16", "fill 64"} {
		assert.Equal(t, "done", ask(t, held, deed), "held: %s", deed)
	}
	assert.NoError(t, held.Healthy(t.Context()))
	d, err := held.Describe(t.Context())
	require.NoError(t, err)
	assert.Equal(t, "prisoner", d.GetName())
}

// TestMemoryEndsTheModule fills memory as a leaking module does: it ends, and its host does not.
func TestMemoryEndsTheModule(t *testing.T) {
	strongKernel(t)
	path, sum := installed(t)
	p, err := start(t, path, sum, sandbox.Policy{Profile: sandbox.Production, Wish: sandbox.Wish{MemoryMiB: sandbox.MinMemoryMiB}})
	require.NoError(t, err)
	assert.Equal(t, "done", ask(t, p, "fill 16"))
	_, err = echo.Call(t.Context(), p.Conn(), []byte("fill 1024"))
	require.Error(t, err)
	select {
	case <-p.Exited():
	case <-time.After(plugintest.Patience):
		t.Fatal("it goes on")
	}
	p.Stop(time.Second)
	assert.Equal(t, "exit status 2", p.ExitText(), "the end that the runtime gives itself when memory is refused")
}

// hostVariable makes the test binary a host of the executable that it names.
const hostVariable = "COMMONVAT_TEST_HOST_OF"

// beHost starts the module, tells its process id and waits to be killed.
func beHost(path string) {
	sockets, err := os.MkdirTemp("", "cv")
	if err == nil {
		var p *host.Process
		p, err = host.Start(context.Background(), host.Config{
			Path: path, SocketParent: sockets, Sandbox: sandbox.Policy{Profile: sandbox.Local}, StartTimeout: plugintest.Patience,
		})
		if err == nil {
			fmt.Println(p.PID(), sockets)
			time.Sleep(10 * time.Minute)
			p.Stop(0)
		}
	}
	fmt.Fprintln(os.Stderr, err)
	os.Exit(1)
}

// TestModuleDiesWithItsHost kills a host by SIGKILL whose module is frozen, so that the lifeline can't help: the parent-death
// signal must have come through the launcher's execution of the module.
func TestModuleDiesWithItsHost(t *testing.T) {
	strongKernel(t)
	path, _ := installed(t)
	self, err := os.Executable()
	require.NoError(t, err)
	cmd := exec.Command(self)
	cmd.Env = append(os.Environ(), hostVariable+"="+path)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	var pid int
	var sockets string
	_, err = fmt.Fscan(out, &pid, &sockets)
	require.NoError(t, err)
	defer func() { _ = os.RemoveAll(sockets) }()
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	require.NoError(t, err)
	assert.Regexp(t, `NoNewPrivs:\t1\n`, string(status))
	assert.Regexp(t, `Seccomp:\t2\n`, string(status))
	assert.Regexp(t, `CapPrm:\t0{16}\nCapEff:\t0{16}\n`, string(status))

	require.NoError(t, unix.Kill(pid, unix.SIGSTOP))
	require.NoError(t, cmd.Process.Kill())
	_ = cmd.Wait()
	assert.Eventually(t, func() bool {
		status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
		return err != nil || strings.Contains(string(status), "State:\tZ")
	}, time.Minute, 20*time.Millisecond, "module %d outlives its host", pid)
}

func TestChangedExecutableIsRefused(t *testing.T) {
	path, sum := installed(t)
	file, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
	require.NoError(t, err)
	_, err = file.WriteString("one more byte")
	require.NoError(t, err)
	require.NoError(t, file.Close())
	_, err = start(t, path, sum, sandbox.Policy{Profile: sandbox.Local})
	require.ErrorIs(t, err, host.ErrChecksum)
	_, err = start(t, path, nil, sandbox.Policy{Profile: sandbox.Local})
	require.NoError(t, err, "unchecked it starts")
}

func TestStartsThatAreRefused(t *testing.T) {
	strongKernel(t)
	path, sum := installed(t)
	script := filepath.Join(t.TempDir(), "commonvat-module-script")
	require.NoError(t, os.WriteFile(script, []byte("#!/usr/bin/python3\nprint('hello')\n"), 0o755))
	shell := filepath.Join(t.TempDir(), "commonvat-module-shell")
	require.NoError(t, os.WriteFile(shell, []byte("#!/bin/sh\n"), 0o755))
	text := filepath.Join(t.TempDir(), "commonvat-module-text")
	require.NoError(t, os.WriteFile(text, []byte("neither\n"), 0o755))
	link := filepath.Join(t.TempDir(), "commonvat-module-link")
	require.NoError(t, os.Symlink(path, link))
	for name, c := range map[string]struct {
		path   string
		sum    []byte
		policy sandbox.Policy
		want   string
	}{
		"no checksum":       {path, nil, sandbox.Policy{Profile: sandbox.Production}, "without a checksum"},
		"too much memory":   {path, sum, sandbox.Policy{Profile: sandbox.Production, Wish: sandbox.Wish{MemoryMiB: 4096}}, "grants at most 2048"},
		"too little":        {path, sum, sandbox.Policy{Profile: sandbox.Local, Wish: sandbox.Wish{MemoryMiB: 1}}, "memory_mib is 1, want 128 to 65536"},
		"unknown runtime":   {path, sum, sandbox.Policy{Profile: sandbox.Local, Wish: sandbox.Wish{Runtime: "cobol"}}, `runtime is "cobol"`},
		"unknown profile":   {path, sum, sandbox.Policy{Profile: "lax"}, `profile "lax" is unknown`},
		"undeclared Python": {script, sumOf(t, script), sandbox.Policy{Profile: sandbox.Production}, `must ask for the runtime "python3"`},
		"another script":    {shell, nil, sandbox.Policy{Profile: sandbox.Local}, "only those for python3"},
		"no program":        {text, nil, sandbox.Policy{Profile: sandbox.Local}, "neither an ELF program nor a script"},
		"link":              {link, nil, sandbox.Policy{Profile: sandbox.Local}, "symbolic links"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := start(t, c.path, c.sum, c.policy)
			require.ErrorContains(t, err, c.want)
		})
	}
}

// TestLibrariesRuntime holds a dynamically linked program, a copy of the system's cat(1), by what its loader and
// libraries need.
func TestLibrariesRuntime(t *testing.T) {
	strongKernel(t)
	path := filepath.Join(t.TempDir(), "commonvat-module-cat")
	data, err := os.ReadFile("/bin/cat")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, data, 0o755))
	if out, err := exec.Command(path, "/dev/null").CombinedOutput(); err != nil {
		t.Skipf("a copy of cat does not run here: %v %s", err, out)
	}
	run := func(wish sandbox.Wish, file string) (string, error) {
		l, err := sandbox.Policy{Profile: sandbox.Production, Wish: wish}.Launch(path, sumOf(t, path), []string{"cat", file}, nil, t.TempDir())
		require.NoError(t, err)
		out, err := (&exec.Cmd{Path: l.Path, Args: l.Args, Env: l.Env}).CombinedOutput()
		return string(out), err
	}
	beside := filepath.Join(filepath.Dir(path), "beside")
	require.NoError(t, os.WriteFile(beside, []byte("woad"), 0o600))
	out, err := run(sandbox.Wish{Runtime: sandbox.RuntimeLibraries}, beside)
	require.NoError(t, err, out)
	assert.Equal(t, "woad", out)
	out, err = run(sandbox.Wish{Runtime: sandbox.RuntimeLibraries}, "/etc/passwd")
	require.Error(t, err)
	assert.Contains(t, out, "Permission denied")
	out, err = run(sandbox.Wish{}, beside)
	require.Error(t, err)
	assert.Contains(t, out, `linked dynamically; its manifest must ask for the runtime "libraries"`)
}

// BenchmarkStart is from nothing to the first healthy answer.
func BenchmarkStart(b *testing.B) {
	data, err := os.ReadFile(prisonerPath)
	require.NoError(b, err)
	sum := sha256.Sum256(data)
	sockets, err := os.MkdirTemp("", "cv")
	require.NoError(b, err)
	defer func() { _ = os.RemoveAll(sockets) }()
	for _, profile := range sandbox.Profiles() {
		b.Run(string(profile), func(b *testing.B) {
			for b.Loop() {
				p, err := host.Start(b.Context(), host.Config{
					Path: prisonerPath, SHA256: sum[:], SocketParent: sockets, Sandbox: sandbox.Policy{Profile: profile},
				})
				require.NoError(b, err)
				b.StopTimer()
				p.Stop(time.Second)
				b.StartTimer()
			}
		})
	}
}

// BenchmarkCall is one small call to a free and a held module: what the filter costs on every call of the kernel.
func BenchmarkCall(b *testing.B) {
	sockets, err := os.MkdirTemp("", "cv")
	require.NoError(b, err)
	defer func() { _ = os.RemoveAll(sockets) }()
	for _, profile := range []sandbox.Profile{sandbox.Off, sandbox.Local} {
		b.Run(string(profile), func(b *testing.B) {
			p, err := host.Start(b.Context(), host.Config{Path: prisonerPath, SocketParent: sockets, Sandbox: sandbox.Policy{Profile: profile}})
			require.NoError(b, err)
			defer p.Stop(time.Second)
			for b.Loop() {
				_, err := echo.Call(b.Context(), p.Conn(), []byte("map 1"))
				require.NoError(b, err)
			}
		})
	}
}
