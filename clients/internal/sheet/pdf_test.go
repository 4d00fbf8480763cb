package sheet_test

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/clients/internal/sheet"
	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

func pdfOf(t *testing.T, s *benchpb.Sheet, h sheet.Health, paper sheet.Paper) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, sheet.WritePDF(&b, sheet.Of(sheet.Apply(s, h)), paper))
	return b.Bytes()
}

// inOrder fails unless the parts stand in a text one after the other.
func inOrder(t *testing.T, text string, parts ...string) {
	t.Helper()
	from := 0
	for _, part := range parts {
		at := strings.Index(text[from:], part)
		require.GreaterOrEqual(t, at, 0, "%q stands nowhere after what comes before it in\n%s", part, text)
		from += at + len(part)
	}
}

// daySheet is invented: the sheet of aSheet over two days, the second of which has a vat that both orders share.
func daySheet() *benchpb.Sheet {
	s := aSheet()
	minutes := 150.0
	s.Days = []*benchpb.SheetDay{
		{Day: 1, Minutes: &minutes, Tasks: []*benchpb.SheetTask{
			{Bath: "alum", Pieces: []string{"skein 1", "skein 2"}},
			{Bath: "weld", Pieces: []string{"skein 1", "skein 2", "skein 3", "strip"}, Shares: []*benchpb.SheetShare{{Dyestuffs: []string{"weld", "indigo"}, Pieces: []string{"skein 1"}}}},
			{Text: "rinse, dry in the shade", Pieces: []string{"skein 1"}},
		}},
		{Day: 2, Tasks: []*benchpb.SheetTask{{Bath: "iron", Pieces: []string{"skein 1"}, Text: "a vessel and tools of its own"}, {Bath: "alum again", Pieces: []string{"skein 1"}}}},
	}
	s.DayRemarks = []string{"no piece gets weld in \"weld\" alone"}
	return s
}

// The order of work on paper: what holds, the pieces with their codes, the days, then each bath with its work, its cautions and only then its amounts and looks.
func TestPDFIsInTheOrderOfWork(t *testing.T) {
	s := daySheet()
	s.Plan.Baths[1] = &benchpb.PlanBath{Name: "weld", Kind: benchpb.BathKind_BATH_KIND_DYE, RinsedBefore: true, Dips: 3, Ph: &benchpb.PhRange{Low: 9, High: 9.5}}
	s.Baths[1].Findings = []*benchpb.SheetFinding{{
		RuleId: "S039", Severity: benchpb.Severity_SEVERITY_CAUTION, Standing: benchpb.FindingStanding_FINDING_STANDING_FIRES, Title: "It foams", Reason: "Gas comes off.", Do: "Add it slowly.", Source: "invented",
	}}
	for _, paper := range sheet.Papers {
		inOrder(t, textOf(t, pdfOf(t, s, healthy, paper)),
			"Weld (invented)", "NOT RELEASED: a rule stops it", "Natural is not the same as safe.", "Pieces", "3334X", "skein 1",
			"Days", "Day 1, 2 h 30 min", "1. alum (mordant): skein 1, skein 2", "2. weld (dye): skein 1 to skein 3, strip", "weld, then indigo: skein 1", "rinse, dry in the shade: skein 1",
			"Day 2", "3. iron (modifier): skein 1; a vessel and tools of its own; NOT RELEASED", "4. alum again", `! no piece gets weld in "weld" alone`,
			"Day 1", "1. alum (mordant)", "released", "potassium alum", "weigh 2.40 g",
			"2. weld (dye)", "Pieces: skein 1", "Work: rinse the fibre before it goes in; 3 dips; pH 9 to 9.5", "CAUTION: It foams. Gas comes off. Do: Add it slowly.", "S039", "add 780 mL water",
			"weigh 20.00 g", "12 % WOF, 11.9 to 12.1; ± 0.6 %", "time", "seen", "30 min", "70 °C", "look", "2 h 30 min", "fibre out",
			"Day 2", "3. iron (modifier)", "NOT RELEASED", "Withheld: S005: Iron above 4 %", "STOP: Iron above 4 %. It hardens wool. Do: Take less.",
			"4. alum again (mordant)", `Work: in what is left of "alum"`, "weigh 1.20 g", "Would help", "Computed by", "MISSING: safety module")
	}
}

// Whatever holds a bath, its amounts aren't on paper; those of the others are.
func TestPDFWithholds(t *testing.T) {
	for _, standing := range []benchpb.Standing{
		benchpb.Standing_STANDING_UNSPECIFIED, benchpb.Standing_STANDING_PERSONAL_ANSWERS, benchpb.Standing_STANDING_NEEDS_ANSWERS, benchpb.Standing_STANDING_STOPPED,
		benchpb.Standing_STANDING_NOT_CHECKED, 99,
	} {
		s := daySheet()
		s.Baths[1].Standing, s.Baths[1].WithheldBecause = standing, []string{"for a reason"}
		printed := textOf(t, pdfOf(t, s, healthy, sheet.Papers[0]))
		assert.NotContains(t, printed, "20.00", "%v", standing)
		assert.Contains(t, printed, "Withheld: for a reason", "%v", standing)
		assert.Contains(t, printed, "weigh 2.40 g", "%v", standing)
		inOrder(t, printed, "2. weld (dye): skein 1 to skein 3, strip; NOT RELEASED", "2. weld (dye)", "NOT RELEASED")
	}
}

// Signs of measures, of other languages, and of names.
func TestPDFHasTheSigns(t *testing.T) {
	const signs = "50 °C × ½ ≤ 3 ± 1 – “ä ö ü ß é ñ ř Ł ő ğ” Ελλάδα Жёлтый → μg"
	s := daySheet()
	s.Plan.Title, s.Labels[0].Label = signs, "Žluť č. 1"
	printed := textOf(t, pdfOf(t, s, healthy, sheet.Papers[0]))
	assert.Contains(t, printed, signs)
	assert.Contains(t, printed, "Žluť č. 1")
	s.Plan.Title = "a \U0001f9f6 and 染"
	assert.Contains(t, textOf(t, pdfOf(t, s, healthy, sheet.Papers[0])), "a ? and ?", "what the fonts lack is seen to be missing")
}

// longSheet is invented: long words, many pieces, cautions, stops and looks.
func longSheet() *benchpb.Sheet {
	s := daySheet()
	word := strings.Repeat("Schafwollgarn", 12)
	s.Plan.Title = word
	for i := range 60 {
		s.Labels = append(s.Labels, &benchpb.PieceLabel{Label: fmt.Sprintf("%s %d", word[:70], i), Code: "3334X", MassG: 1234567.5, Fibre: "30 % wool, 20 % silk, 20 % linen, 20 % cotton, 10 % hemp"})
	}
	for i := range 14 {
		one := proto.Clone(s.GetBaths()[1+i%2]).(*benchpb.SheetBath)
		one.Name, one.Vessel, one.Day = fmt.Sprintf("pot %d", i), word[:60], int32(3+i/4)
		for k := range 1 + 3*i {
			f := proto.Clone(aSheet().GetBaths()[2].GetFindings()[0]).(*benchpb.SheetFinding)
			f.RuleId, f.Reason, f.Severity = fmt.Sprintf("S%03d", k), strings.Repeat("It hardens wool. ", 1+k%9), benchpb.Severity(1+k%3)
			one.Findings = append(one.Findings, f)
		}
		for k := range 3 * i {
			one.Moments = append(one.Moments, &benchpb.SheetMoment{Minute: float64(200 + k), Kind: benchpb.MomentKind_MOMENT_KIND_LOOK})
		}
		for _, load := range one.GetLoads() {
			load.Amounts = append(load.Amounts, &benchpb.SheetAmount{Material: word[:60], NotKnown: word})
		}
		s.Baths = append(s.Baths, one)
	}
	return s
}

// Nothing lies on anything else, beyond the margins or below the foot, whatever the length of words and steps.
func TestPDFNothingOverlaps(t *testing.T) {
	face := regularFont(t)
	for _, paper := range sheet.Papers {
		size := map[string][2]float64{"a4": {595.28, 841.89}, "letter": {612, 792}}[paper.Name]
		const margin = 15 / 25.4 * 72
		for name, s := range map[string]*benchpb.Sheet{"short": daySheet(), "long": longSheet()} {
			runs := runsOf(t, pdfOf(t, s, healthy, paper))
			require.NotEmpty(t, runs)
			wides := make([]float64, len(runs))
			for i, a := range runs {
				wide := a.width(t, face)
				wides[i] = wide
				assert.GreaterOrEqual(t, a.x, margin-0.1, "%s %s: %q", paper.Name, name, a.text)
				assert.LessOrEqual(t, a.x+wide, size[0]-margin+0.5, "%s %s: %q", paper.Name, name, a.text)
				if !strings.Contains(a.text, ", page ") {
					assert.Greater(t, a.y, margin, "%s %s: %q", paper.Name, name, a.text)
				}
				for k, b := range runs[:i] {
					if a.page != b.page || a.text == "" || b.text == "" || math.Abs(a.y-b.y) >= 0.75*math.Max(a.size, b.size) {
						continue
					}
					apart := a.x >= b.x+wides[k]-0.1 || b.x >= a.x+wide-0.1
					assert.True(t, apart, "%s %s: %q lies on %q", paper.Name, name, a.text, b.text)
				}
			}
		}
	}
}

// A step that fits on a page is on one; on the pages that a longer one goes on to, its heading stands again. No heading is the last of its page.
func TestPDFKeepsStepsTogether(t *testing.T) {
	s := longSheet()
	runs := runsOf(t, pdfOf(t, s, healthy, sheet.Papers[0]))
	pages := map[string]map[int]bool{}
	at, last := "", map[int]shown{}
	for _, r := range runs {
		if strings.Contains(r.text, ", page ") {
			continue
		}
		if number, _, ok := strings.Cut(r.text, ". pot "); ok && r.size == 12 {
			at = number
		} else if r.size == 13 || r.text == "Would help" {
			at = ""
		}
		if at != "" {
			if pages[at] == nil {
				pages[at] = map[int]bool{}
			}
			pages[at][r.page] = true
		}
		last[r.page] = r
	}
	require.Len(t, pages, 14)
	for _, number := range []string{"5", "6", "7", "8"} { // the short ones
		assert.Len(t, pages[number], 1, "step %s", number)
	}
	assert.Greater(t, len(pages["18"]), 1, "the longest is longer than a page")
	continued := 0
	for _, r := range runs {
		if r.size < 8 && strings.Contains(r.text, ". pot ") {
			continued++
		}
	}
	more := 0
	for _, on := range pages {
		more += len(on) - 1
	}
	assert.Equal(t, more, continued)
	for page, r := range last {
		assert.Less(t, r.size, 12.0, "page %d ends with the heading %q", page, r.text)
	}
}
