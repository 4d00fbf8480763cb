package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

const sheetColumns = `plan_id, revision, owner, trial_id, title, standing, kept_at, body, checksum`

// sheetRow reads a row of sheetColumns, and refuses one that isn't what was kept.
func sheetRow(from scanner) (r store.SheetRow, err error) {
	var plan, of []byte
	var at, checksum int64
	if err := from.Scan(&plan, &r.Revision, &r.Owner, &of, &r.Title, &r.Standing, &at, &r.Body, &checksum); err != nil {
		return r, err
	}
	r.PlanID, r.TrialID, r.At, r.Deleted = idOf(plan), idOf(of), fromMicros(at), r.Standing == 0
	if got := sum(r.Body, plan, r.Owner, 0, false, false, r.Revision); got != checksum {
		return r, fmt.Errorf("sheet of plan %s isn't what was kept (CRC-32C %08x, must be %08x): %w", r.PlanID, got, checksum, ErrCorrupt)
	}
	return r, nil
}

// KeepSheet implements store.BenchStore.
func (s *Store) KeepSheet(ctx context.Context, by store.Actor, at time.Time, plan trial.ID, act, reason string, build func(store.SheetKeeping) (*store.SheetRow, error)) (store.SheetRow, error) {
	if err := checkActor(by); err != nil {
		return store.SheetRow{}, err
	}
	id, err := mustID("plan.id", plan)
	if err != nil {
		return store.SheetRow{}, err
	}
	kept := make(chan store.SheetRow, 1) // the writer has its own goroutine, and the caller may be gone before it
	_, err = s.submit(ctx, &job{
		ctx: ctx, answer: make(chan answer, 1), request: store.ChangeRequest{Actor: by, Now: at, Reason: reason},
		apply: func(c *change) ([]byte, error) { //nolint:contextcheck // the writer has its own context
			row, err := c.keepSheet(id, act, build)
			if err != nil {
				return nil, err
			}
			select {
			case <-kept: // of a run whose group was lost
			default:
			}
			kept <- row
			return nil, nil
		},
	})
	if err != nil {
		return store.SheetRow{}, err
	}
	return <-kept, nil
}

func (c *change) keepSheet(id uuid, act string, build func(store.SheetKeeping) (*store.SheetRow, error)) (store.SheetRow, error) {
	member := c.request.Actor.Member
	keeping := store.SheetKeeping{Code: func(piece trial.ID) (string, error) { return c.reserveCode(piece, member) }}
	var newest store.SheetRow
	var found bool
	err := c.writer.query(`SELECT `+sheetColumns+` FROM bench_sheets WHERE plan_id = ? ORDER BY revision DESC LIMIT 1`, []any{id[:]}, func(rows *sql.Rows) (err error) {
		newest, err = sheetRow(rows)
		found = true
		return err
	})
	if err != nil {
		return store.SheetRow{}, c.reading(err)
	}
	if found {
		if newest.Owner != member {
			return store.SheetRow{}, fmt.Errorf("plan %s: %w", idOf(id[:]), trial.ErrExists)
		}
		keeping.Newest = &newest
	}
	row, err := build(keeping)
	if err != nil || row == nil {
		return newest, err
	}
	row.PlanID, row.Owner, row.Revision, row.At = idOf(id[:]), member, newest.Revision+1, c.request.Now
	return *row, c.writing(func() error {
		if row.Deleted != (row.Standing == 0) {
			return fmt.Errorf("sheet of plan %s: standing %d and deleted %t can't be kept: 0 is that of a deleted one", row.PlanID, row.Standing, row.Deleted)
		}
		of, err := optionalID("plan.trial_id", row.TrialID)
		if err != nil {
			return err
		}
		if err := c.writer.exec(`UPDATE bench_sheets SET newest = 0 WHERE plan_id = ? AND newest = 1`, id[:]); err != nil {
			return err
		}
		c.subjects = append(c.subjects, "sheet "+row.PlanID+" "+act)
		return c.writer.exec(`INSERT INTO bench_sheets (plan_id, revision, owner, trial_id, title, standing, kept_at, newest, body, checksum) VALUES (?, ?, ?, ?, ?, ?, ?, 1, ?, ?)`,
			id[:], row.Revision, row.Owner, of, row.Title, row.Standing, row.At.UnixMicro(), row.Body, sum(row.Body, id[:], row.Owner, 0, false, false, row.Revision))
	})
}

// reserveCode gives the code of a piece in the record, or that which was reserved for it, or reserves one.
func (c *change) reserveCode(piece trial.ID, member trial.MemberID) (string, error) {
	if c.ended {
		return "", errEnded
	}
	u, err := mustID("piece.id", piece)
	if err != nil {
		return "", err
	}
	var code, owner string
	switch err := c.writer.queryRow(`SELECT code, member FROM reserved_codes WHERE piece_id = ?`, []any{u[:]}, &code, &owner); {
	case err == nil && owner == member:
		return code, nil
	case err == nil:
		return "", fmt.Errorf("piece %s: %w", piece, trial.ErrExists)
	case !errors.Is(err, sql.ErrNoRows):
		return "", c.reading(err)
	}
	switch of, err := c.TrialOfPiece(piece); {
	case err == nil:
		t, err := c.Trial(of)
		if err != nil {
			return "", err
		}
		for i := range t.Pieces {
			if t.Pieces[i].ID == piece && (t.Owner == member || t.Pieces[i].Holder == member) {
				return t.Pieces[i].Code, nil
			}
		}
		return "", fmt.Errorf("piece %s: %w", piece, trial.ErrExists)
	case !errors.Is(err, trial.ErrNotFound):
		return "", err
	}
	if code, err = c.NewPieceCode(); err != nil {
		return "", err
	}
	return code, c.writing(func() error {
		return c.writer.exec(`INSERT INTO reserved_codes (piece_id, member, code) VALUES (?, ?, ?)`, u[:], member, code)
	})
}

// Sheet implements store.BenchStore.
func (s *reader) Sheet(ctx context.Context, owner trial.MemberID, plan trial.ID, revision int64) (store.SheetRow, error) {
	id, ok := parseID(plan)
	if !ok {
		return store.SheetRow{}, notFound("sheet", plan)
	}
	query, values := `SELECT `+sheetColumns+` FROM bench_sheets WHERE plan_id = ? AND owner = ? AND newest = 1`, []any{id[:], owner}
	if revision != 0 {
		query, values = `SELECT `+sheetColumns+` FROM bench_sheets WHERE plan_id = ? AND owner = ? AND revision = ?`, append(values, revision)
	}
	rows, err := s.read.QueryContext(ctx, query, values...)
	all, err := collect(ctx, s, rows, err, sheetRow)
	if err != nil {
		return store.SheetRow{}, err
	}
	if len(all) == 0 {
		return store.SheetRow{}, notFound("sheet", plan)
	}
	return all[0], nil
}

// Sheets implements store.BenchStore.
func (s *reader) Sheets(ctx context.Context, owner trial.MemberID, deleted bool, before trial.ID, limit int) ([]store.SheetRow, error) {
	below := []byte{0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}
	if before != "" {
		id, ok := parseID(before)
		if !ok {
			return nil, notFound("sheet", before)
		}
		below = id[:]
	}
	rows, err := s.read.QueryContext(ctx, `SELECT `+sheetColumns+` FROM bench_sheets WHERE owner = ? AND newest = 1 AND (standing = 0) = ? AND plan_id < ? ORDER BY plan_id DESC LIMIT ?`, owner, deleted, below, limit)
	return collect(ctx, s, rows, err, sheetRow)
}

// Workshop implements store.BenchStore.
func (s *reader) Workshop(ctx context.Context, member trial.MemberID) (store.WorkshopRow, error) {
	rows, err := s.read.QueryContext(ctx, `SELECT member, revision, kept_at, body, checksum FROM workshops WHERE member = ? ORDER BY revision DESC LIMIT 1`, member)
	all, err := collect(ctx, s, rows, err, func(from scanner) (r store.WorkshopRow, err error) {
		var at, checksum int64
		if err := from.Scan(&r.Member, &r.Revision, &at, &r.Body, &checksum); err != nil {
			return r, err
		}
		r.At = fromMicros(at)
		if got := sum(r.Body, []byte(r.Member), r.Member, 0, false, false, r.Revision); got != checksum {
			return r, fmt.Errorf("workshop of %s isn't what was kept (CRC-32C %08x, must be %08x): %w", r.Member, got, checksum, ErrCorrupt)
		}
		return r, nil
	})
	if err != nil {
		return store.WorkshopRow{}, err
	}
	if len(all) == 0 {
		return store.WorkshopRow{}, notFound("workshop", member)
	}
	return all[0], nil
}

// KeepWorkshop implements store.BenchStore.
func (s *Store) KeepWorkshop(ctx context.Context, by store.Actor, row store.WorkshopRow) error {
	return s.directFor(ctx, by, row.At, "", func(w *writer) (string, error) { //nolint:contextcheck // the writer has its own context
		var newest int64
		if err := w.queryRow(`SELECT coalesce(max(revision), 0) FROM workshops WHERE member = ?`, []any{by.Member}, &newest); err != nil {
			return "", err
		}
		if row.Revision != newest+1 {
			return "", &trial.StaleError{Kind: "workshop", ID: by.Member, Given: trial.Etag(row.Revision - 1), Current: trial.Etag(newest)}
		}
		return "workshop of " + by.Member, w.exec(`INSERT INTO workshops (member, revision, kept_at, body, checksum) VALUES (?, ?, ?, ?, ?)`,
			by.Member, row.Revision, row.At.UnixMicro(), row.Body, sum(row.Body, []byte(by.Member), by.Member, 0, false, false, row.Revision))
	})
}
