package catalog

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// chosenFolder holds one small file for each name, with the digest of the build that was installed last. Earlier builds stay in
// the store: what they computed names them.
const chosenFolder = "chosen"

// defaultsFolder holds one small file for each kind, with the name of the module that answers for it, unless a coordinator chose another.
const defaultsFolder = "defaults"

// choose makes a build the one that answers for its name when a core next opens the store.
func choose(store, name, digest string) error {
	return note(filepath.Join(store, chosenFolder, name), digest)
}

// note writes a file of one line, in place of an earlier one.
func note(path, line string) error {
	folder := filepath.Dir(path)
	//nolint:gosec // a steward installs, the core, another user, reads
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return err
	}
	f, err := os.CreateTemp(folder, incomingPrefix)
	if err != nil {
		return err
	}
	defer func() { _ = os.Remove(f.Name()) }() // gone after the rename
	_, err = f.WriteString(line + "\n")
	if err := errors.Join(err, f.Chmod(0o444), f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return err
	}
	return syncFolder(folder)
}

// DeclareDefault makes an installed module the one that answers for its kind when a core next opens the store. What a coordinator chose stands before it.
func DeclareDefault(store string, in Installed) error {
	if err := note(filepath.Join(store, defaultsFolder, in.Kind), in.Name); err != nil {
		return fmt.Errorf("declare %s the default of kind %s: %w", in.Name, in.Kind, err)
	}
	return nil
}

// settleDefault declares the default of a kind that has none declared, so that no later installation changes what answers: the module that has been
// it, in a store of before defaults were declared, or else the one that is being installed.
func settleDefault(store string, in Installed) error {
	if declared, err := declaredDefault(store, in.Kind); err != nil || declared != "" {
		return err
	}
	list, _ := Active(store) // damaged entries, which the error tells of, answer for nothing
	_, err := os.Stat(filepath.Join(store, chosenFolder, in.Name))
	isNew := errors.Is(err, fs.ErrNotExist)
	at := slices.IndexFunc(list, func(other Installed) bool { return other.Kind == in.Kind && (other.Name != in.Name || !isNew) })
	if at >= 0 {
		in = list[at]
	}
	return DeclareDefault(store, in)
}

// declaredDefault is the name of the module that answers for a kind; "" when none is declared.
func declaredDefault(store, kind string) (string, error) {
	text, err := os.ReadFile(filepath.Join(store, defaultsFolder, kind))
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("module store: %w", err)
	}
	return strings.TrimSpace(string(text)), nil
}

// Active lists the installed modules that a core activates by itself: of each name the build that was installed last, of those that the
// conformance suite did not refuse. They come by kind, and of each the declared default first, the others by name. Damaged entries are left out and reported in
// the error, which does not spoil the list.
func Active(store string) ([]Installed, error) {
	list, err := List(store)
	list = slices.DeleteFunc(list, func(in Installed) bool {
		report, err := ReportOf(store, in.Digest)
		return err == nil && !report.Passed
	})
	var errs []error
	last := map[string]string{}
	for _, in := range list {
		if _, known := last[in.Name]; known {
			continue
		}
		text, readErr := os.ReadFile(filepath.Join(store, chosenFolder, in.Name))
		switch {
		case errors.Is(readErr, fs.ErrNotExist):
			last[in.Name] = in.Digest // the newest version, as the list has it first
		case readErr != nil:
			errs = append(errs, fmt.Errorf("module store: %w", readErr))
			last[in.Name] = in.Digest
		default:
			last[in.Name] = strings.TrimSpace(string(text))
		}
	}
	active := slices.DeleteFunc(list, func(in Installed) bool { return last[in.Name] != in.Digest })
	declared := map[string]string{}
	for _, in := range active {
		if _, known := declared[in.Kind]; known {
			continue
		}
		name, readErr := declaredDefault(store, in.Kind)
		if declared[in.Kind] = name; readErr != nil {
			errs = append(errs, readErr)
		}
	}
	slices.SortStableFunc(active, func(a, b Installed) int { // within a kind alone: the list is by kind
		if a.Kind != b.Kind {
			return strings.Compare(a.Kind, b.Kind)
		}
		return rank(a, declared) - rank(b, declared)
	})
	return active, errors.Join(append([]error{err}, errs...)...)
}

// rank puts the declared default before the others of its kind.
func rank(in Installed, declared map[string]string) int {
	if declared[in.Kind] == in.Name {
		return 0
	}
	return 1
}
