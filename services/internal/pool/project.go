package pool

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"unique"

	"github.com/google/uuid"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// symbol is a text that is kept once however many rows have it.
type symbol = unique.Handle[string]

func sym(text string) symbol { return unique.Make(text) }

// row is one piece with at least one reading, or one that was judged by eye. A pool of a million readings has half a million rows, so what several
// pieces of a trial share is kept once, and lists (readings, depths, pots) are parts of the chunk's own lists.
type row struct {
	piece entryID
	*origin
	route     *route
	firstRead int64 // microseconds: when the core first got a reading of it
	readings  span  // of chunk.readings, by preference
	depths    span  // of chunk.depths, one a colour layer
	pots      span  // of chunk.pots: baths whose accidents the colour carries
}

// origin is what a piece is made of, and where it was made.
type origin struct {
	session session
	yarn    yarn
}

// session is where a piece was made; both are "" when no session is known.
type session struct {
	id         trial.ID
	experiment trial.ID
}

// yarn is what a piece is made of.
type yarn struct {
	fibre symbol // composition: "wool 70/silk 30"
	form  symbol // composition with finish
	lot   symbol
}

// judged is a judgement of two pieces.
type judged struct {
	first, second   uint32 // of chunk.rows
	quality, choice uint8  // a trial.JudgedQuality, and a trial.JudgedChoice
	blind           bool
	aside           aside
}

// aside says why a judgement counts for nothing.
type aside uint8

const (
	counts aside = iota
	asideSuperseded
	asideEarlier
	asideGreyScale
)

// reason is "" for a judgement that counts.
func (a aside) reason() string {
	return [...]string{"", "superseded by a correction", "made before a later bath of one of the pieces",
		"by a grey scale: a step says how far two pieces lie apart and not which way, so that it is no vote"}[a]
}

// span is a part of one of a chunk's lists.
type span struct{ from, to uint32 }

// entryID is the id of an entry in 16 bytes; ordered as the text is.
type entryID uuid.UUID

func (e entryID) String() string { return uuid.UUID(e).String() }

// chunk is the rows of one trial. It is never changed once it is in a snapshot, its colours aside.
type chunk struct {
	trial    trial.ID
	member   symbol
	source   symbol
	rows     []row
	readings []reading
	depths   []delivered
	pots     []entryID
	judged   []judged
	colours  colours
}

func (c *chunk) readingsOf(r *row) []reading { return c.readings[r.readings.from:r.readings.to] }
func (c *chunk) depthsOf(r *row) []delivered { return c.depths[r.depths.from:r.depths.to] }
func (c *chunk) potsOf(r *row) []entryID     { return c.pots[r.pots.from:r.pots.to] }

// inPool reports whether a record's owner lets every member use it.
func inPool(level trial.SharingLevel) bool {
	return level == trial.Cooperative || level == trial.Public
}

// project makes the rows of a trial. It fails on ids that are no UUIDs.
func project(t *trial.Trial, shared *dictionary) (*chunk, error) {
	c := &chunk{trial: t.ID, member: sym(t.Owner), source: sym(t.ImportSource)}
	last := lastPositions(t)
	readings, err := readingsByPiece(t, last, shared)
	if err != nil {
		return nil, err
	}
	judgements := judgementsOf(t, last)
	inRows := make(map[trial.ID]bool, len(readings))
	for piece := range readings {
		inRows[piece] = true
	}
	for i := range judgements {
		if j := &judgements[i]; j.aside == counts { // what doesn't count brings no piece in
			inRows[j.FirstID], inRows[j.SecondID] = true, true
		}
	}
	sessions := map[trial.ID]session{}
	for i := range t.Sessions {
		sessions[t.Sessions[i].ID] = session{id: t.Sessions[i].ID, experiment: t.Sessions[i].ExperimentID}
	}
	origins := map[origin]*origin{}
	routes := newRouteList(shared)
	c.readings = make([]reading, 0, len(t.Readings))
	c.rows = make([]row, 0, len(inRows))
	rowOf := map[trial.ID]uint32{}
	for i := range t.Pieces {
		p := &t.Pieces[i]
		if !inRows[p.ID] {
			continue
		}
		mine := readings[p.ID]
		made, known := sessions[p.SessionID]
		if !known { // a part of another trial's piece, or of no session
			made = session{id: p.SessionID}
		}
		r := row{origin: once(origins, origin{made, yarnOf(p.Fibre)})}
		if r.piece, err = entryIDOf(p.ID); err != nil {
			return nil, err
		}
		for k := range mine {
			if k == 0 || mine[k].recorded < r.firstRead {
				r.firstRead = mine[k].recorded
			}
		}
		sortReadings(mine)
		r.readings.from = uint32(len(c.readings))
		for k := range mine {
			c.readings = append(c.readings, mine[k].reading)
		}
		r.readings.to = uint32(len(c.readings))
		c.depths, r.depths = added(c.depths, depthsOf(p.Route), sameDepth)
		var pots []entryID
		for _, bath := range potsOf(p.Route) {
			pot, err := entryIDOf(bath)
			if err != nil {
				return nil, err
			}
			pots = append(pots, pot)
		}
		c.pots, r.pots = added(c.pots, pots, same)
		if len(judgements) > 0 {
			rowOf[p.ID] = uint32(len(c.rows))
		}
		routes.add(&p.Route, p.HistoryNotStated)
		c.rows = append(c.rows, r)
	}
	for i := range judgements {
		j := &judgements[i]
		first, known := rowOf[j.FirstID]
		second, too := rowOf[j.SecondID]
		if known && too {
			c.judged = append(c.judged, judged{first, second, uint8(j.Quality), uint8(j.Choice), j.Blind, j.aside})
		}
	}
	for i, r := range routes.listed() {
		c.rows[i].route = r
	}
	c.depths, c.pots = slices.Clone(c.depths), slices.Clone(c.pots) // without room to grow
	return c, nil
}

// lookBack is how many entries of a list are searched, from its end, for what would be added: pieces that follow each other mostly went through the
// same pots.
const lookBack = 64

// added appends to a list, unless its end holds the same in a row, and tells where it stands.
func added[T any](list, more []T, same func(a, b T) bool) ([]T, span) {
	for from := max(0, len(list)-lookBack); from+len(more) <= len(list); from++ {
		if slices.EqualFunc(list[from:from+len(more)], more, same) {
			return list, span{uint32(from), uint32(from + len(more))}
		}
	}
	from := len(list)
	list = append(list, more...)
	return list, span{uint32(from), uint32(len(list))}
}

func same[T comparable](a, b T) bool { return a == b }

func entryIDOf(text trial.ID) (entryID, error) {
	u, err := uuid.Parse(text)
	if err != nil {
		return entryID{}, fmt.Errorf("id %q: %w", text, err)
	}
	return entryID(u), nil
}

// lastPositions are the positions of the pieces' own last immersions.
func lastPositions(t *trial.Trial) map[trial.ID]int {
	last := make(map[trial.ID]int, len(t.Pieces))
	for i := range t.Immersions {
		if im := &t.Immersions[i]; !im.Superseded {
			last[im.PieceID] = max(last[im.PieceID], im.Position)
		}
	}
	return last
}

// looked is a judgement, and whether it counts.
type looked struct {
	*trial.Judgement
	aside aside
}

// judgementsOf are the judgements of a trial. Those count that say which of two pieces it was, of both pieces as they are now.
func judgementsOf(t *trial.Trial, last map[trial.ID]int) []looked {
	now := func(piece trial.ID, after int) bool { return after == trial.AfterAll || after >= last[piece] }
	out := make([]looked, 0, len(t.Judgements))
	for i := range t.Judgements {
		j := looked{Judgement: &t.Judgements[i]}
		switch {
		case j.Superseded:
			j.aside = asideSuperseded
		case !now(j.FirstID, j.FirstAfter) || !now(j.SecondID, j.SecondAfter):
			j.aside = asideEarlier
		case j.Quality == trial.GreyScale:
			j.aside = asideGreyScale
		}
		out = append(out, j)
	}
	return out
}

// taken is a reading with what it is sorted by.
type taken struct {
	reading
	at       int64 // microseconds; 0 not stated
	recorded int64 // microseconds
}

// readingsByPiece takes of each reading what the pool keeps, and what it is sorted by.
func readingsByPiece(t *trial.Trial, last map[trial.ID]int, shared *dictionary) (map[trial.ID][]taken, error) {
	readings := make(map[trial.ID][]taken, len(t.Pieces))
	for i := range t.Readings {
		r := &t.Readings[i]
		of := taken{recorded: r.RecordedAt.UnixMicro()}
		var err error
		if of.id, err = entryIDOf(r.ID); err != nil {
			return nil, err
		}
		if r.At.Stated() {
			of.at = r.At.Time.UnixMicro()
		}
		how := manner{instrument: sym(r.Instrument), gloss: uint8(r.Specular), shown: uint8(r.State), class: classOf(r, last[r.PieceID])}
		if r.Raw.Spectrum == nil {
			how.illuminant, how.observer = uint8(r.Raw.LabCondition.Illuminant), uint8(r.Raw.LabCondition.Observer)
		}
		of.manner = shared.mannerOf(how)
		readings[r.PieceID] = append(readings[r.PieceID], of)
	}
	return readings, nil
}

func yarnOf(f trial.Fibre) yarn {
	composition := fibreWords(f)
	form := composition
	if f.Finish != "" {
		form += " (" + f.Finish + ")"
	}
	return yarn{fibre: sym(composition), form: sym(form), lot: sym(f.Lot)}
}

// fibreWords names a composition: "wool", "wool 70/silk 30" with the larger part first.
func fibreWords(f trial.Fibre) string {
	parts := slices.Clone(f.Composition)
	slices.SortStableFunc(parts, func(a, b trial.FibrePart) int {
		switch {
		case a.Percent > b.Percent:
			return -1
		case a.Percent < b.Percent:
			return 1
		}
		return strings.Compare(a.Fibre, b.Fibre)
	})
	if len(parts) == 1 {
		return parts[0].Fibre
	}
	words := make([]string, len(parts))
	for i, p := range parts {
		words[i] = fmt.Sprintf("%s %g", p.Fibre, p.Percent)
	}
	return strings.Join(words, "/")
}

// dictionary keeps once what the rows of many trials share. Only the projection's writer uses it. What no row needs any more stays in it until the next
// load, which is little.
type dictionary struct {
	layers  map[colourLayer]*colourLayer
	words   map[routeWords]*routeWords
	manners map[manner]*manner
	key     []byte // room to work in
}

func newDictionary() *dictionary {
	return &dictionary{layers: map[colourLayer]*colourLayer{}, words: map[routeWords]*routeWords{}, manners: map[manner]*manner{}}
}

func (d *dictionary) layer(c colourLayer) *colourLayer { return once(d.layers, c) }

func (d *dictionary) wordsOf(w routeWords) *routeWords { return once(d.words, w) }

func (d *dictionary) mannerOf(m manner) *manner { return once(d.manners, m) }

// once gives what is kept of a value.
func once[T comparable](kept map[T]*T, value T) *T {
	if known := kept[value]; known != nil {
		return known
	}
	one := new(T) // and not value, for which room would be made each time
	*one = value
	kept[value] = one
	return one
}

// routeList is the routes of a trial's rows, each kept once and all in one piece of memory: a pool may have hundreds of thousands of different routes,
// and as many small pieces would be most of what the garbage collector has to walk.
type routeList struct {
	shared *dictionary
	at     map[routeDigest]int
	made   []route
	colour []*colourLayer // of all of them
	spans  []span         // of colour, one a route
	rows   []int          // of made, one a row
}

func newRouteList(shared *dictionary) *routeList {
	return &routeList{shared: shared, at: map[routeDigest]int{}}
}

// add adds the route of a row.
func (l *routeList) add(r *trial.Route, historyNotStated bool) {
	l.shared.key = appendKey(l.shared.key[:0], r, historyNotStated)
	whole := sha256.Sum256(l.shared.key)
	digest := routeDigest(whole[:])
	n, known := l.at[digest]
	if !known {
		n = len(l.made)
		l.at[digest] = n
		made, layers := newRoute(r, historyNotStated, l.shared)
		made.digest = digest
		var at span
		l.colour, at = added(l.colour, layers, same)
		l.made, l.spans = append(l.made, made), append(l.spans, at)
	}
	l.rows = append(l.rows, n)
}

// listed gives the routes of the rows that were added, one a row.
func (l *routeList) listed() []*route {
	made, colour := slices.Clone(l.made), slices.Clone(l.colour) // without room to grow
	for i, at := range l.spans {
		made[i].colour = colour[at.from:at.to:at.to]
	}
	out := make([]*route, len(l.rows))
	for i, n := range l.rows {
		out[i] = &made[n]
	}
	return out
}
