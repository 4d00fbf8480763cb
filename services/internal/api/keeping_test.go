package api_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typespb "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

func (c *core) waters() labpb.WaterServiceClient { return labpb.NewWaterServiceClient(c.conn) }
func (c *core) experiments() labpb.ExperimentServiceClient {
	return labpb.NewExperimentServiceClient(c.conn)
}

func fieldsOf(names ...string) *fieldmaskpb.FieldMask { return &fieldmaskpb.FieldMask{Paths: names} }

func (c *core) trial(member, id string) *labpb.Trial {
	c.t.Helper()
	t, err := c.trials().GetTrial(c.as(member), &labpb.GetTrialRequest{TrialId: id})
	require.NoError(c.t, err)
	return t
}

// rename changes a trial's title as its owner, with an etag.
func (c *core) rename(member, id, title, etag string) (*labpb.Trial, error) {
	return c.trials().UpdateTrial(c.as(member), &labpb.UpdateTrialRequest{RequestId: newID(), Trial: &labpb.Trial{Id: id, Title: title},
		UpdateMask: fieldsOf("title"), Etag: etag, Reason: "a better name"})
}

// told is what a program is told of a refusal.
func told(err error) map[string]string {
	for _, detail := range status.Convert(err).Details() {
		if info, ok := detail.(*errdetails.ErrorInfo); ok {
			return info.GetMetadata()
		}
	}
	return nil
}

// An edit of what has changed since it was read is refused, and says what changed; nothing of it is written.
func TestStaleEtag(t *testing.T) {
	c := start(t)
	kept := c.submit("ada", mine).GetTrial()
	require.NotEmpty(t, kept.GetEtag())
	require.Equal(t, kept.GetEtag(), c.trial("ada", kept.GetId()).GetEtag())
	_, err := c.rename("ada", kept.GetId(), "first", kept.GetEtag())
	require.NoError(t, err)
	added, err := c.trials().AddEntries(c.as("ada"), &labpb.AddEntriesRequest{RequestId: newID(), TrialId: kept.GetId(), Readings: []*labpb.Reading{
		{Id: newID(), PieceId: kept.GetPieces()[0].GetId(), Raw: lab(60, 0, 0)}, {Id: newID(), PieceId: kept.GetPieces()[0].GetId(), Raw: lab(61, 0, 0)}}})
	require.NoError(t, err)

	_, err = c.rename("ada", kept.GetId(), "second", kept.GetEtag())
	refused(t, err, codes.Aborted, "STALE_ETAG")
	assert.Equal(t, fmt.Sprintf("trial %s changed since it was read: title, 2 readings added", kept.GetId()), status.Convert(err).Message())
	changed := told(err)
	assert.Equal(t, "trial", changed["record_kind"])
	assert.Equal(t, kept.GetId(), changed["record_id"])
	assert.Equal(t, added.GetEtag(), changed["current_etag"])
	assert.Equal(t, "ada", changed["changed_by"])
	_, err = time.Parse(time.RFC3339Nano, changed["changed_time"])
	require.NoError(t, err)
	assert.Equal(t, "first", c.trial("ada", kept.GetId()).GetTitle())

	// With an etag that never was there is nothing to compare with.
	for _, etag := range []string{`"r0"`, `"rzzzzzzz"`, "r1", "nonsense", `"r-1"`, `""r1""`} {
		_, err = c.rename("ada", kept.GetId(), "third", etag)
		refused(t, err, codes.Aborted, "STALE_ETAG")
		assert.Equal(t, fmt.Sprintf("trial %s changed since it was read", kept.GetId()), status.Convert(err).Message(), etag)
	}
	// To whom the trial isn't theirs to change nothing of it is told, whatever etag they send.
	_, err = c.rename("bo", kept.GetId(), "theirs", kept.GetEtag())
	refused(t, err, codes.NotFound, "NOT_FOUND")
	assert.Empty(t, told(err))
	_, err = c.rename("ada", kept.GetId(), "second", added.GetEtag())
	require.NoError(t, err)
}

// The holder of a piece may send an etag too; they are told what changed of their pieces, and not who changed the rest.
func TestStaleEtagOfAHolder(t *testing.T) {
	c := start(t)
	request := smallTrial()
	other := proto.CloneOf(request.GetTrial().GetPieces()[0])
	other.Id = newID()
	request.Trial.Pieces = append(request.Trial.Pieces, other)
	kept, err := c.trials().SubmitTrial(c.as("ada"), request)
	require.NoError(t, err)
	id, piece := kept.GetTrial().GetId(), request.GetTrial().GetPieces()[0].GetId()
	_, err = c.trials().PostPiece(c.as("ada"), &labpb.PostPieceRequest{RequestId: newID(), PieceId: piece, ToMember: "bo"})
	require.NoError(t, err)
	etag := c.trial("bo", id).GetEtag()
	_, err = c.rename("ada", id, "another", etag)
	require.NoError(t, err)
	_, err = c.trials().AddEntries(c.as("ada"), &labpb.AddEntriesRequest{RequestId: newID(), TrialId: id,
		Readings: []*labpb.Reading{{Id: newID(), PieceId: other.GetId(), Raw: lab(60, 0, 0)}}})
	require.NoError(t, err)
	_, err = c.trials().AddEntries(c.as("bo"), &labpb.AddEntriesRequest{RequestId: newID(), TrialId: id, Etag: etag,
		Readings: []*labpb.Reading{{Id: newID(), PieceId: piece, Raw: lab(60, 0, 0)}}})
	refused(t, err, codes.Aborted, "STALE_ETAG")
	assert.Contains(t, err.Error(), "title")
	assert.NotContains(t, err.Error(), "reading", "of the other piece nothing is told")
	assert.NotContains(t, told(err), "changed_by")
}

// A pot put right changes the routes of pieces of other members, in the same step.
func TestBathUpdateChangesAnothersRoute(t *testing.T) {
	c := start(t)
	pot := dyeBath("weld", 3)
	pot.OpenToMembers = true
	bath, err := c.baths().CreateBath(c.as("bo"), &labpb.CreateBathRequest{RequestId: newID(), Bath: pot})
	require.NoError(t, err)
	request := smallTrial()
	request.Baths, request.Trial.Immersions[0].BathId = nil, bath.GetId()
	kept, err := c.trials().SubmitTrial(c.as("ada"), request)
	require.NoError(t, err)
	assert.Equal(t, "weld", kept.GetTrial().GetPieces()[0].GetRoute().GetText())

	update := &labpb.UpdateBathRequest{RequestId: newID(), UpdateMask: fieldsOf("purposes"), Etag: bath.GetEtag(), Reason: "it was the vat",
		Bath: &labpb.Bath{Id: bath.GetId(), Label: "not named, so not taken", Purposes: []labpb.BathPurpose{labpb.BathPurpose_BATH_PURPOSE_VAT}}}
	changed, err := c.baths().UpdateBath(c.as("bo"), update)
	require.NoError(t, err)
	assert.Equal(t, pot.GetLabel(), changed.GetLabel())
	assert.Equal(t, update.GetBath().GetPurposes(), changed.GetPurposes())
	again := c.trial("ada", kept.GetTrial().GetId())
	assert.Equal(t, update.GetBath().GetPurposes(), again.GetPieces()[0].GetRoute().GetLayers()[0].GetPurposes())
	assert.NotEqual(t, kept.GetTrial().GetEtag(), again.GetEtag())
	_, err = c.rename("ada", again.GetId(), "stale", kept.GetTrial().GetEtag())
	refused(t, err, codes.Aborted, "STALE_ETAG")
	assert.Contains(t, err.Error(), "route of 1 piece changed")
	assert.Equal(t, "bo", told(err)["changed_by"])

	replayed, err := c.baths().UpdateBath(c.as("bo"), update)
	require.NoError(t, err, "the same request again gets the first answer, though the etag is old by now")
	assert.True(t, proto.Equal(changed, replayed))
	update.RequestId = newID()
	_, err = c.baths().UpdateBath(c.as("ada"), update)
	refused(t, err, codes.PermissionDenied, "NOT_ALLOWED")
}

// What is deleted is its owner's alone, in every way of reading, until it is undeleted.
func TestDeletedTrialIsItsOwnersAlone(t *testing.T) {
	c := start(t)
	kept := c.submit("ada", cooperative).GetTrial()
	id, piece := kept.GetId(), kept.GetPieces()[0].GetId()
	watching := c.watch("bo", kept.GetRevision())
	remove := &labpb.DeleteTrialRequest{RequestId: newID(), TrialId: id, Etag: kept.GetEtag(), Reason: "sent twice"}
	_, err := c.trials().DeleteTrial(c.as("bo"), remove)
	refused(t, err, codes.PermissionDenied, "NOT_ALLOWED")
	gone, err := c.trials().DeleteTrial(c.as("ada"), remove)
	require.NoError(t, err)
	assert.NotNil(t, gone.GetDeleteTime())
	_, err = c.trials().UndeleteTrial(c.as("bo"), &labpb.UndeleteTrialRequest{RequestId: newID(), TrialId: id})
	refused(t, err, codes.NotFound, "NOT_FOUND")

	list := func(member string, deleted bool) []*labpb.TrialSummary {
		answer, err := c.trials().ListTrials(c.as(member), &labpb.ListTrialsRequest{Deleted: deleted})
		require.NoError(t, err)
		return answer.GetTrials()
	}
	_, err = c.trials().GetTrial(c.as("bo"), &labpb.GetTrialRequest{TrialId: id})
	refused(t, err, codes.NotFound, "NOT_FOUND")
	_, err = c.trials().GetPiece(c.as("bo"), &labpb.GetPieceRequest{Piece: piece})
	refused(t, err, codes.NotFound, "NOT_FOUND")
	assert.Empty(t, list("bo", false))
	assert.Empty(t, list("bo", true))
	assert.Empty(t, list("ada", false))
	require.Len(t, list("ada", true), 1)
	assert.Equal(t, gone.GetEtag(), list("ada", true)[0].GetEtag())
	assert.NotNil(t, list("ada", true)[0].GetDeleteTime())
	assert.NotNil(t, c.trial("ada", id).GetDeleteTime())
	_, err = c.trials().GetPiece(c.as("ada"), &labpb.GetPieceRequest{Piece: piece})
	require.NoError(t, err)
	change, err := watching.Recv()
	require.NoError(t, err)
	for change.GetRecordId() != id {
		change, err = watching.Recv()
		require.NoError(t, err)
	}
	assert.Equal(t, labpb.ChangeKind_CHANGE_KIND_DELETED, change.GetKind())
	assert.Empty(t, change.GetByMember(), "only which one to forget")

	back, err := c.trials().UndeleteTrial(c.as("ada"), &labpb.UndeleteTrialRequest{RequestId: newID(), TrialId: id, Etag: gone.GetEtag()})
	require.NoError(t, err)
	assert.Nil(t, back.GetDeleteTime())
	for change.GetKind() != labpb.ChangeKind_CHANGE_KIND_UNDELETED || change.GetRecordId() != id {
		change, err = watching.Recv()
		require.NoError(t, err)
	}
	assert.Equal(t, "ada", change.GetByMember())
	c.trial("bo", id)
	_, err = c.trials().UndeleteTrial(c.as("ada"), &labpb.UndeleteTrialRequest{RequestId: newID(), TrialId: id})
	refused(t, err, codes.AlreadyExists, "NOT_DELETED")

	// Of a private one nobody else hears.
	private := c.submit("ada", mine).GetTrial()
	_, err = c.trials().DeleteTrial(c.as("ada"), &labpb.DeleteTrialRequest{RequestId: newID(), TrialId: private.GetId(), Etag: private.GetEtag(), Reason: "x"})
	require.NoError(t, err)
	after := c.submit("ada", cooperative)
	for change.GetRecordId() != after.GetTrial().GetId() {
		change, err = watching.Recv()
		require.NoError(t, err)
		assert.NotEqual(t, private.GetId(), change.GetRecordId())
	}
}

func TestDeletedBathsWatersAndExperiments(t *testing.T) {
	c := start(t)
	well, err := c.waters().CreateWaterSource(c.as("ada"), &labpb.CreateWaterSourceRequest{RequestId: newID(),
		WaterSource: &labpb.WaterSource{Id: newID(), Name: "north well", Place: "behind the barn"}})
	require.NoError(t, err)
	pot := dyeBath("weld", 3)
	pot.OpenToMembers, pot.WaterParts = true, []*labpb.WaterPart{{WaterSourceId: well.GetId(), Parts: 1}}
	bath, err := c.baths().CreateBath(c.as("ada"), &labpb.CreateBathRequest{RequestId: newID(), Bath: pot})
	require.NoError(t, err)

	unmake := &labpb.DeleteWaterSourceRequest{RequestId: newID(), WaterSourceId: well.GetId(), Etag: well.GetEtag(), Reason: "filled in"}
	_, err = c.waters().DeleteWaterSource(c.as("ada"), unmake)
	refused(t, err, codes.FailedPrecondition, "CONFLICT")
	assert.Contains(t, err.Error(), bath.GetId(), "it names the bath that has water of it")

	watching := c.watch("bo", -1)
	empty, err := c.baths().DeleteBath(c.as("ada"), &labpb.DeleteBathRequest{RequestId: newID(), BathId: bath.GetId(), Etag: bath.GetEtag(), Reason: "boiled over"})
	require.NoError(t, err)
	_, err = c.baths().GetBath(c.as("bo"), &labpb.GetBathRequest{BathId: bath.GetId()})
	refused(t, err, codes.NotFound, "NOT_FOUND")
	dry, err := c.waters().DeleteWaterSource(c.as("ada"), unmake)
	require.NoError(t, err)
	assert.Equal(t, "behind the barn", dry.GetPlace())
	_, err = c.waters().GetWaterSource(c.as("bo"), &labpb.GetWaterSourceRequest{WaterSourceId: well.GetId()})
	refused(t, err, codes.NotFound, "NOT_FOUND")
	for _, kind := range []string{"bath", "water"} {
		change, err := watching.Recv()
		require.NoError(t, err)
		assert.Equal(t, kind, change.GetRecordKind())
		assert.Equal(t, labpb.ChangeKind_CHANGE_KIND_DELETED, change.GetKind())
		assert.Empty(t, change.GetByMember())
	}
	for member, want := range map[string]int{"ada": 1, "bo": 0} {
		waters, err := c.waters().ListWaterSources(c.as(member), &labpb.ListWaterSourcesRequest{Deleted: true})
		require.NoError(t, err)
		assert.Len(t, waters.GetWaterSources(), want)
		baths, err := c.baths().ListBaths(c.as(member), &labpb.ListBathsRequest{Deleted: true})
		require.NoError(t, err)
		assert.Len(t, baths.GetBaths(), want)
	}
	_, err = c.baths().UndeleteBath(c.as("ada"), &labpb.UndeleteBathRequest{RequestId: newID(), BathId: bath.GetId(), Etag: empty.GetEtag()})
	refused(t, err, codes.FailedPrecondition, "CONFLICT")
	_, err = c.waters().UndeleteWaterSource(c.as("ada"), &labpb.UndeleteWaterSourceRequest{RequestId: newID(), WaterSourceId: well.GetId()})
	require.NoError(t, err)
	_, err = c.baths().UndeleteBath(c.as("ada"), &labpb.UndeleteBathRequest{RequestId: newID(), BathId: bath.GetId()})
	require.NoError(t, err)

	question, err := c.experiments().CreateExperiment(c.as("coco"), &labpb.CreateExperimentRequest{RequestId: newID(), Experiment: anExperiment()})
	require.NoError(t, err)
	renamed, err := c.experiments().UpdateExperiment(c.as("coco"), &labpb.UpdateExperimentRequest{RequestId: newID(), Etag: question.GetEtag(),
		Experiment: &labpb.Experiment{Id: question.GetId(), Title: "the other way", ToleranceDe00: 3}, UpdateMask: fieldsOf("title", "tolerance_de00")})
	require.NoError(t, err)
	assert.InDelta(t, 3, renamed.GetToleranceDe00(), 0)
	_, err = c.experiments().DeleteExperiment(c.as("coco"), &labpb.DeleteExperimentRequest{RequestId: newID(), ExperimentId: question.GetId(), Etag: renamed.GetEtag(), Reason: "x"})
	require.NoError(t, err)
	_, err = c.experiments().GetExperiment(c.as("ada"), &labpb.GetExperimentRequest{ExperimentId: question.GetId()})
	refused(t, err, codes.NotFound, "NOT_FOUND")
	_, err = c.experiments().GetExperiment(c.as("coco"), &labpb.GetExperimentRequest{ExperimentId: question.GetId()})
	require.NoError(t, err)
	listed, err := c.experiments().ListExperiments(c.as("ada"), &labpb.ListExperimentsRequest{})
	require.NoError(t, err)
	assert.Empty(t, listed.GetExperiments())
	_, err = c.experiments().UndeleteExperiment(c.as("coco"), &labpb.UndeleteExperimentRequest{RequestId: newID(), ExperimentId: question.GetId()})
	require.NoError(t, err)
}

func anExperiment() *labpb.Experiment {
	return &labpb.Experiment{
		Id: newID(), Title: "which first", FirstDye: "weld", SecondDye: "indigo", ToleranceDe00: 2, ClosingSessions: 6, Instrument: "meter one",
		Arms:      []labpb.ExperimentArm{labpb.ExperimentArm_EXPERIMENT_ARM_A_THEN_B, labpb.ExperimentArm_EXPERIMENT_ARM_B_THEN_A},
		Condition: &typespb.ColourCondition{Illuminant: typespb.Illuminant_ILLUMINANT_D65, Observer: typespb.Observer_OBSERVER_CIE_1964_10_DEGREE},
	}
}

// Where a well is, is told to its owner, and to others only when the owner shows it; its history never.
func TestPlaceOfAWater(t *testing.T) {
	c := start(t)
	well, err := c.waters().CreateWaterSource(c.as("ada"), &labpb.CreateWaterSourceRequest{RequestId: newID(),
		WaterSource: &labpb.WaterSource{Id: newID(), Name: "north well", Place: "behind the barn"}})
	require.NoError(t, err)
	seen := func(member, want string) {
		t.Helper()
		one, err := c.waters().GetWaterSource(c.as(member), &labpb.GetWaterSourceRequest{WaterSourceId: well.GetId()})
		require.NoError(t, err)
		assert.Equal(t, want, one.GetPlace(), member)
		assert.Equal(t, well.GetEtag(), one.GetEtag())
		all, err := c.waters().ListWaterSources(c.as(member), &labpb.ListWaterSourcesRequest{})
		require.NoError(t, err)
		require.Len(t, all.GetWaterSources(), 1)
		assert.True(t, proto.Equal(one, all.GetWaterSources()[0]))
	}
	set := func(shown bool, place string) {
		t.Helper()
		well, err = c.waters().UpdateWaterSource(c.as("ada"), &labpb.UpdateWaterSourceRequest{RequestId: newID(), Etag: well.GetEtag(),
			WaterSource: &labpb.WaterSource{Id: well.GetId(), PlaceShown: shown, Place: place}, UpdateMask: fieldsOf("place_shown", "place")})
		require.NoError(t, err)
		assert.Equal(t, place, well.GetPlace())
	}
	seen("ada", "behind the barn")
	seen("bo", "")
	set(true, "behind the barn")
	seen("bo", "behind the barn")
	set(false, "by the lane")
	seen("bo", "")
	seen("ada", "by the lane")
	histories := labpb.NewHistoryServiceClient(c.conn)
	_, err = histories.ListVersions(c.as("bo"), &labpb.ListVersionsRequest{RecordKind: labpb.RecordKind_RECORD_KIND_WATER_SOURCE, RecordId: well.GetId()})
	refused(t, err, codes.NotFound, "NOT_FOUND")
	versions, err := histories.ListVersions(c.as("ada"), &labpb.ListVersionsRequest{RecordKind: labpb.RecordKind_RECORD_KIND_WATER_SOURCE, RecordId: well.GetId()})
	require.NoError(t, err)
	require.Len(t, versions.GetVersions(), 3)
	assert.Equal(t, []string{"place", "place no longer shown to members"}, versions.GetVersions()[0].GetChanges())
}

func TestBathsByFilter(t *testing.T) {
	c := start(t)
	for _, dye := range []string{"weld", "weld", "indigo"} {
		_, err := c.baths().CreateBath(c.as("ada"), &labpb.CreateBathRequest{RequestId: newID(), Bath: dyeBath(dye, 3)})
		require.NoError(t, err)
	}
	for filter, want := range map[string]int{
		"": 3, `material = "weld"`: 2, `material = indigo AND purpose = dye`: 1, `label = pot AND NOT material = "weld"`: 1, `open = "yes"`: 0, `owner = ada`: 3,
	} {
		answer, err := c.baths().ListBaths(c.as("ada"), &labpb.ListBathsRequest{Filter: filter})
		require.NoError(t, err, filter)
		assert.Len(t, answer.GetBaths(), want, filter)
	}
	_, err := c.baths().ListBaths(c.as("ada"), &labpb.ListBathsRequest{Filter: `title = "x"`})
	bad := refused(t, err, codes.InvalidArgument, "INVALID_FIELD")
	assert.Equal(t, "filter", bad[0].GetField())
	assert.Contains(t, bad[0].GetDescription(), "purpose")

	// A token goes with its filter, and with whether deleted baths are asked for.
	first, err := c.baths().ListBaths(c.as("ada"), &labpb.ListBathsRequest{PageSize: 1, Filter: `material = "weld"`})
	require.NoError(t, err)
	for _, request := range []*labpb.ListBathsRequest{{Filter: ""}, {Filter: `material = "weld"`, Deleted: true}} {
		request.PageToken = first.GetNextPageToken()
		_, err = c.baths().ListBaths(c.as("ada"), request)
		refused(t, err, codes.InvalidArgument, "INVALID_FIELD")
	}
	rest, err := c.baths().ListBaths(c.as("ada"), &labpb.ListBathsRequest{PageSize: 1, Filter: `material = "weld"`, PageToken: first.GetNextPageToken()})
	require.NoError(t, err)
	assert.Len(t, rest.GetBaths(), 1)
	assert.Empty(t, rest.GetNextPageToken())
}

// Of many differences a refusal tells as many as fit into its header.
func TestStaleEtagTellsWhatFits(t *testing.T) {
	c := start(t)
	kept := c.submit("ada", mine).GetTrial()
	_, err := c.trials().UpdateTrial(c.as("ada"), &labpb.UpdateTrialRequest{RequestId: newID(), Etag: kept.GetEtag(), UpdateMask: fieldsOf("question"),
		Trial: &labpb.Trial{Id: kept.GetId(), Question: strings.Repeat("why ", 100)}})
	require.NoError(t, err)
	_, err = c.rename("ada", kept.GetId(), "x", kept.GetEtag())
	refused(t, err, codes.Aborted, "STALE_ETAG")
	assert.Less(t, len(status.Convert(err).Message()), 200, "what was written there isn't repeated")
}
