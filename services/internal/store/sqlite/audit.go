package sqlite

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// ErrAuditBroken says that the audit trail isn't the one that was written, or isn't that of the records.
var ErrAuditBroken = errors.New("audit trail is broken")

// auditHead is the end of the audit trail.
type auditHead struct {
	sequence int64
	chain    [32]byte
}

// auditEntry is a row of the trail as it goes into the chain.
type auditEntry struct {
	sequence, at  int64
	actorHash     [32]byte
	token, method string
	revision      int64
	subjects      string // one a line
	requestHash   []byte // 32 bytes, or none
	reason        string
}

// chain is SHA-256 over the chain before and the entry's fields in this order; a number is 8 bytes, most significant first, and a text
// or a hash follows its length as such a number.
func (e *auditEntry) chain(before [32]byte) (sum [32]byte) {
	h := sha256.New()
	writeText(h, "commonvat audit 1")
	writeText(h, before[:])
	writeNumber(h, e.sequence)
	writeNumber(h, e.at)
	writeText(h, e.actorHash[:])
	writeText(h, e.token)
	writeText(h, e.method)
	writeNumber(h, e.revision)
	writeText(h, e.subjects)
	writeText(h, e.requestHash)
	writeText(h, e.reason)
	h.Sum(sum[:0])
	return sum
}

func writeNumber(h hash.Hash, n int64) {
	var b [8]byte
	binary.BigEndian.PutUint64(b[:], uint64(n))
	h.Write(b[:])
}

func writeText[T string | []byte](h hash.Hash, text T) {
	writeNumber(h, int64(len(text)))
	h.Write([]byte(text))
}

// hashActor is what the chain knows of an actor.
func hashActor(salt []byte, actor trial.MemberID) [32]byte {
	return sha256.Sum256(append(slices.Clip(salt), actor...))
}

// writeAudit writes the one entry of a change; a change of no record, member or token has none.
func (c *change) writeAudit() error {
	if len(c.feed) == 0 && len(c.subjects) == 0 {
		return nil
	}
	subjects := make([]string, 0, len(c.feed)+len(c.subjects))
	for i := range c.feed {
		subjects = append(subjects, c.feed[i].subject())
	}
	subjects = append(subjects, c.subjects...)
	head := &c.group.audit
	entry := auditEntry{
		sequence: head.sequence + 1, at: c.request.Now.UnixMicro(), token: c.request.Actor.TokenID, method: c.request.Actor.Method,
		revision: c.revision, subjects: strings.Join(subjects, "\n"), reason: c.request.Reason,
	}
	var salt [16]byte
	rand.Read(salt[:])
	entry.actorHash = hashActor(salt[:], c.request.Actor.Member)
	if c.request.BodyHash != ([32]byte{}) {
		entry.requestHash = c.request.BodyHash[:]
	}
	chain := entry.chain(head.chain)
	err := c.writer.exec(`INSERT INTO audit (seq, at, actor, actor_salt, actor_hash, token, method, revision, subjects, request_hash, reason, chain)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		entry.sequence, entry.at, c.request.Actor.Member, salt[:], entry.actorHash[:], entry.token, entry.method, entry.revision,
		entry.subjects, entry.requestHash, entry.reason, chain[:])
	if err != nil {
		return about(err, "audit entry", fmt.Sprint(entry.sequence))
	}
	*head = auditHead{entry.sequence, chain}
	return nil
}

func (e *feedEntry) subject() string { return e.recordKind + " " + e.recordID.String() }

const auditColumns = `seq, at, actor, actor_salt, actor_hash, token, method, revision, subjects, request_hash, reason, chain`

// keptEntry is a row of the trail as kept.
type keptEntry struct {
	auditEntry
	actor sql.NullString
	salt  []byte
	link  [32]byte // the chain as kept
}

func scanAudit(from scanner) (e keptEntry, err error) {
	var actorHash, link []byte
	err = from.Scan(&e.sequence, &e.at, &e.actor, &e.salt, &actorHash, &e.token, &e.method, &e.revision, &e.subjects, &e.requestHash, &e.reason, &link)
	if err == nil {
		e.actorHash, e.link = [32]byte(actorHash), [32]byte(link)
	}
	return e, err
}

func (e *keptEntry) row() store.AuditRow {
	row := store.AuditRow{
		Sequence: e.sequence, At: fromMicros(e.at), Actor: store.Actor{Member: e.actor.String, TokenID: e.token, Method: e.method},
		Revision: e.revision, Subjects: strings.Split(e.subjects, "\n"), Reason: e.reason, Chain: e.link,
	}
	copy(row.RequestHash[:], e.requestHash)
	return row
}

// AuditEntries implements store.AuditTrail.
func (s *reader) AuditEntries(ctx context.Context, query store.AuditQuery) ([]store.AuditRow, error) {
	if err := checkLimit(query.Limit); err != nil {
		return nil, err
	}
	text, args := `SELECT `+auditColumns+` FROM audit WHERE seq > ? ORDER BY seq LIMIT ?`, []any{query.After, query.Limit}
	if query.Actor != "" {
		text, args = `SELECT `+auditColumns+` FROM audit WHERE seq > ? AND actor = ? ORDER BY seq LIMIT ?`, []any{query.After, query.Actor, query.Limit}
	}
	rows, err := s.read.QueryContext(ctx, text, args...)
	return collect(ctx, s, rows, err, func(from scanner) (store.AuditRow, error) {
		entry, err := scanAudit(from)
		return entry.row(), err
	})
}

// AuditHead implements store.AuditTrail.
func (s *reader) AuditHead(ctx context.Context) (store.AuditRow, error) {
	entry, err := scanAudit(s.read.QueryRowContext(ctx, `SELECT `+auditColumns+` FROM audit ORDER BY seq DESC LIMIT 1`))
	if errors.Is(err, sql.ErrNoRows) {
		return store.AuditRow{}, nil
	}
	if err != nil {
		return store.AuditRow{}, s.readFault(ctx, err)
	}
	return entry.row(), nil
}

// verifyPage is how many entries one read transaction of VerifyAudit takes.
const verifyPage = 500

// VerifyAudit walks the whole trail, in pages: every entry follows the one before without a gap and is what its chain says; every revision
// of the feed since the trail began has one entry, which names the same actor and records; and there is none beyond. It gives
// the entry that was the last when it began. A trail cut together with the feed and the counters is seen only against a
// head that was noted elsewhere. Errors: ErrAuditBroken.
func (s *reader) VerifyAudit(ctx context.Context) (head store.AuditRow, err error) {
	var revision, after, last int64
	err = s.read.QueryRowContext(ctx, `SELECT revision, audited_after, coalesce((SELECT max(seq) FROM audit), 0) FROM counters`).
		Scan(&revision, &after, &last)
	if err != nil {
		return head, s.readFault(ctx, err)
	}
	v := auditVerifier{revision: after}
	for v.head.sequence < last {
		page := v.head.sequence
		err := s.snapshot(ctx, func(tx *sql.Tx) error { return v.page(ctx, tx, min(page+verifyPage, last)) })
		if err != nil {
			return head, s.readFault(ctx, err)
		}
	}
	if v.revision != revision {
		return head, fmt.Errorf("%w: it ends at revision %d, the records at %d", ErrAuditBroken, v.revision, revision)
	}
	var stray sql.NullInt64
	err = s.read.QueryRowContext(ctx, `SELECT max(revision) FROM feed WHERE revision > ?
		AND revision > (SELECT revision FROM counters)`, revision).Scan(&stray)
	if err != nil {
		return head, s.readFault(ctx, err)
	}
	if stray.Valid {
		return head, fmt.Errorf("%w: the feed goes on to revision %d, beyond the last one", ErrAuditBroken, stray.Int64)
	}
	return v.last, nil
}

type auditVerifier struct {
	head     auditHead
	revision int64 // of the last entry that has one
	last     store.AuditRow
}

// page verifies the entries up to a sequence number.
func (v *auditVerifier) page(ctx context.Context, tx *sql.Tx, upTo int64) error {
	entries, err := inTx(ctx, tx, scanAudit, `SELECT `+auditColumns+` FROM audit WHERE seq > ? AND seq <= ? ORDER BY seq`, v.head.sequence, upTo)
	if err != nil {
		return err
	}
	firstRevision := v.revision
	for i := range entries {
		e := &entries[i]
		switch {
		case e.sequence != v.head.sequence+1:
			return fmt.Errorf("%w: after entry %d comes %d", ErrAuditBroken, v.head.sequence, e.sequence)
		case e.chain(v.head.chain) != e.link:
			return fmt.Errorf("%w: entry %d isn't what was written", ErrAuditBroken, e.sequence)
		case e.actor.Valid && hashActor(e.salt, e.actor.String) != e.actorHash:
			return fmt.Errorf("%w: entry %d has another actor than was written", ErrAuditBroken, e.sequence)
		case e.revision != 0 && e.revision != v.revision+1:
			return fmt.Errorf("%w: entry %d has revision %d, after %d", ErrAuditBroken, e.sequence, e.revision, v.revision)
		}
		if e.revision != 0 {
			v.revision = e.revision
		}
		v.head = auditHead{e.sequence, e.link}
	}
	if v.head.sequence != upTo {
		return fmt.Errorf("%w: after entry %d there is none, of %d", ErrAuditBroken, v.head.sequence, upTo)
	}
	v.last = entries[len(entries)-1].row()
	return compareWithFeed(ctx, tx, entries, firstRevision, v.revision)
}

// compareWithFeed holds entries against the feed's revisions above after, up to the last.
func compareWithFeed(ctx context.Context, tx *sql.Tx, entries []keptEntry, after, last int64) error {
	type said struct {
		revision int64
		by       trial.MemberID
		subject  string
	}
	feed, err := inTx(ctx, tx, func(from scanner) (s said, err error) {
		var kind string
		var id []byte
		err = from.Scan(&s.revision, &s.by, &kind, &id)
		s.subject = kind + " " + idOf(id)
		return s, err
	}, `SELECT revision, by_member, record_kind, record_id FROM feed WHERE revision > ? AND revision <= ? ORDER BY revision, place`, after, last)
	if err != nil {
		return err
	}
	for i := range entries {
		e := &entries[i]
		if e.revision == 0 {
			continue
		}
		var subjects []string
		for len(feed) > 0 && feed[0].revision == e.revision {
			if e.actor.Valid && feed[0].by != e.actor.String {
				return fmt.Errorf("%w: entry %d has another actor than the feed has for revision %d", ErrAuditBroken, e.sequence, e.revision)
			}
			subjects = append(subjects, feed[0].subject)
			feed = feed[1:]
		}
		if strings.Join(subjects, "\n") != e.subjects {
			return fmt.Errorf("%w: entry %d names other records than the feed has for revision %d", ErrAuditBroken, e.sequence, e.revision)
		}
	}
	if len(feed) > 0 {
		return fmt.Errorf("%w: revision %d of the feed has no entry", ErrAuditBroken, feed[0].revision)
	}
	return nil
}

// inTx reads all rows of a query.
func inTx[T any](ctx context.Context, tx *sql.Tx, scan func(scanner) (T, error), query string, args ...any) ([]T, error) {
	rows, err := tx.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer func() { _ = rows.Close() }()
	var all []T
	for rows.Next() {
		one, err := scan(rows)
		if err != nil {
			return nil, err
		}
		all = append(all, one)
	}
	return all, rows.Err()
}
