package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"

	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/piececode"
	"github.com/commonvat/commonvat/services/internal/trial"
)

const (
	trialColumns = `t.id, t.owner, t.sharing, t.revision, t.body,
  (SELECT group_concat(member, char(10)) FROM (SELECT member FROM trial_holders WHERE trial = t.seq ORDER BY member))`
	bathColumns = `b.id, b.owner, b.sharing, b.open_to_members, b.revision, b.body`

	// pieceOfMemberSQL finds a piece in a bath that a member owns or holds; the bath and twice the member are put in as parameters.
	pieceOfMemberSQL = `SELECT 1 FROM immersions i JOIN pieces p ON p.id = i.piece JOIN trials t ON t.seq = p.trial
  WHERE i.bath = %s AND (p.holder = %s OR t.owner = %s)`
)

// prepareReads prepares the statements of single reads; lists are prepared each time.
func (s *Store) prepareReads(ctx context.Context) error {
	for _, p := range []struct {
		into **sql.Stmt
		text string
	}{
		{&s.trialByID, `SELECT ` + trialColumns + ` FROM trials t WHERE t.id = ?`},
		{&s.sharedTrials, `SELECT ` + trialColumns + ` FROM trials t WHERE t.id > ? AND t.sharing >= 2 ORDER BY t.id LIMIT ?`},
		{&s.pieceByID, `SELECT p.id, t.id FROM pieces p JOIN trials t ON t.seq = p.trial WHERE p.id = ?`},
		{&s.pieceByCode, `SELECT p.id, t.id FROM pieces p JOIN trials t ON t.seq = p.trial WHERE p.code = ?`},
		{&s.bathByID, `SELECT ` + bathColumns + ` FROM baths b WHERE b.id = ?`},
		{&s.pieceInBath, `SELECT EXISTS (` + fmt.Sprintf(pieceOfMemberSQL, "?1", "?2", "?2") + `)`},
		{&s.changesAfter, changesAfterSQL},
		{&s.tokenByID, `SELECT member, secret_hash, label, created_at, expires_at, revoked_at FROM tokens WHERE id = ?`},
		{&s.memberByID, `SELECT display_name, created_at FROM members WHERE id = ?`},
		{&s.rolesOfMember, `SELECT role FROM member_roles WHERE member = ? ORDER BY role`},
	} {
		statement, err := s.read.PrepareContext(ctx, p.text) //nolint:sqlclosecheck // closed with the handle
		if err != nil {
			return fmt.Errorf("prepare %q: %w", p.text, err)
		}
		*p.into = statement
	}
	return nil
}

// readFault is fault for reads, where an interrupted statement means that the caller's time ended.
func readFault(ctx context.Context, err error) error {
	if err != nil && ctx.Err() != nil {
		return ctx.Err()
	}
	return fault(err)
}

func checkLimit(limit int) error {
	if limit < 1 || limit > store.MaxPage {
		return &trial.FieldFault{Field: "limit", Text: fmt.Sprintf("%d is not between 1 and %d", limit, store.MaxPage)}
	}
	return nil
}

// below is the id that a page stays below; the highest possible one from the top.
func below(beforeID trial.ID) ([]byte, error) {
	if beforeID == "" {
		// Longer than any id, so that the highest id is below it too.
		return []byte(strings.Repeat("\xff", 17)), nil
	}
	u, err := mustID("before_id", beforeID)
	return u[:], err
}

type scanner interface{ Scan(into ...any) error }

func scanTrial(from scanner) (store.TrialRow, error) {
	var row store.TrialRow
	var id []byte
	var holders sql.NullString
	if err := from.Scan(&id, &row.Owner, &row.Sharing, &row.Revision, &row.Body, &holders); err != nil {
		return store.TrialRow{}, err
	}
	row.ID = idOf(id)
	if holders.Valid {
		row.Holders = strings.Split(holders.String, "\n")
	}
	return row, nil
}

// TrialRow implements store.TrialReader.
func (s *Store) TrialRow(ctx context.Context, id trial.ID) (store.TrialRow, error) {
	row, ok, fill := s.cache.get(id)
	if ok {
		return row, nil
	}
	row, err := s.readTrial(ctx, id)
	if err != nil {
		s.cache.put(id, fill, nil)
		return store.TrialRow{}, err
	}
	s.cache.put(id, fill, &row)
	return row, nil
}

func (s *Store) readTrial(ctx context.Context, id trial.ID) (store.TrialRow, error) {
	u, ok := parseID(id)
	if !ok {
		return store.TrialRow{}, notFound("trial", id)
	}
	row, err := scanTrial(s.trialByID.QueryRowContext(ctx, u[:]))
	if errors.Is(err, sql.ErrNoRows) {
		return store.TrialRow{}, notFound("trial", id)
	}
	return row, readFault(ctx, err)
}

// TrialOfPiece implements store.TrialReader.
func (s *Store) TrialOfPiece(ctx context.Context, idOrCode string) (trial.PieceRef, error) {
	statement, key := s.pieceByCode, any(piececode.Normalise(idOrCode))
	if u, ok := parseID(idOrCode); ok {
		statement, key = s.pieceByID, u[:]
	}
	var piece, of []byte
	err := statement.QueryRowContext(ctx, key).Scan(&piece, &of)
	if errors.Is(err, sql.ErrNoRows) {
		return trial.PieceRef{}, notFound("piece", idOrCode)
	}
	return trial.PieceRef{PieceID: idOf(piece), TrialID: idOf(of)}, readFault(ctx, err)
}

// searchTrials is ListTrials from the file alone.
func (s *Store) searchTrials(ctx context.Context, query store.TrialQuery) ([]store.TrialRow, error) {
	if err := checkLimit(query.Limit); err != nil {
		return nil, err
	}
	before, err := below(query.BeforeID)
	if err != nil {
		return nil, err
	}
	condition, args, err := compileSearch(query.Where)
	if err != nil {
		return nil, err
	}
	//nolint:gosec // constants of this package and placeholders; what the caller gave is bound
	text := `SELECT ` + trialColumns + ` FROM trials t WHERE t.id < ?
  AND (t.owner = ? OR t.sharing >= 2 OR EXISTS (SELECT 1 FROM trial_holders h WHERE h.trial = t.seq AND h.member = ?))
  AND ` + condition + ` ORDER BY t.id DESC LIMIT ?`
	args = append([]any{before, query.Reader, query.Reader}, args...)
	rows, err := s.read.QueryContext(ctx, text, append(args, query.Limit)...)
	return collect(ctx, rows, err, scanTrial)
}

// SharedTrials implements store.TrialReader.
func (s *Store) SharedTrials(ctx context.Context, after trial.ID, limit int) ([]store.TrialRow, error) {
	if err := checkLimit(limit); err != nil {
		return nil, err
	}
	above := []byte{} // sorts before every id
	if after != "" {
		u, err := mustID("after_id", after)
		if err != nil {
			return nil, err
		}
		above = u[:]
	}
	rows, err := s.sharedTrials.QueryContext(ctx, above, limit)
	return collect(ctx, rows, err, scanTrial)
}

// collect reads all rows of a query.
func collect[T any](ctx context.Context, rows *sql.Rows, err error, scan func(scanner) (T, error)) ([]T, error) {
	if err != nil {
		return nil, readFault(ctx, err)
	}
	defer func() { _ = rows.Close() }()
	var all []T
	for rows.Next() {
		one, err := scan(rows)
		if err != nil {
			return nil, readFault(ctx, err)
		}
		all = append(all, one)
	}
	if err := rows.Err(); err != nil {
		return nil, readFault(ctx, err)
	}
	return all, nil
}

func scanBath(from scanner) (store.BathRow, error) {
	var row store.BathRow
	var id []byte
	err := from.Scan(&id, &row.Owner, &row.Sharing, &row.OpenToMembers, &row.Revision, &row.Body)
	row.ID = idOf(id)
	return row, err
}

// BathRow implements store.BathReader.
func (s *Store) BathRow(ctx context.Context, id trial.ID) (store.BathRow, error) {
	u, ok := parseID(id)
	if !ok {
		return store.BathRow{}, notFound("bath", id)
	}
	row, err := scanBath(s.bathByID.QueryRowContext(ctx, u[:]))
	if errors.Is(err, sql.ErrNoRows) {
		return store.BathRow{}, notFound("bath", id)
	}
	return row, readFault(ctx, err)
}

// HasPieceIn implements store.BathReader.
func (s *Store) HasPieceIn(ctx context.Context, bath trial.ID, member trial.MemberID) (bool, error) {
	u, ok := parseID(bath)
	if !ok {
		return false, nil
	}
	var has bool
	err := s.pieceInBath.QueryRowContext(ctx, u[:], member).Scan(&has)
	return has, readFault(ctx, err)
}

// ListBaths implements store.BathReader.
func (s *Store) ListBaths(ctx context.Context, reader trial.MemberID, beforeID trial.ID, limit int) ([]store.BathRow, error) {
	if err := checkLimit(limit); err != nil {
		return nil, err
	}
	before, err := below(beforeID)
	if err != nil {
		return nil, err
	}
	//nolint:gosec // constants of this package; what the caller gave is bound
	rows, err := s.read.QueryContext(ctx, `SELECT `+bathColumns+` FROM baths b WHERE b.id < ?1
  AND (b.owner = ?2 OR b.sharing >= 2 OR b.open_to_members = 1 OR EXISTS (`+fmt.Sprintf(pieceOfMemberSQL, "b.id", "?2", "?2")+`))
  ORDER BY b.id DESC LIMIT ?3`, before, reader, limit)
	return collect(ctx, rows, err, scanBath)
}

// WaterSources implements store.RecordReader.
func (s *Store) WaterSources(ctx context.Context, beforeID trial.ID, limit int) ([]trial.WaterSource, error) {
	return listRecords(ctx, s, `SELECT body FROM water_sources WHERE id < ? ORDER BY id DESC LIMIT ?`, beforeID, limit, record.DecodeWaterSource)
}

// WaterSource implements store.RecordReader.
func (s *Store) WaterSource(ctx context.Context, id trial.ID) (*trial.WaterSource, error) {
	return readRecord(ctx, s, "water source", waterBodySQL, id, record.DecodeWaterSource)
}

// Experiments implements store.RecordReader.
func (s *Store) Experiments(ctx context.Context, beforeID trial.ID, limit int) ([]trial.Experiment, error) {
	return listRecords(ctx, s, `SELECT body FROM experiments WHERE id < ? ORDER BY id DESC LIMIT ?`, beforeID, limit, record.DecodeExperiment)
}

// Experiment implements store.RecordReader.
func (s *Store) Experiment(ctx context.Context, id trial.ID) (*trial.Experiment, error) {
	return readRecord(ctx, s, "experiment", experimentBodySQL, id, record.DecodeExperiment)
}

func listRecords[T any](ctx context.Context, s *Store, query string, beforeID trial.ID, limit int, decode func([]byte) (*T, error)) ([]T, error) {
	if err := checkLimit(limit); err != nil {
		return nil, err
	}
	before, err := below(beforeID)
	if err != nil {
		return nil, err
	}
	rows, err := s.read.QueryContext(ctx, query, before, limit)
	return collect(ctx, rows, err, func(from scanner) (one T, err error) {
		var body []byte
		if err := from.Scan(&body); err != nil {
			return one, err
		}
		decoded, err := decode(body)
		if err != nil {
			return one, err
		}
		return *decoded, nil
	})
}

func readRecord[T any](ctx context.Context, s *Store, kind, query string, id trial.ID, decode func([]byte) (*T, error)) (*T, error) {
	u, ok := parseID(id)
	if !ok {
		return nil, notFound(kind, id)
	}
	var body []byte
	err := s.read.QueryRowContext(ctx, query, u[:]).Scan(&body)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, notFound(kind, id)
	}
	if err != nil {
		return nil, readFault(ctx, err)
	}
	return decode(body)
}
