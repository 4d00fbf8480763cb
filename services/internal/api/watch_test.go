package api_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typespb "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// watch opens a stream and waits until it stands.
func (c *core) watch(member string, after int64) labpb.TrialService_WatchChangesClient {
	c.t.Helper()
	stream, err := c.trials().WatchChanges(c.as(member), &labpb.WatchChangesRequest{AfterRevision: after})
	require.NoError(c.t, err)
	_, err = stream.Header()
	require.NoError(c.t, err)
	return stream
}

func TestWatchTellsWhatTheCallerMaySee(t *testing.T) {
	c := start(t)
	stream := c.watch("bo", -1)
	c.submit("ada", mine)                  // not for bo
	shared := c.submit("ada", cooperative) // two records, one revision
	id := shared.GetTrial().GetId()

	seen := map[string]*labpb.WatchChangesResponse{}
	var revisions []int64
	for range 2 {
		change, err := stream.Recv()
		require.NoError(t, err)
		seen[change.GetRecordId()] = change
		revisions = append(revisions, change.GetRevision())
		assert.Equal(t, labpb.ChangeKind_CHANGE_KIND_CREATED, change.GetKind())
		assert.Equal(t, "ada", change.GetByMember())
	}
	assert.Contains(t, seen, id)
	assert.Contains(t, seen, shared.GetBaths()[0].GetId())
	// The revision is where to go on from: whoever was cut off between the two gets both again.
	last := shared.GetTrial().GetRevision()
	assert.Equal(t, []int64{last - 1, last}, revisions)

	_, err := c.trials().ShareTrial(c.as("ada"), &labpb.ShareTrialRequest{RequestId: newID(), TrialId: id, Sharing: &typespb.Sharing{Level: mine}})
	require.NoError(t, err)
	for {
		change, err := stream.Recv()
		require.NoError(t, err)
		assert.Equal(t, labpb.ChangeKind_CHANGE_KIND_WITHDRAWN, change.GetKind())
		assert.Empty(t, change.GetByMember(), "of what was withdrawn only the id is told")
		if change.GetRecordId() == id {
			break
		}
	}

	// Who comes later and starts from the beginning hears of the withdrawal, and of nothing that can't be read any more.
	late := c.watch("cy", 0)
	change, err := late.Recv()
	require.NoError(t, err)
	assert.Equal(t, labpb.ChangeKind_CHANGE_KIND_WITHDRAWN, change.GetKind())
}

func TestWatchResumes(t *testing.T) {
	c := start(t)
	var after int64
	for i := range 3 {
		kept := c.submit("ada", mine)
		stream := c.watch("ada", after)
		for n := range 2 {
			change, err := stream.Recv()
			require.NoError(t, err)
			if n == 1 {
				after = change.GetRevision()
			}
		}
		assert.Equal(t, kept.GetTrial().GetRevision(), after, "round %d", i)
	}
	stream, err := c.trials().WatchChanges(c.as("ada"), &labpb.WatchChangesRequest{AfterRevision: after + 1})
	require.NoError(t, err)
	_, err = stream.Recv()
	refused(t, err, codes.OutOfRange, "REVISION_AHEAD")
}

// More changes than a page, and a reader that comes late, miss nothing.
func TestWatchPages(t *testing.T) {
	c := start(t)
	const trials = 250
	for range trials {
		_, err := c.baths().CreateBath(c.as("ada"), &labpb.CreateBathRequest{RequestId: newID(), Bath: dyeBath("weld", 1)})
		require.NoError(t, err)
	}
	stream := c.watch("ada", 0)
	var last int64
	for range trials {
		change, err := stream.Recv()
		require.NoError(t, err)
		assert.Equal(t, last+1, change.GetRevision())
		last = change.GetRevision()
	}
}

// The core stops within its grace although a watcher and a health probe stay on.
func TestStopIsBoundedWithAnOpenWatch(t *testing.T) {
	c := start(t)
	stream := c.watch("ada", -1)
	stopped := make(chan struct{})
	go func() { c.server.Stop(); close(stopped) }()
	_, err := stream.Recv()
	refused(t, err, codes.Unavailable, "STOPPING")
	select {
	case <-stopped:
	case <-time.After(endsWithin):
		t.Fatal("the server did not stop")
	}
	_, err = c.trials().GetTrial(c.as("ada"), &labpb.GetTrialRequest{TrialId: newID()})
	require.Error(t, err)
}

func TestWatchEndsWithItsCaller(t *testing.T) {
	c := start(t)
	ctx, cancel := context.WithCancel(c.as("ada"))
	stream, err := c.trials().WatchChanges(ctx, &labpb.WatchChangesRequest{AfterRevision: -1})
	require.NoError(t, err)
	_, err = stream.Header()
	require.NoError(t, err)
	cancel()
	_, err = stream.Recv()
	require.ErrorContains(t, err, "Canceled")
	assert.Eventually(t, func() bool {
		return c.log.has(`"method":"/commonvat.lab.v1.TrialService/WatchChanges","code":"Canceled"`)
	}, time.Minute, 10*time.Millisecond)
}
