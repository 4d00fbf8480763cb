package catalog_test

import (
	"os"
	"path/filepath"
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
	got, err := differencev1.NewDifferenceServiceClient(h).ComputeDifferences(t.Context(), &differencev1.ComputeDifferencesRequest{
		Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE},
		Formula:   formula,
		Pairs:     []*differencev1.ColourPair{{Reference: &typesv1.Lab{L: 50, A: 3, B: 4}, Sample: &typesv1.Lab{L: 38}}},
	})
	require.NoError(t, err)
	require.Len(t, got.GetDifferences(), 1)
	return got.GetDifferences()[0]
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
