package catalog

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
)

// A module in Python is a folder of files: the executable is a script that imports others. They stand in SHA256SUMS behind the executable and the
// manifest, so that the digest covers them too. They may lie in folders; what compilers of other runs left there is passed over.
const (
	maxFiles      = 500
	maxFileBytes  = 16 << 20
	compiledCache = "__pycache__"
)

// goFiles are what a module in Go that lies outside of Commonvat's tree has beside its source.
var goFiles = []string{"go.mod", "go.sum", "go.work", "go.work.sum"}

// fileForm keeps hidden files out, and everything that another system would read as something else.
var fileForm = regexp.MustCompile(`^[A-Za-z0-9_][A-Za-z0-9_.-]*(/[A-Za-z0-9_][A-Za-z0-9_.-]*){0,4}$`)

// File is one of the files that a module's executable needs.
type File struct {
	Path   string // within the module's folder, with slashes
	SHA256 []byte
}

// furtherFiles lists the files of a module's folder beside its executable and manifest, sorted, and refuses what a folder must not hold.
func furtherFiles(root *os.Root, executable string, wish sandbox.Wish) ([]string, error) {
	var out []string
	err := fs.WalkDir(root.FS(), ".", func(at string, e fs.DirEntry, err error) error {
		switch python := wish.Runtime == sandbox.RuntimePython3; {
		case err != nil:
			return err
		case at == "." || at == ManifestName || at == executable:
			return nil
		case e.IsDir() && python:
			if e.Name() == compiledCache {
				return fs.SkipDir
			}
			return nil
		case !e.Type().IsRegular():
			return fmt.Errorf("%q is not a regular file; links and folders are refused", at)
		case !python && (path.Ext(at) == ".go" || slices.Contains(goFiles, at)):
			return nil // what it was built from, which stays where it is
		case !python:
			return fmt.Errorf("%q does not belong there, want only %s and %s, and the Go source of it", at, ManifestName, executable)
		case !fileForm.MatchString(at) || path.Base(at) == sumsName:
			return fmt.Errorf("%q does not belong there, want names of letters, digits, %q, at most 4 folders deep", at, "_.-")
		}
		if out = append(out, at); len(out) > maxFiles {
			return fmt.Errorf("more than %d files", maxFiles)
		}
		return nil
	})
	slices.Sort(out)
	return out, err
}

// copyFiles copies a module's further files and gives their lines for SHA256SUMS.
func copyFiles(root *os.Root, names []string, to string) (string, error) {
	var lines strings.Builder
	folders := map[string]bool{}
	for _, name := range names {
		for at := path.Dir(name); at != "."; at = path.Dir(at) {
			folders[at] = true
		}
		target := filepath.Join(to, filepath.FromSlash(name))
		//nolint:gosec // a steward installs, the core, another user, reads
		if err := os.MkdirAll(filepath.Dir(target), 0o755); err != nil {
			return "", err
		}
		src, err := openOwn(root, name)
		if err != nil {
			return "", err
		}
		sum, err := writeFile(target, src, maxFileBytes, 0o444)
		_ = src.Close() // it was only read
		if err != nil {
			return "", err
		}
		fmt.Fprintf(&lines, "%x  %s\n", sum, name)
	}
	for at := range folders {
		if err := syncFolder(filepath.Join(to, filepath.FromSlash(at))); err != nil {
			return "", err
		}
	}
	return lines.String(), nil
}

// parseFiles reads the lines of SHA256SUMS behind those of the executable and the manifest.
func parseFiles(lines string, wish sandbox.Wish) ([]File, error) {
	if lines == "" {
		return nil, nil
	}
	if wish.Runtime != sandbox.RuntimePython3 {
		return nil, fmt.Errorf("%s lists further files, which only a module of runtime %s has", sumsName, sandbox.RuntimePython3)
	}
	var out []File
	for line := range strings.Lines(lines) {
		sumHex, name, _ := strings.Cut(strings.TrimSuffix(line, "\n"), "  ")
		sum, err := hex.DecodeString(sumHex)
		if err != nil || len(sum) != sha256.Size || !fileForm.MatchString(name) || fmt.Sprintf("%x  %s\n", sum, name) != line {
			return nil, fmt.Errorf("%s: %.120q is no line of it", sumsName, line)
		}
		if n := len(out); n == maxFiles || n > 0 && out[n-1].Path >= name {
			return nil, fmt.Errorf("%s: %.80q is out of order, or one too many", sumsName, name)
		}
		out = append(out, File{Path: name, SHA256: sum})
	}
	return out, nil
}

// CheckFiles compares the files beside the executable with what was installed, each byte of them, and refuses a file that was not: a script would
// import it in place of another. The executable itself is checked by who starts it. Between this check and the module's reading of a file nothing
// holds the file but its owner and mode.
func (in Installed) CheckFiles() error {
	if in.Wish.Runtime != sandbox.RuntimePython3 {
		return nil
	}
	root, err := os.OpenRoot(filepath.Dir(in.Executable))
	if err != nil {
		return err
	}
	defer func() { _ = root.Close() }()
	seen := 0
	err = fs.WalkDir(root.FS(), ".", func(at string, e fs.DirEntry, err error) error {
		if err != nil || at == "." || at == ManifestName || at == sumsName || at == sdk.ExecutablePrefix+in.Name {
			return err
		}
		if e.IsDir() && e.Name() != compiledCache {
			return nil
		}
		i, ok := slices.BinarySearchFunc(in.Files, at, func(f File, name string) int { return strings.Compare(f.Path, name) })
		if !ok || !e.Type().IsRegular() {
			return fmt.Errorf("%q lies in the module's folder and was not installed with it", at)
		}
		seen++
		f, err := root.Open(at)
		if err != nil {
			return err
		}
		defer func() { _ = f.Close() }()
		h := sha256.New()
		if _, err := io.Copy(h, f); err != nil {
			return err
		}
		if !bytes.Equal(h.Sum(nil), in.Files[i].SHA256) {
			return fmt.Errorf("checksum of %q does not match", at)
		}
		return nil
	})
	if err == nil && seen < len(in.Files) {
		err = fmt.Errorf("of %d files that were installed with the module only %d are there", len(in.Files), seen)
	}
	return err
}
