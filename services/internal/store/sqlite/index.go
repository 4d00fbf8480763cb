package sqlite

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// trialIndex is what the tables beside a trial's row say of it.
type trialIndex struct {
	entries    map[uuid]struct{}
	pieces     map[uuid]pieceRow
	immersions map[immersionKey]struct{}
	holders    map[trial.MemberID]struct{}
	terms      map[term]struct{}
}

type pieceRow struct {
	code   string
	parent uuid // zero for a whole piece
	holder trial.MemberID
}

type immersionKey struct{ bath, piece uuid }

type term struct{ field, value string }

// entryIDs gathers the ids of a record's entries, each once.
type entryIDs map[uuid]struct{}

func (e entryIDs) add(sort string, id trial.ID) (uuid, error) {
	u, err := mustID(sort+".id", id)
	if err != nil {
		return u, err
	}
	if _, twice := e[u]; twice {
		return u, fmt.Errorf("%s %s: %w", sort, id, trial.ErrExists)
	}
	e[u] = struct{}{}
	return u, nil
}

func indexOfTrial(t *trial.Trial) (*trialIndex, error) {
	count := len(t.Sessions) + len(t.Pieces) + len(t.Immersions) + len(t.Looks) + len(t.Readings) + len(t.Judgements)
	entries := make(entryIDs, count)
	x := &trialIndex{
		entries: entries, pieces: make(map[uuid]pieceRow, len(t.Pieces)),
		immersions: make(map[immersionKey]struct{}, len(t.Immersions)),
		holders:    map[trial.MemberID]struct{}{}, terms: map[term]struct{}{},
	}
	for i := range t.Sessions {
		if _, err := entries.add("session", t.Sessions[i].ID); err != nil {
			return nil, err
		}
		x.addTerm("experiment", t.Sessions[i].ExperimentID)
	}
	for i := range t.Pieces {
		if err := x.addPiece(entries, t.Owner, &t.Pieces[i]); err != nil {
			return nil, err
		}
	}
	for i := range t.Immersions {
		im := &t.Immersions[i]
		if _, err := entries.add("immersion", im.ID); err != nil {
			return nil, err
		}
		if im.Superseded {
			continue
		}
		bath, err := mustID("immersion.bath_id", im.BathID)
		if err != nil {
			return nil, err
		}
		piece, err := mustID("immersion.piece_id", im.PieceID)
		if err != nil {
			return nil, err
		}
		x.immersions[immersionKey{bath, piece}] = struct{}{}
	}
	for i := range t.Looks {
		if _, err := entries.add("look", t.Looks[i].ID); err != nil {
			return nil, err
		}
	}
	for i := range t.Readings {
		if _, err := entries.add("reading", t.Readings[i].ID); err != nil {
			return nil, err
		}
	}
	for i := range t.Judgements {
		if _, err := entries.add("judgement", t.Judgements[i].ID); err != nil {
			return nil, err
		}
	}
	return x, nil
}

func (x *trialIndex) addPiece(entries entryIDs, owner trial.MemberID, p *trial.Piece) error {
	id, err := entries.add("piece", p.ID)
	if err != nil {
		return err
	}
	row := pieceRow{code: p.Code, holder: p.Holder}
	if p.Origin.ParentID != "" {
		if row.parent, err = mustID("piece.origin.parent_piece_id", p.Origin.ParentID); err != nil {
			return err
		}
	}
	x.pieces[id] = row
	if p.Holder != "" && p.Holder != owner {
		x.holders[p.Holder] = struct{}{}
	}
	for _, part := range p.Fibre.Composition {
		x.addTerm("fibre", part.Fibre)
	}
	for i := range p.Route.Layers {
		layer := &p.Route.Layers[i]
		for _, m := range layer.Materials {
			x.addTerm("material", m.Material)
		}
		// A layer's water is source ids with their shares.
		for _, source := range idInText.FindAllString(layer.Water, -1) {
			x.addTerm("water", source)
		}
	}
	return nil
}

var idInText = regexp.MustCompile(`[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}`)

func (x *trialIndex) addTerm(field, value string) {
	if value != "" {
		x.terms[term{field, fold(value)}] = struct{}{}
	}
}

// bathIndex is what the tables beside a bath's row say of it.
type bathIndex struct {
	entries entryIDs
	terms   map[term]struct{}
}

// purposes are the names by which baths are searched.
var purposes = map[trial.Purpose]string{
	trial.Scour: "scour", trial.MordantBath: "mordant", trial.TanninBath: "tannin", trial.DyeBath: "dye",
	trial.Vat: "vat", trial.ModifierBath: "modifier", trial.Rinse: "rinse",
}

func indexOfBath(b *trial.Bath) (*bathIndex, error) {
	entries, err := entriesOfBath(b)
	if err != nil {
		return nil, err
	}
	x := &bathIndex{entries: entries, terms: map[term]struct{}{}}
	add := func(field, value string) {
		if value != "" {
			x.terms[term{field, fold(value)}] = struct{}{}
		}
	}
	for _, purpose := range b.Purposes {
		add("purpose", purposes[purpose])
	}
	for i := range b.Additions {
		if !b.Additions[i].Superseded {
			add("material", b.Additions[i].Material)
		}
	}
	for i := range b.Water {
		add("water", b.Water[i].SourceID)
	}
	return x, nil
}

func entriesOfBath(b *trial.Bath) (entryIDs, error) {
	entries := make(entryIDs, len(b.Additions)+len(b.Checks))
	for i := range b.Additions {
		if _, err := entries.add("addition", b.Additions[i].ID); err != nil {
			return nil, err
		}
	}
	for i := range b.Checks {
		if _, err := entries.add("check", b.Checks[i].ID); err != nil {
			return nil, err
		}
	}
	return entries, nil
}

func entriesOfWater(w *trial.WaterSource) (entryIDs, error) {
	entries := make(entryIDs, len(w.Samples))
	for i := range w.Samples {
		if _, err := entries.add("sample", w.Samples[i].ID); err != nil {
			return nil, err
		}
	}
	return entries, nil
}

// rowsInto is an insert of one or more rows at once: fewer, longer statements are what makes a large trial cheap.
type rowsInto struct {
	columns int
	sizes   []rowsOf // largest first, ends with 1
}

type rowsOf struct {
	rows int
	sql  string
}

func newRowsInto(head, row string) *rowsInto {
	into := &rowsInto{columns: strings.Count(row, "?")}
	for _, n := range []int{16, 4, 1} {
		into.sizes = append(into.sizes, rowsOf{n, head + " VALUES " + strings.TrimSuffix(strings.Repeat(row+", ", n), ", ")})
	}
	return into
}

var (
	entryIDRows   = newRowsInto("INSERT INTO entry_ids (id)", "(?)")
	pieceRows     = newRowsInto("INSERT INTO pieces (id, trial, code, parent, holder)", "(?, ?, ?, ?, ?)")
	immersionRows = newRowsInto("INSERT INTO immersions (bath, piece)", "(?, ?)")
	holderRows    = newRowsInto("INSERT INTO trial_holders (trial, member)", "(?, ?)")
	termRows      = newRowsInto("INSERT INTO trial_terms (field, value, trial)", "(?, ?, ?)")
	bathTermRows  = newRowsInto("INSERT INTO bath_terms (field, value, bath)", "(?, ?, ?)")
	feedRows      = newRowsInto("INSERT INTO feed (revision, place, kind, record_kind, record_id, by_member, at)", "(?, ?, ?, ?, ?, ?, ?)")
)

// insert gives how many rows were inserted before an error.
func (w *writer) insert(into *rowsInto, args []any) (inserted int, err error) {
	for _, size := range into.sizes {
		for take := size.rows * into.columns; len(args) >= take; args = args[take:] {
			if err := w.exec(size.sql, args[:take]...); err != nil {
				return inserted, err
			}
			inserted += size.rows
		}
	}
	return inserted, nil
}

// only gives the keys of a that b lacks, in order, so that rows go into the tables in the order they are kept.
func only[K comparable, A, B any](a map[K]A, b map[K]B, compare func(K, K) int) []K {
	var keys []K
	for k := range a {
		if _, both := b[k]; !both {
			keys = append(keys, k)
		}
	}
	slices.SortFunc(keys, compare)
	return keys
}

func compareIDs(a, b uuid) int { return bytes.Compare(a[:], b[:]) }

func compareImmersions(a, b immersionKey) int {
	return cmp.Or(compareIDs(a.bath, b.bath), compareIDs(a.piece, b.piece))
}

func compareTerms(a, b term) int {
	return cmp.Or(cmp.Compare(a.field, b.field), cmp.Compare(a.value, b.value))
}

func (w *writer) insertEntryIDs(entries entryIDs) error { return w.moveEntryIDs(nil, entries) }

// moveEntryIDs makes the ids of old those of entries.
func (w *writer) moveEntryIDs(old, entries entryIDs) error {
	for _, id := range only(old, entries, compareIDs) {
		if err := w.exec(`DELETE FROM entry_ids WHERE id = ?`, id[:]); err != nil {
			return err
		}
	}
	added := only(entries, old, compareIDs)
	args := make([]any, len(added))
	for i := range added {
		args[i] = added[i][:]
	}
	inserted, err := w.insert(entryIDRows, args)
	if errors.Is(fault(err), trial.ErrExists) {
		return w.nameTaken(added[inserted:min(inserted+entryIDRows.sizes[0].rows, len(added))])
	}
	return err
}

// nameTaken is the fault of ids of which some are in use; the statement that failed has left none of them behind.
func (w *writer) nameTaken(ids []uuid) error {
	for _, id := range ids {
		var taken bool
		if err := w.queryRow(`SELECT EXISTS (SELECT 1 FROM entry_ids WHERE id = ?)`, []any{id[:]}, &taken); err != nil {
			return err
		}
		if taken {
			return fmt.Errorf("entry %s: %w", id, trial.ErrExists)
		}
	}
	return fmt.Errorf("an entry's id: %w", trial.ErrExists)
}

// writeIndex makes the tables beside a trial's row say what x does, where they said what old does.
func (w *writer) writeIndex(seq int64, old, x *trialIndex) error {
	if err := w.moveEntryIDs(old.entries, x.entries); err != nil {
		return err
	}
	if err := w.writePieces(seq, old.pieces, x.pieces); err != nil {
		return err
	}
	for _, key := range only(old.immersions, x.immersions, compareImmersions) {
		if err := w.exec(`DELETE FROM immersions WHERE bath = ? AND piece = ?`, key.bath[:], key.piece[:]); err != nil {
			return err
		}
	}
	added := only(x.immersions, old.immersions, compareImmersions)
	args := make([]any, 0, 2*len(added))
	for i := range added {
		args = append(args, added[i].bath[:], added[i].piece[:])
	}
	if _, err := w.insert(immersionRows, args); err != nil {
		return err
	}

	for _, member := range only(old.holders, x.holders, cmp.Compare) {
		if err := w.exec(`DELETE FROM trial_holders WHERE trial = ? AND member = ?`, seq, member); err != nil {
			return err
		}
	}
	args = args[:0]
	for _, member := range only(x.holders, old.holders, cmp.Compare) {
		args = append(args, seq, member)
	}
	if _, err := w.insert(holderRows, args); err != nil {
		return err
	}

	return w.moveTerms(termRows, `DELETE FROM trial_terms WHERE field = ? AND value = ? AND trial = ?`, seq, old.terms, x.terms)
}

// writeBathIndex makes the tables beside a bath's row say what x does, where they said what old does.
func (w *writer) writeBathIndex(seq int64, old, x *bathIndex) error {
	if err := w.moveEntryIDs(old.entries, x.entries); err != nil {
		return err
	}
	return w.moveTerms(bathTermRows, `DELETE FROM bath_terms WHERE field = ? AND value = ? AND bath = ?`, seq, old.terms, x.terms)
}

// moveTerms makes the terms of a record those of terms.
func (w *writer) moveTerms(into *rowsInto, remove string, seq int64, old, terms map[term]struct{}) error {
	for _, t := range only(old, terms, compareTerms) {
		if err := w.exec(remove, t.field, t.value, seq); err != nil {
			return err
		}
	}
	var args []any
	for _, t := range only(terms, old, compareTerms) {
		args = append(args, t.field, t.value, seq)
	}
	_, err := w.insert(into, args)
	return err
}

func (w *writer) writePieces(seq int64, old, pieces map[uuid]pieceRow) error {
	for _, id := range only(old, pieces, compareIDs) {
		if err := w.exec(`DELETE FROM pieces WHERE id = ?`, id[:]); err != nil {
			return err
		}
	}
	for _, id := range slices.SortedFunc(maps.Keys(old), compareIDs) {
		row, kept := pieces[id]
		if !kept || row == old[id] {
			continue
		}
		code, parent, holder := row.columns()
		if err := w.exec(`UPDATE pieces SET code = ?, parent = ?, holder = ? WHERE id = ?`, code, parent, holder, id[:]); err != nil {
			return err
		}
	}
	added := only(pieces, old, compareIDs)
	args := make([]any, 0, 5*len(added))
	for i := range added {
		code, parent, holder := pieces[added[i]].columns()
		args = append(args, added[i][:], seq, code, parent, holder)
	}
	_, err := w.insert(pieceRows, args)
	return err
}

// columns are NULL for what is not there.
func (p pieceRow) columns() (code, parent, holder any) {
	if p.code != "" {
		code = p.code
	}
	if p.parent != (uuid{}) {
		parent = p.parent[:]
	}
	if p.holder != "" {
		holder = p.holder
	}
	return code, parent, holder
}
