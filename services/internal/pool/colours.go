package pool

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"

	"golang.org/x/sync/errgroup"

	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// colours keeps what the reading module made of a chunk's readings, by condition. Those of another module than the one in
// use are forgotten. A colour takes 28 bytes, and few pieces need more than one; there are four conditions.
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

// batch is raw measurements on their way to the module, and whose they are.
type batch struct {
	raws  []trial.RawColour
	whose []wanted
}

// wanted is a reading of a chunk whose colour isn't known yet.
type wanted struct {
	chunk *chunk
	place int
}

// computeLacking has the module compute the colours of the candidates' first readings that aren't known yet.
func (p *Pool) computeLacking(ctx context.Context, now *snapshot, module *pipeline.ColourReader, condition trial.ColourCondition, candidates []candidate) error {
	lacking := func() [][]candidate { return lackingTrials(condition, module.Identity().GetDigest(), candidates) }
	most := func(of [][]candidate) bool { return 2*len(of) >= len(now.chunks) }
	of := lacking()
	if most(of) && condition == DefaultCondition { // they may be being computed
		if err := p.waitBeforehand(ctx); err != nil {
			return err
		}
		of = lacking()
	}
	rawOf := p.rawOf
	if most(of) {
		rawOf = (&rawPages{pool: p}).rawOf
	}
	return p.compute(ctx, module, condition, of, rawOf)
}

// rawsOfTrial reads what the readings of a shared trial measured; none when it is no longer shared.
type rawsOfTrial func(context.Context, trial.ID) (map[entryID]trial.RawColour, error)

// compute has the module compute the colours of first readings that aren't known yet, trial by trial. The raw measurements are read from the record again, so
// that the pool needs no room for them: the next batch is read while the module has one. A reading that is gone since (its trial was withdrawn) gets no colour.
func (p *Pool) compute(ctx context.Context, module *pipeline.ColourReader, condition trial.ColourCondition, lacking [][]candidate, rawOf rawsOfTrial) error {
	if len(lacking) == 0 {
		return nil
	}
	digest := module.Identity().GetDigest()
	batches := make(chan batch)
	both, ctx := errgroup.WithContext(ctx)
	both.Go(func() error {
		defer close(batches)
		return readRaws(ctx, condition, digest, lacking, rawOf, func(b batch) error {
			select {
			case batches <- b:
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		})
	})
	both.Go(func() error {
		for b := range batches {
			colours, err := module.Compute(ctx, condition, b.raws)
			if err != nil {
				return err
			}
			for i, colour := range colours {
				b.whose[i].chunk.putColour(condition, digest, b.whose[i].place, colour)
			}
		}
		return nil
	})
	return both.Wait()
}

// readRaws hands on what first readings measured where its colour isn't known.
func readRaws(ctx context.Context, condition trial.ColourCondition, digest string, lacking [][]candidate, rawOf rawsOfTrial, hand func(batch) error) error {
	var b batch
	var known []found
	for _, of := range lacking {
		raws, err := rawOf(ctx, of[0].chunk.trial)
		if err != nil {
			return err
		}
		known = of[0].chunk.colours.of(condition, digest, of, known[:0])
		for i := range of {
			if known[i].known {
				continue
			}
			c, place := of[i].chunk, of[i].place()
			if raw, ok := raws[c.readings[place].id]; ok {
				b.raws, b.whose = append(b.raws, raw), append(b.whose, wanted{c, place})
			}
		}
		if len(b.raws) >= pipeline.ReadingBatch {
			if err := hand(b); err != nil {
				return err
			}
			b = batch{make([]trial.RawColour, 0, len(b.raws)), make([]wanted, 0, len(b.whose))}
		}
	}
	if len(b.raws) > 0 {
		return hand(b)
	}
	return nil
}

// lackingTrials are the candidates of each trial of which some first reading has no colour yet.
func lackingTrials(condition trial.ColourCondition, digest string, candidates []candidate) (out [][]candidate) {
	var known []found
	for len(candidates) > 0 {
		var of []candidate
		of, candidates = ofOneChunk(candidates)
		known = of[0].chunk.colours.of(condition, digest, of, known[:0])
		if slices.ContainsFunc(known, func(f found) bool { return !f.known }) {
			out = append(out, of)
		}
	}
	return out
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

// rawOf is Pool.rawOf, for trials in the order of their ids.
func (r *rawPages) rawOf(ctx context.Context, id trial.ID) (map[entryID]trial.RawColour, error) {
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
