package pipeline

import (
	"context"

	overdyev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/overdye/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// KindOverdye predicts what a second bath does.
const KindOverdye = "overdye"

// Limits of overdye.proto.
const (
	MaxOverdyeTrials      = 200
	MaxOverdyeTrialPieces = 50
	MaxOverdyePieces      = 2000
	MaxFromColour         = 43 // wavelengths, where a curve is given as a colour
)

// PredictOverdye asks the overdye module and checks its answer. Errors: *ModuleError; ctx.Err().
func (p *Pipeline) PredictOverdye(ctx context.Context, q *overdyev1.PredictOverdyeRequest) (*overdyev1.PredictOverdyeResponse, *typesv1.ModuleIdentity, error) {
	h, err := p.acquire(KindOverdye)
	if err != nil {
		return nil, nil, err
	}
	defer h.handle.Release()
	r, err := overdyev1.NewOverdyeServiceClient(h.handle).PredictOverdye(ctx, q)
	if err != nil {
		return nil, nil, h.failed(ctx, err)
	}
	for _, check := range []func(*overdyev1.PredictOverdyeRequest, *overdyev1.PredictOverdyeResponse) error{h.checkPrediction, h.checkErrors, h.checkOrder} {
		if err := check(q, r); err != nil {
			return nil, nil, err
		}
	}
	return r, h.identity(), nil
}

// checkPrediction refuses what predicts without right, and figures that can't be.
func (h *hold) checkPrediction(q *overdyev1.PredictOverdyeRequest, r *overdyev1.PredictOverdyeResponse) error {
	published := r.GetStanding() == overdyev1.Standing_STANDING_FITTED || r.GetStanding() == overdyev1.Standing_STANDING_BORROWED
	guess := r.GetStanding() == overdyev1.Standing_STANDING_NOT_ENOUGH_YET
	switch {
	case r.GetStanding() <= 0 || r.GetStanding() > overdyev1.Standing_STANDING_CANNOT_BE_FITTED:
		return h.blame("standing is %v; allowed: a known one", r.GetStanding())
	case r.GetStatement() == "":
		return h.blame("statement is missing")
	case int(r.GetTrialCount()) != len(q.GetTrials()):
		return h.blame("trial_count is %d; allowed: %d, as sent", r.GetTrialCount(), len(q.GetTrials()))
	case len(q.GetTrials()) == 0 && !guess:
		return h.blame("standing is %v without a trial; allowed: NOT_ENOUGH_YET", r.GetStanding())
	case published && (r.GetPrediction() == nil || r.GetFit() == nil || r.ErrorDe00 == nil):
		return h.blame("prediction, fit or error_de00 is missing; required with %v", r.GetStanding())
	case r.GetPrediction() != nil && !published && !guess:
		return h.blame("prediction is given with %v; allowed: none", r.GetStanding())
	case guess && len(r.GetMissing()) == 0:
		return h.blame("missing is empty; required with NOT_ENOUGH_YET")
	case r.RadiusDe00 != nil && r.GetStanding() != overdyev1.Standing_STANDING_FITTED:
		return h.blame("radius_de00 is given with %v; allowed: with FITTED only", r.GetStanding())
	case r.RadiusDe00 != nil && (!finite(r.GetRadiusDe00()) || r.GetRadiusDe00() < 0):
		return h.blame("radius_de00 is %v; allowed: 0 or above", r.GetRadiusDe00())
	case r.RadiusDe00 != nil && r.GetRadiusShare() > float64(len(q.GetTrials()))/float64(len(q.GetTrials())+1)+1e-9:
		return h.blame("radius_de00 is given for %v of %d trials, which are too few for it", r.GetRadiusShare(), len(q.GetTrials()))
	case r.AnyBathRadiusDe00 != nil && (r.RadiusDe00 == nil || !finite(r.GetAnyBathRadiusDe00()) || r.GetAnyBathRadiusDe00() < 0):
		return h.blame("any_bath_radius_de00 is %v; allowed: 0 or above, with radius_de00 only", r.GetAnyBathRadiusDe00())
	case !(r.GetRadiusShare() >= 0.5 && r.GetRadiusShare() <= 0.99):
		return h.blame("radius_share is %v; allowed: 0.5 to 0.99", r.GetRadiusShare())
	}
	if p := r.GetPrediction(); p != nil {
		if p.GetLab() == nil || !labInRange(p.GetLab()) {
			return h.blame("prediction.lab is (%v, %v, %v); allowed: L* 0 to 150, a* and b* -200 to 200", p.GetLab().GetL(), p.GetLab().GetA(), p.GetLab().GetB())
		}
		if len(p.GetReflectance()) != int(q.GetWavelengthCount()) {
			return h.blame("prediction.reflectance has %d factors for %d wavelengths", len(p.GetReflectance()), q.GetWavelengthCount())
		}
		for i, x := range p.GetReflectance() {
			if !(x >= 0 && x <= 2) {
				return h.blame("prediction.reflectance[%d] is %v; allowed: 0 to 2", i, x)
			}
		}
	}
	for i, m := range r.GetMissing() {
		if m.GetWhat() == "" || m.GetText() == "" || m.GetCount() < 1 {
			return h.blame("missing[%d] is %q, %d, %q; allowed: what and text, and a count of at least 1", i, m.GetWhat(), m.GetCount(), m.GetText())
		}
	}
	return h.checkFit("fit", r.GetFit())
}

func (h *hold) checkFit(field string, f *overdyev1.OverdyeFit) error {
	if f == nil {
		return nil
	}
	for _, x := range []struct {
		name  string
		value float64
	}{
		{"retention", f.GetRetention()}, {"uptake", f.GetUptake()}, {"retention_plus_uptake", f.GetRetentionPlusUptake()},
		{"related_retention", f.GetRelatedRetention()}, {"related_uptake", f.GetRelatedUptake()},
	} {
		if !finite(x.value) || x.value < 0 {
			return h.blame("%s.%s is %v; allowed: 0 or above", field, x.name, x.value)
		}
	}
	switch {
	case (f.Retention == nil) != (f.Uptake == nil):
		return h.blame("only one of %s.retention and %s.uptake is given", field, field)
	case !(f.GetCosine() >= -1-1e-9 && f.GetCosine() <= 1+1e-9):
		return h.blame("%s.cosine is %v; allowed: -1 to 1", field, f.GetCosine())
	}
	return nil
}

// checkErrors refuses a model that predicts and is no better than a rule, and errors of trials that weren't sent.
func (h *hold) checkErrors(q *overdyev1.PredictOverdyeRequest, r *overdyev1.PredictOverdyeResponse) error {
	if !finite(r.GetErrorDe00()) || r.GetErrorDe00() < 0 {
		return h.blame("error_de00 is %v; allowed: 0 or above", r.GetErrorDe00())
	}
	published := r.GetStanding() == overdyev1.Standing_STANDING_FITTED || r.GetStanding() == overdyev1.Standing_STANDING_BORROWED
	if published && len(r.GetRuleErrors()) == 0 {
		return h.blame("rule_errors is empty; required with %v", r.GetStanding())
	}
	for i, rule := range r.GetRuleErrors() {
		switch {
		case rule.GetRule() == "" || !finite(rule.GetMeanDe00()) || rule.GetMeanDe00() < 0:
			return h.blame("rule_errors[%d] is %q with %v; allowed: a name, and 0 or above", i, rule.GetRule(), rule.GetMeanDe00())
		case published && r.GetErrorDe00() >= rule.GetMeanDe00():
			return h.blame("standing is %v with error_de00 %v, and the rule %q has %v; allowed: where it is smaller than of every rule", r.GetStanding(), r.GetErrorDe00(), rule.GetRule(), rule.GetMeanDe00())
		}
	}
	sent := map[string]bool{}
	for _, t := range q.GetTrials() {
		sent[t.GetTrialId()] = true
	}
	for i, e := range r.GetTrialErrors() {
		if !sent[e.GetTrialId()] || !finite(e.GetMeanDe00()) || !finite(e.GetMaxDe00()) || e.GetMeanDe00() < 0 || e.GetMaxDe00() < e.GetMeanDe00()*(1-1e-9) {
			return h.blame("trial_errors[%d] is %.80q with %v and %v; allowed: each trial that was sent once, a mean from 0 on and a largest not below it", i, e.GetTrialId(), e.GetMeanDe00(), e.GetMaxDe00())
		}
		delete(sent, e.GetTrialId())
	}
	return nil
}

// checkOrder refuses an answer on the order by a model that is blind to it.
func (h *hold) checkOrder(q *overdyev1.PredictOverdyeRequest, r *overdyev1.PredictOverdyeResponse) error {
	o := r.GetOrder()
	switch {
	case q.GetAskOrder() != (o != nil):
		return h.blame("order is given: %v, with ask_order %v", o != nil, q.GetAskOrder())
	case o == nil:
		return nil
	case !o.GetAnswered():
		if o.GetWhyNot() == "" || o.GetReversedLab() != nil || o.GetToldApart() {
			return h.blame("order.why_not is missing, or there is an answer beside it")
		}
		return nil
	case r.GetStanding() != overdyev1.Standing_STANDING_FITTED || len(q.GetReversedTrials()) == 0:
		return h.blame("order.answered is true with %v and %d reversed trials; allowed: where both orders are fitted", r.GetStanding(), len(q.GetReversedTrials()))
	case o.GetReversedLab() == nil || !labInRange(o.GetReversedLab()):
		return h.blame("order.reversed_lab is missing or out of range")
	case !finite(o.GetDifferenceDe00()) || o.GetDifferenceDe00() < 0 || !finite(o.GetReversedRadiusDe00()) || o.GetReversedRadiusDe00() < 0:
		return h.blame("order.difference_de00 is %v and reversed_radius_de00 %v; allowed: 0 or above", o.GetDifferenceDe00(), o.GetReversedRadiusDe00())
	case o.GetToldApart() && (r.RadiusDe00 == nil || o.ReversedRadiusDe00 == nil || o.GetDifferenceDe00() <= r.GetRadiusDe00()+o.GetReversedRadiusDe00()):
		return h.blame("order.told_apart is true with a difference of %v; allowed: where it is larger than both radii together", o.GetDifferenceDe00())
	}
	return h.checkFit("order.reversed_fit", o.GetReversedFit())
}
