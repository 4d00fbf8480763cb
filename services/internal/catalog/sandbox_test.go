package catalog_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/catalog/catalogtest"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func production(cfg *catalog.Config) { cfg.Sandbox = sandbox.Production }

// TestProductionStartsNoModuleThatAsksForMore has a module ask for more memory than is granted: it is quarantined with the
// reason, and no process was started.
func TestProductionStartsNoModuleThatAsksForMore(t *testing.T) {
	dir := folder(t, "echo")
	require.NoError(t, os.WriteFile(filepath.Join(dir, catalog.ManifestName),
		[]byte(`{"name":"echo","version":"1.0.0","kind":"palette","memory_mib":4096}`), 0o600))
	c := catalogtest.Open(t, []string{dir}, quick, production)
	st := c.Status()[0]
	assert.Equal(t, catalog.StateQuarantined, st.State)
	assert.Contains(t, st.Reason, "memory_mib is 4096, the production profile grants at most 2048")
	assert.Zero(t, st.PID)
}

// TestHeldModuleRunsAndSaysWhatHoldsIt starts a module of ours as production does.
func TestHeldModuleRunsAndSaysWhatHoldsIt(t *testing.T) {
	if err := sandbox.Survey().CheckProduction(); err != nil {
		t.Skipf("plugins/sdk/sandbox fails where this is not allowed: %v", err)
	}
	t.Setenv("CGO_ENABLED", "0") // a static program, as the Makefile builds them
	dir := catalogtest.Build(t, "../../../plugins/difference/cmd/commonvat-module-difference-deltae", "difference-deltae", "0.1.0", sdk.KindDifference)
	c := catalogtest.Open(t, []string{dir}, quick, production)
	st := c.Status()[0]
	require.Equal(t, catalog.StateRunning, st.State, st.Reason)
	assert.Contains(t, st.Sandbox.Enforced, "UDP and every other socket but unix streams")
	assert.Contains(t, st.Sandbox.NotEnforced, "seeing whether a path exists, and its size and times")

	free := catalogtest.Open(t, []string{dir}, quick)
	assert.Empty(t, free.Status()[0].Sandbox.Enforced, "off enforces nothing and says so")
}

// TestChangedModuleIsRefusedByTheLauncher is the checksum under a profile, where the launcher and not the host compares.
func TestChangedModuleIsRefusedByTheLauncher(t *testing.T) {
	c := catalogtest.Open(t, []string{folder(t, "echo")}, quick, func(cfg *catalog.Config) {
		cfg.Sandbox = sandbox.Local
		list, err := catalog.List(cfg.StoreDir)
		require.NoError(t, err)
		require.NoError(t, os.Chmod(list[0].Executable, 0o755))
		f, err := os.OpenFile(list[0].Executable, os.O_WRONLY|os.O_APPEND, 0)
		require.NoError(t, err)
		_, err = f.WriteString("x")
		require.NoError(t, err)
		require.NoError(t, f.Close())
	})
	st := c.Status()[0]
	assert.Equal(t, catalog.StateQuarantined, st.State)
	assert.Contains(t, st.Reason, "checksum of the executable does not match")
}
