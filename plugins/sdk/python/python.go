// Package python holds the SDK for modules in Python, the package commonvat_sdk in the folder of that name. A module's folder holds a copy
// of it beside the module's own files, so that the digest of an installed module covers all that it runs but Python itself and Debian's packages.
package python

import (
	"embed"
	"io/fs"
	"os"
	"path/filepath"
)

// Package is the name of the SDK's package, and of its folder.
const Package = "commonvat_sdk"

// Interpreter is the Python that modules run in; see sandbox.RuntimePython3.
const Interpreter = "/usr/bin/python3"

//go:embed commonvat_sdk/*.py commonvat_sdk/contracts.binpb
var files embed.FS

// CopyInto writes the SDK into a module's folder. Files of an earlier copy are overwritten.
func CopyInto(folder string) error {
	return fs.WalkDir(files, Package, func(at string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		to := filepath.Join(folder, filepath.FromSlash(at))
		if e.IsDir() {
			return os.MkdirAll(to, 0o755) //nolint:gosec // a module's folder is read by whoever runs it
		}
		text, err := files.ReadFile(at)
		if err != nil {
			return err
		}
		return os.WriteFile(to, text, 0o644) //nolint:gosec // as above
	})
}
