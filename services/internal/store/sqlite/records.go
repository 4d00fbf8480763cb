package sqlite

import (
	"database/sql"
	"errors"
	"fmt"

	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
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
	bodies map[trial.ID]keptRow
	// superseded is what the records that it put said before.
	superseded []supersededRow
	subjects   []string // of the audit trail, beside the records
}

// keptRow is a record as it stands; seq is 0 where the table has none.
type keptRow struct {
	seq, revision int64
	body          []byte
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
			return 4
		case trial.Deleted, trial.Undeleted:
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
		args = append(args, c.revision, i, int(e.kind), e.recordKind, e.recordID[:], c.request.Actor.Member, c.request.Now.UnixMicro())
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

func (c *change) kept(id trial.ID) (keptRow, error) {
	if c.ended {
		return keptRow{}, errEnded
	}
	if kept, ok := c.bodies[id]; ok {
		return kept, nil
	}
	kept, err := c.row(trial.TrialRecord, "trial", id)
	if err == nil {
		c.keep(id, kept)
	}
	return kept, err
}

func (c *change) keep(id trial.ID, kept keptRow) {
	if c.bodies == nil {
		c.bodies = map[trial.ID]keptRow{}
	}
	c.bodies[id] = kept
}

func notFound(kind, id string) error { return fmt.Errorf("%s %q: %w", kind, id, trial.ErrNotFound) }

// row reads one record.
func (c *change) row(kind trial.RecordKind, name string, id trial.ID) (keptRow, error) {
	var kept keptRow
	if c.ended {
		return kept, errEnded
	}
	u, ok := parseID(id)
	if !ok {
		return kept, notFound(name, id)
	}
	var r sealed
	err := c.writer.queryRow(keptRowSQL[kind], []any{u[:]}, append(r.into(), &kept.seq)...)
	if errors.Is(err, sql.ErrNoRows) {
		return kept, notFound(name, id)
	}
	if err != nil {
		return kept, c.reading(err)
	}
	if err := r.intact(kind); err != nil {
		return kept, c.writer.store.noted(err)
	}
	kept.revision, kept.body = r.revision, r.body
	return kept, nil
}

// keptRowSQL reads a row and its seq.
var keptRowSQL = map[trial.RecordKind]string{
	trial.TrialRecord:      `SELECT ` + trialSealed + `, t.seq FROM trials t WHERE t.id = ?`,
	trial.BathRecord:       `SELECT ` + bathSealed + `, b.seq FROM baths b WHERE b.id = ?`,
	trial.WaterRecord:      `SELECT ` + plainSealed + `, 0 FROM water_sources r WHERE r.id = ?`,
	trial.ExperimentRecord: `SELECT ` + plainSealed + `, 0 FROM experiments r WHERE r.id = ?`,
}

// Bath implements trial.Records.
func (c *change) Bath(id trial.ID) (*trial.Bath, error) {
	kept, err := c.row(trial.BathRecord, "bath", id)
	if err != nil {
		return nil, err
	}
	return record.DecodeBath(kept.body)
}

// WaterSource implements trial.Records.
func (c *change) WaterSource(id trial.ID) (*trial.WaterSource, error) {
	kept, err := c.row(trial.WaterRecord, "water source", id)
	if err != nil {
		return nil, err
	}
	return record.DecodeWaterSource(kept.body)
}

// Experiment implements trial.Records.
func (c *change) Experiment(id trial.ID) (*trial.Experiment, error) {
	kept, err := c.row(trial.ExperimentRecord, "experiment", id)
	if err != nil {
		return nil, err
	}
	return record.DecodeExperiment(kept.body)
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
		t.Revision = c.stamp(trial.Created, trial.TrialRecord, u)
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
		result, err := c.writer.execResult(`INSERT INTO trials (id, owner, sharing, state, revision, title_folded, source_folded, body, deleted, checksum)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			u[:], t.Owner, int(t.Sharing.Level), int(t.State), t.Revision, fold(t.Title), fold(t.ImportSource), body, !t.DeletedAt.IsZero(),
			sum(body, u[:], t.Owner, t.Sharing.Level, false, !t.DeletedAt.IsZero(), t.Revision))
		if err != nil {
			return err
		}
		seq, err := result.LastInsertId()
		if err != nil {
			return err
		}
		c.group.trials = append(c.group.trials, t.ID)
		c.keep(t.ID, keptRow{seq, t.Revision, body})
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
		t.Revision = c.stamp(kind, trial.TrialRecord, u)
		t.UpdatedAt = c.request.Now
		index, err := indexOfTrial(t)
		if err != nil {
			return err
		}
		body, err := record.EncodeTrial(t)
		if err != nil {
			return err
		}
		err = c.writer.exec(`UPDATE trials SET owner = ?, sharing = ?, state = ?, revision = ?, title_folded = ?, source_folded = ?, body = ?, deleted = ?,
			checksum = ? WHERE seq = ?`,
			t.Owner, int(t.Sharing.Level), int(t.State), t.Revision, fold(t.Title), fold(t.ImportSource), body, !t.DeletedAt.IsZero(),
			sum(body, u[:], t.Owner, t.Sharing.Level, false, !t.DeletedAt.IsZero(), t.Revision), kept.seq)
		if err != nil {
			return err
		}
		c.group.trials = append(c.group.trials, t.ID)
		c.supersede(trial.TrialRecord, u, kept, body)
		c.keep(t.ID, keptRow{kept.seq, t.Revision, body})
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
		index, err := indexOfBath(b)
		if err != nil {
			return err
		}
		b.Revision = c.stamp(trial.Created, trial.BathRecord, u)
		b.UpdatedAt = c.request.Now
		if b.CreatedAt.IsZero() {
			b.CreatedAt = c.request.Now
		}
		body, err := record.EncodeBath(b)
		if err != nil {
			return err
		}
		result, err := c.writer.execResult(`INSERT INTO baths (id, owner, sharing, open_to_members, revision, body, deleted, label_folded, checksum)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			u[:], b.Owner, int(b.Sharing.Level), b.OpenToMembers, b.Revision, body, !b.DeletedAt.IsZero(), fold(b.Label),
			sum(body, u[:], b.Owner, b.Sharing.Level, b.OpenToMembers, !b.DeletedAt.IsZero(), b.Revision))
		if err != nil {
			return about(err, "bath", b.ID)
		}
		seq, err := result.LastInsertId()
		if err != nil {
			return err
		}
		return c.writer.writeBathIndex(seq, &bathIndex{}, index)
	})
}

// PutBath implements trial.Records. It sets UpdatedAt and Revision.
func (c *change) PutBath(b *trial.Bath, kind trial.ChangeKind) error {
	return c.writing(func() error {
		kept, err := c.row(trial.BathRecord, "bath", b.ID)
		if err != nil {
			return err
		}
		before, err := record.DecodeBath(kept.body)
		if err != nil {
			return fmt.Errorf("bath %s as kept: %w", b.ID, err)
		}
		old, err := indexOfBath(before)
		if err != nil {
			return err
		}
		index, err := indexOfBath(b)
		if err != nil {
			return err
		}
		u, _ := parseID(b.ID)
		b.Revision = c.stamp(kind, trial.BathRecord, u)
		b.UpdatedAt = c.request.Now
		body, err := record.EncodeBath(b)
		if err != nil {
			return err
		}
		err = c.writer.exec(`UPDATE baths SET owner = ?, sharing = ?, open_to_members = ?, revision = ?, body = ?, deleted = ?, label_folded = ?,
			checksum = ? WHERE seq = ?`,
			b.Owner, int(b.Sharing.Level), b.OpenToMembers, b.Revision, body, !b.DeletedAt.IsZero(), fold(b.Label),
			sum(body, u[:], b.Owner, b.Sharing.Level, b.OpenToMembers, !b.DeletedAt.IsZero(), b.Revision), kept.seq)
		if err != nil {
			return err
		}
		c.supersede(trial.BathRecord, u, kept, body)
		return c.writer.writeBathIndex(kept.seq, old, index)
	})
}
