package api_test

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typespb "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

const (
	mine        = typespb.SharingLevel_SHARING_LEVEL_MINE
	cooperative = typespb.SharingLevel_SHARING_LEVEL_COOPERATIVE
)

func TestSubmitAndGet(t *testing.T) {
	c := start(t)
	kept := c.submit("ada", mine)
	got, err := c.trials().GetTrial(c.as("ada"), &labpb.GetTrialRequest{TrialId: kept.GetTrial().GetId()})
	require.NoError(t, err)
	assert.True(t, proto.Equal(kept.GetTrial(), got), "what was answered is what is kept")
	assert.Equal(t, "ada", got.GetOwner())
	assert.Equal(t, "weld", got.GetPieces()[0].GetRoute().GetOrder())
	// 3 g of dyestuff on 3 g of fibre is 100 % of the weight of fibre (common practice, no source).
	assert.InDelta(t, 100, got.GetPieces()[0].GetRoute().GetLayers()[0].GetDeliveredPercentWof(), 1e-9)
	assert.NotEmpty(t, got.GetPieces()[0].GetCode())
	assert.Positive(t, got.GetRevision())
	// A client decodes the stored bytes as the fields that they are.
	assert.Empty(t, got.ProtoReflect().GetUnknown())

	bath, err := c.baths().GetBath(c.as("ada"), &labpb.GetBathRequest{BathId: kept.GetBaths()[0].GetId()})
	require.NoError(t, err)
	assert.True(t, proto.Equal(kept.GetBaths()[0], bath))
	piece, err := c.trials().GetPiece(c.as("ada"), &labpb.GetPieceRequest{Piece: got.GetPieces()[0].GetCode()})
	require.NoError(t, err)
	assert.True(t, proto.Equal(got.GetPieces()[0], piece))
}

// What the caller may not read is told like what isn't there, also in the words.
func TestUnreadableIsNotFound(t *testing.T) {
	c := start(t)
	kept := c.submit("ada", mine)
	for name, call := range map[string]func(id string) error{
		"trial": func(id string) error {
			_, err := c.trials().GetTrial(c.as("bo"), &labpb.GetTrialRequest{TrialId: id})
			return err
		},
		"bath": func(id string) error {
			_, err := c.baths().GetBath(c.as("bo"), &labpb.GetBathRequest{BathId: id})
			return err
		},
		"piece": func(id string) error {
			_, err := c.trials().GetPiece(c.as("bo"), &labpb.GetPieceRequest{Piece: id})
			return err
		},
		"share": func(id string) error {
			_, err := c.trials().ShareTrial(c.as("bo"), &labpb.ShareTrialRequest{RequestId: newID(), TrialId: id, Sharing: &typespb.Sharing{Level: cooperative}})
			return err
		},
		"entries": func(id string) error {
			_, err := c.trials().AddEntries(c.as("bo"), &labpb.AddEntriesRequest{RequestId: newID(), TrialId: id})
			return err
		},
		"to bath": func(id string) error {
			_, err := c.baths().AddToBath(c.as("bo"), &labpb.AddToBathRequest{RequestId: newID(), BathId: id})
			return err
		},
	} {
		id := map[string]string{"bath": kept.GetBaths()[0].GetId(), "to bath": kept.GetBaths()[0].GetId(), "piece": kept.GetTrial().GetPieces()[0].GetId()}[name]
		if id == "" {
			id = kept.GetTrial().GetId()
		}
		const nowhere = "0190f3c4-0000-7000-8000-0000000000ff"
		hidden, missing := call(id), call(nowhere)
		refused(t, hidden, codes.NotFound, "NOT_FOUND")
		refused(t, missing, codes.NotFound, "NOT_FOUND")
		assert.Equal(t, strings.ReplaceAll(missing.Error(), nowhere, "ID"), strings.ReplaceAll(hidden.Error(), id, "ID"), name)
	}
}

func TestShareAndWithdraw(t *testing.T) {
	c := start(t)
	kept := c.submit("ada", mine)
	id := kept.GetTrial().GetId()
	share := func(member string, level typespb.SharingLevel) error {
		_, err := c.trials().ShareTrial(c.as(member), &labpb.ShareTrialRequest{RequestId: newID(), TrialId: id, Sharing: &typespb.Sharing{Level: level}})
		return err
	}
	require.NoError(t, share("ada", cooperative))
	got, err := c.trials().GetTrial(c.as("bo"), &labpb.GetTrialRequest{TrialId: id})
	require.NoError(t, err)
	assert.Equal(t, cooperative, got.GetSharing().GetLevel())
	_, err = c.baths().GetBath(c.as("bo"), &labpb.GetBathRequest{BathId: kept.GetBaths()[0].GetId()})
	require.NoError(t, err, "the owner's baths follow")
	refused(t, share("bo", mine), codes.PermissionDenied, "NOT_ALLOWED")

	require.NoError(t, share("ada", mine))
	_, err = c.trials().GetTrial(c.as("bo"), &labpb.GetTrialRequest{TrialId: id})
	refused(t, err, codes.NotFound, "NOT_FOUND")
	_, err = c.baths().GetBath(c.as("bo"), &labpb.GetBathRequest{BathId: kept.GetBaths()[0].GetId()})
	refused(t, err, codes.NotFound, "NOT_FOUND")
	_, err = c.trials().ShareTrial(c.as("ada"), &labpb.ShareTrialRequest{RequestId: newID(), TrialId: id, Sharing: &typespb.Sharing{}})
	bad := refused(t, err, codes.InvalidArgument, "INVALID_FIELD")
	require.Len(t, bad, 1)
	assert.Equal(t, "sharing.level", bad[0].GetField())
}

// Sending again gives the first answer, also when the record has gone on meanwhile; another body under the
// same id is refused and changes nothing.
func TestReplayAndReusedRequestID(t *testing.T) {
	c := start(t)
	request := smallTrial()
	first, err := c.trials().SubmitTrial(c.as("ada"), request)
	require.NoError(t, err)
	_, err = c.trials().SetTrialState(c.as("ada"), &labpb.SetTrialStateRequest{RequestId: newID(), TrialId: request.GetTrial().GetId(), State: labpb.TrialState_TRIAL_STATE_FINISHED})
	require.NoError(t, err)
	again, err := c.trials().SubmitTrial(c.as("ada"), request)
	require.NoError(t, err)
	assert.True(t, proto.Equal(first, again))

	revision := c.store.Revision()
	other := proto.CloneOf(request)
	other.Trial.Title = "another"
	_, err = c.trials().SubmitTrial(c.as("ada"), other)
	refused(t, err, codes.InvalidArgument, "REQUEST_ID_REUSED")
	// Also for a request of another kind.
	_, err = c.baths().CreateBath(c.as("ada"), &labpb.CreateBathRequest{RequestId: request.GetRequestId(), Bath: dyeBath("madder", 1)})
	refused(t, err, codes.InvalidArgument, "REQUEST_ID_REUSED")
	// The id of a record that is there, with a new request.
	other.RequestId = newID()
	_, err = c.trials().SubmitTrial(c.as("ada"), other)
	refused(t, err, codes.AlreadyExists, "ID_IN_USE")
	assert.Equal(t, revision, c.store.Revision(), "a refused request was written")
}

func TestValidateOnlyWritesNothing(t *testing.T) {
	c := start(t)
	request := smallTrial()
	request.ValidateOnly = true
	checked, err := c.trials().SubmitTrial(c.as("ada"), request)
	require.NoError(t, err)
	assert.Equal(t, "weld", checked.GetTrial().GetPieces()[0].GetRoute().GetOrder())
	assert.Zero(t, c.store.Revision())
	_, err = c.trials().GetTrial(c.as("ada"), &labpb.GetTrialRequest{TrialId: request.GetTrial().GetId()})
	refused(t, err, codes.NotFound, "NOT_FOUND")

	// It fails as the real thing does, and doesn't use the request id up.
	wrong := proto.CloneOf(request)
	wrong.Trial.Immersions[0].BathId = newID()
	_, err = c.trials().SubmitTrial(c.as("ada"), wrong)
	refused(t, err, codes.NotFound, "NOT_FOUND")
	request.ValidateOnly = false
	_, err = c.trials().SubmitTrial(c.as("ada"), request)
	require.NoError(t, err)
}

// All faults come at once by field, and nothing is half-written.
func TestMalformedInputLeavesNothing(t *testing.T) {
	c := start(t)
	request := smallTrial()
	request.Trial.Title = ""
	request.Trial.Pieces[0].Mass = grams(math.NaN())
	request.Trial.Readings[0].Raw.GetLab().L = math.Inf(1)
	request.Baths[0].Additions[0].Role = 99
	_, err := c.trials().SubmitTrial(c.as("ada"), request)
	bad := refused(t, err, codes.InvalidArgument, "INVALID_FIELD")
	var fields []string
	for _, violation := range bad {
		fields = append(fields, violation.GetField())
		assert.NotEmpty(t, violation.GetDescription())
	}
	assert.ElementsMatch(t, []string{"trial.title", "trial.pieces[0].mass.value", "trial.readings[0].raw.lab.l", "baths[0].additions[0].role"}, fields)

	// The bath is good and the trial isn't: neither is kept.
	request = smallTrial()
	request.Trial.Pieces[0].Origin = &labpb.PieceOrigin{ParentPieceId: newID(), Kind: labpb.OriginKind_ORIGIN_KIND_TAKEN}
	_, err = c.trials().SubmitTrial(c.as("ada"), request)
	refused(t, err, codes.NotFound, "NOT_FOUND")
	_, err = c.baths().GetBath(c.as("ada"), &labpb.GetBathRequest{BathId: request.GetBaths()[0].GetId()})
	refused(t, err, codes.NotFound, "NOT_FOUND")
	assert.Zero(t, c.store.Revision())
}

func TestOversizeMessageIsRefused(t *testing.T) {
	c := start(t)
	request := smallTrial()
	request.Trial.Question = string(make([]byte, 9<<20))
	_, err := c.trials().SubmitTrial(c.as("ada"), request)
	require.ErrorContains(t, err, "ResourceExhausted")
}

// A piece is posted; its holder dyes it in a bath of their own and reads it, and sees nothing else of the trial.
func TestPostedPiece(t *testing.T) {
	c := start(t)
	request := smallTrial()
	second := proto.CloneOf(request.GetTrial().GetPieces()[0])
	second.Id, second.Label = newID(), "stays at home"
	request.Trial.Pieces = append(request.Trial.Pieces, second)
	kept, err := c.trials().SubmitTrial(c.as("ada"), request)
	require.NoError(t, err)
	trialID, pieceID := kept.GetTrial().GetId(), kept.GetTrial().GetPieces()[0].GetId()

	_, err = c.trials().PostPiece(c.as("bo"), &labpb.PostPieceRequest{RequestId: newID(), PieceId: pieceID, ToMember: "bo"})
	refused(t, err, codes.NotFound, "NOT_FOUND")
	_, err = c.trials().PostPiece(c.as("ada"), &labpb.PostPieceRequest{RequestId: newID(), PieceId: pieceID, ToMember: "nobody"})
	refused(t, err, codes.NotFound, "NOT_FOUND")
	posted, err := c.trials().PostPiece(c.as("ada"), &labpb.PostPieceRequest{RequestId: newID(), PieceId: pieceID, ToMember: "bo"})
	require.NoError(t, err)
	assert.Equal(t, "bo", posted.GetHolder())

	part, err := c.trials().GetTrial(c.as("bo"), &labpb.GetTrialRequest{TrialId: trialID})
	require.NoError(t, err)
	require.Len(t, part.GetPieces(), 1, "the holder sees the held piece alone")
	assert.Len(t, part.GetImmersions(), 1)

	vat := &labpb.Bath{Id: newID(), Label: "vat", Purposes: []labpb.BathPurpose{labpb.BathPurpose_BATH_PURPOSE_VAT},
		Additions: []*labpb.Addition{{Id: newID(), Material: "indigo", Role: labpb.AdditionRole_ADDITION_ROLE_DYE, Amount: grams(4)}}}
	_, err = c.baths().CreateBath(c.as("bo"), &labpb.CreateBathRequest{RequestId: newID(), Bath: vat})
	require.NoError(t, err)
	add := &labpb.AddEntriesRequest{
		RequestId: newID(), TrialId: trialID,
		Immersions: []*labpb.Immersion{{Id: newID(), PieceId: pieceID, BathId: vat.GetId(), Position: 2, Dips: 3}},
		Readings:   []*labpb.Reading{{Id: newID(), PieceId: pieceID, Raw: lab(40, -20, 10)}},
	}
	after, err := c.trials().AddEntries(c.as("bo"), add)
	require.NoError(t, err)
	require.Len(t, after.GetPieces(), 1)
	assert.Equal(t, "weld > indigo", after.GetPieces()[0].GetRoute().GetOrder())

	add.RequestId = newID()
	add.Immersions[0].Id, add.Immersions[0].PieceId, add.Readings = newID(), second.GetId(), nil
	_, err = c.trials().AddEntries(c.as("bo"), add)
	require.Error(t, err, "the other piece isn't bo's to dye")

	whole, err := c.trials().GetTrial(c.as("ada"), &labpb.GetTrialRequest{TrialId: trialID})
	require.NoError(t, err)
	assert.Len(t, whole.GetPieces(), 2)
	assert.Len(t, whole.GetReadings(), 2)
	_, err = c.baths().GetBath(c.as("ada"), &labpb.GetBathRequest{BathId: vat.GetId()})
	require.NoError(t, err, "a piece of ada's was in it")
	_, err = c.baths().GetBath(c.as("cy"), &labpb.GetBathRequest{BathId: vat.GetId()})
	refused(t, err, codes.NotFound, "NOT_FOUND")
}

// Another member's bath takes a piece only when its owner opened it, and a change of it changes the routes of all.
func TestBathOfAnotherMember(t *testing.T) {
	c := start(t)
	bath := dyeBath("weld", 6)
	_, err := c.baths().CreateBath(c.as("ada"), &labpb.CreateBathRequest{RequestId: newID(), Bath: bath})
	require.NoError(t, err)
	request := smallTrial()
	request.Baths = nil
	request.Trial.Immersions[0].BathId = bath.GetId()
	_, err = c.trials().SubmitTrial(c.as("bo"), request)
	refused(t, err, codes.NotFound, "NOT_FOUND")

	open := true
	_, err = c.baths().AddToBath(c.as("bo"), &labpb.AddToBathRequest{RequestId: newID(), BathId: bath.GetId(), OpenToMembers: &open})
	refused(t, err, codes.NotFound, "NOT_FOUND")
	_, err = c.baths().AddToBath(c.as("ada"), &labpb.AddToBathRequest{RequestId: newID(), BathId: bath.GetId(), OpenToMembers: &open})
	require.NoError(t, err)
	kept, err := c.trials().SubmitTrial(c.as("bo"), request)
	require.NoError(t, err)
	assert.Equal(t, "weld", kept.GetTrial().GetPieces()[0].GetRoute().GetOrder())

	_, err = c.baths().AddToBath(c.as("ada"), &labpb.AddToBathRequest{RequestId: newID(), BathId: bath.GetId(), Additions: []*labpb.Addition{
		{Id: newID(), Material: "madder", Role: labpb.AdditionRole_ADDITION_ROLE_DYE, Amount: grams(1)}}})
	require.NoError(t, err)
	got, err := c.trials().GetTrial(c.as("bo"), &labpb.GetTrialRequest{TrialId: kept.GetTrial().GetId()})
	require.NoError(t, err)
	assert.Contains(t, got.GetPieces()[0].GetRoute().GetOrder(), "madder")
	assert.Greater(t, got.GetRevision(), kept.GetTrial().GetRevision())
}

func TestListTrials(t *testing.T) {
	c := start(t)
	var own []string
	for range 5 {
		own = append([]string{c.submit("ada", mine).GetTrial().GetId()}, own...)
	}
	shared := c.submit("bo", cooperative).GetTrial().GetId()
	c.submit("bo", mine)

	var got []string
	request := &labpb.ListTrialsRequest{PageSize: 4}
	for pages := 0; ; pages++ {
		require.Less(t, pages, 5)
		answer, err := c.trials().ListTrials(c.as("ada"), request)
		require.NoError(t, err)
		for _, summary := range answer.GetTrials() {
			got = append(got, summary.GetId())
			assert.Equal(t, int32(1), summary.GetPieceCount())
			assert.Equal(t, int32(1), summary.GetReadingCount())
			assert.Equal(t, "yellow first", summary.GetTitle())
		}
		if request.PageToken = answer.GetNextPageToken(); request.GetPageToken() == "" {
			break
		}
		// The token is bound to its caller and its filter.
		_, err = c.trials().ListTrials(c.as("bo"), request)
		refused(t, err, codes.InvalidArgument, "INVALID_FIELD")
		changed := proto.CloneOf(request)
		changed.Filter = `owner = "ada"`
		_, err = c.trials().ListTrials(c.as("ada"), changed)
		refused(t, err, codes.InvalidArgument, "INVALID_FIELD")
	}
	assert.Equal(t, append([]string{shared}, own...), got, "newest first, each once")

	for filter, want := range map[string]int{
		`owner = "bo"`: 1, `fibre = "wool" AND owner = "ada"`: 5, `fibre = silk`: 0, `NOT owner = ada`: 1, `material = "weld" AND sharing = "cooperative"`: 1,
	} {
		answer, err := c.trials().ListTrials(c.as("ada"), &labpb.ListTrialsRequest{Filter: filter})
		require.NoError(t, err, filter)
		assert.Len(t, answer.GetTrials(), want, filter)
	}
	_, err := c.trials().ListTrials(c.as("ada"), &labpb.ListTrialsRequest{Filter: `secret = "x"`})
	bad := refused(t, err, codes.InvalidArgument, "INVALID_FIELD")
	assert.Equal(t, "filter", bad[0].GetField())
	_, err = c.trials().ListTrials(c.as("ada"), &labpb.ListTrialsRequest{PageSize: -1})
	bad = refused(t, err, codes.InvalidArgument, "INVALID_FIELD")
	assert.Equal(t, "page_size", bad[0].GetField())
}

func TestWaters(t *testing.T) {
	c := start(t)
	waters := labpb.NewWaterServiceClient(c.conn)
	source := &labpb.WaterSource{Id: newID(), Name: "north well", Place: "behind the barn"}
	_, err := waters.CreateWaterSource(c.as("ada"), &labpb.CreateWaterSourceRequest{RequestId: newID(), WaterSource: source})
	require.NoError(t, err)
	hardness := 120.0
	sample := &labpb.WaterSample{Id: newID(), HardnessMgPerL: &hardness}
	_, err = waters.AddWaterSample(c.as("bo"), &labpb.AddWaterSampleRequest{RequestId: newID(), WaterSourceId: source.GetId(), Sample: sample})
	refused(t, err, codes.PermissionDenied, "NOT_ALLOWED")
	kept, err := waters.AddWaterSample(c.as("ada"), &labpb.AddWaterSampleRequest{RequestId: newID(), WaterSourceId: source.GetId(), Sample: sample})
	require.NoError(t, err)
	assert.Equal(t, "behind the barn", kept.GetPlace())
	for member, place := range map[string]string{"ada": "behind the barn", "bo": ""} {
		answer, err := waters.ListWaterSources(c.as(member), &labpb.ListWaterSourcesRequest{})
		require.NoError(t, err)
		require.Len(t, answer.GetWaterSources(), 1)
		assert.Equal(t, place, answer.GetWaterSources()[0].GetPlace(), member)
		assert.Len(t, answer.GetWaterSources()[0].GetSamples(), 1)
	}
}

func TestExperiments(t *testing.T) {
	c := start(t)
	experiments := labpb.NewExperimentServiceClient(c.conn)
	var last *labpb.Experiment
	for range 3 {
		var err error
		last, err = experiments.CreateExperiment(c.as("coco"), &labpb.CreateExperimentRequest{RequestId: newID(), Experiment: &labpb.Experiment{
			Id: newID(), Title: "which first", FirstDye: "weld", SecondDye: "indigo", ToleranceDe00: 2, ClosingSessions: 6, Instrument: "meter one",
			Arms:      []labpb.ExperimentArm{labpb.ExperimentArm_EXPERIMENT_ARM_A_THEN_B, labpb.ExperimentArm_EXPERIMENT_ARM_B_THEN_A},
			Condition: &typespb.ColourCondition{Illuminant: typespb.Illuminant_ILLUMINANT_D65, Observer: typespb.Observer_OBSERVER_CIE_1964_10_DEGREE},
		}})
		require.NoError(t, err)
	}
	got, err := experiments.GetExperiment(c.as("ada"), &labpb.GetExperimentRequest{ExperimentId: last.GetId()})
	require.NoError(t, err)
	assert.True(t, proto.Equal(last, got))
	page, err := experiments.ListExperiments(c.as("ada"), &labpb.ListExperimentsRequest{PageSize: 2})
	require.NoError(t, err)
	require.Len(t, page.GetExperiments(), 2)
	assert.Equal(t, last.GetId(), page.GetExperiments()[0].GetId())
	page, err = experiments.ListExperiments(c.as("ada"), &labpb.ListExperimentsRequest{PageSize: 2, PageToken: page.GetNextPageToken()})
	require.NoError(t, err)
	assert.Len(t, page.GetExperiments(), 1)
	assert.Empty(t, page.GetNextPageToken())
}

func TestImport(t *testing.T) {
	c := start(t)
	imports := labpb.NewImportServiceClient(c.conn)
	row := func(key string, l float64) *labpb.ImportRow {
		return &labpb.ImportRow{RowKey: key, RowNumber: 1, Fibre: &typespb.Fibre{Composition: []*typespb.FibrePart{{Fibre: "wool", Percent: 100}}},
			Baths: []*labpb.ImportBath{{ContentsNotStated: true}}, Reading: &labpb.Reading{Raw: lab(l, 0, 0)}}
	}
	request := &labpb.ImportReadingsRequest{Source: "meter", Rows: []*labpb.ImportRow{row("1", 50), row("2", math.NaN()), row("3", 60)}}
	outcomes := func(request *labpb.ImportReadingsRequest) (all []labpb.ImportOutcome, answer *labpb.ImportReadingsResponse) {
		answer, err := imports.ImportReadings(c.as("ada"), request, grpc.MaxCallRecvMsgSize(1<<20))
		require.NoError(t, err)
		for _, result := range answer.GetResults() {
			all = append(all, result.GetOutcome())
		}
		return all, answer
	}
	const (
		added, unchanged = labpb.ImportOutcome_IMPORT_OUTCOME_ADDED, labpb.ImportOutcome_IMPORT_OUTCOME_UNCHANGED
		updated          = labpb.ImportOutcome_IMPORT_OUTCOME_UPDATED
		conflict         = labpb.ImportOutcome_IMPORT_OUTCOME_CONFLICT
		refusedRow       = labpb.ImportOutcome_IMPORT_OUTCOME_REFUSED
	)
	got, answer := outcomes(request)
	assert.Equal(t, []labpb.ImportOutcome{added, refusedRow, added}, got)
	assert.Contains(t, answer.GetResults()[1].GetReason(), "reading.raw.lab.l: NaN is not a number; allowed: 0 to 150")
	require.Len(t, answer.GetTrialIds(), 1)
	kept, err := c.trials().GetTrial(c.as("ada"), &labpb.GetTrialRequest{TrialId: answer.GetTrialIds()[0]})
	require.NoError(t, err)
	assert.Len(t, kept.GetReadings(), 2)
	assert.Equal(t, "meter", kept.GetImportSource())

	got, _ = outcomes(request)
	assert.Equal(t, []labpb.ImportOutcome{unchanged, refusedRow, unchanged}, got)
	request.Rows[0] = row("1", 51)
	got, _ = outcomes(request)
	assert.Equal(t, []labpb.ImportOutcome{conflict, refusedRow, unchanged}, got)
	request.Update = true
	got, _ = outcomes(request)
	assert.Equal(t, []labpb.ImportOutcome{updated, refusedRow, unchanged}, got)
	got, _ = outcomes(&labpb.ImportReadingsRequest{Source: "meter", Rows: []*labpb.ImportRow{{}}})
	assert.Equal(t, []labpb.ImportOutcome{refusedRow}, got)
	_, err = imports.ImportReadings(c.as("ada"), &labpb.ImportReadingsRequest{Source: "meter"})
	refused(t, err, codes.InvalidArgument, "INVALID_FIELD")
}
