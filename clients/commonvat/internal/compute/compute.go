// Package compute puts files to calculation modules, without a core: request messages as JSON Lines, and CSV tables of colour pairs, of spectra, and
// of labelled colours. What is read goes out row by row, so that a file may be of any length; only palettes are measured as a whole.
//
// It calculates nothing but a change of coordinates, which contracts don't know: to CIELAB from lightness, chroma and hue, and from sRGB.
package compute

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/host"
	"google.golang.org/grpc"
)

// FieldError is input that can't be used: what, and why.
type FieldError struct{ Field, Problem string }

func (e *FieldError) Error() string { return e.Field + " " + e.Problem }

func fault(field, format string, args ...any) error {
	return &FieldError{field, fmt.Sprintf(format, args...)}
}

// Conn gives a connection to a module of a kind.
type Conn func(ctx context.Context, kind string) (grpc.ClientConnInterface, error)

// usual are the modules that a kind stands for where several are there.
var usual = []string{"reading-reflectance", "difference-deltae", "palette-width", "compare-orders", "bathscale-craft", "mordant-craft", "safety-rules"}

// Modules starts the modules of a folder, each once when first needed. Each runs with the caller's own rights, unprotected.
type Modules struct {
	folder  string // has a folder for each module, with its module.json and executable
	one     string // folder or executable of the module to use whatever the kind; may be empty
	sockets string
	running map[string]*host.Process
}

// NewModules takes modules from a folder, or the one module alone when one isn't empty.
func NewModules(folder, one string) (*Modules, error) {
	sockets, err := os.MkdirTemp("", "cv")
	if err != nil {
		return nil, err
	}
	return &Modules{folder: folder, one: one, sockets: sockets, running: map[string]*host.Process{}}, nil
}

// Close ends the modules that were started.
func (m *Modules) Close() {
	for _, p := range m.running {
		p.Stop(time.Second)
	}
	_ = os.RemoveAll(m.sockets) // empty by then
}

// Conn gives a connection to the module of a kind, which is started when it doesn't run yet. It is a Conn. Not for several goroutines at once.
func (m *Modules) Conn(ctx context.Context, kind string) (grpc.ClientConnInterface, error) {
	p, err := m.process(ctx, kind)
	if err != nil {
		return nil, err
	}
	return p.Conn(), nil
}

// Contract gives the newest contract of a kind that its module serves, of those known.
func (m *Modules) Contract(ctx context.Context, kind string, known []string) (string, error) {
	p, err := m.process(ctx, kind)
	if err != nil {
		return "", err
	}
	d, err := p.Describe(ctx)
	if err != nil {
		return "", err
	}
	newest := newestContract(kind, d.GetContracts(), known)
	if newest == "" {
		return "", fault("kind", "is %s, whose module serves %s, which this program doesn't know", kind, strings.Join(d.GetContracts(), ", "))
	}
	return newest, nil
}

// newestContract is the one of the highest version that is known of those that are served; "" when none is.
func newestContract(kind string, served, known []string) (newest string) {
	for _, c := range served {
		if slices.Contains(known, c) && sdk.ContractVersion(kind, c) > sdk.ContractVersion(kind, newest) {
			newest = c
		}
	}
	return newest
}

// process gives the process of a kind's module, which is started when it doesn't run yet. One that turns out to be of another kind is ended.
func (m *Modules) process(ctx context.Context, kind string) (*host.Process, error) {
	if p := m.running[kind]; p != nil {
		return p, nil
	}
	path, err := m.find(kind)
	if err != nil {
		return nil, err
	}
	p, err := host.Start(ctx, host.Config{Path: path, SocketParent: m.sockets, StartTimeout: time.Minute}) // whoever waits here can give up
	if err != nil {
		return nil, err
	}
	d, err := p.Describe(ctx)
	if err == nil && d.GetKind() != kind {
		err = fault("module", "%s is of kind %s, want %s", d.GetName(), d.GetKind(), kind)
	}
	if err != nil {
		p.Stop(time.Second)
		return nil, err
	}
	m.running[kind] = p
	return p, nil
}

// find gives the executable of the module for a kind.
func (m *Modules) find(kind string) (string, error) {
	if !slices.Contains(sdk.Kinds(), kind) {
		return "", fault("kind", "is %.40q, want one of %s", kind, strings.Join(sdk.Kinds(), ", "))
	}
	if m.one != "" {
		return Executable(m.one)
	}
	entries, err := os.ReadDir(m.folder)
	if errors.Is(err, fs.ErrNotExist) {
		return "", fault("modules", "folder %s isn't there; --modules names another", m.folder)
	}
	if err != nil {
		return "", err
	}
	var names []string
	for _, e := range entries {
		text, err := os.ReadFile(filepath.Join(m.folder, e.Name(), "module.json"))
		if err != nil {
			continue // no module's folder
		}
		var manifest struct{ Name, Version, Kind string }
		if err := json.Unmarshal(text, &manifest); err != nil || manifest.Kind != kind {
			continue
		}
		if slices.Contains(usual, manifest.Name) {
			return Executable(filepath.Join(m.folder, e.Name()))
		}
		names = append(names, e.Name())
	}
	switch len(names) {
	case 0:
		return "", fault("modules", "folder %s has no module of kind %s", m.folder, kind)
	case 1:
		return Executable(filepath.Join(m.folder, names[0]))
	}
	return "", fault("modules", "folder %s has %d modules of kind %s (%s); --module says which", m.folder, len(names), kind, strings.Join(names, ", "))
}

// Executable is the absolute path of a module's program: at itself, or the one that the module.json of a folder names.
func Executable(at string) (string, error) {
	info, err := os.Stat(at)
	if errors.Is(err, fs.ErrNotExist) {
		return "", fault("module", "%s is not there: want a module's program, or its folder", at)
	}
	if err != nil {
		return "", err
	}
	if info.IsDir() {
		text, err := os.ReadFile(filepath.Join(at, "module.json"))
		if errors.Is(err, fs.ErrNotExist) {
			return "", fault("module", "folder %s has no module.json, which says the module's name, version and kind", at)
		}
		if err != nil {
			return "", err
		}
		var m struct{ Name, Version, Kind string }
		if err := json.Unmarshal(text, &m); err != nil {
			return "", fault("module.json", "can't be read: %v", err)
		}
		if err := sdk.CheckIdentity(m.Name, m.Version, m.Kind); err != nil {
			return "", fault("module.json", "is wrong: %v", err)
		}
		at = filepath.Join(at, sdk.ExecutablePrefix+m.Name)
		if info, err = os.Stat(at); errors.Is(err, fs.ErrNotExist) {
			return "", fault("module", "%s is not there: build the module into its folder first", at)
		} else if err != nil {
			return "", err
		}
	}
	if !info.Mode().IsRegular() {
		return "", fault("module", "%s is no regular file", at)
	}
	if info.Mode().Perm()&0o111 == 0 {
		return "", fault("module", "%s is not executable; chmod +x makes it so", at)
	}
	path, err := filepath.Abs(at)
	if err != nil {
		return "", fmt.Errorf("path of %s: %w", at, err)
	}
	return path, nil
}

// Progress is told how many rows or lines are done.
type Progress func(done int)

func (p Progress) tell(done int) {
	if p != nil {
		p(done)
	}
}
