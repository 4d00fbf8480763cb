package crash

import (
	"context"
	"log/slog"
	"net"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"

	accessv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/e2e/crash/process"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api"
	"github.com/commonvat/commonvat/services/internal/api/catalogv1"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
)

// noModules is a catalog of which nothing is installed.
type noModules struct{ catalogv1.Modules }

func (noModules) Status() []catalog.Status { return nil }

// clocked is a core in this process, whose clock the test sets.
type clocked struct {
	store    *sqlite.Store
	registry *access.Registry
	clock    atomic.Int64 // nanoseconds
	conn     *grpc.ClientConn
}

func (c *clocked) now() time.Time       { return time.Unix(0, c.clock.Load()) }
func (c *clocked) jump(d time.Duration) { c.clock.Add(int64(d)) }

func startClocked(t *testing.T, retention time.Duration) *clocked {
	t.Helper()
	c := &clocked{}
	c.clock.Store(time.Date(2026, 5, 2, 12, 0, 0, 0, time.UTC).UnixNano())
	var err error
	c.store, err = sqlite.Open(t.Context(), sqlite.Config{
		Path: filepath.Join(t.TempDir(), process.StoreFile), CacheBytes: 1 << 20, RequestRetention: retention,
	})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, c.store.Close()) })
	c.registry = access.New(c.store, c.now)
	_, err = c.registry.CreateMember(t.Context(), store.Actor{Member: store.Server, Method: "test"}, store.MemberRow{ID: "ash", DisplayName: "Ash", Roles: []string{"member"}})
	require.NoError(t, err)
	server, err := api.New(api.Config{Registry: c.registry, Store: c.store, Modules: noModules{}, Log: slog.New(slog.DiscardHandler), Now: c.now})
	require.NoError(t, err)
	listener := bufconn.Listen(1 << 20)
	served := make(chan error, 1)
	go func() { served <- server.Serve(listener) }()
	c.conn, err = grpc.NewClient("passthrough:///core", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	require.NoError(t, err)
	t.Cleanup(func() {
		assert.NoError(t, c.conn.Close())
		server.Stop()
		assert.NoError(t, <-served)
	})
	return c
}

func (c *clocked) token(t *testing.T, ends time.Time) context.Context {
	t.Helper()
	_, text, err := c.registry.IssueToken(t.Context(), store.Actor{Member: store.Server, Method: "test"}, "ash", "test", ends)
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(context.Background(), callWithin)
	t.Cleanup(cancel)
	return process.As(ctx, text)
}

// The clock jumps back an hour and forward again. Order and feed go by revisions and don't care; what a request was answered is
// still known afterwards; the time that is recorded is the clock's, as it was.
func TestClockJumpsBack(t *testing.T) {
	const retention = 24 * time.Hour
	c := startClocked(t, retention)
	ctx := c.token(t, time.Time{})
	trials := labv1.NewTrialServiceClient(c.conn)
	type sent struct {
		request *labv1.SubmitTrialRequest
		answer  *labv1.SubmitTrialResponse
		at      time.Time
	}
	var all []sent
	submit := func() {
		t.Helper()
		request := &labv1.SubmitTrialRequest{RequestId: newID(), Trial: &labv1.Trial{Id: newID(), Title: "invented", Sessions: []*labv1.Session{{Id: newID()}}}}
		answer, err := trials.SubmitTrial(ctx, request)
		require.NoError(t, err)
		all = append(all, sent{request, answer, c.now()})
	}
	for _, jump := range []time.Duration{0, time.Minute, -time.Hour, time.Second, 2 * time.Hour, -30 * 24 * time.Hour, time.Second, 30 * 24 * time.Hour} {
		c.jump(jump)
		submit()
	}
	for i, s := range all {
		assert.EqualValues(t, i+1, s.answer.GetTrial().GetRevision(), "revisions go on by one, whatever the clock says")
		assert.True(t, s.at.Equal(s.answer.GetTrial().GetCreateTime().AsTime()), "%v", s.answer.GetTrial().GetCreateTime().AsTime())
	}
	changes, err := c.store.Changes(t.Context(), 0, store.MaxPage)
	require.NoError(t, err)
	require.Len(t, changes, len(all))
	for i, change := range changes {
		assert.EqualValues(t, i+1, change.Revision)
		assert.Equal(t, all[i].request.GetTrial().GetId(), change.RecordID)
	}
	list, err := trials.ListTrials(ctx, &labv1.ListTrialsRequest{})
	require.NoError(t, err)
	require.Len(t, list.GetTrials(), len(all))
	for i, row := range list.GetTrials() {
		assert.Equal(t, all[len(all)-1-i].request.GetTrial().GetId(), row.GetId(), "newest first, by id")
	}
	stream, err := trials.WatchChanges(ctx, &labv1.WatchChangesRequest{})
	require.NoError(t, err)
	for i := range all {
		change, err := stream.Recv()
		require.NoError(t, err)
		assert.EqualValues(t, i+1, change.GetRevision())
	}

	// The store tidies up when nobody writes for a while. Answers of within the retention are known after that, also those that
	// were given while the clock was behind.
	time.Sleep(700 * time.Millisecond)
	known := 0
	for _, s := range all {
		again, err := trials.SubmitTrial(ctx, s.request)
		if s.at.After(newest(all, func(s sent) time.Time { return s.at }).Add(-retention)) {
			require.NoError(t, err)
			assert.True(t, proto.Equal(s.answer, again), "a request sent again is given its first answer")
			known++
		} else if err == nil {
			assert.True(t, proto.Equal(s.answer, again))
		}
	}
	assert.Equal(t, len(all)-2, known, "all but the two of a month ago, by their time")
	end, err := trials.ListTrials(ctx, &labv1.ListTrialsRequest{})
	require.NoError(t, err)
	assert.Len(t, end.GetTrials(), len(all), "nothing was done twice")
}

// The clock leaps ahead by more than answers are kept for, and back: the answers may be forgotten, but nothing is done twice, since
// everything that a request makes has an id of its own.
func TestClockLeapsAheadOfTheRetention(t *testing.T) {
	c := startClocked(t, 24*time.Hour)
	ctx := c.token(t, time.Time{})
	trials := labv1.NewTrialServiceClient(c.conn)
	request := &labv1.SubmitTrialRequest{RequestId: newID(), Trial: &labv1.Trial{Id: newID(), Title: "invented", Sessions: []*labv1.Session{{Id: newID()}}}}
	first, err := trials.SubmitTrial(ctx, request)
	require.NoError(t, err)
	c.jump(365 * 24 * time.Hour)
	_, err = trials.SubmitTrial(ctx, &labv1.SubmitTrialRequest{RequestId: newID(), Trial: &labv1.Trial{Id: newID(), Title: "invented", Sessions: []*labv1.Session{{Id: newID()}}}})
	require.NoError(t, err)
	time.Sleep(700 * time.Millisecond) // the store tidies up
	c.jump(-365 * 24 * time.Hour)
	again, err := trials.SubmitTrial(ctx, request)
	if err == nil {
		assert.True(t, proto.Equal(first, again))
	} else {
		assert.Equal(t, codes.AlreadyExists, status.Code(err), "%v", err)
	}
	list, err := trials.ListTrials(ctx, &labv1.ListTrialsRequest{})
	require.NoError(t, err)
	assert.Len(t, list.GetTrials(), 2)
}

func newest[T any](all []T, at func(T) time.Time) (last time.Time) {
	for _, one := range all {
		if at(one).After(last) {
			last = at(one)
		}
	}
	return last
}

// A token that has ended stays so while the clock says so, and one that was revoked stays revoked whatever the clock says.
func TestTokensWhenTheClockJumps(t *testing.T) {
	c := startClocked(t, 0)
	ending := c.token(t, c.now().Add(time.Hour))
	lasting := c.token(t, time.Time{})
	who := accessv1.NewAccessServiceClient(c.conn)
	works := func(ctx context.Context) bool {
		_, err := who.GetCurrentMember(ctx, &accessv1.GetCurrentMemberRequest{})
		return err == nil
	}
	assert.True(t, works(ending) && works(lasting))
	c.jump(-2 * time.Hour)
	assert.True(t, works(ending) && works(lasting), "a token doesn't have a beginning")
	c.jump(4 * time.Hour)
	assert.False(t, works(ending), "it has ended")
	assert.True(t, works(lasting))

	revokedID, text, err := c.registry.IssueToken(t.Context(), store.Actor{Member: store.Server, Method: "test"}, "ash", "test", time.Time{})
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(context.Background(), callWithin)
	defer cancel()
	revoked := process.As(ctx, text)
	assert.True(t, works(revoked))
	caller, err := c.registry.Authenticate(t.Context(), text)
	require.NoError(t, err)
	require.NoError(t, c.registry.RevokeToken(t.Context(), store.Actor{Member: "ash", Method: "test"}, caller, revokedID))
	c.jump(-3 * time.Hour) // to before it was revoked
	assert.False(t, works(revoked), "revoked is revoked")
}
