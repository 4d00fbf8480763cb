package packs

import (
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

	"github.com/commonvat/commonvat/services/internal/store"
)

// MaxBytes of one piece of data, as data.proto has it.
const MaxBytes = 2 << 20

const (
	algorithmFolder = "sha256"
	// incomingPrefix of what is being written; a backup leaves it out.
	incomingPrefix = ".incoming-"
)

// ErrDamaged says that the folder holds something else than was kept.
var ErrDamaged = errors.New("kept data is damaged")

var digestForm = regexp.MustCompile(`^[0-9a-f]{64}$`)

// Folder keeps data by its digest: <folder>/sha256/<digest> is the content, which never changes. What is read is always held against its
// digest. It may be used by many at once, also by several processes.
type Folder struct{ path string }

// OpenFolder names the folder of the data. It is made when something is first kept.
func OpenFolder(path string) *Folder { return &Folder{path: path} }

// DigestOf is the SHA-256 of content in lower-case hexadecimal.
func DigestOf(content []byte) string {
	sum := sha256.Sum256(content)
	return hex.EncodeToString(sum[:])
}

// Keep writes content, 1 to [MaxBytes] bytes, and returns its digest. When it returns, the content is on disk under its name, whole; what is there
// already stays. Errors: [ErrDamaged] when something else is there; those of the file system.
func (f *Folder) Keep(content []byte) (digest string, err error) {
	if n := len(content); n == 0 || n > MaxBytes {
		return "", fmt.Errorf("data has %d bytes, want 1 to %d", n, MaxBytes)
	}
	digest = DigestOf(content)
	switch _, err := f.Content(digest); {
	case err == nil:
		return digest, nil
	case !errors.Is(err, fs.ErrNotExist):
		return "", err
	}
	if err := os.MkdirAll(filepath.Join(f.path, algorithmFolder), 0o700); err != nil {
		return "", fmt.Errorf("keep data %s: %w", digest, err)
	}
	root, err := os.OpenRoot(filepath.Join(f.path, algorithmFolder))
	if err != nil {
		return "", fmt.Errorf("keep data %s: %w", digest, err)
	}
	defer func() { err = errors.Join(err, root.Close()) }()
	if err := keep(root, digest, content); err != nil {
		return "", fmt.Errorf("keep data %s: %w", digest, err)
	}
	// The folders' own names, should they be new.
	return digest, errors.Join(syncFolder(filepath.Join(f.path, algorithmFolder)), syncFolder(f.path), syncFolder(filepath.Dir(f.path)))
}

// keep writes aside, syncs and renames. Two who keep the same content at once write the same.
func keep(root *os.Root, digest string, content []byte) error {
	part, err := os.CreateTemp(root.Name(), incomingPrefix)
	if err != nil {
		return err
	}
	name := filepath.Base(part.Name())
	defer func() { _ = root.Remove(name) }() // gone after the rename
	_, err = part.Write(content)
	if err := errors.Join(err, part.Chmod(0o400), part.Sync(), part.Close()); err != nil {
		return err
	}
	return root.Rename(name, digest)
}

// Content reads what has a digest, and holds it against that. Errors: fs.ErrNotExist; [ErrDamaged]; those of the file system.
func (f *Folder) Content(digest string) (content []byte, err error) {
	if !digestForm.MatchString(digest) {
		return nil, fmt.Errorf("data %.80q: not a digest of 64 hexadecimal digits: %w", digest, fs.ErrNotExist)
	}
	defer func() {
		if err != nil {
			content, err = nil, fmt.Errorf("data %s: %w", digest, err)
		}
	}()
	root, err := os.OpenRoot(filepath.Join(f.path, algorithmFolder))
	if err != nil {
		return nil, err
	}
	defer func() { _ = root.Close() }()
	// Neither links, whatever they point to, nor pipes and devices, which could hold up whoever opens them.
	info, err := root.Lstat(digest)
	switch {
	case err != nil:
		return nil, err
	case !info.Mode().IsRegular():
		return nil, fmt.Errorf("%w: it is no regular file", ErrDamaged)
	case info.Size() > MaxBytes:
		return nil, fmt.Errorf("%w: it has %d bytes, want 1 to %d", ErrDamaged, info.Size(), MaxBytes)
	}
	file, err := root.OpenFile(digest, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	defer func() { _ = file.Close() }()
	content, err = io.ReadAll(io.LimitReader(file, MaxBytes+1))
	if err != nil {
		return nil, err
	}
	if got := DigestOf(content); got != digest {
		return nil, fmt.Errorf("%w: its SHA-256 is %s", ErrDamaged, got)
	}
	return content, nil
}

// Check reads everything that is kept and reports all that isn't as it was kept, or doesn't belong there. A folder that isn't there is empty.
func (f *Folder) Check() (digests []string, err error) {
	entries, err := os.ReadDir(filepath.Join(f.path, algorithmFolder))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var faults []error
	for _, e := range entries {
		switch {
		case strings.HasPrefix(e.Name(), incomingPrefix): // a write that was cut off
		case !digestForm.MatchString(e.Name()):
			faults = append(faults, fmt.Errorf("%w: %.80q does not belong there", ErrDamaged, e.Name()))
		default:
			if _, err := f.Content(e.Name()); err != nil {
				faults = append(faults, err)
				continue
			}
			digests = append(digests, e.Name())
		}
	}
	slices.Sort(digests)
	return digests, errors.Join(faults...)
}

func syncFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// Faults holds what the store says is kept against the folder: a line for each row whose content is missing or isn't what its digest says, and for each
// file that doesn't belong there.
func (f *Folder) Faults(rows []store.PackRow) (faults []error) {
	kept, err := f.Check()
	if err != nil {
		faults = append(faults, err)
	}
	for _, row := range rows {
		if !slices.Contains(kept, row.Digest) {
			faults = append(faults, fmt.Errorf("pack %s %s of %s: %w: %s isn't whole in the folder of packs", row.Name, row.Version, row.Module, ErrDamaged, row.Digest))
		}
	}
	return faults
}
