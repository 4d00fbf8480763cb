package sqlite

import (
	"context"

	"github.com/commonvat/commonvat/services/internal/store"
)

// ModuleChoices implements store.ModuleChoices.
func (s *reader) ModuleChoices(ctx context.Context) ([]store.ModuleChoice, error) {
	rows, err := s.read.QueryContext(ctx, `SELECT name, kind, digest, previous, retired, is_default, chosen_at, chosen_by FROM module_choices ORDER BY name`)
	return collect(ctx, s, rows, err, func(from scanner) (c store.ModuleChoice, err error) {
		var at int64
		err = from.Scan(&c.Name, &c.Kind, &c.Digest, &c.Previous, &c.Retired, &c.Default, &at, &c.By)
		c.At = fromMicros(at)
		return c, err
	})
}

// ChooseModule implements store.ModuleChoices.
func (s *Store) ChooseModule(ctx context.Context, by store.Actor, c store.ModuleChoice, act, reason string) error {
	return s.directFor(ctx, by, c.At, reason, func(w *writer) (string, error) { //nolint:contextcheck // the writer has its own context
		if c.Default {
			if err := w.exec(`UPDATE module_choices SET is_default = 0 WHERE kind = ? AND is_default = 1 AND name <> ?`, c.Kind, c.Name); err != nil {
				return "", about(err, "module", c.Name)
			}
		}
		err := w.exec(`INSERT INTO module_choices (name, kind, digest, previous, retired, is_default, chosen_at, chosen_by) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
			ON CONFLICT (name) DO UPDATE SET kind = excluded.kind, digest = excluded.digest, previous = excluded.previous, retired = excluded.retired,
			is_default = excluded.is_default, chosen_at = excluded.chosen_at, chosen_by = excluded.chosen_by`,
			c.Name, c.Kind, c.Digest, c.Previous, c.Retired, c.Default, c.At.UnixMicro(), by.Member)
		if err != nil {
			return "", about(err, "module", c.Name)
		}
		return "module " + c.Name + " " + act + " " + c.Digest, nil
	})
}
