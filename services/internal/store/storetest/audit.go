package storetest

import (
	"errors"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func auditOfNothing(t *testing.T, b *bench) {
	sample, id := NewSample(ann), NewID()
	_, err := b.Change(t.Context(), request(ann, id, sample))
	require.NoError(t, err)
	before := allAudit(t, b)
	again, err := b.Change(t.Context(), request(ann, id, sample))
	require.NoError(t, err)
	require.True(t, again.Replayed)
	_, err = b.Change(t.Context(), request(ann, id, NewSample(ann)))
	require.ErrorIs(t, err, trial.ErrRequestReused)
	_, err = b.change(t, func(r trial.Records) ([]byte, error) {
		return nil, errors.Join(setTitle(sample.Trial.ID, "no")(r), trial.ErrImpossible)
	})
	require.ErrorIs(t, err, trial.ErrImpossible)
	b.must(t, func(r trial.Records) error {
		_, err := r.NewPieceCode()
		return err
	})
	require.ErrorIs(t, b.CreateMember(t.Context(), By(ann), store.MemberRow{ID: ann}), trial.ErrExists)
	require.ErrorIs(t, b.CreateToken(t.Context(), By(ann), store.TokenRow{ID: "t1", Member: "nobody"}), trial.ErrNotFound)
	require.ErrorIs(t, b.RevokeToken(t.Context(), By(ann), "t1", now), trial.ErrNotFound)
	for _, by := range []store.Actor{{Member: ann}, {Method: "/lab/SubmitTrial"}} {
		_, err = b.Change(t.Context(), store.ChangeRequest{Actor: by, Now: now, Apply: func(trial.Records) ([]byte, error) { return nil, nil }})
		assert.ErrorIs(t, err, trial.ErrInvalid, "a change names who makes it and by what")
		assert.ErrorIs(t, b.CreateMember(t.Context(), by, store.MemberRow{ID: "dee"}), trial.ErrInvalid)
	}
	assert.Equal(t, before, allAudit(t, b))
	versions, err := b.Versions(t.Context(), trial.TrialRecord, sample.Trial.ID, 0, 10)
	require.NoError(t, err)
	assert.Len(t, versions, 1)
}

func auditOfMembers(t *testing.T, b *bench) {
	rows := allAudit(t, b)
	require.Len(t, rows, 3, "the suite's members")
	for i, id := range []trial.MemberID{ann, bo, cai} {
		assert.Equal(t, []string{"member " + id}, rows[i].Subjects)
		assert.Equal(t, By(store.Server), rows[i].Actor)
		assert.Zero(t, rows[i].Revision)
		assert.Zero(t, rows[i].RequestHash)
	}
	require.NoError(t, b.CreateToken(t.Context(), By(bo), store.TokenRow{ID: "t1", Member: ann, CreatedAt: now}))
	require.NoError(t, b.RevokeToken(t.Context(), By(cai), "t1", now.Add(time.Hour)))
	require.NoError(t, b.RevokeToken(t.Context(), By(cai), "t1", now.Add(2*time.Hour)))
	require.NoError(t, b.TouchTokens(t.Context(), map[string]time.Time{"t1": now}))
	rows = allAudit(t, b)[3:]
	require.Len(t, rows, 2, "nothing changed by the second revocation, and last uses are not in it")
	for i, by := range []trial.MemberID{bo, cai} {
		assert.Equal(t, []string{"token t1"}, rows[i].Subjects)
		assert.Equal(t, By(by), rows[i].Actor)
	}
	assert.Equal(t, now.Add(time.Hour).UTC().Truncate(time.Microsecond), rows[1].At)
}

// failingNeighbourLeavesNoTrace has changes of one group of which every second fails after its puts.
func failingNeighbourLeavesNoTrace(t *testing.T, b *bench) {
	samples := make([]*Sample, 12)
	for i := range samples {
		samples[i] = NewSample(ann)
	}
	b.keep(t, samples...)
	before := len(allAudit(t, b))
	mind := errors.New("changed my mind")
	release := b.holdWriter(t)
	defer release()
	var callers sync.WaitGroup
	for i, sample := range samples {
		callers.Go(func() {
			_, err := b.change(t, func(r trial.Records) ([]byte, error) {
				if err := setTitle(sample.Trial.ID, "put")(r); err != nil || i%3 == 0 {
					return nil, err
				}
				if i%3 == 1 {
					return nil, mind
				}
				panic("a vat boiled over")
			})
			assert.Equal(t, i%3 == 0, err == nil, "%v", err)
		})
	}
	settle()
	release()
	callers.Wait()
	b.reopen(t)
	rows := allAudit(t, b)
	assert.Len(t, rows, before+4)
	for i, sample := range samples {
		versions, err := b.Versions(t.Context(), trial.TrialRecord, sample.Trial.ID, 0, 10)
		require.NoError(t, err)
		want := 1
		if i%3 == 0 {
			want = 2
		}
		assert.Len(t, versions, want)
	}
	b.must(t, setTitle(samples[1].Trial.ID, "after all"))
	allAudit(t, b)
}

func lastUse(t *testing.T, b *bench) {
	at := time.Date(2026, 1, 2, 3, 4, 5, 6000, time.UTC)
	for i, id := range []string{"t1", "t2", "t3"} {
		require.NoError(t, b.CreateToken(t.Context(), By(ann), store.TokenRow{ID: id, Member: ann, CreatedAt: at.Add(time.Duration(i/2) * time.Hour)}))
	}
	require.NoError(t, b.CreateToken(t.Context(), By(ann), store.TokenRow{ID: "t4", Member: bo, CreatedAt: at}))
	used := func(id string) time.Time {
		token, err := b.Token(t.Context(), id)
		require.NoError(t, err)
		return token.LastUsedAt
	}
	assert.Zero(t, used("t1"))
	require.NoError(t, b.TouchTokens(t.Context(), nil))
	require.NoError(t, b.TouchTokens(t.Context(), map[string]time.Time{"t1": at, "t2": at.Add(time.Hour), "nothing": at}))
	hour := time.Date(2026, 1, 2, 3, 0, 0, 0, time.UTC)
	assert.Equal(t, hour, used("t1"))
	assert.Equal(t, hour.Add(time.Hour), used("t2"))
	require.NoError(t, b.TouchTokens(t.Context(), map[string]time.Time{"t1": at.Add(50 * time.Minute), "t2": at}))
	assert.Equal(t, hour, used("t1"), "the same hour")
	assert.Equal(t, hour.Add(time.Hour), used("t2"), "never back")
	require.NoError(t, b.TouchTokens(t.Context(), map[string]time.Time{"t1": at.Add(56 * time.Minute).In(time.FixedZone("", 5*1800))}))
	assert.Equal(t, hour.Add(time.Hour), used("t1"))
	b.reopen(t)
	assert.Equal(t, hour.Add(time.Hour), used("t1"))

	tokens, err := b.Tokens(t.Context(), ann)
	require.NoError(t, err)
	require.Len(t, tokens, 3)
	assert.Equal(t, []string{"t3", "t2", "t1"}, []string{tokens[0].ID, tokens[1].ID, tokens[2].ID}, "newest first")
	for _, token := range tokens {
		one, err := b.Token(t.Context(), token.ID)
		require.NoError(t, err)
		assert.Equal(t, one, token)
	}
	tokens, err = b.Tokens(t.Context(), "nobody")
	require.NoError(t, err)
	assert.Empty(t, tokens)
	assert.Zero(t, b.Revision())
}
