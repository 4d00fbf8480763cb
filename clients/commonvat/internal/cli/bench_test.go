package cli

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/commonvat/commonvat/clients/internal/sheet"
	benchv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

const planID = "019df400-0000-7000-8000-000000000002"

// benchCases are the golden command lines of plans, sheets and workshops.
var benchCases = map[string]string{
	"plan":                 "plan testdata/plan.yaml",
	"plan-check-json":      "plan testdata/plan.yaml --check --output json",
	"plan-csv":             "plan testdata/plan.yaml --output csv",
	"plan-csv-health":      "plan testdata/plan.yaml --output csv --health testdata/health.yaml",
	"plan-health":          "plan testdata/plan.yaml --health testdata/health.yaml",
	"plan-wrong":           "plan testdata/plan-wrong.yaml",
	"sheet-show":           "sheet show " + planID + " --revision 2",
	"sheet-show-history":   "sheet show " + planID + " --revision 1",
	"sheet-csv-history":    "sheet show " + planID + " --revision 1 --output csv",
	"sheet-show-missing":   "sheet show " + trialID,
	"sheet-print":          "sheet print testdata/sheet.json --health testdata/health.yaml",
	"sheet-print-html":     "sheet print testdata/sheet.json --form html",
	"sheet-list":           "sheet list",
	"sheet-again":          "sheet again " + planID,
	"sheet-again-all":      "sheet again",
	"sheet-override":       "sheet override " + planID + " --bath iron --rule S005 --reason for-the-sample-card",
	"sheet-override-other": "sheet override " + planID + " --bath iron --rule S999 --reason for-the-sample-card",
	"usage-override":       "sheet override " + planID + " --rule S005",
	"usage-form":           "sheet show " + planID + " --form doc",
	"usage-paper":          "sheet show " + planID + " --paper a3",
	"sheet-list-deleted":   "sheet list --deleted",
	"sheet-rescale":        "sheet rescale " + planID + " --fibre 3kg --piece 100g --liquor-ratio 20 --health testdata/health.yaml",
	"sheet-rescale-open":   "sheet rescale " + planID + " --fibre 3kg",
	"sheet-rescale-keep":   "sheet rescale " + planID + " --fibre 3kg --keep --output csv",
	"trial-rescale":        "trial rescale " + trialID + " --fibre 3kg",
	"usage-rescale-to":     "sheet rescale " + planID + " --fibre 3kg --output csv --to testdata/never.csv",
	"usage-rescale":        "trial rescale " + trialID + " --fibre plenty",
	"sheet-delete":         "sheet delete " + planID + " --reason planned-twice",
	"sheet-undelete":       "sheet undelete " + planID + " --etag r3",
	"usage-sheet-delete":   "sheet delete " + planID,
	"workshop-show":        "workshop show",
	"workshop-set":         "workshop set testdata/workshop.yaml",
	"workshop-health":      "workshop set testdata/health.yaml",
}

// aSheet is invented: an alum bath that waits for answers about health, and an iron bath that is stopped.
func aSheet(plan *benchv1.Plan) *benchv1.Sheet {
	return &benchv1.Sheet{
		Plan: plan, Revision: 2, Etag: `"r2"`, Owner: "ann", Standing: benchv1.Standing_STANDING_STOPPED, StandingCautions: []string{"Natural is not the same as safe."},
		Labels: []*benchv1.PieceLabel{{Label: "skein 1", Code: "3334X", MassG: 10, Fibre: "wool"}},
		Baths: []*benchv1.SheetBath{
			{
				Name: "alum", Kind: benchv1.BathKind_BATH_KIND_MORDANT, Pieces: []string{"skein 1"}, Standing: benchv1.Standing_STANDING_PERSONAL_ANSWERS,
				WithheldBecause: []string{"S052 can't be judged before person.asthma is answered: Asthma"},
				Findings: []*benchv1.SheetFinding{{
					RuleId: "S052", Severity: benchv1.Severity_SEVERITY_STOP, Standing: benchv1.FindingStanding_FINDING_STANDING_NEEDS_ANSWER, Personal: true, MissingFields: []string{"person.asthma"},
					Title: "Asthma", Reason: "It can threaten life.", Do: "Do not begin.", Source: "invented",
				}},
				Loads: []*benchv1.SheetLoad{{Pieces: []string{"skein 1"}, FibreG: 10, VolumeMl: 400, WaterToAddMl: 400, LiquorRatio: 40, Amounts: []*benchv1.SheetAmount{{
					Material: "potassium alum", Way: benchv1.AmountWay_AMOUNT_WAY_WEIGHED, Grams: 1.2, BalanceStepG: 0.1, UncertaintyPercent: 2, DeliveredLowPercent: 11.8, DeliveredPercent: 12, DeliveredHighPercent: 12.2,
				}}}},
			},
			{
				Name: "iron", Kind: benchv1.BathKind_BATH_KIND_MODIFIER, Pieces: []string{"skein 1"}, Standing: benchv1.Standing_STANDING_STOPPED, WithheldBecause: []string{"S005: Iron above 4 %"},
				Findings: []*benchv1.SheetFinding{{
					RuleId: "S005", PackSha256: strings.Repeat("0b", 32), Severity: benchv1.Severity_SEVERITY_STOP, Standing: benchv1.FindingStanding_FINDING_STANDING_FIRES,
					Lifting: benchv1.Lifting_LIFTING_WRITTEN_REASON, Harms: "fibre", Title: "Iron above 4 %", Reason: "It hardens wool.", Do: "Take less.", Source: "invented",
				}},
			},
		},
	}
}

func (*fake) PlanTrial(_ context.Context, q *benchv1.PlanTrialRequest) (*benchv1.Sheet, error) {
	return aSheet(q.GetPlan()), nil
}

func (*fake) GetSheet(_ context.Context, q *benchv1.GetSheetRequest) (*benchv1.Sheet, error) {
	if q.GetPlanId() != planID {
		return nil, status.Error(codes.NotFound, "sheet "+q.GetPlanId()+": not found")
	}
	s := aSheet(&benchv1.Plan{Id: planID, Title: "Alum and iron (invented)"})
	if q.GetRevision() == 1 {
		s.Revision, s.Baths[0].Standing = 1, benchv1.Standing_STANDING_RELEASED
	}
	return s, nil
}

func (*fake) ListSheets(_ context.Context, q *benchv1.ListSheetsRequest) (*benchv1.ListSheetsResponse, error) {
	if q.GetPageToken() == "" {
		return &benchv1.ListSheetsResponse{NextPageToken: "more", Sheets: []*benchv1.SheetSummary{{PlanId: planID, Revision: 2, Title: "Alum and iron (invented)", Standing: benchv1.Standing_STANDING_STOPPED}}}, nil
	}
	return &benchv1.ListSheetsResponse{Sheets: []*benchv1.SheetSummary{{PlanId: trialID, Revision: 1, Title: "Another (invented)", Standing: benchv1.Standing_STANDING_NOT_CHECKED, TrialId: trialID}}}, nil
}

func (*fake) InspectSheetsAgain(_ context.Context, q *benchv1.InspectSheetsAgainRequest) (*benchv1.InspectSheetsAgainResponse, error) {
	answer := &benchv1.InspectSheetsAgainResponse{}
	for _, id := range q.GetPlanIds() {
		answer.Sheets = append(answer.Sheets, &benchv1.SheetInspection{
			PlanId: id, Revision: 3, Title: "Alum and iron (invented)", Before: benchv1.Standing_STANDING_RELEASED, Now: benchv1.Standing_STANDING_STOPPED, Changed: true,
		})
	}
	return answer, nil
}

func (*fake) OverrideStop(_ context.Context, q *benchv1.OverrideStopRequest) (*benchv1.Sheet, error) {
	s := aSheet(&benchv1.Plan{Id: planID, Title: "Alum and iron (invented)"})
	s.Overrides = []*benchv1.Override{{Bath: q.GetBath(), RuleId: q.GetRuleId(), By: "ann", Reason: q.GetReason()}}
	return s, nil
}

func (*fake) RescaleTrial(_ context.Context, q *benchv1.RescaleTrialRequest) (*benchv1.RescaleTrialResponse, error) {
	v := func(v float64) *float64 { return &v }
	r := &benchv1.RescaleTrialResponse{FromFibreG: 10, ToFibreG: q.GetFibreG(), Baths: []*benchv1.RescaledBath{{
		Name: "alum", FromFibreG: 10, ToFibreG: 3000, FromVolumeL: v(0.4), ToVolumeL: v(120), Stays: []string{"held at 85 °C for 60 min"}, Remarks: []string{"heating takes longer in a larger pot"},
		Amounts: []*benchv1.RescaledAmount{
			{Name: "potassium alum", Unit: "g", Growth: benchv1.Growth_GROWTH_BY_MASS, From: v(1.2), To: v(360)},
			{Name: "wheat bran", Unit: "g", Growth: benchv1.Growth_GROWTH_BY_MASS, Remark: `recorded as "a handful", which isn't scaled`},
			{Name: "heating up", Unit: "min", Growth: benchv1.Growth_GROWTH_BY_NEITHER, From: v(40), Remark: "find it anew"},
		},
	}}}
	if q.GetPlanId() != "" {
		r.Sheet = aSheet(&benchv1.Plan{Id: planID, Title: "Alum and iron (invented)"})
		r.Sheet.Revision, r.Sheet.Etag = 0, ""
	} else {
		r.Remarks = []string{"these amounts were held against no rule"}
	}
	return r, nil
}

func (*fake) DeleteSheet(context.Context, *benchv1.DeleteSheetRequest) (*benchv1.Sheet, error) {
	s := aSheet(&benchv1.Plan{Id: planID, Title: "Alum and iron (invented)"})
	s.Revision, s.Etag, s.DeleteTime = 3, `"r3"`, when
	return s, nil
}

func (*fake) UndeleteSheet(context.Context, *benchv1.UndeleteSheetRequest) (*benchv1.Sheet, error) {
	return aSheet(&benchv1.Plan{Id: planID, Title: "Alum and iron (invented)"}), nil
}

func (*fake) GetWorkshop(context.Context, *benchv1.GetWorkshopRequest) (*benchv1.Workshop, error) {
	return &benchv1.Workshop{Revision: 3, Etag: `"r3"`, AskAgainTime: when, Balances: []*benchv1.Balance{{StepG: 0.1}}, Answers: []*benchv1.Answer{
		{Field: "vent", Value: &benchv1.Answer_Texts{Texts: &benchv1.AnswerTexts{Values: []string{"outdoors"}}}},
		{Field: "people.children_present", Value: &benchv1.Answer_Truth{}, Doubtful: true},
	}}, nil
}

func (*fake) UpdateWorkshop(_ context.Context, q *benchv1.UpdateWorkshopRequest) (*benchv1.Workshop, error) {
	w := q.GetWorkshop()
	w.Revision, w.Etag, w.AskAgainTime = 4, `"r4"`, when
	return w, nil
}

// Nothing that a member says of their health is sent, whatever is printed with it; a file with pages that tell of it is for its owner alone.
func TestHealthIsNotSent(t *testing.T) {
	f := startFake(t)
	to := filepath.Join(t.TempDir(), "sheet.pdf")
	for _, args := range []string{
		"plan testdata/plan.yaml --health testdata/health.yaml", "sheet show " + planID + " --health testdata/health.yaml --form pdf --to " + to,
		"sheet override " + planID + " --bath iron --rule S005 --reason for-the-sample-card --health testdata/health.yaml",
	} {
		r := f.run(t, "", strings.Split(args, " ")...)
		require.Equal(t, ExitOK, r.code, "%s%s", r.out, r.err)
	}
	asked := strings.Join(f.take(), "\n")
	require.Contains(t, asked, "PlanTrial")
	for _, word := range []string{"asthma", "pregnant", "allergic", "person."} {
		assert.NotContains(t, asked, word)
	}
	info, err := os.Stat(to)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
}

// The table of amounts of a sheet that was deleted, or that another revision has taken the place of, says so in each row, and calls none released.
func TestAmountsOfHistory(t *testing.T) {
	for name, change := range map[string]func(s *benchv1.Sheet){
		"this sheet was deleted on 2026-05-04": func(s *benchv1.Sheet) {
			s.DeleteTime = timestamppb.New(time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC))
		},
		"revision 2 has taken the place of this one: NOT RELEASED: a rule stops it": func(s *benchv1.Sheet) { s.Revision = 1 },
	} {
		s := aSheet(nil)
		s.Baths[0].Standing = benchv1.Standing_STANDING_RELEASED
		newest := proto.CloneOf(s)
		change(s)
		g := amountsGrid(s, sheet.History(s, newest))
		require.Len(t, g.Rows, 2)
		history, standing := slices.Index(g.Columns, "history"), slices.Index(g.Columns, "standing")
		assert.Equal(t, name+"; this bath was: released", g.Rows[0][history])
		assert.Equal(t, name+"; this bath was: stopped", g.Rows[1][history])
		assert.Equal(t, "history", g.Rows[0][standing])
		assert.Equal(t, "history", g.Rows[1][standing])
		assert.Empty(t, sheet.History(newest, newest))
	}
	deleted := aSheet(nil)
	deleted.Revision, deleted.DeleteTime = 3, timestamppb.New(time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC))
	assert.Equal(t, "revision 3 has taken the place of this one, and was deleted on 2026-05-04", sheet.History(aSheet(nil), deleted))
}

// The table of amounts says on which day a bath is, and nothing where no day is told.
func TestAmountsHaveTheirDay(t *testing.T) {
	s := aSheet(nil)
	s.Baths[0].Standing, s.Baths[0].Day = benchv1.Standing_STANDING_RELEASED, 2
	g := amountsGrid(s, "")
	day := slices.Index(g.Columns, "day")
	require.GreaterOrEqual(t, day, 0)
	require.Len(t, g.Rows, 2)
	assert.Equal(t, int32(2), g.Rows[0][day])
	assert.Nil(t, g.Rows[1][day])
}
