package pool_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pipeline/pipelinetest"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// pagesBreak is a shelf whose pages can't be read while they are broken; it counts how many trials were read one by one.
type pagesBreak struct {
	*shelf
	broken atomic.Bool
	single atomic.Int32
}

func (p *pagesBreak) SharedTrials(ctx context.Context, after trial.ID, limit int) ([]store.TrialRow, error) {
	if p.broken.Load() {
		return nil, errors.New("a damaged page")
	}
	return p.shelf.SharedTrials(ctx, after, limit)
}

func (p *pagesBreak) TrialRow(ctx context.Context, id trial.ID) (store.TrialRow, error) {
	p.single.Add(1)
	return p.shelf.TrialRow(ctx, id)
}

// Raw measurements are read in pages where most trials are wanted, one by one where few are, and one by one where a page can't be read, since what is damaged in
// it may not be wanted. The answer is the same, and a trial whose row went meanwhile is told as withdrawn.
func TestColoursAreTheSameHoweverRawMeasurementsAreRead(t *testing.T) {
	s := &pagesBreak{shelf: newShelf()}
	var last trial.ID
	for i := range 65 { // several pages
		b := newBook("ash")
		for k := range 3 {
			b.read(b.piece("", wool(fmt.Sprint("lot ", i%4)), mordant([]string{"alum", "tin"}[i%2]), pot("weld")), lab(float64(30+i%50), float64(k), float64(i%17)))
		}
		s.put(b.Trial)
		last = b.ID
	}
	house := func() *house { return open(t, s.shelf, func(c *pool.Config) { c.Reader = s }) }
	whole := func(a *poolv1.AskPaletteResponse) []byte {
		body, err := proto.MarshalOptions{Deterministic: true}.Marshal(a)
		require.NoError(t, err)
		return body
	}
	pages, one, broken := house(), house(), house()
	want := whole(pages.ask(t, byMordant))
	assert.Zero(t, s.single.Load(), "all in pages")

	few := byMordant
	few.Where = &store.Predicate{Field: "yarn", Value: "lot 1"}
	one.ask(t, few)
	assert.EqualValues(t, 16, s.single.Load(), "a quarter of the trials, one by one")
	assert.Equal(t, want, whole(one.ask(t, byMordant)))

	broken.ask(t, few) // loads before the pages break
	s.broken.Store(true)
	before := s.single.Load()
	assert.Equal(t, want, whole(broken.ask(t, byMordant)))
	assert.EqualValues(t, 65-16, s.single.Load()-before)
	s.broken.Store(false)

	gone := house()
	gone.ask(t, few)
	s.mu.Lock()
	delete(s.trials, last) // and the feed hasn't told it yet
	s.mu.Unlock()
	answer := gone.ask(t, byMordant)
	assert.EqualValues(t, 64*3, answer.GetPiecesUsed())
	assert.EqualValues(t, 3, leftOut(answer)["pieces: withdrawn while the question was answered"])
}

// successor is a shelf during whose next single reading of a trial another question is asked, with another build of the reading module.
type successor struct {
	*shelf
	meanwhile func()
}

func (s *successor) TrialRow(ctx context.Context, id trial.ID) (store.TrialRow, error) {
	if f := s.meanwhile; f != nil {
		s.meanwhile = nil
		f()
	}
	return s.shelf.TrialRow(ctx, id)
}

func (s *successor) SharedTrials(ctx context.Context, after trial.ID, limit int) ([]store.TrialRow, error) {
	if f := s.meanwhile; f != nil {
		s.meanwhile = nil
		f()
	}
	return s.shelf.SharedTrials(ctx, after, limit)
}

// builds are the modules of a core into which another build of the reading module comes.
type builds struct {
	*pipelinetest.Modules
	later atomic.Bool
}

func (b *builds) Acquire(kind string) (pipeline.Handle, error) {
	h, err := b.Modules.Acquire(kind)
	if err == nil && b.later.Load() && kind == pipeline.KindReading {
		return laterBuild{h}, nil
	}
	return h, err
}

type laterBuild struct{ pipeline.Handle }

func (l laterBuild) Identity() *typesv1.ModuleIdentity {
	id := proto.CloneOf(l.Handle.Identity())
	id.Digest = strings.Repeat("1", 64)
	return id
}

// A question that began with one build of the reading module ends with it, also when another question puts the colours of a later build in the place of those that
// it counts on.
func TestColoursOfALaterBuildWithdrawNothing(t *testing.T) {
	s := &successor{shelf: newShelf()}
	put := func() {
		b := newBook("ash")
		b.read(b.piece("", wool("lot 1"), mordant("alum"), pot("weld")), lab(50, 1, 20))
		s.put(b.Trial)
	}
	put()
	modules := &builds{Modules: pipelinetest.Start(t)}
	h := open(t, s.shelf, func(c *pool.Config) { c.Reader, c.Pipeline = s, pipeline.New(modules) })
	require.EqualValues(t, 1, h.ask(t, byMordant).GetPiecesUsed())
	put()
	h.ask(t, pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_MORDANT, Where: &store.Predicate{Field: "yarn", Value: "no such lot"}}) // the pool knows the second trial
	asked := false
	s.meanwhile = func() {
		modules.later.Store(true)
		assert.EqualValues(t, 2, h.ask(t, byMordant).GetPiecesUsed())
		modules.later.Store(false)
		asked = true
	}
	answer := h.ask(t, byMordant)
	require.True(t, asked)
	assert.EqualValues(t, 2, answer.GetPiecesUsed())
	assert.Empty(t, leftOut(answer))
}
