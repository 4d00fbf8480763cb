package sqlite

import (
	"context"
	"fmt"
	"math/bits"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// finder finds a page of trials in memory, so that a page costs the same however many trials there are and however few of them a filter
// or a reader leaves: SQL has to walk past all that don't fit. It keeps, for each thing that a trial can be found by, the set of
// trials that have it, in bits; a filter is and, or and not of sets.
//
// It is no second truth. It follows the change feed, like everybody else; before it has loaded, and when it is far behind, reader.ListTrials answers
// from the file, and tests hold the two to the same answers.
type finder struct {
	taking sync.Mutex // held by whoever takes in changes
	mu     sync.RWMutex
	finds
}

// finds is what a finder holds.
type finds struct {
	revision int64 // that it has taken in; below 0 until it has loaded
	found    []finding
	places   map[uuid]int32   // into found
	order    []int32          // places by id, ascending
	numbers  map[mark]int32   // into sets
	sets     []bitSet         // of places
	grams    [gramSets]bitSet // of places: titles with a pair of letters of that number
}

// finding is a trial as it can be found.
type finding struct {
	id    uuid
	title string  // folded
	marks []int32 // numbers of sets that the trial is in, sorted
}

// mark is something that a trial can be found by. The field is one of store.TrialSearchFields but title, or markReader.
type mark struct{ field, value string }

// markReader is for those who may read a trial: a member by name, or everybody.
const markReader = "reader"

// everybody reads what is shared; no member has this name, which is empty.
const everybody = ""

func newFinder() *finder {
	return &finder{finds: finds{revision: -1, places: map[uuid]int32{}, numbers: map[mark]int32{}}}
}

// marksOf lists what a trial is found by, from its row and its terms. ErrCorrupt for numbers that no row is written with.
func marksOf(owner trial.MemberID, sharing trial.SharingLevel, state int, source string, holders []trial.MemberID, terms []term) ([]mark, error) {
	if levels, states := numbered["sharing"], numbered["state"]; sharing < 1 || int(sharing) > len(levels) || state < 1 || state > len(states) {
		return nil, fmt.Errorf("a trial of %s has sharing %d and state %d: %w", owner, sharing, state, ErrCorrupt)
	}
	marks := []mark{
		{"owner", asciiFold(owner)}, {markReader, owner}, {"sharing", numbered["sharing"][sharing-1]}, {"state", numbered["state"][state-1]}, {"source", source},
	}
	if sharing >= trial.Cooperative {
		marks = append(marks, mark{markReader, everybody})
	}
	for _, holder := range holders {
		marks = append(marks, mark{markReader, holder})
	}
	for _, t := range terms {
		marks = append(marks, mark(t))
	}
	return marks, nil
}

// asciiFold folds as NOCASE does.
func asciiFold(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'A' && r <= 'Z' {
			return r + 'a' - 'A'
		}
		return r
	}, s)
}

// put takes in a trial as it is now.
func (f *finder) put(id uuid, title string, marks []mark) {
	numbers := make([]int32, 0, len(marks))
	for _, m := range marks {
		number, known := f.numbers[m]
		if !known {
			number = int32(len(f.sets))
			f.numbers[m] = number
			f.sets = append(f.sets, nil)
		}
		numbers = append(numbers, number)
	}
	slices.Sort(numbers)
	numbers = slices.Clip(slices.Compact(numbers))

	place, known := f.places[id]
	if !known {
		place = int32(len(f.found))
		f.places[id] = place
		f.found = append(f.found, finding{id: id})
		at := len(f.order)
		if at > 0 && compareIDs(f.found[f.order[at-1]].id, id) > 0 { // not the newest: entered late
			at, _ = slices.BinarySearchFunc(f.order, id, func(p int32, id uuid) int { return compareIDs(f.found[p].id, id) })
		}
		f.order = slices.Insert(f.order, at, place)
	}
	it := &f.found[place]
	for _, number := range it.marks {
		f.sets[number].clear(place)
	}
	for _, gram := range gramsOf(it.title) {
		f.grams[gram].clear(place)
	}
	for _, number := range numbers {
		f.sets[number].set(place)
	}
	for _, gram := range gramsOf(title) {
		f.grams[gram].set(place)
	}
	it.title, it.marks = title, numbers
}

// gramSets is how many sets the pairs of letters of titles are spread over.
const gramSets = 1024

// gramsOf gives the numbers of a text's bytes and pairs of bytes. A title that contains a text has all of the text's.
func gramsOf(text string) []int {
	grams := make([]int, 0, 2*len(text))
	for i := range len(text) {
		grams = append(grams, int(text[i])*7%gramSets)
		if i > 0 {
			grams = append(grams, (int(text[i-1])*389+int(text[i])*31+17)%gramSets)
		}
	}
	return grams
}

// page gives ids, descending, of trials that a reader may read and that fit.
func (f *finder) page(query store.TrialQuery, waterIDs map[string]string) ([]uuid, error) {
	f.mu.RLock()
	defer f.mu.RUnlock()
	words := (len(f.found) + 63) / 64
	fit := f.set(words, mark{markReader, everybody})
	if query.Reader != everybody {
		theirs := mark{markReader, query.Reader}
		if query.Where.AsksForContent() { // without those of which they hold pieces
			theirs = mark{"owner", asciiFold(query.Reader)}
		}
		for i, w := range f.set(words, theirs) {
			fit[i] |= w
		}
	}
	exact := true
	if query.Where != nil {
		for i, w := range f.upper(words, query.Where, waterIDs) {
			fit[i] &= w
		}
		exact = !namesTitle(query.Where)
	}
	end := len(f.order)
	if query.BeforeID != "" {
		before, err := mustID("before_id", query.BeforeID)
		if err != nil {
			return nil, err
		}
		end, _ = slices.BinarySearchFunc(f.order, before, func(p int32, id uuid) int { return compareIDs(f.found[p].id, id) })
	}
	candidates := f.order[:end]
	if few := f.fewOf(fit); few != nil { // sorting a few is quicker than looking for them in the order of all
		slices.SortFunc(few, func(a, b int32) int { return compareIDs(f.found[a].id, f.found[b].id) })
		if end < len(f.order) {
			last, _ := slices.BinarySearchFunc(few, f.found[f.order[end]].id, func(p int32, id uuid) int { return compareIDs(f.found[p].id, id) })
			few = few[:last]
		}
		candidates = few
	}
	var ids []uuid
	for i := len(candidates) - 1; i >= 0 && len(ids) < query.Limit; i-- {
		place := candidates[i]
		if fit[place/64]&(1<<(place%64)) != 0 && (exact || f.fits(query.Where, place, waterIDs)) {
			ids = append(ids, f.found[place].id)
		}
	}
	return ids, nil
}

// fewOf lists the places of a small set, and gives nil for a large one.
func (f *finder) fewOf(fit []uint64) []int32 {
	count := 0
	for _, w := range fit {
		count += bits.OnesCount64(w)
	}
	if count > 512 {
		return nil
	}
	few := make([]int32, 0, count)
	for i, w := range fit {
		for ; w != 0; w &= w - 1 {
			few = append(few, int32(i*64+bits.TrailingZeros64(w)))
		}
	}
	return few
}

// set copies a set of places.
func (f *finder) set(words int, m mark) []uint64 {
	out := make([]uint64, words)
	if number, known := f.numbers[m]; known {
		f.sets[number].or(out)
	}
	return out
}

// upper gives a set that holds all trials that fit, and others only where a title is asked for.
func (f *finder) upper(words int, p *store.Predicate, waterIDs map[string]string) []uint64 {
	switch p.Op {
	case "and", "or":
		out := f.upper(words, &p.Parts[0], waterIDs)
		for i := range p.Parts[1:] {
			for k, w := range f.upper(words, &p.Parts[1+i], waterIDs) {
				if p.Op == "and" {
					out[k] &= w
				} else {
					out[k] |= w
				}
			}
		}
		return out
	case "not":
		out := make([]uint64, words)
		if !namesTitle(&p.Parts[0]) {
			out = f.upper(words, &p.Parts[0], waterIDs)
		}
		for i := range out {
			out[i] = ^out[i]
		}
		return f.within(out)
	}
	if p.Field == "title" {
		out := make([]uint64, words)
		for i := range out {
			out[i] = ^uint64(0)
		}
		for _, gram := range gramsOf(fold(p.Value)) {
			f.grams[gram].and(out)
		}
		return f.within(out)
	}
	out := make([]uint64, words)
	for _, m := range wantedMarks(p, waterIDs) {
		if number, known := f.numbers[m]; known {
			f.sets[number].or(out)
		}
	}
	return out
}

// within takes out the places beyond the last trial.
func (f *finder) within(set []uint64) []uint64 {
	if rest := len(f.found) % 64; rest > 0 {
		set[len(set)-1] &= 1<<rest - 1
	}
	return set
}

// wantedMarks gives the marks of which a trial must have one to fit a comparison.
func wantedMarks(p *store.Predicate, waterIDs map[string]string) []mark {
	switch p.Field {
	case "owner":
		return []mark{{"owner", asciiFold(p.Value)}}
	case "water": // by id or by name
		marks := []mark{{"water", fold(p.Value)}}
		if id := waterIDs[fold(p.Value)]; id != "" {
			marks = append(marks, mark{"water", id})
		}
		return marks
	}
	return []mark{{p.Field, fold(p.Value)}}
}

// fits tells exactly.
func (f *finder) fits(p *store.Predicate, place int32, waterIDs map[string]string) bool {
	part := func(part store.Predicate) bool { return f.fits(&part, place, waterIDs) }
	switch p.Op {
	case "and":
		return !slices.ContainsFunc(p.Parts, func(q store.Predicate) bool { return !part(q) })
	case "or":
		return slices.ContainsFunc(p.Parts, part)
	case "not":
		return !part(p.Parts[0])
	}
	if p.Field == "title" {
		return strings.Contains(f.found[place].title, fold(p.Value))
	}
	return slices.ContainsFunc(wantedMarks(p, waterIDs), func(m mark) bool {
		number, known := f.numbers[m]
		return known && f.sets[number].has(place)
	})
}

// namesTitle tells whether a predicate asks for a title anywhere.
func namesTitle(p *store.Predicate) bool {
	return p.Field == "title" || slices.ContainsFunc(p.Parts, func(part store.Predicate) bool { return namesTitle(&part) })
}

// watersNamed gathers the values by which a predicate asks for waters.
func watersNamed(p *store.Predicate, into map[string]string) {
	if p.Field == "water" {
		into[fold(p.Value)] = ""
	}
	for i := range p.Parts {
		watersNamed(&p.Parts[i], into)
	}
}

// Following.

const (
	// finderPause lets changes gather before the finder takes them in by itself.
	finderPause = 100 * time.Millisecond
	// finderBehind is how many revisions a list waits for the finder to take in; further behind, the file is searched.
	finderBehind = 100
)

// followFinder loads the finder and keeps it up to date until the store closes.
func (s *Store) followFinder(ctx context.Context) {
	for ctx.Err() == nil {
		err := s.finder.catchUp(ctx, s, true)
		if err == nil {
			err = s.WaitForChange(ctx, s.finder.taken())
		}
		if err != nil && ctx.Err() == nil {
			s.log.WarnContext(ctx, "finder can't follow the record; lists are read from the file", "error", err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(finderPause):
		}
	}
}

func (f *finder) taken() int64 {
	f.mu.RLock()
	defer f.mu.RUnlock()
	return f.revision
}

// catchUp takes in what the feed has; the first time everything. Unless patient it gives up when that is much.
func (f *finder) catchUp(ctx context.Context, s *Store, patient bool) error {
	if taken, last := f.taken(), s.Revision(); taken == last {
		return nil
	} else if !patient && (taken < 0 || last-taken > finderBehind) {
		return fmt.Errorf("finder is at revision %d of %d", taken, last)
	}
	f.taking.Lock()
	defer f.taking.Unlock()
	if f.taken() < 0 { // beside, so that lists go on meanwhile
		beside := newFinder()
		if err := beside.load(ctx, s); err != nil {
			return err
		}
		f.mu.Lock()
		defer f.mu.Unlock()
		f.finds = beside.finds
		return nil
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	for last := s.Revision(); f.revision < last; {
		changes, err := s.Changes(ctx, f.revision, store.MaxPage)
		if err != nil {
			return err
		}
		for i := range changes {
			if changes[i].RecordKind == "trial" {
				if err := f.take(ctx, s, changes[i].RecordID); err != nil {
					return err
				}
			}
		}
		if len(changes) == 0 {
			return nil
		}
		f.revision = changes[len(changes)-1].Revision
	}
	return nil
}

// take reads one trial again.
func (f *finder) take(ctx context.Context, s *Store, id trial.ID) error {
	u, err := mustID("trial.id", id)
	if err != nil {
		return err
	}
	row, err := s.readTrial(ctx, id)
	if err != nil {
		return err
	}
	t, err := record.DecodePooled(row.Body)
	if err != nil {
		return err
	}
	x := &trialIndex{pieces: map[uuid]pieceRow{}, holders: map[trial.MemberID]struct{}{}, terms: map[term]struct{}{}}
	for i := range t.Sessions {
		x.addTerm("experiment", t.Sessions[i].ExperimentID)
	}
	entries := entryIDs{}
	for i := range t.Pieces {
		if err := x.addPiece(entries, t.Owner, &t.Pieces[i]); err != nil {
			return err
		}
	}
	terms := make([]term, 0, len(x.terms))
	for t := range x.terms {
		terms = append(terms, t)
	}
	var title, source string
	var state int
	err = s.read.QueryRowContext(ctx, `SELECT title_folded, source_folded, state FROM trials WHERE id = ?`, u[:]).Scan(&title, &source, &state)
	if err != nil {
		return s.readFault(ctx, err)
	}
	var marks []mark // none for a deleted trial, which nobody finds
	if !row.Deleted {
		if marks, err = marksOf(row.Owner, row.Sharing, state, source, row.Holders, terms); err != nil {
			return s.noted(err)
		}
	}
	f.put(u, title, marks)
	return nil
}

// load reads all trials. What changes meanwhile comes once more by the feed.
func (f *finder) load(ctx context.Context, s *Store) error {
	revision := s.Revision()
	terms, err := bySeq(ctx, s, `SELECT trial, field, value FROM trial_terms`)
	if err != nil {
		return err
	}
	holders, err := bySeq(ctx, s, `SELECT trial, '', member FROM trial_holders`)
	if err != nil {
		return err
	}
	rows, err := s.read.QueryContext(ctx, `SELECT seq, id, owner, sharing, state, title_folded, source_folded FROM trials WHERE deleted = 0 ORDER BY seq`)
	if err != nil {
		return s.readFault(ctx, err)
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		var seq int64
		var id []byte
		var owner, title, source string
		var sharing trial.SharingLevel
		var state int
		if err := rows.Scan(&seq, &id, &owner, &sharing, &state, &title, &source); err != nil {
			return s.readFault(ctx, err)
		}
		var held []trial.MemberID
		for _, h := range holders[seq] {
			held = append(held, h.value)
		}
		marks, err := marksOf(owner, sharing, state, source, held, terms[seq])
		if err == nil && len(id) != len(uuid{}) {
			err = fmt.Errorf("a trial of %s has an id of %d bytes: %w", owner, len(id), ErrCorrupt)
		}
		if err != nil {
			return s.noted(err)
		}
		f.put(uuid(id), title, marks)
	}
	if err := rows.Err(); err != nil {
		return s.readFault(ctx, err)
	}
	f.revision = revision
	return nil
}

// bySeq reads two texts a row, each text kept once.
func bySeq(ctx context.Context, s *Store, query string) (map[int64][]term, error) {
	rows, err := s.read.QueryContext(ctx, query)
	if err != nil {
		return nil, s.readFault(ctx, err)
	}
	defer func() { _ = rows.Close() }()
	out, once := map[int64][]term{}, map[term]term{}
	for rows.Next() {
		var seq int64
		var t term
		if err := rows.Scan(&seq, &t.field, &t.value); err != nil {
			return nil, s.readFault(ctx, err)
		}
		if kept, known := once[t]; known {
			t = kept
		} else {
			once[t] = t
		}
		out[seq] = append(out[seq], t)
	}
	return out, s.readFault(ctx, rows.Err())
}

// ListTrials implements store.TrialReader.
func (s *Store) ListTrials(ctx context.Context, query store.TrialQuery) ([]store.TrialRow, error) {
	if err := checkLimit(query.Limit); err != nil {
		return nil, err
	}
	if _, _, err := compileSearch(query.Where, compareTrial); err != nil { // refuses what isn't a search
		return nil, err
	}
	if query.Deleted { // few, and the owner's alone: the finder doesn't know them
		return s.reader.ListTrials(ctx, query)
	}
	rows, found, err := s.findTrials(ctx, query)
	if err != nil || found {
		return rows, err
	}
	return s.reader.ListTrials(ctx, query)
}

// findTrials answers with the help of the finder; found is false when that couldn't be done.
func (s *Store) findTrials(ctx context.Context, query store.TrialQuery) (rows []store.TrialRow, found bool, err error) {
	if s.finder.catchUp(ctx, s, false) != nil {
		return nil, false, ctx.Err()
	}
	waterIDs := map[string]string{}
	if query.Where != nil {
		watersNamed(query.Where, waterIDs)
	}
	for name := range waterIDs {
		var id []byte
		if s.read.QueryRowContext(ctx, `SELECT id FROM water_sources WHERE name_folded = ?`, name).Scan(&id) == nil {
			waterIDs[name] = idOf(id)
		}
	}
	ids, err := s.finder.page(query, waterIDs)
	if err != nil || len(ids) == 0 {
		return nil, err == nil, err
	}
	args := make([]any, len(ids))
	for i := range ids {
		args[i] = ids[i][:]
	}
	//nolint:gosec // constants of this package and placeholders
	text := `SELECT ` + trialColumns + ` FROM trials t WHERE t.id IN (?` + strings.Repeat(", ?", len(ids)-1) + `)`
	answer, err := s.read.QueryContext(ctx, text, args...)
	rows, err = collect(ctx, &s.reader, answer, err, scanTrial)
	if err != nil {
		return nil, false, err
	}
	slices.SortFunc(rows, func(a, b store.TrialRow) int { return strings.Compare(b.ID, a.ID) })
	readable := func(row store.TrialRow) bool {
		return !row.Deleted && (row.Owner == query.Reader || row.Sharing >= trial.Cooperative || !query.Where.AsksForContent() && slices.Contains(row.Holders, query.Reader))
	}
	// Withdrawn or deleted since the finder looked: a page that is short would pass for the last one.
	if len(rows) != len(ids) || slices.ContainsFunc(rows, func(row store.TrialRow) bool { return !readable(row) }) {
		return nil, false, nil
	}
	return rows, true, nil
}
