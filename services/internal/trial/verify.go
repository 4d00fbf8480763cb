package trial

import (
	"cmp"
	"fmt"
	"reflect"
	"slices"
	"strings"
)

// Discrepancy is one thing that a store keeps and that isn't so by a derivation from scratch.
type Discrepancy struct {
	Kind     RecordKind
	RecordID ID
	EntryID  ID // the piece or entry; "" for the record itself
	Text     string
}

// String implements fmt.Stringer.
func (d Discrepancy) String() string {
	if d.EntryID == "" {
		return fmt.Sprintf("%s %s: %s", d.Kind, d.RecordID, d.Text)
	}
	return fmt.Sprintf("%s %s, %s: %s", d.Kind, d.RecordID, d.EntryID, d.Text)
}

// VerifyRecords holds everything derived that trials and baths keep against a derivation from scratch: routes, last positions, which
// pieces are ended, which entries are superseded, the fibre of parts. It also tells of references to nothing or to something deleted, and of
// histories that can't have been. It is given all trials and all baths of a store, deleted ones too, and gives nothing
// when all is well; discrepancies are in order of record. It shares no code with the way by which commands keep these up, except
// for DeriveRoute, which makes a route out of a history.
func VerifyRecords(trials []*Trial, baths []*Bath) []Discrepancy {
	v := verifier{
		baths: map[ID]*Bath{}, homes: map[ID]*Trial{}, pieces: map[ID]*Piece{},
		own: map[ID][]*Immersion{}, parts: map[ID][]*Piece{}, inBath: map[ID][]ID{}, loads: map[pot]*float64{},
	}
	for _, b := range baths {
		v.baths[b.ID] = b
	}
	for _, t := range trials {
		v.take(t)
	}
	for _, id := range sorted(v.own) {
		slices.SortStableFunc(v.own[id], func(a, b *Immersion) int { return cmp.Compare(a.Position, b.Position) })
	}
	for bath, ids := range v.inBath {
		// Sums are taken in order of id, so that they come out alike to the last digit.
		slices.Sort(ids)
		v.inBath[bath] = slices.Compact(ids)
	}
	for _, b := range baths {
		v.superseded(BathRecord, b.ID, entriesOf(b.Additions))
		v.superseded(BathRecord, b.ID, entriesOf(b.Checks))
		if b.BlankOf != "" && len(v.inBath[b.ID]) > 0 && slices.ContainsFunc(b.Additions, func(a Addition) bool { return !a.Superseded && a.Role == Dye }) {
			v.found(BathRecord, b.ID, "", "it is a blank bath of %s and holds dye", b.BlankOf)
		}
	}
	for _, t := range trials {
		v.trial(t)
	}
	return v.all
}

// verifier has every record of a store at hand.
type verifier struct {
	baths  map[ID]*Bath
	homes  map[ID]*Trial
	pieces map[ID]*Piece
	own    map[ID][]*Immersion // that count, by piece and position
	parts  map[ID][]*Piece
	inBath map[ID][]ID // pieces with an immersion that counts, by id
	loads  map[pot]*float64
	all    []Discrepancy
}

func (v *verifier) found(kind RecordKind, record, entry ID, format string, args ...any) {
	v.all = append(v.all, Discrepancy{Kind: kind, RecordID: record, EntryID: entry, Text: fmt.Sprintf(format, args...)})
}

func (v *verifier) take(t *Trial) {
	for i := range t.Pieces {
		p := &t.Pieces[i]
		if other := v.homes[p.ID]; other != nil {
			v.found(TrialRecord, t.ID, p.ID, "the piece is in trial %s too", other.ID)
			continue
		}
		v.pieces[p.ID], v.homes[p.ID] = p, t
		if p.Origin.Kind != Whole {
			v.parts[p.Origin.ParentID] = append(v.parts[p.Origin.ParentID], p)
		}
	}
	for i := range t.Immersions {
		im := &t.Immersions[i]
		if im.Superseded {
			continue
		}
		v.own[im.PieceID] = append(v.own[im.PieceID], im)
		v.inBath[im.BathID] = append(v.inBath[im.BathID], im.PieceID)
	}
}

func entriesOf[E any, P interface {
	*E
	correctable
}](list []E) []*Entry {
	entries := make([]*Entry, len(list))
	for i := range list {
		entries[i] = P(&list[i]).entry()
	}
	return entries
}

// superseded: an entry counts no longer when another stands in its place, and for no other reason. The last entry of a step
// that an import's source no longer tells of counts for nothing itself.
func (v *verifier) superseded(kind RecordKind, record ID, entries []*Entry) {
	corrected := map[ID]ID{}
	known := map[ID]bool{}
	for _, e := range entries {
		known[e.ID] = true
	}
	for _, e := range entries {
		switch {
		case e.CorrectsID == "":
		case !known[e.CorrectsID]:
			v.found(kind, record, e.ID, "it corrects entry %s, which isn't there", e.CorrectsID)
		case corrected[e.CorrectsID] != "":
			v.found(kind, record, e.ID, "it corrects entry %s, which entry %s corrects too", e.CorrectsID, corrected[e.CorrectsID])
		default:
			corrected[e.CorrectsID] = e.ID
		}
	}
	for _, e := range entries {
		by := corrected[e.ID]
		switch {
		case by != "" && !e.Superseded:
			v.found(kind, record, e.ID, "entry %s corrects it, and it counts", by)
		case by == "" && e.Superseded && (e.CorrectsID == "" || !strings.HasPrefix(e.Reason, importReason)):
			v.found(kind, record, e.ID, "it doesn't count, and no entry corrects it")
		}
	}
}

func (v *verifier) trial(t *Trial) {
	v.superseded(TrialRecord, t.ID, entriesOf(t.Immersions))
	v.superseded(TrialRecord, t.ID, entriesOf(t.Looks))
	v.superseded(TrialRecord, t.ID, entriesOf(t.Readings))
	v.superseded(TrialRecord, t.ID, entriesOf(t.Judgements))
	here := func(piece ID) bool { return v.homes[piece] == t }
	for i := range t.Immersions {
		im := &t.Immersions[i]
		b := v.baths[im.BathID]
		if !here(im.PieceID) {
			v.found(TrialRecord, t.ID, im.ID, "piece %s isn't there", im.PieceID)
		}
		switch {
		case b == nil:
			v.found(TrialRecord, t.ID, im.ID, "bath %s isn't there", im.BathID)
		case im.Superseded:
		case b.deleted() && !t.deleted():
			v.found(TrialRecord, t.ID, im.ID, "bath %s is deleted", im.BathID)
		case b.ExhaustNumberNotStated && im.Exhaust != 1, b.ExhaustNotStated && im.Exhaust != 0:
			v.found(TrialRecord, t.ID, im.ID, "exhaust %d contradicts what bath %s leaves open", im.Exhaust, im.BathID)
		}
	}
	for i := range t.Looks {
		l := &t.Looks[i]
		if l.PieceID != "" && !here(l.PieceID) || l.BathID != "" && v.baths[l.BathID] == nil {
			v.found(TrialRecord, t.ID, l.ID, "what it is a look of isn't there: %s%s", l.PieceID, l.BathID)
		}
	}
	for i := range t.Readings {
		if r := &t.Readings[i]; !here(r.PieceID) {
			v.found(TrialRecord, t.ID, r.ID, "piece %s isn't there", r.PieceID)
		}
	}
	for i := range t.Judgements {
		if j := &t.Judgements[i]; !here(j.FirstID) || !here(j.SecondID) {
			v.found(TrialRecord, t.ID, j.ID, "piece %s or %s isn't there", j.FirstID, j.SecondID)
		}
	}
	for i := range t.Pieces {
		if p := &t.Pieces[i]; here(p.ID) {
			v.piece(t, p)
		}
	}
}

func (v *verifier) piece(t *Trial, p *Piece) {
	found := func(format string, args ...any) { v.found(TrialRecord, t.ID, p.ID, format, args...) }
	if p.TrialID != t.ID {
		found("it says that it is of trial %s", p.TrialID)
	}
	if p.SessionID != "" && !slices.ContainsFunc(t.Sessions, func(s Session) bool { return s.ID == p.SessionID }) {
		found("session %s isn't there", p.SessionID)
	}
	last := 0
	for _, im := range v.own[p.ID] {
		if im.Position == last {
			found("two immersions have position %d", last)
		}
		last = im.Position
	}
	if p.LastPosition != last {
		found("its last position is kept as %d, it is %d", p.LastPosition, last)
	}
	ended := slices.ContainsFunc(v.parts[p.ID], func(part *Piece) bool { return part.Origin.Kind == Split })
	if p.Ended != ended {
		found("ended is kept as %v, it is %v", p.Ended, ended)
	}
	line, ok := v.line(p)
	if !ok {
		found("its forebears aren't all there")
		return
	}
	if p.Origin.Kind != Whole {
		v.origin(t, p, line[len(line)-2].piece, found)
		if !sameFibre(p.Fibre, line[0].piece.Fibre) {
			found("its fibre isn't that of piece %s, from which it came", line[0].piece.ID)
		}
	}
	route, ok := v.route(line)
	if ok && !reflect.DeepEqual(p.Route, route) {
		found("its route is kept as %q, it is %q%s", p.Route.Text, route.Text, beneath(p.Route.Text == route.Text))
	}
}

func beneath(sameText bool) string {
	if sameText {
		return ", with other figures"
	}
	return ""
}

func (v *verifier) origin(t *Trial, p, parent *Piece, found func(string, ...any)) {
	if home := v.homes[parent.ID]; home.deleted() && !t.deleted() && home != t {
		found("piece %s, from which it came, is in trial %s, which is deleted", parent.ID, home.ID)
	}
	after := p.Origin.AfterPosition
	own := v.own[parent.ID]
	switch {
	case after != 0 && !slices.ContainsFunc(own, func(im *Immersion) bool { return im.Position == after }):
		found("piece %s, from which it came, has no immersion at position %d", parent.ID, after)
	case p.Origin.Kind == Split && len(own) > 0 && own[len(own)-1].Position != after:
		found("piece %s was split into it after position %d and went on to position %d", parent.ID, after, own[len(own)-1].Position)
	}
}

// reach is a piece of a line of descent, and how far its history is shared by the next of the line.
type reach struct {
	piece *Piece
	own   []*Immersion
}

// line gives a piece's line of descent, the oldest first and the piece last; ok is false when some of it isn't there.
func (v *verifier) line(p *Piece) (line []reach, ok bool) {
	line = []reach{{p, v.own[p.ID]}}
	for p.Origin.Kind != Whole {
		parent := v.pieces[p.Origin.ParentID]
		if parent == nil || slices.ContainsFunc(line, func(r reach) bool { return r.piece == parent }) {
			return nil, false
		}
		var shared []*Immersion
		for _, im := range v.own[parent.ID] {
			if im.Position <= p.Origin.AfterPosition {
				shared = append(shared, im)
			}
		}
		line = slices.Insert(line, 0, reach{parent, shared})
		p = parent
	}
	return line, true
}

func (v *verifier) route(line []reach) (Route, bool) {
	var history []Stretch
	for _, r := range line {
		stretch := Stretch{NotStatedBefore: r.piece.HistoryNotStated}
		for _, im := range r.own {
			b := v.baths[im.BathID]
			if b == nil {
				return Route{}, false // told of already
			}
			stretch.Steps = append(stretch.Steps, Step{Immersion: *im, Bath: b, LoadG: v.load(pot{im.BathID, im.Exhaust})})
		}
		history = append(history, stretch)
	}
	return DeriveRoute(history), true
}

// load is what lay in a pot, in grams: each piece that was put into it as its own, less what had been taken from it by
// then, unless its fibre was in there already as part of the piece it came from; nil when some of that isn't known.
func (v *verifier) load(in pot) *float64 {
	if load, done := v.loads[in]; done {
		return load
	}
	v.loads[in] = nil
	total := 0.0
	for _, id := range v.inBath[in.bath] {
		p := v.pieces[id]
		if p == nil {
			continue
		}
		line, ok := v.line(p)
		if !ok {
			return nil
		}
		before := slices.ContainsFunc(line[:len(line)-1], func(r reach) bool { return firstIn(r.own, in) != 0 })
		first := firstIn(v.own[id], in)
		if first == 0 || before {
			continue
		}
		if !p.Mass.Known() || p.Mass.Unit != Gram {
			return nil
		}
		left := p.Mass.Value
		for _, part := range partsByID(v.parts[id]) {
			if part.Origin.Kind == Taken && part.Origin.AfterPosition < first {
				if !part.Mass.Known() {
					return nil
				}
				left -= part.Mass.Value
			}
		}
		total += max(left, 0)
	}
	v.loads[in] = &total
	return &total
}

// firstIn is the first position at which immersions were in a pot; 0 when none was.
func firstIn(own []*Immersion, in pot) int {
	for _, im := range own {
		if im.BathID == in.bath && im.Exhaust == in.exhaust {
			return im.Position
		}
	}
	return 0
}

func partsByID(parts []*Piece) []*Piece {
	return slices.SortedFunc(slices.Values(parts), func(a, b *Piece) int { return cmp.Compare(a.ID, b.ID) })
}
