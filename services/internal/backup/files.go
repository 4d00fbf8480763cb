package backup

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/commonvat/commonvat/services/internal/datafolder"
)

// File is one file of a backup.
type File struct {
	Path   string `json:"path"` // slash-separated, within the folder
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

func mustBeFree(path string) error {
	_, err := os.Lstat(path)
	switch {
	case err == nil:
		return fmt.Errorf("%s %w", path, ErrTaken)
	case errors.Is(err, fs.ErrNotExist):
		return nil
	default:
		return err
	}
}

// newPart makes the folder in which something is written before it gets its name.
func newPart(target string) (string, error) {
	parent := filepath.Dir(absolute(target))
	if err := os.MkdirAll(parent, 0o700); err != nil {
		return "", err
	}
	return os.MkdirTemp(parent, filepath.Base(target)+partSuffix+"-") // mode 0700
}

// finish gives a finished folder its name, durably.
func finish(part, target string) error {
	err := filepath.WalkDir(part, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || !entry.IsDir() {
			return err
		}
		return syncFolder(path)
	})
	if err != nil {
		return err
	}
	if err := mustBeFree(target); err != nil { // a rename would replace an empty folder
		return err
	}
	if err := os.Rename(part, target); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(absolute(target)))
}

func syncFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// copyTree copies regular files and folders with their modes, synced; anything else is refused. A source that isn't there is empty.
func copyTree(ctx context.Context, from, to string) error {
	return filepath.WalkDir(from, func(path string, entry fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) && path == from {
			return fs.SkipAll
		}
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(from, path)
		if err != nil {
			return err
		}
		if skipped(filepath.Base(path)) {
			if entry.IsDir() {
				return fs.SkipDir
			}
			return nil
		}
		target := filepath.Join(to, rel)
		info, err := entry.Info()
		if err != nil {
			return err
		}
		switch {
		case entry.IsDir():
			if err := os.Mkdir(target, 0o700); err != nil && (path != from || !errors.Is(err, fs.ErrExist)) {
				return err
			}
			if path == from {
				return nil
			}
			return os.Chmod(target, info.Mode().Perm()|0o700)
		case entry.Type().IsRegular():
			return copyFile(path, target, info.Mode().Perm())
		default:
			return fmt.Errorf("%s is neither a file nor a folder", path)
		}
	})
}

// skipped names what an install that was cut off leaves behind.
func skipped(name string) bool { return strings.HasPrefix(name, ".incoming-") }

func copyFile(from, to string, mode fs.FileMode) (err error) {
	source, err := os.Open(from)
	if err != nil {
		return err
	}
	defer func() { _ = source.Close() }()
	target, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, target.Close()) }()
	if _, err := io.Copy(target, source); err != nil {
		return err
	}
	return errors.Join(target.Chmod(mode), target.Sync())
}

// sums lists the files of a folder, by path, the manifest left out.
func sums(ctx context.Context, folder string) ([]File, error) {
	root, err := os.OpenRoot(folder)
	if err != nil {
		return nil, err
	}
	defer func() { _ = root.Close() }()
	var files []File
	err = filepath.WalkDir(folder, func(path string, entry fs.DirEntry, err error) error {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil || entry.IsDir() {
			return err
		}
		rel, err := filepath.Rel(folder, path)
		if err != nil || rel == ManifestFile {
			return err
		}
		if !entry.Type().IsRegular() {
			return fmt.Errorf("%w: %s is no regular file", ErrDamaged, rel)
		}
		f, err := root.Open(rel)
		if err != nil {
			return err
		}
		defer func() { _ = f.Close() }()
		hash := sha256.New()
		n, err := io.Copy(hash, f)
		if err != nil {
			return err
		}
		files = append(files, File{Path: filepath.ToSlash(rel), Bytes: n, SHA256: hex.EncodeToString(hash.Sum(nil))})
		return nil
	})
	return files, err // WalkDir goes in lexical order
}

// sameFiles reports every file that differs, is missing or is too many.
func sameFiles(ctx context.Context, folder string, want []File) error {
	got, err := sums(ctx, folder)
	if err != nil {
		return err
	}
	present := map[string]File{}
	for _, file := range got {
		present[file.Path] = file
	}
	var faults []error
	for _, file := range want {
		found, there := present[file.Path]
		switch {
		case !there:
			faults = append(faults, fmt.Errorf("%w: %s is missing", ErrDamaged, file.Path))
		case found != file:
			faults = append(faults, fmt.Errorf("%w: %s has %d bytes and checksum %s, the manifest says %d and %s", ErrDamaged, file.Path, found.Bytes, found.SHA256, file.Bytes, file.SHA256))
		}
		delete(present, file.Path)
	}
	for _, file := range got {
		if _, extra := present[file.Path]; extra {
			faults = append(faults, fmt.Errorf("%w: %s is not in the manifest", ErrDamaged, file.Path))
		}
	}
	return errors.Join(faults...)
}

// maxManifest bounds what is read of a manifest.
const maxManifest = 16 << 20

func readManifest(folder string) (Manifest, error) {
	f, err := os.Open(filepath.Join(folder, ManifestFile))
	if errors.Is(err, fs.ErrNotExist) {
		if _, err := os.Stat(datafolder.Store(folder)); err != nil {
			return Manifest{}, fmt.Errorf("%w at %s", ErrNone, folder)
		}
		return Manifest{}, fmt.Errorf("%w, or %s is none: it has no %s", ErrDamaged, folder, ManifestFile)
	}
	if err != nil {
		return Manifest{}, err
	}
	defer func() { _ = f.Close() }()
	text, err := io.ReadAll(io.LimitReader(f, maxManifest+1))
	if err != nil {
		return Manifest{}, err
	}
	if len(text) > maxManifest {
		return Manifest{}, fmt.Errorf("%w: %s is larger than %d bytes", ErrDamaged, ManifestFile, maxManifest)
	}
	return parseManifest(text)
}

func parseManifest(text []byte) (Manifest, error) {
	var m Manifest
	decoder := json.NewDecoder(bytes.NewReader(text))
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(&m); err != nil {
		return Manifest{}, fmt.Errorf("%w: %s: %w", ErrDamaged, ManifestFile, err)
	}
	if decoder.More() {
		return Manifest{}, fmt.Errorf("%w: %s goes on after its end", ErrDamaged, ManifestFile)
	}
	if m.Format != format {
		return Manifest{}, fmt.Errorf("%w: %s has format %d; this program reads %d", ErrDamaged, ManifestFile, m.Format, format)
	}
	hasStore := false
	for _, file := range m.Files {
		if !filepath.IsLocal(filepath.FromSlash(file.Path)) {
			return Manifest{}, fmt.Errorf("%w: %s names %q, which is outside", ErrDamaged, ManifestFile, file.Path)
		}
		hasStore = hasStore || file.Path == datafolder.StoreFile
	}
	if !hasStore {
		return Manifest{}, fmt.Errorf("%w: %s names no %s", ErrDamaged, ManifestFile, datafolder.StoreFile)
	}
	return m, nil
}

func writeJSON(path string, value any) (err error) {
	text, err := json.MarshalIndent(value, "", "  ")
	if err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if _, err := f.Write(append(text, '\n')); err != nil {
		return err
	}
	return f.Sync()
}

// writeLast replaces the note of the last backup at once.
func writeLast(data string, last lastBackup) error {
	part := datafolder.LastBackup(data) + partSuffix
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := writeJSON(part, last); err != nil {
		return err
	}
	if err := os.Rename(part, datafolder.LastBackup(data)); err != nil {
		return err
	}
	return syncFolder(data)
}
