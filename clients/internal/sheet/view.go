package sheet

import (
	"fmt"
	"slices"
	"strings"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

// Page is a sheet in the order in which it is printed; the three forms say the same.
type Page struct {
	Title    string
	Plan     string // id and revision
	Standing string
	Released bool
	Cautions []string
	Holding  []string // questions that must be answered first
	Labels   [][]string
	Days     []Day // empty where the work isn't laid out over days
	DaysMind []string
	Steps    []Step
	Mordants []string
	Water    []string // its hardness; then what is wanted of it, and what is advised
	Open     []string // questions for which nothing is withheld
	Remarks  []string
	Lifted   []string // stops that somebody took upon themselves
	Made     []string // who computed what
}

// LabelColumns heads Page.Labels.
var LabelColumns = []string{"code", "label", "fibre", "mass"}

// MomentColumns heads Step.Moments; the last is to write in.
var MomentColumns = []string{"time", "heat", "what", "seen"}

// Step is one bath.
type Step struct {
	Heading  string
	Day      string // "" where it is the day of the step before, or not told
	Pieces   string
	Work     string // what the recipe says beside amounts and heat: rinsing, dips, pH; "" when nothing
	Standing string
	Released bool
	Withheld []string
	Loads    []Load
	Moments  []Moment
	Notes    []Note
	Remarks  []string
}

// Load is one filling of the vessel.
type Load struct {
	Heading string
	Amounts []Amount
	Lifted  []string
}

// Amount is one material.
type Amount struct{ Material, Do, Why string }

// Moment is one line of a schedule. Look says that somebody looks, and writes down what is seen.
type Moment struct {
	Minute, Temperature, What string
	Look                      bool
}

// Note is a finding, beside its step.
type Note struct {
	Mark  string // STOP, CAUTION, NOTE, ASKED or TAKEN ON
	Grave bool
	Text  string
	Do    string
	From  string
}

var standings = map[benchpb.Standing]string{
	benchpb.Standing_STANDING_RELEASED:         "released: no rule that was asked holds it",
	benchpb.Standing_STANDING_PERSONAL_ANSWERS: "NOT RELEASED: questions about your health are open; they are answered on your own machine",
	benchpb.Standing_STANDING_NEEDS_ANSWERS:    "NOT RELEASED: questions are open",
	benchpb.Standing_STANDING_STOPPED:          "NOT RELEASED: a rule stops it",
	benchpb.Standing_STANDING_NOT_CHECKED:      "NOT RELEASED: not checked",
}

func standing(s benchpb.Standing) string {
	if text := standings[s]; text != "" {
		return text
	}
	return standings[benchpb.Standing_STANDING_NOT_CHECKED]
}

var scopes = map[benchpb.QuestionScope]string{
	benchpb.QuestionScope_QUESTION_SCOPE_PLAN: "plan", benchpb.QuestionScope_QUESTION_SCOPE_WORKSHOP: "workshop", benchpb.QuestionScope_QUESTION_SCOPE_VESSEL: "vessel",
	benchpb.QuestionScope_QUESTION_SCOPE_MATERIAL: "shelf", benchpb.QuestionScope_QUESTION_SCOPE_PERSON: "on your own machine", benchpb.QuestionScope_QUESTION_SCOPE_RECIPE: "recipe",
}

// History says why a sheet isn't to be dyed by, whatever its rules said: it was deleted, or newest, its newest revision, has taken its place. "" of one that stands; newest may be nil.
func History(s, newest *benchpb.Sheet) string {
	deleted := func(one *benchpb.Sheet) string {
		return "deleted on " + one.GetDeleteTime().AsTime().Format("2006-01-02")
	}
	switch {
	case s.GetDeleteTime() != nil:
		return "this sheet was " + deleted(s)
	case newest.GetRevision() <= s.GetRevision():
		return ""
	case newest.GetDeleteTime() != nil:
		return fmt.Sprintf("revision %d has taken the place of this one, and was %s", newest.GetRevision(), deleted(newest))
	}
	return fmt.Sprintf("revision %d has taken the place of this one: %s", newest.GetRevision(), standing(newest.GetStanding()))
}

// History has a page say, of itself and of each step, that what stands there is history, and why. With "" nothing changes.
func (p *Page) History(why string) {
	if why == "" {
		return
	}
	p.Standing, p.Released = "NOT RELEASED, HISTORY: "+why, false
	for i := range p.Steps {
		p.Steps[i].Standing, p.Steps[i].Released = "NOT RELEASED: this sheet is history, not to be dyed by", false
	}
}

// Of puts a sheet in the order of its pages. Answers about health must have been applied before.
func Of(s *benchpb.Sheet) Page {
	p := Page{
		Title: s.GetPlan().GetTitle(), Plan: fmt.Sprintf("plan %s, revision %d", s.GetPlan().GetId(), s.GetRevision()), Standing: standing(s.GetStanding()),
		Released: s.GetStanding() == benchpb.Standing_STANDING_RELEASED, Cautions: s.GetStandingCautions(), Remarks: s.GetRemarks(),
	}
	if s.GetRevision() == 0 {
		p.Plan = fmt.Sprintf("plan %s, not kept", s.GetPlan().GetId())
	}
	for _, q := range s.GetQuestions() {
		text := question(q)
		if q.GetHolds() {
			p.Holding = append(p.Holding, text)
		} else {
			p.Open = append(p.Open, text)
		}
	}
	if s.GetIncomplete() {
		p.Holding = append(p.Holding, "the plan lacks a bath that it wants: see what is assumed")
	}
	for _, l := range s.GetLabels() {
		p.Labels = append(p.Labels, []string{l.GetCode(), l.GetLabel(), l.GetFibre(), figure(l.GetMassG(), 5) + " g"})
	}
	p.Days, p.DaysMind = daysOf(s), s.GetDayRemarks()
	day := int32(0)
	for i, one := range s.GetBaths() {
		recipe := recipeOf(s.GetPlan(), one)
		step := stepOf(i+1, one, recipe)
		step.Work = work(recipe)
		for _, q := range s.GetQuestions() {
			if q.GetScope() == benchpb.QuestionScope_QUESTION_SCOPE_RECIPE && q.GetHolds() && q.GetOf() == one.GetName() && slices.Contains(q.GetBaths(), one.GetName()) && !waitsForAmount(one, q.GetOf()) {
				step.Withheld = append(step.Withheld, "it can't be scaled before this is answered: "+q.GetText())
			}
		}
		if one.GetDay() > 0 && one.GetDay() != day {
			day = one.GetDay()
			step.Day = fmt.Sprintf("Day %d", day)
		}
		p.Steps = append(p.Steps, step)
	}
	p.Water = water(s)
	p.Mordants = mordants(s.GetMordants())
	for _, o := range s.GetOverrides() {
		p.Lifted = append(p.Lifted, fmt.Sprintf("%s in %q, by %s: %s", o.GetRuleId(), o.GetBath(), o.GetBy(), o.GetReason()))
	}
	for _, part := range s.GetParts() {
		p.Made = append(p.Made, made(part))
	}
	p.History(History(s, nil))
	return p
}

// waitsForAmount reports whether a bath itself says that the amount of a material isn't known; a bath may bear the name of one.
func waitsForAmount(one *benchpb.SheetBath, material string) bool {
	return slices.ContainsFunc(one.GetWithheldBecause(), func(why string) bool { return strings.HasPrefix(why, "how much "+material+" goes in ") })
}

// water tells the hardness of the mix, and how what is wanted of it is reached.
func water(s *benchpb.Sheet) (lines []string) {
	w := s.GetWater()
	switch {
	case w == nil:
		return nil
	case w.HighMgPerL == nil:
		lines = append(lines, fmt.Sprintf("Water: %s mg/L calcium carbonate or more; how much more isn't known", figure(w.GetLowMgPerL(), 3)))
	default:
		lines = append(lines, fmt.Sprintf("Water: %s mg/L calcium carbonate", between(w.GetLowMgPerL(), w.GetHighMgPerL(), 3)))
	}
	if w.WantedMgPerL != nil {
		wanted := fmt.Sprintf("%s mg/L are wanted", figure(w.GetWantedMgPerL(), 3))
		var shares []string
		for i, one := range s.GetPlan().GetWaters() {
			if i < len(w.GetWantedShares()) {
				shares = append(shares, fmt.Sprintf("%s %% %s", figure(100*w.GetWantedShares()[i], 3), one.GetName()))
			}
		}
		if len(shares) > 0 {
			wanted += ": take " + strings.Join(shares, " and ") + " instead of the parts that the plan tells"
		}
		lines = append(lines, wanted)
	}
	return append(lines, w.GetRemarks()...)
}

// recipeOf is what the plan says of a bath; of one that the mordant module chose, what the wish for it says.
func recipeOf(plan *benchpb.Plan, one *benchpb.SheetBath) *benchpb.PlanBath {
	if one.GetChosen() {
		switch one.GetKind() {
		case benchpb.BathKind_BATH_KIND_MODIFIER:
			return &benchpb.PlanBath{Ph: plan.GetMordant().GetModifier().GetPh()}
		case benchpb.BathKind_BATH_KIND_RINSE:
			return nil
		default:
			return &benchpb.PlanBath{Ph: plan.GetMordant().GetPh()}
		}
	}
	for _, recipe := range plan.GetBaths() {
		if recipe.GetName() == one.GetName() {
			return recipe
		}
	}
	return nil
}

// work is what a bath's recipe says beside its amounts and its heat.
func work(recipe *benchpb.PlanBath) string {
	var told []string
	if recipe.GetRinsedBefore() {
		told = append(told, "rinse the fibre before it goes in")
	}
	if recipe.GetExhaustOf() != "" {
		told = append(told, fmt.Sprintf("in what is left of %q", recipe.GetExhaustOf()))
	}
	if recipe.GetBlankOf() != "" {
		told = append(told, fmt.Sprintf("a blank: all that belongs to a bath of %s but the dye", recipe.GetBlankOf()))
	}
	if recipe.GetVat() != "" {
		vat := fmt.Sprintf("vat %q, %s g of ", recipe.GetVat(), figure(recipe.GetIndigoGPerL(), 3))
		switch purity := figure(recipe.GetIndigoPurityPercent(), 3); {
		case recipe.IndigoPurityPercent == nil:
			vat += "indigo for each litre, of which how much is dye isn't known"
		case recipe.GetIndigoByActiveDye():
			vat += fmt.Sprintf("dye for each litre, in indigo of which %s %% is dye", purity)
		default:
			vat += fmt.Sprintf("indigo for each litre, of which %s %% is dye", purity)
		}
		told = append(told, vat)
	}
	switch n := recipe.GetDips(); {
	case n == 1:
		told = append(told, "1 dip")
	case n > 1 && recipe.GetKind() == benchpb.BathKind_BATH_KIND_VAT:
		told = append(told, fmt.Sprintf("%d dips, with air after each", n))
	case n > 1:
		told = append(told, fmt.Sprintf("%d dips", n))
	}
	switch n := recipe.GetPiecesLifted(); {
	case n == 1:
		told = append(told, "1 piece is lifted before the others")
	case n > 1:
		told = append(told, fmt.Sprintf("%d pieces are lifted one by one before the others", n))
	}
	if span := recipe.GetPh(); span != nil {
		told = append(told, "pH "+between(span.GetLow(), span.GetHigh(), 3))
	}
	return strings.Join(told, "; ")
}

func question(q *benchpb.SheetQuestion) string {
	where := scopes[q.GetScope()]
	if q.GetOf() != "" {
		where += " " + q.GetOf()
	}
	text := fmt.Sprintf("[%s] %s", where, q.GetText())
	if q.GetField() != "" {
		text = fmt.Sprintf("[%s] %s: %s", where, q.GetField(), q.GetText())
	}
	if len(q.GetChoices()) > 0 {
		text += " (" + strings.Join(q.GetChoices(), ", ") + ")"
	}
	return text
}

var kinds = map[benchpb.BathKind]string{
	benchpb.BathKind_BATH_KIND_SCOUR: "scour", benchpb.BathKind_BATH_KIND_TANNIN: "tannin", benchpb.BathKind_BATH_KIND_MORDANT: "mordant", benchpb.BathKind_BATH_KIND_EXTRACT: "extract",
	benchpb.BathKind_BATH_KIND_DYE: "dye", benchpb.BathKind_BATH_KIND_VAT: "vat", benchpb.BathKind_BATH_KIND_MODIFIER: "modifier", benchpb.BathKind_BATH_KIND_STRIP: "strip",
	benchpb.BathKind_BATH_KIND_RINSE: "rinse", benchpb.BathKind_BATH_KIND_FERMENT: "ferment",
}

func stepOf(number int, one *benchpb.SheetBath, recipe *benchpb.PlanBath) Step {
	s := Step{
		Heading: fmt.Sprintf("%d. %s (%s)", number, one.GetName(), kinds[one.GetKind()]), Pieces: labels(one.GetPieces()),
		Standing: standing(one.GetStanding()), Released: one.GetStanding() == benchpb.Standing_STANDING_RELEASED, Remarks: one.GetRemarks(),
	}
	if one.GetVessel() != "" {
		s.Heading += ", in " + one.GetVessel()
	}
	if one.GetChosen() {
		s.Heading += ", as the mordant module chose"
	}
	for _, f := range one.GetFindings() {
		s.Notes = append(s.Notes, note(f))
	}
	for _, m := range one.GetMoments() {
		s.Moments = append(s.Moments, momentOf(m))
	}
	if one.GetLoweredBy() != "" {
		s.Remarks = append([]string{"the heat is lowered: " + one.GetLoweredBy()}, s.Remarks...)
	}
	if !s.Released {
		// What isn't released has no amounts on paper, whatever the sheet holds.
		s.Withheld = one.GetWithheldBecause()
		return s
	}
	for i, load := range one.GetLoads() {
		s.Loads = append(s.Loads, loadOf(i+1, len(one.GetLoads()), load, recipe))
	}
	return s
}

func momentOf(m *benchpb.SheetMoment) Moment {
	out := Moment{Minute: figure(m.GetMinute(), 4) + " min"}
	if m.GetMinute() >= 120 {
		out.Minute = fmt.Sprintf("%d h %02d min", int(m.GetMinute())/60, int(m.GetMinute())%60)
	}
	if m.TemperatureC != nil {
		out.Temperature = figure(m.GetTemperatureC(), 3) + " °C"
	}
	switch m.GetKind() {
	case benchpb.MomentKind_MOMENT_KIND_FIBRE_IN:
		out.What = "fibre in"
	case benchpb.MomentKind_MOMENT_KIND_HOLD_STARTS:
		out.What = "hold from here"
	case benchpb.MomentKind_MOMENT_KIND_LOOK:
		out.What, out.Look = "look", true
	case benchpb.MomentKind_MOMENT_KIND_HEAT_OFF:
		out.What = "heat off"
	case benchpb.MomentKind_MOMENT_KIND_FIBRE_OUT:
		out.What = "fibre out"
	case benchpb.MomentKind_MOMENT_KIND_UNSPECIFIED:
	}
	return out
}

var severities = map[benchpb.Severity]string{
	benchpb.Severity_SEVERITY_STOP: "STOP", benchpb.Severity_SEVERITY_CAUTION: "CAUTION", benchpb.Severity_SEVERITY_NOTE: "NOTE",
}

func note(f *benchpb.SheetFinding) Note {
	n := Note{Mark: severities[f.GetSeverity()], Grave: f.GetSeverity() == benchpb.Severity_SEVERITY_STOP, Text: f.GetTitle() + ". " + f.GetReason(), Do: f.GetDo()}
	if len(f.GetMaterials()) > 0 {
		n.Text = strings.Join(f.GetMaterials(), ", ") + ": " + n.Text
	}
	switch f.GetStanding() {
	case benchpb.FindingStanding_FINDING_STANDING_NEEDS_ANSWER:
		what := "needs an answer"
		if f.GetPersonal() {
			what = "needs an answer about your health, which stays with you"
		}
		n.Mark = fmt.Sprintf("%s? (%s: %s)", n.Mark, what, strings.Join(f.GetMissingFields(), ", "))
	case benchpb.FindingStanding_FINDING_STANDING_OVERRIDDEN:
		n.Mark += ", taken on with a written reason"
	case benchpb.FindingStanding_FINDING_STANDING_FIRES, benchpb.FindingStanding_FINDING_STANDING_UNSPECIFIED:
	}
	n.From = f.GetRuleId() + "; " + f.GetSource()
	if f.GetConfidence() != "" {
		n.From += "; confidence " + f.GetConfidence()
	}
	if f.GetHazards() != "" {
		n.From += "; " + f.GetHazards()
		if !f.GetHazardsConfirmed() {
			n.From += " (not confirmed: look at the safety data sheet)"
		}
	}
	return n
}

func mordants(m *benchpb.MordantAdvice) (lines []string) {
	for _, f := range m.GetFibres() {
		for i, c := range f.GetChoices() {
			var steps []string
			for _, s := range c.GetSteps() {
				steps = append(steps, s.GetText())
			}
			way := strings.Join(steps, ", then ")
			if way == "" {
				way = "no mordant"
			}
			line := fmt.Sprintf("%s, choice %d: %s: %s", f.GetFibre(), i+1, way, c.GetEffect())
			if int(f.GetTaken()) == i+1 {
				line += " [taken]"
			}
			if len(c.GetReasons()) > 0 {
				line += "; " + strings.Join(c.GetReasons(), "; ")
			}
			line += " (" + strings.Join(c.GetSources(), "; ") + "; confidence " + c.GetConfidence() + ")"
			lines = append(lines, line)
			for _, w := range c.GetWarnings() {
				lines = append(lines, "  mind: "+remark(w))
			}
		}
		for _, out := range f.GetRuledOut() {
			lines = append(lines, fmt.Sprintf("%s, not taken: %s: %s", f.GetFibre(), out.GetWhat(), out.GetWhy()))
		}
	}
	for _, r := range m.GetRemarks() {
		lines = append(lines, remark(r))
	}
	return lines
}

func remark(r *benchpb.MordantRemark) string {
	text := r.GetText()
	if r.GetConflict() {
		text = "authorities contradict each other: " + text
	}
	if len(r.GetSources()) > 0 {
		text += " (" + strings.Join(r.GetSources(), "; ") + ")"
	}
	return text
}

func made(p *benchpb.SheetPart) string {
	text := p.GetPart() + ": "
	if m := p.GetModule(); m != nil {
		text += fmt.Sprintf("%s %s %.12s", m.GetName(), m.GetVersion(), m.GetDigest())
	}
	if p.GetFacts() != "" {
		text += ", facts " + p.GetFacts()
	}
	for _, pack := range p.GetPacks() {
		if p.GetFacts() != "" { // the table of these facts
			text += fmt.Sprintf(" %.12s", pack.GetSha256())
			continue
		}
		rules := "rules"
		if pack.GetRules() == 1 {
			rules = "rule"
		}
		text += fmt.Sprintf(", pack %s %s %.12s with %d %s", pack.GetName(), pack.GetVersion(), pack.GetSha256(), pack.GetRules(), rules)
	}
	if p.GetFault() != "" {
		text += " MISSING: " + p.GetFault()
	}
	return text
}
