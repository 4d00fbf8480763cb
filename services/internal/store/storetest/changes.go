package storetest

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// request is a change of a member's with a request id, which puts a sample and answers its title.
func request(member trial.MemberID, id string, sample *Sample) store.ChangeRequest {
	return store.ChangeRequest{
		Actor: By(member), RequestID: id, BodyHash: hashOf(sample.Trial.ID), Now: now,
		Apply: func(r trial.Records) ([]byte, error) { return []byte(sample.Trial.Title), sample.Put(r) },
	}
}

func replays(t *testing.T, b *bench) {
	sample, id := NewSample(ann), NewID()
	first, err := b.Change(t.Context(), request(ann, id, sample))
	require.NoError(t, err)
	assert.Equal(t, store.ChangeResult{Response: []byte("Yellow over blue"), Revision: 1}, first)
	b.keep(t, NewSmallSample(ann))
	want := store.ChangeResult{Response: []byte("Yellow over blue"), Revision: 1, Replayed: true}
	again, err := b.Change(t.Context(), request(ann, id, sample))
	require.NoError(t, err)
	assert.Equal(t, want, again)
	b.reopen(t)
	again, err = b.Change(t.Context(), request(ann, id, sample))
	require.NoError(t, err)
	assert.Equal(t, want, again)
	assert.Len(t, b.allChanges(t), 4, "nothing was done again")

	other, err := b.Change(t.Context(), request(bo, id, NewSmallSample(bo)))
	require.NoError(t, err, "another member's request of the same id is another request")
	assert.False(t, other.Replayed)

	empty := store.ChangeRequest{Actor: By(ann), RequestID: NewID(), Now: now, Apply: func(trial.Records) ([]byte, error) { return nil, nil }}
	for _, replayed := range []bool{false, true} {
		result, err := b.Change(t.Context(), empty)
		require.NoError(t, err)
		assert.Empty(t, result.Response)
		assert.Equal(t, replayed, result.Replayed)
		assert.Equal(t, int64(3), result.Revision)
	}
}

func requestReused(t *testing.T, b *bench) {
	id := NewID()
	failing := request(ann, id, NewSample(ann))
	failing.Apply = func(trial.Records) ([]byte, error) { return nil, trial.ErrImpossible }
	_, err := b.Change(t.Context(), failing)
	require.ErrorIs(t, err, trial.ErrImpossible)
	_, err = b.Change(t.Context(), request(ann, id, NewSample(ann)))
	require.NoError(t, err, "a refused request leaves its id free")
	late := NewSample(ann)
	_, err = b.Change(t.Context(), request(ann, id, late))
	assert.ErrorIs(t, err, trial.ErrRequestReused)
	_, err = b.TrialRow(t.Context(), late.Trial.ID)
	assert.ErrorIs(t, err, trial.ErrNotFound)
	_, err = b.Change(t.Context(), request(ann, "seven", late))
	assert.ErrorIs(t, err, trial.ErrInvalid)
}

func replaysInAGroup(t *testing.T, b *bench) {
	release := b.holdWriter(t)
	defer release()
	id, sample := NewID(), NewSample(ann)
	var callers sync.WaitGroup
	var done, replayed atomic.Int32
	for range 24 {
		callers.Go(func() {
			result, err := b.Change(t.Context(), request(ann, id, sample))
			if assert.NoError(t, err) {
				assert.Equal(t, int64(1), result.Revision)
				if result.Replayed {
					replayed.Add(1)
				} else {
					done.Add(1)
				}
			}
		})
	}
	settle()
	release()
	callers.Wait()
	assert.Equal(t, int32(1), done.Load())
	assert.Equal(t, int32(23), replayed.Load())
	assert.Equal(t, int64(1), b.Revision())
}

func failingNeighbours(t *testing.T, b *bench) {
	mind := errors.New("changed my mind")
	put := func(sample *Sample, r trial.Records) {
		if err := sample.Put(r); err != nil {
			panic(err)
		}
	}
	kinds := []struct {
		name  string
		apply func(*Sample, trial.Records) error
		check func(*testing.T, error)
	}{
		{"good", func(s *Sample, r trial.Records) error { return s.Put(r) }, func(t *testing.T, err error) { assert.NoError(t, err) }},
		{"fails after its put", func(s *Sample, r trial.Records) error { put(s, r); return mind },
			func(t *testing.T, err error) { assert.ErrorIs(t, err, mind) }},
		{"panics after its put", func(s *Sample, r trial.Records) error { put(s, r); panic("a vat boiled over") },
			func(t *testing.T, err error) {
				var panicked *store.PanicError
				if assert.ErrorAs(t, err, &panicked) {
					assert.Equal(t, "a vat boiled over", panicked.Value)
					assert.NotEmpty(t, panicked.Stack)
				}
			}},
		{"breaks a reference, which may lose the group", func(s *Sample, r trial.Records) error {
			s.Trial.Immersions[0].BathID = NewID()
			return s.Put(r)
		}, func(t *testing.T, err error) { assert.ErrorIs(t, err, trial.ErrNotFound) }},
	}
	release := b.holdWriter(t)
	defer release()
	var callers sync.WaitGroup
	samples := make([]*Sample, 40)
	for i := range samples {
		samples[i] = NewSample(ann)
		kind := kinds[i%len(kinds)]
		callers.Go(func() {
			_, err := b.change(t, func(r trial.Records) ([]byte, error) { return nil, kind.apply(samples[i], r) })
			kind.check(t, err)
		})
	}
	settle()
	release()
	callers.Wait()
	assert.Equal(t, int64(10), b.Revision())
	for i, sample := range samples {
		_, err := b.TrialRow(t.Context(), sample.Trial.ID)
		if i%len(kinds) == 0 {
			assert.NoError(t, err)
			continue
		}
		assert.ErrorIs(t, err, trial.ErrNotFound, kinds[i%len(kinds)].name)
		for _, bath := range sample.Baths {
			_, err := b.BathRow(t.Context(), bath.ID)
			assert.ErrorIs(t, err, trial.ErrNotFound, kinds[i%len(kinds)].name)
		}
	}
	assertGapless(t, b.allChanges(t), 10)
}

// assertGapless checks that the feed has the revisions 1 to last.
func assertGapless(t *testing.T, changes []trial.Change, last int64) {
	t.Helper()
	at := int64(0)
	for _, change := range changes {
		if change.Revision != at {
			require.Equal(t, at+1, change.Revision, "revisions follow each other")
			at = change.Revision
		}
	}
	assert.Equal(t, last, at)
}

func changesSeeEarlierOnes(t *testing.T, b *bench) {
	sample := NewSmallSample(ann)
	sample.Trial.Title = "0"
	b.keep(t, sample)
	release := b.holdWriter(t)
	defer release()
	var callers sync.WaitGroup
	for range 50 {
		callers.Go(func() {
			_, err := b.change(t, func(r trial.Records) ([]byte, error) {
				kept, err := r.Trial(sample.Trial.ID)
				if err != nil {
					return nil, err
				}
				n, err := strconv.Atoi(kept.Title)
				if err != nil {
					return nil, err
				}
				kept.Title = strconv.Itoa(n + 1)
				return nil, r.PutTrial(kept, trial.Changed)
			})
			assert.NoError(t, err)
		})
	}
	settle()
	release()
	callers.Wait()
	assert.Equal(t, "50", b.read(t, sample.Trial.ID).Title)
	assert.Equal(t, int64(51), b.Revision())
}

func cancelledBeforeStart(t *testing.T, b *bench) {
	release := b.holdWriter(t)
	defer release()
	ctx, cancel := context.WithCancel(t.Context())
	var applied atomic.Bool
	var caller sync.WaitGroup
	caller.Go(func() {
		_, err := b.Change(ctx, store.ChangeRequest{Actor: By(ann), Now: now, Apply: func(trial.Records) ([]byte, error) {
			applied.Store(true)
			return nil, nil
		}})
		assert.ErrorIs(t, err, context.Canceled)
	})
	settle()
	cancel()
	caller.Wait() // while the writer is still held: the caller needn't wait for it
	release()
	b.keep(t, NewSmallSample(ann)) // comes after the cancelled one
	assert.False(t, applied.Load())
	_, err := b.Change(ctx, store.ChangeRequest{Actor: By(ann), Now: now, Apply: func(trial.Records) ([]byte, error) {
		applied.Store(true)
		return nil, nil
	}})
	assert.ErrorIs(t, err, context.Canceled)
	assert.False(t, applied.Load())
}

func cancelledAfterStart(t *testing.T, b *bench) {
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	sample := NewSample(ann)
	_, err := b.Change(ctx, store.ChangeRequest{Actor: By(ann), Now: now, Apply: func(r trial.Records) ([]byte, error) {
		cancel()
		return nil, sample.Put(r)
	}})
	if err != nil {
		assert.ErrorIs(t, err, context.Canceled)
	}
	b.keep(t, NewSample(bo)) // comes after it
	assert.Equal(t, sample.Trial.ID, b.read(t, sample.Trial.ID).ID, "a change that has begun is made durable")
}

func closing(t *testing.T, b *bench) {
	release := b.holdWriter(t)
	samples := make([]*Sample, 10)
	var callers sync.WaitGroup
	var acknowledged sync.Map
	for i := range samples {
		samples[i] = NewSample(ann)
		callers.Go(func() {
			_, err := b.change(t, func(r trial.Records) ([]byte, error) { return nil, samples[i].Put(r) })
			if err != nil {
				assert.ErrorIs(t, err, store.ErrUnavailable)
				return
			}
			acknowledged.Store(i, true)
		})
	}
	callers.Go(func() { assert.ErrorIs(t, b.WaitForChange(t.Context(), 1000), store.ErrUnavailable) })
	settle()
	closed := make(chan error)
	engine := b.Engine
	go func() { closed <- engine.Close() }()
	settle()
	release()
	require.NoError(t, <-closed)
	callers.Wait()
	require.NoError(t, engine.Close(), "closing again does nothing")
	_, err := b.change(t, func(trial.Records) ([]byte, error) { return nil, nil })
	assert.ErrorIs(t, err, store.ErrUnavailable)
	_, err = b.TrialRow(t.Context(), samples[0].Trial.ID)
	assert.ErrorIs(t, err, store.ErrUnavailable)
	b.reopen(t)
	for i, sample := range samples {
		_, err := b.TrialRow(t.Context(), sample.Trial.ID)
		if _, yes := acknowledged.Load(i); yes {
			assert.NoError(t, err)
		} else {
			assert.ErrorIs(t, err, trial.ErrNotFound)
		}
	}
}

func outlives(t *testing.T, b *bench) {
	var samples []*Sample
	for range 5 {
		samples = append(samples, NewSample(ann))
	}
	b.keep(t, samples...)
	before := b.allChanges(t)
	b.reopen(t)
	assert.Equal(t, int64(5), b.Revision())
	assert.Equal(t, before, b.allChanges(t))
	for _, sample := range samples {
		assert.Equal(t, sample.Trial.Revision, b.read(t, sample.Trial.ID).Revision)
	}
	assert.Equal(t, int64(6), b.must(t, NewSample(bo).Put).Revision, "revisions go on")
}

func feedWithoutGaps(t *testing.T, b *bench) {
	const writers, each = 8, 12
	var callers sync.WaitGroup
	var mu sync.Mutex
	created := map[trial.ID]int64{}
	for range writers {
		callers.Go(func() {
			for n := range each {
				sample := NewSmallSample(ann)
				result, err := b.change(t, func(r trial.Records) ([]byte, error) {
					if n%3 == 2 {
						return nil, fmt.Errorf("number %d", n)
					}
					return nil, sample.Put(r)
				})
				if err == nil {
					mu.Lock()
					created[sample.Trial.ID] = result.Revision
					mu.Unlock()
				}
			}
		})
	}
	const total = writers * each * 2 / 3
	var seen []trial.Change
	for at := int64(0); at < total; {
		require.NoError(t, b.WaitForChange(t.Context(), at))
		changes, err := b.Changes(t.Context(), at, 5)
		require.NoError(t, err)
		require.NotEmpty(t, changes, "after %d of %d", at, b.Revision())
		seen = append(seen, changes...)
		at = changes[len(changes)-1].Revision
	}
	callers.Wait()
	assertGapless(t, seen, total)
	require.Len(t, created, total)
	for _, change := range seen {
		assert.Equal(t, created[change.RecordID], change.Revision)
		assert.Equal(t, trial.Created, change.Kind)
		assert.Equal(t, "trial", change.RecordKind)
		assert.Equal(t, ann, change.ByMember)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	assert.ErrorIs(t, b.WaitForChange(ctx, total), context.Canceled)
}

func feedKeepsTogether(t *testing.T, b *bench) {
	first, second := NewSample(ann), NewSample(bo)
	b.keep(t, first, second)
	for _, limit := range []int{1, 2, 3} {
		changes, err := b.Changes(t.Context(), 0, limit)
		require.NoError(t, err)
		require.Len(t, changes, 3, "limit %d", limit)
		kinds := map[trial.ID]string{}
		for _, change := range changes {
			assert.Equal(t, int64(1), change.Revision)
			kinds[change.RecordID] = change.RecordKind
		}
		assert.Equal(t, map[trial.ID]string{first.Trial.ID: "trial", first.Baths[0].ID: "bath", first.Baths[1].ID: "bath"}, kinds)
	}
	changes, err := b.Changes(t.Context(), 0, 4)
	require.NoError(t, err)
	assert.Len(t, changes, 6)
	changes, err = b.Changes(t.Context(), 2, 4)
	require.NoError(t, err)
	assert.Empty(t, changes)
}

func readsAfterAnswer(t *testing.T, b *bench) {
	var callers sync.WaitGroup
	for range 8 {
		callers.Go(func() {
			sample := NewSample(ann)
			_, err := b.TrialRow(t.Context(), sample.Trial.ID)
			assert.ErrorIs(t, err, trial.ErrNotFound)
			for n := range 10 {
				result, err := b.change(t, func(r trial.Records) ([]byte, error) {
					if n == 0 {
						return nil, sample.Put(r)
					}
					kept, err := r.Trial(sample.Trial.ID)
					if err != nil {
						return nil, err
					}
					return nil, r.PutTrial(kept, trial.Changed)
				})
				if !assert.NoError(t, err) {
					return
				}
				row, err := b.TrialRow(t.Context(), sample.Trial.ID)
				assert.NoError(t, err)
				assert.Equal(t, result.Revision, row.Revision)
				assert.GreaterOrEqual(t, b.Revision(), result.Revision)
			}
		})
	}
	callers.Wait()
}

// readsNeverGoBack has readers of one trial while it changes: nobody reads less
// than was acknowledged, or less than anybody read before.
func readsNeverGoBack(t *testing.T, b *bench) {
	sample := NewSample(ann)
	b.keep(t, sample)
	var atLeast atomic.Int64
	raise := func(revision int64) {
		for {
			present := atLeast.Load()
			if revision <= present || atLeast.CompareAndSwap(present, revision) {
				return
			}
		}
	}
	raise(sample.Trial.Revision)
	ended := make(chan struct{})
	var readers sync.WaitGroup
	for range 6 {
		readers.Go(func() {
			for {
				select {
				case <-ended:
					return
				default:
				}
				floor := atLeast.Load()
				row, err := b.TrialRow(t.Context(), sample.Trial.ID)
				if !assert.NoError(t, err) || !assert.GreaterOrEqual(t, row.Revision, floor) {
					return
				}
				raise(row.Revision)
			}
		})
	}
	for range rounds(150) {
		result, err := b.change(t, func(r trial.Records) ([]byte, error) {
			kept, err := r.Trial(sample.Trial.ID)
			if err != nil {
				return nil, err
			}
			return nil, r.PutTrial(kept, trial.Changed)
		})
		if !assert.NoError(t, err) {
			break
		}
		raise(result.Revision)
	}
	close(ended)
	readers.Wait()
}
