package api_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	reflectpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	accesspb "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	catalogpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	poolpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
)

const (
	labPackage = "/commonvat.lab.v1."
	inTrials   = labPackage + "TrialService/"
	inBaths    = labPackage + "BathService/"
	inWaters   = labPackage + "WaterService/"
	inQuestion = labPackage + "ExperimentService/"
	inHistory  = labPackage + "HistoryService/"
	inPool     = "/commonvat.pool.v1.PoolService/"
	inAccess   = "/commonvat.access.v1.AccessService/"
	inRuns     = "/commonvat.catalog.v1.RunService/"
	inBench    = "/commonvat.bench.v1.BenchService/"
	inHealth   = "/grpc.health.v1.Health/"
)

// reads are the methods that change nothing, with requests that aim at the record, each in every way that there is: by id, by code, by
// what can be filtered by, by page, from the beginning. own is the caller's own piece.
func reads(a aim, own string) map[string][]proto.Message {
	all := map[string][]proto.Message{
		inTrials + "GetTrial": {&labpb.GetTrialRequest{TrialId: a.trial}},
		inTrials + "ListTrials": {
			&labpb.ListTrialsRequest{}, &labpb.ListTrialsRequest{Deleted: true}, &labpb.ListTrialsRequest{PageSize: 200, Filter: `owner = "ada"`},
			&labpb.ListTrialsRequest{Filter: `state = "abandoned" AND NOT sharing = "public"`}, &labpb.ListTrialsRequest{Filter: `experiment = "` + a.experiment + `"`},
			&labpb.ListTrialsRequest{Filter: `water = "` + a.water + `"`}, &labpb.ListTrialsRequest{Filter: `source = ""`},
		},
		inTrials + "GetPiece": {
			&labpb.GetPieceRequest{Piece: a.held}, &labpb.GetPieceRequest{Piece: a.home}, &labpb.GetPieceRequest{Piece: a.heldCode}, &labpb.GetPieceRequest{Piece: a.homeCode},
		},
		inTrials + "WatchChanges": {&labpb.WatchChangesRequest{}, &labpb.WatchChangesRequest{AfterRevision: max(0, a.revision-2)}},
		inBaths + "GetBath": {
			&labpb.GetBathRequest{BathId: a.heldBath}, &labpb.GetBathRequest{BathId: a.secondBath}, &labpb.GetBathRequest{BathId: a.homeBath}, &labpb.GetBathRequest{BathId: a.blankBath}, &labpb.GetBathRequest{BathId: a.openBath},
		},
		inBaths + "ListBaths": {
			&labpb.ListBathsRequest{}, &labpb.ListBathsRequest{Deleted: true}, &labpb.ListBathsRequest{PageSize: 200, Filter: `owner = "ada"`},
			&labpb.ListBathsRequest{Filter: `water = "` + a.water + `" OR purpose = "mordant"`}, &labpb.ListBathsRequest{Filter: `NOT open = "yes" AND NOT sharing = "public"`},
		},
		inWaters + "GetWaterSource":    {&labpb.GetWaterSourceRequest{WaterSourceId: a.water}, &labpb.GetWaterSourceRequest{WaterSourceId: a.shown}},
		inWaters + "ListWaterSources":  {&labpb.ListWaterSourcesRequest{}, &labpb.ListWaterSourcesRequest{Deleted: true}},
		inQuestion + "GetExperiment":   {&labpb.GetExperimentRequest{ExperimentId: a.experiment}},
		inQuestion + "ListExperiments": {&labpb.ListExperimentsRequest{}, &labpb.ListExperimentsRequest{Deleted: true}},
		inBench + "GetSheet":           {&benchpb.GetSheetRequest{PlanId: a.trial}},
		inBench + "ListSheets":         {&benchpb.ListSheetsRequest{}},
		inBench + "GetWorkshop":        {&benchpb.GetWorkshopRequest{}},
		inPool + "ComparePieces":       {},
		inPool + "PredictOverdye":      {},
		inPool + "GetPoolStatus":       {&poolpb.GetPoolStatusRequest{}, &poolpb.GetPoolStatusRequest{WithChecksum: true}},
		inAccess + "GetCurrentMember":  {&accesspb.GetCurrentMemberRequest{}},
		inAccess + "ListMembers":       {&accesspb.ListMembersRequest{}},
		inAccess + "ListTokens":        {&accesspb.ListTokensRequest{}, &accesspb.ListTokensRequest{MemberId: "ada"}},
		inHealth + "Check":             {&healthpb.HealthCheckRequest{}, &healthpb.HealthCheckRequest{Service: "commonvat.lab.v1.TrialService"}},
		inHealth + "List":              {&healthpb.HealthListRequest{}},
		inHealth + "Watch":             {&healthpb.HealthCheckRequest{}},
		inHistory + "ListVersions":     {},
		inHistory + "GetVersion":       {},
		inPool + "AskPalette":          {&poolpb.AskPaletteRequest{GroupBy: poolpb.GroupBy_GROUP_BY_ORDER, ExperimentId: a.experiment}},
		"/commonvat.access.v1.AuditService/ListAuditEntries": {
			&accesspb.ListAuditEntriesRequest{PageSize: 200}, &accesspb.ListAuditEntriesRequest{PageSize: 200, Actor: "ada"}, &accesspb.ListAuditEntriesRequest{Actor: "server"},
		},
		inPacks + "ListPacks": {&catalogpb.ListPacksRequest{}},
		inPacks + "GetPack":   {&catalogpb.GetPackRequest{Module: "safety-rules", Sha256: strings.Repeat("0a", 32)}},
		"/commonvat.catalog.v1.CatalogService/ListModules":    {&catalogpb.ListModulesRequest{}},
		"/commonvat.catalog.v1.CatalogService/ListBuilds":     {&catalogpb.ListBuildsRequest{}},
		"/commonvat.catalog.v1.CatalogService/GetBuildReport": {&catalogpb.GetBuildReportRequest{Digest: strings.Repeat("0a", 32)}},
		inRuns + "GetRun":       {&catalogpb.GetRunRequest{RunId: a.run}},
		inRuns + "ListRuns":     {&catalogpb.ListRunsRequest{}, &catalogpb.ListRunsRequest{PageSize: 1}},
		inRuns + "GetRunScores": {&catalogpb.GetRunScoresRequest{RunId: a.run}, &catalogpb.GetRunScoresRequest{RunId: a.run, Module: "palette", PageSize: 200}},
		inRuns + "CompareRuns":  {&catalogpb.CompareRunsRequest{First: &catalogpb.RunScore{RunId: a.run}, Second: &catalogpb.RunScore{RunId: a.run, Score: "cells"}}},
		inRuns + "ExportPool":   {},
		"/grpc.reflection.v1.ServerReflection/ServerReflectionInfo": {&reflectpb.ServerReflectionRequest{
			MessageRequest: &reflectpb.ServerReflectionRequest_FileContainingSymbol{FileContainingSymbol: "commonvat.lab.v1.TrialService"}}},
		"/grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo": {&reflectpb.ServerReflectionRequest{ // on the wire the same message
			MessageRequest: &reflectpb.ServerReflectionRequest_FileContainingSymbol{FileContainingSymbol: "commonvat.lab.v1.TrialService"}}},
	}
	for _, piece := range []string{a.held, a.home, a.heldCode, a.homeCode} {
		for _, pair := range [][2]string{{piece, own}, {own, piece}, {piece, piece}, {a.held, piece}} {
			all[inPool+"ComparePieces"] = append(all[inPool+"ComparePieces"], &poolpb.ComparePiecesRequest{ReferencePiece: pair[0], SamplePiece: pair[1]})
		}
	}
	for _, piece := range []string{a.held, a.home, a.heldCode, a.homeCode} {
		for _, dye := range []string{"weld", "indigo"} {
			all[inPool+"PredictOverdye"] = append(all[inPool+"PredictOverdye"], &poolpb.PredictOverdyeRequest{FirstPiece: piece, SecondDye: dye, AskOrder: true},
				&poolpb.PredictOverdyeRequest{FirstPiece: own, SecondDye: dye, SecondPiece: piece, SubstratePiece: piece})
		}
	}
	for by := range len(poolpb.GroupBy_name) {
		if by != 0 {
			all[inRuns+"ExportPool"] = append(all[inRuns+"ExportPool"], &catalogpb.ExportPoolRequest{
				Question: &catalogpb.RunQuestion{GroupBy: poolpb.GroupBy(by)}, WithAges: true, WithSpectra: true})
		}
		for _, filter := range []string{"", `member = "ada"`, `water = "` + a.water + `"`, `session = "` + a.session + `"`, `experiment = "` + a.experiment + `"`, `NOT member = "cy"`} {
			if by != 0 {
				all[inPool+"AskPalette"] = append(all[inPool+"AskPalette"], &poolpb.AskPaletteRequest{GroupBy: poolpb.GroupBy(by), Filter: filter})
			}
		}
	}
	for _, record := range []struct {
		kind     labpb.RecordKind
		id       string
		versions []int64
	}{
		{labpb.RecordKind_RECORD_KIND_TRIAL, a.trial, a.trialVersions}, {labpb.RecordKind_RECORD_KIND_BATH, a.heldBath, a.bathVersions},
		{labpb.RecordKind_RECORD_KIND_BATH, a.homeBath, a.trialVersions[:1]}, {labpb.RecordKind_RECORD_KIND_BATH, a.openBath, []int64{a.revision}},
		{labpb.RecordKind_RECORD_KIND_WATER_SOURCE, a.water, a.waterVersions}, {labpb.RecordKind_RECORD_KIND_WATER_SOURCE, a.shown, []int64{1}},
		{labpb.RecordKind_RECORD_KIND_EXPERIMENT, a.experiment, []int64{1, 2}},
	} {
		all[inHistory+"ListVersions"] = append(all[inHistory+"ListVersions"], &labpb.ListVersionsRequest{RecordKind: record.kind, RecordId: record.id},
			&labpb.ListVersionsRequest{RecordKind: record.kind, RecordId: record.id, PageSize: 1})
		for _, revision := range record.versions {
			all[inHistory+"GetVersion"] = append(all[inHistory+"GetVersion"], &labpb.GetVersionRequest{RecordKind: record.kind, RecordId: record.id, Revision: revision})
		}
	}
	return all
}

// answer is all that a call brought, as text.
type answer struct {
	code codes.Code
	// text is the messages, the status with its details, and what came in headers and trailers; words is the status's message.
	text, words string
}

// requestMessage makes the message of a method's answer.
func requestMessage(t testing.TB, method string) proto.Message {
	t.Helper()
	service, name, _ := strings.Cut(strings.TrimPrefix(method, "/"), "/")
	found, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(service + "." + name))
	require.NoError(t, err)
	made, err := protoregistry.GlobalTypes.FindMessageByName(found.(protoreflect.MethodDescriptor).Output().FullName())
	require.NoError(t, err)
	return made.New().Interface()
}

// call calls a method, whatever it is. Of a watch it takes what comes until the end of the record.
func (w *walked) call(member, method string, stream bool, request proto.Message) answer {
	ctx, cancel := context.WithCancel(w.as(member))
	defer cancel()
	var got answer
	var text strings.Builder
	add := func(message proto.Message) {
		body, err := protojson.Marshal(message)
		require.NoError(w.t, err)
		text.Write(body)
	}
	var header, trailer metadata.MD
	err := func() error {
		if !stream {
			message := requestMessage(w.t, method)
			err := w.conn.Invoke(ctx, method, request, message, grpc.Header(&header), grpc.Trailer(&trailer))
			if err == nil {
				add(message)
			}
			return err
		}
		s, err := w.conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true, ClientStreams: true}, method)
		if err != nil {
			return err
		}
		if err := s.SendMsg(request); err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		if err := s.CloseSend(); err != nil {
			return err
		}
		for {
			message := requestMessage(w.t, method)
			if err := s.RecvMsg(message); err != nil {
				header, _ = s.Header()
				trailer = s.Trailer()
				if errors.Is(err, io.EOF) {
					return nil
				}
				return err
			}
			add(message)
			if change, ok := message.(*labpb.WatchChangesResponse); !ok && method == inHealth+"Watch" || change.GetRecordId() == w.end {
				return nil
			}
		}
	}()
	if err != nil {
		st := status.Convert(err)
		add(st.Proto())
		got.code, got.words = st.Code(), st.Message()
	}
	fmt.Fprint(&text, header, trailer)
	got.text = text.String()
	return got
}

// search finds what a caller was told and may not know, and notes what they were told.
func (w *walked) search(member, what string, got answer, told map[string]bool) {
	for word, audience := range markers {
		if !strings.Contains(got.text, word) {
			continue
		}
		told[word] = true
		if !slices.Contains(strings.Fields(audience[w.state]), member) {
			assert.Fail(w.t, "a leak", "%q learns %s from %s of a trial that is %s: %.2000s", member, word, what, w.state, got.text)
		}
	}
	for _, word := range marker.FindAllString(got.text, -1) {
		assert.Contains(w.t, markers, word, "a word that the table doesn't know")
	}
}

// nowhereFor is the aim, with nothing in the place of what a member may not read.
func (w *walked) nowhereFor(member string) aim {
	if known, ok := w.nowhere[member]; ok {
		return known
	}
	n := w.aim.nowhere()
	for id, to := range map[*string]*string{
		&w.aim.trial: &n.trial, &w.aim.held: &n.held, &w.aim.home: &n.home, &w.aim.heldCode: &n.heldCode, &w.aim.homeCode: &n.homeCode,
		&w.aim.heldBath: &n.heldBath, &w.aim.secondBath: &n.secondBath, &w.aim.homeBath: &n.homeBath, &w.aim.blankBath: &n.blankBath, &w.aim.openBath: &n.openBath,
	} {
		for method, request := range map[string]proto.Message{
			inTrials + "GetTrial": &labpb.GetTrialRequest{TrialId: *id}, inTrials + "GetPiece": &labpb.GetPieceRequest{Piece: *id}, inBaths + "GetBath": &labpb.GetBathRequest{BathId: *id},
		} {
			if w.call(member, method, false, request).code == codes.OK {
				*to = *id
			}
		}
	}
	w.nowhere[member] = n
	return n
}

// alike asserts that what is hidden is told as what isn't there is; absent makes the request aimed at nothing.
func (w *walked) alike(member, method string, stream bool, request proto.Message, hidden answer, absent func(aim) proto.Message) {
	nowhere := w.nowhereFor(member)
	if version, ok := request.(*labpb.GetVersionRequest); ok && w.call(member, inHistory+"ListVersions", false,
		&labpb.ListVersionsRequest{RecordKind: version.GetRecordKind(), RecordId: version.GetRecordId()}).code == codes.OK {
		return // nothing is hidden: the record has no version of that revision
	}
	got := w.call(member, method, stream, absent(nowhere))
	assert.Equal(w.t, codes.NotFound, got.code, "%q calls %s of nothing: %s", member, method, got.words)
	assert.Equal(w.t, nowhere.withoutNames(got.words), w.aim.withoutNames(hidden.words), "%q calls %s of a trial that is %s", member, method, w.state)
}

// ownersView is all that the owner reads of the record, and what a coordinator reads of the experiment.
func (w *walked) ownersView() map[string]string {
	view := map[string]string{}
	all, nothing := methods(w.core), w.own["ada"]
	for _, method := range []string{inTrials + "GetTrial", inTrials + "GetPiece", inBaths + "GetBath", inWaters + "GetWaterSource", inQuestion + "GetExperiment", inHistory + "ListVersions"} {
		for i, request := range reads(w.aim, nothing)[method] {
			got := w.call("ada", method, all[method], request)
			require.Equal(w.t, codes.OK, got.code, got.words)
			view[fmt.Sprint(method, i, request)] = strings.ReplaceAll(got.text, " ", "") // protojson puts in spaces at random
		}
	}
	return view
}

// Every method is called by everybody in every state of sharing, in every way that aims at the record, and no answer has a word or figure in
// it that the table of markers doesn't let that caller know; what it lets them know is told somewhere.
func TestSharingWalk(t *testing.T) {
	walked := states
	if testing.Short() { // what is tried is who is told what; each state calls every method
		walked = []string{stateWithdrawn}
	}
	for _, state := range walked {
		t.Run(state, func(t *testing.T) {
			w := walk(t, state)
			all := methods(w.core)
			table := reads(w.aim, "")
			for method := range all {
				_, isRead := table[method]
				_, isWrite := writes[method]
				require.True(t, isRead != isWrite, "%s is in the table of reads or in that of writes", method)
			}
			for _, member := range callers {
				told := map[string]bool{}
				table := reads(w.aim, w.own[member])
				for _, method := range slices.Sorted(maps.Keys(table)) {
					for i, request := range table[method] {
						got := w.call(member, method, all[method], request)
						assert.NotContains(t, []codes.Code{codes.Internal, codes.Unknown, codes.Unimplemented, codes.ResourceExhausted, codes.DeadlineExceeded, codes.Unavailable}, got.code, "%s %v: %s", method, request, got.words)
						if member == "" && !strings.HasPrefix(method, inHealth) {
							assert.Equal(t, codes.Unauthenticated, got.code, "nobody calls %s", method)
						}
						w.search(member, fmt.Sprint(method, " ", request), got, told)
						if got.code == codes.NotFound {
							w.alike(member, method, all[method], request, got, func(a aim) proto.Message { return reads(a, w.own[member])[method][i] })
						}
					}
				}
				for word, audience := range markers {
					if slices.Contains(strings.Fields(audience[state]), member) {
						assert.True(t, told[word], "%q may know %s of a trial that is %s, and no method told it", member, word, state)
					}
				}
			}
			w.tryFilters()
			w.tryWrites()
			w.tryHolder()
			assert.NotRegexp(t, marker, w.log.String(), "what members wrote is in the log")
		})
	}
}
