package e2e_test

import (
	"context"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// caller is one member who asks over the interface itself.
type caller struct {
	t       *testing.T
	ctx     context.Context
	trials  labv1.TrialServiceClient
	baths   labv1.BathServiceClient
	waters  labv1.WaterServiceClient
	plans   labv1.ExperimentServiceClient
	imports labv1.ImportServiceClient
}

func (l *lab) caller(t *testing.T, member string) *caller {
	t.Helper()
	token, err := os.ReadFile(l.tokens[member])
	require.NoError(t, err)
	conn, err := grpc.NewClient(l.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	ctx, cancel := context.WithTimeout(metadata.AppendToOutgoingContext(context.Background(), "authorization", "Bearer "+strings.TrimSpace(string(token))), callWithin)
	t.Cleanup(cancel)
	return &caller{t, ctx, labv1.NewTrialServiceClient(conn), labv1.NewBathServiceClient(conn), labv1.NewWaterServiceClient(conn),
		labv1.NewExperimentServiceClient(conn), labv1.NewImportServiceClient(conn)}
}

func grams(v float64) *typesv1.Amount {
	return &typesv1.Amount{Knowledge: typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_MEASURED, Value: &v, Unit: typesv1.AmountUnit_AMOUNT_UNIT_GRAM}
}

func wool() *typesv1.Fibre {
	return &typesv1.Fibre{Composition: []*typesv1.FibrePart{{Fibre: "wool", Percent: 100}}, Form: "yarn", Lot: "-3 (invented)"}
}

func labReading(t *testing.T, piece string, after *int32) *labv1.Reading {
	return &labv1.Reading{Id: newID(t), PieceId: piece, State: labv1.PieceState_PIECE_STATE_DRY, Instrument: "invented meter", AfterPosition: after, Raw: &typesv1.RawColour{
		Value:        &typesv1.RawColour_Lab{Lab: &typesv1.Lab{L: 48.125, A: -12.3, B: 10}},
		LabCondition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}}}
}

// story is what the invented members of the test do.
type story struct{ trial, other, deleted, water, bath, foreign, posted string }

// tell fills a core with records of every sort: parts of parts, across trials and after a split; corrections of entries, masses, labels and
// fibre; looks, spectra, a vat, another member's bath, a posted piece, an experiment, and deleted ones.
func tell(t *testing.T, l *lab) story {
	ash, birch := l.caller(t, "ash"), l.caller(t, "birch")
	s := story{trial: newID(t), other: newID(t), deleted: newID(t), water: newID(t), bath: newID(t), foreign: newID(t)}
	wrongSample, experiment := newID(t), newID(t)
	do := func(err error) { t.Helper(); require.NoError(t, err) }
	_, err := ash.waters.CreateWaterSource(ash.ctx, &labv1.CreateWaterSourceRequest{RequestId: newID(t), WaterSource: &labv1.WaterSource{Id: s.water, Name: "mill well (invented)", Kind: "well",
		Place: "behind the mill", PlaceShown: true, Samples: []*labv1.WaterSample{{Id: wrongSample, HardnessMgPerL: proto.Float64(310)}}}})
	do(err)
	sample := newID(t)
	_, err = ash.waters.AddWaterSample(ash.ctx, &labv1.AddWaterSampleRequest{RequestId: newID(t), WaterSourceId: s.water, Sample: &labv1.WaterSample{Id: sample, HardnessMgPerL: proto.Float64(130),
		Corrects: &typesv1.Correction{EntryId: wrongSample, Reason: "digits swapped"}}})
	do(err)
	_, err = ash.plans.CreateExperiment(ash.ctx, &labv1.CreateExperimentRequest{RequestId: newID(t), Experiment: &labv1.Experiment{Id: experiment, Title: "Which way round (invented)", FirstDye: "weld", SecondDye: "indigo",
		Arms:          []labv1.ExperimentArm{labv1.ExperimentArm_EXPERIMENT_ARM_A_THEN_B, labv1.ExperimentArm_EXPERIMENT_ARM_B_THEN_A},
		ToleranceDe00: 2, ClosingSessions: 6, Instrument: "invented meter", Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}}})
	do(err)
	// birch's pot, open to others.
	_, err = birch.baths.CreateBath(birch.ctx, &labv1.CreateBathRequest{RequestId: newID(t), Bath: &labv1.Bath{Id: s.foreign, Label: "birch's walnut pot (invented)", OpenToMembers: true,
		Purposes: []labv1.BathPurpose{labv1.BathPurpose_BATH_PURPOSE_DYE}, Additions: []*labv1.Addition{{Id: newID(t), Material: "walnut", Role: labv1.AdditionRole_ADDITION_ROLE_DYE, Amount: grams(40)}}}})
	do(err)
	vat, weld, wrongWeld := newID(t), s.bath, newID(t)
	hank, half, rest, strip := newID(t), newID(t), newID(t), newID(t)
	session, wrongDip, wrongLook, wrongReading := newID(t), newID(t), newID(t), newID(t)
	submit := &labv1.SubmitTrialRequest{RequestId: newID(t),
		Trial: &labv1.Trial{Id: s.trial, Title: "=1+1 is no formula (invented)", Question: "Which way round?\nand \"why\"", Sharing: &typesv1.Sharing{Level: typesv1.SharingLevel_SHARING_LEVEL_COOPERATIVE},
			Sessions: []*labv1.Session{{Id: session, ExperimentId: experiment, Note: "cold"}},
			Pieces: []*labv1.Piece{
				{Id: hank, Label: "hank", SessionId: session, Fibre: wool(), Mass: grams(41)},
				{Id: half, Label: "half", Mass: grams(6), Origin: &labv1.PieceOrigin{ParentPieceId: hank, Kind: labv1.OriginKind_ORIGIN_KIND_TAKEN, AfterPosition: 1}},
			},
			Immersions: []*labv1.Immersion{
				{Id: newID(t), PieceId: hank, BathId: weld, Position: 1, IntendedDepth: labv1.Depth_DEPTH_MEDIUM},
				{Id: newID(t), PieceId: half, BathId: s.foreign, Position: 1},
				{Id: wrongDip, PieceId: half, BathId: vat, Position: 2, Dips: 1},
			},
			Looks:    []*labv1.Look{{Id: wrongLook, Of: &labv1.Look_PieceId{PieceId: half}, Text: "@green"}, {Id: newID(t), Of: &labv1.Look_BathId{BathId: weld}, Text: "a skin on it"}},
			Readings: []*labv1.Reading{labReading(t, half, nil), labReading(t, half, proto.Int32(1))},
		},
		Baths: []*labv1.Bath{
			{Id: weld, Label: "weld pot", Purposes: []labv1.BathPurpose{labv1.BathPurpose_BATH_PURPOSE_DYE}, WaterParts: []*labv1.WaterPart{{WaterSourceId: s.water, WaterSampleId: sample, Parts: 1}},
				Additions: []*labv1.Addition{{Id: wrongWeld, Material: "weld", Role: labv1.AdditionRole_ADDITION_ROLE_DYE, Amount: grams(3)}}, Checks: []*labv1.Check{{Id: newID(t), Ph: proto.Float64(7.25)}}},
			{Id: vat, Label: "vat", Purposes: []labv1.BathPurpose{labv1.BathPurpose_BATH_PURPOSE_VAT}, OpenToMembers: true,
				Additions: []*labv1.Addition{{Id: newID(t), Material: "indigo", Role: labv1.AdditionRole_ADDITION_ROLE_DYE, Amount: grams(12)}}},
		}}
	submit.Trial.Readings[0].Id = wrongReading
	_, err = ash.trials.SubmitTrial(ash.ctx, submit)
	do(err)
	_, err = ash.baths.AddToBath(ash.ctx, &labv1.AddToBathRequest{RequestId: newID(t), BathId: weld, Additions: []*labv1.Addition{{Id: newID(t), Material: "weld", Role: labv1.AdditionRole_ADDITION_ROLE_DYE,
		Amount: grams(30), Corrects: &typesv1.Correction{EntryId: wrongWeld, Reason: "a nought forgotten"}}}})
	do(err)
	fibre := wool()
	fibre.Finish = "superwash"
	spectrum := labReading(t, half, nil)
	spectrum.Raw = &typesv1.RawColour{Value: &typesv1.RawColour_Spectrum{Spectrum: &typesv1.Spectrum{StartNm: 400, StepNm: 20, Reflectance: []float64{.05, .051, .052, .06, .09, .2, .415, .6}}}}
	right := labReading(t, half, nil)
	right.Corrects = &typesv1.Correction{EntryId: wrongReading, Reason: "dirty tile"}
	add := func(c *caller, r *labv1.AddEntriesRequest) {
		t.Helper()
		r.RequestId = newID(t)
		_, err := c.trials.AddEntries(c.ctx, r)
		do(err)
	}
	add(ash, &labv1.AddEntriesRequest{TrialId: s.trial,
		Immersions: []*labv1.Immersion{{Id: newID(t), PieceId: half, BathId: vat, Position: 3, Dips: 3, Corrects: &typesv1.Correction{EntryId: wrongDip, Reason: "three dips"}}},
		Looks:      []*labv1.Look{{Id: newID(t), Of: &labv1.Look_PieceId{PieceId: half}, Text: "-greener", Corrects: &typesv1.Correction{EntryId: wrongLook, Reason: "light"}}},
		Readings:   []*labv1.Reading{right, spectrum},
		PieceCorrections: []*labv1.PieceCorrection{{PieceId: hank, Mass: grams(14), Reason: "digits swapped"}, {PieceId: hank, Mass: grams(14.1), Label: proto.String("the hank"), Reason: "weighed again"},
			{PieceId: hank, Fibre: fibre, Reason: "the band says so"}}})
	// A second trial takes a strip from the hank; then the first splits the hank, after which nothing more can come from it.
	_, err = ash.trials.SubmitTrial(ash.ctx, &labv1.SubmitTrialRequest{RequestId: newID(t), Trial: &labv1.Trial{Id: s.other, Title: "strips (invented)", State: labv1.TrialState_TRIAL_STATE_PLANNED,
		Pieces: []*labv1.Piece{{Id: strip, Mass: grams(1), Origin: &labv1.PieceOrigin{ParentPieceId: hank, Kind: labv1.OriginKind_ORIGIN_KIND_TAKEN, AfterPosition: 1}}}}})
	do(err)
	s.posted = rest
	add(ash, &labv1.AddEntriesRequest{TrialId: s.trial, Pieces: []*labv1.Piece{
		{Id: newID(t), Mass: grams(3), Origin: &labv1.PieceOrigin{ParentPieceId: hank, Kind: labv1.OriginKind_ORIGIN_KIND_SPLIT, AfterPosition: 1}},
		{Id: rest, Mass: grams(4), Origin: &labv1.PieceOrigin{ParentPieceId: hank, Kind: labv1.OriginKind_ORIGIN_KIND_SPLIT, AfterPosition: 1}}}})
	// A part of that goes into the second trial: each of the two stands on the other.
	add(ash, &labv1.AddEntriesRequest{TrialId: s.other, Pieces: []*labv1.Piece{{Id: newID(t), Mass: grams(1), Origin: &labv1.PieceOrigin{ParentPieceId: rest, Kind: labv1.OriginKind_ORIGIN_KIND_TAKEN}}}})
	add(ash, &labv1.AddEntriesRequest{TrialId: s.trial, Pieces: []*labv1.Piece{{Id: newID(t), Mass: grams(0.5), Origin: &labv1.PieceOrigin{ParentPieceId: strip, Kind: labv1.OriginKind_ORIGIN_KIND_TAKEN}}}})
	_, err = ash.trials.PostPiece(ash.ctx, &labv1.PostPieceRequest{RequestId: newID(t), PieceId: rest, ToMember: "birch"})
	do(err)
	add(birch, &labv1.AddEntriesRequest{TrialId: s.trial, Readings: []*labv1.Reading{labReading(t, rest, nil)}})
	_, err = ash.trials.SetTrialState(ash.ctx, &labv1.SetTrialStateRequest{RequestId: newID(t), TrialId: s.trial, State: labv1.TrialState_TRIAL_STATE_FINISHED})
	do(err)
	// Deleted ones: a trial with a bath that nothing else stands on.
	gone := newID(t)
	answer, err := ash.trials.SubmitTrial(ash.ctx, &labv1.SubmitTrialRequest{RequestId: newID(t),
		Trial: &labv1.Trial{Id: s.deleted, Title: "sent twice (invented)", State: labv1.TrialState_TRIAL_STATE_ABANDONED, AbandonedReason: "moths",
			Pieces: []*labv1.Piece{{Id: newID(t), Fibre: wool(), Mass: &typesv1.Amount{Knowledge: typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_NOT_KNOWN, Note: "a handful"}}}},
		Baths: []*labv1.Bath{{Id: gone, Label: "gone", ContentsNotStated: true}}})
	do(err)
	_, err = ash.trials.DeleteTrial(ash.ctx, &labv1.DeleteTrialRequest{RequestId: newID(t), TrialId: s.deleted, Etag: answer.GetTrial().GetEtag(), Reason: "sent twice"})
	do(err)
	_, err = ash.baths.DeleteBath(ash.ctx, &labv1.DeleteBathRequest{RequestId: newID(t), BathId: gone, Etag: answer.GetBaths()[0].GetEtag(), Reason: "sent twice"})
	do(err)
	// birch's own trial is shared, and not ash's to take along.
	_, err = birch.trials.SubmitTrial(birch.ctx, &labv1.SubmitTrialRequest{RequestId: newID(t), Trial: &labv1.Trial{Id: newID(t), Title: "of birch alone (invented)",
		Sharing: &typesv1.Sharing{Level: typesv1.SharingLevel_SHARING_LEVEL_COOPERATIVE}, Sessions: []*labv1.Session{{Id: newID(t)}}}})
	do(err)
	return s
}
