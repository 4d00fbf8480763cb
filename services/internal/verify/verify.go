// Package verify checks a store against itself: its structure, its references, the audit trail, and whether routes and everything else that is derived
// come out the same when they are derived anew. It also makes a pool from scratch, whose checksum can be compared with that of the running core. It only
// reads, and a core may be writing meanwhile.
package verify

import (
	"context"
	"encoding/hex"
	"fmt"

	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// Store is what is read. All its answers must be of one moment.
type Store interface {
	Revision(ctx context.Context) (int64, error)
	SchemaVersion(ctx context.Context) (int64, error)
	// IntegrityCheck checks the structure of the file and its references; the error names every fault.
	IntegrityCheck(ctx context.Context) error
	// VerifyAudit walks the whole trail and gives its last entry.
	VerifyAudit(ctx context.Context) (store.AuditRow, error)
	Counts(ctx context.Context) (map[string]int64, error)
	pool.Reader
	// AllTrials and AllBaths read every record, deleted and private ones too, by id.
	AllTrials(ctx context.Context, after trial.ID, limit int) ([]store.TrialRow, error)
	AllBaths(ctx context.Context, after trial.ID, limit int) ([]store.BathRow, error)
}

// Report is what was found; a store is sound when it has no faults.
type Report struct {
	Revision      int64            `json:"revision"`
	Schema        int64            `json:"schema_version"`
	AuditSequence int64            `json:"audit_sequence"`
	AuditChain    string           `json:"audit_chain_sha256"`
	Rows          map[string]int64 `json:"rows"`
	// Trials, Baths and Pieces are how many were derived anew and compared.
	Trials int `json:"trials"`
	Baths  int `json:"baths"`
	Pieces int `json:"pieces"`
	// PoolRows and PoolChecksum are of a pool made from scratch, to be compared with the running core's. Of a store with faults none is made, and
	// they are 0 and "".
	PoolRows     int      `json:"pool_rows"`
	PoolChecksum string   `json:"pool_rows_sha256,omitempty"`
	Faults       []string `json:"faults"`
}

// maxFaults bounds a report, which says so where there are more.
const maxFaults = 200

// Run checks everything that can be checked, and goes on after a fault as far as it can. Faults are in the report; the error says that the store
// could not be read at all.
func Run(ctx context.Context, s Store) (Report, error) {
	report := Report{Faults: []string{}}
	var err error
	if report.Revision, err = s.Revision(ctx); err != nil {
		return report, err
	}
	if report.Schema, err = s.SchemaVersion(ctx); err != nil {
		return report, err
	}
	if err := s.IntegrityCheck(ctx); err != nil {
		report.fault("structure: %v", err)
	}
	head, err := s.VerifyAudit(ctx)
	if err != nil {
		report.fault("audit trail: %v", err)
	}
	report.AuditSequence, report.AuditChain = head.Sequence, hex.EncodeToString(head.Chain[:])
	if report.Rows, err = s.Counts(ctx); err != nil {
		return report, err
	}
	if err := report.records(ctx, s); err != nil {
		if ctx.Err() != nil || len(report.Faults) == 0 {
			return report, err
		}
		// A fault of the structure, which is already in the report, keeps the rest from being read.
		report.fault("records: %v; the rest was not derived anew", err)
	}
	if len(report.Faults) > 0 {
		return report, nil // a pool would try a record that it can't read again and again (decision 152)
	}
	report.PoolRows, report.PoolChecksum, err = poolFromScratch(ctx, s, report.Revision)
	return report, err
}

// Fault adds a fault that the caller found.
func (r *Report) Fault(err error) { r.fault("%v", err) }

func (r *Report) fault(format string, args ...any) {
	switch {
	case len(r.Faults) < maxFaults:
		r.Faults = append(r.Faults, fmt.Sprintf(format, args...))
	case len(r.Faults) == maxFaults:
		r.Faults = append(r.Faults, fmt.Sprintf("more than %d faults; the rest is not listed", maxFaults))
	}
}

// records reads every record, and holds what is derived in it against a derivation from scratch.
func (r *Report) records(ctx context.Context, s Store) error {
	trials, err := r.trials(ctx, s)
	if err != nil {
		return err
	}
	baths, err := r.baths(ctx, s)
	if err != nil {
		return err
	}
	r.Trials, r.Baths = len(trials), len(baths)
	for _, d := range trial.VerifyRecords(trials, baths) {
		r.fault("%v", d)
	}
	return nil
}

// besideFault is what is wrong where a row's columns differ from the record in its body.
const besideFault = "what stands beside the record is not what it says"

// trials reads all trials. What can't be read, and columns that contradict their record, are faults.
func (r *Report) trials(ctx context.Context, s Store) (out []*trial.Trial, err error) {
	err = eachRow(ctx, s.AllTrials, func(row *store.TrialRow) trial.ID {
		t, err := record.DecodeTrial(row.Body)
		if err != nil {
			r.fault("trial %s: %v", row.ID, err)
			return row.ID
		}
		if t.ID != row.ID || t.Owner != row.Owner || t.Sharing.Level != row.Sharing || t.Revision != row.Revision || t.DeletedAt.IsZero() == row.Deleted {
			r.fault("trial %s: %s", row.ID, besideFault)
		}
		for k := range t.Readings { // colours are not derived here, and may take much memory
			t.Readings[k].Raw = trial.RawColour{}
		}
		r.Pieces += len(t.Pieces)
		out = append(out, t)
		return row.ID
	})
	return out, err
}

// baths reads all baths, as trials does trials.
func (r *Report) baths(ctx context.Context, s Store) (out []*trial.Bath, err error) {
	err = eachRow(ctx, s.AllBaths, func(row *store.BathRow) trial.ID {
		b, err := record.DecodeBath(row.Body)
		if err != nil {
			r.fault("bath %s: %v", row.ID, err)
			return row.ID
		}
		if b.ID != row.ID || b.Owner != row.Owner || b.Sharing.Level != row.Sharing || b.OpenToMembers != row.OpenToMembers || b.Revision != row.Revision || b.DeletedAt.IsZero() == row.Deleted {
			r.fault("bath %s: %s", row.ID, besideFault)
		}
		out = append(out, b)
		return row.ID
	})
	return out, err
}

// pageRows is how many rows are read at a time.
const pageRows = 200

// eachRow visits every row that read gives, page by page in the order of ids; visit gives the row's id.
func eachRow[Row any](ctx context.Context, read func(ctx context.Context, after trial.ID, limit int) ([]Row, error), visit func(*Row) trial.ID) error {
	for after := trial.ID(""); ; {
		rows, err := read(ctx, after, pageRows)
		if err != nil {
			return err
		}
		for i := range rows {
			after = visit(&rows[i])
		}
		if len(rows) < pageRows {
			return nil
		}
	}
}
