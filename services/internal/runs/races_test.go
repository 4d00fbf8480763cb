package runs_test

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// between stands between runs and their store: things happen there just before they are asked for, or fail.
type between struct {
	store.RunStore
	mu        sync.Mutex
	beforeRun map[trial.ID]func() // once; what is read was read before
	withdrawn func()              // once, after it was listed
	columns   func(part int) error
}

func (b *between) Run(ctx context.Context, id trial.ID) (store.RunRow, error) {
	row, err := b.RunStore.Run(ctx, id)
	b.mu.Lock()
	do := b.beforeRun[id]
	delete(b.beforeRun, id)
	b.mu.Unlock()
	if do != nil {
		do()
	}
	return row, err
}

func (b *between) WithdrawnFromRuns(ctx context.Context) ([]store.RunTrial, error) {
	list, err := b.RunStore.WithdrawnFromRuns(ctx)
	b.mu.Lock()
	do := b.withdrawn
	if len(list) > 0 {
		b.withdrawn = nil
	}
	b.mu.Unlock()
	if do != nil && len(list) > 0 {
		do()
	}
	return list, err
}

func (b *between) PutRunColumns(ctx context.Context, by store.Actor, at time.Time, run trial.ID, part int, body []byte) error {
	if b.columns != nil {
		if err := b.columns(part); err != nil {
			return err
		}
	}
	return b.RunStore.PutRunColumns(ctx, by, at, run, part, body)
}

// A request that is sent again while the first is under way makes the run once, and doesn't take it out of the queue.
func TestCreateTwiceAtOnce(t *testing.T) {
	l := begin(t)
	hold := make(chan struct{})
	busy := l.shelf.put(t, spread("busy", 1), "a")
	l.shelf.put(t, spread("new", 1), "b")
	busy.set(func() {
		busy.before = func(context.Context, int) { <-hold }
	})
	l.stop()
	again := request("new")
	b := &between{RunStore: l.store}
	var first *catalogv1.Run
	b.beforeRun = map[trial.ID]func(){again.GetRunId(): func() {
		var err error
		first, err = l.Create(t.Context(), rosa, again)
		require.NoError(t, err)
	}}
	l.config.Store = b
	l.start()
	l.until(l.create("busy"), catalogv1.RunState_RUN_STATE_SCORING) // so that the others wait
	second, err := l.Create(t.Context(), rosa, again)
	close(hold)
	require.NoError(t, err)
	assert.Equal(t, first.GetId(), second.GetId())
	l.until(again.GetRunId(), done)
}

// A run that is deleted while something is taken out of it is no fault of what asks for another.
func TestDeletedWhileTakenBack(t *testing.T) {
	l := begin(t)
	l.shelf.put(t, spread("old", 1), "a")
	l.stop()
	b := &between{RunStore: l.store}
	l.config.Store = b
	l.start()
	gone := l.until(l.create("old"), done).GetId()
	kept := l.until(l.create("old"), done).GetId()
	l.stop() // so that nothing but the question below takes out
	b.withdrawn = func() { require.NoError(t, l.Delete(t.Context(), rosa, gone, "no more")) }
	l.withdraw(l.trials[2])
	run, err := l.Get(t.Context(), kept)
	require.NoError(t, err)
	assert.NotZero(t, run.GetColumns().GetErasedRows())
}

// Of columns that weren't frozen whole nothing is kept: what members take back couldn't be taken out of them.
func TestHalfFrozenColumnsAreNotKept(t *testing.T) {
	l := begin(t)
	l.shelf.put(t, spread("old", 1), "a")
	l.stop()
	b := &between{RunStore: l.store, columns: func(part int) error {
		if part > 0 {
			return errors.New("the disk is full")
		}
		return nil
	}}
	l.config.Store = b
	l.start()
	id := l.create("old")
	l.until(id, failed)
	parts, err := l.store.RunColumns(t.Context(), id)
	require.NoError(t, err)
	assert.Empty(t, parts)

	// Neither of those that a core left that was killed meanwhile.
	l.stop()
	row, err := l.store.Run(t.Context(), id)
	require.NoError(t, err)
	run := &catalogv1.Run{}
	require.NoError(t, proto.Unmarshal(row.Body, run))
	run.State = catalogv1.RunState_RUN_STATE_FREEZING
	row.State = int(run.GetState())
	row.Body, err = proto.Marshal(run)
	require.NoError(t, err)
	require.NoError(t, l.store.PutRun(t.Context(), rosa.Actor, time.Now(), row, "", ""))
	require.NoError(t, l.store.PutRunColumns(t.Context(), rosa.Actor, time.Now(), id, 0, []byte("half")))
	b.columns = nil
	l.start()
	l.until(id, interrupted)
	parts, err = l.store.RunColumns(t.Context(), id)
	require.NoError(t, err)
	assert.Empty(t, parts)
	_, err = l.Resume(t.Context(), rosa, id, "again")
	require.NoError(t, err)
	l.until(id, done)
}
