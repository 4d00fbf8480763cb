package sqlite

import (
	"database/sql"
	"errors"
	"fmt"

	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store/piececode"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// CreateWaterSource implements trial.Records. It sets CreatedAt when that is zero, UpdatedAt and Revision.
func (c *change) CreateWaterSource(w *trial.WaterSource) error {
	return c.writing(func() error {
		u, err := mustID("water_source.id", w.ID)
		if err != nil {
			return err
		}
		entries, err := entriesOfWater(w)
		if err != nil {
			return err
		}
		w.Revision = c.stamp(trial.Created, trial.WaterRecord, u)
		w.UpdatedAt = c.request.Now
		if w.CreatedAt.IsZero() {
			w.CreatedAt = c.request.Now
		}
		body, err := record.EncodeWaterSource(w)
		if err != nil {
			return err
		}
		err = c.writer.exec(`INSERT INTO water_sources (id, owner, name_folded, revision, body, deleted, checksum) VALUES (?, ?, ?, ?, ?, ?, ?)`,
			u[:], w.Owner, fold(w.Name), w.Revision, body, !w.DeletedAt.IsZero(), sum(body, u[:], w.Owner, 0, false, !w.DeletedAt.IsZero(), w.Revision))
		if err != nil {
			return about(err, "water source", w.ID+" or its name "+w.Name)
		}
		return c.writer.insertEntryIDs(entries)
	})
}

// PutWaterSource implements trial.Records. It sets UpdatedAt and Revision.
func (c *change) PutWaterSource(w *trial.WaterSource, kind trial.ChangeKind) error {
	return c.writing(func() error {
		kept, err := c.row(trial.WaterRecord, "water source", w.ID)
		if err != nil {
			return err
		}
		before, err := record.DecodeWaterSource(kept.body)
		if err != nil {
			return fmt.Errorf("water source %s as kept: %w", w.ID, err)
		}
		old, err := entriesOfWater(before)
		if err != nil {
			return err
		}
		entries, err := entriesOfWater(w)
		if err != nil {
			return err
		}
		u, _ := parseID(w.ID)
		w.Revision = c.stamp(kind, trial.WaterRecord, u)
		w.UpdatedAt = c.request.Now
		body, err := record.EncodeWaterSource(w)
		if err != nil {
			return err
		}
		err = c.writer.exec(`UPDATE water_sources SET owner = ?, name_folded = ?, revision = ?, body = ?, deleted = ?, checksum = ? WHERE id = ?`,
			w.Owner, fold(w.Name), w.Revision, body, !w.DeletedAt.IsZero(), sum(body, u[:], w.Owner, 0, false, !w.DeletedAt.IsZero(), w.Revision), u[:])
		if err != nil {
			return about(err, "water source's name", w.Name)
		}
		c.supersede(trial.WaterRecord, u, kept, body)
		return c.writer.moveEntryIDs(old, entries)
	})
}

// CreateExperiment implements trial.Records. It sets CreatedAt when that is zero, UpdatedAt and Revision.
func (c *change) CreateExperiment(e *trial.Experiment) error {
	return c.writing(func() error {
		u, err := mustID("experiment.id", e.ID)
		if err != nil {
			return err
		}
		e.Revision = c.stamp(trial.Created, trial.ExperimentRecord, u)
		e.UpdatedAt = c.request.Now
		if e.CreatedAt.IsZero() {
			e.CreatedAt = c.request.Now
		}
		body, err := record.EncodeExperiment(e)
		if err != nil {
			return err
		}
		err = c.writer.exec(`INSERT INTO experiments (id, owner, revision, body, deleted, checksum) VALUES (?, ?, ?, ?, ?, ?)`,
			u[:], e.Owner, e.Revision, body, !e.DeletedAt.IsZero(), sum(body, u[:], e.Owner, 0, false, !e.DeletedAt.IsZero(), e.Revision))
		return about(err, "experiment", e.ID)
	})
}

// PutExperiment implements trial.Records. It sets UpdatedAt and Revision.
func (c *change) PutExperiment(e *trial.Experiment, kind trial.ChangeKind) error {
	return c.writing(func() error {
		kept, err := c.row(trial.ExperimentRecord, "experiment", e.ID)
		if err != nil {
			return err
		}
		u, _ := parseID(e.ID)
		e.Revision = c.stamp(kind, trial.ExperimentRecord, u)
		e.UpdatedAt = c.request.Now
		body, err := record.EncodeExperiment(e)
		if err != nil {
			return err
		}
		err = c.writer.exec(`UPDATE experiments SET owner = ?, revision = ?, body = ?, deleted = ?, checksum = ? WHERE id = ?`,
			e.Owner, e.Revision, body, !e.DeletedAt.IsZero(), sum(body, u[:], e.Owner, 0, false, !e.DeletedAt.IsZero(), e.Revision), u[:])
		if err != nil {
			return about(err, "experiment", e.ID)
		}
		c.supersede(trial.ExperimentRecord, u, kept, body)
		return nil
	})
}

// BathsWithWater implements trial.Records; by id.
func (c *change) BathsWithWater(source trial.ID) ([]trial.ID, error) {
	return c.ids(`SELECT b.id FROM bath_terms x JOIN baths b ON b.seq = x.bath WHERE x.field = 'water' AND x.value = ? ORDER BY b.id`, source)
}

// TrialsOfExperiment implements trial.Records; by id.
func (c *change) TrialsOfExperiment(experiment trial.ID) ([]trial.ID, error) {
	return c.ids(`SELECT t.id FROM trial_terms x JOIN trials t ON t.seq = x.trial
		WHERE x.field = 'experiment' AND x.value = ? ORDER BY t.id`, experiment)
}

func (c *change) ids(query, of string) ([]trial.ID, error) {
	if c.ended {
		return nil, errEnded
	}
	var ids []trial.ID
	err := c.writer.query(query, []any{of}, func(rows *sql.Rows) error {
		var id []byte
		if err := rows.Scan(&id); err != nil {
			return err
		}
		ids = append(ids, idOf(id))
		return nil
	})
	return ids, c.reading(err)
}

// ImportLink implements trial.Records.
func (c *change) ImportLink(member trial.MemberID, source string, kind trial.ImportKind, key string) (trial.ImportLink, error) {
	if c.ended {
		return trial.ImportLink{}, errEnded
	}
	var recordID, trialID, hash []byte
	err := c.writer.queryRow(`SELECT record_id, trial_id, content_hash FROM import_links
		WHERE member = ? AND source = ? AND kind = ? AND key = ?`, []any{member, source, string(kind), key}, &recordID, &trialID, &hash)
	if errors.Is(err, sql.ErrNoRows) {
		return trial.ImportLink{}, notFound("import key", key)
	}
	if err != nil {
		return trial.ImportLink{}, c.reading(err)
	}
	return trial.ImportLink{RecordID: idOf(recordID), TrialID: idOf(trialID), ContentHash: [32]byte(hash)}, nil
}

// PutImportLink implements trial.Records; a link that was there is replaced.
func (c *change) PutImportLink(member trial.MemberID, source string, kind trial.ImportKind, key string, link trial.ImportLink) error {
	return c.writing(func() error {
		recordID, err := optionalID("import_link.record_id", link.RecordID)
		if err != nil {
			return err
		}
		trialID, err := optionalID("import_link.trial_id", link.TrialID)
		if err != nil {
			return err
		}
		return c.writer.exec(`INSERT INTO import_links (member, source, kind, key, record_id, trial_id, content_hash)
			VALUES (?, ?, ?, ?, ?, ?, ?)
			ON CONFLICT DO UPDATE SET record_id = excluded.record_id, trial_id = excluded.trial_id, content_hash = excluded.content_hash`,
			member, source, string(kind), key, recordID, trialID, link.ContentHash[:])
	})
}

// optionalID is NULL for "".
func optionalID(field string, id trial.ID) (any, error) {
	if id == "" {
		return nil, nil
	}
	u, err := mustID(field, id)
	return u[:], err
}

// NewPieceCode implements trial.Records. A code reserved by a change that is undone is given out again.
func (c *change) NewPieceCode() (string, error) {
	if c.ended {
		return "", errEnded
	}
	code := piececode.Encode(c.group.codes)
	c.group.codes++
	c.group.wrote = true
	return code, nil
}

// PieceCode implements trial.Records.
func (c *change) PieceCode(piece trial.ID) (string, error) {
	if c.ended {
		return "", errEnded
	}
	u, err := mustID("piece.id", piece)
	if err != nil {
		return "", err
	}
	var code string
	switch err := c.writer.queryRow(`SELECT code FROM reserved_codes WHERE piece_id = ? AND member = ?`, []any{u[:], c.request.Actor.Member}, &code); {
	case errors.Is(err, sql.ErrNoRows):
		return c.NewPieceCode()
	case err != nil:
		return "", c.reading(err)
	}
	return code, nil
}
