package catalog

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// reportsFolder holds what the conformance suite found of each build, in a file named by its digest: beside the builds, which never change.
const reportsFolder = "reports"

const maxReportBytes = 4 << 20

// Report is what the conformance suite found of a build.
type Report struct {
	// Passed: the build may serve.
	Passed bool
	// JSON is the report itself, an object with at least the key "passed".
	JSON []byte
}

// KeepReport keeps the report of an installed build in place of an earlier one. The report is a JSON object whose key "passed" is a truth.
func KeepReport(store, digest string, report []byte) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("keep report of %.80q: %w", digest, err)
		}
	}()
	if _, err := lookUp(store, digest); err != nil {
		return err
	}
	if _, err := parseReport(report); err != nil {
		return err
	}
	folder := filepath.Join(store, reportsFolder)
	//nolint:gosec // a steward installs, the core, another user, reads
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return err
	}
	f, err := os.CreateTemp(folder, incomingPrefix)
	if err != nil {
		return err
	}
	defer func() { _ = os.Remove(f.Name()) }() // gone after the rename
	_, err = f.Write(report)
	if err := errors.Join(err, f.Chmod(0o444), f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), filepath.Join(folder, digest+".json")); err != nil {
		return err
	}
	return syncFolder(folder)
}

// ReportOf reads the report of an installed build. The error is fs.ErrNotExist for a build that was never tried.
func ReportOf(store, digest string) (Report, error) {
	if !digestForm.MatchString(digest) {
		return Report{}, fmt.Errorf("report of %.80q: not a digest of 64 hexadecimal digits", digest)
	}
	root, err := os.OpenRoot(filepath.Join(store, reportsFolder))
	if err != nil {
		return Report{}, fmt.Errorf("report of %s: %w", digest, err)
	}
	defer func() { _ = root.Close() }()
	raw, err := readName(root, digest+".json", maxReportBytes)
	if err != nil {
		return Report{}, fmt.Errorf("report of %s: %w", digest, err)
	}
	return parseReport(raw)
}

func parseReport(raw []byte) (Report, error) {
	var head struct {
		Passed *bool `json:"passed"`
	}
	if len(raw) > maxReportBytes {
		return Report{}, fmt.Errorf("report has %d bytes, want at most %d", len(raw), maxReportBytes)
	}
	if err := json.Unmarshal(raw, &head); err != nil {
		return Report{}, fmt.Errorf("report: %w", err)
	}
	if head.Passed == nil {
		return Report{}, errors.New(`report: the key "passed" is missing`)
	}
	return Report{Passed: *head.Passed, JSON: raw}, nil
}

// Chosen is what somebody chose of a name.
type Chosen struct {
	Name, Kind, Digest string
	Default, Retired   bool
}

// ActiveWith is what a core activates, by kind, defaults first: of each installed name the build that was chosen, else the one that was installed last. A default
// that somebody chose stands before the one that the store declares.
// A chosen build that isn't installed is among them, so that its absence shows. Damaged entries of the store are told in the error, which does not spoil the answer.
func ActiveWith(store string, chosen []Chosen) (map[string][]string, error) {
	list, err := Active(store)
	if errors.Is(err, fs.ErrNotExist) {
		err = nil
	}
	active := map[string][]string{}
	named := map[string]bool{}
	for _, c := range chosen {
		named[c.Name] = true
		if c.Default && !c.Retired {
			active[c.Kind] = append(active[c.Kind], c.Digest)
		}
	}
	for _, in := range list {
		if !named[in.Name] {
			active[in.Kind] = append(active[in.Kind], in.Name)
		}
	}
	for _, c := range chosen { // last, since whoever chose them didn't choose what answers for the kind
		if !c.Default && !c.Retired {
			active[c.Kind] = append(active[c.Kind], c.Digest)
		}
	}
	return active, err
}
