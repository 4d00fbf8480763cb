package trial

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"
)

const (
	// MaxImportRows is the most rows of one batch.
	MaxImportRows = 500
	// importTrialPieces is how many pieces an import's trial takes before the next begins.
	importTrialPieces = 500
	importReason      = "import update"
)

// ImportReadings takes in rows of a source. Each row becomes a reading of a piece with its
// baths, so that routes are derived like any other; rows with the same piece, bath or session key share
// those. A row whose key is known and whose content is the same is unchanged; with
// other content it is a conflict, or with Update replaces what was there: the old reading and the steps that differ are
// superseded. A row that can't be taken is reported, and the others go in.
// Errors: Faults of the batch itself.
func ImportReadings(records Records, member MemberID, now time.Time, batch ImportBatch) (ImportAnswer, error) {
	im := &importing{
		change: begin(records, member, now), batch: batch,
		links: map[linkKey]ImportLink{}, newLinks: map[linkKey]bool{}, seen: map[string]int{},
		mint: mint{now: now, seed: member + "\x00" + batch.Source},
	}
	if batch.Source == "" {
		im.fault("source", "is required")
	}
	if len(batch.Rows) == 0 || len(batch.Rows) > MaxImportRows {
		im.fault("rows", "%d rows; 1 to %d are taken at once", len(batch.Rows), MaxImportRows)
	}
	im.batch.Sharing = im.sharing("sharing", batch.Sharing)
	if err := im.err(); err != nil {
		return ImportAnswer{}, err
	}
	answer := ImportAnswer{Results: make([]ImportResult, len(batch.Rows))}
	for i := range batch.Rows {
		result, err := im.row(&batch.Rows[i])
		if err != nil {
			return ImportAnswer{}, err
		}
		answer.Results[i] = result
		if home := im.links[linkKey{ImportRowKey, result.RowKey}].TrialID; home != "" && !slices.Contains(answer.TrialIDs, home) {
			answer.TrialIDs = append(answer.TrialIDs, home)
		}
	}
	if err := im.settle(); err != nil {
		return ImportAnswer{}, err
	}
	for key := range im.newLinks {
		if err := records.PutImportLink(member, batch.Source, key.kind, key.key, im.links[key]); err != nil {
			return ImportAnswer{}, fmt.Errorf("import key %s: %w", key.key, err)
		}
	}
	return answer, nil
}

type linkKey struct {
	kind ImportKind
	key  string
}

// importing is an import at work. A row is judged wholly before anything of it is taken.
type importing struct {
	*change
	batch    ImportBatch
	links    map[linkKey]ImportLink // asked for, or made
	newLinks map[linkKey]bool
	seen     map[string]int // row key to row number
	mint     mint
}

// refusal is why a row isn't taken.
type refusal struct {
	outcome ImportOutcome
	reason  string
}

// Error implements error.
func (r *refusal) Error() string { return r.reason }

func refuse(format string, args ...any) error {
	return &refusal{outcome: ImportRefused, reason: fmt.Sprintf(format, args...)}
}

func conflict(format string, args ...any) error {
	return &refusal{outcome: ImportConflict, reason: fmt.Sprintf(format, args...)}
}

// link finds what a key stands for; ok is false when it stands for nothing yet.
func (im *importing) link(kind ImportKind, key string) (link ImportLink, ok bool, err error) {
	k := linkKey{kind, key}
	if link, ok := im.links[k]; ok {
		return link, link.RecordID != "", nil
	}
	link, err = im.records.ImportLink(im.member, im.batch.Source, kind, key)
	if errors.Is(err, ErrNotFound) {
		link, err = ImportLink{}, nil
	}
	if err != nil {
		return ImportLink{}, false, fmt.Errorf("import key %s: %w", key, err)
	}
	im.links[k] = link
	return link, link.RecordID != "", nil
}

func (im *importing) setLink(kind ImportKind, key string, link ImportLink) {
	k := linkKey{kind, key}
	im.links[k] = link
	im.newLinks[k] = true
}

func (im *importing) row(row *ImportRow) (ImportResult, error) {
	result := ImportResult{RowNumber: row.RowNumber, RowKey: row.RowKey}
	outcome, id, err := im.takeRow(row)
	result.Outcome, result.ReadingID = outcome, id
	var refused *refusal
	if errors.As(err, &refused) {
		result.Outcome, result.Reason = refused.outcome, refused.reason
		return result, nil
	}
	return result, err
}

// takeRow gives what became of a row and its reading, or a refusal.
func (im *importing) takeRow(row *ImportRow) (ImportOutcome, ID, error) {
	if row.RowKey == "" {
		return 0, "", refuse("row_key: is required")
	}
	if number, twice := im.seen[row.RowKey]; twice {
		return 0, "", refuse("row_key: %q is the key of row %d too", row.RowKey, number)
	}
	im.seen[row.RowKey] = row.RowNumber
	link, known, err := im.link(ImportRowKey, row.RowKey)
	if err != nil {
		return 0, "", err
	}
	if known {
		t, err := im.trial(link.TrialID)
		if err != nil {
			return 0, "", err
		}
		if t.deleted() {
			return 0, link.RecordID, conflict("row_key: %q was imported before, into trial %s, which is deleted; undelete it first", row.RowKey, t.ID)
		}
	}
	hash := row.hash()
	if known && link.ContentHash == hash {
		return ImportUnchanged, link.RecordID, nil
	}
	if known && !im.batch.Update {
		return 0, link.RecordID, conflict("row_key: %q was imported before with other content; update replaces it", row.RowKey)
	}
	if err := im.judge(row); err != nil {
		return 0, link.RecordID, err
	}
	t, p, err := im.pieceFor(row, link, known)
	if err != nil {
		return 0, link.RecordID, err
	}

	r := row.Reading
	r.Entry = Entry{ID: im.mint.id("reading", row.RowKey, hash[:])}
	r.PieceID = p.ID
	r.AfterPosition = AfterAll
	outcome := ImportAdded
	if known {
		outcome = ImportUpdated
		if wrong := im.newest(t, link.RecordID); wrong != nil {
			wrong.Superseded = true
			r.CorrectsID, r.Reason = wrong.ID, importReason
		}
	}
	im.take(&r.Entry)
	r.AfterPosition = lastPosition(im.own(t, p.ID))
	t.Readings = append(t.Readings, r)
	im.changed(t, Changed)
	im.setLink(ImportRowKey, row.RowKey, ImportLink{RecordID: r.ID, TrialID: t.ID, ContentHash: hash})
	return outcome, r.ID, nil
}

// newest follows the corrections of a reading to the one that counts.
func (im *importing) newest(t *Trial, id ID) *Reading {
	for range t.Readings {
		i := slices.IndexFunc(t.Readings, func(r Reading) bool { return r.ID == id })
		if i < 0 {
			return nil
		}
		if !t.Readings[i].Superseded {
			return &t.Readings[i]
		}
		next := slices.IndexFunc(t.Readings, func(r Reading) bool { return r.CorrectsID == id })
		if next < 0 {
			return nil
		}
		id = t.Readings[next].ID
	}
	return nil
}

// pieceFor finds or makes the piece of a row, with the history that the row tells.
func (im *importing) pieceFor(row *ImportRow, link ImportLink, known bool) (*Trial, *Piece, error) {
	key, hash := row.pieceKey(), row.pieceHash()
	pieceLink, there, err := im.link(ImportPieceKey, key)
	if err != nil {
		return nil, nil, err
	}
	if known {
		if err := im.samePiece(row, link, pieceLink); err != nil {
			return nil, nil, err
		}
	}
	if !there {
		return im.newPiece(row, key, hash)
	}
	t, p, err := im.piece(pieceLink.RecordID)
	if err != nil {
		return nil, nil, err
	}
	if t.deleted() {
		return nil, nil, conflict("piece_key: %q is piece %s of trial %s, which is deleted; undelete it first", row.PieceKey, name(p), t.ID)
	}
	if len(t.Readings) >= MaxReadings {
		return nil, nil, refuse("piece_key: the trial of piece %s is full: it keeps %d readings", name(p), MaxReadings)
	}
	if pieceLink.ContentHash == hash {
		return t, p, nil
	}
	if !im.batch.Update {
		return nil, nil, conflict("piece_key: %q was imported before with another fibre, session or history; update replaces it", row.PieceKey)
	}
	if err := im.reviseHistory(row, t, p); err != nil {
		return nil, nil, err
	}
	im.setLink(ImportPieceKey, key, ImportLink{RecordID: p.ID, TrialID: t.ID, ContentHash: hash})
	return t, p, nil
}

// samePiece: a correction stays with its piece.
func (im *importing) samePiece(row *ImportRow, link, pieceLink ImportLink) error {
	t, err := im.trial(link.TrialID)
	if err != nil {
		return err
	}
	for i := range t.Readings {
		if t.Readings[i].ID == link.RecordID && t.Readings[i].PieceID == pieceLink.RecordID {
			return nil
		}
	}
	return refuse("piece_key: %q: the row was of another piece before, and a correction stays with its piece", row.PieceKey)
}

// newPiece makes the piece of a row in the trial that takes the source's next rows.
func (im *importing) newPiece(row *ImportRow, key string, hash [32]byte) (*Trial, *Piece, error) {
	baths, err := im.bathsFor(row, nil)
	if err != nil {
		return nil, nil, err
	}
	t, session, err := im.home(row)
	if err != nil {
		return nil, nil, err
	}
	code, err := im.records.NewPieceCode()
	if err != nil {
		return nil, nil, err
	}
	p := Piece{
		ID: im.mint.id("piece", key, hash[:]), TrialID: t.ID, Code: code, Label: row.Label, SessionID: session,
		Fibre: row.Fibre, Mass: Amount{Knowledge: NotKnown}, Holder: im.member,
	}
	t.Pieces = append(t.Pieces, p)
	im.homes[p.ID] = t.ID
	im.touched[p.ID] = true
	im.changed(t, Changed)
	for i := range row.Baths {
		t.Immersions = append(t.Immersions, im.immersion(row, i, p.ID, im.keep(baths[i], t.Sharing)))
	}
	im.setLink(ImportPieceKey, key, ImportLink{RecordID: p.ID, TrialID: t.ID, ContentHash: hash})
	return t, &t.Pieces[len(t.Pieces)-1], nil
}

func (im *importing) immersion(row *ImportRow, i int, piece, bath ID) Immersion {
	step := &row.Baths[i]
	entry := Immersion{
		Entry:   Entry{ID: im.mint.id("immersion", row.RowKey, []byte(strconv.Itoa(i)))},
		PieceID: piece, BathID: bath, Position: i + 1, Exhaust: step.Exhaust, Dips: step.Dips, IntendedDepth: step.IntendedDepth,
	}
	im.take(&entry.Entry)
	return entry
}

// home finds the trial that takes a new piece, and its session. A session stays in one trial.
func (im *importing) home(row *ImportRow) (*Trial, ID, error) {
	if row.SessionKey != "" {
		link, there, err := im.link(ImportSessionKey, row.SessionKey)
		if err != nil {
			return nil, "", err
		}
		if there {
			t, err := im.trial(link.TrialID)
			if err != nil {
				return nil, "", err
			}
			if t.deleted() {
				return nil, "", conflict("session_key: %q is in trial %s, which is deleted; undelete it first", row.SessionKey, t.ID)
			}
			if len(t.Pieces) >= MaxPieces || len(t.Immersions)+len(row.Baths) > MaxImmersions || len(t.Readings) >= MaxReadings {
				return nil, "", refuse("session_key: the trial of session %q is full", row.SessionKey)
			}
			return t, link.RecordID, nil
		}
	}
	t, err := im.openTrial(row)
	if err != nil || row.SessionKey == "" {
		return t, "", err
	}
	session := Session{ID: im.mint.id("session", row.SessionKey, nil), Note: row.SessionKey}
	t.Sessions = append(t.Sessions, session)
	im.setLink(ImportSessionKey, row.SessionKey, ImportLink{RecordID: session.ID, TrialID: t.ID})
	return t, session.ID, nil
}

// openTrial gives the last trial of the source, or the next when that is full. Trials are linked by number.
func (im *importing) openTrial(row *ImportRow) (*Trial, error) {
	var last *Trial // that isn't deleted
	full := false   // the very last is deleted, and takes no more
	for n := 1; ; n++ {
		number := strconv.Itoa(n)
		link, there, err := im.link(ImportTrialKey, number)
		if err != nil {
			return nil, err
		}
		if there {
			t, err := im.trial(link.TrialID)
			if err != nil {
				return nil, err
			}
			if full = t.deleted(); !full {
				last = t
			}
			continue
		}
		if last != nil && !full && len(last.Pieces) < importTrialPieces && len(last.Immersions)+len(row.Baths) <= MaxImmersions &&
			len(last.Readings) < MaxReadings && (row.SessionKey == "" || len(last.Sessions) < MaxSessions) {
			return last, nil
		}
		t := &Trial{
			ID: im.mint.id("trial", number, nil), Owner: im.member, Title: cut(im.batch.Source, 100) + ", part " + number,
			State: FinishedTrial, Sharing: im.batch.Sharing, ImportSource: im.batch.Source, CreatedAt: im.now,
		}
		if last != nil {
			t.Sharing = last.Sharing
		}
		im.trials[t.ID] = t
		im.changed(t, Created)
		im.setLink(ImportTrialKey, number, ImportLink{RecordID: t.ID, TrialID: t.ID})
		return t, nil
	}
}

func cut(text string, runes int) string {
	if all := []rune(text); len(all) > runes {
		return string(all[:runes])
	}
	return text
}

// importedBath is a bath of a row: one that there is, or one to be made.
type importedBath struct {
	id   ID
	make *Bath // nil when there is one
	key  string
	hash [32]byte
}

// bathsFor finds or plans the baths of a row. keepOld gives the bath of a step that stays as it was.
func (im *importing) bathsFor(row *ImportRow, keepOld func(i int) ID) ([]importedBath, error) {
	planned := map[string]importedBath{}
	baths := make([]importedBath, len(row.Baths))
	for i := range row.Baths {
		step := &row.Baths[i]
		b := importedBath{key: step.BathKey, hash: step.bathHash()}
		if keepOld != nil {
			if b.id = keepOld(i); b.id != "" {
				baths[i] = b
				continue
			}
		}
		if step.BathKey != "" {
			if twin, twice := planned[step.BathKey]; twice {
				if twin.hash != b.hash {
					return nil, refuse("baths[%d].bath_key: %q has other contents in another step of this row", i, step.BathKey)
				}
				baths[i] = importedBath{id: twin.id}
				continue
			}
			link, there, err := im.link(ImportBathKey, step.BathKey)
			if err != nil {
				return nil, err
			}
			if there {
				kept, err := im.bath(link.RecordID)
				if err != nil {
					return nil, err
				}
				if kept.deleted() {
					return nil, conflict("baths[%d].bath_key: %q is bath %s, which is deleted; undelete it first", i, step.BathKey, kept.ID)
				}
			}
			switch {
			case there && link.ContentHash == b.hash:
				b.id = link.RecordID
			case there && !im.batch.Update:
				return nil, conflict("baths[%d].bath_key: %q was imported before with other contents; update replaces it", i, step.BathKey)
			}
		}
		if b.id == "" {
			b.make = im.newBath(row, i)
			b.id = b.make.ID
		}
		if step.BathKey != "" {
			planned[step.BathKey] = b
		}
		baths[i] = b
	}
	return baths, nil
}

func (im *importing) newBath(row *ImportRow, i int) *Bath {
	step := &row.Baths[i]
	label := step.BathKey
	if label == "" {
		label = fmt.Sprintf("%s, bath %d", cut(row.RowKey, 60), i+1)
	}
	b := &Bath{
		ID:    im.mint.id("bath", row.RowKey, []byte(strconv.Itoa(i))),
		Owner: im.member, Label: cut(label, 80), Purposes: slices.Clone(step.Purposes),
		ContentsNotStated: step.ContentsNotStated, ExhaustNumberNotStated: step.ExhaustNumberNotStated,
		ExhaustNotStated: step.ExhaustNotStated, CreatedAt: im.now,
	}
	if step.WaterSourceID != "" {
		b.Water = []WaterPart{{SourceID: step.WaterSourceID, Parts: 1}}
	}
	for n := range step.Additions {
		a := step.Additions[n]
		a.Entry = Entry{ID: im.mint.id("addition", row.RowKey, []byte(fmt.Sprint(i, " ", n)))}
		im.take(&a.Entry)
		b.Additions = append(b.Additions, a)
	}
	return b
}

// keep takes in a planned bath.
func (im *importing) keep(b importedBath, sharing Sharing) ID {
	if b.make == nil {
		return b.id
	}
	b.make.Sharing = sharing
	b.make.Sharing.Since = im.now
	im.baths[b.id] = b.make
	im.changedBath(b.make, Created)
	if b.key != "" {
		im.setLink(ImportBathKey, b.key, ImportLink{RecordID: b.id, ContentHash: b.hash})
	}
	return b.id
}

// reviseHistory makes a piece's history what the row now tells: steps that differ are superseded, those that
// are no more are superseded by an entry that itself doesn't count and says why.
func (im *importing) reviseHistory(row *ImportRow, t *Trial, p *Piece) error {
	parts, err := im.partsOf(p.ID)
	if err != nil {
		return err
	}
	if len(parts) > 0 {
		return refuse("piece_key: piece %s has parts by now, which have its history; correct it by hand", name(p))
	}
	own := im.own(t, p.ID)
	for n, im := range own {
		if im.Position != n+1 {
			return refuse("piece_key: piece %s has been in other baths by now; correct it by hand", name(p))
		}
	}
	if len(t.Immersions)+max(len(own), len(row.Baths)) > MaxImmersions {
		return refuse("piece_key: the trial of piece %s is full: it keeps %d immersions", name(p), MaxImmersions)
	}
	same := make([]bool, len(row.Baths))
	for i := range row.Baths {
		if i < len(own) {
			if same[i], err = im.sameStep(own[i], &row.Baths[i]); err != nil {
				return err
			}
		}
	}
	baths, err := im.bathsFor(row, func(i int) ID {
		if same[i] {
			return own[i].BathID
		}
		return ""
	})
	if err != nil {
		return err
	}
	session, err := im.revisedSession(row, t) // the last that can refuse
	if err != nil {
		return err
	}
	var entries []Immersion
	for i := range row.Baths {
		if same[i] {
			continue
		}
		entry := im.immersion(row, i, p.ID, im.keep(baths[i], t.Sharing))
		if i < len(own) {
			own[i].Superseded = true
			entry.CorrectsID, entry.Reason = own[i].ID, importReason
		}
		entries = append(entries, entry)
	}
	for i := len(row.Baths); i < len(own); i++ {
		own[i].Superseded = true
		gone := *own[i]
		gone.Entry = Entry{
			ID:         im.mint.id("immersion", row.RowKey, []byte(fmt.Sprint("gone ", i))),
			CorrectsID: own[i].ID, Reason: importReason + ": the source tells of no such step any more",
		}
		im.take(&gone.Entry)
		gone.Superseded = true
		entries = append(entries, gone)
	}
	t.Immersions = append(t.Immersions, entries...)
	im.stale(t)
	p.Fibre, p.Label, p.SessionID = row.Fibre, row.Label, session
	im.touched[p.ID] = true
	im.changed(t, Changed)
	last := lastPosition(im.own(t, p.ID))
	for i := range t.Readings {
		if t.Readings[i].PieceID == p.ID && t.Readings[i].AfterPosition == len(own) {
			t.Readings[i].AfterPosition = last
		}
	}
	return nil
}

// revisedSession is the session that a row now names; it must be of the piece's own trial.
func (im *importing) revisedSession(row *ImportRow, t *Trial) (ID, error) {
	if row.SessionKey == "" {
		return "", nil
	}
	link, there, err := im.link(ImportSessionKey, row.SessionKey)
	switch {
	case err != nil:
		return "", err
	case there && link.TrialID == t.ID:
		return link.RecordID, nil
	case there:
		return "", refuse("session_key: %q is kept in another trial than the piece", row.SessionKey)
	case len(t.Sessions) >= MaxSessions:
		return "", refuse("session_key: the trial of the piece is full: it keeps %d sessions", MaxSessions)
	}
	session := Session{ID: im.mint.id("session", row.SessionKey, nil), Note: row.SessionKey}
	t.Sessions = append(t.Sessions, session)
	im.setLink(ImportSessionKey, row.SessionKey, ImportLink{RecordID: session.ID, TrialID: t.ID})
	return session.ID, nil
}

// sameStep reports whether a step of a row is what an immersion already tells.
func (im *importing) sameStep(was *Immersion, step *ImportBath) (bool, error) {
	if was.Exhaust != step.Exhaust || was.Dips != step.Dips || was.IntendedDepth != step.IntendedDepth {
		return false, nil
	}
	if step.BathKey != "" {
		link, there, err := im.link(ImportBathKey, step.BathKey)
		return there && link.RecordID == was.BathID && link.ContentHash == step.bathHash(), err
	}
	b, err := im.bath(was.BathID)
	if err != nil {
		return false, err
	}
	return bathStep(b).bathHash() == step.bathHash(), nil
}
