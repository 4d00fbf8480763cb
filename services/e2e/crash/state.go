package crash

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"google.golang.org/protobuf/proto"
	_ "modernc.org/sqlite" // the driver "sqlite"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
)

// State is everything that a store's file says, read without any of the store's own code. Bodies of records are messages of the
// interface, which is what the store promises to keep.
type State struct {
	Revision int64
	Trials   map[string]*labv1.Trial
	Baths    map[string]*labv1.Bath
	Waters   map[string]*labv1.WaterSource
	// Requests are the kept answers: the revision, by member and request id.
	Requests map[requestKey]int64
	// Feed has the records that each revision put, and who asked for it.
	Feed map[int64]feedRow
	// Entries counts, by id, the entries and records that the store has.
	Entries map[string]int
	Tables  map[string]int64 // rows
}

type requestKey struct{ member, id string }

type feedRow struct {
	member  string
	records []string
}

// CopyStore copies a store's files while no core runs, as they were left.
func CopyStore(from, folder string) (string, error) {
	to := filepath.Join(folder, filepath.Base(from))
	for _, end := range []string{"", "-wal"} { // "-shm" is made anew from these
		if err := copyFile(from+end, to+end); err != nil && (end == "" || !errors.Is(err, os.ErrNotExist)) {
			return "", err
		}
	}
	return to, nil
}

func copyFile(from, to string) (err error) {
	source, err := os.Open(from) //nolint:gosec // the test's own file
	if err != nil {
		return errors.Join(err, ignoreAbsent(os.Remove(to))) //nolint:gosec // no remains of an earlier copy
	}
	defer func() { _ = source.Close() }()
	target, err := os.Create(to) //nolint:gosec // the test's own file
	if err != nil {
		return err
	}
	_, err = io.Copy(target, source)
	return errors.Join(err, target.Close())
}

func ignoreAbsent(err error) error {
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	return err
}

// ReadState opens a copy of a store's files, which recovers what the log has as the core would, and reads it. What is wrong
// with the file itself comes back as violations; an error means that it can't be read.
func ReadState(ctx context.Context, path string) (_ *State, found []Violation, err error) {
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=foreign_keys(1)")
	if err != nil {
		return nil, nil, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	db.SetMaxOpenConns(1)
	sound := func() {
		found = append(found, fileFaults(ctx, db, "PRAGMA integrity_check", "ok")...)
		found = append(found, fileFaults(ctx, db, "PRAGMA foreign_key_check", "")...)
	}
	s := &State{
		Trials: map[string]*labv1.Trial{}, Baths: map[string]*labv1.Bath{}, Waters: map[string]*labv1.WaterSource{},
		Requests: map[requestKey]int64{}, Feed: map[int64]feedRow{}, Entries: map[string]int{}, Tables: map[string]int64{},
	}
	if err := s.read(ctx, db); err != nil {
		return nil, nil, err
	}
	var busy, log, carried int
	if err := db.QueryRowContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &log, &carried); err != nil || busy != 0 {
		found = append(found, Violation{Unsound, fmt.Sprintf("the log isn't carried over into the file: busy %d, %v", busy, err)})
	}
	sound() // with the log carried over: all of it is in the one file now
	return s, found, nil
}

// fileFaults asks the database about itself; rows other than the expected one are faults.
func fileFaults(ctx context.Context, db *sql.DB, pragma, expected string) (found []Violation) {
	err := each(ctx, db, pragma, func(rows *sql.Rows) error {
		columns, err := rows.Columns()
		if err != nil {
			return err
		}
		values, into := make([]any, len(columns)), make([]any, len(columns))
		for i := range values {
			into[i] = &values[i]
		}
		if err := rows.Scan(into...); err != nil {
			return err
		}
		if text := fmt.Sprint(values...); text != expected {
			found = append(found, Violation{Unsound, pragma + ": " + text})
		}
		return nil
	})
	if err != nil {
		found = append(found, Violation{Unsound, fmt.Sprintf("%s: %v", pragma, err)})
	}
	return found
}

func each(ctx context.Context, db *sql.DB, query string, scan func(*sql.Rows) error) error {
	rows, err := db.QueryContext(ctx, query)
	if err != nil {
		return fmt.Errorf("%s: %w", query, err)
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		if err := scan(rows); err != nil {
			return fmt.Errorf("%s: %w", query, err)
		}
	}
	return rows.Err()
}

func (s *State) read(ctx context.Context, db *sql.DB) error {
	var tables []string
	err := each(ctx, db, "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite%' AND sql NOT LIKE 'CREATE VIRTUAL%'", func(rows *sql.Rows) error {
		var name string
		defer func() { tables = append(tables, name) }()
		return rows.Scan(&name)
	})
	if err != nil {
		return err
	}
	for _, table := range tables {
		var n int64
		if err := db.QueryRowContext(ctx, `SELECT count(*) FROM "`+table+`"`).Scan(&n); err != nil {
			return fmt.Errorf("table %s: %w", table, err)
		}
		s.Tables[table] = n
	}
	if err := db.QueryRowContext(ctx, "SELECT revision FROM counters").Scan(&s.Revision); err != nil {
		return err
	}
	return errors.Join(
		each(ctx, db, "SELECT member, request_id, revision FROM requests", func(rows *sql.Rows) error {
			var key requestKey
			var id []byte
			var revision int64
			err := rows.Scan(&key.member, &id, &revision)
			key.id = uuidOf(id)
			s.Requests[key] = revision
			return err
		}),
		each(ctx, db, "SELECT revision, record_id, by_member FROM feed ORDER BY revision, place", func(rows *sql.Rows) error {
			var revision int64
			var id []byte
			var member string
			err := rows.Scan(&revision, &id, &member)
			row := s.Feed[revision]
			row.member, row.records = member, append(row.records, uuidOf(id))
			s.Feed[revision] = row
			return err
		}),
		bodies(ctx, db, "SELECT body FROM trials", func(t *labv1.Trial) { s.Trials[t.GetId()] = t; s.countTrial(t) }),
		bodies(ctx, db, "SELECT body FROM baths", func(b *labv1.Bath) { s.Baths[b.GetId()] = b; s.countBath(b) }),
		bodies(ctx, db, "SELECT body FROM water_sources", func(w *labv1.WaterSource) { s.Waters[w.GetId()] = w; s.countWater(w) }),
	)
}

func bodies[M any, P interface {
	*M
	proto.Message
}](ctx context.Context, db *sql.DB, query string, take func(P)) error {
	return each(ctx, db, query, func(rows *sql.Rows) error {
		var body sql.RawBytes
		if err := rows.Scan(&body); err != nil {
			return err
		}
		message := P(new(M))
		if err := proto.Unmarshal(body, message); err != nil {
			return err
		}
		take(message)
		return nil
	})
}

func (s *State) countTrial(t *labv1.Trial) {
	s.Entries[t.GetId()]++
	for _, e := range t.GetSessions() {
		s.Entries[e.GetId()]++
	}
	for _, e := range t.GetPieces() {
		s.Entries[e.GetId()]++
		for _, c := range e.GetCorrections() { // these have no ids; the workload gives each a reason of its own
			s.Entries[c.GetReason()]++
		}
	}
	for _, e := range t.GetImmersions() {
		s.Entries[e.GetId()]++
	}
	for _, e := range t.GetLooks() {
		s.Entries[e.GetId()]++
	}
	for _, e := range t.GetReadings() {
		s.Entries[e.GetId()]++
		if t.GetImportSource() != "" {
			s.Entries[e.GetInstrument()]++ // of an imported row the workload's mark, since its ids are the core's
		}
	}
}

func (s *State) countBath(b *labv1.Bath) {
	s.Entries[b.GetId()]++
	for _, e := range b.GetAdditions() {
		s.Entries[e.GetId()]++
	}
	for _, e := range b.GetChecks() {
		s.Entries[e.GetId()]++
	}
}

func (s *State) countWater(w *labv1.WaterSource) {
	s.Entries[w.GetId()]++
	for _, e := range w.GetSamples() {
		s.Entries[e.GetId()]++
	}
}
