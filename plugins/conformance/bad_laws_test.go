package conformance_test

import (
	"context"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/bathscale"
	"github.com/commonvat/commonvat/plugins/mordant"
	"github.com/commonvat/commonvat/plugins/reading"
	"github.com/commonvat/commonvat/plugins/safety"
	"github.com/commonvat/commonvat/plugins/sdk"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	mordantv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/mordant/v1"
	overdyev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/overdye/v1"
	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	readingv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/reading/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
)

func badLaws() map[string]bad {
	// only leaves the promise of one law and those that every module of the kind has to give.
	only := func(b bad, law describev1.Law, of ...string) bad {
		b.describe = func(m sdk.Module) {
			d := m.Describe
			d.LawExceptions = nil
			d.Laws = slices.DeleteFunc(d.Laws, func(p *describev1.LawPromise) bool {
				switch p.GetLaw() {
				case describev1.Law_LAW_MONOTONE, describev1.Law_LAW_SHIFT_INVARIANT, describev1.Law_LAW_LINEAR, law:
					return true
				}
				return false
			})
			d.Laws = append(d.Laws, &describev1.LawPromise{Law: law, Of: of})
		}
		return b
	}
	plain := func(_ *differencesRequest, _ int, x float64) float64 { return x }
	keepV1 := func([]proto.Message, *palettev1.MeasureWidthsResponse) {}
	keepV2 := func([]proto.Message, *palettev2.ScorePalettesResponse) {}
	keepCompare := func([]proto.Message, *comparev1.CompareOrdersResponse) {}
	firstL := func(got []proto.Message) float64 {
		for _, m := range got {
			if l := m.(*palettev1.MeasureWidthsRequest).GetColumns().GetL(); len(l) > 0 {
				return l[0]
			}
		}
		return 0
	}
	rows := func(got []proto.Message) float64 {
		return float64(got[0].(*palettev2.ScorePalettesRequest).GetHeader().GetRowCount())
	}
	return map[string]bad{
		"not-identical": only(pairwise("law identity", "want 0", func(_ *differencesRequest, _ int, x float64) float64 { return x + 0.001 }), describev1.Law_LAW_IDENTITY),
		"not-symmetric": only(pairwise("law symmetry", "", func(q *differencesRequest, i int, x float64) float64 {
			return x * (1 + 1e-6*q.GetPairs()[i].GetReference().GetL())
		}), describev1.Law_LAW_SYMMETRY),
		"by-position":          only(pairwise("law order free", "", func(_ *differencesRequest, i int, x float64) float64 { return x * (1 + float64(i)*1e-7) }), describev1.Law_LAW_ORDER_FREE),
		"not-shift-invariant":  only(pairwise("law shift invariant", "ciede2000", plain), describev1.Law_LAW_SHIFT_INVARIANT),
		"not-linear":           only(pairwise("law linear", "ciede2000", plain), describev1.Law_LAW_LINEAR),
		"widths-not-monotone":  only(widths("law monotone", "dispersion", keepV1), describev1.Law_LAW_MONOTONE, "dispersion"),
		"widths-not-shifted":   only(widths("law shift invariant", "shades", keepV1), describev1.Law_LAW_SHIFT_INVARIANT, "shades"),
		"widths-not-linear":    only(widths("law linear", "hull_volume", keepV1), describev1.Law_LAW_LINEAR, "hull_volume"),
		"widths-by-first-row":  only(widths("law order free", "chroma_range", func(got []proto.Message, a *palettev1.MeasureWidthsResponse) { addChroma(a, firstL(got)) }), describev1.Law_LAW_ORDER_FREE),
		"widths-by-replicates": only(widths("law replication free", "dispersion", weighReadings), describev1.Law_LAW_REPLICATION_FREE),
		"scores-not-monotone":  only(scores("law monotone", "dispersion", keepV2), describev1.Law_LAW_MONOTONE, "dispersion"),
		"scores-not-shifted": only(scores("law shift invariant", "lightness_range", func(got []proto.Message, a *palettev2.ScorePalettesResponse) {
			spoilScore(got, a, "lightness_range", func(_ *palettev2.GroupScores, x float64) float64 { return x * (1 + lightest(got)) })
		}), describev1.Law_LAW_SHIFT_INVARIANT),
		"scores-not-linear": only(scores("law linear", "lightness_range", func(got []proto.Message, a *palettev2.ScorePalettesResponse) {
			spoilScore(got, a, "lightness_range", func(_ *palettev2.GroupScores, x float64) float64 { return x + 1 })
		}), describev1.Law_LAW_LINEAR),
		"scores-by-first-group": only(scores("law order free", "", func(got []proto.Message, a *palettev2.ScorePalettesResponse) {
			spoilScore(got, a, "dispersion", func(g *palettev2.GroupScores, x float64) float64 {
				if g.GetGroup() == 0 {
					return 2 * x
				}
				return x
			})
		}), describev1.Law_LAW_ORDER_FREE),
		"scores-by-rows": only(scores("law replication free", "", func(got []proto.Message, a *palettev2.ScorePalettesResponse) {
			spoilScore(got, a, "dispersion", func(_ *palettev2.GroupScores, x float64) float64 { return x * rows(got) })
		}), describev1.Law_LAW_REPLICATION_FREE),
		"first-is-favoured": only(verdicts("law symmetry", "dispersion", func(_ []proto.Message, a *comparev1.CompareOrdersResponse) { a.DispersionFirst *= 1.001 }), describev1.Law_LAW_SYMMETRY),
		"verdict-by-first-row": only(verdicts("law order free", "dispersion_first", func(got []proto.Message, a *comparev1.CompareOrdersResponse) {
			for _, m := range got {
				if l := m.(*comparev1.CompareOrdersRequest).GetColumns().GetL(); len(l) > 0 {
					a.DispersionFirst, a.DispersionSecond = a.DispersionFirst+l[0]/1000, a.DispersionSecond+l[0]/1000
					return
				}
			}
		}), describev1.Law_LAW_ORDER_FREE),
		"verdict-by-rows": only(verdicts("law replication free", "dispersion_first", func(got []proto.Message, a *comparev1.CompareOrdersResponse) {
			n := float64(got[0].(*comparev1.CompareOrdersRequest).GetHeader().GetRowCount())
			a.DispersionFirst, a.DispersionSecond = a.DispersionFirst*n, a.DispersionSecond*n
		}), describev1.Law_LAW_REPLICATION_FREE),
		"verdict-not-shifted": only(verdicts("law shift invariant", "shades_first", keepCompare), describev1.Law_LAW_SHIFT_INVARIANT, "shades_first"),
		"verdict-not-linear":  only(verdicts("law linear", "hull_volume_first", keepCompare), describev1.Law_LAW_LINEAR, "hull_volume_first"),
		"predicts-by-first-trial": only(predictions("law order free", "", func(q *overdyev1.PredictOverdyeRequest, a *overdyev1.PredictOverdyeResponse) {
			if a.ErrorDe00 != nil {
				a.ErrorDe00 = proto.Float64(a.GetErrorDe00() * (1 - 1e-3*q.GetTrials()[0].GetPieces()[0].GetBoth().GetReflectance()[0]))
			}
		}), describev1.Law_LAW_ORDER_FREE),
		"predicts-by-pieces": only(predictions("law replication free", "", func(_ *overdyev1.PredictOverdyeRequest, a *overdyev1.PredictOverdyeResponse) {
			if a.ErrorDe00 != nil {
				a.ErrorDe00 = proto.Float64(a.GetErrorDe00() * (1 - 1e-3*float64(a.GetPieceCount())/2000))
			}
		}), describev1.Law_LAW_REPLICATION_FREE),
		"reading-by-position": {good: reading.Module, fails: "law order free", contract: readingV1,
			call: func(_ context.Context, req proto.Message, next func(proto.Message) (proto.Message, error)) (proto.Message, error) {
				out, err := next(req)
				if a, ok := out.(*readingv1.ComputeColoursResponse); ok && err == nil {
					for i, c := range a.GetColours() {
						if c.StrengthKs != nil {
							c.StrengthKs = proto.Float64(c.GetStrengthKs() + float64(i)/1e6)
						}
					}
				}
				return out, err
			}},
		"bath-not-linear": {good: bathscale.Module, fails: "law linear", contract: "commonvat.module.bathscale.v1",
			call: func(_ context.Context, req proto.Message, next func(proto.Message) (proto.Message, error)) (proto.Message, error) {
				out, err := next(req)
				if a, ok := out.(*bathscalev1.ScaleBathsResponse); ok && err == nil {
					for _, bath := range a.GetBaths() {
						for _, load := range bath.GetLoads() {
							for _, m := range load.GetAmounts() {
								m.MeantG += 0.01
							}
						}
					}
				}
				return out, err
			}},
		// Whoever doesn't say whether the vessel is sealed hears of nothing.
		"unknown-clears": judgements("law unknown never clears", func(q *safetyv1.StepFacts, _ int) bool {
			return !slices.ContainsFunc(q.GetFacts(), func(f *safetyv1.Fact) bool { return f.GetField() == "vessel.sealed" })
		}),
		// Whoever doesn't say so is told of a caution where it was a stop.
		"unknown-softens": softened("law unknown never clears", func(q *safetyv1.StepFacts) bool {
			return !slices.ContainsFunc(q.GetFacts(), func(f *safetyv1.Fact) bool { return f.GetField() == "vessel.sealed" })
		}),
		"judged-by-place": judgements("law order free", func(_ *safetyv1.StepFacts, place int) bool { return place == 0 }),
		// The member's refusals are lost on the way.
		"chooses-the-refused": mordants("law refused never chosen", func(q *mordantv1.SelectMordantsRequest) { q.Refused = nil }, nil),
		// What it doesn't know it takes for a flavonoid.
		"guesses-the-unknown": mordants("law unknown is asked", func(q *mordantv1.SelectMordantsRequest) {
			for _, d := range q.GetDyestuffs() {
				if strings.HasPrefix(d.GetName(), "no such dyestuff") && d.GetDyeClass() == "" {
					d.DyeClass = "flavonoid"
				}
			}
		}, nil),
		// Not by itself, and yet in a bath.
		"chooses-the-refused-beside-another": mordants("law refused never chosen", nil, func(q *mordantv1.SelectMordantsRequest, a *mordantv1.SelectMordantsResponse) {
			if len(q.GetRefused()) == 0 {
				return
			}
			for _, f := range a.GetFibres() {
				for _, c := range f.GetChoices() {
					for _, s := range c.GetSteps() {
						s.With = append(s.With, &mordantv1.MordantMaterial{Material: slices.Min(q.GetRefused())})
					}
				}
			}
		}),
		"knows-what-is-at-hand-by-the-first": mordants("law order free", func(q *mordantv1.SelectMordantsRequest) { q.Store = q.GetStore()[:min(1, len(q.GetStore()))] }, nil),
		"asks-by-the-first-fibre": mordants("law order free", nil, func(q *mordantv1.SelectMordantsRequest, a *mordantv1.SelectMordantsResponse) {
			for _, back := range a.GetQuestions() {
				back.Text += " It is for " + q.GetFibres()[0] + "."
			}
		}),
		"favours-the-first-fibre": mordants("law order free", nil, func(_ *mordantv1.SelectMordantsRequest, a *mordantv1.SelectMordantsResponse) {
			for _, f := range a.GetFibres()[min(1, len(a.GetFibres())):] {
				f.Choices = f.GetChoices()[:min(1, len(f.GetChoices()))]
			}
		}),
		"promise-without-value": {good: spread, fails: "law monotone", contract: paletteV2, says: "dispersion has no value in any",
			describe: func(m sdk.Module) {
				lightness := []string{"lightness_range"}
				m.Describe.Laws = []*describev1.LawPromise{
					{Law: describev1.Law_LAW_ORDER_FREE, Of: lightness}, {Law: describev1.Law_LAW_REPLICATION_FREE, Of: lightness}, {Law: describev1.Law_LAW_MONOTONE},
				}
				m.Describe.LawExceptions = []*describev1.LawException{
					{Law: describev1.Law_LAW_ORDER_FREE, Of: []string{"dispersion"}, Reason: "It has no value."},
					{Law: describev1.Law_LAW_REPLICATION_FREE, Of: []string{"dispersion"}, Reason: "It has no value."},
				}
			},
			sends: func(got []proto.Message, out proto.Message) {
				if a, ok := out.(*palettev2.ScorePalettesResponse); ok {
					if i := slices.Index(asked(got), "dispersion"); i >= 0 {
						for _, g := range a.GetGroups() {
							g.Scores[i] = &palettev2.ScoreValue{NotComputed: "never"}
						}
					}
				}
			}},
	}
}

// judgements makes a bad safety module that finds nothing in some steps.
func judgements(fails string, nothing func(q *safetyv1.StepFacts, place int) bool) bad {
	return judging(fails, func(q *safetyv1.StepFacts, place int, s *safetyv1.StepFindings) {
		if nothing(q, place) {
			s.Findings = nil
		}
	})
}

// softened makes a bad safety module that calls nothing a stop in some steps.
func softened(fails string, soft func(q *safetyv1.StepFacts) bool) bad {
	return judging(fails, func(q *safetyv1.StepFacts, _ int, s *safetyv1.StepFindings) {
		for _, f := range s.GetFindings() {
			if f.GetSeverity() == safetyv1.Severity_SEVERITY_STOP && soft(q) {
				f.Severity = safetyv1.Severity_SEVERITY_CAUTION
			}
		}
	})
}

// judging makes a bad safety module that changes what it finds in steps.
func judging(fails string, change func(q *safetyv1.StepFacts, place int, s *safetyv1.StepFindings)) bad {
	return bad{good: safety.Module, fails: fails, contract: "commonvat.module.safety.v1",
		call: func(_ context.Context, req proto.Message, next func(proto.Message) (proto.Message, error)) (proto.Message, error) {
			out, err := next(req)
			if a, ok := out.(*safetyv1.JudgeStepsResponse); ok && err == nil {
				for i, s := range a.GetSteps() {
					change(req.(*safetyv1.JudgeStepsRequest).GetSteps()[i], i, s)
				}
			}
			return out, err
		}}
}

// mordants makes a bad mordant module that hears another question, or changes its answer.
func mordants(fails string, hears func(q *mordantv1.SelectMordantsRequest), says func(q *mordantv1.SelectMordantsRequest, a *mordantv1.SelectMordantsResponse)) bad {
	return bad{good: mordant.Module, fails: fails, contract: "commonvat.module.mordant.v1",
		call: func(_ context.Context, req proto.Message, next func(proto.Message) (proto.Message, error)) (proto.Message, error) {
			if q, ok := req.(*mordantv1.SelectMordantsRequest); ok && hears != nil {
				req = proto.CloneOf(q)
				// What is wrong with the list is still told.
				if len(q.GetRefused()) <= 50 {
					hears(req.(*mordantv1.SelectMordantsRequest))
				}
			}
			out, err := next(req)
			if a, ok := out.(*mordantv1.SelectMordantsResponse); ok && err == nil && says != nil {
				says(req.(*mordantv1.SelectMordantsRequest), a)
			}
			return out, err
		}}
}
