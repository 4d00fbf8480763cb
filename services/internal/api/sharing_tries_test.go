package api_test

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	accesspb "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	catalogpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	poolpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typespb "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// write is a method that changes something, and how everybody tries it on the record.
type write struct {
	// why it is no read, or why it needs no try.
	why string
	// may do it, so that they don't try here.
	may string
	// own marks a request that makes a record of the caller's own: it may go well, as long as nothing of the owner's changes.
	own bool
	try func(a aim) []proto.Message
}

const (
	inCatalog = "/commonvat.catalog.v1.CatalogService/"
	inPacks   = "/commonvat.catalog.v1.PackService/"
	aChoice   = "chooses among modules; no record has a word in it"
)

const aRun = "changes a run; only who made it, and coordinators, may"

const aChange = "changes a record; only its owner may"

// plansOf are plans that name pieces of the record, by id, as what is dyed next.
func plansOf(a aim) (all []*benchpb.Plan) {
	for _, piece := range []string{a.home, a.held} {
		all = append(all, &benchpb.Plan{
			Id: newID(), Title: "next",
			Pieces: []*benchpb.PlanPiece{{Id: newID(), Label: "taken", Composition: []*typespb.FibrePart{{Fibre: "wool", Percent: 100}}, MassG: 5, TakenFrom: piece}},
			Baths:  []*benchpb.PlanBath{{Name: "dye", Kind: benchpb.BathKind_BATH_KIND_DYE, Volume: &benchpb.PlanBath_LiquorRatio{LiquorRatio: 30}}},
		})
	}
	return all
}

// writes are the methods that change something.
var writes = map[string]write{
	inTrials + "SubmitTrial": {why: "keeps a trial of the caller's own", may: "ada", own: true, try: func(a aim) []proto.Message {
		var all []proto.Message
		for _, only := range []bool{true, false} {
			taken := smallTrial()
			taken.Trial.Id = a.trial
			inBath := smallTrial()
			inBath.Baths, inBath.Trial.Immersions[0].BathId = nil, a.heldBath
			looked := smallTrial()
			looked.Trial.Looks = []*labpb.Look{{Id: newID(), Of: &labpb.Look_BathId{BathId: a.homeBath}, Text: "seen"}}
			part := smallTrial()
			part.Trial.Pieces[0].Fibre, part.Trial.Pieces[0].Origin = nil, &labpb.PieceOrigin{ParentPieceId: a.home, Kind: labpb.OriginKind_ORIGIN_KIND_TAKEN, AfterPosition: 2}
			part.Trial.Pieces[0].Mass = grams(0.5)
			split := proto.CloneOf(part)
			split.RequestId = newID()
			split.Trial.Pieces[0].Origin.Kind = labpb.OriginKind_ORIGIN_KIND_SPLIT
			for _, request := range []*labpb.SubmitTrialRequest{taken, inBath, looked, part, split} {
				request.ValidateOnly = only
				all = append(all, request)
			}
		}
		return all
	}},
	inTrials + "AddEntries": {why: "adds to a trial; its owner may, and of a posted piece its holder", may: "ada", try: func(a aim) []proto.Message {
		return []proto.Message{
			&labpb.AddEntriesRequest{RequestId: newID(), TrialId: a.trial, Sessions: []*labpb.Session{{Id: newID(), Note: "mine"}}},
			&labpb.AddEntriesRequest{RequestId: newID(), TrialId: a.trial, Looks: []*labpb.Look{{Id: newID(), Of: &labpb.Look_PieceId{PieceId: a.home}, Text: "seen"}}},
			&labpb.AddEntriesRequest{RequestId: newID(), TrialId: a.trial, Looks: []*labpb.Look{{Id: newID(), Of: &labpb.Look_PieceId{PieceId: a.held}, Text: "x", Corrects: correction(a.look, "no")}}},
			&labpb.AddEntriesRequest{RequestId: newID(), TrialId: a.trial, Readings: []*labpb.Reading{settled(a.home, 10, "", "")}},
			&labpb.AddEntriesRequest{RequestId: newID(), TrialId: a.trial, Immersions: []*labpb.Immersion{{Id: newID(), PieceId: a.held, BathId: a.homeBath, Position: 7}}},
			&labpb.AddEntriesRequest{RequestId: newID(), TrialId: a.trial, PieceCorrections: []*labpb.PieceCorrection{{PieceId: a.held, Mass: grams(1), Reason: "no"}}},
			&labpb.AddEntriesRequest{RequestId: newID(), TrialId: a.trial, Etag: `"r1"`, PieceCorrections: []*labpb.PieceCorrection{{PieceId: a.home, Mass: grams(1), Reason: "no"}}},
		}
	}},
	inTrials + "SetTrialState": {why: aChange, may: "ada", try: func(a aim) []proto.Message {
		return []proto.Message{&labpb.SetTrialStateRequest{RequestId: newID(), TrialId: a.trial, State: labpb.TrialState_TRIAL_STATE_FINISHED}}
	}},
	inTrials + "ShareTrial": {why: aChange, may: "ada", try: func(a aim) []proto.Message {
		var all []proto.Message
		for _, level := range []typespb.SharingLevel{mine, cooperative, public} {
			all = append(all, &labpb.ShareTrialRequest{RequestId: newID(), TrialId: a.trial, Sharing: &typespb.Sharing{Level: level, Licence: "CC0-1.0"}})
		}
		return all
	}},
	inTrials + "UpdateTrial": {why: aChange, may: "ada", try: func(a aim) []proto.Message {
		return []proto.Message{
			&labpb.UpdateTrialRequest{RequestId: newID(), Trial: &labpb.Trial{Id: a.trial, Title: "theirs"}, UpdateMask: fieldsOf("title"), Etag: a.trialEtag},
			&labpb.UpdateTrialRequest{RequestId: newID(), Trial: &labpb.Trial{Id: a.trial, Title: "theirs"}, UpdateMask: fieldsOf("title"), Etag: `"r1"`},
		}
	}},
	inTrials + "DeleteTrial": {why: aChange, may: "ada", try: func(a aim) []proto.Message {
		return []proto.Message{&labpb.DeleteTrialRequest{RequestId: newID(), TrialId: a.trial, Etag: a.trialEtag, Reason: "no"}}
	}},
	inTrials + "UndeleteTrial": {why: aChange, may: "ada", try: func(a aim) []proto.Message {
		return []proto.Message{&labpb.UndeleteTrialRequest{RequestId: newID(), TrialId: a.trial}}
	}},
	inTrials + "PostPiece": {why: "hands a piece on; only its holder may", may: "ada", try: func(a aim) []proto.Message {
		return []proto.Message{
			&labpb.PostPieceRequest{RequestId: newID(), PieceId: a.home, ToMember: "cy"}, &labpb.PostPieceRequest{RequestId: newID(), PieceId: a.home, ToMember: "bo"},
		}
	}},
	inBaths + "CreateBath": {why: "keeps a bath of the caller's own", may: "ada", own: true, try: func(a aim) []proto.Message {
		taken, watered := dyeBath("madder", 1), dyeBath("madder", 1)
		taken.Id, watered.WaterParts = a.heldBath, []*labpb.WaterPart{{WaterSourceId: a.water, Parts: 1}}
		return []proto.Message{&labpb.CreateBathRequest{RequestId: newID(), Bath: taken}, &labpb.CreateBathRequest{RequestId: newID(), Bath: watered}}
	}},
	inBaths + "AddToBath": {why: aChange, may: "ada", try: func(a aim) []proto.Message {
		var all []proto.Message
		open := true
		for _, id := range []string{a.heldBath, a.homeBath, a.openBath} {
			all = append(all, &labpb.AddToBathRequest{RequestId: newID(), BathId: id, OpenToMembers: &open}, &labpb.AddToBathRequest{RequestId: newID(), BathId: id, Etag: `"r1"`,
				Additions: []*labpb.Addition{{Id: newID(), Material: "iron", Role: labpb.AdditionRole_ADDITION_ROLE_MODIFIER, Amount: grams(1)}}})
		}
		return all
	}},
	inBaths + "UpdateBath": {why: aChange, may: "ada", try: func(a aim) []proto.Message {
		return []proto.Message{
			&labpb.UpdateBathRequest{RequestId: newID(), Bath: &labpb.Bath{Id: a.heldBath, Label: "theirs"}, UpdateMask: fieldsOf("label"), Etag: a.bathEtag, Reason: "no"},
			&labpb.UpdateBathRequest{RequestId: newID(), Bath: &labpb.Bath{Id: a.homeBath, Label: "theirs"}, UpdateMask: fieldsOf("label"), Etag: `"r1"`, Reason: "no"},
		}
	}},
	inBaths + "DeleteBath": {why: aChange, may: "ada", try: func(a aim) []proto.Message {
		return []proto.Message{&labpb.DeleteBathRequest{RequestId: newID(), BathId: a.heldBath, Etag: a.bathEtag, Reason: "no"}, &labpb.DeleteBathRequest{RequestId: newID(), BathId: a.openBath, Etag: `"r1"`, Reason: "no"}}
	}},
	inBaths + "UndeleteBath": {why: aChange, may: "ada", try: func(a aim) []proto.Message {
		return []proto.Message{&labpb.UndeleteBathRequest{RequestId: newID(), BathId: a.heldBath}, &labpb.UndeleteBathRequest{RequestId: newID(), BathId: a.homeBath}}
	}},
	inWaters + "CreateWaterSource": {why: "keeps a water of the caller's own", may: "ada", own: true, try: func(a aim) []proto.Message {
		return []proto.Message{&labpb.CreateWaterSourceRequest{RequestId: newID(), WaterSource: &labpb.WaterSource{Id: a.water, Name: "theirs"}}}
	}},
	inWaters + "AddWaterSample": {why: aChange, may: "ada", try: func(a aim) []proto.Message {
		return []proto.Message{&labpb.AddWaterSampleRequest{RequestId: newID(), WaterSourceId: a.water, Sample: &labpb.WaterSample{Id: newID(), Corrects: correction(a.sample, "no")}}}
	}},
	inWaters + "UpdateWaterSource": {why: aChange, may: "ada", try: func(a aim) []proto.Message {
		return []proto.Message{
			&labpb.UpdateWaterSourceRequest{RequestId: newID(), WaterSource: &labpb.WaterSource{Id: a.water, PlaceShown: true}, UpdateMask: fieldsOf("place_shown"), Etag: a.waterEtag},
			&labpb.UpdateWaterSourceRequest{RequestId: newID(), WaterSource: &labpb.WaterSource{Id: a.water, Place: "there"}, UpdateMask: fieldsOf("place"), Etag: `"r1"`},
		}
	}},
	inWaters + "DeleteWaterSource": {why: aChange, may: "ada", try: func(a aim) []proto.Message {
		return []proto.Message{&labpb.DeleteWaterSourceRequest{RequestId: newID(), WaterSourceId: a.water, Etag: a.waterEtag, Reason: "no"}}
	}},
	inWaters + "UndeleteWaterSource": {why: aChange, may: "ada", try: func(a aim) []proto.Message {
		return []proto.Message{&labpb.UndeleteWaterSourceRequest{RequestId: newID(), WaterSourceId: a.water}}
	}},
	inQuestion + "CreateExperiment": {why: "sets a question that every member may read; coordinators alone", may: "coco", try: func(a aim) []proto.Message {
		e := anExperiment()
		e.Id = a.experiment
		return []proto.Message{&labpb.CreateExperimentRequest{RequestId: newID(), Experiment: e}}
	}},
	inQuestion + "UpdateExperiment": {why: aChange, may: "coco", try: func(a aim) []proto.Message {
		return []proto.Message{&labpb.UpdateExperimentRequest{RequestId: newID(), Experiment: &labpb.Experiment{Id: a.experiment, Title: "theirs"}, UpdateMask: fieldsOf("title"), Etag: `"r1"`}}
	}},
	inQuestion + "DeleteExperiment": {why: aChange, may: "coco", try: func(a aim) []proto.Message {
		return []proto.Message{&labpb.DeleteExperimentRequest{RequestId: newID(), ExperimentId: a.experiment, Etag: `"r1"`, Reason: "no"}}
	}},
	inQuestion + "UndeleteExperiment": {why: aChange, may: "coco", try: func(a aim) []proto.Message {
		return []proto.Message{&labpb.UndeleteExperimentRequest{RequestId: newID(), ExperimentId: a.experiment}}
	}},
	labPackage + "ImportService/ImportReadings": {why: "keeps trials of the caller's own; a row's key has its caller in it", may: "ada", own: true, try: func(a aim) []proto.Message {
		return []proto.Message{&labpb.ImportReadingsRequest{Source: "meter", Update: true, Rows: []*labpb.ImportRow{{RowNumber: 1, RowKey: a.heldReading, PieceKey: a.held, SessionKey: a.session,
			Fibre: wool("wool", ""), Baths: []*labpb.ImportBath{{ContentsNotStated: true, BathKey: a.heldBath, WaterSourceId: a.water}}, Reading: &labpb.Reading{Raw: lab(50, 0, 0)}}}}}
	}},
	inAccess + "CreateMember": {why: "takes in a member; stewards alone", may: "stella", try: func(aim) []proto.Message {
		return []proto.Message{&accesspb.CreateMemberRequest{Member: &accesspb.Member{Id: "ada", DisplayName: "me", Roles: []accesspb.Role{accesspb.Role_ROLE_STEWARD}}}}
	}},
	inAccess + "IssueToken": {why: "makes a token; stewards alone, and the trail tells it", may: "stella", try: func(aim) []proto.Message {
		return []proto.Message{&accesspb.IssueTokenRequest{MemberId: "ada"}}
	}},
	inCatalog + "ActivateModule": {why: aChoice, may: "coco", try: func(aim) []proto.Message {
		return []proto.Message{&catalogpb.ActivateModuleRequest{Digest: strings.Repeat("0a", 32)}}
	}},
	inCatalog + "SetDefaultModule": {why: aChoice, may: "coco", try: func(aim) []proto.Message {
		return []proto.Message{&catalogpb.SetDefaultModuleRequest{Name: "palette-width"}}
	}},
	inCatalog + "RetireModule": {why: aChoice, may: "coco", try: func(aim) []proto.Message {
		return []proto.Message{&catalogpb.RetireModuleRequest{Name: "palette-width"}}
	}},
	inCatalog + "RollBackModule": {why: aChoice, may: "coco", try: func(aim) []proto.Message {
		return []proto.Message{&catalogpb.RollBackModuleRequest{Name: "palette-width"}}
	}},
	inCatalog + "LiftQuarantine": {why: aChoice, may: "stella", try: func(aim) []proto.Message {
		return []proto.Message{&catalogpb.LiftQuarantineRequest{Name: "palette-width"}}
	}},
	inBench + "PlanTrial": {why: "keeps a sheet of the caller's own; what a piece has met is told to those who may read it", may: "ada", own: true, try: func(a aim) (all []proto.Message) {
		for _, plan := range plansOf(a) {
			all = append(all, &benchpb.PlanTrialRequest{Plan: plan})
		}
		return all
	}},
	inBench + "InspectPlan": {why: "keeps nothing, and says of a piece what PlanTrial says", may: "ada", own: true, try: func(a aim) (all []proto.Message) {
		for _, plan := range plansOf(a) {
			all = append(all, &benchpb.InspectPlanRequest{Plan: plan})
		}
		return all
	}},
	inBench + "ScaleBath": {why: "keeps nothing", may: "ada", own: true, try: func(a aim) (all []proto.Message) {
		for _, plan := range plansOf(a) {
			all = append(all, &benchpb.ScaleBathRequest{Plan: plan})
		}
		return all
	}},
	inBench + "SelectMordant": {why: "keeps nothing", may: "ada", own: true, try: func(a aim) (all []proto.Message) {
		for _, plan := range plansOf(a) {
			all = append(all, &benchpb.SelectMordantRequest{Plan: plan})
		}
		return all
	}},
	inBench + "InspectSheetsAgain": {why: "adds to sheets of the caller's own", own: true, try: func(a aim) []proto.Message {
		return []proto.Message{&benchpb.InspectSheetsAgainRequest{PlanIds: []string{a.trial}}}
	}},
	inBench + "OverrideStop": {why: "changes a sheet of the caller's own; there is none", try: func(a aim) []proto.Message {
		return []proto.Message{&benchpb.OverrideStopRequest{PlanId: a.trial, Etag: `"r1"`, Bath: "dye", RuleId: "S005", PackSha256: strings.Repeat("0b", 32), Reason: "it is a strip for a card"}}
	}},
	inBench + "RescaleTrial": {why: "keeps nothing, and says of a trial what those who may read it whole can read", may: "ada", own: true, try: func(a aim) []proto.Message {
		return []proto.Message{
			&benchpb.RescaleTrialRequest{From: &benchpb.RescaleTrialRequest_TrialId{TrialId: a.trial}, FibreG: 3000},
			&benchpb.RescaleTrialRequest{From: &benchpb.RescaleTrialRequest_PlanId{PlanId: a.trial}, FibreG: 3000},
		}
	}},
	inBench + "DeleteSheet": {why: "changes a sheet of the caller's own; there is none", try: func(a aim) []proto.Message {
		return []proto.Message{&benchpb.DeleteSheetRequest{PlanId: a.trial, Etag: `"r1"`, Reason: "planned twice"}}
	}},
	inBench + "UndeleteSheet": {why: "changes a sheet of the caller's own; there is none", try: func(a aim) []proto.Message {
		return []proto.Message{&benchpb.UndeleteSheetRequest{PlanId: a.trial}}
	}},
	inBench + "UpdateWorkshop": {why: "keeps a workshop of the caller's own", own: true, try: func(aim) []proto.Message {
		return []proto.Message{&benchpb.UpdateWorkshopRequest{Workshop: &benchpb.Workshop{Balances: []*benchpb.Balance{{StepG: 0.1}}}}}
	}},
	inPacks + "AddPack": {why: aChoice, may: "coco", try: func(aim) []proto.Message {
		return []proto.Message{&catalogpb.AddPackRequest{Module: "safety-rules", Content: []byte("name: theirs")}}
	}},
	inPacks + "ActivatePack": {why: aChoice, may: "coco", try: func(aim) []proto.Message {
		return []proto.Message{&catalogpb.ActivatePackRequest{Module: "safety-rules", Sha256: strings.Repeat("0a", 32)}}
	}},
	inPacks + "RetirePack": {why: aChoice, may: "coco", try: func(aim) []proto.Message {
		return []proto.Message{&catalogpb.RetirePackRequest{Module: "safety-rules", Sha256: strings.Repeat("0a", 32), Reason: "no"}}
	}},
	inRuns + "CreateRun": {why: "scores what is shared; researchers and coordinators alone", may: "rosa coco", try: func(aim) []proto.Message {
		return []proto.Message{&catalogpb.CreateRunRequest{RunId: newID(), Title: "theirs", Question: &catalogpb.RunQuestion{GroupBy: poolpb.GroupBy_GROUP_BY_FIBRE, Filter: `member = "ada"`},
			Modules: []*catalogpb.RunModule{{Name: "palette"}}}}
	}},
	inRuns + "CancelRun": {why: aRun, may: "rosa coco", try: func(a aim) []proto.Message {
		return []proto.Message{&catalogpb.CancelRunRequest{RunId: a.run, Reason: "no"}}
	}},
	inRuns + "ResumeRun": {why: aRun, may: "rosa coco", try: func(a aim) []proto.Message {
		return []proto.Message{&catalogpb.ResumeRunRequest{RunId: a.run, Reason: "no"}}
	}},
	inRuns + "DeleteRun": {why: aRun, may: "rosa coco", try: func(a aim) []proto.Message {
		return []proto.Message{&catalogpb.DeleteRunRequest{RunId: a.run, Reason: "no"}}
	}},
	inAccess + "RevokeToken": {why: "ends a token; stewards, and members their own", may: "stella", try: func(aim) []proto.Message {
		return []proto.Message{&accesspb.RevokeTokenRequest{TokenId: "abcdefghabcdefgh"}}
	}},
}

// searched are the lists and the fields by which words are looked for in them.
var searched = map[string][]string{
	inTrials + "ListTrials": {"title", "fibre", "material", "water", "source"},
	inBaths + "ListBaths":   {"label", "material", "water"},
}

// tryFilters has everybody look for each word of the record. Whoever may not know a word gets the same answer as for a word that is nowhere: that a
// record is found, or isn't, would tell.
func (w *walked) tryFilters() {
	list := func(ctx context.Context, method, filter string) string {
		var request proto.Message = &labpb.ListTrialsRequest{Filter: filter, PageSize: 200}
		if method == inBaths+"ListBaths" {
			request = &labpb.ListBathsRequest{Filter: filter, PageSize: 200}
		}
		got := requestMessage(w.t, method)
		require.NoError(w.t, w.conn.Invoke(ctx, method, request, got), "%s %s", method, filter)
		body, err := proto.MarshalOptions{Deterministic: true}.Marshal(got)
		require.NoError(w.t, err)
		return string(body)
	}
	asking := []string{"ada", "bo", "cy"}
	if w.state == stateMine { // what a list has is decided by who the caller is, and no role is asked for: once is enough
		asking = callers[:len(callers)-1]
	}
	for _, member := range asking {
		found, ctx := 0, w.as(member)
		for method, fields := range searched {
			for _, field := range fields {
				plain, not := field+` = "%s"`, "NOT "+field+` = "%s"`
				nowhere, notNowhere := list(ctx, method, fmt.Sprintf(plain, "nowhere")), list(ctx, method, fmt.Sprintf(not, "nowhere"))
				for word, audience := range markers {
					if !marker.MatchString(word) {
						continue
					}
					got := list(ctx, method, fmt.Sprintf(plain, word))
					if slices.Contains(strings.Fields(audience[w.state]), member) {
						if got != nowhere {
							found++
						}
						continue
					}
					if got != nowhere || list(ctx, method, fmt.Sprintf(not, word)) != notNowhere {
						assert.Fail(w.t, "a leak", "%q learns by %s = %s from %s of a trial that is %s", member, field, word, method, w.state)
					}
				}
			}
		}
		assert.Positive(w.t, found, "%q finds nothing by a word", member)
	}
}

// tryWrites has everybody try to change the record who may not.
func (w *walked) tryWrites() {
	t, all := w.t, methods(w.core)
	before := w.ownersView()
	for _, member := range callers {
		told := map[string]bool{}
		for _, method := range slices.Sorted(maps.Keys(writes)) {
			try := writes[method]
			require.NotEmpty(t, try.why, method)
			if slices.Contains(strings.Fields(try.may), member) {
				continue
			}
			for i, request := range try.try(w.aim) {
				got := w.call(member, method, all[method], request)
				w.search(member, fmt.Sprint(method, " ", request), got, told)
				if !try.own {
					assert.NotEqual(t, codes.OK, got.code, "%q may %s %v of a trial that is %s", member, method, request, w.state)
				}
				assert.NotContains(t, []codes.Code{codes.Internal, codes.Unknown, codes.Unimplemented, codes.ResourceExhausted}, got.code, "%s %v: %s", method, request, got.words)
				if got.code == codes.NotFound {
					w.alike(member, method, all[method], request, got, func(a aim) proto.Message { return try.try(a)[i] })
				}
			}
		}
	}
	assert.Equal(t, before, w.ownersView(), "somebody else changed the record")
}

// tryHolder has the holder do what they may with the posted piece: what they are answered shows them no more than what they read.
func (w *walked) tryHolder() {
	all, told := methods(w.core), map[string]bool{}
	for i, request := range []proto.Message{
		&labpb.AddEntriesRequest{RequestId: newID(), TrialId: w.aim.trial, Looks: []*labpb.Look{{Id: newID(), Of: &labpb.Look_PieceId{PieceId: w.aim.held}, Text: "as it came"}}},
		&labpb.AddEntriesRequest{RequestId: newID(), TrialId: w.aim.trial, Readings: []*labpb.Reading{settled(w.aim.held, 33, "", "")}},
		&labpb.PostPieceRequest{RequestId: newID(), PieceId: w.aim.held, ToMember: "cy"},
	} {
		method := inTrials + "AddEntries"
		if _, ok := request.(*labpb.PostPieceRequest); ok {
			method = inTrials + "PostPiece"
		}
		got := w.call("bo", method, all[method], request)
		w.search("bo", fmt.Sprint(method, " ", request), got, told)
		if w.state == stateDeleted { // the piece went back
			assert.Equal(w.t, codes.NotFound, got.code, "%d: %s", i, got.words)
			continue
		}
		assert.Equal(w.t, codes.OK, got.code, "%d: %s", i, got.words)
		// Sent again it is answered the same, and so it is once the piece has been passed on.
		w.search("bo", fmt.Sprint(method, " again"), w.call("bo", method, all[method], request), told)
	}
	if w.state != stateDeleted {
		assert.True(w.t, told[m("label")], "the holder is answered with what they may read")
		w.afterPosting()
	}
}

// afterPosting looks whether whoever passed a piece on still reads of it, and whoever got it reads what the holder before wrote.
func (w *walked) afterPosting() {
	got, method := map[string]answer{}, inTrials+"GetTrial"
	for _, member := range []string{"bo", "cy"} {
		got[member] = w.call(member, method, false, &labpb.GetTrialRequest{TrialId: w.aim.trial})
	}
	if audience := markers[m("question")][w.state]; audience == everyMember {
		return
	}
	assert.Equal(w.t, codes.NotFound, got["bo"].code, "who passed a piece on reads the trial still")
	assert.Contains(w.t, got["cy"].text, m("fibre"))
	for _, word := range []string{"bolook", "question", "look", "massnote", "immersionnote", "homelabel"} {
		assert.NotContains(w.t, got["cy"].text, m(word), "the new holder")
	}
}

// unmarked are the fields of text that hold no words of a member: ids, and what the core writes.
var unmarked = strings.Fields(`id owner trial_id code session_id holder piece_id first_piece_id second_piece_id bath_id experiment_id entry_id parent_piece_id recorded_by water_source_id water_sample_id etag
	order text water import_source`)

// Every field of text of a record has a word of the table in it somewhere, so that a new field is looked for too.
func TestEveryTextOfTheRecordIsMarked(t *testing.T) {
	w := walk(t, statePublic)
	filled, seen := map[string]bool{}, map[string]bool{}
	var look func(message protoreflect.Message)
	visit := func(field protoreflect.FieldDescriptor, value protoreflect.Value) {
		if field.Message() != nil {
			look(value.Message())
		} else if field.Kind() == protoreflect.StringKind && marker.MatchString(value.String()) {
			filled[string(field.FullName())] = true
		}
	}
	look = func(message protoreflect.Message) {
		seen[string(message.Descriptor().FullName())] = true
		message.Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
			if field.IsList() {
				for i := range value.List().Len() {
					visit(field, value.List().Get(i))
				}
			} else {
				visit(field, value)
			}
			return true
		})
	}
	table := reads(w.aim, "")
	for _, method := range []string{inTrials + "GetTrial", inBaths + "GetBath", inWaters + "GetWaterSource"} {
		for _, request := range table[method] {
			got := requestMessage(t, method)
			require.NoError(t, w.conn.Invoke(w.as("ada"), method, request, got))
			look(got.ProtoReflect())
		}
	}
	require.Greater(t, len(seen), 20)
	for name := range seen {
		found, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(name))
		require.NoError(t, err)
		fields := found.(protoreflect.MessageDescriptor).Fields()
		for i := range fields.Len() {
			field := fields.Get(i)
			if field.Kind() == protoreflect.StringKind && !slices.Contains(unmarked, string(field.Name())) {
				assert.True(t, filled[string(field.FullName())], "%s has no word of its own in the record", field.FullName())
			}
		}
	}
}
