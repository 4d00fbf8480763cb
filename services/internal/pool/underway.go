package pool

import (
	"context"
	"maps"
	"slices"
	"sync"

	"golang.org/x/sync/errgroup"

	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// underway is whose colours are being computed now, so that nobody computes the same beside.
type underway struct {
	mu  sync.Mutex
	now map[work]*claim
}

// work is the colours of a trial under one condition, by the module with the digest.
type work struct {
	chunk     *chunk
	condition trial.ColourCondition
	digest    string
}

// claim is work that somebody does. No one who holds a claim waits for another.
type claim struct {
	work
	ended chan struct{} // closed when it is done, or given up
}

// begin claims work, unless somebody has it; then that claim is given.
func (u *underway) begin(w work) (c *claim, mine bool) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if other := u.now[w]; other != nil {
		return other, false
	}
	if u.now == nil {
		u.now = map[work]*claim{}
	}
	c = &claim{w, make(chan struct{})}
	u.now[w] = c
	return c, true
}

func (u *underway) end(c *claim) {
	u.mu.Lock()
	defer u.mu.Unlock()
	delete(u.now, c.work)
	close(c.ended)
}

// other is what is lacking and somebody else does.
type other struct {
	lacking
	ended <-chan struct{}
}

// batch is raw measurements on their way to the module, whose they are, and the claims that end with them.
type batch struct {
	condition trial.ColourCondition
	raws      []trial.RawColour
	whose     []wanted
	claims    []*claim
}

// wanted is a reading of a chunk whose colour isn't known yet.
type wanted struct {
	chunk *chunk
	place int
}

// rawsOfTrial reads what the readings of a shared trial measured; none when it is no longer shared. Nothing is wanted any more of trials up to passed.
type rawsOfTrial func(ctx context.Context, passed, id trial.ID) (map[entryID]trial.RawColour, error)

// callsAtOnce are those that are made at the reading module by one question: it is a process of its own, and may use every processor beside what reads the record.
const callsAtOnce = 2

// compute has the module compute colours that are lacking, and gives what somebody else does already. The trials come in the order of their ids, those of several conditions one
// after another. Raw measurements are read from the record again, so that the pool needs no room for them: the next batches are read while the module has some. A
// reading that is gone since (its trial was withdrawn) gets no colour.
func (p *Pool) compute(ctx context.Context, module *pipeline.ColourReader, of []lacking, rawOf rawsOfTrial) ([]other, error) {
	c := &computing{pool: p, digest: module.Identity().GetDigest(), rawOf: rawOf, held: map[*claim]bool{}}
	defer func() { c.end(slices.Collect(maps.Keys(c.held))) }()
	batches := make(chan batch)
	all, ctx := errgroup.WithContext(ctx)
	all.Go(func() error {
		defer close(batches)
		return c.read(ctx, of, func(b batch) error {
			select {
			case batches <- b:
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		})
	})
	for range callsAtOnce {
		all.Go(func() error {
			for b := range batches {
				colours, err := module.Compute(ctx, b.condition, b.raws)
				if err != nil {
					return err
				}
				for i, colour := range colours {
					b.whose[i].chunk.putColour(b.condition, c.digest, b.whose[i].place, colour)
				}
				c.end(b.claims)
			}
			return nil
		})
	}
	err := all.Wait()
	return c.others, err
}

// computing is one go at colours that are lacking.
type computing struct {
	pool   *Pool
	digest string
	rawOf  rawsOfTrial
	others []other // of read alone, until it has ended

	mu   sync.Mutex
	held map[*claim]bool
}

// begin claims what nobody else has of some trials.
func (c *computing) begin(of []lacking) (mine []*claim, rest []lacking) {
	for _, l := range of {
		claim, is := c.pool.underway.begin(work{l.of[0].chunk, l.condition, c.digest})
		if !is {
			c.others = append(c.others, other{l, claim.ended})
			continue
		}
		c.mu.Lock()
		c.held[claim] = true
		c.mu.Unlock()
		mine, rest = append(mine, claim), append(rest, l)
	}
	return mine, rest
}

func (c *computing) end(claims []*claim) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, claim := range claims {
		delete(c.held, claim)
		c.pool.underway.end(claim)
	}
}

// read hands on what first readings measured where its colour isn't known. As many trials are claimed at a time as are read.
func (c *computing) read(ctx context.Context, of []lacking, hand func(batch) error) error {
	var open []batch // one a condition
	var known []found
	passed := trial.ID("")
	for len(of) > 0 {
		group := firstTrials(of, rawsPage)
		of = of[len(group):]
		var raws map[entryID]trial.RawColour
		read := trial.ID("") // whose raws are
		claims, mine := c.begin(group)
		for i, l := range mine {
			if !l.in(c.digest) { // somebody has just computed them
				c.end(claims[i : i+1])
				continue
			}
			if id := l.trial(); id != read {
				var err error
				if raws, err = c.rawOf(ctx, passed, id); err != nil {
					return err
				}
				read = id
			}
			at := slices.IndexFunc(open, func(b batch) bool { return b.condition == l.condition })
			if at < 0 {
				at = len(open)
				open = append(open, batch{condition: l.condition})
			}
			b := &open[at]
			b.claims = append(b.claims, claims[i])
			known = l.of[0].chunk.colours.of(l.condition, c.digest, l.of, known[:0])
			for k := range l.of {
				place := l.of[k].place()
				if raw, ok := raws[l.of[k].chunk.readings[place].id]; ok && !known[k].known {
					b.raws, b.whose = append(b.raws, raw), append(b.whose, wanted{l.of[k].chunk, place})
				}
			}
			if len(b.raws) >= pipeline.ReadingBatch {
				if err := hand(*b); err != nil {
					return err
				}
				*b = batch{condition: b.condition, raws: make([]trial.RawColour, 0, len(b.raws)), whose: make([]wanted, 0, len(b.whose))}
			}
		}
		passed = group[len(group)-1].trial()
	}
	for _, b := range open {
		if len(b.raws) == 0 {
			continue // its claims end with all
		}
		if err := hand(b); err != nil {
			return err
		}
	}
	return nil
}

// firstTrials is what is lacking of so many trials at most.
func firstTrials(of []lacking, most int) []lacking {
	trials := 0
	for i := range of {
		if i > 0 && of[i].trial() == of[i-1].trial() {
			continue
		}
		if trials++; trials > most {
			return of[:i]
		}
	}
	return of
}
