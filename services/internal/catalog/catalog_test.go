package catalog_test

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest/echo"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/catalog/catalogtest"
	"github.com/hashicorp/go-plugin"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// hostEnv makes this test binary a host that opens a catalog and waits to be killed; its value is store and runtime folder.
const hostEnv = "COMMONVAT_CATALOG_TEST_HOST"

func TestMain(m *testing.M) {
	plugintest.Main(map[string]func(){
		"echo":      func() { sdk.Serve(echo.Module("echo", "1.0.0", sdk.KindPalette, behave)) },
		"second":    func() { sdk.Serve(echo.Module("second", "1.0.0", sdk.KindPalette, behave)) },
		"early":     func() { fmt.Fprintln(os.Stderr, "no spectral table here"); os.Exit(3) },
		"late":      func() { time.Sleep(time.Hour) },
		"impostor":  func() { sdk.Serve(echo.Module("somebody-else", "1.0.0", sdk.KindPalette, behave)) },
		"bare":      serveBare,
		"versioned": serveVersioned,
		"sick":      serveSick("sick", true),
		"sickens":   serveSick("sickens", false),
		"collapses": serveSick("collapses", true),
	})
	if dirs := os.Getenv(hostEnv); dirs != "" {
		runHost(dirs)
	}
	plugintest.RunWithoutLeaks(m,
		// The thread that starts modules lives as long as the program.
		goleak.IgnoreTopFunction("github.com/commonvat/commonvat/plugins/sdk/host.spawn"))
}

// behave does what the bytes say and gives them back.
func behave(ctx context.Context, in []byte) ([]byte, error) {
	switch string(in) {
	case "panic":
		panic("the pot boiled over")
	case "exit":
		fmt.Fprintln(os.Stderr, "last words")
		os.Exit(7)
	case "hang":
		<-ctx.Done()
		return nil, status.FromContextError(ctx.Err()).Err()
	case "slow":
		time.Sleep(300 * time.Millisecond)
	case "invalid":
		var v sdk.Violations
		v.Add("cells[3].l", "is 104.2, want 0 to 100")
		return nil, v.Err()
	case "too much":
		return nil, status.Error(codes.ResourceExhausted, "has 40,001 rows, want at most 40,000")
	case "env":
		return []byte(strings.Join(os.Environ(), "\n")), nil
	}
	return in, nil
}

// bareHandshake has a cookie of its own, since ours makes the SDK guard standard output.
var bareHandshake = plugin.HandshakeConfig{ProtocolVersion: 1, MagicCookieKey: "BARE", MagicCookieValue: "bare"}

// serveBare is a go-plugin process without anything of ours, to compare with.
func serveBare() {
	plugin.Serve(&plugin.ServeConfig{
		HandshakeConfig: bareHandshake,
		Plugins:         plugin.PluginSet{sdk.PluginName: barePlugin{}},
		GRPCServer:      plugin.DefaultGRPCServer,
	})
}

type barePlugin struct{ plugin.NetRPCUnsupportedPlugin }

func (barePlugin) GRPCServer(_ *plugin.GRPCBroker, s *grpc.Server) error {
	echo.Register(s, echo.Back)
	return nil
}

func (barePlugin) GRPCClient(_ context.Context, _ *plugin.GRPCBroker, cc *grpc.ClientConn) (any, error) {
	return cc, nil
}

func folder(t testing.TB, name string) string {
	t.Helper()
	return plugintest.Folder(t, name, "1.0.0", sdk.KindPalette)
}

// quick makes everything happen within a test's patience.
func quick(cfg *catalog.Config) {
	cfg.HealthInterval = 100 * time.Millisecond
	cfg.BackoffFirst = 10 * time.Millisecond
	cfg.BackoffMax = 50 * time.Millisecond
}

func call(t testing.TB, c *catalog.Catalog, ref, text string) (string, error) {
	t.Helper()
	h, err := c.Acquire(ref)
	if err != nil {
		return "", err
	}
	defer h.Release()
	out, err := echo.Call(t.Context(), h, []byte(text))
	return string(out), err
}

// eventually waits for a state of the first module that running allows for.
func eventually(t *testing.T, c *catalog.Catalog, state catalog.State, restarts int) catalog.Status {
	t.Helper()
	var st catalog.Status
	require.Eventually(t, func() bool {
		st = c.Status()[0]
		return st.State == state && st.Restarts >= restarts
	}, time.Minute, 5*time.Millisecond, "module never came to be %s", state)
	return st
}

func TestCallsAndIdentity(t *testing.T) {
	c := catalogtest.Open(t, []string{folder(t, "echo"), folder(t, "second")})
	st := c.Status()
	require.Len(t, st, 2)
	for _, s := range st {
		assert.Equal(t, catalog.StateRunning, s.State, s.Reason)
		assert.NotZero(t, s.PID)
		assert.Equal(t, s.Name, s.Description.GetName())
	}
	assert.True(t, st[0].Default)
	assert.False(t, st[1].Default)
	for ref, want := range map[string]string{sdk.KindPalette: "echo", "echo": "echo", "second": "second", st[1].Digest: "second"} {
		h, err := c.Acquire(ref)
		require.NoError(t, err, ref)
		assert.Equal(t, want, h.Module().Name)
		assert.Len(t, h.Module().Digest, 64)
		out, err := echo.Call(t.Context(), h, []byte("weld"))
		require.NoError(t, err)
		assert.Equal(t, "weld", string(out))
		out, err = echo.Collect(t.Context(), h, []byte("we"), []byte("ld"))
		require.NoError(t, err)
		assert.Equal(t, "weld", string(out))
		h.Release()
		h.Release()
	}
	for _, ref := range []string{sdk.KindReading, "nobody", ""} {
		_, err := c.Acquire(ref)
		assert.ErrorIs(t, err, catalog.ErrNoModule, ref)
	}
}

func TestErrorsNameTheModuleAndKeepTheirDetails(t *testing.T) {
	c := catalogtest.Open(t, []string{folder(t, "echo")}, func(cfg *catalog.Config) { cfg.CallTimeout = 3 * time.Second }) // all but two calls are answered within it
	_, err := call(t, c, "echo", "invalid")
	st := status.Convert(err)
	assert.Equal(t, codes.InvalidArgument, st.Code())
	assert.Equal(t, "module echo: cells[3].l is 104.2, want 0 to 100", st.Message())
	assert.Len(t, st.Details(), 1)

	_, err = call(t, c, "echo", "hang")
	assert.Equal(t, codes.DeadlineExceeded, status.Code(err), "a call without a deadline gets one")
	h, err := c.Acquire("echo")
	require.NoError(t, err)
	defer h.Release()
	_, err = echo.Collect(t.Context(), h, []byte("hang"))
	assert.Equal(t, codes.DeadlineExceeded, status.Code(err), "so does a stream")
	assert.ErrorContains(t, err, "module echo: ")

	_, err = call(t, c, "echo", "panic")
	assert.Equal(t, codes.Internal, status.Code(err))
	out, err := call(t, c, "echo", "still here")
	require.NoError(t, err)
	assert.Equal(t, "still here", out)
	assert.Zero(t, c.Status()[0].Restarts)
}

func TestEnvironmentIsEmpty(t *testing.T) {
	t.Setenv("COMMONVAT_SECRET", "well water")
	c := catalogtest.Open(t, []string{folder(t, "echo")})
	out, err := call(t, c, "echo", "env")
	require.NoError(t, err)
	assert.NotContains(t, out, "well water")
	assert.NotContains(t, out, "HOME=")
}

func TestEndDuringACallLeadsToARestart(t *testing.T) {
	c := catalogtest.Open(t, []string{folder(t, "echo")}, quick)
	before := c.Status()[0].PID
	_, err := call(t, c, "echo", "exit")
	assert.Equal(t, codes.Unavailable, status.Code(err))
	st := eventually(t, c, catalog.StateRunning, 1)
	assert.NotEqual(t, before, st.PID)
	assert.Contains(t, st.Reason, "exit status 7")
	out, err := call(t, c, "echo", "again")
	require.NoError(t, err)
	assert.Equal(t, "again", out)
}

// lockedBuffer takes a log that is read while it is written.
type lockedBuffer struct {
	mu   sync.Mutex
	text strings.Builder
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.String()
}

func TestManyEndsLeadToQuarantineAndRevivalOut(t *testing.T) {
	log := &lockedBuffer{}
	c := catalogtest.Open(t, []string{folder(t, "echo")}, quick, func(cfg *catalog.Config) {
		cfg.CrashLimit = 3
		cfg.Logger = slog.New(slog.NewTextHandler(log, nil))
	})
	for n := range 3 {
		eventually(t, c, catalog.StateRunning, n)
		_, err := call(t, c, "echo", "exit")
		require.Error(t, err)
	}
	st := eventually(t, c, catalog.StateQuarantined, 2)
	assert.Contains(t, st.Reason, "3 ends within 10m0s")
	assert.Contains(t, st.Reason, "last words")
	_, err := c.Acquire("echo")
	var unavailable *catalog.ModuleUnavailableError
	require.ErrorAs(t, err, &unavailable)
	assert.Equal(t, catalog.StateQuarantined, unavailable.State)

	require.NoError(t, revived(t.Context(), c, "echo"))
	st = c.Status()[0]
	assert.Equal(t, catalog.StateRunning, st.State, "whoever lifts it learns what became of it")
	assert.Equal(t, 3, st.Restarts)
	assert.ErrorContains(t, revived(t.Context(), c, "echo"), "module echo is running, not quarantined")
	assert.ErrorIs(t, revived(t.Context(), c, "nobody"), catalog.ErrNoModule)
	require.Eventually(t, func() bool { // a change is told just after it shows
		told := log.String()
		return strings.Count(told, "state=quarantined") == 1 && strings.Count(told, "state=running") == 4
	}, time.Minute, 5*time.Millisecond, "each change is told once")
}

func TestFrozenModuleIsReplaced(t *testing.T) {
	c := catalogtest.Open(t, []string{folder(t, "echo")}, quick, func(cfg *catalog.Config) { cfg.HealthTimeout = time.Second })
	frozen := c.Status()[0].PID
	plugintest.Freeze(t, frozen)
	st := eventually(t, c, catalog.StateRunning, 1)
	assert.Contains(t, st.Reason, "does not answer its health check")
	assert.True(t, dead(frozen))
}

func TestCallsThatOverrunEndTheModule(t *testing.T) {
	c := catalogtest.Open(t, []string{folder(t, "echo")}, quick, func(cfg *catalog.Config) {
		cfg.CallTimeouts = map[string]time.Duration{sdk.KindPalette: 50 * time.Millisecond}
		cfg.MaxOverruns = 2
	})
	for range 2 {
		_, err := call(t, c, "echo", "hang")
		assert.Equal(t, codes.DeadlineExceeded, status.Code(err))
	}
	st := eventually(t, c, catalog.StateRunning, 1)
	assert.Contains(t, st.Reason, "2 calls in a row took longer than 50ms")
}

func TestModulesThatNeverComeUp(t *testing.T) {
	tampered := func(t *testing.T, cfg *catalog.Config) {
		list, err := catalog.List(cfg.StoreDir)
		require.NoError(t, err)
		require.NoError(t, os.Chmod(list[0].Executable, 0o755))
		f, err := os.OpenFile(list[0].Executable, os.O_WRONLY|os.O_APPEND, 0)
		require.NoError(t, err)
		_, err = f.WriteString("x")
		require.NoError(t, err)
		require.NoError(t, f.Close())
	}
	for name, tc := range map[string]struct {
		module string
		change func(*testing.T, *catalog.Config)
		reason []string
	}{
		"ends before the handshake": {module: "early", reason: []string{"ended before the handshake (exit status 3)", "no spectral table here"}},
		"calls itself otherwise":    {module: "impostor", reason: []string{"calls itself somebody-else", "but impostor 1.0.0"}},
		"was tampered with":         {module: "echo", change: tampered, reason: []string{"checksum of the executable does not match"}},
		"is not installed": {module: "echo", reason: []string{`no module "nobody" of kind palette`}, change: func(_ *testing.T, cfg *catalog.Config) {
			cfg.Active[sdk.KindPalette] = []string{"nobody"}
		}},
		"is of another kind": {module: "echo", reason: []string{"of kind palette, not compare"}, change: func(_ *testing.T, cfg *catalog.Config) {
			cfg.Active = map[string][]string{sdk.KindCompare: cfg.Active[sdk.KindPalette]}
		}},
	} {
		t.Run(name, func(t *testing.T) {
			c := catalogtest.Open(t, []string{folder(t, tc.module)}, quick, func(cfg *catalog.Config) {
				if tc.change != nil {
					tc.change(t, cfg)
				}
			})
			st := c.Status()[0]
			assert.Equal(t, catalog.StateQuarantined, st.State)
			for _, r := range tc.reason {
				assert.Contains(t, st.Reason, r)
			}
			assert.Zero(t, st.Restarts, "without another try")
			_, err := c.Acquire(st.Kind)
			var unavailable *catalog.ModuleUnavailableError
			assert.ErrorAs(t, err, &unavailable)
		})
	}
}

// A module that is late at its first start may be so because the machine is busy: it is tried again, and given up like one that ends too often.
func TestModuleThatIsLateIsTriedAgain(t *testing.T) {
	c := catalogtest.Open(t, []string{folder(t, "late")}, quick, func(cfg *catalog.Config) { cfg.StartTimeout, cfg.CrashLimit = 300*time.Millisecond, 3 })
	st := eventually(t, c, catalog.StateQuarantined, 2)
	assert.Equal(t, 2, st.Restarts)
	assert.Contains(t, st.Reason, "3 ends within 10m0s, the last: start: module late did not start: no handshake and healthy answer within 300ms")
}

func TestOneDeadModuleDoesNotHoldTheOthers(t *testing.T) {
	c := catalogtest.Open(t, []string{folder(t, "early"), folder(t, "echo")})
	out, err := call(t, c, "echo", "weld")
	require.NoError(t, err)
	assert.Equal(t, "weld", out)
	_, err = call(t, c, sdk.KindPalette, "weld")
	assert.ErrorContains(t, err, "module early is quarantined: ")
}

// begun is told when a call begins.
type begun chan struct{}

func (b begun) CallBegan()                              { b <- struct{}{} }
func (b begun) CallEnded(string, string, time.Duration) {}

// metered has a catalog tell of calls that begin.
func (b begun) metered(cfg *catalog.Config) {
	cfg.Meter = func(catalog.Module) catalog.CallMeter { return b }
}

func TestCloseLetsCallsFinish(t *testing.T) {
	underWay := make(begun, 1)
	c := catalogtest.Open(t, []string{folder(t, "echo")}, underWay.metered)
	h, err := c.Acquire("echo")
	require.NoError(t, err)
	result := make(chan error, 1)
	go func() {
		defer h.Release()
		_, err := echo.Call(context.Background(), h, []byte("slow"))
		result <- err
	}()
	<-underWay
	c.Close(t.Context())
	assert.NoError(t, <-result)
	_, err = c.Acquire("echo")
	var unavailable *catalog.ModuleUnavailableError
	require.ErrorAs(t, err, &unavailable)
	assert.Equal(t, catalog.StateStopped, unavailable.State)
}

func TestCloseIsBounded(t *testing.T) {
	underWay := make(begun, 1)
	c := catalogtest.Open(t, []string{folder(t, "echo")}, underWay.metered, func(cfg *catalog.Config) { cfg.StopGrace, cfg.DrainTimeout = 200*time.Millisecond, time.Hour })
	h, err := c.Acquire("echo")
	require.NoError(t, err)
	defer h.Release()
	result := make(chan error, 1)
	go func() {
		_, err := echo.Call(context.Background(), h, []byte("hang"))
		result <- err
	}()
	<-underWay
	pid := c.Status()[0].PID
	plugintest.Freeze(t, pid)
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	c.Close(ctx) // were it not bounded by ctx, it would wait an hour for the call
	assert.Error(t, <-result)
	assert.True(t, dead(pid))
}

func TestOpenRefusesConfigurationsThatCantWork(t *testing.T) {
	store := t.TempDir()
	writable := filepath.Join(catalogtest.RuntimeDir(t), "w")
	require.NoError(t, os.Mkdir(writable, 0o700))
	require.NoError(t, os.Chmod(writable, 0o777))
	for want, cfg := range map[string]catalog.Config{
		"store is not configured": {},
		"lie within each other":   {StoreDir: store, RuntimeDir: filepath.Join(store, "run")},
		"too long for sockets":    {StoreDir: store, RuntimeDir: filepath.Join(catalogtest.RuntimeDir(t), strings.Repeat("x", 60))},
		"written by others":       {StoreDir: store, RuntimeDir: writable},
		"kind \"oracle\"":         {StoreDir: store, RuntimeDir: catalogtest.RuntimeDir(t), Active: map[string][]string{"oracle": nil}},
	} {
		t.Run(want, func(t *testing.T) {
			_, err := catalog.Open(cfg)
			assert.ErrorContains(t, err, want)
		})
	}
}

// revived takes a module out of quarantine and waits for its start.
func revived(ctx context.Context, c *catalog.Catalog, ref string) error {
	settled, err := c.Revive(ref)
	if err != nil {
		return err
	}
	select {
	case <-settled:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// A module that can't start is refused anew each time, and whoever lifts its quarantine is told so; who doesn't wait leaves the start to go on.
func TestLiftedInVain(t *testing.T) {
	c := catalogtest.Open(t, []string{folder(t, "early")}, quick)
	for n := range 3 {
		before := eventually(t, c, catalog.StateQuarantined, n)
		require.NoError(t, revived(t.Context(), c, "early"))
		st := c.Status()[0]
		assert.Equal(t, catalog.StateQuarantined, st.State)
		assert.Equal(t, n+1, st.Restarts)
		assert.True(t, st.Since.After(before.Since))
		assert.Contains(t, st.Reason, "no spectral table here")
	}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, revived(gone, c, "early"), context.Canceled)
	eventually(t, c, catalog.StateQuarantined, 4)

	for range 10 { // two at once: each is told of a start, or that there is nothing to lift
		eventually(t, c, catalog.StateQuarantined, 0)
		var both sync.WaitGroup
		var lifted atomic.Int32
		for range 2 {
			both.Go(func() {
				if err := revived(t.Context(), c, "early"); err == nil {
					lifted.Add(1)
				} else {
					assert.ErrorContains(t, err, "not quarantined")
				}
			})
		}
		both.Wait()
		assert.Positive(t, lifted.Load())
	}
}

func TestAnEmptyStoreIsNoObstacle(t *testing.T) {
	c := catalogtest.Open(t, nil, func(cfg *catalog.Config) { cfg.StoreDir += "/not-there"; cfg.Active = nil })
	assert.Empty(t, c.Status())
	_, err := c.Acquire(sdk.KindPalette)
	assert.ErrorIs(t, err, catalog.ErrNoModule)
}

// runHost is the other process of TestKilledHostLeavesNothing.
func runHost(dirs string) {
	store, runtimeDir, _ := strings.Cut(dirs, ":")
	c, err := catalog.Open(catalog.Config{StoreDir: store, RuntimeDir: runtimeDir, StartTimeout: plugintest.Patience})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	if err := catalogtest.Ready(context.Background(), c); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	for _, s := range c.Status() {
		fmt.Println(s.PID)
	}
	fmt.Println("end")
	time.Sleep(time.Hour)
}

// killHost starts a host of two modules in another process, kills it when they run, and waits until they are gone.
func killHost(t *testing.T, store, runtimeDir string) {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	cmd := exec.Command(self)
	cmd.Env = append(os.Environ(), hostEnv+"="+store+":"+runtimeDir)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	defer func() { _ = cmd.Process.Kill() }()

	var pids []int
	for {
		var word string
		_, err := fmt.Fscan(out, &word)
		require.NoError(t, err)
		if word == "end" {
			break
		}
		var pid int
		_, err = fmt.Sscan(word, &pid)
		require.NoError(t, err)
		require.NotZero(t, pid)
		require.False(t, dead(pid))
		pids = append(pids, pid)
	}
	require.Len(t, pids, 2)
	require.NoError(t, cmd.Process.Signal(syscall.SIGKILL))
	_, _ = io.Copy(io.Discard, out)
	_ = cmd.Wait() // "signal: killed"
	for _, pid := range pids {
		assert.Eventually(t, func() bool { return dead(pid) }, time.Minute, 10*time.Millisecond, "module %d outlives its host", pid)
	}
}

func TestKilledHostLeavesNothing(t *testing.T) {
	store, runtimeDir := t.TempDir(), catalogtest.RuntimeDir(t)
	for _, name := range []string{"echo", "second"} {
		_, err := catalog.Install(store, folder(t, name))
		require.NoError(t, err)
	}
	kills := 20
	if testing.Short() {
		kills = 2
	}
	for range kills - 1 {
		killHost(t, store, runtimeDir)
		left, err := filepath.Glob(filepath.Join(runtimeDir, "i-*"))
		require.NoError(t, err)
		require.Len(t, left, 1, "each start takes away what the one before left")
	}
	killHost(t, store, runtimeDir)

	left, err := filepath.Glob(filepath.Join(runtimeDir, "i-*"))
	require.NoError(t, err)
	require.Len(t, left, 1, "a killed host can't clean up")
	c, err := catalog.Open(catalog.Config{StoreDir: store, RuntimeDir: runtimeDir, StartTimeout: plugintest.Patience})
	require.NoError(t, err)
	assert.NoDirExists(t, left[0], "the next one does")
	other, err := catalog.Open(catalog.Config{StoreDir: store, RuntimeDir: runtimeDir, StartTimeout: plugintest.Patience})
	require.NoError(t, err)
	require.NoError(t, catalogtest.Ready(t.Context(), c))
	require.NoError(t, catalogtest.Ready(t.Context(), other))
	for _, s := range append(c.Status(), other.Status()...) {
		assert.Equal(t, catalog.StateRunning, s.State, "a second core spares the folder of a living one")
	}
	c.Close(t.Context())
	other.Close(t.Context())
	left, err = filepath.Glob(filepath.Join(runtimeDir, "i-*"))
	require.NoError(t, err)
	assert.Empty(t, left)
}

// dead tells whether the process is gone, or is a zombie that nobody has reaped yet.
func dead(pid int) bool {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return true
	}
	_, rest, _ := strings.Cut(string(b), "\nState:\t")
	return strings.HasPrefix(rest, "Z") || strings.HasPrefix(rest, "X")
}
