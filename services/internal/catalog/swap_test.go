package catalog_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest/echo"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/catalog/catalogtest"
)

// serveVersioned is a module that calls itself what its manifest says, answers its version, and misbehaves on request.
func serveVersioned() {
	self, err := os.Executable()
	if err != nil {
		panic(err)
	}
	raw, err := os.ReadFile(filepath.Join(filepath.Dir(self), "module.json"))
	if err != nil {
		panic(err)
	}
	var manifest struct{ Version string }
	if err := json.Unmarshal(raw, &manifest); err != nil {
		panic(err)
	}
	fmt.Fprintln(os.Stderr, "this is", manifest.Version)
	sdk.Serve(echo.Module("versioned", manifest.Version, sdk.KindPalette, func(ctx context.Context, in []byte) ([]byte, error) {
		if path, told := strings.CutPrefix(string(in), "until "); told { // there is a file
			for ; ctx.Err() == nil; time.Sleep(time.Millisecond) {
				if _, err := os.Stat(path); err == nil {
					return in, nil
				}
			}
			return nil, status.FromContextError(ctx.Err()).Err()
		}
		switch string(in) {
		case "version":
			return []byte(manifest.Version), nil
		case "print":
			fmt.Println("1|1|unix|/nowhere|grpc| what may this be?")
			return in, nil
		case "fork":
			// A grandchild that holds every descriptor it can get.
			cmd := exec.Command("/bin/sleep", "600")
			cmd.Stdout, cmd.Stderr = os.Stdout, os.Stderr
			if err := cmd.Start(); err != nil {
				return nil, err
			}
			os.Exit(9)
		case "leak":
			held := make([]byte, 600<<20)
			for i := range held {
				held[i] = byte(i)
			}
			<-ctx.Done()
			return held[:1], nil
		case "huge":
			return make([]byte, sdk.MaxMessageBytes+1), nil
		case "ignore":
			time.Sleep(30 * time.Second)
		}
		return behave(ctx, in)
	}))
}

func versioned(t testing.TB, version string) string {
	t.Helper()
	return plugintest.Folder(t, "versioned", version, sdk.KindPalette)
}

// swapping opens a catalog with one version of the module and installs others.
func swapping(t testing.TB, versions []string, change ...func(*catalog.Config)) (c *catalog.Catalog, digests []string) {
	t.Helper()
	var store string
	c = catalogtest.Open(t, []string{versioned(t, versions[0]), folder(t, "second")}, append(change, func(cfg *catalog.Config) { store = cfg.StoreDir })...)
	digests = []string{c.Status()[0].Digest}
	for _, version := range versions[1:] {
		digest, err := catalog.Install(store, versioned(t, version))
		require.NoError(t, err)
		digests = append(digests, digest)
	}
	return c, digests
}

// 64 callers while the module is swapped 50 times: no call fails, and within one hold it is always the same version that answers.
func TestSwapsUnderLoad(t *testing.T) {
	swaps := 50
	if testing.Short() {
		swaps = 5
	}
	c, digests := swapping(t, []string{"1.0.0", "2.0.0"})
	stop := make(chan struct{})
	var calls atomic.Int64
	var seen sync.Map
	var callers sync.WaitGroup
	for range 64 {
		callers.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				h, err := c.Acquire(sdk.KindPalette)
				if !assert.NoError(t, err) {
					return
				}
				first, err := echo.Call(context.Background(), h, []byte("version"))
				assert.NoError(t, err)
				time.Sleep(time.Millisecond)
				second, err := echo.Call(context.Background(), h, []byte("version"))
				assert.NoError(t, err)
				assert.Equal(t, h.Module().Version, string(first))
				assert.Equal(t, string(first), string(second), "two versions within one hold")
				h.Release()
				calls.Add(2)
				seen.Store(string(first), true)
			}
		})
	}
	for n := range swaps {
		require.NoError(t, c.Activate(t.Context(), digests[(n+1)%2], nil))
		assert.Equal(t, digests[(n+1)%2], c.Status()[0].Digest)
		assert.True(t, c.Status()[0].Default, "the default stays the default")
	}
	close(stop)
	callers.Wait()
	t.Logf("%d calls during %d swaps", calls.Load(), swaps)
	assert.Greater(t, calls.Load(), int64(swaps))
	for _, version := range []string{"1.0.0", "2.0.0"} {
		_, ok := seen.Load(version)
		assert.True(t, ok, "nobody met version %s", version)
	}
	assert.Len(t, c.Status(), 2)
}

// A call that began before a swap ends where it began; a call after it goes to the new one.
func TestCallsEndWhereTheyBegan(t *testing.T) {
	c, digests := swapping(t, []string{"1.0.0", "2.0.0"})
	h, err := c.Acquire("versioned")
	require.NoError(t, err)
	require.NoError(t, c.Activate(t.Context(), digests[1], nil))
	out, err := echo.Call(t.Context(), h, []byte("version"))
	require.NoError(t, err)
	assert.Equal(t, "1.0.0", string(out))
	h.Release()
	out2, err := call(t, c, "versioned", "version")
	require.NoError(t, err)
	assert.Equal(t, "2.0.0", out2)
	_, err = c.Acquire(digests[0])
	assert.ErrorIs(t, err, catalog.ErrNoModule)
}

// Whatever step fails, the module that served serves on, and the fault names the step.
func TestActivationThatFails(t *testing.T) {
	refuse := errors.New("that is no answer")
	var strict atomic.Bool
	c, digests := swapping(t, []string{"1.0.0", "2.0.0"}, func(cfg *catalog.Config) {
		cfg.SelfTest = func(_ context.Context, m catalog.Module, _ *describev1.DescribeResponse, conn grpc.ClientConnInterface) error {
			if strict.Load() {
				return refuse
			}
			out, err := echo.Call(context.Background(), conn, []byte("version"))
			if err == nil && string(out) != m.Version && m.Name == "versioned" {
				err = errors.New("wrong version")
			}
			return err
		}
	})
	strict.Store(true)
	var fault *catalog.StartFault
	require.ErrorAs(t, c.Activate(t.Context(), digests[1], nil), &fault)
	assert.Equal(t, catalog.StepSelfTest, fault.Step)
	assert.ErrorIs(t, fault, refuse)
	assert.Contains(t, fault.StderrTail, "this is 2.0.0")
	strict.Store(false)
	kept := errors.New("the disk is full")
	require.ErrorIs(t, c.Activate(t.Context(), digests[1], func() error { return kept }), kept)
	out, err := call(t, c, "versioned", "version")
	require.NoError(t, err)
	assert.Equal(t, "1.0.0", out, "what could not be kept is not done")
	require.ErrorAs(t, c.Activate(t.Context(), strings.Repeat("0", 64), nil), &fault)
	assert.Equal(t, catalog.StepVerify, fault.Step)

	store := ""
	d := catalogtest.Open(t, []string{folder(t, "echo")}, func(cfg *catalog.Config) { store = cfg.StoreDir; cfg.Contracts = map[string][]string{} })
	for name, step := range map[string]catalog.Step{"impostor": catalog.StepDescribe, "early": catalog.StepStart} {
		digest, err := catalog.Install(store, folder(t, name))
		require.NoError(t, err)
		require.ErrorAs(t, d.Activate(t.Context(), digest, nil), &fault, name)
		assert.Equal(t, step, fault.Step, name)
	}
	digest, err := catalog.Install(store, folder(t, "second"))
	require.NoError(t, err)
	installed, err := catalog.List(store)
	require.NoError(t, err)
	for _, in := range installed {
		if in.Digest == digest {
			require.NoError(t, os.Chmod(in.Executable, 0o700))
			f, err := os.OpenFile(in.Executable, os.O_WRONLY, 0)
			require.NoError(t, err)
			_, err = f.WriteAt([]byte("x"), 100)
			require.NoError(t, errors.Join(err, f.Close()))
		}
	}
	require.ErrorAs(t, d.Activate(t.Context(), digest, nil), &fault)
	assert.Equal(t, catalog.StepVerify, fault.Step, "bytes that changed since")
	_, err = call(t, d, sdk.KindPalette, "still here")
	require.NoError(t, err)
	assert.Len(t, d.Status(), 1, "nothing that failed is left among the active")
}

func TestContractsSayWhichSideToUpgrade(t *testing.T) {
	for spoken, says := range map[string]string{
		"commonvat.module.palette.v9": "upgrade the module", "commonvat.module.palette.v10": "upgrade the module", "commonvat.module.palette.v0": "upgrade the core", "commonvat.module.reading.v1": "upgrade the core",
	} {
		c := catalogtest.Open(t, []string{folder(t, "echo")}, func(cfg *catalog.Config) { cfg.Contracts = map[string][]string{sdk.KindPalette: {spoken}} })
		st := c.Status()[0]
		assert.Equal(t, catalog.StateQuarantined, st.State)
		assert.Contains(t, st.Reason, "contract")
		assert.Contains(t, st.Reason, says)
	}
}

func TestRetireAndDefaults(t *testing.T) {
	c, digests := swapping(t, []string{"1.0.0", "2.0.0"})
	require.NoError(t, c.SetDefault("second"))
	out, err := call(t, c, sdk.KindPalette, "version")
	require.NoError(t, err)
	assert.Equal(t, "version", out, "the second one only echoes")
	assert.Equal(t, "second", c.Status()[0].Name, "defaults first")
	require.NoError(t, c.Retire("second"))
	out, err = call(t, c, sdk.KindPalette, "version")
	require.NoError(t, err)
	assert.Equal(t, "1.0.0", out, "the one that is left answers for the kind")
	require.NoError(t, c.Retire("versioned"))
	_, err = c.Acquire(sdk.KindPalette)
	require.ErrorIs(t, err, catalog.ErrNoModule)
	require.ErrorIs(t, c.Retire("versioned"), catalog.ErrNoModule)
	require.ErrorIs(t, c.SetDefault("versioned"), catalog.ErrNoModule)
	require.NoError(t, c.Activate(t.Context(), digests[1], nil))
	out, err = call(t, c, sdk.KindPalette, "version")
	require.NoError(t, err)
	assert.Equal(t, "2.0.0", out)
}

// Each misdeed ends in a named state, and the other module serves throughout.
func TestMisdeeds(t *testing.T) {
	for name, c := range map[string]struct {
		does   func(t *testing.T, c *catalog.Catalog)
		within time.Duration // a call's time, or 0 for the usual
		ends   bool          // the process
		reason string
	}{
		"prints on standard output": {does: func(t *testing.T, c *catalog.Catalog) {
			out, err := call(t, c, "versioned", "print")
			require.NoError(t, err)
			assert.Equal(t, "print", out)
		}},
		"leaves a grandchild that holds on": {does: func(t *testing.T, c *catalog.Catalog) {
			_, err := call(t, c, "versioned", "fork")
			assert.Equal(t, codes.Unavailable, status.Code(err))
		}, ends: true, reason: "exit status 9"},
		"leaks memory": {does: func(t *testing.T, c *catalog.Catalog) {
			_, err := call(t, c, "versioned", "leak")
			assert.Error(t, err)
		}, ends: true, reason: "MiB of memory"},
		"ignores cancellation": {does: func(t *testing.T, c *catalog.Catalog) {
			for range 2 {
				_, err := call(t, c, "versioned", "ignore")
				assert.Equal(t, codes.DeadlineExceeded, status.Code(err))
			}
		}, within: 3 * time.Second, ends: true, reason: "took longer than"},
		"answers more than is allowed": {does: func(t *testing.T, c *catalog.Catalog) {
			for range 5 { // it is up all the time
				_, err := call(t, c, "versioned", "huge")
				assert.Equal(t, codes.ResourceExhausted, status.Code(err), "not something to try again: %v", err)
			}
		}},
		"answers what is no answer": {does: func(t *testing.T, c *catalog.Catalog) {
			h, err := c.Acquire("versioned")
			require.NoError(t, err)
			defer h.Release()
			for range 3 {
				h.Blame("lab is NaN")
			}
		}, ends: true, reason: "3 answers that can't be answers, the last: lab is NaN"},
	} {
		t.Run(name, func(t *testing.T) {
			open, _ := swapping(t, []string{"1.0.0"}, quick, func(cfg *catalog.Config) {
				cfg.MaxMemory, cfg.MaxOverruns = 300<<20, 2
				if c.within > 0 {
					cfg.CallTimeout = c.within
				}
			})
			c.does(t, open)
			out, err := call(t, open, "second", "still here")
			require.NoError(t, err)
			assert.Equal(t, "still here", out)
			if !c.ends {
				assert.Equal(t, catalog.StateRunning, open.Status()[0].State)
				assert.Zero(t, open.Status()[0].Restarts)
				return
			}
			st := eventually(t, open, catalog.StateRunning, 1)
			assert.Contains(t, st.Reason, c.reason)
			out, err = call(t, open, "versioned", "version")
			require.NoError(t, err)
			assert.Equal(t, "1.0.0", out)
		})
	}
}

// A catalog that closes while a build is being started leaves no process.
func TestCloseDuringActivation(t *testing.T) {
	c, digests := swapping(t, []string{"1.0.0", "2.0.0"})
	done := make(chan error, 1)
	go func() { done <- c.Activate(context.Background(), digests[1], nil) }()
	time.Sleep(20 * time.Millisecond)
	c.Close(t.Context())
	select {
	case err := <-done:
		_ = err // it came before or after
	case <-time.After(plugintest.Patience):
		t.Fatal("Close returned before the activation did")
	}
	assert.ErrorIs(t, c.Activate(t.Context(), digests[1], nil), catalog.ErrClosed)
}

// No more than so many calls run at once; some wait, and the rest is refused.
func TestConcurrencyIsBounded(t *testing.T) {
	c, _ := swapping(t, []string{"1.0.0"}, func(cfg *catalog.Config) { cfg.MaxConcurrent, cfg.MaxWaiting = 2, 2 })
	free := filepath.Join(t.TempDir(), "free")
	var refused, answered atomic.Int64
	var callers sync.WaitGroup
	for range 12 {
		callers.Go(func() {
			_, err := call(t, c, "versioned", "until "+free)
			switch status.Code(err) {
			case codes.OK:
				answered.Add(1)
			case codes.Unavailable:
				assert.ErrorContains(t, err, "2 calls run and 2 wait: try again later")
				refused.Add(1)
			default:
				assert.NoError(t, err)
			}
		})
	}
	assert.Eventually(t, func() bool { return refused.Load() == 8 }, time.Minute, time.Millisecond)
	assert.Zero(t, answered.Load())
	require.NoError(t, os.WriteFile(free, nil, 0o600))
	callers.Wait()
	assert.EqualValues(t, 4, answered.Load(), "two at once, and two that waited")
	assert.EqualValues(t, 8, refused.Load())
	assert.Zero(t, c.Status()[0].Restarts)
}
