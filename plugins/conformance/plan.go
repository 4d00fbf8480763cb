package conformance

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/sdk"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	mordantv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/mordant/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// oneItem is of kinds whose answers aren't told apart by name.
func oneItem(*describev1.DescribeResponse) []string { return []string{""} }

func bathscaleV1() *contract {
	ask := func(pieces int, grams func(i int) float64) question {
		req := &bathscalev1.ScaleBathsRequest{
			Bench: &bathscalev1.Bench{Balances: []*bathscalev1.Balance{{StepG: 0.1, CapacityG: 5000}}, SmallVolumeUncertaintyMl: 0.5, FlaskUncertaintyPercent: 0.5},
			Baths: []*bathscalev1.BathRecipe{{BathId: "one", Volume: &bathscalev1.BathRecipe_LiquorRatio{LiquorRatio: 30}, Doses: []*bathscalev1.Dose{
				{Material: "weld", Figure: &bathscalev1.Dose_PercentWof{PercentWof: 100}}, {Material: "vinegar", Figure: &bathscalev1.Dose_GramsPerLitre{GramsPerLitre: 2}},
			}}},
		}
		for i := range pieces {
			req.Fibre = append(req.Fibre, &bathscalev1.FibreLot{
				PieceId: fmt.Sprintf("piece %d", i+1), MassG: grams(i), BalanceStepG: 0.1, Basis: typesv1.WeighingBasis_WEIGHING_BASIS_AIR_DRY, PickupPercent: 100,
				Composition: []*typesv1.FibrePart{{Fibre: "wool", Percent: 100}},
			})
		}
		return question{req}
	}
	of := func(pieces int, r *rand.Rand) question {
		return ask(pieces, func(int) float64 { return 1 + 100*r.Float64() })
	}
	figures := func(a reply, item string) (out []comparison) {
		for i, bath := range a[0].(*bathscalev1.ScaleBathsResponse).GetBaths() {
			for j, load := range bath.GetLoads() {
				for _, m := range load.GetAmounts() {
					out = append(out, comparison{item: item, at: fmt.Sprintf("bath %d load %d %s", i, j, m.GetMaterial()), want: value(m.GetMeantG())})
				}
			}
		}
		return out
	}
	return &contract{
		name: "commonvat.module.bathscale.v1", kind: sdk.KindBathscale, method: bathscalev1.BathscaleService_ScaleBaths_FullMethodName,
		newReply: func() proto.Message { return &bathscalev1.ScaleBathsResponse{} },
		plain: func(r *rand.Rand, _ *module) []question {
			// A vat of more than its vessel holds, by its dye, on fibre of which the moisture was measured.
			vat := of(6, r)
			req := vat[0].(*bathscalev1.ScaleBathsRequest)
			req.Reference, req.Fibre[0].MoistureContentPercent = bathscalev1.FibreReference_FIBRE_REFERENCE_OVEN_DRY, proto.Float64(11)
			req.Baths[0] = &bathscalev1.BathRecipe{
				BathId: "one", Volume: &bathscalev1.BathRecipe_Litres{Litres: 30}, VesselL: 12, IndigoPurityPercent: proto.Float64(35), Doses: []*bathscalev1.Dose{
					{Material: "indigo", Figure: &bathscalev1.Dose_GramsPerLitre{GramsPerLitre: 1}, Form: bathscalev1.Form_FORM_IMPURE, PurityPercent: proto.Float64(35)},
					{Material: "vinegar", Figure: &bathscalev1.Dose_Grams{Grams: 20}, Form: bathscalev1.Form_FORM_LIQUID, LiquidDensityKgPerL: proto.Float64(1.006), LiquidPercent: proto.Float64(5)},
				},
			}
			return []question{of(1, r), of(3, r), of(12, r), vat}
		},
		largest: func(m *module) question { return of(200, m.random("largest")) },
		beyond: func(m *module) []refusal {
			return []refusal{{"fibre has 201 entries", of(201, m.random("beyond")), []string{"fibre"}}}
		},
		tooBig: func(m *module) question {
			q := of(1, m.random("too big"))
			q[0].(*bathscalev1.ScaleBathsRequest).Baths[0].BathId = strings.Repeat("x", sdk.MaxMessageBytes+1)
			return q
		},
		empty: func(m *module) []refusal {
			return []refusal{
				{"the request is empty", question{&bathscalev1.ScaleBathsRequest{}}, []string{"fibre", "bench", "baths"}},
				{"fibre is empty", of(0, m.random("empty")), []string{"fibre"}},
			}
		},
		invalid: func(m *module) (out []refusal) {
			bad := func(what, name string, spoil func(*bathscalev1.ScaleBathsRequest)) {
				q := of(2, m.random("invalid"))
				spoil(q[0].(*bathscalev1.ScaleBathsRequest))
				out = append(out, refusal{what, q, []string{name}})
			}
			bad("a mass of 0", "mass_g", func(q *bathscalev1.ScaleBathsRequest) { q.Fibre[1].MassG = 0 })
			bad("a negative mass", "mass_g", func(q *bathscalev1.ScaleBathsRequest) { q.Fibre[0].MassG = -1 })
			bad("one piece twice", "piece_id", func(q *bathscalev1.ScaleBathsRequest) { q.Fibre[1].PieceId = q.Fibre[0].PieceId })
			bad("no balance", "balances", func(q *bathscalev1.ScaleBathsRequest) { q.Bench.Balances = nil })
			bad("no volume", "volume", func(q *bathscalev1.ScaleBathsRequest) { q.Baths[0].Volume = nil })
			bad("a material without a figure", "figure", func(q *bathscalev1.ScaleBathsRequest) { q.Baths[0].Doses[1].Figure = nil })
			bad("a material twice", "material", func(q *bathscalev1.ScaleBathsRequest) { q.Baths[0].Doses[1].Material = q.Baths[0].Doses[0].Material })
			bad("more moisture than fibre", "moisture_content_percent", func(q *bathscalev1.ScaleBathsRequest) { q.Fibre[0].MoistureContentPercent = proto.Float64(51) })
			bad("a liquid in percent of nothing", "liquid_density_kg_per_l", func(q *bathscalev1.ScaleBathsRequest) {
				q.Baths[0].Doses[1].Form, q.Baths[0].Doses[1].LiquidPercent = bathscalev1.Form_FORM_LIQUID, proto.Float64(5)
			})
			bad("fewer pieces than fillings", "litres", func(q *bathscalev1.ScaleBathsRequest) {
				q.Baths[0].Volume, q.Baths[0].VesselL = &bathscalev1.BathRecipe_Litres{Litres: 30}, 5
			})
			bad("a fibre that doesn't add up", "composition", func(q *bathscalev1.ScaleBathsRequest) { q.Fibre[0].Composition[0].Percent = 50 })
			return out
		},
		sound: func(_ *module, q question, a reply) error {
			asked, got := q[0].(*bathscalev1.ScaleBathsRequest), a[0].(*bathscalev1.ScaleBathsResponse)
			if len(got.GetBaths()) != len(asked.GetBaths()) {
				return fmt.Errorf("baths has %d entries for %d baths", len(got.GetBaths()), len(asked.GetBaths()))
			}
			for i, bath := range got.GetBaths() {
				for j, load := range bath.GetLoads() {
					if len(load.GetAmounts()) != len(asked.GetBaths()[i].GetDoses()) {
						return fmt.Errorf("baths[%d].loads[%d].amounts has %d entries for %d materials", i, j, len(load.GetAmounts()), len(asked.GetBaths()[i].GetDoses()))
					}
					for k, m := range load.GetAmounts() {
						known := m.GetNotKnown() == ""
						if m.GetMeantG() < 0 || m.GetShownG() < 0 || m.GetUncertaintyPercent() < 0 || (known && m.GetWay() == bathscalev1.Way_WAY_UNSPECIFIED) {
							return fmt.Errorf("baths[%d].loads[%d].amounts[%d] has figures below 0, or no way", i, j, k)
						}
						if !(m.GetDeliveredLowPercent() <= m.GetDeliveredPercent() && m.GetDeliveredPercent() <= m.GetDeliveredHighPercent()) {
							return fmt.Errorf("baths[%d].loads[%d].amounts[%d] delivers %v, which is not within %v to %v", i, j, k,
								m.GetDeliveredPercent(), m.GetDeliveredLowPercent(), m.GetDeliveredHighPercent())
						}
					}
				}
			}
			return nil
		},
		extra: []extraStep{furtherDays().step(), furtherWater().step(), furtherRescale().step(), furtherSchedule().step()},
		items: oneItem,
		laws: map[describev1.Law]lawTrial{
			// Twice the fibre is twice the meant grams of whatever is told by percent or by litre at a liquor ratio.
			describev1.Law_LAW_LINEAR: func(r *rand.Rand, _ *module, size int) trial {
				masses := make([]float64, 1+size%12)
				for i := range masses {
					masses[i] = 1 + 100*r.Float64()
				}
				by := 0.5 + r.Float64()
				first, second := ask(len(masses), func(i int) float64 { return masses[i] }), ask(len(masses), func(i int) float64 { return by * masses[i] })
				return trial{first: first, second: second, compare: func(a, b reply) []comparison {
					return pairUp(scaled(figures(a, ""), by), figures(b, ""), false)
				}}
			},
		},
		expected: []describev1.Law{describev1.Law_LAW_LINEAR},
	}
}

func mordantV1() *contract {
	fibres := []string{"wool", "silk", "cotton", "linen", "hemp", "viscose", "alpaca", "mohair"}
	dyes := []string{"weld", "indigo", "madder", "cochineal"}
	of := func(n, m int, shift string) question {
		req := &mordantv1.SelectMordantsRequest{Fibres: fibres[:n], Shift: shift, HardnessMgPerL: proto.Float64(120)}
		for _, d := range dyes[:m] {
			req.Dyestuffs = append(req.Dyestuffs, &mordantv1.Dyestuff{Name: d})
		}
		return question{req}
	}
	return &contract{
		name: "commonvat.module.mordant.v1", kind: sdk.KindMordant, method: mordantv1.MordantService_SelectMordants_FullMethodName,
		newReply: func() proto.Message { return &mordantv1.SelectMordantsResponse{} },
		plain: func(*rand.Rand, *module) []question {
			return []question{of(1, 1, ""), of(2, 2, ""), of(3, 3, "darker")}
		},
		largest: func(*module) question { return of(len(fibres), len(dyes), "darker") },
		beyond: func(*module) []refusal {
			q := of(1, 4, "")
			req := q[0].(*mordantv1.SelectMordantsRequest)
			req.Dyestuffs = append(req.Dyestuffs, &mordantv1.Dyestuff{Name: "lac"})
			return []refusal{{"dyestuffs has 5 entries", q, []string{"dyestuffs"}}}
		},
		tooBig: func(*module) question {
			q := of(1, 1, "")
			q[0].(*mordantv1.SelectMordantsRequest).Shift = strings.Repeat("x", sdk.MaxMessageBytes+1)
			return q
		},
		empty: func(*module) []refusal {
			return []refusal{{"the request is empty", question{&mordantv1.SelectMordantsRequest{}}, []string{"fibres", "dyestuffs"}}}
		},
		invalid: func(*module) (out []refusal) {
			bad := func(what, name string, spoil func(*mordantv1.SelectMordantsRequest)) {
				q := of(1, 1, "").clone()
				req := q[0].(*mordantv1.SelectMordantsRequest)
				spoil(req)
				out = append(out, refusal{what, q, []string{name}})
			}
			bad("a shift that there isn't", "shift", func(q *mordantv1.SelectMordantsRequest) { q.Shift = "no such shift" })
			bad("a fibre twice", "fibres", func(q *mordantv1.SelectMordantsRequest) { q.Fibres = []string{"wool", "wool"} })
			bad("a dyestuff without a name", "name", func(q *mordantv1.SelectMordantsRequest) { q.Dyestuffs[0].Name = "" })
			bad("negative hardness", "hardness_mg_per_l", func(q *mordantv1.SelectMordantsRequest) { q.HardnessMgPerL = proto.Float64(-1) })
			bad("a digest that is none", "facts_sha256", func(q *mordantv1.SelectMordantsRequest) { q.FactsSha256 = "craft" })
			bad("201 things in the store", "store", func(q *mordantv1.SelectMordantsRequest) { q.Store = slices.Repeat([]string{"potassium alum"}, 201) })
			bad("51 refusals", "refused", func(q *mordantv1.SelectMordantsRequest) { q.Refused = slices.Repeat([]string{"potassium alum"}, 51) })
			bad("a dyestuff of 81 characters", "name", func(q *mordantv1.SelectMordantsRequest) { q.Dyestuffs[0].Name = strings.Repeat("x", 81) })
			return out
		},
		sound: func(_ *module, q question, a reply) error {
			asked, got := q[0].(*mordantv1.SelectMordantsRequest), a[0].(*mordantv1.SelectMordantsResponse)
			if len(got.GetQuestions()) > 0 {
				return nil // what it asks back is its own affair
			}
			if len(got.GetFibres()) != len(asked.GetFibres()) {
				return fmt.Errorf("fibres has %d entries for %d fibres", len(got.GetFibres()), len(asked.GetFibres()))
			}
			for i, f := range got.GetFibres() {
				if f.GetFibre() != asked.GetFibres()[i] {
					return fmt.Errorf("fibres[%d] is %q, want %q", i, f.GetFibre(), asked.GetFibres()[i])
				}
				for j, c := range f.GetChoices() {
					if len(c.GetReasons()) == 0 || len(c.GetSources()) == 0 || c.GetConfidence() == mordantv1.Confidence_CONFIDENCE_UNSPECIFIED {
						return fmt.Errorf("fibres[%d].choices[%d] has no reasons, no sources or no confidence", i, j)
					}
					for k, s := range c.GetSteps() {
						if n := int(s.GetBeforeDyestuff()); n < 1 || n > len(asked.GetDyestuffs())+1 {
							return fmt.Errorf("fibres[%d].choices[%d].steps[%d].before_dyestuff is %d, want 1 to %d", i, j, k, n, len(asked.GetDyestuffs())+1)
						}
					}
				}
			}
			return nil
		},
		extra: []extraStep{dataStep(func(q question, digest string) { q[0].(*mordantv1.SelectMordantsRequest).FactsSha256 = digest })},
		items: oneItem,
	}
}

func safetyV1() *contract {
	texts := func(field string, values ...string) *safetyv1.Fact {
		return &safetyv1.Fact{Field: field, Value: &safetyv1.Fact_Texts{Texts: &safetyv1.TextList{Values: values}}}
	}
	number := func(field string, x float64) *safetyv1.Fact {
		return &safetyv1.Fact{Field: field, Value: &safetyv1.Fact_Number{Number: &safetyv1.NumberRange{Low: x, Likely: x, High: x}}}
	}
	truth := func(field string, x bool) *safetyv1.Fact {
		return &safetyv1.Fact{Field: field, Value: &safetyv1.Fact_Truth{Truth: x}}
	}
	// Fields that every vocabulary for dyeing has; a module that lacks one is asked in vain, which shows.
	step := func(r *rand.Rand, i int) *safetyv1.StepFacts {
		pick := func(of ...string) string { return of[r.IntN(len(of))] }
		return &safetyv1.StepFacts{StepId: fmt.Sprintf("step %d", i+1), Facts: []*safetyv1.Fact{
			texts("material.id", pick("sodium hydroxide", "ferrous sulfate", "weld", "calcium hydroxide", "thiourea dioxide")),
			texts("fibre.class", pick("protein", "cellulose")), number("step.wof_percent", 10*r.Float64()), number("step.temperature_c", 100*r.Float64()),
			number("bath.ph", 14*r.Float64()), texts("vessel.material", pick("stainless", "aluminium", "copper")), truth("vessel.sealed", r.IntN(2) == 0), texts("ppe", pick("gloves", "goggles")),
		}}
	}
	of := func(n int, r *rand.Rand) question {
		req := &safetyv1.JudgeStepsRequest{}
		for i := range n {
			req.Steps = append(req.Steps, step(r, i))
		}
		return question{req}
	}
	// found says of each finding of the first answer whether the second has it, too.
	found := func(a, b reply) (out []comparison) {
		second := map[string]bool{}
		for _, s := range b[0].(*safetyv1.JudgeStepsResponse).GetSteps() {
			for _, f := range s.GetFindings() {
				second[s.GetStepId()+" "+f.GetRuleId()] = true
			}
		}
		for _, s := range a[0].(*safetyv1.JudgeStepsResponse).GetSteps() {
			for _, f := range s.GetFindings() {
				at := s.GetStepId() + " " + f.GetRuleId()
				got := 0.0
				if second[at] {
					got = 1
				}
				out = append(out, comparison{at: at, want: value(1), got: value(got)})
			}
		}
		return out
	}
	return &contract{
		name: "commonvat.module.safety.v1", kind: sdk.KindSafety, method: safetyv1.SafetyService_JudgeSteps_FullMethodName,
		newReply: func() proto.Message { return &safetyv1.JudgeStepsResponse{} },
		plain: func(r *rand.Rand, _ *module) []question {
			return []question{of(1, r), of(4, r), of(20, r)}
		},
		largest: func(m *module) question { return of(500, m.random("largest")) },
		beyond: func(m *module) []refusal {
			return []refusal{{"steps has 501 entries", of(501, m.random("beyond")), []string{"steps"}}}
		},
		tooBig: func(m *module) question {
			q := of(1, m.random("too big"))
			q[0].(*safetyv1.JudgeStepsRequest).Steps[0].StepId = strings.Repeat("x", sdk.MaxMessageBytes+1)
			return q
		},
		empty: func(*module) []refusal {
			return []refusal{{"the request is empty", question{&safetyv1.JudgeStepsRequest{}}, []string{"steps"}}}
		},
		invalid: func(m *module) (out []refusal) {
			bad := func(what, name string, spoil func(*safetyv1.StepFacts)) {
				q := of(2, m.random("invalid"))
				spoil(q[0].(*safetyv1.JudgeStepsRequest).Steps[1])
				out = append(out, refusal{what, q, []string{name}})
			}
			bad("a field that there isn't", "field", func(s *safetyv1.StepFacts) { s.Facts[0].Field = "no such field" })
			bad("a fact about a person", "field", func(s *safetyv1.StepFacts) { s.Facts[0] = truth("person.asthma", false) })
			bad("a fact without a value", "value", func(s *safetyv1.StepFacts) { s.Facts[1].Value = nil })
			bad("a word that the field never has", "value", func(s *safetyv1.StepFacts) { s.Facts[1] = texts("fibre.class", "no such class") })
			bad("a pH of 15", "value", func(s *safetyv1.StepFacts) { s.Facts[4] = number("bath.ph", 15) })
			bad("one step twice", "step_id", func(s *safetyv1.StepFacts) { s.StepId = "step 1" })
			packs := of(1, m.random("invalid"))
			packs[0].(*safetyv1.JudgeStepsRequest).PackSha256 = []string{"craft"}
			out = append(out, refusal{"a digest that is none", packs, []string{"pack_sha256"}})
			return out
		},
		sound: func(_ *module, q question, a reply) error {
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
		},
		extra: []extraStep{
			furtherFields().step(), furtherNames().step(),
			dataStep(func(q question, digest string) { q[0].(*safetyv1.JudgeStepsRequest).PackSha256 = []string{digest} }),
		},
		items: oneItem,
		laws: map[describev1.Law]lawTrial{
			describev1.Law_LAW_UNKNOWN_NEVER_CLEARS: func(r *rand.Rand, _ *module, size int) trial {
				first := of(1+size%6, r)
				second := first.clone()
				for _, s := range second[0].(*safetyv1.JudgeStepsRequest).Steps {
					at := r.IntN(len(s.Facts))
					s.Facts = slices.Delete(s.Facts, at, at+1)
				}
				return trial{first: first, second: second, compare: found}
			},
			describev1.Law_LAW_ORDER_FREE: func(r *rand.Rand, _ *module, size int) trial {
				first := of(1+size%6, r)
				second := first.clone()
				steps := second[0].(*safetyv1.JudgeStepsRequest).Steps
				r.Shuffle(len(steps), func(i, j int) { steps[i], steps[j] = steps[j], steps[i] })
				for _, s := range steps {
					r.Shuffle(len(s.Facts), func(i, j int) { s.Facts[i], s.Facts[j] = s.Facts[j], s.Facts[i] })
				}
				return trial{first: first, second: second, compare: func(a, b reply) []comparison { return append(found(a, b), found(b, a)...) }}
			},
		},
		expected: []describev1.Law{describev1.Law_LAW_UNKNOWN_NEVER_CLEARS},
	}
}
