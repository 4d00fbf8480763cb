package pool

import (
	"fmt"
	"slices"
	"strings"
	"unique"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// symbol is a text that is kept once however many rows have it.
type symbol = unique.Handle[string]

func sym(text string) symbol { return unique.Make(text) }

// row is one piece with at least one reading.
type row struct {
	piece      trial.ID
	session    symbol
	experiment symbol
	fibre      symbol // composition: "wool 70/silk 30"
	fibreForm  symbol // composition with finish
	lot        symbol
	route      *route
	depths     []delivered // one a colour layer
	pots       []symbol    // baths whose accidents the colour carries
	firstRead  int64       // microseconds: when the core first got a reading of it
	readings   []reading   // by preference
}

// chunk is the rows of one trial. It is never changed once it is in a snapshot, its colours aside.
type chunk struct {
	trial   trial.ID
	member  symbol
	source  symbol
	rows    []row
	colours *colours
}

// inPool reports whether a record's owner lets every member use it.
func inPool(level trial.SharingLevel) bool {
	return level == trial.Cooperative || level == trial.Public
}

// project makes the rows of a trial. routes finds or makes the shared route.
func project(t *trial.Trial, routes func(trial.Route, bool) *route) *chunk {
	c := &chunk{trial: t.ID, member: sym(t.Owner), source: sym(t.ImportSource), colours: &colours{}}
	experiments := map[trial.ID]trial.ID{}
	for i := range t.Sessions {
		experiments[t.Sessions[i].ID] = t.Sessions[i].ExperimentID
	}
	last := map[trial.ID]int{} // position of a piece's own last immersion
	for i := range t.Immersions {
		if im := &t.Immersions[i]; !im.Superseded {
			last[im.PieceID] = max(last[im.PieceID], im.Position)
		}
	}
	readings := map[trial.ID][]reading{}
	for i := range t.Readings {
		r := &t.Readings[i]
		kept := reading{
			id: r.ID, instrument: sym(r.Instrument), specular: r.Specular, state: r.State,
			class: classOf(r, last[r.PieceID]), recorded: r.RecordedAt.UnixMicro(),
		}
		if r.At.Stated() {
			kept.at = r.At.Time.UnixMicro()
		}
		if r.Raw.Spectrum == nil {
			kept.only = r.Raw.LabCondition
		}
		readings[r.PieceID] = append(readings[r.PieceID], kept)
	}
	for i := range t.Pieces {
		p := &t.Pieces[i]
		mine := readings[p.ID]
		if len(mine) == 0 {
			continue
		}
		first := mine[0].recorded
		for k := range mine {
			first = min(first, mine[k].recorded)
		}
		sortReadings(mine)
		composition := fibreWords(p.Fibre)
		form := composition
		if p.Fibre.Finish != "" {
			form += " (" + p.Fibre.Finish + ")"
		}
		r := row{
			piece: p.ID, session: sym(p.SessionID), experiment: sym(experiments[p.SessionID]),
			fibre: sym(composition), fibreForm: sym(form), lot: sym(p.Fibre.Lot),
			route: routes(p.Route, p.HistoryNotStated), depths: depthsOf(p.Route),
			firstRead: first, readings: mine,
		}
		for _, bath := range potsOf(p.Route) {
			r.pots = append(r.pots, sym(bath))
		}
		c.rows = append(c.rows, r)
	}
	return c
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

// dictionary keeps each route once, counted, for the projection's writer.
type dictionary map[string]*route

func (d dictionary) route(r trial.Route, historyNotStated bool) *route {
	key := routeKey(r, historyNotStated)
	known := d[key]
	if known == nil {
		known = newRoute(key, r, historyNotStated)
		d[key] = known
	}
	known.refs++
	return known
}

func (d dictionary) release(c *chunk) {
	if c == nil {
		return
	}
	for i := range c.rows {
		if r := c.rows[i].route; r.refs > 1 {
			r.refs--
		} else {
			r.refs = 0
			delete(d, r.key)
		}
	}
}
