package pool_test

import (
	"context"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/store"
)

// noPiece is a question that needs no colour, and whose answer shows that the pool is loaded.
var noPiece = pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_MORDANT, Where: &store.Predicate{Field: "yarn", Value: "no such lot"}}

// stuck is a shelf on which one page, once it is armed, doesn't come until nobody wants it any more.
type stuck struct {
	*shelf
	armed atomic.Bool
	begun chan struct{}
}

func (s *stuck) SharedTrials(ctx context.Context, after string, limit int) ([]store.TrialRow, error) {
	if s.armed.CompareAndSwap(true, false) {
		close(s.begun)
		<-ctx.Done()
		return nil, ctx.Err()
	}
	return s.shelf.SharedTrials(ctx, after, limit)
}

// A question that waits for colours of another computes them itself when that one is given up; and it can be given up while it waits.
func TestColoursThatAreGivenUpAreAnybodys(t *testing.T) {
	const pieces = 12 // claimed together
	s := &stuck{shelf: spectra(pieces), begun: make(chan struct{})}
	h := open(t, s.shelf, func(c *pool.Config) { c.Reader = s })
	h.ask(t, noPiece)
	s.armed.Store(true)
	type answered struct {
		*poolv1.AskPaletteResponse
		error
	}
	ask := func() (give func(), answer <-chan answered) {
		ctx, cancel := context.WithCancel(t.Context())
		out := make(chan answered, 1)
		go func() {
			a, err := h.pool.AskPalette(ctx, byMordant)
			out <- answered{a, err}
		}()
		return cancel, out
	}
	giveUp, first := ask()
	<-s.begun
	giveUpToo, second := ask()
	forget, third := ask()
	defer forget()
	assert.Never(t, func() bool { return h.modules.Readings() > 0 || len(second)+len(third) > 0 }, 100*time.Millisecond, time.Millisecond)
	giveUpToo()
	require.ErrorIs(t, (<-second).error, context.Canceled)
	giveUp()
	require.ErrorIs(t, (<-first).error, context.Canceled)
	last := <-third
	require.NoError(t, last.error)
	assert.EqualValues(t, pieces, last.GetPiecesUsed())
	assert.Equal(t, pieces, h.modules.Readings())
}

// Questions that come at once compute each colour once, and each answer has all of them.
func TestQuestionsAtOnceComputeEachColourOnce(t *testing.T) {
	const pieces = 130 // claimed in seven parts
	h := open(t, spectra(pieces))
	h.ask(t, noPiece)
	var all sync.WaitGroup
	for range 6 {
		all.Go(func() {
			a, err := h.pool.AskPalette(t.Context(), byMordant)
			assert.NoError(t, err)
			assert.EqualValues(t, pieces, a.GetPiecesUsed())
		})
	}
	all.Wait()
	assert.Equal(t, pieces, h.modules.Readings())
}
