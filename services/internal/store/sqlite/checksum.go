package sqlite

import (
	"context"
	"database/sql"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"slices"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// SQLite tells a page that isn't one, and no bits that flipped inside a value: a bad disk's body would be served as content. So each row of a record
// has a checksum in it, of its body and of the columns that say who may read it; and so has each answer that may be given again.

// castagnoli is the polynomial of CRC-32C (RFC 3720, appendix B.4), which processors compute.
var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// sealed is a record's row as it is kept, with its checksum.
type sealed struct {
	id            []byte
	owner         string
	sharing       trial.SharingLevel // 0 where the table has none
	open, deleted bool
	revision      int64
	body          []byte
	checksum      int64
}

// The columns of a sealed row, in the order of sealed.into.
const (
	trialSealed = `t.id, t.owner, t.sharing, 0, t.deleted, t.revision, t.body, t.checksum`
	bathSealed  = `b.id, b.owner, b.sharing, b.open_to_members, b.deleted, b.revision, b.body, b.checksum`
	plainSealed = `r.id, r.owner, 0, 0, r.deleted, r.revision, r.body, r.checksum` // of water sources and experiments
)

// sealedRowSQL reads the row of an id.
var sealedRowSQL = map[trial.RecordKind]string{
	trial.TrialRecord:      `SELECT ` + trialSealed + ` FROM trials t WHERE t.id = ?`,
	trial.BathRecord:       `SELECT ` + bathSealed + ` FROM baths b WHERE b.id = ?`,
	trial.WaterRecord:      `SELECT ` + plainSealed + ` FROM water_sources r WHERE r.id = ?`,
	trial.ExperimentRecord: `SELECT ` + plainSealed + ` FROM experiments r WHERE r.id = ?`,
}

// into is where a row is scanned to.
func (r *sealed) into() []any {
	return []any{&r.id, &r.owner, &r.sharing, &r.open, &r.deleted, &r.revision, &r.body, &r.checksum}
}

// sum is the CRC-32C of the body, then of the revision (8 bytes, big-endian), sharing, open and deleted (a byte each), id and owner.
func (r *sealed) sum() int64 {
	return sum(r.body, r.id, r.owner, r.sharing, r.open, r.deleted, r.revision)
}

func sum(body, id []byte, owner string, sharing trial.SharingLevel, open, deleted bool, revision int64) int64 {
	const most = 64
	columns := binary.BigEndian.AppendUint64(make([]byte, 0, most), uint64(revision))
	columns = append(columns, byte(sharing), bit(open), bit(deleted))
	columns = append(append(columns, id...), owner...)
	return int64(crc32.Update(crc32.Checksum(body, castagnoli), castagnoli, columns))
}

func bit(b bool) byte {
	if b {
		return 1
	}
	return 0
}

// intact is ErrCorrupt, naming the record, for a row that isn't what was written.
func (r *sealed) intact(kind trial.RecordKind) error {
	if got := r.sum(); got != r.checksum {
		return fmt.Errorf("%s %s isn't what was kept (CRC-32C %08x, must be %08x): %w", kind, idOf(r.id), got, r.checksum, ErrCorrupt)
	}
	return nil
}

// sealedTables are the tables with checksums, and what a checksum is of, in the order of sealed.into.
var sealedTables = []struct{ name, columns string }{
	{"requests", "request_id, member, 0, 0, 0, revision, response"},
	{"trials", "id, owner, sharing, 0, deleted, revision, body"},
	{"baths", "id, owner, sharing, open_to_members, deleted, revision, body"},
	{"water_sources", "id, owner, 0, 0, deleted, revision, body"},
	{"experiments", "id, owner, 0, 0, deleted, revision, body"},
}

// sealedLater are those of later schemas, which had checksums from the beginning.
var sealedLater = []struct{ name, columns string }{
	{"bench_sheets", "plan_id, owner, 0, 0, 0, revision, body"},
	{"workshops", "CAST(member AS BLOB), member, 0, 0, 0, revision, body"},
}

// sealRecords is schema version 4: a checksum in every row. It may change no more once released, nor may sum.
func sealRecords(ctx context.Context, tx *sql.Tx) error {
	for _, table := range sealedTables {
		// A row that is written without one has a wrong one, and is refused.
		//nolint:gosec // constants of this package
		add := `ALTER TABLE ` + table.name + ` ADD COLUMN checksum INTEGER NOT NULL DEFAULT 0 CHECK (checksum BETWEEN 0 AND 4294967295)`
		if _, err := tx.ExecContext(ctx, add); err != nil {
			return err
		}
		if err := sealTable(ctx, tx, table.name, table.columns); err != nil {
			return fmt.Errorf("checksums of %s: %w", table.name, err)
		}
	}
	return nil
}

func sealTable(ctx context.Context, tx *sql.Tx, table, columns string) error {
	const page = 500
	type row struct {
		sealed
		rowid int64
	}
	for after := int64(0); ; {
		rows, err := inTx(ctx, tx, func(from scanner) (r row, err error) {
			err = from.Scan(append([]any{&r.rowid}, r.into()[:7]...)...)
			return r, err
		}, `SELECT rowid, `+columns+` FROM `+table+` WHERE rowid > ? ORDER BY rowid LIMIT ?`, after, page)
		if err != nil {
			return err
		}
		if len(rows) == 0 {
			return nil
		}
		for i := range rows {
			//nolint:gosec // constants of this package
			if _, err := tx.ExecContext(ctx, `UPDATE `+table+` SET checksum = ? WHERE rowid = ?`, rows[i].sum(), rows[i].rowid); err != nil {
				return err
			}
		}
		after = rows[len(rows)-1].rowid
	}
}

// damagedRows names rows that aren't what was written, at most so many.
func damagedRows(ctx context.Context, tx *sql.Tx, most int) (faults []string, err error) {
	for _, table := range slices.Concat(sealedTables, sealedLater, runTables) {
		if faults, err = damagedIn(ctx, tx, table.name, table.columns, faults, most); err != nil {
			return nil, fmt.Errorf("checksums of %s: %w", table.name, err)
		}
	}
	return faults, nil
}

func damagedIn(ctx context.Context, tx *sql.Tx, table, columns string, faults []string, most int) ([]string, error) {
	//nolint:gosec // constants of this package
	rows, err := tx.QueryContext(ctx, `SELECT `+columns+`, checksum FROM `+table)
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }()
	for len(faults) < most && rows.Next() {
		var r sealed
		if err := rows.Scan(r.into()...); err != nil {
			return nil, err
		}
		if r.sum() != r.checksum {
			faults = append(faults, fmt.Sprintf("%s of %s isn't what was kept", idOf(r.id), table))
		}
	}
	return faults, rows.Err()
}
