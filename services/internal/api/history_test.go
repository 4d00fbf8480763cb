package api_test

import (
	"crypto/sha256"
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	accesspb "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
)

func (c *core) history() labpb.HistoryServiceClient { return labpb.NewHistoryServiceClient(c.conn) }
func (c *core) audit() accesspb.AuditServiceClient  { return accesspb.NewAuditServiceClient(c.conn) }

func TestHistoryOfATrial(t *testing.T) {
	c := start(t)
	kept := c.submit("ada", cooperative).GetTrial()
	id := kept.GetId()
	etag := kept.GetEtag()
	titles := []string{kept.GetTitle()}
	for range 24 {
		titles = append(titles, titles[len(titles)-1]+"!")
		changed, err := c.rename("ada", id, titles[len(titles)-1], etag)
		require.NoError(t, err)
		etag = changed.GetEtag()
	}
	request := &labpb.ListVersionsRequest{RecordKind: labpb.RecordKind_RECORD_KIND_TRIAL, RecordId: id, PageSize: 7}
	var all []*labpb.Version
	for {
		page, err := c.history().ListVersions(c.as("ada"), request)
		require.NoError(t, err)
		all = append(all, page.GetVersions()...)
		if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
			break
		}
		require.Len(t, page.GetVersions(), 7)
	}
	require.Len(t, all, len(titles))
	for i, version := range all {
		last := i == len(all)-1
		if last {
			assert.Equal(t, labpb.ChangeKind_CHANGE_KIND_CREATED, version.GetKind())
			assert.Empty(t, version.GetChanges())
			assert.Equal(t, kept.GetEtag(), version.GetEtag())
		} else {
			assert.Equal(t, []string{"title"}, version.GetChanges())
			assert.Equal(t, "a better name", version.GetReason())
			assert.Less(t, all[i+1].GetRevision(), version.GetRevision())
		}
		assert.Equal(t, "ada", version.GetByMember())
		got, err := c.history().GetVersion(c.as("ada"), &labpb.GetVersionRequest{RecordKind: request.GetRecordKind(), RecordId: id, Revision: version.GetRevision()})
		require.NoError(t, err)
		assert.True(t, proto.Equal(version, got.GetVersion()), "%v\n%v", version, got.GetVersion())
		assert.Equal(t, titles[len(titles)-1-i], got.GetTrial().GetTitle())
		if last {
			assert.True(t, proto.Equal(kept, got.GetTrial()), "as it was kept")
		}
	}
	assert.Equal(t, etag, all[0].GetEtag())

	// A token goes with its record.
	first, err := c.history().ListVersions(c.as("ada"), &labpb.ListVersionsRequest{RecordKind: request.GetRecordKind(), RecordId: id, PageSize: 7})
	require.NoError(t, err)
	other := c.submit("ada", mine).GetTrial()
	_, err = c.history().ListVersions(c.as("ada"), &labpb.ListVersionsRequest{RecordKind: request.GetRecordKind(), RecordId: other.GetId(), PageToken: first.GetNextPageToken()})
	refused(t, err, codes.InvalidArgument, "INVALID_FIELD")
}

// The history is told to nobody but the owner, in the same words as of what isn't there; an experiment's to everybody.
func TestHistoryIsTheOwners(t *testing.T) {
	c := start(t)
	shared := c.submit("ada", cooperative)
	question, err := c.experiments().CreateExperiment(c.as("coco"), &labpb.CreateExperimentRequest{RequestId: newID(), Experiment: anExperiment()})
	require.NoError(t, err)
	for kind, id := range map[labpb.RecordKind]string{
		labpb.RecordKind_RECORD_KIND_TRIAL: shared.GetTrial().GetId(), labpb.RecordKind_RECORD_KIND_BATH: shared.GetBaths()[0].GetId(),
	} {
		revision := shared.GetTrial().GetRevision()
		_, err = c.history().GetVersion(c.as("ada"), &labpb.GetVersionRequest{RecordKind: kind, RecordId: id, Revision: revision})
		require.NoError(t, err)
		_, err = c.history().GetVersion(c.as("ada"), &labpb.GetVersionRequest{RecordKind: kind, RecordId: id, Revision: revision + 1})
		refused(t, err, codes.NotFound, "NOT_FOUND")
		for _, member := range []string{"bo", "stella", "coco"} {
			_, theirs := c.history().ListVersions(c.as(member), &labpb.ListVersionsRequest{RecordKind: kind, RecordId: id})
			refused(t, theirs, codes.NotFound, "NOT_FOUND")
			_, theirs = c.history().GetVersion(c.as(member), &labpb.GetVersionRequest{RecordKind: kind, RecordId: id, Revision: revision})
			refused(t, theirs, codes.NotFound, "NOT_FOUND")
			absent := newID()
			_, none := c.history().GetVersion(c.as(member), &labpb.GetVersionRequest{RecordKind: kind, RecordId: absent, Revision: revision})
			assert.Equal(t, replaceID(theirs, id), replaceID(none, absent), "hidden and absent read alike")
		}
	}
	versions, err := c.history().ListVersions(c.as("bo"), &labpb.ListVersionsRequest{RecordKind: labpb.RecordKind_RECORD_KIND_EXPERIMENT, RecordId: question.GetId()})
	require.NoError(t, err)
	assert.Len(t, versions.GetVersions(), 1)
	removed := &labpb.DeleteExperimentRequest{RequestId: newID(), ExperimentId: question.GetId(), Etag: question.GetEtag(), Reason: "asked before"}
	_, err = c.experiments().DeleteExperiment(c.as("coco"), removed)
	require.NoError(t, err)
	_, err = c.history().ListVersions(c.as("bo"), &labpb.ListVersionsRequest{RecordKind: labpb.RecordKind_RECORD_KIND_EXPERIMENT, RecordId: question.GetId()})
	refused(t, err, codes.NotFound, "NOT_FOUND")
	versions, err = c.history().ListVersions(c.as("coco"), &labpb.ListVersionsRequest{RecordKind: labpb.RecordKind_RECORD_KIND_EXPERIMENT, RecordId: question.GetId()})
	require.NoError(t, err)
	require.Len(t, versions.GetVersions(), 2)
	assert.Equal(t, []string{"deleted"}, versions.GetVersions()[0].GetChanges())
	assert.Equal(t, "asked before", versions.GetVersions()[0].GetReason())
}

// The audit trail has an entry for each change that was made, with who, how and why, and none for what was refused.
func TestAuditTrail(t *testing.T) {
	c := start(t)
	before, err := c.audit().ListAuditEntries(c.as("stella"), &accesspb.ListAuditEntriesRequest{})
	require.NoError(t, err)
	require.Len(t, before.GetEntries(), 2*len(roles), "members and tokens of these tests")
	assert.Equal(t, "server", before.GetEntries()[0].GetActor())
	submitted := smallTrial()
	kept, err := c.trials().SubmitTrial(c.as("ada"), submitted)
	require.NoError(t, err)
	_, err = c.trials().SubmitTrial(c.as("ada"), submitted)
	require.NoError(t, err, "sent again: nothing is changed")
	_, err = c.rename("ada", kept.GetTrial().GetId(), "x", `"r0"`)
	refused(t, err, codes.Aborted, "STALE_ETAG")
	gone := &labpb.DeleteTrialRequest{RequestId: newID(), TrialId: kept.GetTrial().GetId(), Etag: kept.GetTrial().GetEtag(), Reason: "sent twice"}
	_, err = c.trials().DeleteTrial(c.as("ada"), gone)
	require.NoError(t, err)
	issued, err := c.access().IssueToken(c.as("stella"), &accesspb.IssueTokenRequest{MemberId: "bo", Label: "phone"})
	require.NoError(t, err)
	_, err = c.access().RevokeToken(c.as("bo"), &accesspb.RevokeTokenRequest{TokenId: issued.GetTokenId()})
	require.NoError(t, err)

	answer, err := c.audit().ListAuditEntries(c.as("stella"), &accesspb.ListAuditEntriesRequest{AfterSequence: before.GetHeadSequence()})
	require.NoError(t, err)
	require.Len(t, answer.GetEntries(), 4)
	for i, want := range []struct{ actor, method, subject, reason string }{
		{"ada", "/commonvat.lab.v1.TrialService/SubmitTrial", "trial " + kept.GetTrial().GetId(), ""},
		{"ada", "/commonvat.lab.v1.TrialService/DeleteTrial", "trial " + kept.GetTrial().GetId(), ""}, // the reason is ada's to tell
		{"stella", "/commonvat.access.v1.AccessService/IssueToken", "token " + issued.GetTokenId(), ""},
		{"bo", "/commonvat.access.v1.AccessService/RevokeToken", "token " + issued.GetTokenId(), ""},
	} {
		entry := answer.GetEntries()[i]
		assert.Equal(t, before.GetHeadSequence()+int64(i)+1, entry.GetSequence())
		assert.Equal(t, want.actor, entry.GetActor())
		assert.Equal(t, want.method, entry.GetMethod())
		assert.Contains(t, entry.GetSubjects(), want.subject)
		assert.Equal(t, want.reason, entry.GetReason())
		assert.NotEmpty(t, entry.GetTokenId())
		assert.Len(t, entry.GetChainSha256(), 64)
		assert.WithinDuration(t, time.Now(), entry.GetTime().AsTime(), time.Minute)
	}
	assert.Equal(t, kept.GetTrial().GetRevision(), answer.GetEntries()[0].GetRevision())
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(gone)
	require.NoError(t, err)
	sum := sha256.Sum256(append([]byte("commonvat.lab.v1.DeleteTrialRequest\n"), body...))
	assert.Equal(t, hex.EncodeToString(sum[:]), answer.GetEntries()[1].GetRequestSha256())
	assert.Empty(t, answer.GetEntries()[2].GetRequestSha256())
	assert.Equal(t, answer.GetEntries()[3].GetSequence(), answer.GetHeadSequence())
	assert.Equal(t, answer.GetEntries()[3].GetChainSha256(), answer.GetHeadChainSha256())

	// Others read what they did themselves.
	mine, err := c.audit().ListAuditEntries(c.as("ada"), &accesspb.ListAuditEntriesRequest{})
	require.NoError(t, err)
	require.Len(t, mine.GetEntries(), 2)
	assert.Equal(t, "sent twice", mine.GetEntries()[1].GetReason())
	for _, actor := range []string{"bo", "server"} {
		_, err = c.audit().ListAuditEntries(c.as("ada"), &accesspb.ListAuditEntriesRequest{Actor: actor})
		refused(t, err, codes.PermissionDenied, "NOT_ALLOWED")
	}
	for actor, want := range map[string]int{"bo": 1, "server": 2 * len(roles), "cy": 0} {
		answer, err = c.audit().ListAuditEntries(c.as("stella"), &accesspb.ListAuditEntriesRequest{Actor: actor})
		require.NoError(t, err)
		assert.Len(t, answer.GetEntries(), want, actor)
	}
}

func TestTokensAreListed(t *testing.T) {
	c := start(t)
	issued, err := c.access().IssueToken(c.as("stella"), &accesspb.IssueTokenRequest{MemberId: "ada", Label: "phone"})
	require.NoError(t, err)
	own, err := c.access().ListTokens(c.as("ada"), &accesspb.ListTokensRequest{})
	require.NoError(t, err)
	require.Len(t, own.GetTokens(), 2)
	newest := own.GetTokens()[0]
	assert.Equal(t, issued.GetTokenId(), newest.GetId())
	assert.Equal(t, "phone", newest.GetLabel())
	assert.Nil(t, newest.GetLastUseTime())
	assert.Nil(t, newest.GetExpireTime())
	used := own.GetTokens()[1].GetLastUseTime().AsTime()
	assert.Equal(t, used.Truncate(time.Hour), used)
	assert.WithinDuration(t, time.Now(), used, time.Hour+time.Minute)
	_, err = c.access().ListTokens(c.as("ada"), &accesspb.ListTokensRequest{MemberId: "bo"})
	refused(t, err, codes.PermissionDenied, "NOT_ALLOWED")
	_, err = c.access().ListTokens(c.as("stella"), &accesspb.ListTokensRequest{MemberId: "nobody"})
	refused(t, err, codes.NotFound, "NOT_FOUND")
	theirs, err := c.access().ListTokens(c.as("stella"), &accesspb.ListTokensRequest{MemberId: "ada"})
	require.NoError(t, err)
	assert.Len(t, theirs.GetTokens(), 2)
	assert.NotContains(t, theirs.String(), issued.GetToken()[22:])
}

// replaceID is a refusal's message without the id in it.
func replaceID(err error, id string) string {
	return strings.ReplaceAll(status.Convert(err).Message(), id, "ID")
}
