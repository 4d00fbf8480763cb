package api_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	poolpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typespb "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// A withdrawal takes a trial's rows out of every answer that is asked for after it, and the revision and the checksum that the pool
// carries say so; shared again they are back.
func TestWithdrawalLeavesThePool(t *testing.T) {
	c := start(t, withModules(t))
	questions := poolpb.NewPoolServiceClient(c.conn)
	submit := func(member string, l float64) *labpb.Trial {
		request := smallTrial()
		request.Trial.Sharing = &typespb.Sharing{Level: cooperative}
		request.Trial.Readings = []*labpb.Reading{settled(request.GetTrial().GetPieces()[0].GetId(), l, "", "")}
		kept, err := c.trials().SubmitTrial(c.as(member), request)
		require.NoError(t, err)
		return kept.GetTrial()
	}
	ask := func(revision int64) *poolpb.AskPaletteResponse {
		answer, err := questions.AskPalette(c.as("rosa"), &poolpb.AskPaletteRequest{GroupBy: poolpb.GroupBy_GROUP_BY_FIBRE, MinimumRevision: revision})
		require.NoError(t, err)
		return answer
	}
	sum := func() *poolpb.GetPoolStatusResponse {
		ask(c.store.Revision()) // waits until it is taken in
		answer, err := questions.GetPoolStatus(c.as("rosa"), &poolpb.GetPoolStatusRequest{WithChecksum: true})
		require.NoError(t, err)
		require.Equal(t, c.store.Revision(), answer.GetPoolRevision())
		return answer
	}
	id := submit("ada", 60).GetId()
	other := submit("cy", 50).GetId()
	both := sum()
	assert.EqualValues(t, 2, both.GetRows())
	assert.EqualValues(t, 2, ask(0).GetPiecesUsed())
	before := ask(0).GetPoolRevision()

	withdrawn := c.share(id, mine, "")
	after := ask(0) // asked for without a revision, right after the withdrawal
	assert.EqualValues(t, 1, after.GetPiecesUsed())
	assert.EqualValues(t, 1, after.GetReadingsUsed())
	assert.Greater(t, after.GetPoolRevision(), before)
	assert.GreaterOrEqual(t, after.GetPoolRevision(), withdrawn.GetRevision())
	one := sum()
	assert.EqualValues(t, 1, one.GetRows())
	assert.NotEqual(t, both.GetRowsSha256(), one.GetRowsSha256())
	nobody, err := questions.AskPalette(c.as("rosa"), &poolpb.AskPaletteRequest{GroupBy: poolpb.GroupBy_GROUP_BY_FIBRE, Filter: `member = "ada"`})
	require.NoError(t, err)
	assert.Zero(t, nobody.GetPiecesUsed())

	c.share(id, public, "CC-BY-4.0")
	again := sum()
	assert.Equal(t, both.GetRowsSha256(), again.GetRowsSha256(), "the same rows")
	assert.Greater(t, again.GetPoolRevision(), one.GetPoolRevision())

	gone := c.trial("cy", other)
	_, err = c.trials().DeleteTrial(c.as("cy"), &labpb.DeleteTrialRequest{RequestId: newID(), TrialId: other, Etag: gone.GetEtag(), Reason: "another dye after all"})
	require.NoError(t, err)
	assert.EqualValues(t, 1, ask(0).GetPiecesUsed(), "a deleted trial is out at once, too")
}

// Sharing is set by the owner alone, with a date that the core takes and a licence that goes with the public.
func TestSharingIsTheOwners(t *testing.T) {
	c := start(t)
	id := c.submit("ada", mine).GetTrial().GetId()
	sharing := func() *typespb.Sharing { return c.trial("ada", id).GetSharing() }
	first := sharing()
	assert.Equal(t, mine, first.GetLevel())

	set := func(member string, s *typespb.Sharing) error {
		_, err := c.trials().ShareTrial(c.as(member), &labpb.ShareTrialRequest{RequestId: newID(), TrialId: id, Sharing: s})
		return err
	}
	bad := refused(t, set("ada", &typespb.Sharing{Level: public}), codes.InvalidArgument, "INVALID_FIELD")
	require.Len(t, bad, 1)
	assert.Equal(t, "sharing.licence", bad[0].GetField())
	bad = refused(t, set("ada", &typespb.Sharing{Level: 9}), codes.InvalidArgument, "INVALID_FIELD")
	assert.Equal(t, "sharing.level", bad[0].GetField())

	long := time.Date(2001, 1, 1, 0, 0, 0, 0, time.UTC)
	began := time.Now()
	require.NoError(t, set("ada", &typespb.Sharing{Level: public, Licence: "CC-BY-4.0", Since: timestamppb.New(long)}))
	shared := sharing()
	assert.Equal(t, public, shared.GetLevel())
	assert.Equal(t, "CC-BY-4.0", shared.GetLicence())
	assert.WithinRange(t, shared.GetSince().AsTime(), began.Add(-time.Second), time.Now().Add(time.Second), "the core's date, not the client's")
	for _, other := range []string{"bo", "rosa", "coco", "stella"} {
		for _, level := range []typespb.SharingLevel{mine, cooperative, public} {
			refused(t, set(other, &typespb.Sharing{Level: level, Licence: "CC0-1.0"}), codes.PermissionDenied, "NOT_ALLOWED")
		}
	}
	require.NoError(t, set("ada", &typespb.Sharing{Level: public, Licence: "CC-BY-4.0"}))
	assert.Equal(t, shared.GetSince().AsTime(), sharing().GetSince().AsTime(), "the present level holds since then")
	_, err := c.trials().UpdateTrial(c.as("ada"), &labpb.UpdateTrialRequest{RequestId: newID(), Etag: c.trial("ada", id).GetEtag(), UpdateMask: fieldsOf("sharing"),
		Trial: &labpb.Trial{Id: id, Sharing: &typespb.Sharing{Level: mine}}})
	refused(t, err, codes.InvalidArgument, "INVALID_FIELD")
	_, err = c.rename("ada", id, "another title", c.trial("ada", id).GetEtag())
	require.NoError(t, err)
	assert.Equal(t, shared.String(), sharing().String(), "other changes leave it alone")
	got, err := c.trials().GetTrial(c.as("bo"), &labpb.GetTrialRequest{TrialId: id})
	require.NoError(t, err)
	assert.Equal(t, "CC-BY-4.0", got.GetSharing().GetLicence(), "who may read it reads under which licence")

	require.NoError(t, set("ada", &typespb.Sharing{Level: mine}))
	assert.Equal(t, mine, sharing().GetLevel())
	assert.Empty(t, sharing().GetLicence())
	assert.True(t, sharing().GetSince().AsTime().After(shared.GetSince().AsTime()))
}
