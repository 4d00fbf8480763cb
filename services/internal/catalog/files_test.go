package catalog

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const pythonManifest = `{"name":"palette-width","version":"1.0.0","kind":"palette","runtime":"python3"}`

// pythonFolder is a folder of a module in Python, as far as the store looks at it.
func pythonFolder(t testing.TB) string {
	t.Helper()
	dir := moduleFolder(t, pythonManifest, "#!/usr/bin/python3\nimport method\n")
	put(t, dir, "method.py", "pass\n")
	put(t, dir, "lib/__init__.py", "")
	put(t, dir, "lib/deep/er.bin", "\x00\x01")
	return dir
}

func put(t testing.TB, dir, name, text string) {
	t.Helper()
	path := filepath.Join(dir, filepath.FromSlash(name))
	require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
	require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
}

func TestFurtherFilesAreInTheDigest(t *testing.T) {
	store, dir := t.TempDir(), pythonFolder(t)
	put(t, dir, "lib/__pycache__/er.cpython-311.pyc", "left by a run of its author's")
	first, err := Add(store, dir)
	require.NoError(t, err)
	var names []string
	for _, f := range first.Files {
		names = append(names, f.Path)
	}
	assert.Equal(t, []string{"lib/__init__.py", "lib/deep/er.bin", "method.py"}, names)
	require.NoError(t, first.CheckFiles())
	info, err := os.Stat(filepath.Join(filepath.Dir(first.Executable), "lib", "deep", "er.bin"))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o444), info.Mode().Perm())

	put(t, dir, "lib/deep/er.bin", "\x00\x02")
	other, err := Add(store, dir)
	require.NoError(t, err)
	assert.NotEqual(t, first.Digest, other.Digest, "one byte in one file is another build")
	assert.Equal(t, first.SHA256, other.SHA256, "of the same executable")
	list, err := List(store)
	require.NoError(t, err)
	assert.Len(t, list, 2)

	if _, err := exec.LookPath("sha256sum"); err == nil { // another implementation, GNU coreutils'
		cmd := exec.Command("sha256sum", "--check", "--strict", sumsName)
		cmd.Dir = filepath.Dir(first.Executable)
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, "%s", out)
		assert.Equal(t, 5, strings.Count(string(out), ": OK"))
	}
}

func TestFurtherFilesRefused(t *testing.T) {
	for want, spoil := range map[string]func(t *testing.T, dir string){
		`"lib/link.py" is not a regular file`: func(t *testing.T, dir string) {
			require.NoError(t, os.Symlink("/etc/passwd", filepath.Join(dir, "lib/link.py")))
		},
		`"up" is not a regular file`:          func(t *testing.T, dir string) { require.NoError(t, os.Symlink("..", filepath.Join(dir, "up"))) },
		`"lib/.hidden" does not belong there`: func(t *testing.T, dir string) { put(t, dir, "lib/.hidden", "") },
		`"a b.py" does not belong there`:      func(t *testing.T, dir string) { put(t, dir, "a b.py", "") },
		`"lib/SHA256SUMS" does not belong`:    func(t *testing.T, dir string) { put(t, dir, "lib/SHA256SUMS", "") },
		`"a/b/c/d/e/f.py" does not belong`:    func(t *testing.T, dir string) { put(t, dir, "a/b/c/d/e/f.py", "") },
		"er.bin is larger than": func(t *testing.T, dir string) {
			require.NoError(t, os.Truncate(filepath.Join(dir, "lib/deep/er.bin"), maxFileBytes+1))
		},
		`"lib" is not a regular file`: func(t *testing.T, dir string) { put(t, dir, ManifestName, goodManifest) }, // of another runtime
	} {
		t.Run(want, func(t *testing.T) {
			store, dir := t.TempDir(), pythonFolder(t)
			spoil(t, dir)
			_, err := Add(store, dir)
			assert.ErrorContains(t, err, want)
			list, err := List(store)
			require.NoError(t, err)
			assert.Empty(t, list)
		})
	}
}

func TestCheckFilesFindsEveryChange(t *testing.T) {
	for want, spoil := range map[string]func(t *testing.T, entry string){
		`checksum of "method.py" does not match`: func(t *testing.T, entry string) {
			require.NoError(t, os.Remove(filepath.Join(entry, "method.py")))
			put(t, entry, "method.py", "import os\n")
		},
		`"numpy.py" lies in the module's folder`: func(t *testing.T, entry string) { put(t, entry, "numpy.py", "") },
		`"lib/__pycache__" lies in`:              func(t *testing.T, entry string) { put(t, entry, "lib/__pycache__/er.pyc", "") },
		"of 3 files that were installed with the": func(t *testing.T, entry string) {
			require.NoError(t, os.Remove(filepath.Join(entry, "lib/deep/er.bin")))
		},
		`"method.py" lies in the module's folder and`: func(t *testing.T, entry string) {
			require.NoError(t, os.Rename(filepath.Join(entry, "method.py"), filepath.Join(t.TempDir(), "elsewhere")))
			require.NoError(t, os.Symlink("lib/__init__.py", filepath.Join(entry, "method.py")))
		},
	} {
		t.Run(want, func(t *testing.T) {
			store := t.TempDir()
			in, err := Add(store, pythonFolder(t))
			require.NoError(t, err)
			spoil(t, filepath.Dir(in.Executable))
			assert.ErrorContains(t, in.CheckFiles(), want)
			_, err = Add(store, pythonFolder(t))
			assert.ErrorContains(t, err, "damaged")
		})
	}
}

func FuzzParseFiles(f *testing.F) {
	sum := strings.Repeat("0a", 32)
	f.Add(sum + "  a.py\n" + sum + "  b/c.py\n")
	f.Add(sum + "  ../a.py\n")
	f.Add(sum + " *a.py\n")
	f.Add(strings.ToUpper(sum) + "  a.py")
	f.Fuzz(func(t *testing.T, lines string) {
		files, err := parseFiles(lines, sandbox.Wish{Runtime: sandbox.RuntimePython3})
		if err != nil {
			return
		}
		// What was accepted stays below the folder and is all that stood there.
		if len(files) != strings.Count(lines, "\n") {
			t.Fatalf("%d files of %q", len(files), lines)
		}
		for _, file := range files {
			if !filepath.IsLocal(file.Path) {
				t.Fatalf("path %q", file.Path)
			}
		}
	})
}
