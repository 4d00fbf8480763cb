package host_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/host"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest/echo"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc"
	"go.opentelemetry.io/otel/propagation"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	tracepb "go.opentelemetry.io/proto/otlp/trace/v1"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

func TestMain(m *testing.M) {
	plugintest.Main(map[string]func(){
		"echo": func() { sdk.Serve(module("echo", answer)) },
		"chatty": func() {
			// What an author's leftover debugging does, on the variable and on the descriptor.
			fmt.Println("hello from before the handshake")
			_, _ = syscall.Write(1, []byte("raw bytes on descriptor 1\n"))
			sdk.Serve(module("chatty", answer))
		},
		"early":      func() { fmt.Fprintln(os.Stderr, "no spectral table here"); os.Exit(3) },
		"late":       func() { time.Sleep(time.Hour) },
		"incomplete": func() { sdk.Serve(sdk.Module{}) },
		"litterer":   func() { sdk.Serve(module("litterer", leaveGrandchild)) },
	})
	plugintest.RunWithoutLeaks(m,
		// The thread that starts modules lives as long as the program.
		goleak.IgnoreTopFunction("github.com/commonvat/commonvat/plugins/sdk/host.spawn"))
}

func module(name string, h echo.Handler) sdk.Module {
	return echo.Module(name, "1.0.0", sdk.KindPalette, h)
}

func answer(ctx context.Context, in []byte) ([]byte, error) {
	switch string(in) {
	case "env":
		return []byte(strings.Join(os.Environ(), "\n")), nil
	case "stdin":
		b, err := io.ReadAll(os.Stdin)
		return []byte(fmt.Sprintf("%d bytes, %v", len(b), err)), nil
	case "panic":
		panic("the pot boiled over")
	case "exit":
		os.Exit(7)
	case "big":
		return make([]byte, sdk.MaxMessageBytes+1), nil
	case "print":
		fmt.Println("a line printed by the method")
	case "flood":
		for n := range 5000 {
			fmt.Println("line", n)
		}
	case "spans":
		_, span := sdk.StartSpan(ctx, "inner")
		span.End()
	case "many spans":
		for range 100 {
			_, span := sdk.StartSpan(ctx, strings.Repeat("long name ", 20))
			span.End()
		}
	}
	return in, nil
}

// leaveGrandchild starts a process in a session of its own that holds the module's standard output and error.
func leaveGrandchild(context.Context, []byte) ([]byte, error) {
	cmd := exec.Command("/bin/sleep", "600")
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	for _, fd := range []uintptr{1, 2} {
		f := os.NewFile(fd, "inherited")
		if fd == 1 {
			cmd.Stdout = f
		} else {
			cmd.Stderr = f
		}
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	return []byte(fmt.Sprint(cmd.Process.Pid)), nil
}

func start(t *testing.T, name string, change ...func(*host.Config)) (*host.Process, error) {
	t.Helper()
	sockets, err := os.MkdirTemp("", "cv")
	require.NoError(t, err)
	cfg := host.Config{
		Path:         filepath.Join(plugintest.Folder(t, name, "1.0.0", sdk.KindPalette), sdk.ExecutablePrefix+name),
		SocketParent: sockets, StartTimeout: plugintest.Patience,
	}
	for _, c := range change {
		c(&cfg)
	}
	p, err := host.Start(t.Context(), cfg)
	t.Cleanup(func() {
		if p != nil {
			p.Stop(time.Second)
		}
		left, err := os.ReadDir(sockets)
		assert.NoError(t, err)
		assert.Empty(t, left, "socket folders are removed")
		assert.NoError(t, os.RemoveAll(sockets))
	})
	return p, err
}

func TestCallAndDescribe(t *testing.T) {
	p, err := start(t, "echo")
	require.NoError(t, err)
	d, err := p.Describe(t.Context())
	require.NoError(t, err)
	assert.Equal(t, "echo", d.GetName())
	out, err := echo.Call(t.Context(), p.Conn(), []byte("madder"))
	require.NoError(t, err)
	assert.Equal(t, "madder", string(out))
	out, err = echo.Collect(t.Context(), p.Conn(), []byte("mad"), []byte("der"))
	require.NoError(t, err)
	assert.Equal(t, "madder", string(out))
}

func TestPanicStaysInside(t *testing.T) {
	p, err := start(t, "echo")
	require.NoError(t, err)
	_, err = echo.Call(t.Context(), p.Conn(), []byte("panic"))
	assert.Equal(t, codes.Internal, status.Code(err))
	assert.ErrorContains(t, err, "module echo panicked: the pot boiled over")
	_, err = echo.Collect(t.Context(), p.Conn(), []byte("pan"), []byte("ic"))
	assert.Equal(t, codes.Internal, status.Code(err))
	out, err := echo.Call(t.Context(), p.Conn(), []byte("still here"))
	require.NoError(t, err)
	assert.Equal(t, "still here", string(out))
}

func TestEnvironmentAndStdinAreEmpty(t *testing.T) {
	t.Setenv("COMMONVAT_SECRET", "well water")
	p, err := start(t, "echo")
	require.NoError(t, err)
	out, err := echo.Call(t.Context(), p.Conn(), []byte("env"))
	require.NoError(t, err)
	var names []string
	for line := range strings.SplitSeq(string(out), "\n") {
		// The certificate has several lines; only lines with a name count.
		if name, _, ok := strings.Cut(line, "="); ok && strings.ToUpper(name) == name && strings.Contains(name, "_") {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	assert.Equal(t, []string{sdk.LifelineEnv, sdk.CookieKey, "PLUGIN_CLIENT_CERT", "PLUGIN_MAX_PORT", "PLUGIN_MIN_PORT",
		"PLUGIN_PROTOCOL_VERSIONS", "PLUGIN_UNIX_SOCKET_DIR"}, names)
	assert.NotContains(t, string(out), "well water")

	out, err = echo.Call(t.Context(), p.Conn(), []byte("stdin"))
	require.NoError(t, err)
	assert.Equal(t, "0 bytes, <nil>", string(out))
}

func TestMessageLimits(t *testing.T) {
	p, err := start(t, "echo")
	require.NoError(t, err)
	five := make([]byte, 5<<20)
	out, err := echo.Call(t.Context(), p.Conn(), five)
	require.NoError(t, err, "above gRPC's own limit of 4 MiB")
	assert.Len(t, out, len(five))
	_, err = echo.Call(t.Context(), p.Conn(), make([]byte, sdk.MaxMessageBytes+1))
	assert.Equal(t, codes.ResourceExhausted, status.Code(err))
	_, err = echo.Call(t.Context(), p.Conn(), []byte("big"))
	assert.Equal(t, codes.ResourceExhausted, status.Code(err))
}

func TestPrintsDoNotSpoilTheHandshake(t *testing.T) {
	log := &lockedBuffer{}
	p, err := start(t, "chatty", func(c *host.Config) {
		c.Logger = slog.New(slog.NewTextHandler(log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	})
	require.NoError(t, err)
	_, err = echo.Call(t.Context(), p.Conn(), []byte("print"))
	require.NoError(t, err)
	assert.Eventually(t, func() bool { return strings.Contains(log.String(), "a line printed by the method") },
		plugintest.Patience, 10*time.Millisecond, "prints of a method reach the host's log")
	p.Stop(time.Second)
	assert.Contains(t, p.StderrTail(), "hello from before the handshake")
	assert.Contains(t, p.StderrTail(), "raw bytes on descriptor 1")
}

func TestFailuresBeforeTheHandshake(t *testing.T) {
	for name, tc := range map[string]struct {
		module string
		change func(*host.Config)
		reason string
		stderr string
		cause  error
	}{
		"exits":          {module: "early", reason: "ended before the handshake (exit status 3)", stderr: "no spectral table here"},
		"never speaks":   {module: "late", change: func(c *host.Config) { c.StartTimeout = 300 * time.Millisecond }, reason: "within 300ms"},
		"incomplete":     {module: "incomplete", reason: "exit status 2", stderr: "module is incomplete"},
		"wrong checksum": {module: "echo", change: func(c *host.Config) { c.SHA256 = make([]byte, sha256.Size) }, reason: "checksum", cause: host.ErrChecksum},
		"no such file":   {module: "echo", change: func(c *host.Config) { c.Path += "x" }, reason: "no such file"},
		"relative path":  {module: "echo", change: func(c *host.Config) { c.Path = "echo" }, reason: "not absolute"},
		"long sockets":   {module: "echo", change: func(c *host.Config) { c.SocketParent = strings.Repeat("x", host.MaxSocketParent+1) }, reason: "path of the socket folder has 70 bytes, want 1 to 69"},
	} {
		t.Run(name, func(t *testing.T) {
			change := tc.change
			if change == nil {
				change = func(*host.Config) {}
			}
			_, err := start(t, tc.module, change)
			var se *host.StartError
			require.ErrorAs(t, err, &se)
			assert.Contains(t, se.Reason, tc.reason)
			assert.Equal(t, name == "never speaks", se.Late)
			assert.Contains(t, se.Stderr, tc.stderr)
			if tc.cause != nil {
				assert.ErrorIs(t, err, tc.cause)
			}
		})
	}
}

// slowEar takes as long as told to hear out a module that writes on standard error.
type slowEar struct {
	takes time.Duration
	heard time.Time
}

func (e *slowEar) Enabled(context.Context, slog.Level) bool { return true }

func (e *slowEar) WithAttrs([]slog.Attr) slog.Handler { return e }

func (e *slowEar) WithGroup(string) slog.Handler { return e }

func (e *slowEar) Handle(_ context.Context, r slog.Record) error {
	if strings.Contains(r.Message, "no spectral table here") {
		e.heard = time.Now()
		time.Sleep(e.takes)
	}
	return nil
}

// A module that ended in time isn't late, however long it takes to hear out what it wrote.
func TestAnEndInTimeIsNotLate(t *testing.T) {
	for limit := time.Second; limit < plugintest.Patience; limit *= 2 {
		ear, began := &slowEar{takes: limit}, time.Now()
		_, err := start(t, "early", func(c *host.Config) { c.StartTimeout, c.Logger = limit, slog.New(ear) })
		var se *host.StartError
		require.ErrorAs(t, err, &se)
		if ear.heard.IsZero() || ear.heard.Sub(began) > limit/2 {
			continue // the machine is busy, and it may have been late indeed
		}
		assert.Contains(t, se.Reason, "ended before the handshake (exit status 3)")
		assert.False(t, se.Late)
		return
	}
	t.Fatal("the module never wrote in time")
}

func TestChecksumIsAcceptedAgainAndAgain(t *testing.T) {
	for range 2 {
		p, err := start(t, "echo", func(c *host.Config) {
			b, err := os.ReadFile(c.Path)
			require.NoError(t, err)
			sum := sha256.Sum256(b)
			c.SHA256 = sum[:]
		})
		require.NoError(t, err)
		p.Stop(time.Second)
	}
}

func TestCancelledStart(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	_, err := host.Start(ctx, host.Config{
		Path:         filepath.Join(plugintest.Folder(t, "late", "1.0.0", sdk.KindPalette), sdk.ExecutablePrefix+"late"),
		SocketParent: os.TempDir(),
	})
	assert.ErrorIs(t, err, context.DeadlineExceeded)
	// Given up before there is a process, it doesn't wait for one that never speaks.
	given, giveUp := context.WithCancel(t.Context())
	giveUp()
	done := make(chan error, 1)
	go func() {
		_, err := host.Start(given, host.Config{
			Path:         filepath.Join(plugintest.Folder(t, "late", "1.0.0", sdk.KindPalette), sdk.ExecutablePrefix+"late"),
			SocketParent: os.TempDir(), StartTimeout: 5 * time.Minute,
		})
		done <- err
	}()
	select {
	case err := <-done:
		assert.ErrorIs(t, err, context.Canceled)
	case <-time.After(plugintest.Patience):
		t.Fatal("it waits for the handshake of a start that was given up")
	}
}

// A frozen module doesn't hold whoever asks for its description, with or without a deadline.
func TestDescribeIsBounded(t *testing.T) {
	p, err := start(t, "echo", func(c *host.Config) { c.StartTimeout = host.DefaultStartTimeout })
	require.NoError(t, err)
	plugintest.Freeze(t, p.PID())
	done := make(chan error, 1)
	go func() {
		_, err := p.Describe(context.WithoutCancel(t.Context()))
		done <- err
	}()
	select {
	case err := <-done:
		assert.Equal(t, codes.DeadlineExceeded, status.Code(err), "%v", err)
		assert.ErrorContains(t, err, "module echo does not describe itself")
	case <-time.After(plugintest.Patience):
		t.Fatal("it waits for ever")
	}
}

func TestExitIsSeen(t *testing.T) {
	p, err := start(t, "echo")
	require.NoError(t, err)
	_, err = echo.Call(t.Context(), p.Conn(), []byte("exit"))
	assert.Equal(t, codes.Unavailable, status.Code(err))
	select {
	case <-p.Exited():
	case <-time.After(plugintest.Patience):
		t.Fatal("the end of the process was not seen")
	}
	assert.Equal(t, "exit status 7", p.ExitText())
}

func TestFrozenModuleIsKilled(t *testing.T) {
	p, err := start(t, "echo")
	require.NoError(t, err)
	plugintest.Freeze(t, p.PID())
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	assert.Error(t, p.Healthy(ctx))
	within(t, func() { p.Stop(200 * time.Millisecond) })
	assert.Contains(t, p.ExitText(), "killed")
}

func TestGrandchildDoesNotHoldTheHost(t *testing.T) {
	p, err := start(t, "litterer")
	require.NoError(t, err)
	out, err := echo.Call(t.Context(), p.Conn(), nil)
	require.NoError(t, err)
	var pid int
	_, err = fmt.Sscan(string(out), &pid)
	require.NoError(t, err)
	defer func() { _ = syscall.Kill(pid, syscall.SIGKILL) }() // ours: the module of this test started it
	within(t, func() { p.Stop(time.Second) })
}

func within(t *testing.T, f func()) {
	t.Helper()
	done := make(chan struct{})
	go func() { defer close(done); f() }()
	select {
	case <-done:
	case <-time.After(plugintest.Patience):
		t.Fatalf("did not return within %s", plugintest.Patience)
	}
}

func TestSpansComeBack(t *testing.T) {
	var mu sync.Mutex
	var got []*tracepb.ResourceSpans
	provider := sdktrace.NewTracerProvider(sdktrace.WithSampler(sdktrace.AlwaysSample()))
	defer func() { _ = provider.Shutdown(context.Background()) }()
	p, err := start(t, "echo", func(c *host.Config) {
		c.Version = "1.0.0"
		c.Spans = func(rs []*tracepb.ResourceSpans) { mu.Lock(); defer mu.Unlock(); got = append(got, rs...) }
		c.DialOptions = []grpc.DialOption{grpc.WithStatsHandler(otelgrpc.NewClientHandler(
			otelgrpc.WithTracerProvider(provider), otelgrpc.WithPropagators(propagation.TraceContext{})))}
	})
	require.NoError(t, err)
	take := func() []*tracepb.ResourceSpans { mu.Lock(); defer mu.Unlock(); g := got; got = nil; return g }

	_, err = echo.Call(t.Context(), p.Conn(), []byte("spans"))
	require.NoError(t, err)
	assert.Empty(t, take(), "a call without a trace of its caller brings nothing")

	ctx, root := provider.Tracer("test").Start(t.Context(), "root")
	defer root.End()
	id := root.SpanContext().TraceID()
	for name, call := range map[string]func() error{
		"unary":  func() error { _, err := echo.Call(ctx, p.Conn(), []byte("spans")); return err },
		"stream": func() error { _, err := echo.Collect(ctx, p.Conn(), []byte("spa"), []byte("ns")); return err },
	} {
		require.NoError(t, call(), name)
		rs := take()
		require.Len(t, rs, 1, name)
		var names []string
		for _, ss := range rs[0].GetScopeSpans() {
			for _, s := range ss.GetSpans() {
				names = append(names, s.GetName())
				assert.Equal(t, id[:], s.GetTraceId())
			}
		}
		require.Len(t, names, 2)
		assert.Contains(t, names, "inner")
		assert.Equal(t, "commonvat-module-echo", rs[0].GetResource().GetAttributes()[0].GetValue().GetStringValue())
	}

	_, err = echo.Call(ctx, p.Conn(), []byte("panic"))
	require.Error(t, err)
	rs := take()
	require.Len(t, rs, 1)
	assert.Equal(t, tracepb.Status_STATUS_CODE_ERROR, rs[0].GetScopeSpans()[0].GetSpans()[0].GetStatus().GetCode())

	_, err = echo.Call(ctx, p.Conn(), []byte("many spans"))
	require.NoError(t, err)
	rs = take()
	require.Len(t, rs, 1, "too many spans are cut to what fits, the call's own among them")
	var last string
	for _, ss := range rs[0].GetScopeSpans() {
		for _, s := range ss.GetSpans() {
			if strings.HasSuffix(s.GetName(), "/Call") {
				last = s.GetName()
			}
		}
	}
	assert.NotEmpty(t, last)
}

func TestStopTwice(t *testing.T) {
	p, err := start(t, "echo")
	require.NoError(t, err)
	var wg sync.WaitGroup
	for range 3 {
		wg.Go(func() { p.Stop(time.Second) })
	}
	wg.Wait()
	_, err = echo.Call(t.Context(), p.Conn(), nil)
	assert.Error(t, err)
	assert.False(t, errors.Is(err, context.DeadlineExceeded))
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(b)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func TestStandardOutputIsCopied(t *testing.T) {
	out := &lockedBuffer{}
	p, err := start(t, "echo", func(c *host.Config) { c.Stdout = out })
	require.NoError(t, err)
	p.Stop(time.Second)
	assert.Regexp(t, `^1\|1\|unix\|[^|\n]+\|grpc\|[^\n]*\n$`, out.String(), "the handshake of go-plugin and nothing else")
}

// A module that prints too much and ends would take the count of what is missing along.
func TestLinesThatAreMissingAtTheEndAreTold(t *testing.T) {
	said := &lockedBuffer{}
	p, err := start(t, "echo", func(c *host.Config) {
		c.Logger = slog.New(slog.NewTextHandler(said, &slog.HandlerOptions{Level: slog.LevelDebug}))
	})
	require.NoError(t, err)
	_, err = echo.Call(t.Context(), p.Conn(), []byte("flood"))
	require.NoError(t, err)
	require.Eventually(t, func() bool { return strings.Contains(said.String(), "line 400") }, time.Minute, 5*time.Millisecond)
	p.Stop(10 * time.Second)
	assert.Regexp(t, `level=WARN msg="module logged too fast, lines are missing" module=echo missing=[1-9]\d* host=plugins/sdk/host\n`, said.String())
}

func TestModuleEndsWithTheLifeline(t *testing.T) {
	p, err := start(t, "echo")
	require.NoError(t, err)
	p.DropLifeline()
	select {
	case <-p.Exited():
	case <-time.After(plugintest.Patience):
		t.Fatal("it goes on without its host")
	}
	assert.Equal(t, "exit status 0", p.ExitText())
}
