package pool

import (
	"fmt"
	"slices"
	"strings"

	overdyev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/overdye/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func labMessage(lab trial.Lab) *typesv1.Lab { return &typesv1.Lab{L: lab.L, A: lab.A, B: lab.B} }

var predictionStandings = map[overdyev1.Standing]poolv1.PredictionStanding{
	overdyev1.Standing_STANDING_FITTED:                    poolv1.PredictionStanding_PREDICTION_STANDING_FITTED,
	overdyev1.Standing_STANDING_BORROWED:                  poolv1.PredictionStanding_PREDICTION_STANDING_BORROWED,
	overdyev1.Standing_STANDING_NOT_ENOUGH_YET:            poolv1.PredictionStanding_PREDICTION_STANDING_NOT_ENOUGH_YET,
	overdyev1.Standing_STANDING_NO_BETTER_THAN_A_RULE:     poolv1.PredictionStanding_PREDICTION_STANDING_NO_BETTER_THAN_A_RULE,
	overdyev1.Standing_STANDING_DOES_NOT_FOLLOW_THE_MODEL: poolv1.PredictionStanding_PREDICTION_STANDING_DOES_NOT_FOLLOW_THE_MODEL,
	overdyev1.Standing_STANDING_CANNOT_BE_FITTED:          poolv1.PredictionStanding_PREDICTION_STANDING_CANNOT_BE_FITTED,
}

// tell writes what the module said, with all that it stands on.
func (o *overdyeing) tell(r *overdyev1.PredictOverdyeResponse, identity *typesv1.ModuleIdentity, class overdyeClass, used map[string][]*mixture) {
	a := o.answer
	a.Headline, a.Standing, a.Colour, a.RadiusDe00, a.RadiusShare = r.GetStatement(), predictionStandings[r.GetStanding()], r.GetPrediction().GetLab(), r.RadiusDe00, r.GetRadiusShare()
	a.AnyBathRadiusDe00 = r.AnyBathRadiusDe00
	a.FirstDye, a.SecondDye, a.Fibre, a.Mordant, a.Bath = class.first, class.second, class.fibre, class.mordantPlace, class.bath()
	a.ErrorDe00, a.FromColourOnly = r.ErrorDe00, r.GetFromColourOnly()
	if f := r.GetFit(); f != nil {
		a.Retention, a.Uptake = f.Retention, f.Uptake
	}
	for _, rule := range r.GetRuleErrors() {
		a.Rules = append(a.Rules, &poolv1.RuleTried{Rule: rule.GetRule(), ErrorDe00: rule.GetMeanDe00()})
	}
	for _, m := range r.GetMissing() {
		a.Missing = append(a.Missing, m.GetText())
	}
	if x := r.GetOrder(); x != nil {
		a.Order = &poolv1.OrderPredicted{
			Answered: x.GetAnswered(), WhyNot: x.GetWhyNot(), ReversedColour: x.GetReversedLab(), DifferenceDe00: x.GetDifferenceDe00(), ReversedRadiusDe00: x.ReversedRadiusDe00,
			ToldApart: x.GetToldApart(),
		}
	}
	errors := map[string]float64{}
	for _, e := range r.GetTrialErrors() {
		errors[e.GetTrialId()] = e.GetMeanDe00()
	}
	counted := map[string]bool{}
	for _, block := range blocks(used).newest() {
		t := &poolv1.OverdyeTrialUsed{SessionId: block}
		for _, m := range used[block] {
			t.PieceIds = append(t.PieceIds, m.both.id())
			for _, s := range []*seen{m.both, m.first, m.second, m.substrate} {
				counted[s.id()] = true
			}
		}
		if e, ok := errors[block]; ok {
			t.ErrorDe00 = &e
		}
		a.Trials = append(a.Trials, t)
	}
	a.PiecesUsed = int32(len(counted))
	a.CannotTell = append(r.GetRemarks(), o.cannot...)
	if a.GetColour() != nil && o.question.SecondPiece == "" {
		strength := "how strong your own second bath will be: the answer is for one as strong as that of the plain piece it names, and no radius holds for another"
		if a.AnyBathRadiusDe00 != nil {
			strength = fmt.Sprintf("how strong your own second bath will be: the answer is for one as strong as that of the plain piece it names; for one as strong or weak as those of the trials were, the radius is %.1f", a.GetAnyBathRadiusDe00())
		}
		a.CannotTell = append(a.CannotTell, strength)
	}
	if o.question.FirstPiece == "" {
		a.CannotTell = append(a.CannotTell, "whether the first colour was read as the trials were: only its figures are known")
	}
	a.LeftOut = o.left.listed()
	for id, of := range o.used {
		a.Readings = append(a.Readings, &poolv1.ReadingUsed{ReadingId: id.String(), PieceId: of.String()})
	}
	slices.SortFunc(a.Readings, func(x, y *poolv1.ReadingUsed) int { return strings.Compare(x.GetReadingId(), y.GetReadingId()) })
	a.Modules = []*typesv1.ModuleIdentity{identity}
}
