package archive

import (
	"bufio"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"google.golang.org/protobuf/proto"
)

// ErrThere means that the folder to be written is there already.
var ErrThere = errors.New("is there already; an export goes into a new folder")

// making is a folder on its way: written aside, and given its name when it is whole.
type making struct {
	path, aside string
	files       []File
}

func begin(path string) (*making, error) {
	path = filepath.Clean(path)
	if _, err := os.Lstat(path); err == nil {
		return nil, fmt.Errorf("%s %w", path, ErrThere)
	} else if !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	aside, err := os.MkdirTemp(filepath.Dir(path), "."+filepath.Base(path)+"-*")
	if err != nil {
		return nil, err
	}
	m := &making{path: path, aside: aside}
	if err := os.Mkdir(filepath.Join(aside, filepath.FromSlash(tables)), 0o700); err != nil {
		return nil, errors.Join(err, m.drop())
	}
	return m, nil
}

// drop takes away what was written aside.
func (m *making) drop() error { return os.RemoveAll(m.aside) }

// finish writes the manifest and gives the folder its name. From then on nothing is left to drop.
func (m *making) finish(manifest *Manifest) error {
	manifest.Files = m.files
	text, err := json.MarshalIndent(manifest, "", "  ")
	if err != nil {
		return err
	}
	w, err := m.create(manifestFile)
	if err != nil {
		return err
	}
	if _, err := w.Write(append(text, '\n')); err != nil {
		return errors.Join(err, w.f.Close())
	}
	if err := w.Close(); err != nil {
		return err
	}
	for _, dir := range []string{filepath.Join(m.aside, filepath.FromSlash(tables)), m.aside} {
		if err := sync(dir); err != nil {
			return err
		}
	}
	if _, err := os.Lstat(m.path); err == nil {
		return fmt.Errorf("%s %w", m.path, ErrThere)
	}
	if err := os.Rename(m.aside, m.path); err != nil {
		return err
	}
	return sync(filepath.Dir(m.path))
}

func sync(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// writing is one file on its way.
type writing struct {
	of    *making
	f     *os.File
	b     *bufio.Writer
	sum   hash.Hash
	entry File
}

func (m *making) create(path string) (*writing, error) {
	f, err := os.OpenFile(filepath.Join(m.aside, filepath.FromSlash(path)), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return nil, err
	}
	return &writing{of: m, f: f, b: bufio.NewWriter(f), sum: sha256.New(), entry: File{Path: path}}, nil
}

// Write implements io.Writer.
func (w *writing) Write(p []byte) (int, error) {
	w.sum.Write(p) // a hash takes everything
	w.entry.Bytes += int64(len(p))
	return w.b.Write(p)
}

// Close puts the file on the disk and into the list of the folder.
func (w *writing) Close() error {
	if err := errors.Join(w.b.Flush(), w.f.Sync(), w.f.Close()); err != nil {
		return fmt.Errorf("write %s: %w", w.entry.Path, err)
	}
	w.entry.SHA256 = hex.EncodeToString(w.sum.Sum(nil))
	w.of.files = append(w.of.files, w.entry)
	return nil
}

// line writes a message as one line of JSON.
func (w *writing) line(m proto.Message) error {
	if hasUnknown(m.ProtoReflect()) {
		return fmt.Errorf("%s: the core keeps more of this record than this program knows of; use the commonvat of the core's own version, or something would be lost", w.entry.Path)
	}
	w.entry.Records++
	return output.WriteJSONLine(w, m)
}

// fill makes one file by what fill writes.
func (m *making) fill(path string, fill func(w *writing) error) error {
	w, err := m.create(path)
	if err != nil {
		return err
	}
	if err := fill(w); err != nil {
		return errors.Join(err, w.f.Close())
	}
	return w.Close()
}
