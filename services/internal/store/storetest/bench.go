package storetest

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// sheets: every revision stays, a plan is its member's alone, a piece keeps its code, and each has its line in the audit trail.
func sheets(t *testing.T, b *bench) {
	ctx := t.Context()
	const plan1, plan2, piece = "01900000-0000-7000-8000-0000000000a1", "01900000-0000-7000-8000-0000000000a2", "01900000-0000-7000-8000-0000000000b1"
	keep := func(member trial.MemberID, plan, title string) (store.SheetRow, error) {
		return b.KeepSheet(ctx, By(member), now, plan, "planned", "because", func(k store.SheetKeeping) (*store.SheetRow, error) {
			code, err := k.Code(piece)
			return &store.SheetRow{Title: title, TrialID: plan2, Standing: 3, Body: []byte(code)}, err
		})
	}
	first, err := keep(ann, plan1, "one")
	require.NoError(t, err)
	assert.Equal(t, int64(1), first.Revision)
	second, err := keep(ann, plan1, "two")
	require.NoError(t, err)
	assert.Equal(t, int64(2), second.Revision)
	assert.Equal(t, first.Body, second.Body, "the piece has the same code")
	_, err = keep(bo, plan1, "another's")
	require.ErrorIs(t, err, trial.ErrExists)
	_, err = keep(bo, plan2, "another's piece")
	require.ErrorIs(t, err, trial.ErrExists)
	none, err := b.Sheets(ctx, bo, false, "", 10)
	require.NoError(t, err)
	assert.Empty(t, none, "what was refused left nothing")
	same, err := b.KeepSheet(ctx, By(ann), now, plan1, "planned", "", func(k store.SheetKeeping) (*store.SheetRow, error) {
		assert.Equal(t, "two", k.Newest.Title)
		return nil, nil
	})
	require.NoError(t, err)
	assert.Equal(t, int64(2), same.Revision, "nothing was kept")
	wrong := errors.New("no")
	_, err = b.KeepSheet(ctx, By(ann), now, plan1, "planned", "", func(store.SheetKeeping) (*store.SheetRow, error) { return nil, wrong })
	require.ErrorIs(t, err, wrong)

	b.reopen(t)
	got, err := b.Sheet(ctx, ann, plan1, 1)
	require.NoError(t, err)
	assert.Equal(t, "one", got.Title)
	assert.Equal(t, plan2, got.TrialID)
	assert.WithinDuration(t, now, got.At, time.Microsecond)
	for _, q := range []struct {
		owner    trial.MemberID
		plan     string
		revision int64
	}{{bo, plan1, 0}, {ann, plan2, 0}, {ann, plan1, 3}, {ann, "no id", 0}} {
		_, err := b.Sheet(ctx, q.owner, q.plan, q.revision)
		require.ErrorIs(t, err, trial.ErrNotFound)
	}
	_, err = keep(ann, plan2, "later")
	require.NoError(t, err)
	page, err := b.Sheets(ctx, ann, false, "", 10)
	require.NoError(t, err)
	require.Len(t, page, 2)
	assert.Equal(t, []string{"later", "two"}, []string{page[0].Title, page[1].Title}, "the newest revision of each, newest plan first")
	page, err = b.Sheets(ctx, ann, false, plan2, 10)
	require.NoError(t, err)
	assert.Len(t, page, 1)

	// A trial that is entered afterwards finds the code; another member's piece of that id doesn't.
	codes := map[trial.MemberID]string{}
	for _, member := range []trial.MemberID{ann, bo} {
		_, err := b.Change(ctx, store.ChangeRequest{Actor: By(member), Now: now, Apply: func(r trial.Records) (_ []byte, err error) {
			codes[member], err = r.PieceCode(piece)
			return nil, err
		}})
		require.NoError(t, err)
	}
	assert.Equal(t, string(first.Body), codes[ann])
	assert.NotEqual(t, codes[ann], codes[bo])

	entries, err := b.AuditEntries(ctx, store.AuditQuery{Limit: 100})
	require.NoError(t, err)
	last := entries[len(entries)-1]
	assert.Equal(t, []string{"sheet " + plan2 + " planned"}, last.Subjects)
	assert.Equal(t, "because", last.Reason)
}

// workshops: revisions without gaps, each member's own.
func workshops(t *testing.T, b *bench) {
	ctx := t.Context()
	_, err := b.Workshop(ctx, ann)
	require.ErrorIs(t, err, trial.ErrNotFound)
	keep := func(revision int64, body string) error {
		return b.KeepWorkshop(ctx, By(ann), store.WorkshopRow{Member: ann, Revision: revision, At: now, Body: []byte(body)})
	}
	require.ErrorIs(t, keep(2, "too early"), trial.ErrStale)
	require.NoError(t, keep(1, "one"))
	require.ErrorIs(t, keep(1, "twice"), trial.ErrStale)
	require.NoError(t, keep(2, "two"))
	b.reopen(t)
	got, err := b.Workshop(ctx, ann)
	require.NoError(t, err)
	assert.Equal(t, "two", string(got.Body))
	assert.Equal(t, int64(2), got.Revision)
	_, err = b.Workshop(ctx, bo)
	require.ErrorIs(t, err, trial.ErrNotFound)
}
