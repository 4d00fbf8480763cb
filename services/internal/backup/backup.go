// Package backup makes copies of an installation's data while the core runs, checks them, and makes a new data folder of one.
//
// A backup is a folder: the store as one file, the installed modules and the rule packs as they are, and a manifest that says what must be
// there, down to the checksum of every file, with the schema, the revision, the head of the audit trail, and the module
// digests without which results mean little. It is written aside, synced and then renamed, so that a folder under its final name is whole.
package backup

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/datafolder"
)

// ManifestFile is the manifest's name in a backup.
const ManifestFile = "manifest.json"

const partSuffix = ".part" // of a folder that isn't finished

var (
	// ErrTaken says that the place to write to is taken; nothing is ever written over.
	ErrTaken = errors.New("is there already; choose a new path")
	// ErrNone says that there is no backup where one was looked for.
	ErrNone = errors.New("there is no backup")
	// ErrDamaged says that a backup isn't what its manifest says.
	ErrDamaged = errors.New("backup is damaged")
)

// State is what a store is at, for the manifest.
type State struct {
	Schema     int64            `json:"schema_version"`
	Revision   int64            `json:"revision"`
	AuditSeq   int64            `json:"audit_sequence"`
	AuditChain string           `json:"audit_chain_sha256"`
	Rows       map[string]int64 `json:"rows"`
}

// Store is what is needed of a store that is open for reading.
type Store interface {
	// State reads what the store is at.
	State(ctx context.Context) (State, error)
	// BackupInto writes a consistent copy to a new path, synced. It may be called while a core writes.
	BackupInto(ctx context.Context, path string) error
	Close() error
}

// Opener opens a store for reading alone. It refuses another schema than this program's.
type Opener func(ctx context.Context, path string) (Store, error)

// Checker holds an open copy against itself: structure, references, routes, audit trail.
type Checker func(ctx context.Context, path string) error

// Tools is what the package needs of the rest of the program.
type Tools struct {
	Open    Opener
	Check   Checker
	Version string
	Now     func() time.Time
}

// Manifest says what a backup is.
type Manifest struct {
	Format         int       `json:"format"` // 1
	CreatedAt      time.Time `json:"created_at"`
	ProgramVersion string    `json:"program_version"`
	Store          State     `json:"store"`
	Modules        []Module  `json:"modules"`
	Files          []File    `json:"files"` // all but the manifest, by path
}

// Module is an installed module; without its bytes when the backup was made without modules.
type Module struct {
	Kind    string `json:"kind"`
	Name    string `json:"name"`
	Version string `json:"version"`
	Digest  string `json:"digest"`
	Answers bool   `json:"answers"` // it is the build that answers for its name
}

// format is the only one there is.
const format = 1

// Options of Create.
type Options struct {
	// WithoutModules leaves the modules' bytes out; their digests are in the manifest all the same.
	WithoutModules bool
}

// Create backs up a data folder into a new folder. A core may be running on it. Errors: ErrTaken; those of the file system
// and the store; ErrDamaged when what was written doesn't pass Verify.
func Create(ctx context.Context, tools Tools, data, target string, options Options) (_ Manifest, err error) {
	if err := mustBeFree(target); err != nil {
		return Manifest{}, err
	}
	source, err := tools.Open(ctx, datafolder.Store(data))
	if err != nil {
		return Manifest{}, err
	}
	defer func() { err = errors.Join(err, source.Close()) }()

	part, err := newPart(target)
	if err != nil {
		return Manifest{}, err
	}
	defer func() { // gone after the rename
		if removeErr := os.RemoveAll(part); removeErr != nil {
			err = errors.Join(err, removeErr)
		}
	}()
	if err := source.BackupInto(ctx, datafolder.Store(part)); err != nil {
		return Manifest{}, fmt.Errorf("copy the store: %w", err)
	}
	manifest := Manifest{Format: format, CreatedAt: tools.Now().UTC().Truncate(time.Second), ProgramVersion: tools.Version}
	// Of the copy, not of the source, which may have gone on.
	if manifest.Store, err = stateOf(ctx, tools, datafolder.Store(part)); err != nil {
		return Manifest{}, err
	}
	if manifest.Modules, err = modulesOf(datafolder.Modules(data)); err != nil {
		return Manifest{}, err
	}
	if !options.WithoutModules {
		if err := copyTree(ctx, datafolder.Modules(data), datafolder.Modules(part)); err != nil {
			return Manifest{}, fmt.Errorf("copy the modules: %w", err)
		}
	}
	// After the store: whatever that names is there by now.
	if err := copyTree(ctx, datafolder.Packs(data), datafolder.Packs(part)); err != nil {
		return Manifest{}, fmt.Errorf("copy the packs: %w", err)
	}
	if manifest.Files, err = sums(ctx, part); err != nil {
		return Manifest{}, err
	}
	if err := writeJSON(filepath.Join(part, ManifestFile), manifest); err != nil {
		return Manifest{}, err
	}
	if _, err := Verify(ctx, tools, part); err != nil {
		return Manifest{}, fmt.Errorf("the new backup does not pass its check and was not kept: %w", err)
	}
	if err := finish(part, target); err != nil {
		return Manifest{}, err
	}
	// Last of all: it says that there is a backup. It isn't needed to use one.
	if err := writeLast(data, lastBackup{Time: manifest.CreatedAt, Revision: manifest.Store.Revision, Path: absolute(target)}); err != nil {
		return manifest, fmt.Errorf("the backup is made; noting it in the data folder failed: %w", err)
	}
	return manifest, nil
}

func stateOf(ctx context.Context, tools Tools, path string) (_ State, err error) {
	opened, err := tools.Open(ctx, path)
	if err != nil {
		return State{}, fmt.Errorf("open the copy: %w", err)
	}
	defer func() { err = errors.Join(err, opened.Close()) }()
	return opened.State(ctx)
}

func modulesOf(folder string) ([]Module, error) {
	installed, err := catalog.List(folder)
	if err != nil {
		return nil, err
	}
	active, err := catalog.Active(folder)
	if err != nil {
		return nil, err
	}
	answers := map[string]bool{}
	for _, in := range active {
		answers[in.Digest] = true
	}
	modules := make([]Module, 0, len(installed))
	for _, in := range installed {
		modules = append(modules, Module{Kind: in.Kind, Name: in.Name, Version: in.Version, Digest: in.Digest, Answers: answers[in.Digest]})
	}
	return modules, nil
}

// Verify checks a backup: the manifest, the checksum of every file and that there are no others, that the store is at what the manifest
// says, and the store against itself. Errors: ErrNone; ErrDamaged with what is wrong; those of the file system.
func Verify(ctx context.Context, tools Tools, folder string) (Manifest, error) {
	manifest, err := readManifest(folder)
	if err != nil {
		return Manifest{}, err
	}
	if err := sameFiles(ctx, folder, manifest.Files); err != nil {
		return manifest, err
	}
	path := datafolder.Store(folder)
	state, err := stateOf(ctx, tools, path)
	if err != nil {
		return manifest, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	if !state.equal(manifest.Store) {
		return manifest, fmt.Errorf("%w: the store is at %+v, the manifest says %+v", ErrDamaged, state, manifest.Store)
	}
	if err := tools.Check(ctx, path); err != nil {
		return manifest, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	if hasModules(manifest) {
		present, err := modulesOf(datafolder.Modules(folder))
		if err != nil {
			return manifest, fmt.Errorf("%w: %w", ErrDamaged, err)
		}
		if fmt.Sprint(present) != fmt.Sprint(manifest.Modules) {
			return manifest, fmt.Errorf("%w: the modules are %v, the manifest says %v", ErrDamaged, present, manifest.Modules)
		}
	}
	return manifest, nil
}

func (s State) equal(other State) bool {
	if s.Schema != other.Schema || s.Revision != other.Revision || s.AuditSeq != other.AuditSeq || s.AuditChain != other.AuditChain || len(s.Rows) != len(other.Rows) {
		return false
	}
	for table, n := range s.Rows {
		if other.Rows[table] != n {
			return false
		}
	}
	return true
}

func hasModules(m Manifest) bool {
	for _, file := range m.Files {
		if strings.HasPrefix(file.Path, datafolder.ModulesFolder+"/") {
			return true
		}
	}
	return false
}

// Restore makes a new data folder of a backup, which is verified first. It is never written into a folder that is there; move the
// old one away and give the new one its name. Errors: ErrTaken; ErrNone; ErrDamaged.
func Restore(ctx context.Context, tools Tools, folder, data string) (_ Manifest, err error) {
	if err := mustBeFree(data); err != nil {
		return Manifest{}, err
	}
	manifest, err := Verify(ctx, tools, folder)
	if err != nil {
		return manifest, err
	}
	part, err := newPart(data)
	if err != nil {
		return manifest, err
	}
	defer func() {
		if removeErr := os.RemoveAll(part); removeErr != nil {
			err = errors.Join(err, removeErr)
		}
	}()
	if err := copyTree(ctx, folder, part); err != nil {
		return manifest, fmt.Errorf("copy the backup: %w", err)
	}
	// Read again where it will be used: a disk may lie.
	if err := sameFiles(ctx, part, manifest.Files); err != nil {
		return manifest, err
	}
	if err := os.Remove(filepath.Join(part, ManifestFile)); err != nil {
		return manifest, err
	}
	return manifest, finish(part, data)
}

// lastBackup is what datafolder.LastBackupFile holds.
type lastBackup struct {
	Time     time.Time `json:"time"`
	Revision int64     `json:"revision"`
	Path     string    `json:"path"`
}

func absolute(path string) string {
	if full, err := filepath.Abs(path); err == nil {
		return full
	}
	return path
}
