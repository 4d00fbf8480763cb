package catalog_test

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/python/pythontest"
	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/catalog/catalogtest"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const hyab = "../../../plugins/examples/commonvat-module-difference-hyab"

func difference(t *testing.T, c *catalog.Catalog, name, formula string) float64 {
	t.Helper()
	h, err := c.Acquire(name)
	require.NoError(t, err)
	defer h.Release()
	got, err := ask(t.Context(), h, formula)
	require.NoError(t, err)
	require.Len(t, got.GetDifferences(), 1)
	return got.GetDifferences()[0]
}

func ask(ctx context.Context, h *catalog.Handle, formula string) (*differencev1.ComputeDifferencesResponse, error) {
	return differencev1.NewDifferenceServiceClient(h).ComputeDifferences(ctx, &differencev1.ComputeDifferencesRequest{
		Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE},
		Formula:   formula,
		Pairs:     []*differencev1.ColourPair{{Reference: &typesv1.Lab{L: 50, A: 3, B: 4}, Sample: &typesv1.Lab{L: 38}}},
	})
}

// TestPythonServesBesideGo installs a module in Python and one in Go and asks both, under every profile. By hand: differences of 12, 3 and 4 are 12 + 5 by
// HyAB and 13 by CIE76.
func TestPythonServesBesideGo(t *testing.T) {
	t.Setenv("CGO_ENABLED", "0") // a static program, as the Makefile builds them
	inPython := pythontest.Folder(t, hyab)
	inGo := catalogtest.Build(t, "../../../plugins/difference/cmd/commonvat-module-difference-deltae", "difference-deltae", "0.1.0", sdk.KindDifference)
	for _, profile := range sandbox.Profiles() {
		t.Run(string(profile), func(t *testing.T) {
			if err := sandbox.Survey().CheckProduction(); err != nil && profile == sandbox.Production {
				t.Skipf("plugins/sdk/sandbox fails where this is not allowed: %v", err)
			}
			c := catalogtest.Open(t, []string{inGo, inPython}, quick, func(cfg *catalog.Config) { cfg.Sandbox = profile })
			for _, st := range c.Status() {
				require.Equal(t, catalog.StateRunning, st.State, st.Reason)
			}
			assert.InDelta(t, 17, difference(t, c, "difference-hyab", "hyab"), 1e-12)
			assert.InDelta(t, 13, difference(t, c, "difference-deltae", "cie76"), 1e-12)
		})
	}
}

// TestChangedScriptNeverRuns changes what the executable imports: the executable's own checksum still holds.
func TestChangedScriptNeverRuns(t *testing.T) {
	for want, change := range map[string]func(entry string) error{
		`checksum of "method.py" does not match`: func(entry string) error {
			if err := os.Chmod(filepath.Join(entry, "method.py"), 0o644); err != nil {
				return err
			}
			return os.WriteFile(filepath.Join(entry, "method.py"), []byte("import commonvat_sdk\n"), 0o600)
		},
		`"grpc.py" lies in the module's folder and was not installed with it`: func(entry string) error {
			return os.WriteFile(filepath.Join(entry, "grpc.py"), nil, 0o600)
		},
	} {
		t.Run(want, func(t *testing.T) {
			c := catalogtest.Open(t, []string{pythontest.Folder(t, hyab)}, quick, func(cfg *catalog.Config) {
				list, err := catalog.List(cfg.StoreDir)
				require.NoError(t, err)
				require.NoError(t, change(filepath.Dir(list[0].Executable)))
			})
			st := c.Status()[0]
			assert.Equal(t, catalog.StateQuarantined, st.State)
			assert.Contains(t, st.Reason, want)
			assert.Zero(t, st.PID)
		})
	}
}

// TestPythonSwappedUnderLoad swaps two builds in Python while 16 callers ask: no call fails, and each is answered by the build that it holds.
func TestPythonSwappedUnderLoad(t *testing.T) {
	newer := pythontest.Folder(t, hyab)
	for file, change := range map[string][]string{
		"method.py":          {`version="0.1.0"`, `version="0.2.0"`, `printed="HyAB"`, `printed="HyAB, build 0.2.0"`},
		catalog.ManifestName: {`"0.1.0"`, `"0.2.0"`},
	} {
		text, err := os.ReadFile(filepath.Join(newer, file))
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(newer, file), []byte(strings.NewReplacer(change...).Replace(string(text))), 0o600))
	}
	var store string
	c := catalogtest.Open(t, []string{pythontest.Folder(t, hyab)}, quick, func(cfg *catalog.Config) { store = cfg.StoreDir })
	digest, err := catalog.Install(store, newer)
	require.NoError(t, err)
	digests := []string{c.Status()[0].Digest, digest}
	printed := map[string]string{"0.1.0": "HyAB", "0.2.0": "HyAB, build 0.2.0"}

	stop := make(chan struct{})
	var seen sync.Map
	var callers sync.WaitGroup
	for range 16 {
		callers.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				h, err := c.Acquire(sdk.KindDifference)
				if !assert.NoError(t, err) {
					return
				}
				got, err := ask(context.Background(), h, "hyab")
				assert.NoError(t, err)
				assert.Equal(t, printed[h.Module().Version], got.GetFormula())
				seen.Store(h.Module().Version, true)
				h.Release()
			}
		})
	}
	end := sync.OnceFunc(func() { close(stop); callers.Wait() })
	defer end()
	for n := range 6 {
		require.NoError(t, c.Activate(t.Context(), digests[(n+1)%2], nil))
	}
	end()
	for version := range printed {
		_, ok := seen.Load(version)
		assert.True(t, ok, "nobody met version %s", version)
	}
}
