package sheet_test

import (
	"bytes"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/clients/internal/sheet"
	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

// aSheet is invented: an alum bath that waits for answers about health, a dye bath that is released, and one that is stopped.
func aSheet() *benchpb.Sheet {
	high := 120.0
	load := func(material string, grams float64) []*benchpb.SheetLoad {
		return []*benchpb.SheetLoad{{
			Pieces: []string{"skein 1", "skein 2"}, FibreG: 20, VolumeMl: 800, WaterToAddMl: 780, CarriedMl: 20, LiquorRatio: 40,
			Amounts: []*benchpb.SheetAmount{{
				Material: material, Way: benchpb.AmountWay_AMOUNT_WAY_WEIGHED, Grams: grams, BalanceStepG: 0.01, UncertaintyPercent: 0.6,
				DeliveredLowPercent: 11.9, DeliveredPercent: 12, DeliveredHighPercent: 12.1,
			}},
		}}
	}
	ask := func(rule string, severity benchpb.Severity, fields ...string) *benchpb.SheetFinding {
		return &benchpb.SheetFinding{
			RuleId: rule, Severity: severity, Standing: benchpb.FindingStanding_FINDING_STANDING_NEEDS_ANSWER, Personal: true, MissingFields: fields,
			Title: "Known allergy or asthma", Reason: "It can threaten life.", Do: "Do not begin.", Hazards: "H334", Source: "invented",
		}
	}
	temperature := 70.0
	return &benchpb.Sheet{
		Plan:     &benchpb.Plan{Id: "019df400-0000-7000-8000-000000000002", Title: "Weld (invented)", Baths: []*benchpb.PlanBath{{Name: "alum"}, {Name: "weld"}, {Name: "iron"}, {Name: "alum again", ExhaustOf: "alum"}}},
		Revision: 2, Standing: benchpb.Standing_STANDING_STOPPED, StandingCautions: []string{"Natural is not the same as safe."},
		Labels: []*benchpb.PieceLabel{{Label: "skein 1", Code: "3334X", MassG: 10, Fibre: "wool"}}, Water: &benchpb.WaterHardness{LowMgPerL: 100, HighMgPerL: &high},
		Questions: []*benchpb.SheetQuestion{
			{Scope: benchpb.QuestionScope_QUESTION_SCOPE_PERSON, Field: "person.asthma", Text: "Do you have asthma?", Holds: true},
			{Scope: benchpb.QuestionScope_QUESTION_SCOPE_WORKSHOP, Field: "vent", Text: "How is the room aired?", Choices: []string{"none", "outdoors"}},
		},
		Parts: []*benchpb.SheetPart{{Part: "safety", Fault: "safety module: module unavailable: it ended"}},
		Baths: []*benchpb.SheetBath{
			{
				Name: "alum", Kind: benchpb.BathKind_BATH_KIND_MORDANT, Day: 1, Pieces: []string{"skein 1", "skein 2"}, Standing: benchpb.Standing_STANDING_PERSONAL_ANSWERS,
				WithheldBecause: []string{"S052 can't be judged before person.asthma is answered: Known allergy or asthma"}, Loads: load("potassium alum", 2.4),
				Findings: []*benchpb.SheetFinding{ask("S052", benchpb.Severity_SEVERITY_STOP, "person.allergic_to", "person.asthma"), ask("S049", benchpb.Severity_SEVERITY_CAUTION, "person.pregnant_or_breastfeeding")},
			},
			{
				Name: "weld", Kind: benchpb.BathKind_BATH_KIND_DYE, Day: 1, Pieces: []string{"skein 1"}, Standing: benchpb.Standing_STANDING_RELEASED, Loads: load("weld", 20),
				Moments: []*benchpb.SheetMoment{{Minute: 30, Kind: benchpb.MomentKind_MOMENT_KIND_LOOK, TemperatureC: &temperature}, {Minute: 150, Kind: benchpb.MomentKind_MOMENT_KIND_FIBRE_OUT}},
			},
			{
				Name: "iron", Kind: benchpb.BathKind_BATH_KIND_MODIFIER, Day: 2, Pieces: []string{"skein 1"}, Standing: benchpb.Standing_STANDING_STOPPED, WithheldBecause: []string{"S005: Iron above 4 %"},
				Findings: []*benchpb.SheetFinding{{RuleId: "S005", Severity: benchpb.Severity_SEVERITY_STOP, Standing: benchpb.FindingStanding_FINDING_STANDING_FIRES, Title: "Iron above 4 %", Reason: "It hardens wool.", Do: "Take less.", HazardsConfirmed: true, Hazards: "H302"}},
			},
			{Name: "alum again", Kind: benchpb.BathKind_BATH_KIND_MORDANT, Standing: benchpb.Standing_STANDING_PERSONAL_ANSWERS, Loads: load("cream of tartar", 1.2), WithheldBecause: []string{`it is an exhaust of "alum", which isn't released`}},
		},
	}
}

func yes(v bool) *bool { return &v }

// healthy has answered everything with no.
var healthy = sheet.Health{PregnantOrBreastfeeding: yes(false), Asthma: yes(false), AllergyTold: true}

func text(t *testing.T, s *benchpb.Sheet, h sheet.Health) string {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, sheet.WriteText(&b, sheet.Of(sheet.Apply(s, h))))
	return b.String()
}

func TestText(t *testing.T) {
	s := aSheet()
	got := text(t, s, healthy)
	for _, want := range []string{
		"BENCH SHEET Weld (invented)", "NOT RELEASED: a rule stops it", "Natural is not the same as safe.", "3334X", "DAY 1", "DAY 2", "weigh 2.40 g", "weigh 20.00 g", "add 780 mL water",
		"the wet fibre brings 20 mL", "! STOP Iron above 4 %. It hardens wool.", "do: Take less.", "withheld: S005: Iron above 4 %", "[workshop] vent: How is the room aired? (none, outdoors)", "____",
		"2 h 30 min", "100 to 120 mg/L", "MISSING: safety module",
	} {
		assert.Contains(t, got, want)
	}
	assert.Contains(t, got, "weigh 1.20 g", "an exhaust waited for the bath before alone")
	assert.NotContains(t, text(t, s, sheet.Health{}), "weigh 1.20 g")
	lone := aSheet()
	lone.Plan.Baths[3].ExhaustOf = ""
	assert.NotContains(t, text(t, lone, healthy), "weigh 1.20 g", "nothing was answered that this one waits for")
	for _, line := range strings.Split(got, "\n") {
		assert.LessOrEqual(t, len([]rune(line)), 110, line)
	}
	s.Plan.Title = "steer\x1b[2Jing"
	assert.NotContains(t, text(t, s, healthy), "\x1b", "what would steer a terminal is taken out")
}

// Every combination of answers: amounts of the alum bath are printed only when all were answered with no, and a yes to any is a stop. Nothing is freed that the
// core holds.
func TestHealthHolds(t *testing.T) {
	no, said := yes(false), yes(true)
	for i, c := range []struct {
		h    sheet.Health
		free bool
		stop bool
	}{
		{sheet.Health{}, false, false},
		{healthy, true, false},
		{sheet.Health{Asthma: no}, false, false},
		{sheet.Health{Asthma: no, AllergyTold: true}, true, false}, // the caution about pregnancy stays, and holds nothing
		{sheet.Health{Asthma: said, AllergyTold: true}, false, true},
		{sheet.Health{Asthma: said}, false, true},
		{sheet.Health{Asthma: no, AllergyTold: true, AllergicTo: []string{"Alum"}}, false, true}, // of a longer name
		{sheet.Health{Asthma: no, AllergyTold: true, AllergicTo: []string{"carmine"}}, false, false},
		{sheet.Health{Asthma: no, AllergyTold: true, AllergicTo: []string{"carmine"}, NotAllergicTo: []string{"Potassium alum"}}, true, false},
		{sheet.Health{Asthma: no, AllergyTold: false, AllergicTo: nil, NotAllergicTo: []string{"potassium alum"}}, false, false},
	} {
		given := aSheet()
		before := proto.Clone(given)
		s := sheet.Apply(given, c.h)
		assert.True(t, proto.Equal(before, given), "the sheet that was given isn't changed")
		alum := s.GetBaths()[0]
		assert.Equal(t, c.free, alum.GetStanding() == benchpb.Standing_STANDING_RELEASED, "case %d: %v", i, alum.GetStanding())
		assert.Equal(t, c.stop, alum.GetStanding() == benchpb.Standing_STANDING_STOPPED, "case %d: %v", i, alum.GetStanding())
		assert.Equal(t, c.free, strings.Contains(text(t, given, c.h), "weigh 2.40 g"), "case %d", i)
		assert.Equal(t, benchpb.Standing_STANDING_STOPPED, s.GetBaths()[2].GetStanding())
		assert.Equal(t, benchpb.Standing_STANDING_STOPPED, s.GetStanding())
	}
	// What was answered, with yes or no, isn't asked again.
	for _, answered := range []*bool{no, said} {
		s := aSheet()
		s.Questions = []*benchpb.SheetQuestion{{Scope: benchpb.QuestionScope_QUESTION_SCOPE_PERSON, Field: "person.asthma"}, {Scope: benchpb.QuestionScope_QUESTION_SCOPE_PERSON, Field: "person.allergic_to"}}
		left := sheet.Apply(s, sheet.Health{Asthma: answered}).GetQuestions()
		require.Len(t, left, 1)
		assert.Equal(t, "person.allergic_to", left[0].GetField())
	}
	// A field about a person that this program doesn't know stays unanswered, whatever is said of others.
	s := aSheet()
	s.Baths[0].Findings[0].MissingFields = []string{"person.asthma", "person.epilepsy"}
	assert.NotContains(t, text(t, s, healthy), "weigh 2.40 g")
	// What isn't said to be released isn't.
	s = aSheet()
	s.Baths[1].Standing, s.Standing = 0, 0
	assert.Equal(t, benchpb.Standing_STANDING_NOT_CHECKED, sheet.Apply(s, healthy).GetBaths()[1].GetStanding())
	assert.NotContains(t, text(t, s, healthy), "weigh 20.00 g")
	s = &benchpb.Sheet{Standing: benchpb.Standing_STANDING_PERSONAL_ANSWERS, Plan: &benchpb.Plan{}, Baths: aSheet().GetBaths()[:2], Incomplete: true}
	assert.Equal(t, benchpb.Standing_STANDING_NEEDS_ANSWERS, sheet.Apply(s, healthy).GetStanding())
	assert.Contains(t, sheet.Of(s).Holding, "the plan lacks a bath that it wants: see what is assumed", "why it isn't released stands where that is looked for")
	s.Incomplete = false
	assert.NotContains(t, strings.Join(sheet.Of(s).Holding, "\n"), "lacks a bath")
	assert.Equal(t, benchpb.Standing_STANDING_RELEASED, sheet.Apply(s, healthy).GetStanding())
}

// The three forms say the same: every figure and every caution of the text is in the HTML, and in the PDF's text.
func TestForms(t *testing.T) {
	page := sheet.Of(sheet.Apply(aSheet(), healthy))
	for _, paper := range sheet.Papers {
		var html, pdf, again bytes.Buffer
		require.NoError(t, sheet.WriteHTML(&html, page, paper))
		require.NoError(t, sheet.WritePDF(&pdf, page, paper))
		require.NoError(t, sheet.WritePDF(&again, page, paper))
		assert.Equal(t, pdf.Bytes(), again.Bytes(), "the same page gives the same bytes")
		assert.Contains(t, html.String(), "@page { size: "+paper.CSS)
		assert.NotContains(t, html.String(), "<script")
		assert.NotRegexp(t, regexp.MustCompile(`(?i)(src|href)=`), html.String(), "it loads nothing")
		require.True(t, bytes.HasPrefix(pdf.Bytes(), []byte("%PDF-")))
		// The sizes of paper in points: A4 is 210 mm by 297 mm (ISO 216), Letter 8.5 by 11 inches (ANSI/ASME Y14.1); a point is 1/72 inch.
		size := map[string]string{"a4": "[0 0 595.28 841.89]", "letter": "[0 0 612.00 792.00]"}[paper.Name]
		assert.Contains(t, pdf.String(), "/MediaBox "+size)
		printed := textOf(t, pdf.Bytes())
		for _, want := range []string{"weigh 2.40 g", "weigh 20.00 g", "3334X", "Iron above 4 %", "Withheld: S005", "Natural is not the same as safe.", "70 °C", "0.6 %"} {
			assert.Contains(t, printed, want)
			assert.Contains(t, html.String(), want)
		}
		var held bytes.Buffer
		require.NoError(t, sheet.WritePDF(&held, sheet.Of(sheet.Apply(aSheet(), sheet.Health{})), paper))
		assert.NotContains(t, textOf(t, held.Bytes()), "weigh 2.40 g")
	}
	s := aSheet()
	s.Plan.Title = `<script>alert("x")</script>`
	var html bytes.Buffer
	require.NoError(t, sheet.WriteHTML(&html, sheet.Of(s), sheet.Papers[0]))
	assert.NotContains(t, html.String(), "<script")
	_, err := sheet.PaperNamed("a3")
	require.Error(t, err)
}

// A page can be made from the JSON alone.
func TestFromJSON(t *testing.T) {
	body, err := protojson.Marshal(aSheet())
	require.NoError(t, err)
	back := &benchpb.Sheet{}
	require.NoError(t, protojson.Unmarshal(body, back))
	assert.Equal(t, text(t, aSheet(), healthy), text(t, back, healthy))
}

// A long sheet goes on over pages, and nothing of it is lost.
func TestManyPages(t *testing.T) {
	s := aSheet()
	s.Baths = nil
	for i := range 30 {
		one := proto.Clone(aSheet().GetBaths()[1]).(*benchpb.SheetBath)
		one.Name = fmt.Sprintf("pot %d", i)
		for range 20 {
			one.Moments = append(one.Moments, one.GetMoments()[0])
		}
		s.Baths = append(s.Baths, one)
	}
	var pdf bytes.Buffer
	require.NoError(t, sheet.WritePDF(&pdf, sheet.Of(sheet.Apply(s, healthy)), sheet.Papers[0]))
	printed := textOf(t, pdf.Bytes())
	for i := range 30 {
		assert.Contains(t, printed, fmt.Sprintf("pot %d (dye)", i))
	}
	assert.Equal(t, 30*21, strings.Count(printed, "look"))
	assert.Greater(t, strings.Count(printed, ", page "), 10)
}

func TestAmountsAreAsTheBalanceShows(t *testing.T) {
	for step, want := range map[float64]string{1: "weigh 2 g", 0.1: "weigh 2.4 g", 0.01: "weigh 2.40 g", 0.05: "weigh 2.40 g", 0.5: "weigh 2.4 g", 0: "weigh 2.4 g"} {
		s := aSheet()
		s.Baths[0].Loads[0].Amounts[0].BalanceStepG = step
		assert.Contains(t, text(t, s, healthy), want, "step %v", step)
	}
	s := aSheet()
	s.Baths[1].Loads[0].Amounts = []*benchpb.SheetAmount{
		{Material: "iron", Way: benchpb.AmountWay_AMOUNT_WAY_FROM_STOCK, Grams: 0.02, StockGrams: 5, StockMl: 500, TakeMl: 2, BalanceStepG: 0.1, BeyondWanted: true},
		{Material: "vinegar", Way: benchpb.AmountWay_AMOUNT_WAY_POURED, TakeMl: 30}, {Material: "lye", Way: benchpb.AmountWay_AMOUNT_WAY_POURED, TakeMl: 50, TakeGrams: proto.Float64(53)},
		{Material: "copperas", Way: benchpb.AmountWay_AMOUNT_WAY_WEIGHED, Grams: 20, BalanceStepG: 1, LeastGrams: proto.Float64(21.2)}, {Material: "dust", Way: benchpb.AmountWay_AMOUNT_WAY_TOO_SMALL, Grams: 0.001}, {Material: "leaf", NotKnown: "moisture"},
	}
	got := text(t, s, healthy)
	for _, want := range []string{"stock: 5.0 g made up to 500 mL; take 2 mL", "coarser than wanted", "pour 30 mL", "pour 50 mL, which weigh 53 g", "weigh 20 g (reducing the indigo takes 21.2", "too little for anything at hand", "not known: moisture"} {
		assert.Contains(t, got, want)
	}
	assert.True(t, slices.Contains(sheet.LabelColumns, "code"))
}
