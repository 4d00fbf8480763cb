package pool

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"

	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// colours keeps what the reading module made of a chunk's readings, by condition. Those of another module than the one in
// use are forgotten.
type colours struct {
	mu   sync.Mutex
	sets map[trial.ColourCondition]*colourSet
}

// colourSet has a place for each of the chunk's readings.
type colourSet struct {
	digest string
	labs   []trial.Lab // L is NaN where nothing is known
	faults map[int]string
}

func newColourSet(digest string, readings int) *colourSet {
	set := &colourSet{digest: digest, labs: make([]trial.Lab, readings)}
	for i := range set.labs {
		set.labs[i].L = math.NaN()
	}
	return set
}

func (s *colourSet) at(place int) (pipeline.Colour, bool) {
	if fault, ok := s.faults[place]; ok {
		return pipeline.Colour{Fault: fault}, true
	}
	return pipeline.Colour{Lab: s.labs[place]}, !math.IsNaN(s.labs[place].L)
}

func (s *colourSet) set(place int, colour pipeline.Colour) {
	if colour.Fault == "" {
		s.labs[place] = colour.Lab
		return
	}
	if s.faults == nil {
		s.faults = map[int]string{}
	}
	s.faults[place] = colour.Fault
}

func (c *colours) get(condition trial.ColourCondition, digest string, place int) (pipeline.Colour, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	set := c.sets[condition]
	if set == nil || set.digest != digest {
		return pipeline.Colour{}, false
	}
	return set.at(place)
}

func (c *chunk) putColour(condition trial.ColourCondition, digest string, place int, colour pipeline.Colour) {
	c.colours.mu.Lock()
	defer c.colours.mu.Unlock()
	set := c.colours.sets[condition]
	if set == nil || set.digest != digest {
		if c.colours.sets == nil {
			c.colours.sets = map[trial.ColourCondition]*colourSet{}
		}
		set = newColourSet(digest, len(c.readings))
		c.colours.sets[condition] = set
	}
	set.set(place, colour)
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
	for condition, set := range old.colours.sets {
		for i := range old.readings {
			place, still := places[old.readings[i].id]
			if colour, known := set.at(i); known && still {
				c.putColour(condition, set.digest, place, colour)
			}
		}
	}
}

// wanted is a reading of a chunk whose colour isn't known yet.
type wanted struct {
	chunk *chunk
	place int
}

// compute has the module compute the colours that are wanted. The raw measurements are read from the record again, so that the pool
// needs no room for them. A reading that is gone since (its trial was withdrawn) gets no colour.
func (p *Pool) compute(ctx context.Context, module *pipeline.ColourReader, condition trial.ColourCondition, want []wanted) error {
	digest := module.Identity().GetDigest()
	var raws []trial.RawColour
	var whose []wanted
	flush := func() error {
		colours, err := module.Compute(ctx, condition, raws)
		if err != nil {
			return err
		}
		for i, colour := range colours {
			whose[i].chunk.putColour(condition, digest, whose[i].place, colour)
		}
		raws, whose = raws[:0], whose[:0]
		return nil
	}
	for len(want) > 0 {
		n := 1
		for n < len(want) && want[n].chunk == want[0].chunk {
			n++
		}
		found, err := p.rawOf(ctx, want[0].chunk.trial)
		if err != nil {
			return err
		}
		for _, w := range want[:n] {
			if raw, ok := found[w.chunk.readings[w.place].id]; ok {
				raws, whose = append(raws, raw), append(whose, w)
			}
		}
		want = want[n:]
		if len(raws) >= pipeline.ReadingBatch {
			if err := flush(); err != nil {
				return err
			}
		}
	}
	if len(raws) > 0 {
		return flush()
	}
	return nil
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
	t, err := p.decode(row.Body)
	if err != nil {
		return nil, fmt.Errorf("decode trial %s: %w", id, err)
	}
	raws, err := rawsOf(t)
	if err != nil {
		return nil, fmt.Errorf("trial %s: %w", id, err)
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
