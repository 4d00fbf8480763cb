package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// runTables are the tables of runs with checksums, in the order of sealed.into.
var runTables = []struct{ name, columns string }{
	{"runs", "id, owner, 0, 0, 0, state, body"},
	{"run_columns", "run, '', 0, 0, 0, part, body"},
	{"run_scores", "run, '', 0, 0, 0, " + scorePlace + ", body"},
}

// scorePlace is the place of a part of a run's scores in one number.
const scorePlace = "module * 1000000000 + part"

func placeOf(p store.RunPart) int64 { return int64(p.Module)*1_000_000_000 + int64(p.Part) }

func partSum(run uuid, place int64, body []byte) int64 {
	return sum(body, run[:], "", 0, false, false, place)
}

func runSum(r store.RunRow, id uuid) int64 {
	return sum(r.Body, id[:], r.Owner, 0, false, false, int64(r.State))
}

const runColumns = `id, owner, state, body, checksum`

func scanRun(from scanner) (r store.RunRow, err error) {
	var id []byte
	var kept int64
	if err := from.Scan(&id, &r.Owner, &r.State, &r.Body, &kept); err != nil {
		return r, err
	}
	r.ID = idOf(id)
	if got := runSum(r, uuid(id)); got != kept {
		return r, fmt.Errorf("run %s isn't what was kept (CRC-32C %08x, must be %08x): %w", r.ID, got, kept, ErrCorrupt)
	}
	return r, nil
}

// Run implements store.RunStore.
func (s *reader) Run(ctx context.Context, id trial.ID) (store.RunRow, error) {
	u, ok := parseID(id)
	if !ok {
		return store.RunRow{}, notFound("run", id)
	}
	row, err := scanRun(s.read.QueryRowContext(ctx, `SELECT `+runColumns+` FROM runs WHERE id = ?`, u[:]))
	if errors.Is(err, sql.ErrNoRows) {
		return row, notFound("run", id)
	}
	return row, s.readFault(ctx, err)
}

// Runs implements store.RunStore.
func (s *reader) Runs(ctx context.Context, before trial.ID, limit int) ([]store.RunRow, error) {
	if err := checkLimit(limit); err != nil {
		return nil, err
	}
	below, err := below(before)
	if err != nil {
		return nil, err
	}
	rows, err := s.read.QueryContext(ctx, `SELECT `+runColumns+` FROM runs WHERE id < ? ORDER BY id DESC LIMIT ?`, below, limit)
	return collect(ctx, s, rows, err, scanRun)
}

// parts reads bodies with their checksums.
func (s *reader) parts(ctx context.Context, run trial.ID, text string, args ...any) ([]store.RunPart, error) {
	u, ok := parseID(run)
	if !ok {
		return nil, notFound("run", run)
	}
	rows, err := s.read.QueryContext(ctx, text, append([]any{u[:]}, args...)...)
	return collect(ctx, s, rows, err, func(from scanner) (p store.RunPart, err error) {
		var kept int64
		if err := from.Scan(&p.Module, &p.Part, &p.Body, &kept); err != nil {
			return p, err
		}
		if got := partSum(u, placeOf(p), p.Body); got != kept {
			return p, fmt.Errorf("part %d of run %s isn't what was kept (CRC-32C %08x, must be %08x): %w", p.Part, run, got, kept, ErrCorrupt)
		}
		return p, nil
	})
}

// RunColumns implements store.RunStore.
func (s *reader) RunColumns(ctx context.Context, run trial.ID) (bodies [][]byte, err error) {
	parts, err := s.parts(ctx, run, `SELECT 0, part, body, checksum FROM run_columns WHERE run = ? ORDER BY part`)
	for _, p := range parts {
		bodies = append(bodies, p.Body)
	}
	return bodies, err
}

// RunScores implements store.RunStore.
func (s *reader) RunScores(ctx context.Context, run trial.ID, module int) ([]store.RunPart, error) {
	return s.parts(ctx, run, `SELECT module, part, body, checksum FROM run_scores WHERE run = ? AND module = ? ORDER BY part`, module)
}

// WithdrawnFromRuns implements store.RunStore.
func (s *reader) WithdrawnFromRuns(ctx context.Context) ([]store.RunTrial, error) {
	rows, err := s.read.QueryContext(ctx, `SELECT r.run, r.trial FROM run_trials r LEFT JOIN trials t ON t.id = r.trial
		WHERE t.id IS NULL OR t.deleted = 1 OR t.sharing < ? ORDER BY r.run, r.trial`, trial.Cooperative)
	return collect(ctx, s, rows, err, func(from scanner) (r store.RunTrial, err error) {
		var run, of []byte
		err = from.Scan(&run, &of)
		r.Run, r.Trial = idOf(run), idOf(of)
		return r, err
	})
}

// CreateRun implements store.RunStore.
func (s *Store) CreateRun(ctx context.Context, by store.Actor, at time.Time, r store.RunRow, reason string) error {
	u, err := mustID("run_id", r.ID)
	if err != nil {
		return err
	}
	return s.directFor(ctx, by, at, reason, func(w *writer) (string, error) { //nolint:contextcheck // the writer has its own context
		err := w.exec(`INSERT INTO runs (id, owner, state, body, checksum) VALUES (?, ?, ?, ?, ?)`, u[:], r.Owner, r.State, r.Body, runSum(r, u))
		return "run " + r.ID + " created", about(err, "run", r.ID)
	})
}

// putRun puts the row in place of the one that is there.
func (w *writer) putRun(r store.RunRow, u uuid) error {
	result, err := w.execResult(`UPDATE runs SET state = ?, body = ?, checksum = ? WHERE id = ?`, r.State, r.Body, runSum(r, u), u[:])
	if err != nil {
		return about(err, "run", r.ID)
	}
	n, err := result.RowsAffected()
	if err == nil && n == 0 {
		return notFound("run", r.ID)
	}
	return err
}

// PutRun implements store.RunStore.
func (s *Store) PutRun(ctx context.Context, by store.Actor, at time.Time, r store.RunRow, act, reason string) error {
	return s.changeRun(ctx, by, at, r, act, reason, nil)
}

func (s *Store) changeRun(ctx context.Context, by store.Actor, at time.Time, r store.RunRow, act, reason string, more func(*writer, uuid) error) error {
	u, err := mustID("run_id", r.ID)
	if err != nil {
		return err
	}
	return s.directFor(ctx, by, at, reason, func(w *writer) (string, error) { //nolint:contextcheck // the writer has its own context
		if err := w.putRun(r, u); err != nil {
			return "", err
		}
		if more != nil {
			if err := more(w, u); err != nil {
				return "", about(err, "run", r.ID)
			}
		}
		if act == "" {
			return "", nil
		}
		return "run " + r.ID + " " + act, nil
	})
}

// DeleteRun implements store.RunStore.
func (s *Store) DeleteRun(ctx context.Context, by store.Actor, at time.Time, id trial.ID, reason string) error {
	u, err := mustID("run_id", id)
	if err != nil {
		return err
	}
	return s.directFor(ctx, by, at, reason, func(w *writer) (string, error) { //nolint:contextcheck // the writer has its own context
		for _, table := range []string{"run_scores", "run_trials", "run_columns"} {
			if err := w.exec(`DELETE FROM `+table+` WHERE run = ?`, u[:]); err != nil {
				return "", err
			}
		}
		result, err := w.execResult(`DELETE FROM runs WHERE id = ?`, u[:])
		if err != nil {
			return "", err
		}
		if n, err := result.RowsAffected(); err != nil || n == 0 {
			return "", errors.Join(err, notFound("run", id))
		}
		return "run " + id + " deleted", nil
	})
}

// PutRunColumns implements store.RunStore.
func (s *Store) PutRunColumns(ctx context.Context, by store.Actor, at time.Time, run trial.ID, part int, body []byte) error {
	u, err := mustID("run_id", run)
	if err != nil {
		return err
	}
	return s.directFor(ctx, by, at, "", func(w *writer) (string, error) { //nolint:contextcheck // the writer has its own context
		if part == 0 { // of a freezing that was cut short
			if err := w.exec(`DELETE FROM run_columns WHERE run = ?`, u[:]); err != nil {
				return "", err
			}
		}
		return "", w.putColumns(u, part, body)
	})
}

func (w *writer) putColumns(u uuid, part int, body []byte) error {
	return w.exec(`INSERT INTO run_columns (run, part, body, checksum) VALUES (?, ?, ?, ?)`, u[:], part, body, partSum(u, int64(part), body))
}

// FreezeRun implements store.RunStore.
func (s *Store) FreezeRun(ctx context.Context, by store.Actor, at time.Time, r store.RunRow, trials []trial.ID) error {
	return s.changeRun(ctx, by, at, r, "", "", func(w *writer, u uuid) error { //nolint:contextcheck // the writer has its own context
		if err := w.exec(`DELETE FROM run_trials WHERE run = ?`, u[:]); err != nil {
			return err
		}
		if err := w.exec(`DELETE FROM run_scores WHERE run = ?`, u[:]); err != nil {
			return err
		}
		return w.putRunTrials(u, trials)
	})
}

func (w *writer) putRunTrials(u uuid, trials []trial.ID) error {
	for _, id := range trials {
		t, err := mustID("trial", id)
		if err != nil {
			return err
		}
		if err := w.exec(`INSERT INTO run_trials (run, trial) VALUES (?, ?)`, u[:], t[:]); err != nil {
			return err
		}
	}
	return nil
}

// PutRunScores implements store.RunStore.
func (s *Store) PutRunScores(ctx context.Context, by store.Actor, at time.Time, r store.RunRow, fresh bool, parts ...store.RunPart) error {
	return s.changeRun(ctx, by, at, r, "", "", func(w *writer, u uuid) error { //nolint:contextcheck // the writer has its own context
		for i, p := range parts {
			first := !slices.ContainsFunc(parts[:i], func(other store.RunPart) bool { return other.Module == p.Module })
			if fresh && first {
				if err := w.exec(`DELETE FROM run_scores WHERE run = ? AND module = ?`, u[:], p.Module); err != nil {
					return err
				}
			}
			if err := w.putScores(u, p); err != nil {
				return err
			}
		}
		return nil
	})
}

func (w *writer) putScores(u uuid, p store.RunPart) error {
	return w.exec(`INSERT INTO run_scores (run, module, part, body, checksum) VALUES (?, ?, ?, ?, ?)
		ON CONFLICT (run, module, part) DO UPDATE SET body = excluded.body, checksum = excluded.checksum`,
		u[:], p.Module, p.Part, p.Body, partSum(u, placeOf(p), p.Body))
}

// EraseFromRun implements store.RunStore.
func (s *Store) EraseFromRun(ctx context.Context, by store.Actor, at time.Time, r store.RunRow, rest store.RunRest, act string) error {
	return s.changeRun(ctx, by, at, r, act, "", func(w *writer, u uuid) error { //nolint:contextcheck // the writer has its own context
		for _, table := range []string{"run_scores", "run_trials", "run_columns"} {
			if err := w.exec(`DELETE FROM `+table+` WHERE run = ?`, u[:]); err != nil {
				return err
			}
		}
		for i, body := range rest.Columns {
			if err := w.putColumns(u, i, body); err != nil {
				return err
			}
		}
		for _, p := range rest.Scores {
			if err := w.putScores(u, p); err != nil {
				return err
			}
		}
		return w.putRunTrials(u, rest.Trials)
	})
}

// NotePoolExport implements store.RunStore.
func (s *Store) NotePoolExport(ctx context.Context, by store.Actor, at time.Time, what, reason string) error {
	return s.directFor(ctx, by, at, reason, func(*writer) (string, error) {
		return "pool export of " + what, nil
	})
}
