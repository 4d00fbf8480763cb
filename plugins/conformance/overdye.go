package conformance

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/sdk"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	overdyev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/overdye/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

const maxOverdyeTrials = 200 // overdye.proto

// pots makes trials of a yellow and a blue dye on wool, with a retention and an uptake and a little noise.
type pots struct {
	r                 *rand.Rand
	retention, uptake float64
}

// cloth is the reflectance of K/S that a little yellow and a little blue make.
func (p pots) cloth(yellow, blue, noise float64) *overdyev1.OverdyeCurve {
	out := make([]float64, 31)
	for i := range out {
		nm := 400 + 10*float64(i)
		k := 0.1 + yellow*math.Exp(-(nm-430)*(nm-430)/3000) + blue*math.Exp(-(nm-620)*(nm-620)/7000)
		out[i] = 1 / (1 + k + math.Sqrt(k*(k+2))) * (1 + noise*(p.r.Float64()-0.5))
	}
	return &overdyev1.OverdyeCurve{Reflectance: out}
}

func (p pots) piece(turned bool) (*overdyev1.OverdyeColours, *overdyev1.OverdyeCurve) {
	yellow, blue := 2+3*p.r.Float64(), 2+3*p.r.Float64()
	c := &overdyev1.OverdyeColours{Substrate: p.cloth(0, 0, 0.01), First: p.cloth(yellow, 0, 0.01), Second: p.cloth(0, blue, 0.01)}
	both := p.cloth(p.retention*yellow, p.uptake*blue, 0.02)
	if turned {
		c.First, c.Second = c.Second, c.First
		both = p.cloth(p.uptake*yellow, p.retention*blue, 0.02)
	}
	return c, both
}

func (p pots) trials(n int, turned bool) (out []*overdyev1.OverdyeTrial) {
	for i := range n {
		t := &overdyev1.OverdyeTrial{TrialId: fmt.Sprintf("trial %03d", i)}
		for range 1 + i%2 {
			c, both := p.piece(turned)
			t.Pieces = append(t.Pieces, &overdyev1.OverdyePiece{Colours: c, Both: both})
		}
		out = append(out, t)
	}
	return out
}

// asks makes a question: so many trials, related ones and, unless below 0, those of the reversed order.
func (p pots) asks(trials, related, reversed int) *overdyev1.PredictOverdyeRequest {
	c, _ := p.piece(false)
	req := &overdyev1.PredictOverdyeRequest{
		Condition: daylight(), StartNm: 400, StepNm: 10, WavelengthCount: 31, Trials: p.trials(trials, false), RelatedTrials: p.trials(related, false), Piece: c,
		OverdyeClass: &overdyev1.OverdyeClass{FirstDye: "weld", SecondDye: "indigo", Fibre: "wool", Mordant: "alum", Bath: "vat"}, RadiusShare: 0.9,
	}
	if reversed >= 0 {
		req.AskOrder, req.ReversedTrials = true, p.trials(reversed, true)
	}
	return req
}

func overdyeV1() *contract {
	follow := func(r *rand.Rand) pots { return pots{r, 0.5, 0.7} }
	return &contract{
		name: "commonvat.module.overdye.v1", kind: sdk.KindOverdye, method: overdyev1.OverdyeService_PredictOverdye_FullMethodName,
		newReply: func() proto.Message { return &overdyev1.PredictOverdyeResponse{} },
		plain: func(r *rand.Rand, _ *module) []question {
			p, hidden := follow(r), pots{r, 0, 1}
			colours := p.asks(2, 5, -1)
			colours.Piece.First = &overdyev1.OverdyeCurve{Lab: &typesv1.Lab{L: 75, A: 5, B: 40}}
			return []question{{p.asks(0, 0, -1)}, {p.asks(5, 0, -1)}, {colours}, {p.asks(0, 0, 0)}, {p.asks(3, 6, 12)}, {p.asks(12, 0, 12)}, {hidden.asks(6, 0, 6)}, {pots{r, 1.5, 0.7}.asks(6, 0, -1)}}
		},
		largest: func(m *module) question {
			return question{follow(m.random("largest")).asks(maxOverdyeTrials, maxOverdyeTrials, maxOverdyeTrials)}
		},
		beyond: func(m *module) []refusal {
			p := follow(m.random("beyond"))
			return []refusal{
				{"trials has 201 entries", question{p.asks(maxOverdyeTrials+1, 0, -1)}, []string{"trials"}},
				{"related_trials has 201 entries", question{p.asks(1, maxOverdyeTrials+1, -1)}, []string{"related_trials"}},
			}
		},
		tooBig: func(m *module) question {
			q := follow(m.random("too big")).asks(0, 0, -1)
			q.OverdyeClass.Bath = strings.Repeat("x", sdk.MaxMessageBytes+1)
			return question{q}
		},
		empty: func(m *module) []refusal {
			without := follow(m.random("empty")).asks(2, 0, -1)
			without.Trials[1].Pieces = nil
			return []refusal{
				{"the request is empty", question{&overdyev1.PredictOverdyeRequest{}}, []string{"condition", "start_nm", "overdye_class", "piece"}},
				{"a trial without pieces", question{without}, []string{"pieces"}},
			}
		},
		invalid: func(m *module) []refusal { return invalidOverdyes(m, follow) },
		sound:   soundOverdye,
		items:   oneItem,
		laws: map[describev1.Law]lawTrial{
			describev1.Law_LAW_ORDER_FREE: func(r *rand.Rand, _ *module, size int) trial {
				first := question{follow(r).asks(1+size%14, size%7, size%14)}
				second := first.clone()
				q := second[0].(*overdyev1.PredictOverdyeRequest)
				for _, list := range [][]*overdyev1.OverdyeTrial{q.Trials, q.RelatedTrials, q.ReversedTrials} {
					r.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
					for _, t := range list {
						r.Shuffle(len(t.Pieces), func(i, j int) { t.Pieces[i], t.Pieces[j] = t.Pieces[j], t.Pieces[i] })
					}
				}
				return trial{first: first, second: second, compare: func(a, b reply) []comparison { return pairUp(overdyeFigures(a), overdyeFigures(b), false) }}
			},
			// Each piece twice is the same trial.
			describev1.Law_LAW_REPLICATION_FREE: func(r *rand.Rand, _ *module, size int) trial {
				first := question{follow(r).asks(1+size%14, size%7, size%14)}
				second := first.clone()
				q := second[0].(*overdyev1.PredictOverdyeRequest)
				for _, list := range [][]*overdyev1.OverdyeTrial{q.Trials, q.RelatedTrials, q.ReversedTrials} {
					for _, t := range list {
						t.Pieces = append(t.Pieces, t.Pieces...)
					}
				}
				return trial{first: first, second: second, compare: func(a, b reply) []comparison { return pairUp(overdyeFigures(a), overdyeFigures(b), false) }}
			},
		},
		expected: []describev1.Law{describev1.Law_LAW_ORDER_FREE, describev1.Law_LAW_REPLICATION_FREE},
	}
}

func invalidOverdyes(m *module, follow func(*rand.Rand) pots) []refusal {
	fresh := func() *overdyev1.PredictOverdyeRequest { return follow(m.random("invalid")).asks(3, 2, 2) }
	out := badConditions(func(c *typesv1.ColourCondition) question {
		q := fresh()
		q.Condition = c
		return question{q}
	})
	bad := func(what string, spoil func(*overdyev1.PredictOverdyeRequest), names ...string) {
		q := fresh()
		spoil(q)
		out = append(out, refusal{what, question{q}, names})
	}
	type request = overdyev1.PredictOverdyeRequest
	bad("start_nm is 299", func(q *request) { q.StartNm = 299 }, "start_nm")
	bad("step_nm is 7", func(q *request) { q.StepNm = 7 }, "step_nm")
	bad("wavelength_count is 30", func(q *request) { q.WavelengthCount = 30 }, "wavelength_count", "reflectance")
	bad("the curves end at 690 nm", func(q *request) { q.StartNm, q.StepNm = 390, 10 }, "wavelength_count")
	bad("overdye_class is missing", func(q *request) { q.OverdyeClass = nil }, "overdye_class")
	bad("first_dye is empty", func(q *request) { q.OverdyeClass.FirstDye = "" }, "first_dye")
	bad("one trial twice", func(q *request) { q.Trials[1].TrialId = q.Trials[0].TrialId }, "trial_id")
	bad("piece is missing", func(q *request) { q.Piece = nil }, "piece")
	bad("piece.second is missing", func(q *request) { q.Piece.Second = nil }, "second")
	bad("a curve that is too short", func(q *request) { q.Trials[2].Pieces[0].Both.Reflectance = q.Trials[2].Pieces[0].Both.Reflectance[1:] }, "reflectance")
	bad("a reflectance of -0.1", func(q *request) { q.Trials[0].Pieces[0].Colours.First.Reflectance[7] = -0.1 }, "reflectance")
	bad("a reflectance of 2.1", func(q *request) { q.RelatedTrials[0].Pieces[0].Both.Reflectance[7] = 2.1 }, "reflectance")
	bad("a curve and a colour at once", func(q *request) { q.Piece.First.Lab = &typesv1.Lab{L: 50} }, "lab", "first")
	bad("a colour that no curve has", func(q *request) { q.Piece.First = &overdyev1.OverdyeCurve{Lab: &typesv1.Lab{L: 99, A: 90, B: -90}} }, "lab", "first")
	bad("an L* of 300", func(q *request) { q.Piece.First = &overdyev1.OverdyeCurve{Lab: &typesv1.Lab{L: 300}} }, "l", "lab")
	bad("radius_share is 0.4", func(q *request) { q.RadiusShare = 0.4 }, "radius_share")
	bad("reversed trials that aren't asked for", func(q *request) { q.AskOrder = false }, "reversed_trials")
	bad("a parameter that there isn't", func(q *request) {
		q.Parameters = []*describev1.ParameterValue{{Name: "no_such_parameter", Value: &describev1.ParameterValue_Number{Number: 1}}}
	}, "parameters", "name")
	return out
}

// soundOverdye holds an answer to what the contract promises whoever reads it.
func soundOverdye(_ *module, q question, a reply) error {
	asked, got := q[0].(*overdyev1.PredictOverdyeRequest), a[0].(*overdyev1.PredictOverdyeResponse)
	standing := got.GetStanding()
	published := standing == overdyev1.Standing_STANDING_FITTED || standing == overdyev1.Standing_STANDING_BORROWED
	guess := standing == overdyev1.Standing_STANDING_NOT_ENOUGH_YET
	if _, ok := overdyev1.Standing_name[int32(standing)]; !ok || standing == 0 {
		return fmt.Errorf("standing is %v, want a known one", standing)
	}
	least := math.Inf(1)
	for i, r := range got.GetRuleErrors() {
		if r.GetRule() == "" || r.GetMeanDe00() < 0 {
			return fmt.Errorf("rule_errors[%d] has no rule, or an error below 0", i)
		}
		least = min(least, r.GetMeanDe00())
	}
	switch {
	case got.GetStatement() == "":
		return errors.New("statement is empty, want one sentence")
	case int(got.GetTrialCount()) != len(asked.GetTrials()):
		return fmt.Errorf("trial_count is %d for %d trials", got.GetTrialCount(), len(asked.GetTrials()))
	case got.GetPrediction() != nil && !published && !guess:
		return fmt.Errorf("prediction is there with %v, which predicts nothing", standing)
	case published && (got.GetPrediction() == nil || got.GetFit() == nil || got.ErrorDe00 == nil || len(got.GetRuleErrors()) == 0):
		return fmt.Errorf("prediction, fit, error_de00 or rule_errors is missing with %v", standing)
	case published && !(got.GetErrorDe00() < least):
		return fmt.Errorf("error_de00 is %v with %v, and a simple rule has %v: a model that is no better must not predict", got.GetErrorDe00(), standing, least)
	case got.GetPrediction() != nil && (len(got.GetPrediction().GetReflectance()) != int(asked.GetWavelengthCount()) || got.GetPrediction().GetLab() == nil):
		return fmt.Errorf("prediction has %d factors for %d wavelengths, or no lab", len(got.GetPrediction().GetReflectance()), asked.GetWavelengthCount())
	case guess && len(got.GetMissing()) == 0:
		return errors.New("missing is empty with NOT_ENOUGH_YET")
	case len(asked.GetTrials()) == 0 && !guess:
		return fmt.Errorf("standing is %v without a trial", standing)
	case got.RadiusDe00 != nil && (standing != overdyev1.Standing_STANDING_FITTED || float64(len(asked.GetTrials())) < asked.GetRadiusShare()/(1-asked.GetRadiusShare())-1e-9):
		return fmt.Errorf("radius_de00 is there with %v and %d trials, which are too few for %v", standing, len(asked.GetTrials()), asked.GetRadiusShare())
	case got.RadiusDe00 != nil && got.GetRadiusDe00() < 0:
		return fmt.Errorf("radius_de00 is %v", got.GetRadiusDe00())
	case got.AnyBathRadiusDe00 != nil && (got.RadiusDe00 == nil || got.GetAnyBathRadiusDe00() < 0):
		return fmt.Errorf("any_bath_radius_de00 is %v, want 0 or above, and radius_de00 beside it", got.GetAnyBathRadiusDe00())
	case asked.GetAskOrder() != (got.GetOrder() != nil):
		return fmt.Errorf("order is there: %v, with ask_order %v", got.GetOrder() != nil, asked.GetAskOrder())
	case got.GetOrder().GetAnswered() && (standing != overdyev1.Standing_STANDING_FITTED || len(asked.GetReversedTrials()) == 0):
		return fmt.Errorf("order is answered with %v and %d reversed trials: a model that wasn't fitted is blind to the order", standing, len(asked.GetReversedTrials()))
	case got.GetOrder() != nil && got.GetOrder().GetAnswered() == (got.GetOrder().GetWhyNot() != ""):
		return errors.New("order.why_not has to be there unless it is answered")
	case got.GetOrder().GetToldApart() && (got.RadiusDe00 == nil || got.GetOrder().ReversedRadiusDe00 == nil):
		return errors.New("order.told_apart without both radii")
	}
	for i, r := range got.GetPrediction().GetReflectance() {
		if !(r >= 0 && r <= 2) {
			return fmt.Errorf("prediction.reflectance[%d] is %v, want 0 to 2", i, r)
		}
	}
	return nil
}

// overdyeFigures are what the order of trials must not change.
func overdyeFigures(a reply) []comparison {
	got := a[0].(*overdyev1.PredictOverdyeResponse)
	out := []comparison{
		{at: "standing", want: value(float64(got.GetStanding()))}, {at: "error_de00", want: got.ErrorDe00}, {at: "radius_de00", want: got.RadiusDe00}, {at: "any_bath_radius_de00", want: got.AnyBathRadiusDe00},
		{at: "retention_plus_uptake", want: value(got.GetFit().GetRetentionPlusUptake())}, {at: "order.difference_de00", want: value(got.GetOrder().GetDifferenceDe00())},
		{at: "lab.l", want: value(got.GetPrediction().GetLab().GetL())}, {at: "lab.a", want: value(got.GetPrediction().GetLab().GetA())},
		{at: "lab.b", want: value(got.GetPrediction().GetLab().GetB())},
	}
	for _, r := range got.GetRuleErrors() {
		out = append(out, comparison{at: "rule_errors " + r.GetRule(), want: value(r.GetMeanDe00())})
	}
	return out
}
