package sqlite

import (
	"database/sql"
	"errors"
	"fmt"

	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/piececode"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// change is one change's view of the records, inside the group's transaction.
type change struct {
	writer   *writer
	group    *group
	request  *store.ChangeRequest
	revision int64 // its own, 0 until it puts a record
	feed     []feedEntry
	failure  error // the first failed write, or a failed read that leaves the transaction in doubt
	ended    bool
	// bodies of trials as read or put last, to see what a put changes.
	bodies map[trial.ID]keptTrial
}

type keptTrial struct {
	seq  int64
	body []byte
}

type feedEntry struct {
	kind       trial.ChangeKind
	recordKind string
	recordID   uuid
}

var _ trial.Records = (*change)(nil)

var errEnded = errors.New("records used after their change ended")

// reading checks a read's error.
func (c *change) reading(err error) error {
	if c.failure == nil && losesGroup(err) {
		c.failure = err
	}
	return fault(err)
}

// writing runs a write; when it fails the whole change will be undone.
func (c *change) writing(put func() error) error {
	if c.ended {
		return errEnded
	}
	c.group.wrote = true
	err := put()
	if err != nil && c.failure == nil {
		c.failure = err
	}
	return fault(err)
}

// stamp gives the change its revision and notes the record for the feed.
func (c *change) stamp(kind trial.ChangeKind, recordKind string, id uuid) int64 {
	if c.revision == 0 {
		c.group.revision++
		c.revision = c.group.revision
	}
	for i := range c.feed {
		if e := &c.feed[i]; e.recordKind == recordKind && e.recordID == id {
			e.kind = moreTelling(e.kind, kind)
			return c.revision
		}
	}
	c.feed = append(c.feed, feedEntry{kind, recordKind, id})
	return c.revision
}

// moreTelling is what the feed says of a record that one change put twice.
func moreTelling(first, second trial.ChangeKind) trial.ChangeKind {
	weight := func(k trial.ChangeKind) int {
		switch k {
		case trial.Created:
			return 3
		case trial.Shared, trial.Withdrawn:
			return 2
		case trial.Changed:
			return 1
		}
		return 0
	}
	if weight(second) >= weight(first) {
		return second
	}
	return first
}

func (c *change) writeFeed() error {
	if len(c.feed) == 0 {
		return nil
	}
	args := make([]any, 0, 7*len(c.feed))
	for i := range c.feed {
		e := &c.feed[i]
		args = append(args, c.revision, i, int(e.kind), e.recordKind, e.recordID[:], c.request.Member, c.request.Now.UnixMicro())
	}
	_, err := c.writer.insert(feedRows, args)
	return err
}

// Trial implements trial.Records.
func (c *change) Trial(id trial.ID) (*trial.Trial, error) {
	kept, err := c.kept(id)
	if err != nil {
		return nil, err
	}
	t, err := record.DecodeTrial(kept.body)
	if err != nil {
		return nil, fmt.Errorf("trial %s as kept: %w", id, err)
	}
	return t, nil
}

func (c *change) kept(id trial.ID) (keptTrial, error) {
	if c.ended {
		return keptTrial{}, errEnded
	}
	if kept, ok := c.bodies[id]; ok {
		return kept, nil
	}
	u, ok := parseID(id)
	if !ok {
		return keptTrial{}, notFound("trial", id)
	}
	var kept keptTrial
	err := c.writer.queryRow(`SELECT seq, body FROM trials WHERE id = ?`, []any{u[:]}, &kept.seq, &kept.body)
	if errors.Is(err, sql.ErrNoRows) {
		return kept, notFound("trial", id)
	}
	if err != nil {
		return kept, c.reading(err)
	}
	c.keep(id, kept)
	return kept, nil
}

func (c *change) keep(id trial.ID, kept keptTrial) {
	if c.bodies == nil {
		c.bodies = map[trial.ID]keptTrial{}
	}
	c.bodies[id] = kept
}

func notFound(kind, id string) error { return fmt.Errorf("%s %q: %w", kind, id, trial.ErrNotFound) }

// body reads one record of a table whose rows are only looked up by id.
func (c *change) body(kind, query string, id trial.ID) ([]byte, error) {
	if c.ended {
		return nil, errEnded
	}
	u, ok := parseID(id)
	if !ok {
		return nil, notFound(kind, id)
	}
	var body []byte
	err := c.writer.queryRow(query, []any{u[:]}, &body)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, notFound(kind, id)
	}
	return body, c.reading(err)
}

const (
	bathBodySQL       = `SELECT body FROM baths WHERE id = ?`
	waterBodySQL      = `SELECT body FROM water_sources WHERE id = ?`
	experimentBodySQL = `SELECT body FROM experiments WHERE id = ?`
)

// Bath implements trial.Records.
func (c *change) Bath(id trial.ID) (*trial.Bath, error) {
	body, err := c.body("bath", bathBodySQL, id)
	if err != nil {
		return nil, err
	}
	return record.DecodeBath(body)
}

// WaterSource implements trial.Records.
func (c *change) WaterSource(id trial.ID) (*trial.WaterSource, error) {
	body, err := c.body("water source", waterBodySQL, id)
	if err != nil {
		return nil, err
	}
	return record.DecodeWaterSource(body)
}

// Experiment implements trial.Records.
func (c *change) Experiment(id trial.ID) (*trial.Experiment, error) {
	body, err := c.body("experiment", experimentBodySQL, id)
	if err != nil {
		return nil, err
	}
	return record.DecodeExperiment(body)
}

// MemberExists implements trial.Records.
func (c *change) MemberExists(id trial.MemberID) (bool, error) {
	if c.ended {
		return false, errEnded
	}
	var exists bool
	err := c.writer.queryRow(`SELECT EXISTS (SELECT 1 FROM members WHERE id = ?)`, []any{id}, &exists)
	return exists, c.reading(err)
}

// TrialOfPiece implements trial.Records.
func (c *change) TrialOfPiece(id trial.ID) (trial.ID, error) {
	if c.ended {
		return "", errEnded
	}
	u, ok := parseID(id)
	if !ok {
		return "", notFound("piece", id)
	}
	var of []byte
	err := c.writer.queryRow(`SELECT t.id FROM pieces p JOIN trials t ON t.seq = p.trial WHERE p.id = ?`, []any{u[:]}, &of)
	if errors.Is(err, sql.ErrNoRows) {
		return "", notFound("piece", id)
	}
	return idOf(of), c.reading(err)
}

// PartsOf implements trial.Records; by id.
func (c *change) PartsOf(parent trial.ID) ([]trial.PieceRef, error) {
	return c.refs(`SELECT p.id, t.id FROM pieces p JOIN trials t ON t.seq = p.trial WHERE p.parent = ? ORDER BY p.id`, parent)
}

// PiecesInBath implements trial.Records; by id.
func (c *change) PiecesInBath(bath trial.ID) ([]trial.PieceRef, error) {
	return c.refs(`SELECT p.id, t.id FROM immersions i JOIN pieces p ON p.id = i.piece JOIN trials t ON t.seq = p.trial
		WHERE i.bath = ? ORDER BY p.id`, bath)
}

func (c *change) refs(query string, id trial.ID) ([]trial.PieceRef, error) {
	if c.ended {
		return nil, errEnded
	}
	u, ok := parseID(id)
	if !ok {
		return nil, nil
	}
	var refs []trial.PieceRef
	err := c.writer.query(query, []any{u[:]}, func(rows *sql.Rows) error {
		var piece, of []byte
		if err := rows.Scan(&piece, &of); err != nil {
			return err
		}
		refs = append(refs, trial.PieceRef{PieceID: idOf(piece), TrialID: idOf(of)})
		return nil
	})
	return refs, c.reading(err)
}

// CreateTrial implements trial.Records. It sets CreatedAt when that is zero, UpdatedAt and Revision.
func (c *change) CreateTrial(t *trial.Trial) error {
	return c.writing(func() error {
		u, err := mustID("trial.id", t.ID)
		if err != nil {
			return err
		}
		var exists bool
		if err := c.writer.queryRow(`SELECT EXISTS (SELECT 1 FROM trials WHERE id = ?)`, []any{u[:]}, &exists); err != nil {
			return err
		}
		if exists {
			return fmt.Errorf("trial %s: %w", t.ID, trial.ErrExists)
		}
		t.Revision = c.stamp(trial.Created, "trial", u)
		t.UpdatedAt = c.request.Now
		if t.CreatedAt.IsZero() {
			t.CreatedAt = c.request.Now
		}
		index, err := indexOfTrial(t)
		if err != nil {
			return err
		}
		body, err := record.EncodeTrial(t)
		if err != nil {
			return err
		}
		result, err := c.writer.execResult(`INSERT INTO trials (id, owner, sharing, state, revision, title_folded, source_folded, body)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?)`,
			u[:], t.Owner, int(t.Sharing.Level), int(t.State), t.Revision, fold(t.Title), fold(t.ImportSource), body)
		if err != nil {
			return err
		}
		seq, err := result.LastInsertId()
		if err != nil {
			return err
		}
		c.group.trials = append(c.group.trials, t.ID)
		c.keep(t.ID, keptTrial{seq, body})
		return c.writer.writeIndex(seq, &trialIndex{}, index)
	})
}

// PutTrial implements trial.Records. It sets UpdatedAt and Revision.
func (c *change) PutTrial(t *trial.Trial, kind trial.ChangeKind) error {
	return c.writing(func() error {
		kept, err := c.kept(t.ID)
		if err != nil {
			return err
		}
		before, err := record.DecodeTrial(kept.body)
		if err != nil {
			return fmt.Errorf("trial %s as kept: %w", t.ID, err)
		}
		old, err := indexOfTrial(before)
		if err != nil {
			return err
		}
		u, _ := parseID(t.ID)
		t.Revision = c.stamp(kind, "trial", u)
		t.UpdatedAt = c.request.Now
		index, err := indexOfTrial(t)
		if err != nil {
			return err
		}
		body, err := record.EncodeTrial(t)
		if err != nil {
			return err
		}
		err = c.writer.exec(`UPDATE trials SET owner = ?, sharing = ?, state = ?, revision = ?, title_folded = ?, source_folded = ?, body = ?
			WHERE seq = ?`,
			t.Owner, int(t.Sharing.Level), int(t.State), t.Revision, fold(t.Title), fold(t.ImportSource), body, kept.seq)
		if err != nil {
			return err
		}
		c.group.trials = append(c.group.trials, t.ID)
		c.keep(t.ID, keptTrial{kept.seq, body})
		return c.writer.writeIndex(kept.seq, old, index)
	})
}

// CreateBath implements trial.Records. It sets CreatedAt when that is zero, UpdatedAt and Revision.
func (c *change) CreateBath(b *trial.Bath) error {
	return c.writing(func() error {
		u, err := mustID("bath.id", b.ID)
		if err != nil {
			return err
		}
		entries, err := entriesOfBath(b)
		if err != nil {
			return err
		}
		b.Revision = c.stamp(trial.Created, "bath", u)
		b.UpdatedAt = c.request.Now
		if b.CreatedAt.IsZero() {
			b.CreatedAt = c.request.Now
		}
		body, err := record.EncodeBath(b)
		if err != nil {
			return err
		}
		err = c.writer.exec(`INSERT INTO baths (id, owner, sharing, open_to_members, revision, body) VALUES (?, ?, ?, ?, ?, ?)`,
			u[:], b.Owner, int(b.Sharing.Level), b.OpenToMembers, b.Revision, body)
		if err != nil {
			return about(err, "bath", b.ID)
		}
		return c.writer.insertEntryIDs(entries)
	})
}

// PutBath implements trial.Records. It sets UpdatedAt and Revision.
func (c *change) PutBath(b *trial.Bath, kind trial.ChangeKind) error {
	return c.writing(func() error {
		before, err := c.Bath(b.ID)
		if err != nil {
			return err
		}
		old, err := entriesOfBath(before)
		if err != nil {
			return err
		}
		entries, err := entriesOfBath(b)
		if err != nil {
			return err
		}
		u, _ := parseID(b.ID)
		b.Revision = c.stamp(kind, "bath", u)
		b.UpdatedAt = c.request.Now
		body, err := record.EncodeBath(b)
		if err != nil {
			return err
		}
		err = c.writer.exec(`UPDATE baths SET owner = ?, sharing = ?, open_to_members = ?, revision = ?, body = ? WHERE id = ?`,
			b.Owner, int(b.Sharing.Level), b.OpenToMembers, b.Revision, body, u[:])
		if err != nil {
			return err
		}
		return c.writer.moveEntryIDs(old, entries)
	})
}

// CreateWaterSource implements trial.Records. It sets CreatedAt when that is zero, and Revision.
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
		w.Revision = c.stamp(trial.Created, "water", u)
		if w.CreatedAt.IsZero() {
			w.CreatedAt = c.request.Now
		}
		body, err := record.EncodeWaterSource(w)
		if err != nil {
			return err
		}
		err = c.writer.exec(`INSERT INTO water_sources (id, owner, name_folded, revision, body) VALUES (?, ?, ?, ?, ?)`,
			u[:], w.Owner, fold(w.Name), w.Revision, body)
		if err != nil {
			return about(err, "water source", w.ID+" or its name "+w.Name)
		}
		return c.writer.insertEntryIDs(entries)
	})
}

// PutWaterSource implements trial.Records. It sets Revision.
func (c *change) PutWaterSource(w *trial.WaterSource) error {
	return c.writing(func() error {
		before, err := c.WaterSource(w.ID)
		if err != nil {
			return err
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
		w.Revision = c.stamp(trial.Changed, "water", u)
		body, err := record.EncodeWaterSource(w)
		if err != nil {
			return err
		}
		err = c.writer.exec(`UPDATE water_sources SET owner = ?, name_folded = ?, revision = ?, body = ? WHERE id = ?`,
			w.Owner, fold(w.Name), w.Revision, body, u[:])
		if err != nil {
			return about(err, "water source's name", w.Name)
		}
		return c.writer.moveEntryIDs(old, entries)
	})
}

// CreateExperiment implements trial.Records. It sets CreatedAt when that is zero, and Revision.
func (c *change) CreateExperiment(e *trial.Experiment) error {
	return c.writing(func() error {
		u, err := mustID("experiment.id", e.ID)
		if err != nil {
			return err
		}
		e.Revision = c.stamp(trial.Created, "experiment", u)
		if e.CreatedAt.IsZero() {
			e.CreatedAt = c.request.Now
		}
		body, err := record.EncodeExperiment(e)
		if err != nil {
			return err
		}
		err = c.writer.exec(`INSERT INTO experiments (id, owner, revision, body) VALUES (?, ?, ?, ?)`, u[:], e.Owner, e.Revision, body)
		return about(err, "experiment", e.ID)
	})
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
