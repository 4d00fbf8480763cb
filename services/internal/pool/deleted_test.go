package pool_test

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// What is deleted counts in no answer, and is back when it is undeleted; so it is for a pool that follows and for one that is loaded.
func TestDeletedRecordsCountInNoAnswer(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	p := b.piece("", wool("lot 1"), pot("weld"))
	piece := p.ID
	b.read(p, lab(70, -5, 60))
	other := newBook("birch")
	q := other.piece("", wool("lot 1"), pot("madder"))
	otherPiece := q.ID
	other.read(q, lab(50, 40, 20))
	h := open(t, s)
	byFibre := pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_FIBRE}
	h.put(b.Trial)
	h.put(other.Trial)
	assert.EqualValues(t, 2, h.ask(t, byFibre).GetPiecesUsed())

	b.DeletedAt = dawn
	h.put(b.Trial)
	assert.EqualValues(t, 1, h.ask(t, byFibre).GetPiecesUsed())
	sum, rows := sumOf(t, h.pool, h.Revision())
	assert.Equal(t, 1, rows)
	loaded, _ := sumOf(t, open(t, s).pool, h.Revision())
	assert.Equal(t, loaded, sum)
	compare := pool.PiecesQuestion{Reader: "ash", Reference: piece, Sample: otherPiece}
	_, err := h.pool.ComparePieces(t.Context(), compare)
	require.ErrorIs(t, err, pool.ErrUnusable, "its owner is told why")
	compare.Reader = "birch"
	_, err = h.pool.ComparePieces(t.Context(), compare)
	require.ErrorIs(t, err, trial.ErrNotFound, "to others it isn't there")

	b.DeletedAt = b.CreatedAt
	h.put(b.Trial)
	assert.EqualValues(t, 2, h.ask(t, byFibre).GetPiecesUsed())
	_, err = h.pool.ComparePieces(t.Context(), compare)
	require.NoError(t, err)

	id := experiment(s, 6)
	s.experiments[0].DeletedAt = dawn
	_, err = h.pool.AskPalette(t.Context(), pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_ORDER, ExperimentID: id})
	require.ErrorIs(t, err, trial.ErrNotFound, "a deleted experiment gives no verdict")
}

// While the pool can't take in a withdrawal, it gives no answer rather than one with the rows that were taken back; what else
// it hasn't taken in yet holds up nobody.
func TestNoAnswerHoldsWhatWasTakenBack(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	b.read(b.piece("", wool("lot 1"), pot("weld")), lab(70, -5, 60))
	h := open(t, s)
	h.put(b.Trial)
	ask := func(within time.Duration) (*poolv1.AskPaletteResponse, error) {
		ctx, cancel := context.WithTimeout(t.Context(), within)
		defer cancel()
		return h.pool.AskPalette(ctx, pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_FIBRE})
	}
	assert.EqualValues(t, 1, h.ask(t, pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_FIBRE}).GetPiecesUsed())

	for _, kind := range []trial.ChangeKind{trial.Withdrawn, trial.Deleted} {
		h.setFault(errors.New("the disk is slow"))
		h.noteKind(trial.Changed, b.ID)
		answer, err := ask(time.Minute)
		require.NoError(t, err)
		assert.EqualValues(t, 1, answer.GetPiecesUsed())
		h.noteKind(kind, b.ID)
		h.noteKind(trial.Changed, b.ID)
		_, err = ask(300 * time.Millisecond)
		require.ErrorIs(t, err, context.DeadlineExceeded)
		h.setFault(nil)
		assert.EqualValues(t, 1, h.ask(t, pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_FIBRE}).GetPiecesUsed(), "it has been taken in, and was shared again")
	}
}
