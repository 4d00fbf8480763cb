package pool

import (
	"slices"
	"strings"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// FilterFields are what a filter may name. A value is compared without regard to case; "not stated" finds what the record doesn't say.
// dye finds pieces with that dye among others; mordant is the whole set, "alum + iron"; water is a source's name or id.
var FilterFields = []string{"fibre", "yarn", "dye", "mordant", "water", "order", "session", "experiment", "member", "instrument", "source", "state"}

// subject is what a filter is held against: a reading of a piece.
type subject struct {
	snapshot *snapshot
	chunk    *chunk
	row      *row
	reading  *reading
}

// match reports whether a subject fits; without a filter everything does.
func match(where *store.Predicate, s subject) bool {
	if where == nil {
		return true
	}
	switch where.Op {
	case "and":
		return !slices.ContainsFunc(where.Parts, func(part store.Predicate) bool { return !match(&part, s) })
	case "or":
		return slices.ContainsFunc(where.Parts, func(part store.Predicate) bool { return match(&part, s) })
	case "not":
		return !slices.ContainsFunc(where.Parts, func(part store.Predicate) bool { return match(&part, s) })
	}
	same := func(text string) bool {
		if text == "" {
			text = notStated
		}
		return strings.EqualFold(text, where.Value)
	}
	switch where.Field {
	case "fibre":
		return same(s.row.yarn.fibre.Value())
	case "yarn":
		return same(s.row.yarn.lot.Value())
	case "dye":
		dyes := s.row.route.dyes()
		return len(dyes) == 0 && !s.row.route.undyed && same("") || slices.ContainsFunc(dyes, same)
	case "mordant":
		return same(s.row.route.mordant.Value())
	case "water":
		return slices.ContainsFunc(s.row.route.colour, func(c *colourLayer) bool { return same(c.water) || same(s.snapshot.waterWords(c.water)) })
	case "order":
		return same(s.row.route.order.Value())
	case "session":
		return same(s.row.session.id)
	case "experiment":
		return same(s.row.session.experiment)
	case "member":
		return same(s.chunk.member.Value())
	case "instrument":
		return same(s.reading.instrument.Value())
	case "source":
		return same(s.chunk.source.Value())
	case "state":
		return same(stateWords(s.reading.state()))
	}
	return false
}

func stateWords(s trial.PieceState) string {
	switch s {
	case trial.Wet:
		return "wet"
	case trial.Damp:
		return "damp"
	case trial.Dry:
		return "dry"
	case trial.Finished:
		return "finished"
	case trial.Washed:
		return "washed"
	case trial.Exposed:
		return "exposed"
	}
	return notStated
}
