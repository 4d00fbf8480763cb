// Package sheet makes the pages of bench sheets: text for a terminal, HTML with print styles, and PDF. It takes a sheet alone, as the core sent it or as it
// was kept as JSON.
//
// What a sheet asks about a person's health is answered here, on the member's own machine, before the page is made: see Health. A bath that waits for such
// answers is printed without its amounts.
package sheet

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

// Health is what a member says of themselves. It is never sent, and kept nowhere but where the member keeps it. nil is not answered.
type Health struct {
	PregnantOrBreastfeeding *bool
	Asthma                  *bool
	// AllergyTold is true when AllergicTo is all there is.
	AllergyTold bool
	AllergicTo  []string
	// NotAllergicTo are materials that the member has looked at and knows to bear. It is needed where AllergicTo isn't empty, since one thing has many names.
	NotAllergicTo []string
}

// The fields of safety rules that are about a person.
const (
	fieldPregnant = "person.pregnant_or_breastfeeding"
	fieldAsthma   = "person.asthma"
	fieldAllergic = "person.allergic_to"
)

type answer int

const (
	unanswered answer = iota
	clear
	holds
)

// Apply answers a sheet's personal questions. The rules themselves aren't here, so an answer of "yes" counts as the hazard that is asked after, whatever else the rule
// would have asked: that can hold more than the rule would, and never less. The sheet that was given isn't changed.
func Apply(given *benchpb.Sheet, h Health) *benchpb.Sheet {
	s := proto.Clone(given).(*benchpb.Sheet) //nolint:forcetypeassert // a clone is of the same type
	byName := map[string]*benchpb.SheetBath{}
	exhaustOf := map[string]string{}
	for _, p := range s.GetPlan().GetBaths() {
		exhaustOf[p.GetName()] = p.GetExhaustOf()
	}
	worst := benchpb.Standing_STANDING_RELEASED
	for _, one := range s.GetBaths() {
		before := byName[exhaustOf[one.GetName()]]
		applyTo(one, h, before.GetStanding() == benchpb.Standing_STANDING_RELEASED)
		if before != nil && before.GetStanding() > one.GetStanding() {
			one.Standing = before.GetStanding()
			one.WithheldBecause = append(one.WithheldBecause, fmt.Sprintf("it is an exhaust of %q, which isn't released", before.GetName()))
		}
		byName[one.GetName()] = one
		worst = max(worst, one.GetStanding())
	}
	if s.GetIncomplete() {
		worst = max(worst, benchpb.Standing_STANDING_NEEDS_ANSWERS)
	}
	// Whatever held the whole sheet apart from the questions answered here goes on holding it.
	if s.GetStanding() == benchpb.Standing_STANDING_UNSPECIFIED || s.GetStanding() > benchpb.Standing_STANDING_PERSONAL_ANSWERS {
		worst = max(worst, s.GetStanding())
	}
	if s.GetStanding() == benchpb.Standing_STANDING_UNSPECIFIED {
		worst = benchpb.Standing_STANDING_NOT_CHECKED
	}
	s.Standing = worst
	s.Questions = slices.DeleteFunc(s.Questions, func(q *benchpb.SheetQuestion) bool {
		return q.GetScope() == benchpb.QuestionScope_QUESTION_SCOPE_PERSON && h.answers(q.GetField(), nil) != unanswered
	})
	return s
}

// applyTo answers one bath. One that waits is released when what it waited for was answered: questions of its own, or those of the bath that it is an exhaust of.
func applyTo(one *benchpb.SheetBath, h Health, beforeReleased bool) {
	var in []string
	for _, load := range one.GetLoads() {
		for _, a := range load.GetAmounts() {
			if !slices.Contains(in, a.GetMaterial()) {
				in = append(in, a.GetMaterial())
			}
		}
	}
	waits, answered := false, beforeReleased
	one.Findings = slices.DeleteFunc(one.Findings, func(f *benchpb.SheetFinding) bool {
		if !f.GetPersonal() || f.GetStanding() != benchpb.FindingStanding_FINDING_STANDING_NEEDS_ANSWER {
			return false
		}
		about := f.GetMaterials()
		if len(about) == 0 {
			about = in
		}
		stop := f.GetSeverity() == benchpb.Severity_SEVERITY_STOP
		judged := h.judge(f.GetMissingFields(), about)
		if judged != unanswered {
			one.WithheldBecause = slices.DeleteFunc(one.WithheldBecause, func(why string) bool { return strings.HasPrefix(why, f.GetRuleId()+" can't be judged before person.") })
		}
		switch judged {
		case clear:
			answered = answered || stop
			return true
		case holds:
			f.Standing = benchpb.FindingStanding_FINDING_STANDING_FIRES
			if stop {
				one.Standing = max(one.GetStanding(), benchpb.Standing_STANDING_STOPPED)
				one.WithheldBecause = append(one.WithheldBecause, f.GetRuleId()+": "+f.GetTitle())
			}
		case unanswered:
			waits = waits || stop
		}
		return false
	})
	if one.GetStanding() == benchpb.Standing_STANDING_PERSONAL_ANSWERS && answered && !waits {
		one.Standing, one.WithheldBecause = benchpb.Standing_STANDING_RELEASED, nil
	}
	if one.GetStanding() == benchpb.Standing_STANDING_UNSPECIFIED {
		one.Standing = benchpb.Standing_STANDING_NOT_CHECKED
	}
}

// judge is clear when every field is, and holds when any does.
func (h Health) judge(fields, materials []string) answer {
	if len(fields) == 0 {
		return unanswered
	}
	all := clear
	for _, field := range fields {
		switch h.answers(field, materials) {
		case holds:
			return holds
		case unanswered:
			all = unanswered
		case clear:
		}
	}
	return all
}

// answers is what is said of one field. A field that isn't known here stays unanswered.
func (h Health) answers(field string, materials []string) answer {
	yes := func(said *bool) answer {
		switch {
		case said == nil:
			return unanswered
		case *said:
			return holds
		}
		return clear
	}
	switch field {
	case fieldPregnant:
		return yes(h.PregnantOrBreastfeeding)
	case fieldAsthma:
		return yes(h.Asthma)
	case fieldAllergic:
		return h.allergic(materials)
	}
	return unanswered
}

func (h Health) allergic(materials []string) answer {
	switch {
	case !h.AllergyTold:
		return unanswered
	case len(h.AllergicTo) == 0:
		return clear
	case len(materials) == 0:
		return unanswered
	}
	all := clear
	for _, m := range materials {
		m = fold(m)
		if slices.ContainsFunc(h.AllergicTo, func(a string) bool { a = fold(a); return strings.Contains(m, a) || strings.Contains(a, m) }) {
			return holds
		}
		if !slices.ContainsFunc(h.NotAllergicTo, func(n string) bool { return fold(n) == m }) {
			all = unanswered
		}
	}
	return all
}

func fold(s string) string { return strings.ToLower(strings.TrimSpace(s)) }
