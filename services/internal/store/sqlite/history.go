package sqlite

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"math/bits"

	"github.com/klauspost/compress/zstd"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// The versions of a record are kept backwards: the present one is the record's own row, and each earlier one is kept as its difference
// from the one after it. Every wholeEvery-th is kept by itself, so that reading an old one takes a bounded
// number of steps, and damage to one reaches no further.
const wholeEvery = 32

// supersededRow is what a record said before a change, and what it says after it.
type supersededRow struct {
	kind          trial.RecordKind
	id            uuid
	revision      int64
	before, after []byte
}

// supersede notes that a put of this change stands in place of what was kept.
func (c *change) supersede(kind trial.RecordKind, id uuid, kept keptRow, after []byte) {
	if kept.revision == c.revision { // put earlier in this change, which is one version
		for i := range c.superseded {
			if s := &c.superseded[i]; s.kind == kind && s.id == id {
				s.after = after
			}
		}
		return // of one that this change created, there is nothing before
	}
	c.superseded = append(c.superseded, supersededRow{kind, id, kept.revision, kept.body, after})
}

func (c *change) writeHistory() error {
	for i := range c.superseded {
		s := &c.superseded[i]
		var ordinal int64
		err := c.writer.queryRow(`SELECT ordinal FROM history WHERE record_id = ? AND record_kind = ? ORDER BY revision DESC LIMIT 1`,
			[]any{s.id[:], s.kind}, &ordinal)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		ordinal++
		whole := ordinal%wholeEvery == 0
		dictionary := s.after
		if whole {
			dictionary = nil
		}
		body, err := c.writer.delta.encode(s.before, dictionary)
		if err != nil {
			return fmt.Errorf("compress version %d of %s %s: %w", s.revision, s.kind, s.id, err)
		}
		sum := sha256.Sum256(s.before)
		err = c.writer.exec(`INSERT INTO history (record_kind, record_id, revision, next, ordinal, whole, size, sha256, body)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			s.kind, s.id[:], s.revision, c.revision, ordinal, whole, len(s.before), sum[:], body)
		if err != nil {
			return about(err, s.kind, s.id.String())
		}
	}
	return nil
}

// deltaEncoder compresses a text by another one. It keeps its tables for texts of the usual size, which makes a call ten times cheaper.
type deltaEncoder struct{ usual, usualWhole *zstd.Encoder }

const (
	// usualWindow is what a text and its dictionary have to fit into together for the kept tables.
	usualWindow = 256 << 10
	// dictionaryID is in every frame that needs a dictionary; there is only ever one that it can be.
	dictionaryID = 1
)

func newDeltaEncoder(window int, more ...zstd.EOption) (*zstd.Encoder, error) {
	return zstd.NewWriter(nil, append([]zstd.EOption{
		zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithEncoderCRC(false),
		zstd.WithLowerEncoderMem(true), zstd.WithWindowSize(window),
	}, more...)...)
}

// encode compresses text, by a dictionary unless that is nil.
func (d *deltaEncoder) encode(text, dictionary []byte) ([]byte, error) {
	if size := len(text) + len(dictionary); size > usualWindow {
		window := min(1<<bits.Len(uint(size)), zstd.MaxWindowSize)
		// The fastest level knows too few places of a large dictionary to find the text in it again.
		encoder, err := newDeltaEncoder(window, append(dictionaryOption(dictionary), zstd.WithEncoderLevel(zstd.SpeedBetterCompression))...)
		if err != nil {
			return nil, err
		}
		defer func() { _ = encoder.Close() }()
		return encoder.EncodeAll(text, []byte{}), nil
	}
	into := &d.usual
	if dictionary == nil {
		into = &d.usualWhole
	}
	if *into == nil {
		encoder, err := newDeltaEncoder(usualWindow)
		if err != nil {
			return nil, err
		}
		*into = encoder
	}
	if dictionary != nil {
		if err := (*into).ResetWithOptions(nil, dictionaryOption(dictionary)...); err != nil {
			return nil, err
		}
	}
	return (*into).EncodeAll(text, []byte{}), nil
}

func dictionaryOption(dictionary []byte) []zstd.EOption {
	if dictionary == nil {
		return nil
	}
	return []zstd.EOption{zstd.WithEncoderDictRaw(dictionaryID, dictionary)}
}

// decodeDelta is the way back from encode; no more than size bytes come out.
func decodeDelta(body, dictionary []byte, size int) ([]byte, error) {
	if size == 0 {
		return nil, nil
	}
	options := []zstd.DOption{
		zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true), zstd.WithDecoderMaxWindow(zstd.MaxWindowSize),
		zstd.WithDecodeAllCapLimit(true),
	}
	if dictionary != nil {
		options = append(options, zstd.WithDecoderDictRaw(dictionaryID, dictionary))
	}
	decoder, err := zstd.NewReader(nil, options...)
	if err != nil {
		return nil, err
	}
	defer decoder.Close()
	return decoder.DecodeAll(body, make([]byte, 0, size))
}

// keptVersion is a row of history, and what feed and audit say of its revision.
type keptVersion struct {
	store.VersionRow
	next, size int64
	whole      bool
	sum        []byte
}

// decode turns the row's body into what the record said; newer is what it said at revision next.
func (v *keptVersion) decode(newer *keptVersion) error {
	var dictionary []byte
	switch {
	case v.whole:
	case newer == nil || newer.Revision != v.next:
		return fmt.Errorf("%w: version %d is read by version %d, which isn't there", ErrCorrupt, v.Revision, v.next)
	default:
		dictionary = newer.Body
	}
	body, err := decodeDelta(v.Body, dictionary, int(v.size))
	if err != nil {
		return fmt.Errorf("%w: version %d: %w", ErrCorrupt, v.Revision, err)
	}
	if int64(len(body)) != v.size || sha256.Sum256(body) != [32]byte(v.sum) {
		return fmt.Errorf("%w: version %d isn't what was kept", ErrCorrupt, v.Revision)
	}
	v.Body = body
	return nil
}

// recordTables are where the present rows are.
var recordTables = map[trial.RecordKind]string{
	trial.TrialRecord: "trials", trial.BathRecord: "baths", trial.WaterRecord: "water_sources", trial.ExperimentRecord: "experiments",
}

// Versions implements store.History.
func (s *reader) Versions(ctx context.Context, kind trial.RecordKind, id trial.ID, before int64, limit int) ([]store.VersionRow, error) {
	if err := checkLimit(limit); err != nil {
		return nil, err
	}
	return s.versions(ctx, kind, id, before, limit)
}

// Version implements store.History.
func (s *reader) Version(ctx context.Context, kind trial.RecordKind, id trial.ID, revision int64) (store.VersionRow, error) {
	var found []store.VersionRow
	var err error
	if revision > 0 {
		found, err = s.versions(ctx, kind, id, revision+1, 1)
	}
	if err != nil {
		return store.VersionRow{}, err
	}
	if len(found) == 0 || found[0].Revision != revision {
		return store.VersionRow{}, fmt.Errorf("version %d of %s %q: %w", revision, kind, id, trial.ErrNotFound)
	}
	return found[0], nil
}

func (s *reader) versions(ctx context.Context, kind trial.RecordKind, id trial.ID, before int64, limit int) ([]store.VersionRow, error) {
	_, known := recordTables[kind]
	u, ok := parseID(id)
	if !known || !ok {
		return nil, notFound(kind, id)
	}
	var found []store.VersionRow
	err := s.snapshot(ctx, func(tx *sql.Tx) (err error) {
		found, err = readVersions(ctx, tx, kind, u, before, limit)
		return err
	})
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return nil, notFound(kind, id)
	case errors.Is(err, ErrCorrupt):
		err = fmt.Errorf("%s %s: %w", kind, id, err)
		s.log.Error("history is damaged", "error", err)
		return nil, err
	}
	return found, s.readFault(ctx, err)
}

const (
	// saidSQL is what the feed and the audit trail say of a version h.
	saidSQL = `f.by_member, f.kind, f.at, coalesce((SELECT a.reason FROM audit a WHERE a.revision = h.revision AND a.revision > 0), '')`
	feedSQL = ` LEFT JOIN feed f ON f.record_id = h.record_id AND f.revision = h.revision AND f.record_kind = h.record_kind`
)

// readVersions reads the versions below a revision (0: all), newest first.
func readVersions(ctx context.Context, tx *sql.Tx, kind trial.RecordKind, id uuid, before int64, limit int) ([]store.VersionRow, error) {
	var present sealed
	if err := tx.QueryRowContext(ctx, sealedRowSQL[kind], id[:]).Scan(present.into()...); err != nil {
		return nil, err
	}
	if err := present.intact(kind); err != nil {
		return nil, err
	}
	newer := &keptVersion{}
	if err := newer.scan(tx.QueryRowContext(ctx, `SELECT h.revision, 0, 0, 1, NULL, NULL, `+saidSQL+`
		FROM (SELECT ? AS record_id, ? AS record_kind, ? AS revision) h`+feedSQL, id[:], kind, present.revision)); err != nil {
		return nil, err
	}
	newer.Body = present.body
	var found []store.VersionRow
	if before == 0 || newer.Revision < before {
		found = append(found, newer.VersionRow)
	}
	if len(found) == limit {
		return found, nil
	}
	// From the newest that is wanted up to the nearest whole one, or to the present row.
	from := newer.Revision - 1
	if before > 0 && before <= newer.Revision {
		var whole sql.NullInt64
		if err := tx.QueryRowContext(ctx, `SELECT min(revision) FROM history WHERE record_id = ?1 AND record_kind = ?2 AND whole = 1 AND revision >=
			(SELECT max(revision) FROM history WHERE record_id = ?1 AND record_kind = ?2 AND revision < ?3)`, id[:], kind, before).Scan(&whole); err != nil {
			return nil, err
		}
		if whole.Valid {
			from = whole.Int64
		}
	}
	rows, err := tx.QueryContext(ctx, `SELECT h.revision, h.next, h.size, h.whole, h.sha256, h.body, `+saidSQL+`
		FROM history h`+feedSQL+` WHERE h.record_id = ? AND h.record_kind = ? AND h.revision <= ? ORDER BY h.revision DESC`, id[:], kind, from)
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }()
	for len(found) < limit && rows.Next() {
		v := &keptVersion{}
		if err := v.scan(rows); err != nil {
			return nil, err
		}
		if err := v.decode(newer); err != nil {
			return nil, err
		}
		if before == 0 || v.Revision < before {
			found = append(found, v.VersionRow)
		}
		newer = v
	}
	return found, rows.Err()
}

func (v *keptVersion) scan(from scanner) error {
	var by sql.NullString
	var kind, at sql.NullInt64
	if err := from.Scan(&v.Revision, &v.next, &v.size, &v.whole, &v.sum, &v.Body, &by, &kind, &at, &v.Reason); err != nil {
		return err
	}
	if !by.Valid {
		return fmt.Errorf("%w: version %d is not in the change feed", ErrCorrupt, v.Revision)
	}
	v.By, v.Kind, v.At = by.String, trial.ChangeKind(kind.Int64), fromMicros(at.Int64)
	return nil
}

// snapshot runs reads that have to see one state of the file.
func (s *reader) snapshot(ctx context.Context, do func(*sql.Tx) error) error {
	tx, err := s.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // nothing was written
	return do(tx)
}
