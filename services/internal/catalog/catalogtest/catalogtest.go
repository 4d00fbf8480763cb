// Package catalogtest opens a catalog of real module processes for the tests of other packages.
//
// A package whose test binary is also its modules calls plugintest.Main in TestMain and gives plugintest.Folder's folders
// to [Open]. A package that wants the modules of this repository gives [Build]'s.
package catalogtest

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/services/internal/catalog"
)

// Open installs the module folders into a store of the test's own, activates them in that order, the first of a kind as
// its default, waits until each has come to run or was refused, and closes the catalog with the test. Modules have time to start and to answer their check of
// health on a busy machine too, unless change says otherwise.
func Open(t testing.TB, folders []string, change ...func(*catalog.Config)) *catalog.Catalog {
	t.Helper()
	cfg := catalog.Config{StoreDir: t.TempDir(), RuntimeDir: RuntimeDir(t), Active: map[string][]string{}, StartTimeout: plugintest.Patience, HealthTimeout: 20 * time.Second}
	var digests []string
	for _, dir := range folders {
		digest, err := catalog.Install(cfg.StoreDir, dir)
		if err != nil {
			t.Fatal(err)
		}
		digests = append(digests, digest)
	}
	installed, err := catalog.List(cfg.StoreDir)
	if err != nil {
		t.Fatal(err)
	}
	for _, digest := range digests {
		for _, in := range installed {
			if in.Digest == digest {
				cfg.Active[in.Kind] = append(cfg.Active[in.Kind], digest)
			}
		}
	}
	for _, f := range change {
		f(&cfg)
	}
	c, err := catalog.Open(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		c.Close(ctx)
	})
	ctx, cancel := context.WithTimeout(context.Background(), 2*plugintest.Patience)
	defer cancel()
	if err := Ready(ctx, c); err != nil {
		t.Fatalf("modules did not come up: %v", err)
	}
	return c
}

// Ready waits until no module is starting any more: each runs, or was refused, which Status tells. The error is ctx's.
func Ready(ctx context.Context, c *catalog.Catalog) error {
	for {
		if !slices.ContainsFunc(c.Status(), func(s catalog.Status) bool { return s.State == catalog.StateStarting }) {
			return nil
		}
		select {
		case <-time.After(2 * time.Millisecond):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// RuntimeDir makes a folder that is short enough for sockets, which t.TempDir is not. It goes with the test.
func RuntimeDir(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "cv")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// Build builds the program with that import path, a module of this repository, and returns its module folder.
func Build(t testing.TB, importPath, name, version, kind string) string {
	t.Helper()
	out := filepath.Join(t.TempDir(), sdk.ExecutablePrefix+name)
	cmd := exec.Command("go", "build", "-o", out, importPath) //nolint:gosec // only tests call this
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")           // as the Makefile builds modules
	if b, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("build %s: %v\n%s", importPath, err, b)
	}
	return plugintest.FolderOf(t, out, name, version, kind)
}
