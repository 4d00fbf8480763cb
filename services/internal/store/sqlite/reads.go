package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync/atomic"

	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/piececode"
	"github.com/commonvat/commonvat/services/internal/trial"
)

const (
	// trialColumns are those of trialSealed less the one that no trial has; a column that is looked at costs more than its checksum.
	trialColumns = `t.id, t.owner, t.sharing, t.deleted, t.revision, t.body, t.checksum,
  (SELECT group_concat(member, char(10)) FROM (SELECT member FROM trial_holders WHERE trial = t.seq ORDER BY member))`
	// pieceOfMemberSQL finds a piece in a bath that a member owns or holds, of a trial that is not deleted; the bath and twice the member are put in as parameters.
	pieceOfMemberSQL = `SELECT 1 FROM immersions i JOIN pieces p ON p.id = i.piece JOIN trials t ON t.seq = p.trial
  WHERE i.bath = %s AND (p.holder = %s OR t.owner = %s) AND t.deleted = 0`
	// membersInBathSQL finds all members of whom pieceOfMemberSQL finds a piece in a bath. A piece with no holder is its trial's owner's.
	membersInBathSQL = `WITH here AS (
  SELECT p.holder, t.owner FROM immersions i JOIN pieces p ON p.id = i.piece JOIN trials t ON t.seq = p.trial WHERE i.bath = ? AND t.deleted = 0)
SELECT holder FROM here WHERE holder IS NOT NULL UNION SELECT owner FROM here ORDER BY 1`
)

// reader reads the file; a Store has one, and so has a Reader.
type reader struct {
	log     *slog.Logger
	read    *sql.DB
	damaged atomic.Bool // the file was found corrupt

	trialByID     *sql.Stmt
	pieceByID     *sql.Stmt
	pieceByCode   *sql.Stmt
	bathByID      *sql.Stmt
	pieceInBath   *sql.Stmt
	membersInBath *sql.Stmt
	sharedTrials  *sql.Stmt
	changesAfter  *sql.Stmt
	tokenByID     *sql.Stmt
	rolesOfMember *sql.Stmt
	memberByID    *sql.Stmt
}

// prepare prepares the statements of single reads; lists are prepared each time.
func (s *reader) prepare(ctx context.Context) error {
	for _, p := range []struct {
		into **sql.Stmt
		text string
	}{
		{&s.trialByID, `SELECT ` + trialColumns + ` FROM trials t WHERE t.id = ?`},
		{&s.sharedTrials, `SELECT ` + trialColumns + ` FROM trials t WHERE t.id > ? AND t.sharing >= 2 AND t.deleted = 0 ORDER BY t.id LIMIT ?`},
		{&s.pieceByID, `SELECT p.id, t.id FROM pieces p JOIN trials t ON t.seq = p.trial WHERE p.id = ?`},
		{&s.pieceByCode, `SELECT p.id, t.id FROM pieces p JOIN trials t ON t.seq = p.trial WHERE p.code = ?`},
		{&s.bathByID, `SELECT ` + bathSealed + ` FROM baths b WHERE b.id = ?`},
		{&s.pieceInBath, `SELECT EXISTS (` + fmt.Sprintf(pieceOfMemberSQL, "?1", "?2", "?2") + `)`},
		{&s.membersInBath, membersInBathSQL},
		{&s.changesAfter, changesAfterSQL},
		{&s.tokenByID, `SELECT ` + tokenColumns + ` FROM tokens WHERE id = ?`},
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

// above is the id that a page stays above; one before all of them from the bottom.
func above(afterID trial.ID) ([]byte, error) {
	if afterID == "" {
		return []byte{}, nil
	}
	u, err := mustID("after_id", afterID)
	return u[:], err
}

type scanner interface{ Scan(into ...any) error }

func scanTrial(from scanner) (store.TrialRow, error) {
	var r sealed
	var holders sql.NullString
	if err := from.Scan(&r.id, &r.owner, &r.sharing, &r.deleted, &r.revision, &r.body, &r.checksum, &holders); err != nil {
		return store.TrialRow{}, err
	}
	if err := r.intact(trial.TrialRecord); err != nil {
		return store.TrialRow{}, err
	}
	row := store.TrialRow{ID: idOf(r.id), Owner: r.owner, Sharing: r.sharing, Deleted: r.deleted, Revision: r.revision, Body: r.body}
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

func (s *reader) readTrial(ctx context.Context, id trial.ID) (store.TrialRow, error) {
	u, ok := parseID(id)
	if !ok {
		return store.TrialRow{}, notFound("trial", id)
	}
	row, err := scanTrial(s.trialByID.QueryRowContext(ctx, u[:]))
	if errors.Is(err, sql.ErrNoRows) {
		return store.TrialRow{}, notFound("trial", id)
	}
	return row, s.readFault(ctx, err)
}

// TrialOfPiece implements store.TrialReader.
func (s *reader) TrialOfPiece(ctx context.Context, idOrCode string) (trial.PieceRef, error) {
	statement, key := s.pieceByCode, any(piececode.Normalise(idOrCode))
	if u, ok := parseID(idOrCode); ok {
		statement, key = s.pieceByID, u[:]
	}
	var piece, of []byte
	err := statement.QueryRowContext(ctx, key).Scan(&piece, &of)
	if errors.Is(err, sql.ErrNoRows) {
		return trial.PieceRef{}, notFound("piece", idOrCode)
	}
	return trial.PieceRef{PieceID: idOf(piece), TrialID: idOf(of)}, s.readFault(ctx, err)
}

// ListTrials implements store.TrialReader.
func (s *reader) ListTrials(ctx context.Context, query store.TrialQuery) ([]store.TrialRow, error) {
	if err := checkLimit(query.Limit); err != nil {
		return nil, err
	}
	before, err := below(query.BeforeID)
	if err != nil {
		return nil, err
	}
	condition, args, err := compileSearch(query.Where, compareTrial)
	if err != nil {
		return nil, err
	}
	readable := `t.deleted = 0 AND
  (t.owner = ? OR t.sharing >= 2 OR EXISTS (SELECT 1 FROM trial_holders h WHERE h.trial = t.seq AND h.member = ?))`
	bound := []any{before, query.Reader, query.Reader}
	switch {
	case query.Deleted:
		readable, bound = `t.deleted = 1 AND t.owner = ?`, bound[:2]
	case query.Where.AsksForContent():
		readable, bound = `t.deleted = 0 AND (t.owner = ? OR t.sharing >= 2)`, bound[:2]
	}
	//nolint:gosec // constants of this package and placeholders; what the caller gave is bound
	text := `SELECT ` + trialColumns + ` FROM trials t WHERE t.id < ? AND ` + readable + ` AND ` + condition + ` ORDER BY t.id DESC LIMIT ?`
	rows, err := s.read.QueryContext(ctx, text, append(append(bound, args...), query.Limit)...)
	return collect(ctx, s, rows, err, scanTrial)
}

// SharedTrials implements store.TrialReader.
func (s *reader) SharedTrials(ctx context.Context, after trial.ID, limit int) ([]store.TrialRow, error) {
	if err := checkLimit(limit); err != nil {
		return nil, err
	}
	from, err := above(after)
	if err != nil {
		return nil, err
	}
	rows, err := s.sharedTrials.QueryContext(ctx, from, limit)
	return collect(ctx, s, rows, err, scanTrial)
}

// collect reads all rows of a query.
func collect[T any](ctx context.Context, s *reader, rows *sql.Rows, err error, scan func(scanner) (T, error)) ([]T, error) {
	if err != nil {
		return nil, s.readFault(ctx, err)
	}
	defer func() { _ = rows.Close() }()
	var all []T
	for rows.Next() {
		one, err := scan(rows)
		if err != nil {
			return nil, s.readFault(ctx, err)
		}
		all = append(all, one)
	}
	if err := rows.Err(); err != nil {
		return nil, s.readFault(ctx, err)
	}
	return all, nil
}

func scanBath(from scanner) (store.BathRow, error) {
	var r sealed
	if err := from.Scan(r.into()...); err != nil {
		return store.BathRow{}, err
	}
	if err := r.intact(trial.BathRecord); err != nil {
		return store.BathRow{}, err
	}
	return store.BathRow{
		ID: idOf(r.id), Owner: r.owner, Sharing: r.sharing, OpenToMembers: r.open, Deleted: r.deleted, Revision: r.revision, Body: r.body,
	}, nil
}

// BathRow implements store.BathReader.
func (s *reader) BathRow(ctx context.Context, id trial.ID) (store.BathRow, error) {
	u, ok := parseID(id)
	if !ok {
		return store.BathRow{}, notFound("bath", id)
	}
	row, err := scanBath(s.bathByID.QueryRowContext(ctx, u[:]))
	if errors.Is(err, sql.ErrNoRows) {
		return store.BathRow{}, notFound("bath", id)
	}
	return row, s.readFault(ctx, err)
}

// HasPieceIn implements store.BathReader.
func (s *reader) HasPieceIn(ctx context.Context, bath trial.ID, member trial.MemberID) (bool, error) {
	u, ok := parseID(bath)
	if !ok {
		return false, nil
	}
	var has bool
	err := s.pieceInBath.QueryRowContext(ctx, u[:], member).Scan(&has)
	return has, s.readFault(ctx, err)
}

// MembersWithPieceIn implements store.BathReader.
func (s *reader) MembersWithPieceIn(ctx context.Context, bath trial.ID) ([]trial.MemberID, error) {
	u, ok := parseID(bath)
	if !ok {
		return nil, nil
	}
	rows, err := s.membersInBath.QueryContext(ctx, u[:])
	return collect(ctx, s, rows, err, func(from scanner) (member trial.MemberID, err error) {
		err = from.Scan(&member)
		return member, err
	})
}

// ListBaths implements store.BathReader.
func (s *reader) ListBaths(ctx context.Context, query store.BathQuery) ([]store.BathRow, error) {
	if err := checkLimit(query.Limit); err != nil {
		return nil, err
	}
	before, err := below(query.BeforeID)
	if err != nil {
		return nil, err
	}
	condition, args, err := compileSearch(query.Where, compareBath)
	if err != nil {
		return nil, err
	}
	readable := `b.deleted = 0 AND
  (b.owner = ? OR b.sharing >= 2 OR b.open_to_members = 1 OR EXISTS (` + fmt.Sprintf(pieceOfMemberSQL, "b.id", "?", "?") + `))`
	bound := []any{before, query.Reader, query.Reader, query.Reader}
	if query.Deleted {
		readable, bound = `b.deleted = 1 AND b.owner = ?`, bound[:2]
	}
	//nolint:gosec // constants of this package and placeholders; what the caller gave is bound
	text := `SELECT ` + bathSealed + ` FROM baths b WHERE b.id < ? AND ` + readable + ` AND ` + condition + ` ORDER BY b.id DESC LIMIT ?`
	rows, err := s.read.QueryContext(ctx, text, append(append(bound, args...), query.Limit)...)
	return collect(ctx, s, rows, err, scanBath)
}

// WaterSources implements store.RecordReader.
func (s *reader) WaterSources(ctx context.Context, query store.RecordQuery) ([]trial.WaterSource, error) {
	return listRecords(ctx, s, trial.WaterRecord, query, record.DecodeWaterSource)
}

// WaterSource implements store.RecordReader.
func (s *reader) WaterSource(ctx context.Context, id trial.ID) (*trial.WaterSource, error) {
	return readRecord(ctx, s, trial.WaterRecord, "water source", id, record.DecodeWaterSource)
}

// Experiments implements store.RecordReader.
func (s *reader) Experiments(ctx context.Context, query store.RecordQuery) ([]trial.Experiment, error) {
	return listRecords(ctx, s, trial.ExperimentRecord, query, record.DecodeExperiment)
}

// Experiment implements store.RecordReader.
func (s *reader) Experiment(ctx context.Context, id trial.ID) (*trial.Experiment, error) {
	return readRecord(ctx, s, trial.ExperimentRecord, "experiment", id, record.DecodeExperiment)
}

func listRecords[T any](ctx context.Context, s *reader, kind trial.RecordKind, query store.RecordQuery, decode func([]byte) (*T, error)) ([]T, error) {
	if err := checkLimit(query.Limit); err != nil {
		return nil, err
	}
	before, err := below(query.BeforeID)
	if err != nil {
		return nil, err
	}
	which, args := "deleted = 0", []any{before}
	if query.DeletedOf != "" {
		which, args = "deleted = 1 AND owner = ?", append(args, query.DeletedOf)
	}
	//nolint:gosec // constants of this package; what the caller gave is bound
	text := `SELECT ` + plainSealed + ` FROM ` + recordTables[kind] + ` r WHERE id < ? AND ` + which + ` ORDER BY id DESC LIMIT ?`
	rows, err := s.read.QueryContext(ctx, text, append(args, query.Limit)...)
	return collect(ctx, s, rows, err, func(from scanner) (one T, err error) {
		var r sealed
		if err := from.Scan(r.into()...); err != nil {
			return one, err
		}
		if err := r.intact(kind); err != nil {
			return one, err
		}
		decoded, err := decode(r.body)
		if err != nil {
			return one, err
		}
		return *decoded, nil
	})
}

func readRecord[T any](ctx context.Context, s *reader, kind trial.RecordKind, name string, id trial.ID, decode func([]byte) (*T, error)) (*T, error) {
	u, ok := parseID(id)
	if !ok {
		return nil, notFound(name, id)
	}
	var r sealed
	err := s.read.QueryRowContext(ctx, sealedRowSQL[kind], u[:]).Scan(r.into()...)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, notFound(name, id)
	}
	if err == nil {
		err = r.intact(kind)
	}
	if err != nil {
		return nil, s.readFault(ctx, err)
	}
	return decode(r.body)
}
