package pool

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"

	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// colours keeps what the reading module made of a chunk's readings, by condition. Those of another module than the one in
// use are forgotten. A colour takes 28 bytes, and few pieces need more than one; there are three conditions.
type colours struct {
	mu   sync.Mutex
	sets []*colourSet // one a condition
}

// colourSet is the colours of those readings that were asked for.
type colourSet struct {
	condition trial.ColourCondition
	digest    string
	places    []uint32 // of the readings in the chunk's list, ascending
	labs      []trial.Lab
	faults    map[uint32]string // by place, of readings without a colour
}

// newColourSet has room for the colours of so many pieces.
func newColourSet(condition trial.ColourCondition, digest string, pieces int) *colourSet {
	return &colourSet{condition: condition, digest: digest, places: make([]uint32, 0, pieces), labs: make([]trial.Lab, 0, pieces)}
}

func (s *colourSet) at(place int) (pipeline.Colour, bool) {
	if i, known := slices.BinarySearch(s.places, uint32(place)); known {
		return pipeline.Colour{Lab: s.labs[i]}, true
	}
	fault, known := s.faults[uint32(place)]
	return pipeline.Colour{Fault: fault}, known
}

// set puts a colour where none is known.
func (s *colourSet) set(place int, colour pipeline.Colour) {
	if colour.Fault == "" {
		i, known := slices.BinarySearch(s.places, uint32(place))
		if known { // another question asked for it at the same time
			return
		}
		s.places, s.labs = slices.Insert(s.places, i, uint32(place)), slices.Insert(s.labs, i, colour.Lab)
		return
	}
	if s.faults == nil {
		s.faults = map[uint32]string{}
	}
	s.faults[uint32(place)] = colour.Fault
}

// found is what is known of a reading's colour.
type found struct {
	pipeline.Colour
	known bool
}

// of appends what is known of the colours of the first readings of candidates of this chunk.
func (c *colours) of(condition trial.ColourCondition, digest string, candidates []candidate, to []found) []found {
	c.mu.Lock()
	defer c.mu.Unlock()
	i := slices.IndexFunc(c.sets, func(s *colourSet) bool { return s.condition == condition && s.digest == digest })
	for k := range candidates {
		var f found
		if i >= 0 {
			f.Colour, f.known = c.sets[i].at(candidates[k].place())
		}
		to = append(to, f)
	}
	return to
}

// lack tells whether nothing is known of the colour of some first reading of candidates of this chunk.
func (c *colours) lack(condition trial.ColourCondition, digest string, candidates []candidate) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	i := slices.IndexFunc(c.sets, func(s *colourSet) bool { return s.condition == condition && s.digest == digest })
	return i < 0 || slices.ContainsFunc(candidates, func(of candidate) bool {
		_, known := c.sets[i].at(of.place())
		return !known
	})
}

// forget lets go of colours by other modules than the one with the digest, so that there is room for its own; those of the usual condition stay until they are
// replaced, for questions that began with another.
func (c *colours) forget(digest string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.sets = slices.DeleteFunc(c.sets, func(s *colourSet) bool { return s.digest != digest && s.condition != DefaultCondition })
}

// ofOneChunk takes the first candidates of one chunk off the list.
func ofOneChunk(candidates []candidate) (of, rest []candidate) {
	n := 1
	for n < len(candidates) && candidates[n].chunk == candidates[0].chunk {
		n++
	}
	return candidates[:n], candidates[n:]
}

func (c *chunk) putColour(condition trial.ColourCondition, digest string, place int, colour pipeline.Colour) {
	c.colours.mu.Lock()
	defer c.colours.mu.Unlock()
	i := slices.IndexFunc(c.colours.sets, func(s *colourSet) bool { return s.condition == condition })
	switch {
	case i < 0:
		i = len(c.colours.sets)
		c.colours.sets = append(c.colours.sets, newColourSet(condition, digest, len(c.rows)))
	case c.colours.sets[i].digest != digest:
		c.colours.sets[i] = newColourSet(condition, digest, len(c.rows))
	}
	c.colours.sets[i].set(place, colour)
}

// inherit takes over the colours that were computed for the trial as it was: readings never change, so their colours don't. It is called before
// anybody else knows c.
func (c *chunk) inherit(old *chunk) {
	old.colours.mu.Lock()
	defer old.colours.mu.Unlock()
	if len(old.colours.sets) == 0 {
		return
	}
	places := make(map[entryID]int, len(c.readings))
	for i := range c.readings {
		places[c.readings[i].id] = i
	}
	for _, set := range old.colours.sets {
		for i := range old.readings {
			place, still := places[old.readings[i].id]
			if colour, known := set.at(i); known && still {
				c.putColour(set.condition, set.digest, place, colour)
			}
		}
	}
}

// lacking is first readings of one trial of which some have no colour yet under a condition.
type lacking struct {
	condition trial.ColourCondition
	of        []candidate
}

func (l *lacking) trial() trial.ID { return l.of[0].chunk.trial }

// in tells whether some colour is lacking still, of the module with the digest.
func (l *lacking) in(digest string) bool {
	return l.of[0].chunk.colours.lack(l.condition, digest, l.of)
}

// lackingTrials are the candidates of each trial of which some first reading has no colour yet.
func lackingTrials(condition trial.ColourCondition, digest string, candidates []candidate) (out []lacking) {
	for len(candidates) > 0 {
		l := lacking{condition: condition}
		l.of, candidates = ofOneChunk(candidates)
		if l.in(digest) {
			out = append(out, l)
		}
	}
	return out
}

// computeLacking has the module compute the colours of the candidates' first readings that aren't known yet. What somebody else has it compute already, another question
// or the pool beforehand, it waits for; what those didn't get done it does itself.
func (p *Pool) computeLacking(ctx context.Context, now *snapshot, module *pipeline.ColourReader, condition trial.ColourCondition, candidates []candidate) error {
	digest := module.Identity().GetDigest()
	for of := lackingTrials(condition, digest, candidates); len(of) > 0; {
		rawOf := func(ctx context.Context, _, id trial.ID) (map[entryID]trial.RawColour, error) {
			return p.rawOf(ctx, id)
		}
		if 2*len(of) >= len(now.chunks) {
			rawOf = (&rawPages{pool: p}).rawOf
		}
		others, err := p.compute(ctx, module, of, rawOf)
		if err != nil {
			return err
		}
		of = of[:0]
		for _, other := range others {
			select {
			case <-other.ended:
			case <-ctx.Done():
				return ctx.Err()
			}
			if other.in(digest) {
				of = append(of, other.lacking)
			}
		}
	}
	return nil
}

// rawPages reads raw measurements in pages of trials, for a question that needs most of them: that goes past the store's cache of records, which single ones would
// fill with what nobody asks for again.
type rawPages struct {
	pool   *Pool
	page   []store.TrialRow
	after  trial.ID
	ended  bool
	single bool // since a page couldn't be read: a damaged record in it may be none that the question needs
}

// rawsPage is how many trials are read at a time.
const rawsPage = 20

// rawOf is Pool.rawOf, for trials in the order of their ids; of those up to passed, which may be "", none is wanted any more.
func (r *rawPages) rawOf(ctx context.Context, passed, id trial.ID) (map[entryID]trial.RawColour, error) {
	for !r.single {
		for len(r.page) > 0 && r.page[0].ID < id {
			r.page = r.page[1:]
		}
		switch {
		case len(r.page) > 0 && r.page[0].ID == id:
			return r.pool.rawsIn(r.page[0])
		case len(r.page) > 0 || r.ended:
			return nil, nil // no longer shared
		}
		r.after = max(r.after, passed)
		page, err := r.pool.reader.SharedTrials(ctx, r.after, rawsPage)
		if err != nil {
			r.single = true
			break
		}
		r.page, r.ended = page, len(page) < rawsPage
		if len(page) > 0 {
			r.after = page[len(page)-1].ID
		}
	}
	return r.pool.rawOf(ctx, id)
}

// rawOf reads the raw measurements of a shared trial; none when it is no longer shared.
func (p *Pool) rawOf(ctx context.Context, id trial.ID) (map[entryID]trial.RawColour, error) {
	row, err := p.reader.TrialRow(ctx, id)
	if errors.Is(err, trial.ErrNotFound) || err == nil && (row.Deleted || !inPool(row.Sharing)) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read trial %s: %w", id, err)
	}
	return p.rawsIn(row)
}

func (p *Pool) rawsIn(row store.TrialRow) (map[entryID]trial.RawColour, error) {
	t, err := p.measured(row.Body)
	if err != nil {
		return nil, fmt.Errorf("decode trial %s: %w", row.ID, err)
	}
	raws, err := rawsOf(t)
	if err != nil {
		return nil, fmt.Errorf("trial %s: %w", row.ID, err)
	}
	return raws, nil
}

func rawsOf(t *trial.Trial) (map[entryID]trial.RawColour, error) {
	out := make(map[entryID]trial.RawColour, len(t.Readings))
	for i := range t.Readings {
		id, err := entryIDOf(t.Readings[i].ID)
		if err != nil {
			return nil, err
		}
		out[id] = t.Readings[i].Raw
	}
	return out, nil
}
