package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// direct runs a change of what isn't a record through the writer, so that it has the file to itself. It is audited
// when apply names what it changed.
func (s *Store) direct(ctx context.Context, by store.Actor, at time.Time, apply func(*writer) (subject string, err error)) error {
	return s.directFor(ctx, by, at, "", apply)
}

// directFor is direct with a reason for the audit trail.
func (s *Store) directFor(ctx context.Context, by store.Actor, at time.Time, reason string, apply func(*writer) (subject string, err error)) error {
	if err := checkActor(by); err != nil {
		return err
	}
	_, err := s.submit(ctx, &job{
		ctx: ctx, answer: make(chan answer, 1), request: store.ChangeRequest{Actor: by, Now: at, Reason: reason},
		apply: func(c *change) ([]byte, error) {
			return nil, c.writing(func() error {
				subject, err := apply(c.writer)
				if subject != "" {
					c.subjects = append(c.subjects, subject)
				}
				return err
			})
		},
	})
	return err
}

// Members implements store.MemberStore.
func (s *reader) Members(ctx context.Context) ([]store.MemberRow, error) {
	rows, err := s.read.QueryContext(ctx, `SELECT m.id, m.display_name, m.created_at, r.role
		FROM members m LEFT JOIN member_roles r ON r.member = m.id ORDER BY m.id, r.role`)
	if err != nil {
		return nil, s.readFault(ctx, err)
	}
	defer func() { _ = rows.Close() }()
	var members []store.MemberRow
	for rows.Next() {
		var m store.MemberRow
		var at int64
		var role sql.NullString
		if err := rows.Scan(&m.ID, &m.DisplayName, &at, &role); err != nil {
			return nil, s.readFault(ctx, err)
		}
		if n := len(members); n == 0 || members[n-1].ID != m.ID {
			m.CreatedAt = fromMicros(at)
			members = append(members, m)
		}
		if role.Valid {
			last := &members[len(members)-1]
			last.Roles = append(last.Roles, role.String)
		}
	}
	return members, s.readFault(ctx, rows.Err())
}

// Member implements store.MemberStore.
func (s *reader) Member(ctx context.Context, id trial.MemberID) (store.MemberRow, error) {
	m := store.MemberRow{ID: id}
	var at int64
	err := s.memberByID.QueryRowContext(ctx, id).Scan(&m.DisplayName, &at)
	if errors.Is(err, sql.ErrNoRows) {
		return store.MemberRow{}, notFound("member", id)
	}
	if err != nil {
		return store.MemberRow{}, s.readFault(ctx, err)
	}
	m.CreatedAt = fromMicros(at)
	rows, err := s.rolesOfMember.QueryContext(ctx, id)
	m.Roles, err = collect(ctx, s, rows, err, func(from scanner) (role string, err error) {
		err = from.Scan(&role)
		return role, err
	})
	if err != nil {
		return store.MemberRow{}, err
	}
	return m, nil
}

// CreateMember implements store.MemberStore.
func (s *Store) CreateMember(ctx context.Context, by store.Actor, m store.MemberRow) error {
	return s.direct(ctx, by, m.CreatedAt, func(w *writer) (string, error) { //nolint:contextcheck // the writer has its own context
		err := w.exec(`INSERT INTO members (id, display_name, created_at) VALUES (?, ?, ?)`, m.ID, m.DisplayName, m.CreatedAt.UnixMicro())
		if err != nil {
			return "", about(err, "member", m.ID)
		}
		roles := slices.Compact(slices.Sorted(slices.Values(m.Roles)))
		for _, role := range roles {
			if err := w.exec(`INSERT INTO member_roles (member, role) VALUES (?, ?)`, m.ID, role); err != nil {
				return "", about(err, "role", role)
			}
		}
		return "member " + m.ID, nil
	})
}

const tokenColumns = `id, member, secret_hash, label, created_at, expires_at, revoked_at, last_used_at` //nolint:gosec // names of columns, no secret

func scanToken(from scanner) (store.TokenRow, error) {
	var t store.TokenRow
	var hash []byte
	var created int64
	var expires, revoked, used sql.NullInt64
	if err := from.Scan(&t.ID, &t.Member, &hash, &t.Label, &created, &expires, &revoked, &used); err != nil {
		return store.TokenRow{}, err
	}
	t.SecretHash, t.CreatedAt = [32]byte(hash), fromMicros(created)
	t.ExpiresAt, t.RevokedAt, t.LastUsedAt = fromOptional(expires), fromOptional(revoked), fromOptional(used)
	return t, nil
}

// fromOptional is the zero time for NULL.
func fromOptional(at sql.NullInt64) time.Time {
	if !at.Valid {
		return time.Time{}
	}
	return fromMicros(at.Int64)
}

// Token implements store.MemberStore.
func (s *reader) Token(ctx context.Context, id string) (store.TokenRow, error) {
	t, err := scanToken(s.tokenByID.QueryRowContext(ctx, id))
	if errors.Is(err, sql.ErrNoRows) {
		return store.TokenRow{}, fmt.Errorf("token: %w", trial.ErrNotFound)
	}
	return t, s.readFault(ctx, err)
}

// Tokens implements store.MemberStore; of those made at one time, by id descending.
func (s *reader) Tokens(ctx context.Context, member trial.MemberID) ([]store.TokenRow, error) {
	rows, err := s.read.QueryContext(ctx, `SELECT `+tokenColumns+` FROM tokens WHERE member = ? ORDER BY created_at DESC, id DESC`, member)
	return collect(ctx, s, rows, err, scanToken)
}

// CreateToken implements store.MemberStore.
func (s *Store) CreateToken(ctx context.Context, by store.Actor, t store.TokenRow) error {
	return s.direct(ctx, by, t.CreatedAt, func(w *writer) (string, error) { //nolint:contextcheck // the writer has its own context
		err := w.exec(`INSERT INTO tokens (id, member, secret_hash, label, created_at, expires_at, revoked_at) VALUES (?, ?, ?, ?, ?, ?, ?)`,
			t.ID, t.Member, t.SecretHash[:], t.Label, t.CreatedAt.UnixMicro(), optionalTime(t.ExpiresAt), optionalTime(t.RevokedAt))
		return "token " + t.ID, about(err, "token", t.ID)
	})
}

// RevokeToken implements store.MemberStore. Of a token that was revoked before, nothing changes, and the audit trail has no entry.
func (s *Store) RevokeToken(ctx context.Context, by store.Actor, id string, at time.Time) error {
	return s.direct(ctx, by, at, func(w *writer) (string, error) { //nolint:contextcheck // the writer has its own context
		var revoked bool
		err := w.queryRow(`SELECT revoked_at IS NOT NULL FROM tokens WHERE id = ?`, []any{id}, &revoked)
		if errors.Is(err, sql.ErrNoRows) {
			return "", fmt.Errorf("token: %w", trial.ErrNotFound)
		}
		if err != nil || revoked {
			return "", err
		}
		return "token " + id, w.exec(`UPDATE tokens SET revoked_at = ? WHERE id = ?`, at.UnixMicro(), id)
	})
}

// TouchTokens implements store.MemberStore.
func (s *Store) TouchTokens(ctx context.Context, used map[string]time.Time) error {
	if len(used) == 0 {
		return nil
	}
	by := store.Actor{Member: store.Server, Method: "touch tokens"}
	return s.direct(ctx, by, time.Time{}, func(w *writer) (string, error) { //nolint:contextcheck // the writer has its own context
		for _, id := range slices.Sorted(maps.Keys(used)) {
			hour := used[id].UTC().Truncate(time.Hour).UnixMicro()
			err := w.exec(`UPDATE tokens SET last_used_at = ?1 WHERE id = ?2 AND coalesce(last_used_at, ?1 - 1) < ?1`, hour, id)
			if err != nil {
				return "", err
			}
		}
		return "", nil
	})
}

// optionalTime is NULL for the zero time.
func optionalTime(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return t.UnixMicro()
}
