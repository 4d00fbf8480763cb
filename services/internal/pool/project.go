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

// row is one piece with at least one reading, or one that was judged by eye. A pool of a million readings has half a million rows, so what several pieces of a trial have
// in common is kept once, and what is many is kept in the chunk's own lists.
type row struct {
	piece     entryID
	session   *session
	yarn      *yarn
	route     *route
	firstRead int64 // microseconds: when the core first got a reading of it
	readings  span  // of chunk.readings, by preference
	depths    span  // of chunk.depths, one a colour layer
	pots      span  // of chunk.pots: baths whose accidents the colour carries
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

// project makes the rows of a trial. routes finds or makes the shared route. It fails on ids that are no UUIDs.
func project(t *trial.Trial, routes func(*trial.Route, bool) *route) (*chunk, error) {
	c := &chunk{trial: t.ID, member: sym(t.Owner), source: sym(t.ImportSource)}
	last := lastPositions(t)
	readings, err := readingsByPiece(t, last)
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
	sessions := map[trial.ID]*session{"": {}}
	for i := range t.Sessions {
		sessions[t.Sessions[i].ID] = &session{id: t.Sessions[i].ID, experiment: t.Sessions[i].ExperimentID}
	}
	yarns := map[yarn]*yarn{}
	c.readings = make([]reading, 0, len(t.Readings))
	c.rows = make([]row, 0, len(inRows))
	rowOf := map[trial.ID]uint32{}
	for i := range t.Pieces {
		p := &t.Pieces[i]
		if !inRows[p.ID] {
			continue
		}
		mine := readings[p.ID]
		r := row{session: sessions[p.SessionID], yarn: yarnOf(p.Fibre, yarns)}
		if r.session == nil { // a part of another trial's piece
			r.session = &session{id: p.SessionID}
			sessions[p.SessionID] = r.session
		}
		if r.piece, err = entryIDOf(p.ID); err != nil {
			return nil, err
		}
		for k := range mine {
			if k == 0 || mine[k].recorded < r.firstRead {
				r.firstRead = mine[k].recorded
			}
		}
		sortReadings(mine)
		c.readings, r.readings = added(c.readings, mine)
		c.depths, r.depths = added(c.depths, depthsOf(p.Route))
		var pots []entryID
		for _, bath := range potsOf(p.Route) {
			pot, err := entryIDOf(bath)
			if err != nil {
				return nil, err
			}
			pots = append(pots, pot)
		}
		c.pots, r.pots = added(c.pots, pots)
		if len(judgements) > 0 {
			rowOf[p.ID] = uint32(len(c.rows))
		}
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
	row := 0
	for i := range t.Pieces { // last, so that no route is counted for a trial that is refused
		if p := &t.Pieces[i]; inRows[p.ID] {
			c.rows[row].route = routes(&p.Route, p.HistoryNotStated)
			row++
		}
	}
	c.depths, c.pots = slices.Clone(c.depths), slices.Clone(c.pots) // without room to grow
	return c, nil
}

// added appends to a list and tells where.
func added[T any](list, more []T) ([]T, span) {
	from := len(list)
	list = append(list, more...)
	return list, span{uint32(from), uint32(len(list))}
}

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

// judgementsOf are the judgements of a trial. Those of two pieces as they are now that say which it was count.
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

// readingsByPiece takes of each reading what the pool keeps.
func readingsByPiece(t *trial.Trial, last map[trial.ID]int) (map[trial.ID][]reading, error) {
	readings := make(map[trial.ID][]reading, len(t.Pieces))
	for i := range t.Readings {
		r := &t.Readings[i]
		kept := reading{
			instrument: sym(r.Instrument), gloss: uint8(r.Specular), shown: uint8(r.State),
			class: classOf(r, last[r.PieceID]), recorded: r.RecordedAt.UnixMicro(),
		}
		var err error
		if kept.id, err = entryIDOf(r.ID); err != nil {
			return nil, err
		}
		if r.At.Stated() {
			kept.at = r.At.Time.UnixMicro()
		}
		if r.Raw.Spectrum == nil {
			kept.illuminant, kept.observer = uint8(r.Raw.LabCondition.Illuminant), uint8(r.Raw.LabCondition.Observer)
		}
		readings[r.PieceID] = append(readings[r.PieceID], kept)
	}
	return readings, nil
}

func yarnOf(f trial.Fibre, known map[yarn]*yarn) *yarn {
	composition := fibreWords(f)
	form := composition
	if f.Finish != "" {
		form += " (" + f.Finish + ")"
	}
	y := yarn{fibre: sym(composition), form: sym(form), lot: sym(f.Lot)}
	if known[y] == nil {
		known[y] = &y
	}
	return known[y]
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

// dictionary keeps each route once, counted, for the projection's writer, and each colour layer.
type dictionary struct {
	routes map[uint64]*route            // by the start of their digests
	more   map[[sha256.Size]byte]*route // those whose start another has
	layers map[colourLayer]*colourLayer // those of routes that are gone stay until the next load: they are few
	words  map[routeWords]*routeWords   // likewise
	key    []byte                       // room to work in
}

func newDictionary() *dictionary {
	return &dictionary{
		routes: map[uint64]*route{}, more: map[[sha256.Size]byte]*route{},
		layers: map[colourLayer]*colourLayer{}, words: map[routeWords]*routeWords{},
	}
}

func (d *dictionary) route(r *trial.Route, historyNotStated bool) *route {
	d.key = appendKey(d.key[:0], r, historyNotStated)
	digest := sha256.Sum256(d.key)
	known := d.find(digest)
	if known == nil {
		known = newRoute(r, historyNotStated, d)
		known.digest = digest
		d.add(known)
	}
	known.refs++
	return known
}

func (d *dictionary) find(digest [sha256.Size]byte) *route {
	if r := d.routes[startOf(digest)]; r != nil && r.digest == digest {
		return r
	}
	return d.more[digest]
}

// add puts a route in place of one with the same digest, or beside the others.
func (d *dictionary) add(r *route) {
	if first := d.routes[startOf(r.digest)]; first == nil || first.digest == r.digest {
		d.routes[startOf(r.digest)] = r
	} else {
		d.more[r.digest] = r
	}
}

func (d *dictionary) layer(c colourLayer) *colourLayer {
	if known := d.layers[c]; known != nil {
		return known
	}
	d.layers[c] = &c
	return &c
}

func (d *dictionary) wordsOf(w *routeWords) *routeWords {
	if known := d.words[*w]; known != nil {
		return known
	}
	d.words[*w] = w
	return w
}

func (d *dictionary) release(c *chunk) {
	if c == nil {
		return
	}
	for i := range c.rows {
		if r := c.rows[i].route; r.refs > 1 {
			r.refs--
		} else {
			r.refs = 0
			d.remove(r)
		}
	}
}

func (d *dictionary) remove(r *route) {
	if first := d.routes[startOf(r.digest)]; first != nil && first.digest == r.digest {
		delete(d.routes, startOf(r.digest))
	} else {
		delete(d.more, r.digest)
	}
}
