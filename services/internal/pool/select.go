package pool

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// selection is the rows of a question.
type selection struct {
	where      *store.Predicate
	condition  trial.ColourCondition
	experiment *trial.Experiment // nil: any
	// keep says whether a piece belongs to the question; it counts those that it refuses.
	keep func(c *chunk, r *row) bool
	most int // pieces; 0: as many as a question may be about
}

// candidate is a piece with the readings that may speak for it, best first.
type candidate struct {
	chunk    *chunk
	row      *row
	readings []*reading
}

// place is where the first of its readings stands in the chunk's list.
func (c *candidate) place() int {
	for i := c.row.readings.from; ; i++ {
		if &c.chunk.readings[i] == c.readings[0] {
			return int(i)
		}
	}
}

// lookAgain is how often a colour is looked for before its reading counts as withdrawn.
const lookAgain = 3

// choose selects pieces and gives each the colour of the reading that speaks for it. Every reading that isn't used is counted.
// More pieces than a question may be about are refused before a colour is computed.
func (p *Pool) choose(ctx context.Context, now *snapshot, module *pipeline.ColourReader, s selection, t *texts, left *leftOut) ([]*pick, error) {
	most := s.most
	if most == 0 {
		most = p.maxPieces
	}
	candidates, fitting := s.candidates(now, now.ordered(), left, most)
	if fitting > most {
		return nil, fmt.Errorf("%w: it is about %d pieces; allowed: 0 to %d, so ask for fewer with a filter", pipeline.ErrTooLarge, fitting, most)
	}
	c := chosen{digest: module.Identity().GetDigest(), picks: make([]*pick, 0, len(candidates)), block: memo(t, now.blockOf), left: left, faults: map[string]int{}, missed: map[*row]int{}}
	for len(candidates) > 0 {
		if err := p.computeLacking(ctx, now, module, s.condition, candidates); err != nil {
			return nil, err
		}
		candidates = c.take(s.condition, candidates)
	}
	if n := total(c.faults); n > 0 {
		left.reading(fmt.Sprintf("colour not computable under %s (%s)", conditionWords(s.condition), c.fault), n)
	}
	t.sortByReading(c.picks)
	return c.picks, nil
}

// chosen are the pieces of a question that have their colours.
type chosen struct {
	digest string // of the module that computed them
	picks  []*pick
	block  func(session string) label
	left   *leftOut
	faults map[string]int // readings without a colour
	fault  string         // the first of them by text
	missed map[*row]int   // how often no colour was there
}

// take takes the candidates whose colours are there, and gives those that are to be looked for again.
func (c *chosen) take(condition trial.ColourCondition, candidates []candidate) (again []candidate) {
	room := make([]pick, len(candidates))
	var known []found
	session, block := "", c.block("") // of the last piece: those of a trial mostly share it
	for len(candidates) > 0 {
		var of []candidate
		of, candidates = ofOneChunk(candidates)
		known = of[0].chunk.colours.of(condition, c.digest, of, known[:0])
		for i, piece := range of {
			colour := known[i]
			if !colour.known || colour.Fault != "" {
				if c.missing(&piece, colour) {
					again = append(again, piece)
				}
				continue
			}
			if others := len(piece.readings) - 1; others > 0 {
				c.left.reading("another reading of the same piece", others)
			}
			if id := piece.row.session.id; id != session {
				session, block = id, c.block(id)
			}
			pick := &room[0]
			room = room[1:]
			pick.chunk, pick.row, pick.reading, pick.lab, pick.block = piece.chunk, piece.row, piece.readings[0], colour.Lab, block
			c.picks = append(c.picks, pick)
		}
	}
	return again
}

// missing counts a piece whose first reading has no colour, and tells whether to look for it again, or for that of its next reading.
func (c *chosen) missing(piece *candidate, colour found) bool {
	if !colour.known {
		// Another question may have begun with a module that was brought into service since, and put its colours in this one's place.
		c.missed[piece.row]++
		if c.missed[piece.row] < lookAgain {
			return true
		}
		c.left.piece("withdrawn while the question was answered")
		return false
	}
	c.faults[colour.Fault]++
	if c.fault == "" || colour.Fault < c.fault {
		c.fault = colour.Fault
	}
	if piece.readings = piece.readings[1:]; len(piece.readings) == 0 {
		c.left.piece("no reading that can be used")
		return false
	}
	return true
}

func total(counts map[string]int) int {
	n := 0
	for _, c := range counts {
		n += c
	}
	return n
}

// candidates finds the pieces of some chunks that the question is about and counts them; beyond most they are counted alone.
func (s selection) candidates(now *snapshot, chunks []*chunk, left *leftOut, most int) (out []candidate, count int) {
	if s.where == nil && s.experiment == nil { // then it is most rows, and growing a list takes five times its room
		rows := 0
		for _, c := range chunks {
			rows += len(c.rows)
		}
		out = make([]candidate, 0, min(rows, most))
	}
	var fitting, room []*reading
	for _, c := range chunks {
		for i := range c.rows {
			r := &c.rows[i]
			if s.experiment != nil && r.session.experiment != s.experiment.ID {
				continue
			}
			fitting = fitting[:0]
			readings := c.readingsOf(r)
			for k := range readings {
				if match(s.where, subject{now, c, r, &readings[k]}) {
					fitting = append(fitting, &readings[k])
				}
			}
			if len(fitting) == 0 || !s.keep(c, r) {
				continue
			}
			if cap(room)-len(room) < len(fitting) {
				room = make([]*reading, 0, max(1024, len(fitting)))
			}
			usable := room[len(room):]
			for _, reading := range fitting {
				if why := s.refuses(reading); why != "" {
					left.reading(why, 1)
					continue
				}
				usable = append(usable, reading)
			}
			// readings of a lesser class never stand in for the best: they are other strata
			usable = slices.DeleteFunc(usable, func(x *reading) bool {
				if x.class == usable[0].class {
					return false
				}
				left.reading("another reading of the same piece", 1)
				return true
			})
			if len(usable) == 0 {
				left.piece("no reading that can be used")
				continue
			}
			if count++; count <= most {
				room = room[:len(room)+len(usable)]
				out = append(out, candidate{c, r, slices.Clip(usable)})
			}
		}
	}
	if s.experiment != nil {
		out = oneGloss(out, left)
	}
	return out, count
}

// refuses says why a reading can't speak for its piece in this question, or "".
func (s selection) refuses(r *reading) string {
	switch {
	case r.class == leftWashed && names(s.where, "state", "washed"), r.class == leftExposed && names(s.where, "state", "exposed"):
		// asked for by name
	case !r.class.usable():
		return r.class.words()
	}
	switch {
	case r.only() != (trial.ColourCondition{}) && r.only() != s.condition:
		return fmt.Sprintf("colour known under %s only, not under %s", conditionWords(r.only()), conditionWords(s.condition))
	case s.experiment != nil && r.instrument.Value() != s.experiment.Instrument:
		return "read by another instrument than the experiment's"
	case s.experiment != nil && r.class != classSettled:
		return r.class.words() + ": an experiment counts only what is stated"
	}
	return ""
}

// names tells whether a filter asks for a value of a field by name.
func names(where *store.Predicate, field, value string) bool {
	if where == nil || where.Op == "not" {
		return false
	}
	if where.Op == "" {
		return where.Field == field && strings.EqualFold(where.Value, value)
	}
	return slices.ContainsFunc(where.Parts, func(part store.Predicate) bool { return names(&part, field, value) })
}

// oneGloss keeps, for an experiment, the readings of one specular mode: that of most pieces, and where that is undecided included before not
// stated before excluded. Modes are never mixed in one test.
func oneGloss(candidates []candidate, left *leftOut) []candidate {
	counts := map[trial.SpecularMode]int{}
	for _, c := range candidates {
		seen := map[trial.SpecularMode]bool{}
		for _, r := range c.readings {
			if !seen[r.specular()] {
				seen[r.specular()] = true
				counts[r.specular()]++
			}
		}
	}
	best := trial.SpecularIncluded
	for _, mode := range []trial.SpecularMode{0, trial.SpecularExcluded} {
		if counts[mode] > counts[best] {
			best = mode
		}
	}
	var out []candidate
	for _, c := range candidates {
		c.readings = slices.DeleteFunc(c.readings, func(r *reading) bool {
			if r.specular() != best {
				left.reading(fmt.Sprintf("%s, where most of the experiment has %s", glossWords(r.specular()), glossWords(best)), 1)
			}
			return r.specular() != best
		})
		if len(c.readings) > 0 {
			out = append(out, c)
		} else {
			left.piece("no reading that can be used")
		}
	}
	return out
}

func glossWords(s trial.SpecularMode) string {
	switch s {
	case trial.SpecularIncluded:
		return "gloss included"
	case trial.SpecularExcluded:
		return "gloss excluded"
	}
	return "gloss not stated"
}

func conditionWords(c trial.ColourCondition) string {
	illuminant := map[trial.Illuminant]string{trial.IlluminantD65: "D65", trial.IlluminantA: "A"}[c.Illuminant]
	observer := map[trial.Observer]string{trial.Observer2: "2", trial.Observer10: "10"}[c.Observer]
	if illuminant == "" || observer == "" {
		return "a condition not stated"
	}
	return illuminant + "/" + observer
}

const yarnNotStated = "yarn lot not stated"

// strata names the stratum of each pick. It is made of fibre and yarn lot, unless fibres are compared, and of state and age, instrument and gloss
// where the picks differ in them or they aren't as they should be. With prefix, strata begin with it and the yarn is part of the cells instead.
//
// Yarns whose lot isn't stated may differ in anything. So each group has a stratum of its own for them, and such pieces are never compared with
// pieces on known yarns. shown gives the text that people read by the label that is sent to modules; mixed says that some yarn is in several strata.
func (t *texts) strata(picks []*pick, byFibre bool, prefix func(*pick) string) (shown map[string]string, mixed bool) {
	withState, withInstrument, withGloss := differences(picks)
	type sort struct { // what a stratum is made of
		prefix, group label
		alone         bool // with the group
		form, lot     symbol
		class         readingClass
		instrument    symbol
		gloss         trial.SpecularMode
	}
	shown = map[string]string{}
	yarns := map[[2]symbol]label{} // a stratum of each
	name := func(s sort) string {
		var parts []string
		switch {
		case prefix != nil:
			parts = append(parts, t.text(s.prefix))
		case byFibre:
		case s.lot.Value() == "":
			parts = append(parts, s.form.Value(), yarnNotStated)
		default:
			parts = append(parts, s.form.Value(), "yarn lot "+s.lot.Value())
		}
		if withState {
			parts = append(parts, s.class.words())
		}
		if withInstrument {
			parts = append(parts, instrumentWords(s.instrument))
		}
		if withGloss {
			parts = append(parts, glossWords(s.gloss))
		}
		return strings.Join(parts, ", ")
	}
	blank := sym("")
	stratum := memo(t, func(s sort) string {
		text := name(s)
		if text == "" {
			text = "all read alike"
		}
		if s.alone {
			shown[text+" | "+t.text(s.group)] = text
			return text + " | " + t.text(s.group)
		}
		shown[text] = text
		yarn := [2]symbol{s.form, s.lot}
		l := t.label(text)
		if other, seen := yarns[yarn]; seen && other != l {
			mixed = true
		}
		yarns[yarn] = l
		return text
	})
	for _, p := range picks {
		s := sort{form: blank, lot: blank, instrument: blank}
		switch {
		case prefix != nil:
			s.prefix = t.label(prefix(p))
		case byFibre:
		default:
			s.form, s.lot = p.row.yarn.form, p.row.yarn.lot
			if s.lot == blank {
				s.group, s.alone = p.group, true
			}
		}
		if withState {
			s.class = p.reading.class
		}
		if withInstrument {
			s.instrument = p.reading.instrument
		}
		if withGloss {
			s.gloss = p.reading.specular()
		}
		p.stratum = stratum(s)
	}
	return shown, mixed
}

// differences tells whether picks differ in state and age or some of them aren't as they should be, and whether they differ in instrument and in gloss.
func differences(picks []*pick) (state, instrument, gloss bool) {
	for _, p := range picks {
		first := picks[0].reading
		state = state || p.reading.class != classSettled
		instrument = instrument || p.reading.instrument != first.instrument && instrumentWords(p.reading.instrument) != instrumentWords(first.instrument)
		gloss = gloss || p.reading.gloss != first.gloss && glossWords(p.reading.specular()) != glossWords(first.specular())
	}
	return state, instrument, gloss
}

func instrumentWords(name symbol) string {
	if name.Value() != "" {
		return "instrument " + name.Value()
	}
	return "instrument not stated"
}
