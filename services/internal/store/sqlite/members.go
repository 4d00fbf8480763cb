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

// direct runs a change of what isn't a record through the writer, so that it has the file to itself.
func (s *Store) direct(ctx context.Context, apply func(*writer) error) error {
	_, err := s.submit(ctx, &job{
		ctx: ctx, answer: make(chan answer, 1),
		apply: func(c *change) ([]byte, error) {
			return nil, c.writing(func() error { return apply(c.writer) })
		},
	})
	return err
}

// Members implements store.MemberStore.
func (s *Store) Members(ctx context.Context) ([]store.MemberRow, error) {
	rows, err := s.read.QueryContext(ctx, `SELECT m.id, m.display_name, m.created_at, r.role
		FROM members m LEFT JOIN member_roles r ON r.member = m.id ORDER BY m.id, r.role`)
	if err != nil {
		return nil, readFault(ctx, err)
	}
	defer func() { _ = rows.Close() }()
	var members []store.MemberRow
	for rows.Next() {
		var m store.MemberRow
		var at int64
		var role sql.NullString
		if err := rows.Scan(&m.ID, &m.DisplayName, &at, &role); err != nil {
			return nil, readFault(ctx, err)
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
	return members, readFault(ctx, rows.Err())
}

// Member implements store.MemberStore.
func (s *Store) Member(ctx context.Context, id trial.MemberID) (store.MemberRow, error) {
	m := store.MemberRow{ID: id}
	var at int64
	err := s.memberByID.QueryRowContext(ctx, id).Scan(&m.DisplayName, &at)
	if errors.Is(err, sql.ErrNoRows) {
		return store.MemberRow{}, notFound("member", id)
	}
	if err != nil {
		return store.MemberRow{}, readFault(ctx, err)
	}
	m.CreatedAt = fromMicros(at)
	rows, err := s.rolesOfMember.QueryContext(ctx, id)
	m.Roles, err = collect(ctx, rows, err, func(from scanner) (role string, err error) {
		err = from.Scan(&role)
		return role, err
	})
	if err != nil {
		return store.MemberRow{}, err
	}
	return m, nil
}

// CreateMember implements store.MemberStore.
func (s *Store) CreateMember(ctx context.Context, m store.MemberRow) error {
	return s.direct(ctx, func(w *writer) error { //nolint:contextcheck // the writer has its own context
		err := w.exec(`INSERT INTO members (id, display_name, created_at) VALUES (?, ?, ?)`, m.ID, m.DisplayName, m.CreatedAt.UnixMicro())
		if err != nil {
			return about(err, "member", m.ID)
		}
		roles := slices.Compact(slices.Sorted(slices.Values(m.Roles)))
		for _, role := range roles {
			if err := w.exec(`INSERT INTO member_roles (member, role) VALUES (?, ?)`, m.ID, role); err != nil {
				return about(err, "role", role)
			}
		}
		return nil
	})
}

// Token implements store.MemberStore.
func (s *Store) Token(ctx context.Context, id string) (store.TokenRow, error) {
	t := store.TokenRow{ID: id}
	var hash []byte
	var created int64
	var expires, revoked sql.NullInt64
	err := s.tokenByID.QueryRowContext(ctx, id).Scan(&t.Member, &hash, &t.Label, &created, &expires, &revoked)
	if errors.Is(err, sql.ErrNoRows) {
		return store.TokenRow{}, fmt.Errorf("token: %w", trial.ErrNotFound)
	}
	if err != nil {
		return store.TokenRow{}, readFault(ctx, err)
	}
	t.SecretHash, t.CreatedAt = [32]byte(hash), fromMicros(created)
	if expires.Valid {
		t.ExpiresAt = fromMicros(expires.Int64)
	}
	if revoked.Valid {
		t.RevokedAt = fromMicros(revoked.Int64)
	}
	return t, nil
}

// CreateToken implements store.MemberStore.
func (s *Store) CreateToken(ctx context.Context, t store.TokenRow) error {
	return s.direct(ctx, func(w *writer) error { //nolint:contextcheck // the writer has its own context
		err := w.exec(`INSERT INTO tokens (id, member, secret_hash, label, created_at, expires_at, revoked_at) VALUES (?, ?, ?, ?, ?, ?, ?)`,
			t.ID, t.Member, t.SecretHash[:], t.Label, t.CreatedAt.UnixMicro(), optionalTime(t.ExpiresAt), optionalTime(t.RevokedAt))
		return about(err, "token", t.ID)
	})
}

// RevokeToken implements store.MemberStore.
func (s *Store) RevokeToken(ctx context.Context, id string, at time.Time) error {
	return s.direct(ctx, func(w *writer) error { //nolint:contextcheck // the writer has its own context
		result, err := w.execResult(`UPDATE tokens SET revoked_at = coalesce(revoked_at, ?) WHERE id = ?`, at.UnixMicro(), id)
		if err != nil {
			return err
		}
		n, err := result.RowsAffected()
		if err == nil && n == 0 {
			err = fmt.Errorf("token: %w", trial.ErrNotFound)
		}
		return err
	})
}

// optionalTime is NULL for the zero time.
func optionalTime(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return t.UnixMicro()
}
