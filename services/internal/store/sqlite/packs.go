package sqlite

import (
	"context"

	"github.com/commonvat/commonvat/services/internal/store"
)

// Packs implements store.Packs.
func (s *reader) Packs(ctx context.Context) ([]store.PackRow, error) {
	rows, err := s.read.QueryContext(ctx, `SELECT module, digest, kind, name, version, bytes, own, in_force, changed_at, changed_by FROM packs ORDER BY module, name, changed_at, digest`)
	return collect(ctx, s, rows, err, func(from scanner) (p store.PackRow, err error) {
		var at int64
		err = from.Scan(&p.Module, &p.Digest, &p.Kind, &p.Name, &p.Version, &p.Bytes, &p.Own, &p.InForce, &at, &p.By)
		p.At = fromMicros(at)
		return p, err
	})
}

// PutPack implements store.Packs.
func (s *Store) PutPack(ctx context.Context, by store.Actor, p store.PackRow, act, reason string) error {
	return s.directFor(ctx, by, p.At, reason, func(w *writer) (string, error) { //nolint:contextcheck // the writer has its own context
		if p.InForce {
			err := w.exec(`UPDATE packs SET in_force = 0, changed_at = ?, changed_by = ? WHERE module = ? AND name = ? AND in_force = 1 AND digest <> ?`,
				p.At.UnixMicro(), by.Member, p.Module, p.Name, p.Digest)
			if err != nil {
				return "", about(err, "pack", p.Digest)
			}
		}
		err := w.exec(`INSERT INTO packs (module, digest, kind, name, version, bytes, own, in_force, changed_at, changed_by) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
			ON CONFLICT (module, digest) DO UPDATE SET own = excluded.own, in_force = excluded.in_force, changed_at = excluded.changed_at, changed_by = excluded.changed_by`,
			p.Module, p.Digest, p.Kind, p.Name, p.Version, p.Bytes, p.Own, p.InForce, p.At.UnixMicro(), by.Member)
		if err != nil {
			return "", about(err, "pack", p.Digest)
		}
		return "pack " + p.Module + " " + act + " " + p.Digest, nil
	})
}
