package cli

import (
	"context"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	accessv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// keepCases are the golden command lines of editing, deleting, history and audit.
var keepCases = map[string]string{
	"trial-edit":            "trial edit " + trialID + " --title Blue-first --question  --reason misnamed --request-id " + request,
	"trial-edit-etag":       "trial edit " + trialID + " --title Blue-first --etag r1 --request-id " + request,
	"trial-edit-session":    "trial edit " + trialID + " --session s1 --begun 2026-05-02 --note rained --request-id " + request,
	"trial-edit-sessions":   "trial edit " + trialID + " --title Blue-first --session s1 --begun= --etag r1 --request-id " + request,
	"trial-finish-etag":     "trial finish " + trialID + " --etag r1 --request-id " + request,
	"trial-share-etag":      "trial share " + trialID + " --etag r1 --request-id " + request,
	"trial-withdraw-etag":   "trial withdraw " + trialID + " --etag r1 --request-id " + request,
	"look-etag":             "look add --piece K7P --text paler --etag r1 --request-id " + request,
	"reading-etag":          "reading add K7P --lab 50,-1.5,2 --condition D65/10 --etag r1 --request-id " + request,
	"piece-take-etag":       "piece take K7P --mass 3 --etag r1 --request-id " + request,
	"piece-send-etag":       "piece send K7P --bath " + bathID + " --etag r1 --request-id " + request,
	"piece-correct-etag":    "piece correct K7P --mass 13.9 --reason tare --etag r1 --request-id " + request,
	"bath-add-etag":         "bath add " + bathID + " --ph 7 --etag r1 --request-id " + request,
	"bath-open-etag":        "bath open " + bathID + " --etag r1 --request-id " + request,
	"water-sample-etag":     "water sample " + sourceID + " --ph 7.2 --etag r1 --request-id " + request,
	"usage-session":         "trial edit " + trialID + " --session s1 --title x",
	"usage-session-other":   "trial edit " + trialID + " --session s9 --note x",
	"usage-session-note":    "trial edit " + trialID + " --note x",
	"trial-delete":          "trial delete " + trialID + " --reason twice --request-id " + request,
	"trial-undelete":        "trial undelete " + trialID + " --request-id " + request,
	"trial-history":         "trial history " + trialID,
	"trial-history-csv":     "trial history --limit 1 --output csv " + trialID,
	"trial-version":         "trial version " + trialID + " 40",
	"trial-version-json":    "trial version " + trialID + " 40 --output json",
	"trial-list-deleted":    "trial list --deleted",
	"bath-edit":             "bath edit " + bathID + " --label vat --purpose vat --liquor 2L --water " + sourceID + ":3 --open=false --contents-not-stated --reason misread --request-id " + request,
	"bath-edit-empty":       "bath edit " + bathID + " --vessel= --liquor= --water= --purpose= --reason misread --request-id " + request,
	"bath-delete":           "bath delete " + bathID + " --etag r16 --reason spilt --request-id " + request,
	"bath-version":          "bath version " + bathID + " 40",
	"bath-list-filter":      "bath list --filter purpose=vat --deleted",
	"water-show":            "water show " + sourceID,
	"water-edit":            "water edit " + sourceID + " --place mill --place-shown --common=false --request-id " + request,
	"water-delete":          "water delete " + sourceID + " --reason dry --request-id " + request,
	"water-undelete":        "water undelete " + sourceID + " --request-id " + request,
	"water-version":         "water version " + sourceID + " 40",
	"water-corrects":        "water sample " + sourceID + " --ph 7.2 --corrects " + lookID + " --reason misread --request-id " + request,
	"experiment-edit":       "experiment edit " + sourceID + " --arm a-then-b --arm b-then-a --tolerance 2.5 --condition A/10 --request-id " + request,
	"experiment-edit-asks":  "experiment edit " + sourceID + " --asks waters --water " + sourceID + " --water " + bathID + " --value= --water-figure iron --request-id " + request,
	"experiment-delete":     "experiment delete " + sourceID + " --reason asked --request-id " + request,
	"experiment-undelete":   "experiment undelete " + sourceID + " --request-id " + request,
	"experiment-version":    "experiment version " + sourceID + " 40",
	"piece-correct-fibre":   "piece correct K7P --fibre silk --label  --reason misread --request-id " + request,
	"piece-correct-lot":     "piece correct K7P --lot W8 --reason misread --request-id " + request,
	"token-list":            "token list",
	"token-list-member":     "token list bo --output csv",
	"audit":                 "audit",
	"audit-actor":           "audit --actor server --after 1 --output csv",
	"audit-json":            "audit --limit 1 --output json",
	"status-checksum":       "status --checksum",
	"usage-edit":            "trial edit " + trialID,
	"usage-delete":          "trial delete " + trialID,
	"usage-bath-reason":     "bath edit " + bathID + " --label x",
	"usage-bath-water":      "bath edit " + bathID + " --water north --reason x",
	"usage-version":         "trial version " + trialID + " now",
	"usage-correct":         "piece correct K7P --reason x",
	"usage-correct-fibre":   "piece correct K7P --fibre wool,silk --reason x",
	"usage-token-list":      "token list a b",
	"usage-experiment-asks": "experiment edit " + sourceID + " --asks sideways",
	"usage-experiment-edit": "experiment edit " + sourceID + " --arm sideways",
}

func (f *fake) UpdateTrial(_ context.Context, r *labv1.UpdateTrialRequest) (*labv1.Trial, error) {
	t := f.cannedTrial()
	t.Title = r.GetTrial().GetTitle()
	return t, nil
}
func (f *fake) DeleteTrial(context.Context, *labv1.DeleteTrialRequest) (*labv1.Trial, error) {
	t := f.cannedTrial()
	t.DeleteTime = when
	return t, nil
}
func (f *fake) UndeleteTrial(context.Context, *labv1.UndeleteTrialRequest) (*labv1.Trial, error) {
	return f.cannedTrial(), nil
}
func (f *fake) UpdateBath(_ context.Context, r *labv1.UpdateBathRequest) (*labv1.Bath, error) {
	return r.GetBath(), nil
}
func (f *fake) DeleteBath(context.Context, *labv1.DeleteBathRequest) (*labv1.Bath, error) {
	b := cannedBath()
	b.DeleteTime = when
	return b, nil
}
func cannedWater() *labv1.WaterSource {
	hard := 212.5
	return &labv1.WaterSource{Id: sourceID, Name: "mill well", Kind: "well", Owner: "ada", Place: "behind the mill", Etag: `"r17"`,
		Samples: []*labv1.WaterSample{{Id: "w1", HardnessMgPerL: &hard}}}
}
func (f *fake) GetWaterSource(context.Context, *labv1.GetWaterSourceRequest) (*labv1.WaterSource, error) {
	return cannedWater(), nil
}
func (f *fake) UpdateWaterSource(_ context.Context, r *labv1.UpdateWaterSourceRequest) (*labv1.WaterSource, error) {
	return r.GetWaterSource(), nil
}
func (f *fake) DeleteWaterSource(context.Context, *labv1.DeleteWaterSourceRequest) (*labv1.WaterSource, error) {
	w := cannedWater()
	w.DeleteTime = when
	return w, nil
}
func (f *fake) UndeleteWaterSource(context.Context, *labv1.UndeleteWaterSourceRequest) (*labv1.WaterSource, error) {
	return cannedWater(), nil
}
func (f *fake) UpdateExperiment(_ context.Context, r *labv1.UpdateExperimentRequest) (*labv1.Experiment, error) {
	return r.GetExperiment(), nil
}
func (f *fake) DeleteExperiment(context.Context, *labv1.DeleteExperimentRequest) (*labv1.Experiment, error) {
	e := cannedExperiment()
	e.DeleteTime = when
	return e, nil
}
func (f *fake) UndeleteExperiment(context.Context, *labv1.UndeleteExperimentRequest) (*labv1.Experiment, error) {
	return cannedExperiment(), nil
}

func versions() []*labv1.Version {
	return []*labv1.Version{
		{Revision: 41, Etag: `"r15"`, Time: when, ByMember: "bo", Kind: labv1.ChangeKind_CHANGE_KIND_ROUTES_CHANGED, Reason: "=misread", Changes: []string{"title", "routes of 3 pieces changed"}},
		{Revision: 40, Etag: `"r14"`, Time: when, ByMember: "ada", Kind: labv1.ChangeKind_CHANGE_KIND_CREATED},
	}
}
func (f *fake) ListVersions(_ context.Context, r *labv1.ListVersionsRequest) (*labv1.ListVersionsResponse, error) {
	if r.GetPageSize() == 1 {
		return &labv1.ListVersionsResponse{Versions: versions()[:1], NextPageToken: "more"}, nil
	}
	return &labv1.ListVersionsResponse{Versions: versions()}, nil
}
func (f *fake) GetVersion(_ context.Context, r *labv1.GetVersionRequest) (*labv1.GetVersionResponse, error) {
	answer := &labv1.GetVersionResponse{Version: versions()[1]}
	switch r.GetRecordKind() {
	case labv1.RecordKind_RECORD_KIND_TRIAL:
		answer.Record = &labv1.GetVersionResponse_Trial{Trial: f.cannedTrial()}
	case labv1.RecordKind_RECORD_KIND_BATH:
		answer.Record = &labv1.GetVersionResponse_Bath{Bath: cannedBath()}
	case labv1.RecordKind_RECORD_KIND_WATER_SOURCE:
		answer.Record = &labv1.GetVersionResponse_WaterSource{WaterSource: cannedWater()}
	case labv1.RecordKind_RECORD_KIND_EXPERIMENT:
		answer.Record = &labv1.GetVersionResponse_Experiment{Experiment: cannedExperiment()}
	}
	return answer, nil
}
func (f *fake) ListTokens(_ context.Context, r *accessv1.ListTokensRequest) (*accessv1.ListTokensResponse, error) {
	return &accessv1.ListTokensResponse{Tokens: []*accessv1.Token{
		{Id: "t2", MemberId: "ada" + r.GetMemberId(), Label: "phone", CreateTime: when, RevokeTime: when},
		{Id: "t1", MemberId: "ada" + r.GetMemberId(), CreateTime: when, ExpireTime: when, LastUseTime: when},
	}}, nil
}

// ListAuditEntries has a trail of three.
func (f *fake) ListAuditEntries(_ context.Context, r *accessv1.ListAuditEntriesRequest) (*accessv1.ListAuditEntriesResponse, error) {
	all := []*accessv1.AuditEntry{
		{Sequence: 1, Time: when, Actor: "server", Method: "commonvatd member add", Subjects: []string{"member ada"}, ChainSha256: "01"},
		{Sequence: 2, Time: when, Actor: "ada", TokenId: "t1", Method: "/commonvat.lab.v1.TrialService/DeleteTrial", Revision: 41, Subjects: []string{"trial " + trialID}, RequestSha256: "aa", ChainSha256: "02", Reason: "twice"},
		{Sequence: 3, Time: when, Method: "/commonvat.lab.v1.ImportService/ImportReadings", Revision: 42, Subjects: []string{"bath 1", "bath 2", "bath 3", "trial 4", "trial 5"}, ChainSha256: "03"},
	}
	answer := &accessv1.ListAuditEntriesResponse{HeadSequence: 3, HeadChainSha256: "03"}
	for _, e := range all[r.GetAfterSequence():] {
		if len(answer.GetEntries()) < int(r.GetPageSize()) {
			answer.Entries = append(answer.Entries, e)
		}
	}
	return answer, nil
}

// A stale etag is a conflict, and the member is told what changed, by whom, and what to do.
func TestStaleEtag(t *testing.T) {
	f := startFake(t)
	stale := func(who map[string]string) error {
		told := map[string]string{"record_kind": "trial", "record_id": trialID, "current_etag": `"r2a"`}
		for k, v := range who {
			told[k] = v
		}
		s, err := status.New(codes.Aborted, "trial "+trialID+" changed since it was read: title, 2 readings added").
			WithDetails(&errdetails.ErrorInfo{Reason: "STALE_ETAG", Domain: "commonvat", Metadata: told})
		require.NoError(t, err)
		return s.Err()
	}
	f.fail(stale(map[string]string{"changed_by": "bo", "changed_time": "2026-05-02T07:30:00Z"}))
	r := f.run(t, "", "trial", "edit", trialID, "--title", "x", "--etag", "r1")
	assert.Equal(t, ExitConflict, r.code)
	assert.Empty(t, r.out)
	assert.Contains(t, r.err, "changed since it was read: title, 2 readings added\n  the last change was made by bo at 2026-05-02T07:30:00Z\n"+
		"nothing was written. Read the trial again; if your change still holds, make it again, with --etag r2a or without --etag\n")
	assert.Contains(t, f.take()[0], `"etag":"\"r1\""`)
	f.fail(stale(nil))
	r = f.run(t, "", "bath", "delete", bathID, "--reason", "x", "--etag", `"r1"`)
	assert.Equal(t, ExitConflict, r.code)
	assert.NotContains(t, r.err, "made by")
	assert.Contains(t, f.take()[0], `"etag":"\"r1\""`, "with the quotes or without")
}

// What may or may not have been written can be sent again as it was: with its etag, which may be another by now.
func TestEditIsSentAgainAsItWas(t *testing.T) {
	f := startFake(t)
	gone := status.Error(codes.Unavailable, "going down")
	f.fail(nil, gone, gone, gone, gone)
	r := f.run(t, "", "trial", "edit", trialID, "--title", "x")
	require.Equal(t, ExitUnavailable, r.code)
	_, again, ok := strings.Cut(r.err, "again add: ")
	require.True(t, ok, r.err)
	assert.Regexp(t, `^--request-id [0-9a-f-]{36} --etag r15\n$`, again)
	before := f.take()
	require.Equal(t, ExitOK, f.run(t, "", append([]string{"trial", "edit", trialID, "--title", "x"}, strings.Fields(again)...)...).code)
	after := f.take()
	assert.Equal(t, before[len(before)-1], after[0], "and it isn't read again")
}

// The names of an experiment's waters are a courtesy: without them it is shown with their ids, and why is said.
func TestExperimentWithoutItsWatersNames(t *testing.T) {
	f := startFake(t)
	f.fail(nil, status.Error(codes.PermissionDenied, "waters are closed today"))
	r := f.run(t, "", "experiment", "show", watersID)
	assert.Equal(t, ExitOK, r.code)
	assert.Contains(t, r.out, sourceID)
	assert.Contains(t, r.err, "note: waters are shown by their ids, since their names can't be read: ")
	assert.Contains(t, r.err, "waters are closed today")
	assert.Len(t, f.take(), 2, "one call for the experiment, and one for all its waters")
}

func TestParseFibre(t *testing.T) {
	for text, want := range map[string]string{
		"wool": "wool", "Wool": "wool", "wool 70, silk 30": "70 % wool, 30 % silk", "merino wool 60,silk 40": "60 % merino wool, 40 % silk", "wool 100": "wool",
		"": "?", "70": "?", "wool,silk": "?", "wool 70, 30": "?", ",": "?", "wool 7O": "wool 7o",
	} {
		parts, err := parseFibre(text)
		if want == "?" {
			require.Error(t, err, text)
			continue
		}
		require.NoError(t, err, text)
		assert.Equal(t, want, fibre(&typesv1.Fibre{Composition: parts}), text)
	}
}
