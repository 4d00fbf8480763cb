package archive

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/ids"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
)

const (
	maxLine     = 64 << 20 // an answer of the core has at most 16 MiB, which in JSON grows
	maxManifest = 1 << 20
)

// ErrFolder means that a folder can't be restored from.
var ErrFolder = errors.New("this is no export that can be restored")

func bad(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrFolder, fmt.Sprintf(format, args...))
}

// Folder is an export that was read and found whole.
type Folder struct {
	path     string
	Manifest Manifest
	// Changed are tables and texts that somebody changed since, which are not restored from.
	Changed []string
}

// Open reads a folder's manifest and holds every file against it. Errors: ErrFolder.
func Open(path string) (*Folder, error) {
	f := &Folder{path: path}
	raw, err := os.ReadFile(filepath.Join(path, manifestFile))
	if err != nil {
		return nil, bad("%v", err)
	}
	if len(raw) > maxManifest {
		return nil, bad("%s has more than %d bytes", manifestFile, maxManifest)
	}
	if f.Manifest, err = parseManifest(raw); err != nil {
		return nil, err
	}
	for _, entry := range f.Manifest.Files {
		if err := f.check(entry); err != nil {
			if strings.HasSuffix(entry.Path, ".jsonl") {
				return nil, err
			}
			f.Changed = append(f.Changed, entry.Path)
		}
	}
	return f, nil
}

// parseManifest reads a manifest strictly.
func parseManifest(raw []byte) (Manifest, error) {
	var m Manifest
	d := json.NewDecoder(bytes.NewReader(raw))
	d.DisallowUnknownFields()
	if err := d.Decode(&m); err != nil {
		return m, bad("%s: %v", manifestFile, err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return m, bad("%s: something stands after the end", manifestFile)
	}
	if m.Format != Format {
		return m, bad("%s: format is %d; this program reads %d", manifestFile, m.Format, Format)
	}
	if m.Member == "" {
		return m, bad("%s: member is required", manifestFile)
	}
	seen := map[string]bool{}
	for _, f := range m.Files {
		if !filepath.IsLocal(filepath.FromSlash(f.Path)) || strings.Contains(f.Path, `\`) {
			return m, bad("%s: %q lies outside the folder", manifestFile, f.Path)
		}
		if seen[f.Path] {
			return m, bad("%s: %q is there twice", manifestFile, f.Path)
		}
		seen[f.Path] = true
	}
	for _, need := range []string{trialsFile, bathsFile, watersFile, experimentsFile} {
		if !seen[need] {
			return m, bad("%s: %s is missing", manifestFile, need)
		}
	}
	return m, nil
}

func (f *Folder) check(entry File) error {
	file, err := os.Open(filepath.Join(f.path, filepath.FromSlash(entry.Path)))
	if err != nil {
		return bad("%v", err)
	}
	defer file.Close() //nolint:errcheck // read only
	sum := sha256.New()
	n, err := io.Copy(sum, file)
	switch {
	case err != nil:
		return bad("%v", err)
	case n != entry.Bytes:
		return bad("%s has %d bytes; the manifest says %d", entry.Path, n, entry.Bytes)
	case hex.EncodeToString(sum.Sum(nil)) != entry.SHA256:
		return bad("%s was changed since the export", entry.Path)
	}
	return nil
}

// lines reads a file line by line, with the place where each begins.
func lines(path string, each func(line []byte, at int64) error) error {
	file, err := os.Open(path)
	if err != nil {
		return err
	}
	defer file.Close() //nolint:errcheck // read only
	s := bufio.NewScanner(file)
	s.Buffer(make([]byte, 0, 64<<10), maxLine)
	at := int64(0)
	for number := 1; s.Scan(); number++ {
		line := s.Bytes()
		if len(line) > 0 {
			if err := each(line, at); err != nil {
				return fmt.Errorf("%s, line %d: %w", filepath.Base(path), number, err)
			}
		}
		at += int64(len(line)) + 1
	}
	if err := s.Err(); err != nil {
		return fmt.Errorf("%s: %w", filepath.Base(path), err)
	}
	return nil
}

// decode reads one record.
func decode(line []byte, m proto.Message) error {
	if err := protojson.Unmarshal(line, m); err != nil {
		return bad("%v", err)
	}
	return nil
}

// records reads a file of records that have ids. The record is the caller's to keep.
func records[R interface {
	proto.Message
	GetId() string
}](f *Folder, file string, each func(r R, at int64) error) error {
	return lines(filepath.Join(f.path, file), func(line []byte, at int64) error {
		var none R
		r, ok := none.ProtoReflect().New().Interface().(R)
		if !ok {
			return bad("no record")
		}
		if err := decode(line, r); err != nil {
			return err
		}
		if err := ids.Check(r.GetId()); err != nil {
			return bad("id: %v", err)
		}
		return each(r, at)
	})
}

// recordAt reads the one record that begins at a place.
func recordAt(f *Folder, file string, at int64, m proto.Message) error {
	open, err := os.Open(filepath.Join(f.path, file))
	if err != nil {
		return err
	}
	defer open.Close() //nolint:errcheck // read only
	if _, err := open.Seek(at, io.SeekStart); err != nil {
		return err
	}
	line, err := bufio.NewReader(io.LimitReader(open, maxLine)).ReadBytes('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	return decode(slices.Clip(line), m)
}
