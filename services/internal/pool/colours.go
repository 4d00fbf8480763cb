package pool

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// colours keeps what the reading module made of a trial's readings, by condition. Those of another module than the one in
// use are forgotten.
type colours struct {
	mu   sync.Mutex
	sets map[trial.ColourCondition]*colourSet
}

type colourSet struct {
	digest string
	byID   map[trial.ID]pipeline.Colour
}

func (c *colours) get(condition trial.ColourCondition, digest string, id trial.ID) (pipeline.Colour, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	set := c.sets[condition]
	if set == nil || set.digest != digest {
		return pipeline.Colour{}, false
	}
	colour, ok := set.byID[id]
	return colour, ok
}

func (c *colours) put(condition trial.ColourCondition, digest string, id trial.ID, colour pipeline.Colour) {
	c.mu.Lock()
	defer c.mu.Unlock()
	set := c.sets[condition]
	if set == nil || set.digest != digest {
		if c.sets == nil {
			c.sets = map[trial.ColourCondition]*colourSet{}
		}
		set = &colourSet{digest: digest, byID: map[trial.ID]pipeline.Colour{}}
		c.sets[condition] = set
	}
	set.byID[id] = colour
}

// wanted is a reading of a chunk whose colour isn't known yet.
type wanted struct {
	chunk *chunk
	id    trial.ID
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
			whose[i].chunk.colours.put(condition, digest, whose[i].id, colour)
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
			if raw, ok := found[w.id]; ok {
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
func (p *Pool) rawOf(ctx context.Context, id trial.ID) (map[trial.ID]trial.RawColour, error) {
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
	out := make(map[trial.ID]trial.RawColour, len(t.Readings))
	for i := range t.Readings {
		out[t.Readings[i].ID] = t.Readings[i].Raw
	}
	return out, nil
}
