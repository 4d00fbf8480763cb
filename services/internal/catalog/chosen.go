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

// choose makes a build the one that answers for its name when a core next opens the store.
func choose(store, name, digest string) error {
	folder := filepath.Join(store, chosenFolder)
	//nolint:gosec // a steward installs, the core, another user, reads
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return err
	}
	f, err := os.CreateTemp(folder, incomingPrefix)
	if err != nil {
		return err
	}
	defer func() { _ = os.Remove(f.Name()) }() // gone after the rename
	_, err = f.WriteString(digest + "\n")
	if err := errors.Join(err, f.Chmod(0o444), f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), filepath.Join(folder, name)); err != nil {
		return err
	}
	return syncFolder(folder)
}

// Active lists the installed modules that a core activates by itself: of each name the build that was installed last, of those that the
// conformance suite did not refuse.
// Damaged entries are left out and reported in the error, which does not spoil the list.
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
	return active, errors.Join(append([]error{err}, errs...)...)
}
