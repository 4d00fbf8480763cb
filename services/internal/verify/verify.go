// Package verify holds a store against itself, from scratch: its structure, its references, the routes and everything else
// that is derived, the audit trail, and what the pool makes of it. It only reads, and a core may be writing meanwhile.
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

// Store is what is read. All of it is seen as of one moment.
type Store interface {
	Revision(ctx context.Context) (int64, error)
	SchemaVersion(ctx context.Context) (int64, error)
	// IntegrityCheck tells every fault of the file's structure and its references.
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
	// Trials, Baths and Pieces were derived anew and compared.
	Trials int `json:"trials"`
	Baths  int `json:"baths"`
	Pieces int `json:"pieces"`
	// PoolRows and PoolChecksum are those of a pool made from scratch; compare them with the running core's. None is made of a store with faults.
	PoolRows     int      `json:"pool_rows"`
	PoolChecksum string   `json:"pool_rows_sha256,omitempty"`
	Faults       []string `json:"faults"`
}

// maxFaults bounds a report; how many more there are is told.
const maxFaults = 200

const page = 200

// Run checks everything that can be checked, whatever it finds on the way. The error is for what could not be read at all.
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
		// What the structure is told of stands in the way of reading the rest.
		report.fault("records: %v; the rest was not derived anew", err)
	}
	if len(report.Faults) > 0 {
		return report, nil // a pool waits for a record that it can't read, and says nothing of a store that isn't sound
	}
	report.PoolRows, report.PoolChecksum, err = poolFromScratch(ctx, s, report.Revision)
	return report, err
}

// Fault adds a fault that was found elsewhere.
func (r *Report) Fault(err error) { r.fault("%v", err) }

func (r *Report) fault(format string, args ...any) {
	switch {
	case len(r.Faults) < maxFaults:
		r.Faults = append(r.Faults, fmt.Sprintf(format, args...))
	case len(r.Faults) == maxFaults:
		r.Faults = append(r.Faults, fmt.Sprintf("more than %d faults; the rest is not listed", maxFaults))
	}
}

// records reads every record and derives anew what is derived.
func (r *Report) records(ctx context.Context, s Store) error {
	var trials []*trial.Trial
	for after := trial.ID(""); ; {
		rows, err := s.AllTrials(ctx, after, page)
		if err != nil {
			return err
		}
		for i := range rows {
			after = rows[i].ID
			t, err := record.DecodeTrial(rows[i].Body)
			if err != nil {
				r.fault("trial %s: %v", rows[i].ID, err)
				continue
			}
			if t.ID != rows[i].ID || t.Owner != rows[i].Owner || t.Sharing.Level != rows[i].Sharing || t.Revision != rows[i].Revision || t.DeletedAt.IsZero() == rows[i].Deleted {
				r.fault("trial %s: what stands beside the record is not what it says", rows[i].ID)
			}
			for k := range t.Readings { // colours are not derived here, and may be many
				t.Readings[k].Raw = trial.RawColour{}
			}
			r.Pieces += len(t.Pieces)
			trials = append(trials, t)
		}
		if len(rows) < page {
			break
		}
	}
	var baths []*trial.Bath
	for after := trial.ID(""); ; {
		rows, err := s.AllBaths(ctx, after, page)
		if err != nil {
			return err
		}
		for i := range rows {
			after = rows[i].ID
			b, err := record.DecodeBath(rows[i].Body)
			if err != nil {
				r.fault("bath %s: %v", rows[i].ID, err)
				continue
			}
			if b.ID != rows[i].ID || b.Owner != rows[i].Owner || b.Sharing.Level != rows[i].Sharing || b.OpenToMembers != rows[i].OpenToMembers || b.Revision != rows[i].Revision || b.DeletedAt.IsZero() == rows[i].Deleted {
				r.fault("bath %s: what stands beside the record is not what it says", rows[i].ID)
			}
			baths = append(baths, b)
		}
		if len(rows) < page {
			break
		}
	}
	r.Trials, r.Baths = len(trials), len(baths)
	for _, d := range trial.VerifyRecords(trials, baths) {
		r.fault("%v", d)
	}
	return nil
}
