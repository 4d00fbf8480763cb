package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	accessv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	benchv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// fake is a core with canned answers that remembers what it was asked. It checks the client's side of the
// interface alone; what the core does is tested with the core.
type fake struct {
	labv1.UnimplementedTrialServiceServer
	labv1.UnimplementedBathServiceServer
	labv1.UnimplementedWaterServiceServer
	labv1.UnimplementedExperimentServiceServer
	labv1.UnimplementedImportServiceServer
	labv1.UnimplementedHistoryServiceServer
	accessv1.UnimplementedAuditServiceServer
	poolv1.UnimplementedPoolServiceServer
	accessv1.UnimplementedAccessServiceServer
	catalogv1.UnimplementedCatalogServiceServer
	benchv1.UnimplementedBenchServiceServer

	address string
	mu      sync.Mutex
	asked   []string                 // "Method {json}", oldest first
	waits   map[string]time.Duration // how long each method's last caller would wait
	faults  []error                  // given to the next calls, oldest first
	rows    map[string]string
	parts   []*labv1.Piece // made before
	further int32          // immersions of the piece since
	lastImm []*labv1.Immersion
	posted  bool
}

const (
	pieceID  = "0197a000-0000-7000-8000-0000000000b1"
	trialID  = "0197a000-0000-7000-8000-0000000000c1"
	bathID   = "0197a000-0000-7000-8000-0000000000d1"
	sourceID = "0197a000-0000-7000-8000-0000000000e1"
	request  = "0197a000-0000-7000-8000-0000000000f1"
	goodWord = "invented-token"
)

var when = &timestamppb.Timestamp{Seconds: 1780000000}

func startFake(t *testing.T) *fake {
	t.Helper()
	f := &fake{rows: map[string]string{}, waits: map[string]time.Duration{}}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	f.address = listener.Addr().String()
	s := grpc.NewServer(grpc.UnaryInterceptor(func(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
		if err := f.note(ctx, info.FullMethod, req); err != nil {
			return nil, err
		}
		return next(ctx, req)
	}))
	labv1.RegisterTrialServiceServer(s, f)
	labv1.RegisterBathServiceServer(s, f)
	labv1.RegisterWaterServiceServer(s, f)
	labv1.RegisterExperimentServiceServer(s, f)
	labv1.RegisterImportServiceServer(s, f)
	labv1.RegisterHistoryServiceServer(s, f)
	accessv1.RegisterAuditServiceServer(s, f)
	poolv1.RegisterPoolServiceServer(s, f)
	accessv1.RegisterAccessServiceServer(s, f)
	catalogv1.RegisterCatalogServiceServer(s, f)
	catalogv1.RegisterRunServiceServer(s, catalogv1.UnimplementedRunServiceServer{}) // only to be told faults
	benchv1.RegisterBenchServiceServer(s, f)
	done := make(chan struct{})
	go func() { defer close(done); _ = s.Serve(listener) }()
	t.Cleanup(func() { s.Stop(); <-done })
	return f
}

func (f *fake) note(ctx context.Context, method string, req any) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	m, ok := req.(proto.Message)
	if !ok {
		return status.Error(codes.Internal, "not a message")
	}
	raw, err := protojson.MarshalOptions{UseProtoNames: true}.Marshal(m)
	if err != nil {
		return err
	}
	var compact bytes.Buffer
	if err := json.Compact(&compact, raw); err != nil {
		return err
	}
	name := method[strings.LastIndex(method, "/")+1:]
	f.asked = append(f.asked, name+" "+compact.String())
	if deadline, ok := ctx.Deadline(); ok {
		f.waits[name] = time.Until(deadline)
	}
	if md, _ := metadata.FromIncomingContext(ctx); len(md["authorization"]) != 1 || md["authorization"][0] != "Bearer "+goodWord {
		return status.Error(codes.Unauthenticated, "no valid token")
	}
	if len(f.faults) > 0 {
		fault := f.faults[0]
		f.faults = f.faults[1:]
		return fault
	}
	return nil
}

func (f *fake) fail(faults ...error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.faults = append(f.faults, faults...)
}

func (f *fake) take() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	out := f.asked
	f.asked = nil
	return out
}

func wool() *typesv1.Fibre {
	return &typesv1.Fibre{Composition: []*typesv1.FibrePart{{Fibre: "wool", Percent: 100}}, Lot: "W7"}
}

func grams(v float64) *typesv1.Amount {
	return &typesv1.Amount{Knowledge: typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_MEASURED, Value: &v, Unit: typesv1.AmountUnit_AMOUNT_UNIT_GRAM}
}

func cannedPiece() *labv1.Piece {
	depth := 33.5
	return &labv1.Piece{Id: pieceID, TrialId: trialID, Code: "K7P", Label: "w1", Fibre: wool(), Mass: grams(14), Holder: "ada", LastPosition: 2,
		Corrections: []*labv1.PieceCorrection{{MassBefore: grams(41), LabelBefore: new(string), FibreBefore: wool(), Reason: "digits swapped", RecordTime: when, RecordedBy: "ada"}},
		Route: &labv1.Route{Order: "weld > indigo", Text: "alum > weld > indigo (3 dips)", Layers: []*labv1.Layer{
			{Purposes: []labv1.BathPurpose{labv1.BathPurpose_BATH_PURPOSE_DYE}, Materials: []*labv1.LayerMaterial{{Material: "weld"}}, BathId: bathID,
				IntendedDepth: 2, DeliveredPercentWof: &depth, ExhaustNotStated: true},
			{Purposes: []labv1.BathPurpose{labv1.BathPurpose_BATH_PURPOSE_VAT}, ContentsNotStated: true, BathId: bathID, Dips: 3},
		}}}
}

func (f *fake) cannedTrial() *labv1.Trial {
	age := int32(8)
	imms := []*labv1.Immersion{
		{Id: "i1", PieceId: pieceID, BathId: bathID, Position: 1},
		{Id: "i2", PieceId: pieceID, BathId: bathID, Position: 2, Dips: 3, IntendedDepth: labv1.Depth_DEPTH_DEEP},
		{Id: "i3", PieceId: pieceID, BathId: bathID, Position: 3, Superseded: true},
		{Id: lookID, PieceId: pieceID, BathId: bathID, Position: 2, Superseded: true},
	}
	return &labv1.Trial{Id: trialID, Owner: "ada", Title: "Both orders (invented)", State: labv1.TrialState_TRIAL_STATE_BEGUN,
		Sharing:  &typesv1.Sharing{Level: typesv1.SharingLevel_SHARING_LEVEL_COOPERATIVE},
		Sessions: []*labv1.Session{{Id: "s1"}}, Pieces: []*labv1.Piece{cannedPiece()}, Immersions: append(imms, f.lastImm...), UpdateTime: when, Revision: 41, Etag: `"r15"`,
		Looks: []*labv1.Look{{Id: "l1", Of: &labv1.Look_PieceId{PieceId: pieceID}, Text: "greener than thought", Corrects: &typesv1.Correction{EntryId: lookID, Reason: "wrong piece"}}},
		Readings: []*labv1.Reading{{Id: "r1", PieceId: pieceID, State: labv1.PieceState_PIECE_STATE_DRY, AgeDays: &age, Instrument: "invented meter", AfterPosition: ptr(int32(2)),
			Raw: &typesv1.RawColour{Value: &typesv1.RawColour_Lab{Lab: &typesv1.Lab{L: 48.12, A: -14.5, B: 10}}, LabCondition: d65()}}},
		Warnings: []*labv1.Warning{{EntryId: pieceID, Text: "parts weigh 0.1 g more than the whole"}}}
}

func d65() *typesv1.ColourCondition {
	return &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}
}

func (f *fake) SubmitTrial(_ context.Context, r *labv1.SubmitTrialRequest) (*labv1.SubmitTrialResponse, error) {
	return &labv1.SubmitTrialResponse{Trial: r.GetTrial(), Baths: r.GetBaths()}, nil
}
func (f *fake) GetTrial(_ context.Context, r *labv1.GetTrialRequest) (*labv1.Trial, error) {
	if r.GetTrialId() != trialID || f.posted {
		return nil, status.Errorf(codes.NotFound, "trial %s is not there, or not readable", r.GetTrialId())
	}
	return f.cannedTrial(), nil
}
func (f *fake) ListTrials(_ context.Context, r *labv1.ListTrialsRequest) (*labv1.ListTrialsResponse, error) {
	page := func(id, title, next string) *labv1.ListTrialsResponse {
		return &labv1.ListTrialsResponse{NextPageToken: next, Trials: []*labv1.TrialSummary{{Id: id, Owner: "ada", Title: title, SessionCount: 2,
			State: labv1.TrialState_TRIAL_STATE_FINISHED, Sharing: &typesv1.Sharing{Level: typesv1.SharingLevel_SHARING_LEVEL_PUBLIC}, PieceCount: 12, ReadingCount: 24, UpdateTime: when}}}
	}
	if r.GetPageToken() == "" {
		return page(trialID, "Both orders (invented)", "more"), nil
	}
	return page("0197a000-0000-7000-8000-0000000000c2", "=Onion skins", ""), nil
}
func (f *fake) AddEntries(_ context.Context, r *labv1.AddEntriesRequest) (*labv1.Trial, error) {
	t := f.cannedTrial()
	for i, p := range r.GetPieces() {
		p.Code = "K8" + string(rune('A'+i))
		p.Fibre, p.Holder = wool(), "ada"
	}
	f.lastImm = append(f.lastImm, r.GetImmersions()...)
	f.parts = append(f.parts, r.GetPieces()...)
	t.Pieces = append(t.Pieces, r.GetPieces()...)
	return t, nil
}
func (f *fake) SetTrialState(_ context.Context, r *labv1.SetTrialStateRequest) (*labv1.Trial, error) {
	t := f.cannedTrial()
	t.State = r.GetState()
	return t, nil
}
func (f *fake) ShareTrial(_ context.Context, r *labv1.ShareTrialRequest) (*labv1.Trial, error) {
	t := f.cannedTrial()
	t.Sharing = r.GetSharing()
	return t, nil
}
func (f *fake) GetPiece(_ context.Context, r *labv1.GetPieceRequest) (*labv1.Piece, error) {
	for _, p := range f.parts {
		if p.GetId() == r.GetPiece() {
			return p, nil
		}
	}
	if r.GetPiece() == "M2Q" {
		p := cannedPiece()
		p.Id, p.Code = sourceID, "M2Q"
		return p, nil
	}
	if p := r.GetPiece(); p != pieceID && p != "K7P" {
		return nil, status.Errorf(codes.NotFound, "piece %q is not there, or not readable", p)
	}
	p := cannedPiece()
	p.LastPosition += f.further
	return p, nil
}
func (f *fake) PostPiece(_ context.Context, r *labv1.PostPieceRequest) (*labv1.Piece, error) {
	p := cannedPiece()
	p.Holder = r.GetToMember()
	return p, nil
}
func (f *fake) WatchChanges(r *labv1.WatchChangesRequest, s grpc.ServerStreamingServer[labv1.WatchChangesResponse]) error {
	if r.GetAfterRevision() > 100 {
		return status.Error(codes.OutOfRange, "revision 101 lies ahead")
	}
	for i := range int64(3) {
		if err := s.Send(&labv1.WatchChangesResponse{Revision: r.GetAfterRevision() + i + 1, Kind: labv1.ChangeKind_CHANGE_KIND_ROUTES_CHANGED,
			RecordKind: "trial", RecordId: trialID, ByMember: "ada", Time: when}); err != nil {
			return err
		}
	}
	<-s.Context().Done()
	return s.Context().Err()
}

func cannedBath() *labv1.Bath {
	ph, c := 7.4, 60.0
	return &labv1.Bath{Id: bathID, Owner: "bo", Label: "weld pot", Etag: `"r16"`, Purposes: []labv1.BathPurpose{labv1.BathPurpose_BATH_PURPOSE_DYE}, OpenToMembers: true,
		Sharing:   &typesv1.Sharing{Level: typesv1.SharingLevel_SHARING_LEVEL_MINE},
		Additions: []*labv1.Addition{{Id: "a1", Material: "weld", Role: labv1.AdditionRole_ADDITION_ROLE_DYE, Amount: grams(30), RecordedBy: "bo"}},
		Checks:    []*labv1.Check{{Id: "k1", Ph: &ph, TemperatureC: &c}}, WaterParts: []*labv1.WaterPart{{WaterSourceId: sourceID, Parts: 1}}}
}
func (f *fake) CreateBath(_ context.Context, r *labv1.CreateBathRequest) (*labv1.Bath, error) {
	return r.GetBath(), nil
}
func (f *fake) GetBath(context.Context, *labv1.GetBathRequest) (*labv1.Bath, error) {
	return cannedBath(), nil
}
func (f *fake) ListBaths(context.Context, *labv1.ListBathsRequest) (*labv1.ListBathsResponse, error) {
	return &labv1.ListBathsResponse{Baths: []*labv1.Bath{cannedBath()}}, nil
}
func (f *fake) AddToBath(context.Context, *labv1.AddToBathRequest) (*labv1.Bath, error) {
	return cannedBath(), nil
}
func (f *fake) CreateWaterSource(_ context.Context, r *labv1.CreateWaterSourceRequest) (*labv1.WaterSource, error) {
	return r.GetWaterSource(), nil
}
func (f *fake) AddWaterSample(_ context.Context, r *labv1.AddWaterSampleRequest) (*labv1.WaterSource, error) {
	return &labv1.WaterSource{Id: r.GetWaterSourceId(), Name: "mill well", Samples: []*labv1.WaterSample{r.GetSample()}}, nil
}
func (f *fake) ListWaterSources(context.Context, *labv1.ListWaterSourcesRequest) (*labv1.ListWaterSourcesResponse, error) {
	hard := 212.5
	return &labv1.ListWaterSourcesResponse{WaterSources: []*labv1.WaterSource{{Id: sourceID, Name: "mill well", Kind: "well", Owner: "ada",
		Samples: []*labv1.WaterSample{{Id: "w1", HardnessMgPerL: &hard}}}, {Id: "e2", Name: "rain", Common: true, Owner: "bo"},
		{Id: "0197a000-0000-7000-8000-00000000aaaa", Name: "twin well", Owner: "bo"}, {Id: "0197a000-0000-7000-8000-00000000bbbb", Name: "twin well", Owner: "bo"}}}, nil
}
func (f *fake) CreateExperiment(_ context.Context, r *labv1.CreateExperimentRequest) (*labv1.Experiment, error) {
	return r.GetExperiment(), nil
}
func cannedExperiment() *labv1.Experiment {
	return &labv1.Experiment{Id: sourceID, Title: "Which way round (invented)", FirstDye: "weld", SecondDye: "indigo", ToleranceDe00: 2, ClosingSessions: 6,
		Arms: []labv1.ExperimentArm{labv1.ExperimentArm_EXPERIMENT_ARM_A_THEN_B}, Instrument: "invented meter", Condition: d65(), Owner: "cora", Etag: `"r18"`}
}

// watersID is the experiment that asks about waters.
const watersID = "0197a000-0000-7000-8000-0000000000e7"

func (f *fake) GetExperiment(_ context.Context, r *labv1.GetExperimentRequest) (*labv1.Experiment, error) {
	e := cannedExperiment()
	if r.GetExperimentId() == watersID {
		e.Id, e.Asks, e.WaterSourceIds = watersID, labv1.ExperimentAsks_EXPERIMENT_ASKS_WATERS, []string{sourceID, bathID}
	}
	return e, nil
}
func (f *fake) ListExperiments(context.Context, *labv1.ListExperimentsRequest) (*labv1.ListExperimentsResponse, error) {
	return &labv1.ListExperimentsResponse{Experiments: []*labv1.Experiment{cannedExperiment()}}, nil
}

// ImportReadings keeps rows by key, as the core does: the same again is unchanged.
func (f *fake) ImportReadings(_ context.Context, r *labv1.ImportReadingsRequest) (*labv1.ImportReadingsResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	out := &labv1.ImportReadingsResponse{TrialIds: []string{trialID}}
	for _, row := range r.GetRows() {
		raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(row.GetReading())
		if err != nil {
			return nil, err
		}
		key := r.GetSource() + "/" + row.GetRowKey()
		before, known := f.rows[key]
		x := &labv1.ImportRowResult{RowNumber: row.GetRowNumber(), RowKey: row.GetRowKey(), ReadingId: "r-" + row.GetRowKey()}
		switch {
		case !known:
			x.Outcome = labv1.ImportOutcome_IMPORT_OUTCOME_ADDED
		case before == string(raw):
			x.Outcome = labv1.ImportOutcome_IMPORT_OUTCOME_UNCHANGED
		case r.GetUpdate():
			x.Outcome = labv1.ImportOutcome_IMPORT_OUTCOME_UPDATED
		default:
			x.Outcome, x.Reason = labv1.ImportOutcome_IMPORT_OUTCOME_CONFLICT, "reading: other content was imported before"
		}
		if x.Outcome != labv1.ImportOutcome_IMPORT_OUTCOME_CONFLICT {
			f.rows[key] = string(raw)
		}
		out.Results = append(out.Results, x)
	}
	return out, nil
}

func ptr[T any](v T) *T { return &v }

func modules() []*typesv1.ModuleIdentity {
	return []*typesv1.ModuleIdentity{{Kind: "palette", Name: "palette-width", Version: "1.0.0", Digest: "0123456789abcdef0123"}}
}

// verdictAnswer is what an experiment on waters, and one on mordants, gets at its closing size; no core gives both in one.
func verdictAnswer(r *poolv1.AskPaletteRequest) *poolv1.AskPaletteResponse {
	return &poolv1.AskPaletteResponse{Headline: "the waters give different colours (p = 0.031, 6 sessions)", Standing: poolv1.Standing_STANDING_VERDICT, Modules: modules(), Condition: d65(),
		ThresholdDe00: 5, Seed: r.GetSeed(), PoolRevision: 41, PiecesUsed: 72, ReadingsUsed: 72, Alpha: 0.05, Question: r,
		LeftOut: []*poolv1.LeftOut{{Reason: "another mordant than the experiment's", Count: 2, Unit: "pieces"}},
		Tests:   []*poolv1.TestMade{{What: "whether the waters give different colours", Arrangements: 46656, Exact: true}, {What: "whether the order changes the colour", Arrangements: 9999}},
		Waters: &poolv1.WatersAnswer{Standing: poolv1.Standing_STANDING_VERDICT, Statement: "the waters give different colours (p = 0.031, 6 sessions)", Reference: "Mill well", Recipes: 6, Sessions: 6, P: ptr(0.03125),
			Waters: []*poolv1.WaterAnswer{{Water: "Mill well", Sessions: 6, Members: 2, Recipes: 6}, {Water: "Town tap", Sessions: 6, Members: 2, Recipes: 6, Difference: &typesv1.LabDifference{L: 4}, MeanDe00: ptr(3.25), MaxDe00: ptr(4.5)}},
			Pairs: []*poolv1.WatersPair{{First: "Mill well", Second: "Town tap", Recipes: 6, Difference: &typesv1.LabDifference{L: -4}, MeanDe00: ptr(3.25), P: ptr(0.03125), PAdjusted: ptr(0.0625)},
				{First: "Rain", Second: "Town tap"}},
			Outlook: "judged by the noise between 6 sessions: 2 more", AboutFigures: "hardness needs 6 waters",
			Figures: []*poolv1.WaterFigureAnswer{{Figure: "iron", Waters: 7, Rho: 0.75, P: ptr(0.02), InseparableFrom: []string{"pH"}}}},
		Apart: &poolv1.GroupsAnswer{Standing: poolv1.Standing_STANDING_VERDICT, SpreadStanding: poolv1.Standing_STANDING_NO_ANSWER_AT_THIS_SIZE, Statement: "the mordants give different colours (p = 0.004, 6 sessions)",
			Groups: []string{"alum", "iron"}, Cells: 12, Sessions: 6, Place: &poolv1.GroupsShare{Share: 0.9, F: ptr(30.0), GroupDf: 1, RestDf: 5, P: ptr(0.004)},
			Spread: &poolv1.GroupsShare{Share: 0.2, F: ptr(1.0), GroupDf: 1, RestDf: 5, P: ptr(0.4)},
			Pairs: []*poolv1.GroupsPair{{First: "alum", Second: "iron", Sessions: 6, De00: ptr(7.25), Difference: &typesv1.LabDifference{L: 9},
				Place: &poolv1.GroupsShare{Share: 0.9, F: ptr(30.0), GroupDf: 1, RestDf: 5, P: ptr(0.004), PAdjusted: ptr(0.012)}}},
			Outlook: "judged by the noise between 6 sessions: no more"}}
}

func (f *fake) AskPalette(_ context.Context, r *poolv1.AskPaletteRequest) (*poolv1.AskPaletteResponse, error) {
	if r.GetExperimentId() == watersID {
		return verdictAnswer(r), nil
	}
	return &poolv1.AskPaletteResponse{Headline: "So far blue over yellow looks wider; this is no verdict.", Standing: poolv1.Standing_STANDING_EXPLORATORY,
		Groups: []*poolv1.GroupAnswer{
			{Group: "weld > indigo", Stratum: "yarn W7, dry", Pieces: 12, Cells: 9, Sessions: 5, ShadesAtLeast: 7, ShadesAtMost: 7, EqualNumber: 6,
				ShadesAtEqualNumber: ptr(5.25), ShadesLow: ptr(4.0), ShadesHigh: ptr(6.0), HullSide: 17.24, Dispersion: 14.1, LargestHueGapDeg: ptr(212.4)},
			{Group: "=indigo > weld", Stratum: "yarn not stated", Pieces: 4, Cells: 4, ShadesAtLeast: 3, ShadesAtMost: 4, HullSide: 0, Dispersion: 8.123456789, Unstable: true, Missing: "2 more pieces of other recipes"},
		},
		Pairs: []*poolv1.PairAnswer{{First: "weld > indigo", Second: "indigo > weld", Standing: poolv1.Standing_STANDING_NOT_ENOUGH_YET, Strata: 1, CellsFirst: 9, CellsSecond: 4,
			WidthRatio: ptr(1.4), Sessions: 4, Missing: []string{"two more sessions", "an instrument"}, Statement: "Not enough yet: two more sessions.", Thin: true, Outlook: "judged by the noise between 4 sessions: 3 more",
			Effect: &poolv1.OrderEffect{Verdict: poolv1.EffectVerdict_EFFECT_VERDICT_DEPENDS_ON_CELL, Sessions: 4, Difference: &typesv1.LabDifference{L: -1.25, A: 0.5, B: 3}, De00: ptr(2.125),
				UpperDe00: ptr(3.5), ToleranceDe00: 2, MedianDe00: ptr(2.0), P: ptr(0.03), PAdjusted: ptr(0.06), CellsDifferP: ptr(0.01), RepeatabilityMcdm: ptr(0.8), Repeats: 6,
				Cells:   []*poolv1.CellEffect{{Cell: "wool, lot W7, alum, weld deep", Sessions: 4, Difference: &typesv1.LabDifference{L: -2, A: 1, B: 5}, De00: 4.5, PAdjusted: ptr(0.02)}},
				Blanks:  []*poolv1.BlankEffect{{What: "what the bath of indigo without its dye does to weld", Sessions: 3, Difference: &typesv1.LabDifference{L: 0.5}, De00: 0.4, UpperDe00: ptr(0.9)}},
				Missing: []string{"2 more sessions"}, Statement: "it depends on the piece whether order matters", Outlook: "judged by the noise between 4 sessions: 2 more"},
			Judgements: []*poolv1.JudgementVotes{{Quality: "yellower", First: 3, Second: 1, Split: 1, Judgements: 7, NotBlind: 2, Missing: []string{"2 more sessions"}, Statement: "weld > indigo was called yellower in 3 of 4 sessions"}}},
			{First: "vat last", Second: "vat first", Standing: poolv1.Standing_STANDING_EXPLORATORY, Strata: 12, CellsFirst: 10, CellsSecond: 12, WidthRatio: ptr(0.9), ShadeDifference: ptr(-1.25),
				Sessions: 4, Missing: []string{"an instrument"}, Statement: "So far blue over yellow looks wider; this is no verdict."}},
		LeftOut:    []*poolv1.LeftOut{{Reason: "order not stated", Count: 3, Unit: "pieces"}, {Reason: "read wet", Count: 1, Unit: "readings"}},
		CannotTell: []string{"whether water or member makes the difference"}, Modules: modules(), Condition: d65(), ThresholdDe00: 5, Seed: r.GetSeed(), MarginRatio: 1.1,
		Waters: &poolv1.WatersAnswer{Standing: poolv1.Standing_STANDING_NOT_ENOUGH_YET, Statement: "Water and member can't be told apart", Reference: "Mill well", Recipes: 3, Sessions: 5, Apart: []string{"Town tap"},
			Waters: []*poolv1.WaterAnswer{{Water: "Mill well", Sessions: 3, Members: 2, Recipes: 3},
				{Water: "Town tap", Sessions: 2, Members: 1, Recipes: 3, Difference: &typesv1.LabDifference{L: 1, A: -2, B: 4.25}, MeanDe00: ptr(3.25), MaxDe00: ptr(4.5)}},
			Missing: []string{"a common water"}},
		Apart: &poolv1.GroupsAnswer{Standing: poolv1.Standing_STANDING_EXPLORATORY, Statement: "41 % lies between the groups", Groups: []string{"alum", "iron", "none"}, Cells: 12, Sessions: 4,
			Place: &poolv1.GroupsShare{Share: 0.41, F: ptr(3.5), GroupDf: 2, RestDf: 6}, Spread: &poolv1.GroupsShare{Share: 0.2, GroupDf: 2, RestDf: 6},
			Pairs: []*poolv1.GroupsPair{{First: "alum", Second: "iron", Place: &poolv1.GroupsShare{Share: 0.5, F: ptr(3.0), GroupDf: 1, RestDf: 3}}, {First: "alum", Second: "none"}}},
		PoolRevision: 41, PiecesUsed: 16, ReadingsUsed: 16, Question: r}, nil
}
func (f *fake) GetPoolStatus(_ context.Context, r *poolv1.GetPoolStatusRequest) (*poolv1.GetPoolStatusResponse, error) {
	answer := &poolv1.GetPoolStatusResponse{PoolRevision: 40, RecordRevision: 41, Rows: 16, WaitingFor: "a reading module"}
	if r.GetWithChecksum() {
		answer.RowsSha256 = "00ff"
	}
	return answer, nil
}
func (f *fake) ComparePieces(_ context.Context, r *poolv1.ComparePiecesRequest) (*poolv1.ComparePiecesResponse, error) {
	return &poolv1.ComparePiecesResponse{Difference: 8.0412345678901, Formula: r.GetFormula(), Reference: &typesv1.Lab{L: 60, A: -3.5, B: 40}, Sample: &typesv1.Lab{L: 52, A: -9, B: 31},
		Condition: d65(), Modules: modules(), Remarks: []string{"instrument not stated of one"}, ReferenceReading: &poolv1.ReadingUsed{ReadingId: "r-1", PieceId: pieceID},
		SampleReading: &poolv1.ReadingUsed{ReadingId: "r-2", PieceId: lookID}, LeftOut: []*poolv1.LeftOut{{Reason: "read wet", Count: 1, Unit: "readings"}}, PoolRevision: 41, Question: r, NothingDrawn: true}, nil
}
func (f *fake) PredictOverdye(_ context.Context, r *poolv1.PredictOverdyeRequest) (*poolv1.PredictOverdyeResponse, error) {
	out := &poolv1.PredictOverdyeResponse{
		Headline: "indigo over weld is expected at L* 40.1, a* -12.0, b* 5.0, by 5 trials.", Standing: poolv1.PredictionStanding_PREDICTION_STANDING_FITTED, Colour: &typesv1.Lab{L: 40.12, A: -12, B: 5},
		FirstDye: "weld", SecondDye: r.GetSecondDye(), Fibre: "wool", Mordant: "alum first", Bath: "vat, deep, fresh bath", ErrorDe00: ptr(1.234), RadiusShare: 0.9, RadiusDe00: ptr(2.5), AnyBathRadiusDe00: ptr(6.75), Retention: ptr(0.62), Uptake: ptr(0.81),
		Rules: []*poolv1.RuleTried{{Rule: "last_dye", ErrorDe00: 9.5}, {Rule: "additive", ErrorDe00: 4.25}}, CannotTell: []string{"how strong your own second bath will be"},
		Trials:  []*poolv1.OverdyeTrialUsed{{SessionId: sourceID, PieceIds: []string{pieceID}, ErrorDe00: ptr(1.5)}},
		LeftOut: []*poolv1.LeftOut{{Reason: "read at other wavelengths", Count: 1, Unit: "pieces"}}, SecondPieceId: pieceID, SubstratePieceId: lookID, Modules: modules(), Condition: d65(), PoolRevision: 41, PiecesUsed: 20,
		Readings: []*poolv1.ReadingUsed{{ReadingId: "r-1", PieceId: pieceID}, {ReadingId: "r-2", PieceId: lookID}}, Question: r, NothingDrawn: true,
	}
	if r.GetAskOrder() {
		out.Order = &poolv1.OrderPredicted{Answered: true, ReversedColour: &typesv1.Lab{L: 45, A: -10, B: 12}, DifferenceDe00: 6.54}
	}
	if r.GetSecondDye() == "lac" {
		out.Standing, out.Colour, out.Retention, out.Uptake = poolv1.PredictionStanding_PREDICTION_STANDING_NO_BETTER_THAN_A_RULE, nil, nil, nil
		out.RadiusDe00, out.AnyBathRadiusDe00 = nil, nil
		out.Headline, out.Missing, out.ErrorDe00 = "No prediction of lac over weld.", []string{"2 more trials"}, ptr(4.5)
	}
	return out, nil
}

func ada() *accessv1.Member {
	return &accessv1.Member{Id: "ada", DisplayName: "Ada (invented)", Roles: []accessv1.Role{accessv1.Role_ROLE_MEMBER, accessv1.Role_ROLE_STEWARD}, CreateTime: when}
}
func (f *fake) GetCurrentMember(context.Context, *accessv1.GetCurrentMemberRequest) (*accessv1.Member, error) {
	return ada(), nil
}
func (f *fake) ListMembers(context.Context, *accessv1.ListMembersRequest) (*accessv1.ListMembersResponse, error) {
	return &accessv1.ListMembersResponse{Members: []*accessv1.Member{ada()}}, nil
}
func (f *fake) CreateMember(_ context.Context, r *accessv1.CreateMemberRequest) (*accessv1.Member, error) {
	return r.GetMember(), nil
}
func (f *fake) IssueToken(context.Context, *accessv1.IssueTokenRequest) (*accessv1.IssueTokenResponse, error) {
	return &accessv1.IssueTokenResponse{TokenId: "t1", Token: "t1.word"}, nil
}
func (f *fake) RevokeToken(context.Context, *accessv1.RevokeTokenRequest) (*accessv1.RevokeTokenResponse, error) {
	return &accessv1.RevokeTokenResponse{}, nil
}
func (f *fake) ListModules(context.Context, *catalogv1.ListModulesRequest) (*catalogv1.ListModulesResponse, error) {
	return &catalogv1.ListModulesResponse{Modules: []*catalogv1.ModuleStatus{{Module: modules()[0], State: catalogv1.ModuleState_MODULE_STATE_RUNNING, DefaultOfKind: true, Since: when},
		{Module: &typesv1.ModuleIdentity{Kind: "compare", Name: "compare-order", Version: "1.0.0", Digest: "ff"}, State: catalogv1.ModuleState_MODULE_STATE_BACKOFF, Restarts: 2, Reason: "it ended", Since: when}}}, nil
}

func (f *fake) ListBuilds(context.Context, *catalogv1.ListBuildsRequest) (*catalogv1.ListBuildsResponse, error) {
	out := &catalogv1.ListBuildsResponse{}
	for i, version := range []string{"1.0.0", "2.0.0"} {
		out.Builds = append(out.Builds, &catalogv1.Build{Module: &typesv1.ModuleIdentity{Kind: "palette", Name: "wide", Version: version, Digest: strings.Repeat(string(rune('a'+i)), 64)}})
	}
	out.Builds = append(out.Builds, &catalogv1.Build{Module: &typesv1.ModuleIdentity{Kind: "palette", Name: "hue", Version: "1.0.0", Digest: strings.Repeat("c", 64)}},
		// A version was built twice, and failed at first.
		&catalogv1.Build{Module: &typesv1.ModuleIdentity{Kind: "palette", Name: "reach", Version: "1.0.0", Digest: strings.Repeat("d", 64)},
			Report: catalogv1.ReportStanding_REPORT_STANDING_FAILED},
		&catalogv1.Build{Module: &typesv1.ModuleIdentity{Kind: "palette", Name: "reach", Version: "1.0.0", Digest: strings.Repeat("e", 64)},
			Report: catalogv1.ReportStanding_REPORT_STANDING_PASSED})
	return out, nil
}

func (f *fake) GetBuildReport(_ context.Context, r *catalogv1.GetBuildReportRequest) (*catalogv1.GetBuildReportResponse, error) {
	if r.GetDigest() != strings.Repeat("c", 64) {
		return &catalogv1.GetBuildReportResponse{}, nil
	}
	return &catalogv1.GetBuildReportResponse{ReportJson: `{"suite":"2","name":"hue","version":"1.0.0","kind":"palette","contracts":["commonvat.module.palette.v1"],"seed":1,"took_ms":1200,` +
		`"steps":[{"name":"start","asked":"starts and ends","outcome":"passed"},{"name":"law symmetry","contract":"commonvat.module.palette.v1","asked":"is symmetric","outcome":"failed","reason":"1 and 2"}]}`}, nil
}

func (f *fake) ActivateModule(_ context.Context, r *catalogv1.ActivateModuleRequest) (*catalogv1.ModuleStatus, error) {
	return &catalogv1.ModuleStatus{Module: &typesv1.ModuleIdentity{Kind: "palette", Name: "chosen", Version: "1.0.0", Digest: r.GetDigest()}, Since: when}, nil
}

// LiftQuarantine is of modules that are called after what becomes of them.
func (f *fake) LiftQuarantine(_ context.Context, r *catalogv1.LiftQuarantineRequest) (*catalogv1.ModuleStatus, error) {
	m := &catalogv1.ModuleStatus{Module: &typesv1.ModuleIdentity{Kind: "palette", Name: r.GetName(), Version: "1.0.0", Digest: "ff"}, Restarts: 5, Since: when, Reason: "it ended"}
	m.State = map[string]catalogv1.ModuleState{"runs": catalogv1.ModuleState_MODULE_STATE_RUNNING, "starts": catalogv1.ModuleState_MODULE_STATE_STARTING,
		"late": catalogv1.ModuleState_MODULE_STATE_BACKOFF, "falls": catalogv1.ModuleState_MODULE_STATE_QUARANTINED}[r.GetName()]
	return m, nil
}

func badRequest(fields ...string) error {
	d := &errdetails.BadRequest{}
	for _, f := range fields {
		d.FieldViolations = append(d.FieldViolations, &errdetails.BadRequest_FieldViolation{Field: f, Description: "3 is out of range: 0 to 2"})
	}
	s, err := status.New(codes.InvalidArgument, "the request has faults").WithDetails(d)
	if err != nil {
		return err
	}
	return s.Err()
}

type result struct {
	code     int
	out, err string
}

// run runs the program as a signed-in member, with a folder of its own.
func (f *fake) run(t *testing.T, in string, args ...string) result {
	t.Helper()
	dir := t.TempDir()
	token := filepath.Join(dir, "token")
	require.NoError(t, os.WriteFile(token, []byte(goodWord+"\n"), 0o600))
	return runWith(t, in, map[string]string{"COMMONVAT_SERVER": f.address, "COMMONVAT_TOKEN_FILE": token},
		append([]string{"--config", filepath.Join(dir, "settings.json")}, args...)...)
}

func runWith(t *testing.T, in string, env map[string]string, args ...string) result {
	t.Helper()
	var out, errs bytes.Buffer
	code := Run(t.Context(), args, Surroundings{In: strings.NewReader(in), Out: &out, Err: &errs, Getenv: func(k string) string { return env[k] }})
	return result{code, out.String(), errs.String()}
}
