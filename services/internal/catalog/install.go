package catalog

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
)

// The store holds one folder per installed module, <store>/sha256/<digest>/, with the executable, the manifest, the further files of a module in Python, and
// SHA256SUMS, a list of them in that order in the form of sha256sum(1). The digest is the SHA-256 of that list, so that both
// `sha256sum --check SHA256SUMS` and `sha256sum SHA256SUMS` say something a person can compare.
const (
	sumsName        = "SHA256SUMS"
	algorithmFolder = "sha256"
	incomingPrefix  = ".incoming-"

	maxSumsBytes       = 256 << 10
	maxExecutableBytes = 512 << 20
)

var digestForm = regexp.MustCompile(`^[0-9a-f]{64}$`)

// Module is what identifies a module in every result that it computed.
type Module struct {
	Name    string
	Version string // semantic version
	Kind    string
	Digest  string // 64 hexadecimal digits: SHA-256 over executable and manifest, see Install
}

// Installed is a module in the store.
type Installed struct {
	Module
	// Executable is its absolute path if the store's path is.
	Executable string
	// SHA256 of the executable alone.
	SHA256 []byte
	// Files are what a module in Python needs beside its executable, sorted by path; see CheckFiles.
	Files []File
	// Wish is what the module asks of its sandbox.
	Wish sandbox.Wish
}

// Install adds the module in folder dir to the store, makes it the build that answers for its name, see Active, and returns its digest.
func Install(store, dir string) (digest string, err error) {
	in, err := Add(store, dir)
	if err != nil {
		return "", err
	}
	return in.Digest, Choose(store, in)
}

// Choose makes an installed build the one that answers for its name when a core next opens the store. The first module of a kind becomes its default;
// later ones don't, see [DeclareDefault].
func Choose(store string, in Installed) error {
	if err := settleDefault(store, in); err != nil {
		return err
	}
	if err := choose(store, in.Name, in.Digest); err != nil {
		return fmt.Errorf("choose build %s of %s: %w", in.Digest, in.Name, err)
	}
	return nil
}

// Add copies the module in folder dir into the store and tells what was added. The folder holds a manifest (see
// ManifestName) and the executable it names, and nothing else but the Go source that it was built from, which isn't copied; unless it asks for the
// runtime of Python: then it holds the files that its script imports. Links are refused, whatever they point to. The copy is
// written aside, synced and then renamed, so that the store never shows half a module. Adding the same content
// again gives the same digest.
func Add(store, dir string) (Installed, error) {
	fail := func(err error) (Installed, error) {
		return Installed{}, fmt.Errorf("install module folder %s: %w", dir, err)
	}
	root, err := os.OpenRoot(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return fail(errors.New("there is no such folder"))
	}
	if err != nil {
		return fail(err)
	}
	defer func() { _ = root.Close() }()
	m, raw, further, err := readFolder(root)
	if err != nil {
		return fail(err)
	}

	parent := filepath.Join(store, algorithmFolder)
	//nolint:gosec // a steward installs, the core, another user, reads
	if err := os.MkdirAll(parent, 0o755); err != nil {
		return fail(err)
	}
	sweepIncoming(parent)
	incoming, err := os.MkdirTemp(parent, incomingPrefix)
	if err != nil {
		return fail(err)
	}
	defer func() { _ = os.RemoveAll(incoming) }()

	executable := sdk.ExecutablePrefix + m.name
	src, err := openOwn(root, executable)
	if err != nil {
		return fail(err)
	}
	defer func() { _ = src.Close() }()
	sum, err := writeFile(filepath.Join(incoming, executable), src, maxExecutableBytes, 0o555)
	if err != nil {
		return fail(err)
	}
	manifestSum, err := writeFile(filepath.Join(incoming, ManifestName), bytes.NewReader(raw), maxManifestBytes, 0o444)
	if err != nil {
		return fail(err)
	}
	lines, err := copyFiles(root, further, incoming)
	if err != nil {
		return fail(err)
	}
	sums := fmt.Sprintf("%x  %s\n%x  %s\n%s", sum, executable, manifestSum, ManifestName, lines)
	total, err := writeFile(filepath.Join(incoming, sumsName), strings.NewReader(sums), maxSumsBytes, 0o444)
	if err != nil {
		return fail(err)
	}
	digest := hex.EncodeToString(total)
	//nolint:gosec // a steward installs, the core, another user, reads
	if err := os.Chmod(incoming, 0o755); err != nil {
		return fail(err)
	}
	if err := syncFolder(incoming); err != nil {
		return fail(err)
	}
	err = os.Rename(incoming, filepath.Join(parent, digest))
	if errors.Is(err, fs.ErrExist) {
		if err := checkWhole(store, digest); err != nil {
			return fail(fmt.Errorf("it is in the store already, and damaged: %w", err))
		}
	} else if err = errors.Join(err, syncFolder(parent)); err != nil {
		return fail(err)
	}
	in, err := lookUp(store, digest)
	if err != nil {
		return fail(err)
	}
	return in, nil
}

// abandonedAfter is from when a half-written copy is no installation under way any more: none takes nearly as long.
const abandonedAfter = 24 * time.Hour

// sweepIncoming removes what installations that were killed have left. What can't be removed is left to the next one.
func sweepIncoming(parent string) {
	entries, err := os.ReadDir(parent)
	if err != nil {
		return
	}
	for _, e := range entries {
		if info, err := e.Info(); err == nil && strings.HasPrefix(e.Name(), incomingPrefix) && time.Since(info.ModTime()) > abandonedAfter {
			_ = os.RemoveAll(filepath.Join(parent, e.Name()))
		}
	}
}

// readFolder checks what is in a module folder, reads the manifest and lists the further files.
func readFolder(root *os.Root) (manifest, []byte, []string, error) {
	fail := func(err error) (manifest, []byte, []string, error) { return manifest{}, nil, nil, err }
	entries, err := fs.ReadDir(root.FS(), ".")
	if err != nil {
		return fail(err)
	}
	for _, e := range entries {
		if !e.Type().IsRegular() && !e.IsDir() {
			return fail(fmt.Errorf("%q is not a regular file; links and folders are refused", e.Name()))
		}
	}
	f, err := openOwn(root, ManifestName)
	if errors.Is(err, fs.ErrNotExist) {
		return fail(fmt.Errorf("it has no %s, which says the module's name, version and kind", ManifestName))
	}
	if err != nil {
		return fail(err)
	}
	defer func() { _ = f.Close() }()
	raw, err := readLimited(f, maxManifestBytes)
	if err != nil {
		return fail(fmt.Errorf("%s: %w", ManifestName, err))
	}
	m, err := parseManifest(raw)
	if err != nil {
		return fail(fmt.Errorf("%s: %w", ManifestName, err))
	}
	executable := sdk.ExecutablePrefix + m.name
	further, err := furtherFiles(root, executable, m.wish)
	if err != nil {
		return fail(err)
	}
	info, err := root.Lstat(executable)
	if errors.Is(err, fs.ErrNotExist) {
		return fail(fmt.Errorf("it has no program %s: build the module into its folder first", executable))
	}
	if err != nil {
		return fail(err)
	}
	if info.Mode().Perm()&0o111 == 0 || !info.Mode().IsRegular() {
		return fail(fmt.Errorf("%q is not executable; chmod +x makes it so", executable))
	}
	return m, raw, further, nil
}

// openOwn opens a regular file that has no name but this one. What was looked at is what is opened, whatever happens to the name in between, and
// neither a pipe nor a device holds up whoever opens it. A further name is refused like a link: the file may be somebody else's, which the steward may read
// and whoever made the folder may not, and what is installed can be read by all.
func openOwn(root *os.Root, name string) (_ *os.File, err error) {
	seen, err := root.Lstat(name)
	if err != nil {
		return nil, err
	}
	f, err := root.OpenFile(name, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			_ = f.Close()
		}
	}()
	info, err := f.Stat()
	switch {
	case err != nil:
		return nil, err
	case !seen.Mode().IsRegular(), !info.Mode().IsRegular(), !os.SameFile(seen, info):
		return nil, fmt.Errorf("%q is not a regular file; links and folders are refused", name)
	}
	if st, ok := info.Sys().(*syscall.Stat_t); ok && st.Nlink > 1 {
		return nil, fmt.Errorf("%q has %d names; hard links are refused: copy the file", name, st.Nlink)
	}
	return f, nil
}

// List returns the modules in the store, by kind, name, newest version first, digest. Damaged entries are left out and
// reported in the error, which does not spoil the list. A store that does not exist is empty. Executables are not read;
// they are checked before each start.
func List(store string) ([]Installed, error) {
	entries, err := os.ReadDir(filepath.Join(store, algorithmFolder))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("module store: %w", err)
	}
	var list []Installed
	var errs []error
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), incomingPrefix) {
			continue
		}
		in, err := lookUp(store, e.Name())
		if err != nil {
			errs = append(errs, err)
			continue
		}
		list = append(list, in)
	}
	slices.SortFunc(list, func(a, b Installed) int {
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Name, b.Name),
			-compareVersions(a.Version, b.Version), cmp.Compare(a.Digest, b.Digest))
	})
	return list, errors.Join(errs...)
}

// lookUp reads one entry of the store and checks everything but the executable's bytes.
func lookUp(store, digest string) (_ Installed, err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("module store, entry %.80q: %w", digest, err)
		}
	}()
	if !digestForm.MatchString(digest) {
		return Installed{}, errors.New("not a digest of 64 hexadecimal digits")
	}
	root, err := os.OpenRoot(filepath.Join(store, algorithmFolder, digest))
	if err != nil {
		return Installed{}, err
	}
	defer func() { _ = root.Close() }()
	sums, err := readName(root, sumsName, maxSumsBytes)
	if err != nil {
		return Installed{}, err
	}
	if got := sha256.Sum256(sums); hex.EncodeToString(got[:]) != digest {
		return Installed{}, fmt.Errorf("%s does not have that digest", sumsName)
	}
	raw, err := readName(root, ManifestName, maxManifestBytes)
	if err != nil {
		return Installed{}, err
	}
	m, err := parseManifest(raw)
	if err != nil {
		return Installed{}, fmt.Errorf("%s: %w", ManifestName, err)
	}
	executable := sdk.ExecutablePrefix + m.name
	sumHex, _, _ := strings.Cut(string(sums), " ")
	lines, ok := strings.CutPrefix(string(sums), fmt.Sprintf("%s  %s\n%x  %s\n", sumHex, executable, sha256.Sum256(raw), ManifestName))
	if !ok {
		return Installed{}, fmt.Errorf("%s does not fit the manifest", sumsName)
	}
	sum, err := hex.DecodeString(sumHex)
	if err != nil || len(sum) != sha256.Size {
		return Installed{}, fmt.Errorf("%s holds no checksum of the executable", sumsName)
	}
	files, err := parseFiles(lines, m.wish)
	if err != nil {
		return Installed{}, err
	}
	return Installed{
		Module:     Module{Name: m.name, Version: m.version, Kind: m.kind, Digest: digest},
		Executable: filepath.Join(store, algorithmFolder, digest, executable),
		SHA256:     sum,
		Files:      files,
		Wish:       m.wish,
	}, nil
}

// checkWhole checks an entry with its executable and its further files.
func checkWhole(store, digest string) error {
	in, err := lookUp(store, digest)
	if err != nil {
		return err
	}
	f, err := os.Open(in.Executable)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return err
	}
	if !bytes.Equal(h.Sum(nil), in.SHA256) {
		return errors.New("checksum of the executable does not match")
	}
	return in.CheckFiles()
}

func readName(root *os.Root, name string, limit int64) ([]byte, error) {
	f, err := root.Open(name)
	if err != nil {
		return nil, err
	}
	defer func() { _ = f.Close() }()
	return readLimited(f, limit)
}

func readLimited(r io.Reader, limit int64) ([]byte, error) {
	b, err := io.ReadAll(io.LimitReader(r, limit+1))
	if err == nil && int64(len(b)) > limit {
		err = fmt.Errorf("larger than %d bytes", limit)
	}
	return b, err
}

// writeFile writes at most limit bytes of r to a new file, syncs it and returns the SHA-256 of what was written.
func writeFile(path string, r io.Reader, limit int64, mode fs.FileMode) (sum []byte, err error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return nil, err
	}
	defer func() {
		if cerr := f.Close(); err == nil {
			err = cerr
		}
	}()
	h := sha256.New()
	n, err := io.Copy(io.MultiWriter(f, h), io.LimitReader(r, limit+1))
	if err != nil {
		return nil, err
	}
	if n > limit {
		return nil, fmt.Errorf("%s is larger than %d bytes", filepath.Base(path), limit)
	}
	if err := f.Chmod(mode); err != nil {
		return nil, err
	}
	return h.Sum(nil), f.Sync()
}

func syncFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	err = d.Sync()
	if cerr := d.Close(); err == nil {
		err = cerr
	}
	return err
}
