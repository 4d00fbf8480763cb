package conformance

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/sdk"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
)

func safetyV1() *contract {
	return &contract{
		name: "commonvat.module.safety.v1", kind: sdk.KindSafety, method: safetyv1.SafetyService_JudgeSteps_FullMethodName,
		newReply: func() proto.Message { return &safetyv1.JudgeStepsResponse{} },
		plain: func(r *rand.Rand, _ *module) []question {
			return []question{randomSteps(1, r), randomSteps(4, r), randomSteps(20, r)}
		},
		largest: func(m *module) question { return randomSteps(500, m.random("largest")) },
		beyond: func(m *module) []refusal {
			return []refusal{{"steps has 501 entries", randomSteps(501, m.random("beyond")), []string{"steps"}}}
		},
		tooBig: func(m *module) question {
			q := randomSteps(1, m.random("too big"))
			q[0].(*safetyv1.JudgeStepsRequest).Steps[0].StepId = strings.Repeat("x", sdk.MaxMessageBytes+1)
			return q
		},
		empty: func(*module) []refusal {
			return []refusal{{"the request is empty", question{&safetyv1.JudgeStepsRequest{}}, []string{"steps"}}}
		},
		invalid: stepsInvalid,
		sound:   stepsSound,
		extra: []extraStep{
			furtherFields().step(), furtherNames().step(),
			dataStep(func(q question, digest string) { q[0].(*safetyv1.JudgeStepsRequest).PackSha256 = []string{digest} }),
		},
		items: oneItem,
		laws: map[describev1.Law]lawTrial{
			describev1.Law_LAW_UNKNOWN_NEVER_CLEARS: oneFactLess,
			describev1.Law_LAW_ORDER_FREE:           stepsInAnotherOrder,
		},
		expected: []describev1.Law{describev1.Law_LAW_UNKNOWN_NEVER_CLEARS},
	}
}

func textsFact(field string, values ...string) *safetyv1.Fact {
	return &safetyv1.Fact{Field: field, Value: &safetyv1.Fact_Texts{Texts: &safetyv1.TextList{Values: values}}}
}

func numberFact(field string, x float64) *safetyv1.Fact {
	return &safetyv1.Fact{Field: field, Value: &safetyv1.Fact_Number{Number: &safetyv1.NumberRange{Low: x, Likely: x, High: x}}}
}

func truthFact(field string, x bool) *safetyv1.Fact {
	return &safetyv1.Fact{Field: field, Value: &safetyv1.Fact_Truth{Truth: x}}
}

// randomStep has fields that every vocabulary for dyeing has; a module that lacks one is asked in vain, which shows.
func randomStep(r *rand.Rand, i int) *safetyv1.StepFacts {
	pick := func(of ...string) string { return of[r.IntN(len(of))] }
	return &safetyv1.StepFacts{StepId: fmt.Sprintf("step %d", i+1), Facts: []*safetyv1.Fact{
		textsFact("material.id", pick("sodium hydroxide", "ferrous sulfate", "weld", "calcium hydroxide", "thiourea dioxide")),
		textsFact("fibre.class", pick("protein", "cellulose")), numberFact("step.wof_percent", 10*r.Float64()), numberFact("step.temperature_c", 100*r.Float64()),
		numberFact("bath.ph", 14*r.Float64()), textsFact("vessel.material", pick("stainless", "aluminium", "copper")), truthFact("vessel.sealed", r.IntN(2) == 0), textsFact("ppe", pick("gloves", "goggles")),
	}}
}

// randomSteps is a question about n steps.
func randomSteps(n int, r *rand.Rand) question {
	req := &safetyv1.JudgeStepsRequest{}
	for i := range n {
		req.Steps = append(req.Steps, randomStep(r, i))
	}
	return question{req}
}

// foundAgain says of each finding of the first answer whether the second has it too, no less severe.
func foundAgain(a, b reply) (out []comparison) {
	second := map[[3]string]float64{} // of a step, a pack and its rule; 0 is no finding
	for _, s := range b[0].(*safetyv1.JudgeStepsResponse).GetSteps() {
		for _, f := range s.GetFindings() {
			second[[3]string{s.GetStepId(), f.GetPackSha256(), f.GetRuleId()}] = float64(f.GetSeverity())
		}
	}
	for _, s := range a[0].(*safetyv1.JudgeStepsResponse).GetSteps() {
		for _, f := range s.GetFindings() {
			got := second[[3]string{s.GetStepId(), f.GetPackSha256(), f.GetRuleId()}]
			out = append(out, comparison{at: "severity of " + s.GetStepId() + " " + f.GetRuleId(), want: value(float64(f.GetSeverity())), got: value(got), atLeast: true})
		}
	}
	return out
}

func stepsInvalid(m *module) (out []refusal) {
	bad := func(what, name string, spoil func(*safetyv1.StepFacts)) {
		q := randomSteps(2, m.random("invalid"))
		spoil(q[0].(*safetyv1.JudgeStepsRequest).Steps[1])
		out = append(out, refusal{what, q, []string{name}})
	}
	bad("a field that there isn't", "field", func(s *safetyv1.StepFacts) { s.Facts[0].Field = "no such field" })
	bad("a fact about a person", "field", func(s *safetyv1.StepFacts) { s.Facts[0] = truthFact("person.asthma", false) })
	bad("a fact without a value", "value", func(s *safetyv1.StepFacts) { s.Facts[1].Value = nil })
	bad("a word that the field never has", "value", func(s *safetyv1.StepFacts) { s.Facts[1] = textsFact("fibre.class", "no such class") })
	bad("a pH of 15", "value", func(s *safetyv1.StepFacts) { s.Facts[4] = numberFact("bath.ph", 15) })
	bad("one step twice", "step_id", func(s *safetyv1.StepFacts) { s.StepId = "step 1" })
	packs := randomSteps(1, m.random("invalid"))
	packs[0].(*safetyv1.JudgeStepsRequest).PackSha256 = []string{"craft"}
	out = append(out, refusal{"a digest that is none", packs, []string{"pack_sha256"}})
	return out
}

func stepsSound(_ *module, q question, a reply) error {
	asked, got := q[0].(*safetyv1.JudgeStepsRequest), a[0].(*safetyv1.JudgeStepsResponse)
	if len(got.GetSteps()) != len(asked.GetSteps()) {
		return fmt.Errorf("steps has %d entries for %d steps", len(got.GetSteps()), len(asked.GetSteps()))
	}
	if len(got.GetStandingCautions()) == 0 {
		return errors.New("standing_cautions is empty: no finding never means that a step is safe, and that has to be said")
	}
	for i, s := range got.GetSteps() {
		for j, f := range s.GetFindings() {
			needs := f.GetStanding() == safetyv1.Standing_STANDING_NEEDS_ANSWER
			switch {
			case f.GetRuleId() == "" || f.GetSeverity() == 0 || f.GetStanding() == 0 || f.GetTitle() == "" || f.GetSource() == "":
				return fmt.Errorf("steps[%d].findings[%d] lacks rule_id, severity, standing, title or source", i, j)
			case needs != (len(f.GetMissingFields()) > 0):
				return fmt.Errorf("steps[%d].findings[%d] is %v with %d missing fields", i, j, f.GetStanding(), len(f.GetMissingFields()))
			case f.GetSeverity() == safetyv1.Severity_SEVERITY_STOP && f.GetOverride() == 0:
				return fmt.Errorf("steps[%d].findings[%d] is a stop and doesn't say what lifts it", i, j)
			}
		}
	}
	return nil
}

// oneFactLess: what isn't told takes no finding away.
func oneFactLess(r *rand.Rand, _ *module, size int) trial {
	first := randomSteps(1+size%6, r)
	second := first.clone()
	for _, s := range second[0].(*safetyv1.JudgeStepsRequest).Steps {
		at := r.IntN(len(s.Facts))
		s.Facts = slices.Delete(s.Facts, at, at+1)
	}
	return trial{first: first, second: second, compare: foundAgain}
}

// stepsInAnotherOrder: the order of steps and of their facts means nothing.
func stepsInAnotherOrder(r *rand.Rand, _ *module, size int) trial {
	first := randomSteps(1+size%6, r)
	second := first.clone()
	steps := second[0].(*safetyv1.JudgeStepsRequest).Steps
	r.Shuffle(len(steps), func(i, j int) { steps[i], steps[j] = steps[j], steps[i] })
	for _, s := range steps {
		r.Shuffle(len(s.Facts), func(i, j int) { s.Facts[i], s.Facts[j] = s.Facts[j], s.Facts[i] })
	}
	return trial{first: first, second: second, compare: func(a, b reply) []comparison { return append(foundAgain(a, b), foundAgain(b, a)...) }}
}
