package labv1

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// However many ask at once, one reads; and after the next revision, one again.
func TestReadOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := readOnce[string, int]{most: 2}
		var reads atomic.Int32
		ask := func(revision int64, key string) int {
			got, err := o.get(t.Context(), revision, key, func() (int, error) {
				time.Sleep(time.Second)
				return int(reads.Add(1)), nil
			})
			assert.NoError(t, err)
			return got
		}
		for revision, want := range []int{1, 2} {
			var all sync.WaitGroup
			for range 50 {
				all.Go(func() { assert.Equal(t, want, ask(int64(revision), "weld")) })
			}
			all.Wait()
		}
		assert.Equal(t, 2, ask(0, "weld"), "who comes with an older revision is given what is newer")
		assert.Equal(t, 3, ask(1, "woad"))
		assert.Equal(t, 3, ask(1, "woad"))
		assert.Equal(t, 4, ask(1, "madder"), "a third has no room beside the two")
		assert.Len(t, o.readings, 1)
	})
}

// A fault is told to whoever read; those who waited read themselves, and so does who comes later. A caller who goes away waits no longer.
func TestReadOnceWithFaults(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := readOnce[string, int]{most: 2}
		var reads atomic.Int32
		broken := errors.New("broken")
		fails := func() (int, error) {
			time.Sleep(time.Second)
			reads.Add(1)
			return 0, broken
		}
		var all sync.WaitGroup
		for range 3 {
			all.Go(func() {
				_, err := o.get(t.Context(), 1, "weld", fails)
				assert.ErrorIs(t, err, broken)
			})
		}
		all.Wait()
		assert.Equal(t, int32(3), reads.Load())
		assert.Empty(t, o.readings)

		assert.Panics(t, func() { _, _ = o.get(t.Context(), 1, "weld", func() (int, error) { panic("at once") }) })
		go func() { _, _ = o.get(t.Context(), 1, "weld", fails) }()
		synctest.Wait()
		ctx, cancel := context.WithTimeout(t.Context(), time.Millisecond)
		defer cancel()
		_, err := o.get(ctx, 1, "weld", fails)
		require.ErrorIs(t, err, context.DeadlineExceeded)
		got, err := o.get(t.Context(), 1, "weld", func() (int, error) { return 5, nil })
		require.NoError(t, err)
		assert.Equal(t, 5, got, "the one that was waited for had failed")
	})
}

// counting counts the reads of a store that watching costs.
type counting struct {
	*sqlite.Store
	reads *atomic.Int32
}

func (c counting) Changes(ctx context.Context, after int64, limit int) ([]trial.Change, error) {
	c.reads.Add(1)
	return c.Store.Changes(ctx, after, limit)
}

func (c counting) BathRow(ctx context.Context, id trial.ID) (store.BathRow, error) {
	c.reads.Add(1)
	return c.Store.BathRow(ctx, id)
}

func (c counting) MembersWithPieceIn(ctx context.Context, id trial.ID) ([]trial.MemberID, error) {
	c.reads.Add(1)
	return c.Store.MembersWithPieceIn(ctx, id)
}

func (c counting) HasPieceIn(ctx context.Context, id trial.ID, member trial.MemberID) (bool, error) {
	c.reads.Add(1)
	return c.Store.HasPieceIn(ctx, id, member)
}

// watcher is a member's open stream of changes.
type watcher struct {
	grpc.ServerStreamingServer[labpb.WatchChangesResponse]
	ctx    context.Context
	stands chan struct{}
	told   chan trial.ID
}

func (w *watcher) Context() context.Context { return w.ctx }

func (w *watcher) SendHeader(metadata.MD) error {
	close(w.stands)
	return nil
}

func (w *watcher) Send(m *labpb.WatchChangesResponse) error {
	w.told <- m.GetRecordId()
	return nil
}

// Many watchers cost the store no more reads than one, and each is told what it may see: the owner of a bath of its making, the others of none but those that
// are open to them.
func TestManyWatchersReadOnce(t *testing.T) {
	records, err := sqlite.Open(t.Context(), sqlite.Config{Path: filepath.Join(t.TempDir(), "records.db")})
	require.NoError(t, err)
	defer func() { require.NoError(t, records.Close()) }()
	var reads atomic.Int32
	service, err := New(Config{Store: counting{records, &reads}, Now: time.Now, Stopping: make(chan struct{})})
	require.NoError(t, err)

	ctx, cancel := context.WithCancel(t.Context())
	var watching sync.WaitGroup
	defer watching.Wait()
	defer cancel()
	require.NoError(t, records.CreateMember(ctx, store.Actor{Member: store.Server, Method: "test"}, store.MemberRow{ID: "member0", DisplayName: "x", Roles: []string{"member"}, CreatedAt: time.Now()}))
	const others = 60
	watchers := make([]*watcher, others+1)
	for i := range watchers {
		member := fmt.Sprintf("member%d", i)
		w := &watcher{ctx: access.WithCaller(ctx, access.Caller{ID: member}), stands: make(chan struct{}), told: make(chan trial.ID, 100)}
		watchers[i] = w
		watching.Go(func() { _ = service.WatchChanges(&labpb.WatchChangesRequest{AfterRevision: -1}, w) })
		<-w.stands
	}
	reads.Store(0)
	const rounds = 10
	for n := range rounds {
		open := n%2 == 1
		b := &trial.Bath{ID: fmt.Sprintf("0190f3c4-0000-7000-8000-0000000000%02d", n), Purposes: []trial.Purpose{trial.DyeBath}, OpenToMembers: open}
		_, err := records.Change(ctx, store.ChangeRequest{Actor: store.Actor{Member: "member0", Method: "test"}, Now: time.Now(), Apply: func(r trial.Records) ([]byte, error) {
			_, err := trial.CreateBath(r, "member0", time.Now(), b)
			return nil, err
		}})
		require.NoError(t, err)
		assert.Equal(t, b.ID, <-watchers[0].told)
		for _, w := range watchers[1:] {
			if open {
				assert.Equal(t, b.ID, <-w.told)
			}
		}
	}
	// Two pages of the feed, the second of them empty, the bath, and whose pieces were in it; and again where somebody came when the next revision was there.
	assert.LessOrEqual(t, int(reads.Load()), 12*rounds)
	assert.GreaterOrEqual(t, int(reads.Load()), 4*rounds)
}
