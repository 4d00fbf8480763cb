package bench

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
)

// stepsACall bounds the steps of one call, as the contract has it.
const stepsACall = 500

// judged is what all safety modules say of a sheet's steps.
type judged struct {
	// findings of each step, in the order of the facts.
	findings [][]*benchpb.SheetFinding
	// asks is how a member is asked for each field.
	asks map[string]*safetyv1.SafetyField
	// unchecked says why it isn't checked; empty when it is.
	unchecked []string
	cautions  []string
	parts     []*benchpb.SheetPart
	// unusable are answers that a module can't use.
	unusable []string
}

// judge holds the facts against the rules and puts the findings on the sheet.
func (b *Bench) judge(ctx context.Context, d *draft, facts *benchpb.SheetFacts) error {
	j, err := b.ask(ctx, facts.GetSteps())
	if err != nil {
		return err
	}
	d.sheet.Parts = append(d.sheet.Parts, j.parts...)
	d.sheet.StandingCautions = j.cautions
	for _, why := range j.unchecked {
		if !contains(d.unchecked, why) {
			d.unchecked = append(d.unchecked, why)
		}
	}
	for _, text := range j.unusable {
		d.remark("%s", text)
	}
	byBath, err := j.byBath(facts, len(d.baths))
	if err != nil {
		return err
	}
	for i, one := range d.baths {
		one.out.Findings = byBath[i].merged()
		d.asked.of(one.out, byBath[i].materials, j.asks)
	}
	d.askOfIron(j.asks)
	return nil
}

// bathFindings is what was said of the steps of one bath.
type bathFindings struct {
	findings  []*benchpb.SheetFinding
	materials []string
	// leftover is true when some of its materials were there before: a finding of all of them is then told by their names, since no amounts tell them.
	leftover bool
}

func (f bathFindings) merged() []*benchpb.SheetFinding {
	if f.leftover {
		return merged(f.findings, nil)
	}
	return merged(f.findings, f.materials)
}

// byBath puts what was said of steps to their baths, of which there are n.
func (j *judged) byBath(facts *benchpb.SheetFacts, n int) ([]bathFindings, error) {
	out := make([]bathFindings, n)
	for i, step := range facts.GetSteps() {
		at := int(step.GetBath())
		if at < 0 || at >= n {
			return nil, fmt.Errorf("there are %d baths, and a fact of bath %d", n, at)
		}
		one := &out[at]
		one.findings = append(one.findings, j.findings[i]...)
		m := step.GetMaterial()
		if m == "" {
			continue
		}
		if !contains(one.materials, m) {
			one.materials = append(one.materials, m)
		}
		one.leftover = one.leftover || slices.ContainsFunc(step.GetFacts(), func(a *benchpb.Answer) bool {
			_, told := a.GetValue().(*benchpb.Answer_Truth)
			return a.GetField() == "step.adds_any" && told && !a.GetTruth()
		})
	}
	return out, nil
}

// ask puts steps to every active safety module. What one of them doesn't answer isn't checked; an error is the caller's.
func (b *Bench) ask(ctx context.Context, steps []*benchpb.SheetStep) (*judged, error) {
	j := &judged{findings: make([][]*benchpb.SheetFinding, len(steps)), asks: map[string]*safetyv1.SafetyField{}}
	modules := b.safety()
	if len(modules) == 0 {
		j.unchecked = append(j.unchecked, "not checked: there is no safety module")
	}
	for _, name := range modules {
		part := &benchpb.SheetPart{Part: "safety"}
		j.parts = append(j.parts, part)
		if err := b.askOne(ctx, j, part, name, steps); err != nil {
			var fault *pipeline.ModuleError
			if !errors.As(err, &fault) {
				return nil, err
			}
			part.Fault = fault.Error()
			j.unchecked = append(j.unchecked, "not checked by "+name+": "+fault.Reason)
		}
	}
	return j, nil
}

func (b *Bench) askOne(ctx context.Context, j *judged, part *benchpb.SheetPart, name string, steps []*benchpb.SheetStep) error {
	packs, err := b.inForce(ctx, pipeline.KindSafety, name, "rule pack")
	if err != nil {
		return err
	}
	listed, who, err := b.modules.ListFields(ctx, name)
	part.Module = who
	if err != nil {
		return err
	}
	fields := map[string]*safetyv1.SafetyField{}
	for _, f := range listed.GetFields() {
		fields[f.GetName()] = f
		if j.asks[f.GetName()] == nil || f.GetAbout() == safetyv1.FieldAbout_FIELD_ABOUT_PERSON {
			j.asks[f.GetName()] = f
		}
	}
	found := make([][]*benchpb.SheetFinding, len(steps))
	for from := 0; from < len(steps); from += stepsACall {
		to := min(from+stepsACall, len(steps))
		q := &safetyv1.JudgeStepsRequest{PackSha256: packs}
		for i := from; i < to; i++ {
			step := &safetyv1.StepFacts{StepId: fmt.Sprint(i)}
			for _, a := range steps[i].GetFacts() {
				fact, why := factOf(fields[a.GetField()], a)
				if why != "" {
					j.note(fmt.Sprintf("%s can't use the answer to %s: %s", name, a.GetField(), why))
				}
				if fact != nil {
					step.Facts = append(step.Facts, fact)
				}
			}
			q.Steps = append(q.Steps, step)
		}
		r, who, err := b.modules.JudgeSteps(ctx, name, q)
		if err != nil {
			return err
		}
		if !proto.Equal(who, part.GetModule()) { // what fields mean, and the rest, is another build's
			return &pipeline.ModuleError{Kind: pipeline.KindSafety, Module: name, Class: pipeline.ErrModuleUnavailable, Reason: "it was exchanged meanwhile: plan again"}
		}
		if from == 0 {
			for _, p := range r.GetPacks() {
				part.Packs = append(part.Packs, &benchpb.SheetPack{Sha256: p.GetSha256(), Name: p.GetName(), Version: p.GetVersion(), Rules: p.GetRules()})
			}
			for _, text := range r.GetStandingCautions() {
				if !contains(j.cautions, text) {
					j.cautions = append(j.cautions, text)
				}
			}
		}
		for i, s := range r.GetSteps() {
			for _, f := range s.GetFindings() {
				found[from+i] = append(found[from+i], findingOf(who, fields, steps[from+i].GetMaterial(), f))
			}
		}
	}
	for i := range found {
		j.findings[i] = append(j.findings[i], found[i]...)
	}
	return nil
}

// inForce names the data that a module is to go by, which is called what; none for one that has data of its own alone.
func (b *Bench) inForce(ctx context.Context, kind, module, what string) ([]string, error) {
	packs, err := b.packs(ctx, module)
	var fault *pipeline.ModuleError
	switch {
	case errors.Is(err, ErrTakesNoPacks):
		return nil, nil
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case errors.As(err, &fault): // it isn't running, as it says itself
		return nil, &pipeline.ModuleError{Kind: kind, Module: module, Class: fault.Class, Reason: fault.Reason, Cause: err}
	case err != nil:
		return nil, &pipeline.ModuleError{Kind: kind, Module: module, Class: pipeline.ErrModuleUnavailable, Reason: "which " + what + " is in force isn't known: " + err.Error(), Cause: err}
	case len(packs) == 0:
		return nil, &pipeline.ModuleError{Kind: kind, Module: module, Class: pipeline.ErrModuleUnavailable, Reason: "no " + what + " is in force"}
	}
	return packs, nil
}

func (j *judged) note(text string) {
	if !contains(j.unusable, text) {
		j.unusable = append(j.unusable, text)
	}
}

// factOf is an answer as a module takes it; nil, with the reason, when it isn't one for this field. A field that the module doesn't know
// is passed over: others may.
func factOf(f *safetyv1.SafetyField, a *benchpb.Answer) (fact *safetyv1.Fact, why string) {
	if f == nil || f.GetAbout() == safetyv1.FieldAbout_FIELD_ABOUT_PERSON {
		return nil, ""
	}
	fact = &safetyv1.Fact{Field: a.GetField(), Doubtful: a.GetDoubtful()}
	switch f.GetKind() {
	case safetyv1.FieldKind_FIELD_KIND_TRUTH:
		v, ok := a.GetValue().(*benchpb.Answer_Truth)
		if !ok {
			return nil, "it wants yes or no"
		}
		fact.Value = &safetyv1.Fact_Truth{Truth: v.Truth}
	case safetyv1.FieldKind_FIELD_KIND_NUMBER:
		v, ok := a.GetValue().(*benchpb.Answer_Number)
		if !ok {
			return nil, "it wants a figure"
		}
		low, high := v.Number.GetLow(), v.Number.GetHigh()
		if low < f.GetLow() || high > f.GetHigh() {
			return nil, fmt.Sprintf("%.6g to %.6g is outside %.6g to %.6g", low, high, f.GetLow(), f.GetHigh())
		}
		fact.Value = &safetyv1.Fact_Number{Number: &safetyv1.NumberRange{Low: low, Likely: math.Min(high, math.Max(low, low+(high-low)/2)), High: high}}
	default:
		v, ok := a.GetValue().(*benchpb.Answer_Texts)
		if !ok {
			return nil, "it wants a word"
		}
		values := v.Texts.GetValues()
		one := f.GetKind() == safetyv1.FieldKind_FIELD_KIND_WORD || f.GetKind() == safetyv1.FieldKind_FIELD_KIND_TEXT
		if one && len(values) != 1 {
			return nil, "it wants one word"
		}
		for _, text := range values {
			if len(f.GetAllowed()) > 0 && !contains(f.GetAllowed(), text) {
				return nil, fmt.Sprintf("%.40q is none of %s", text, strings.Join(f.GetAllowed(), ", "))
			}
		}
		fact.Value = &safetyv1.Fact_Texts{Texts: &safetyv1.TextList{Values: values}}
	}
	return fact, ""
}

func findingOf(who *typesv1.ModuleIdentity, fields map[string]*safetyv1.SafetyField, material string, f *safetyv1.Finding) *benchpb.SheetFinding {
	out := &benchpb.SheetFinding{
		RuleId: f.GetRuleId(), PackSha256: f.GetPackSha256(), Module: who.GetName(), Severity: benchpb.Severity(f.GetSeverity()), Standing: benchpb.FindingStanding(f.GetStanding()),
		Lifting: benchpb.Lifting(f.GetOverride()), MissingFields: f.GetMissingFields(), Harms: f.GetHarms(), Topic: f.GetTopic(), Title: f.GetTitle(), Reason: f.GetReason(),
		Do: f.GetDo(), Hazards: f.GetHazards(), HazardsConfirmed: f.GetHazardsConfirmed(), Source: f.GetSource(), Confidence: f.GetConfidence(),
	}
	if material != "" {
		out.Materials = []string{material}
	}
	if f.GetStanding() == safetyv1.Standing_STANDING_NEEDS_ANSWER {
		out.Personal = !slices.ContainsFunc(f.GetMissingFields(), func(name string) bool {
			return fields[name].GetAbout() != safetyv1.FieldAbout_FIELD_ABOUT_PERSON
		})
	}
	return out
}

// merged puts one rule's findings of several steps of a bath together; one that is of all its materials is of the bath as a whole.
func merged(all []*benchpb.SheetFinding, materials []string) (out []*benchpb.SheetFinding) {
	for _, f := range all {
		at := slices.IndexFunc(out, func(o *benchpb.SheetFinding) bool {
			return o.GetRuleId() == f.GetRuleId() && o.GetPackSha256() == f.GetPackSha256() && o.GetModule() == f.GetModule() && o.GetStanding() == f.GetStanding() && o.GetPersonal() == f.GetPersonal()
		})
		if at < 0 {
			out = append(out, f)
			continue
		}
		for _, m := range f.GetMaterials() {
			if !contains(out[at].Materials, m) {
				out[at].Materials = append(out[at].Materials, m)
			}
		}
		for _, field := range f.GetMissingFields() {
			if !contains(out[at].MissingFields, field) {
				out[at].MissingFields = append(out[at].MissingFields, field)
			}
		}
		slices.Sort(out[at].MissingFields)
	}
	for _, f := range out {
		if len(materials) > 0 && len(f.GetMaterials()) == len(materials) {
			f.Materials = nil
		}
	}
	slices.SortStableFunc(out, func(a, b *benchpb.SheetFinding) int {
		return cmp.Or(-cmp.Compare(a.GetSeverity(), b.GetSeverity()), cmp.Compare(a.GetStanding(), b.GetStanding()), strings.Compare(a.GetRuleId(), b.GetRuleId()), strings.Compare(a.GetPackSha256(), b.GetPackSha256()))
	})
	return out
}

// questions by what they ask.
type questions map[string]*benchpb.SheetQuestion

func (q questions) add(one *benchpb.SheetQuestion) {
	key := fmt.Sprint(one.GetScope(), "|", one.GetOf(), "|", one.GetField(), "|", one.GetText())
	kept := q[key]
	if kept == nil {
		q[key] = one
		return
	}
	kept.Holds = kept.GetHolds() || one.GetHolds()
	for _, b := range one.GetBaths() {
		if !contains(kept.Baths, b) {
			kept.Baths = append(kept.Baths, b)
		}
	}
}

// scopesFirst are those whose answers settle others: which recipe a bath has says what is in it, and what a material is says what it makes of its bath.
var scopesFirst = []benchpb.QuestionScope{benchpb.QuestionScope_QUESTION_SCOPE_MATERIAL, benchpb.QuestionScope_QUESTION_SCOPE_RECIPE}

func (q questions) sorted() (list []*benchpb.SheetQuestion) {
	for _, one := range q {
		list = append(list, one)
	}
	slices.SortFunc(list, func(a, b *benchpb.SheetQuestion) int {
		holds := func(one *benchpb.SheetQuestion) int {
			if one.GetHolds() {
				return 0
			}
			return 1
		}
		first := func(one *benchpb.SheetQuestion) int { return -slices.Index(scopesFirst, one.GetScope()) }
		return cmp.Or(cmp.Compare(holds(a), holds(b)), cmp.Compare(first(a), first(b)), cmp.Compare(a.GetScope(), b.GetScope()), strings.Compare(a.GetOf(), b.GetOf()), strings.Compare(a.GetField(), b.GetField()), strings.Compare(a.GetText(), b.GetText()))
	})
	return list
}

// shelfFields begin so; answers to them are kept with a material.
var shelfFields = []string{"material.", "plant.", "container.", "lot.", "step.adds_class"}

// OnShelf reports whether answers to a field are kept with a material in the workshop.
func OnShelf(field string) bool {
	return slices.ContainsFunc(shelfFields, func(begin string) bool { return strings.HasPrefix(field, begin) })
}

// of adds what the findings of a bath wait for.
func (q questions) of(one *benchpb.SheetBath, materials []string, asks map[string]*safetyv1.SafetyField) {
	for _, f := range one.GetFindings() {
		if f.GetStanding() != benchpb.FindingStanding_FINDING_STANDING_NEEDS_ANSWER {
			continue
		}
		for _, name := range f.GetMissingFields() {
			field := asks[name]
			base := &benchpb.SheetQuestion{
				Field: name, Text: field.GetAsks(), Choices: field.GetAllowed(), Baths: []string{one.GetName()}, Holds: f.GetSeverity() == benchpb.Severity_SEVERITY_STOP,
				Scope: benchpb.QuestionScope_QUESTION_SCOPE_PLAN,
			}
			switch {
			case field.GetAbout() == safetyv1.FieldAbout_FIELD_ABOUT_PERSON || personal(name):
				base.Scope = benchpb.QuestionScope_QUESTION_SCOPE_PERSON
			case OnShelf(name):
				base.Scope = benchpb.QuestionScope_QUESTION_SCOPE_MATERIAL
				about := f.GetMaterials()
				if len(about) == 0 {
					about = materials
				}
				for _, m := range about {
					each := proto.Clone(base).(*benchpb.SheetQuestion) //nolint:forcetypeassert // a clone is of the same type
					each.Of = m
					q.add(each)
				}
				continue
			case strings.HasPrefix(name, "vessel.") && one.GetVessel() != "":
				base.Scope, base.Of = benchpb.QuestionScope_QUESTION_SCOPE_VESSEL, one.GetVessel()
			case strings.HasPrefix(name, "vessel."): // of a bath that names none
				base.Text = strings.TrimSpace("Which vessel of the workshop is it? Else: " + base.GetText())
			case field.GetAbout() == safetyv1.FieldAbout_FIELD_ABOUT_WORKSHOP || strings.HasPrefix(name, "storage."):
				base.Scope = benchpb.QuestionScope_QUESTION_SCOPE_WORKSHOP
			}
			q.add(base)
		}
	}
}

// settle puts a draft together and says what may be done of it.
func (d *draft) settle(overrides []*benchpb.Override) {
	d.sheet.Baths, d.sheet.Incomplete, d.sheet.Questions = nil, d.missing, d.asked.sorted()
	for _, one := range d.baths {
		d.sheet.Baths = append(d.sheet.Baths, one.out)
	}
	settle(d.sheet, d.unchecked, overrides)
}

// settle says what may be done, with the stops that were taken upon somebody, and takes away the amounts of what may not. unchecked says why nothing is
// checked; empty when everything is.
func settle(s *benchpb.Sheet, unchecked []string, overrides []*benchpb.Override) {
	s.Overrides, s.Standing = nil, benchpb.Standing_STANDING_RELEASED
	exhaustOf, byName := map[string]string{}, map[string]*benchpb.SheetBath{}
	for _, p := range s.GetPlan().GetBaths() {
		exhaustOf[p.GetName()] = p.GetExhaustOf()
	}
	for _, one := range s.GetBaths() {
		s.Overrides = append(s.Overrides, applied(one, overrides)...)
		settleBath(one, unchecked)
		if len(one.GetLoads()) == 0 && one.GetStanding() < benchpb.Standing_STANDING_NEEDS_ANSWERS {
			one.Standing = benchpb.Standing_STANDING_NEEDS_ANSWERS
			one.WithheldBecause = append(one.WithheldBecause, "its amounts are not computed, or were withheld before: plan again once what is asked is answered")
		}
		for _, gap := range notKnown(one) { // the rest of a recipe without one of its materials is another recipe
			one.Standing = max(one.GetStanding(), benchpb.Standing_STANDING_NEEDS_ANSWERS)
			one.WithheldBecause = append(one.WithheldBecause, fmt.Sprintf("how much %s goes in isn't known before this is told: %s", gap[0], gap[1]))
		}
		if before := byName[exhaustOf[one.GetName()]]; before != nil && before.GetStanding() > one.GetStanding() {
			one.Standing = before.GetStanding()
			one.WithheldBecause = append(one.WithheldBecause, fmt.Sprintf("it is an exhaust of %q, which isn't released", before.GetName()))
		}
		if one.GetStanding() >= benchpb.Standing_STANDING_NEEDS_ANSWERS {
			one.Loads = nil
		}
		byName[one.GetName()] = one
		s.Standing = max(s.GetStanding(), one.GetStanding())
	}
	if s.GetIncomplete() {
		s.Standing = max(s.GetStanding(), benchpb.Standing_STANDING_NEEDS_ANSWERS)
	}
	if len(s.StandingCautions) == 0 {
		s.StandingCautions = []string{"Nothing on this sheet was held against any safety rule. Safety data sheets, local rules and licensed practice come before anything said here."}
	}
}

// applied marks the findings of a bath that overrides lift, and gives those overrides. Only a stop that fires, whose harm is to fibre and which yields to a written
// reason, is lifted.
func applied(one *benchpb.SheetBath, overrides []*benchpb.Override) (used []*benchpb.Override) {
	for _, f := range one.GetFindings() {
		for _, o := range overrides {
			if o.GetBath() == one.GetName() && o.GetRuleId() == f.GetRuleId() && o.GetPackSha256() == f.GetPackSha256() && Liftable(f) {
				f.Standing = benchpb.FindingStanding_FINDING_STANDING_OVERRIDDEN
				used = append(used, o)
			}
		}
	}
	return used
}

// Liftable reports whether a finding yields to a written reason.
func Liftable(f *benchpb.SheetFinding) bool {
	return f.GetSeverity() == benchpb.Severity_SEVERITY_STOP && f.GetStanding() == benchpb.FindingStanding_FINDING_STANDING_FIRES &&
		f.GetLifting() == benchpb.Lifting_LIFTING_WRITTEN_REASON && f.GetHarms() == "fibre"
}

// settleBath sets a bath's standing by its findings.
func settleBath(one *benchpb.SheetBath, unchecked []string) {
	one.Standing, one.WithheldBecause = benchpb.Standing_STANDING_RELEASED, slices.Clone(unchecked)
	if len(unchecked) > 0 {
		one.Standing = benchpb.Standing_STANDING_NOT_CHECKED
	}
	for _, f := range one.GetFindings() {
		if f.GetSeverity() != benchpb.Severity_SEVERITY_STOP {
			continue
		}
		switch f.GetStanding() {
		case benchpb.FindingStanding_FINDING_STANDING_FIRES:
			one.Standing = max(one.Standing, benchpb.Standing_STANDING_STOPPED)
			one.WithheldBecause = append(one.WithheldBecause, fmt.Sprintf("%s: %s", f.GetRuleId(), f.GetTitle()))
		case benchpb.FindingStanding_FINDING_STANDING_NEEDS_ANSWER:
			to := benchpb.Standing_STANDING_NEEDS_ANSWERS
			if f.GetPersonal() {
				to = benchpb.Standing_STANDING_PERSONAL_ANSWERS
			}
			one.Standing = max(one.Standing, to)
			one.WithheldBecause = append(one.WithheldBecause, fmt.Sprintf("%s can't be judged before %s is answered: %s", f.GetRuleId(), strings.Join(f.GetMissingFields(), ", "), f.GetTitle()))
		case benchpb.FindingStanding_FINDING_STANDING_OVERRIDDEN, benchpb.FindingStanding_FINDING_STANDING_UNSPECIFIED:
		}
	}
}
