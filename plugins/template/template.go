// Package template holds the text of new modules. A language is a folder here, a kind a folder in it; files end in .tmpl, and NAME in their text
// and in their file names stands for the module's name. A module in Python gets the SDK beside it.
package template

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/python"
)

//go:embed all:go all:python
var files embed.FS

// ErrThere is the error of a folder that is there already and isn't empty.
var ErrThere = errors.New("folder is there already and is not empty")

// Languages are those that have templates, sorted.
func Languages() []string { return folders(".") }

// Kinds are the kinds of module that a language has templates for, sorted.
func Kinds(language string) []string { return folders(language) }

func folders(at string) []string {
	var out []string
	entries, _ := files.ReadDir(at) // an unknown language has no kinds
	for _, e := range entries {
		if e.IsDir() {
			out = append(out, e.Name())
		}
	}
	return out
}

// Write makes folder and writes a new module into it, whole or not at all. folder must not be there, or be empty. Executables get mode 0755.
func Write(folder, name, kind, language string) error {
	if err := sdk.CheckIdentity(name, "0.1.0", kind); err != nil {
		return err
	}
	if !slices.Contains(Languages(), language) {
		return fmt.Errorf("language is %.40q, want %s", language, strings.Join(Languages(), " or "))
	}
	if !slices.Contains(Kinds(language), kind) {
		return fmt.Errorf("kind is %.40q, for which %s has no template: want %s", kind, language, strings.Join(Kinds(language), " or "))
	}
	if there, err := os.ReadDir(folder); err == nil && len(there) > 0 {
		return fmt.Errorf("%s: %w", folder, ErrThere)
	} else if err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	parent := filepath.Dir(filepath.Clean(folder))
	if err := os.MkdirAll(parent, 0o750); err != nil {
		return err
	}
	half, err := os.MkdirTemp(parent, ".new-module")
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(half) }() // empty handed when it got its name
	if err := fill(half, path.Join(language, kind), name); err != nil {
		return err
	}
	if language == "python" {
		if err := python.CopyInto(half); err != nil {
			return err
		}
	}
	if err := os.Chmod(half, 0o755); err != nil { //nolint:gosec // a module's folder is read by whoever runs it
		return err
	}
	return os.Rename(half, folder) // takes the place of an empty folder
}

func fill(to, from, name string) error {
	return fs.WalkDir(files, from, func(at string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		text, err := files.ReadFile(at)
		if err != nil {
			return err
		}
		rel := strings.ReplaceAll(strings.TrimSuffix(strings.TrimPrefix(at, from+"/"), ".tmpl"), "NAME", name)
		out := filepath.Join(to, filepath.FromSlash(rel))
		if err := os.MkdirAll(filepath.Dir(out), 0o755); err != nil { //nolint:gosec // as above
			return err
		}
		mode := fs.FileMode(0o644)
		if strings.HasPrefix(string(text), "#!") {
			mode = 0o755
		}
		return os.WriteFile(out, []byte(strings.ReplaceAll(string(text), "NAME", name)), mode)
	})
}
