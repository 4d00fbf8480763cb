package catalog

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const goodManifest = `{"name":"palette-width","version":"1.0.0","kind":"palette"}`

// moduleFolder makes a folder whose executable is a text, which is enough for the store.
func moduleFolder(t testing.TB, manifest, content string) string {
	t.Helper()
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, ManifestName), []byte(manifest), 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "commonvat-module-palette-width"), []byte(content), 0o755))
	return dir
}

func TestInstallAndList(t *testing.T) {
	store := filepath.Join(t.TempDir(), "store")
	list, err := List(store)
	require.NoError(t, err)
	assert.Empty(t, list, "a store that does not exist is empty")

	first, err := Install(store, moduleFolder(t, goodManifest, "one"))
	require.NoError(t, err)
	again, err := Install(store, moduleFolder(t, goodManifest, "one"))
	require.NoError(t, err)
	assert.Equal(t, first, again)
	other, err := Install(store, moduleFolder(t, goodManifest, "two"))
	require.NoError(t, err)
	assert.NotEqual(t, first, other, "another executable")
	newer, err := Install(store, moduleFolder(t, strings.Replace(goodManifest, "1.0.0", "1.10.0", 1), "one"))
	require.NoError(t, err)
	assert.NotEqual(t, first, newer, "the same executable under another version")

	list, err = List(store)
	require.NoError(t, err)
	require.Len(t, list, 3)
	assert.Equal(t, Module{Name: "palette-width", Version: "1.10.0", Kind: "palette", Digest: newer}, list[0].Module)
	info, err := os.Stat(list[0].Executable)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o555), info.Mode().Perm())
	entries, err := os.ReadDir(filepath.Join(store, algorithmFolder))
	require.NoError(t, err)
	assert.Len(t, entries, 3, "nothing is left of the copying")
}

func TestTheBuildInstalledLastAnswersForItsName(t *testing.T) {
	store := filepath.Join(t.TempDir(), "store")
	active := func() string {
		list, err := Active(store)
		require.NoError(t, err)
		require.Len(t, list, 1)
		return list[0].Digest
	}
	newer := strings.Replace(goodManifest, "1.0.0", "2.0.0", 1)
	for _, folder := range []string{
		moduleFolder(t, goodManifest, "one"), moduleFolder(t, goodManifest, "two"), moduleFolder(t, newer, "two"),
		moduleFolder(t, goodManifest, "one"), // back to the first
	} {
		digest, err := Install(store, folder)
		require.NoError(t, err)
		assert.Equal(t, digest, active())
	}
	list, err := List(store)
	require.NoError(t, err)
	assert.Len(t, list, 3, "earlier builds stay")
	require.NoError(t, os.RemoveAll(filepath.Join(store, chosenFolder)))
	assert.Equal(t, list[0].Digest, active(), "of a store without a choice the newest version")
}

// A copy that a killed installation left half-written is swept, one that may be under way isn't.
func TestAbandonedCopiesAreSwept(t *testing.T) {
	store := t.TempDir()
	parent := filepath.Join(store, algorithmFolder)
	left, underWay := filepath.Join(parent, incomingPrefix+"1"), filepath.Join(parent, incomingPrefix+"2")
	for _, folder := range []string{left, underWay} {
		require.NoError(t, os.MkdirAll(folder, 0o700))
		require.NoError(t, os.WriteFile(filepath.Join(folder, "half"), []byte("half"), 0o600))
	}
	old := time.Now().Add(-25 * time.Hour)
	require.NoError(t, os.Chtimes(left, old, old))
	_, err := Install(store, moduleFolder(t, goodManifest, "one"))
	require.NoError(t, err)
	assert.NoDirExists(t, left)
	assert.DirExists(t, underWay)
}

// An author's folder is installed as it is: the source beside the executable stays behind, and makes no other module of it.
func TestGoSourceStaysBehind(t *testing.T) {
	store := t.TempDir()
	alone, err := Install(store, moduleFolder(t, goodManifest, "one"))
	require.NoError(t, err)
	dir := moduleFolder(t, goodManifest, "one")
	require.NoError(t, os.WriteFile(filepath.Join(dir, "main.go"), []byte("package main"), 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "main_test.go"), []byte("package main"), 0o644))
	for _, name := range []string{"go.mod", "go.sum", "go.work", "go.work.sum"} { // of one outside of this tree
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte("module reach"), 0o644))
	}
	digest, err := Install(store, dir)
	require.NoError(t, err)
	assert.Equal(t, alone, digest)
	entries, err := os.ReadDir(filepath.Join(store, algorithmFolder, digest))
	require.NoError(t, err)
	assert.Len(t, entries, 3)
	require.NoError(t, os.Symlink(filepath.Join(dir, "main.go"), filepath.Join(dir, "more.go")))
	_, err = Install(store, dir)
	assert.ErrorContains(t, err, `"more.go" is not a regular file`)
}

// What answers for a kind doesn't depend on names: the first module of a kind does, until somebody declares another.
func TestTheFirstModuleOfAKindAnswersForIt(t *testing.T) {
	store := filepath.Join(t.TempDir(), "store")
	add := func(store, name string) Installed {
		dir := t.TempDir()
		manifest := fmt.Sprintf(`{"name":%q,"version":"1.0.0","kind":"palette"}`, name)
		require.NoError(t, os.WriteFile(filepath.Join(dir, ManifestName), []byte(manifest), 0o644))
		require.NoError(t, os.WriteFile(filepath.Join(dir, "commonvat-module-"+name), nil, 0o755))
		in, err := Add(store, dir)
		require.NoError(t, err)
		require.NoError(t, Choose(store, in))
		return in
	}
	names := func(store string) (out []string) {
		list, err := Active(store)
		require.NoError(t, err)
		for _, in := range list {
			out = append(out, in.Name)
		}
		return out
	}
	add(store, "palette-width")
	hues := add(store, "hues")
	add(store, "angles")
	assert.Equal(t, []string{"palette-width", "angles", "hues"}, names(store))
	active, err := ActiveWith(store, nil)
	require.NoError(t, err)
	assert.Equal(t, map[string][]string{"palette": {"palette-width", "angles", "hues"}}, active)
	active, err = ActiveWith(store, []Chosen{{Name: "hues", Kind: "palette", Digest: hues.Digest}})
	require.NoError(t, err)
	assert.Equal(t, map[string][]string{"palette": {"palette-width", "angles", hues.Digest}}, active, "who activates a module doesn't make it the default")
	require.NoError(t, DeclareDefault(store, hues))
	assert.Equal(t, []string{"hues", "angles", "palette-width"}, names(store))
	require.NoError(t, KeepReport(store, hues.Digest, []byte(`{"passed":false}`)))
	assert.Equal(t, []string{"angles", "palette-width"}, names(store), "a declared default that can't serve leaves the place to others")

	// In a store of before defaults were declared, the first by name answered, and goes on to.
	old := filepath.Join(t.TempDir(), "old")
	add(old, "hues")
	add(old, "palette-width")
	require.NoError(t, os.RemoveAll(filepath.Join(old, defaultsFolder)))
	assert.Equal(t, []string{"hues", "palette-width"}, names(old))
	add(old, "hues") // installed again
	assert.Equal(t, []string{"hues", "palette-width"}, names(old))
	require.NoError(t, os.RemoveAll(filepath.Join(old, defaultsFolder)))
	add(old, "angles")
	assert.Equal(t, []string{"hues", "angles", "palette-width"}, names(old))
}

// TestStoreAgreesWithSha256sum checks the store's format with another implementation, GNU coreutils' sha256sum.
func TestStoreAgreesWithSha256sum(t *testing.T) {
	if _, err := exec.LookPath("sha256sum"); err != nil {
		t.Skip("sha256sum is not installed")
	}
	store := t.TempDir()
	digest, err := Install(store, moduleFolder(t, goodManifest, "one"))
	require.NoError(t, err)
	run := func(args ...string) string {
		cmd := exec.Command("sha256sum", args...)
		cmd.Dir = filepath.Join(store, algorithmFolder, digest)
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, string(out))
		return string(out)
	}
	assert.Equal(t, digest, strings.Fields(run(sumsName))[0])
	run("--check", "--strict", sumsName)
}

func TestInstallAtTheSameTime(t *testing.T) {
	store, dir := t.TempDir(), moduleFolder(t, goodManifest, "one")
	digests := make([]string, 8)
	var wg sync.WaitGroup
	for i := range digests {
		wg.Go(func() {
			d, err := Install(store, dir)
			assert.NoError(t, err)
			digests[i] = d
		})
	}
	wg.Wait()
	for _, d := range digests {
		assert.Equal(t, digests[0], d)
	}
	list, err := List(store)
	require.NoError(t, err)
	assert.Len(t, list, 1)
}

func TestInstallRefuses(t *testing.T) {
	outside := filepath.Join(t.TempDir(), "outside")
	require.NoError(t, os.WriteFile(outside, []byte("elsewhere"), 0o755))
	exe := "commonvat-module-palette-width"
	for want, spoil := range map[string]func(dir string) error{
		`"notes" does not belong there`: func(dir string) error { return os.WriteFile(filepath.Join(dir, "notes"), nil, 0o644) },
		`"sub" is not a regular file`:   func(dir string) error { return os.Mkdir(filepath.Join(dir, "sub"), 0o755) },
		`"` + exe + `" is not a regular file`: func(dir string) error {
			_ = os.Remove(filepath.Join(dir, exe))
			return os.Symlink(outside, filepath.Join(dir, exe))
		},
		`"module.json" is not a regular file`: func(dir string) error {
			_ = os.Remove(filepath.Join(dir, ManifestName))
			return os.Symlink(outside, filepath.Join(dir, ManifestName))
		},
		`"` + exe + `" has 2 names`: func(dir string) error { return os.Link(filepath.Join(dir, exe), filepath.Join(t.TempDir(), "another")) },
		`"` + ManifestName + `" has 2 names`: func(dir string) error {
			return os.Link(filepath.Join(dir, ManifestName), filepath.Join(t.TempDir(), "another"))
		},
		"it has no module.json, which says the module's name, version and kind": func(dir string) error { return os.Remove(filepath.Join(dir, ManifestName)) },
		"it has no program " + exe + ": build the module":                       func(dir string) error { return os.Remove(filepath.Join(dir, exe)) },
		"there is no such folder":                                               os.RemoveAll,
		"is not executable; chmod +x":                                           func(dir string) error { return os.Chmod(filepath.Join(dir, exe), 0o644) },
		"larger than 65536 bytes": func(dir string) error {
			return os.WriteFile(filepath.Join(dir, ManifestName), make([]byte, maxManifestBytes+1), 0o644)
		},
	} {
		t.Run(want, func(t *testing.T) {
			store, dir := t.TempDir(), moduleFolder(t, goodManifest, "one")
			require.NoError(t, spoil(dir))
			_, err := Install(store, dir)
			assert.ErrorContains(t, err, want)
			list, err := List(store)
			require.NoError(t, err)
			assert.Empty(t, list)
		})
	}
}

// Pipes and devices are refused, and nobody waits for them.
func TestInstallRefusesPipesAndDevices(t *testing.T) {
	const exe = "commonvat-module-palette-width"
	for what, put := range map[string]func(path string) error{
		"pipe":   func(path string) error { return syscall.Mkfifo(path, 0o755) },
		"device": func(path string) error { return syscall.Mknod(path, syscall.S_IFCHR|0o755, 1<<8|5) }, // endless zeros, on Linux
		"socket": func(path string) error { return syscall.Mknod(path, syscall.S_IFSOCK|0o755, 0) },
	} {
		for _, name := range []string{exe, ManifestName} {
			store, dir := t.TempDir(), moduleFolder(t, goodManifest, "one")
			require.NoError(t, os.Remove(filepath.Join(dir, name)))
			if err := put(filepath.Join(dir, name)); errors.Is(err, syscall.EPERM) {
				t.Logf("%s: only the superuser makes one: not tried", what)
				continue
			}
			done := goAsync(func() error { _, err := Install(store, dir); return err })
			select {
			case err := <-done:
				assert.ErrorContains(t, err, name+`" is not a regular file`, what)
			case <-time.After(plugintest.Patience):
				t.Fatalf("installing waits for a %s", what)
			}
			// Past the list of the folder too, as when a name changes hands in between.
			root, err := os.OpenRoot(dir)
			require.NoError(t, err)
			opened := goAsync(func() error { _, err := openOwn(root, name); return err })
			select {
			case err := <-opened:
				assert.Error(t, err, what)
			case <-time.After(plugintest.Patience):
				t.Fatalf("opening waits for a %s", what)
			}
			require.NoError(t, root.Close())
		}
	}
}

func goAsync(f func() error) <-chan error {
	done := make(chan error, 1)
	go func() { done <- f() }()
	return done
}

func TestDamagedEntriesAreReported(t *testing.T) {
	store := t.TempDir()
	good, err := Install(store, moduleFolder(t, goodManifest, "one"))
	require.NoError(t, err)
	bad, err := Install(store, moduleFolder(t, goodManifest, "two"))
	require.NoError(t, err)
	manifest := filepath.Join(store, algorithmFolder, bad, ManifestName)
	require.NoError(t, os.Chmod(manifest, 0o644))
	require.NoError(t, os.WriteFile(manifest, []byte(strings.Replace(goodManifest, "1.0.0", "9.0.0", 1)), 0o644))
	require.NoError(t, os.Mkdir(filepath.Join(store, algorithmFolder, "stray"), 0o755))
	list, err := List(store)
	assert.ErrorContains(t, err, bad)
	assert.ErrorContains(t, err, `"stray"`)
	require.Len(t, list, 1)
	assert.Equal(t, good, list[0].Digest)
	_, err = Install(store, moduleFolder(t, goodManifest, "two"))
	assert.ErrorContains(t, err, "damaged")
}

func TestParseManifest(t *testing.T) {
	m, err := parseManifest([]byte(goodManifest))
	require.NoError(t, err)
	assert.Equal(t, manifest{name: "palette-width", version: "1.0.0", kind: "palette"}, m)
	m, err = parseManifest([]byte(`{"name":"a","version":"1.0.0","kind":"palette","memory_mib":1024,"runtime":"python3"}`))
	require.NoError(t, err)
	assert.Equal(t, sandbox.Wish{MemoryMiB: 1024, Runtime: "python3"}, m.wish)
	for text, want := range map[string]string{
		`{"name":"a","version":"1.0.0","kind":"palette","memory_mib":1e3}`:                   "memory_mib\" is 1e3, want a whole number, 128 to 65536",
		`{"name":"a","version":"1.0.0","kind":"palette","memory_mib":0}`:                     "is 0, want",
		`{"name":"a","version":"1.0.0","kind":"palette","memory_mib":"1024"}`:                "is not a number",
		`{"name":"a","version":"1.0.0","kind":"palette","memory_mib":256,"memory_mib":1024}`: "appears twice",
		`{"name":"a","version":"1.0.0","kind":"palette","runtime":"/bin/sh"}`:                `runtime is "/bin/sh"`,
		`{"name":1,"version":"1.0.0","kind":"palette"}`:                                      "not a string",
		``:   "not a JSON object",
		`[]`: "not a JSON object",
		`{"name":"a","version":"1.0.0","kind":"palette","path":"/bin/sh"}`: `unknown key "path"`,
		`{"Name":"a","version":"1.0.0","kind":"palette"}`:                  `unknown key "Name"`,
		`{"name":"a","name":"b","version":"1.0.0","kind":"palette"}`:       `"name" appears twice`,
		`{"name":["a"],"version":"1.0.0","kind":"palette"}`:                "not a string",
		`{"name":"a","version":"1.0.0"}`:                                   "kind is",
		`{"name":"../a","version":"1.0.0","kind":"palette"}`:               "name is",
		`{"name":"a/b","version":"1.0.0","kind":"palette"}`:                "name is",
		`{"name":"palette","version":"1.0.0","kind":"palette"}`:            "word of a kind",
		`{"name":"a","version":"1.0","kind":"palette"}`:                    "version is",
		`{"name":"a","version":"1.0.0","kind":"spell"}`:                    "kind is",
		goodManifest + `{}`: "something follows",
		`{"name":"a"`:       "EOF",
	} {
		_, err := parseManifest([]byte(text))
		assert.ErrorContains(t, err, want, text)
	}
}

func FuzzParseManifest(f *testing.F) {
	f.Add([]byte(goodManifest))
	f.Add([]byte(`{"name":"a","name":"b"}`))
	f.Add([]byte(`{"name":{"a":[]},"version":1}`))
	f.Add([]byte("{\"name\":\"\xff\"}"))
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := parseManifest(b)
		if err != nil {
			return
		}
		// What was accepted is safe as part of a path and reads back the same.
		if strings.ContainsAny(m.name, "/\\.\x00") {
			t.Fatalf("name %q", m.name)
		}
		text := `{"kind":"` + m.kind + `","version":"` + m.version + `","name":"` + m.name + `","runtime":"` + m.wish.Runtime + `"`
		if m.wish.MemoryMiB != 0 {
			text += fmt.Sprintf(`,"memory_mib":%d`, m.wish.MemoryMiB)
		}
		again, err := parseManifest([]byte(text + `}`))
		if err != nil || again != m {
			t.Fatalf("%+v read back as %+v, %v", m, again, err)
		}
	})
}
