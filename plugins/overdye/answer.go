package overdye

import (
	"context"
	"fmt"
	"math"

	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/overdye/retention"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	overdyev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/overdye/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

var standings = map[retention.Standing]overdyev1.Standing{
	retention.NotFitted:     overdyev1.Standing_STANDING_NOT_ENOUGH_YET,
	retention.Borrowed:      overdyev1.Standing_STANDING_BORROWED,
	retention.Fitted:        overdyev1.Standing_STANDING_FITTED,
	retention.NoBetter:      overdyev1.Standing_STANDING_NO_BETTER_THAN_A_RULE,
	retention.DoesNotFollow: overdyev1.Standing_STANDING_DOES_NOT_FOLLOW_THE_MODEL,
	retention.NoFit:         overdyev1.Standing_STANDING_CANNOT_BE_FITTED,
}

// ruleWords say of each rule what it is.
var ruleWords = map[retention.Rule]string{
	retention.RuleLabMean:       "halfway between the two colours",
	retention.RuleProduct:       "the two colours as filters one behind the other",
	retention.RuleGeometricMean: "the geometric mean of the two reflectances",
	retention.RuleLastDye:       "the second dye hides the first",
	retention.RuleAdditive:      "both dyes simply add up",
}

// tell gives all of the model but the prediction and what hangs on it.
func (q *question) tell(m *retention.Model) *overdyev1.PredictOverdyeResponse {
	out := &overdyev1.PredictOverdyeResponse{
		Standing: standings[m.Standing], Fit: fit(m), RadiusDe00: m.Radius, AnyBathRadiusDe00: m.AnyBathRadius, RadiusShare: q.share, TrialCount: int32(m.Trials), PieceCount: int32(m.Pieces),
		ClippedReadings: int32(m.Clipped), FromColourOnly: q.fromColour,
	}
	if len(m.Left) > 0 {
		out.ErrorDe00 = &m.MeanDE00
	}
	for _, e := range m.Left {
		out.TrialErrors = append(out.TrialErrors, &overdyev1.TrialError{TrialId: e.ID, MeanDe00: e.MeanDE00, MaxDe00: e.MaxDE00})
	}
	for _, r := range m.Rules {
		out.RuleErrors = append(out.RuleErrors, &overdyev1.RuleError{Rule: string(r.Rule), MeanDe00: r.MeanDE00})
	}
	if n := retention.LeastTrials - m.Trials; n > 0 {
		out.Missing = append(out.Missing, missing("trials", n, q.of.GetFirstDye(), q.of.GetSecondDye(), q.of, q.of.GetBath()))
	}
	if m.Clipped > 0 {
		out.Remarks = append(out.Remarks, fmt.Sprintf("%d readings are below 0.005 or above 0.995 and were taken as that: their strength is not known better", m.Clipped))
	}
	if q.fromColour {
		out.Remarks = append(out.Remarks, colorimetry.FromColourOnly+": for at least one piece there is a colour and no curve; many curves have one colour, and the answer may be off by that")
	}
	return out
}

func missing(what string, n int, first, second string, of *overdyev1.OverdyeClass, bath string) *overdyev1.Missing {
	text := fmt.Sprintf("%d more %s with %s first and %s second", n, plural(n, "trial"), first, second)
	for _, w := range []struct{ before, word string }{{" on ", of.GetFibre()}, {", mordant ", of.GetMordant()}, {", second bath ", bath}} {
		if w.word != "" {
			text += w.before + w.word
		}
	}
	return &overdyev1.Missing{What: what, Count: int32(n), Text: text + ", each in pots of its own, with a plain piece in every pot"}
}

func plural(n int, word string) string {
	if n == 1 {
		return word
	}
	return word + "s"
}

// fit is nil where nothing was fitted.
func fit(m *retention.Model) *overdyev1.OverdyeFit {
	if m.Standing == retention.NotFitted || m.Standing == retention.NoFit {
		return nil
	}
	out := &overdyev1.OverdyeFit{RetentionPlusUptake: m.Retention + m.Uptake, Cosine: m.Cosine}
	if m.Separable {
		out.Retention, out.Uptake = &m.Retention, &m.Uptake
	}
	if m.Toward != nil {
		out.RelatedRetention, out.RelatedUptake = &m.Toward.Retention, &m.Toward.Uptake
	}
	return out
}

func prediction(p retention.Prediction) *overdyev1.OverdyePrediction {
	return &overdyev1.OverdyePrediction{Lab: &typesv1.Lab{L: p.Lab.L, A: p.Lab.A, B: p.Lab.B}, Reflectance: p.Reflectance}
}

// doubts are what weakens a prediction.
func (q *question) doubts(m *retention.Model, p retention.Prediction) (out []string) {
	if m.Standing == retention.Borrowed {
		out = append(out, fmt.Sprintf("borrowed: %d %s of this class are too few to stand alone, and were drawn toward other pairs", m.Trials, plural(m.Trials, "trial")))
	}
	if m.Standing.Published() && !m.Separable {
		out = append(out, "the two dyes are too alike in shape to tell how much of each is left; only both together are known")
	}
	if p.Clamped > 0 {
		out = append(out, fmt.Sprintf("at %d wavelengths the dyes would make the piece lighter than white, which was taken as white", p.Clamped))
	}
	strongest := 0.0
	for _, r := range p.Reflectance {
		k, _ := colorimetry.KS(r)
		strongest = max(strongest, k)
	}
	if strongest > colorimetry.SaturationKS {
		out = append(out, fmt.Sprintf("the strongest K/S is %.1f; above about %g it no longer grows with the dye", strongest, float64(colorimetry.SaturationKS)))
	}
	if !m.Standing.Published() {
		return out
	}
	for i, dye := range []string{q.of.GetFirstDye(), q.of.GetSecondDye()} {
		low, high := q.depths(i)
		if d := depth(q.piece, i); d > 1.1*high || d < 0.9*low {
			out = append(out, fmt.Sprintf("%s alone is of a depth that no trial of the class has (%.3g against %.3g to %.3g, mean K/S beyond the substrate): predicted beyond what was tried", dye, d, low, high))
		}
	}
	return out
}

// depths are the least and the greatest depth of a dye alone over the trials.
func (q *question) depths(dye int) (low, high float64) {
	low = math.Inf(1)
	for _, t := range q.trials {
		for _, p := range t.Pieces {
			low, high = min(low, depth(p, dye)), max(high, depth(p, dye))
		}
	}
	return low, high
}

// depth is the mean K/S of a dye alone, beyond that of the substrate.
func depth(p retention.Piece, dye int) float64 {
	of := p.First
	if dye == 1 {
		of = p.Second
	}
	sum := 0.0
	for i := range of {
		k, _ := colorimetry.KS(of[i])
		k0, _ := colorimetry.KS(p.Substrate[i])
		sum += k - k0
	}
	return sum / float64(len(of))
}

// order answers which order gives what, or why it can't. A model that wasn't fitted is blind to the order, and one that borrowed knows other pairs.
func (q *question) order(ctx context.Context, m *retention.Model, told *overdyev1.PredictOverdyeResponse) (*overdyev1.OrderAnswer, error) {
	other, err := q.method.Learn(ctx, q.reversed, nil)
	if err != nil {
		return nil, wire.Failed("reversed_trials", err)
	}
	if n := retention.LeastTrials - other.Trials; n > 0 {
		told.Missing = append(told.Missing, missing("reversed_trials", n, q.of.GetSecondDye(), q.of.GetFirstDye(), q.of, "")) // the class tells the bath of its own second dye alone
	}
	for _, of := range []struct {
		first, second string
		model         *retention.Model
	}{{q.of.GetFirstDye(), q.of.GetSecondDye(), m}, {q.of.GetSecondDye(), q.of.GetFirstDye(), other}} {
		if of.model.Standing != retention.Fitted {
			return &overdyev1.OrderAnswer{WhyNot: fmt.Sprintf("which order gives what can't be said: %s before %s %s", of.first, of.second, reasons[of.model.Standing])}, nil
		}
	}
	turned := q.piece
	turned.First, turned.Second = q.piece.Second, q.piece.First
	predicted, err := q.method.Predict(turned, other.Coefficients)
	if err != nil {
		return nil, wire.Failed("piece", err)
	}
	lab := told.GetPrediction().GetLab()
	d := colorimetry.CIEDE2000(colorimetry.Lab{L: lab.GetL(), A: lab.GetA(), B: lab.GetB()}, predicted.Lab, colorimetry.DefaultFactors)
	return &overdyev1.OrderAnswer{
		Answered: true, ReversedLab: prediction(predicted).GetLab(), DifferenceDe00: d, ReversedRadiusDe00: other.Radius, ReversedFit: fit(other), ReversedErrorDe00: other.MeanDE00,
		ToldApart: m.Radius != nil && other.Radius != nil && d > *m.Radius+*other.Radius,
	}, nil
}

var reasons = map[retention.Standing]string{
	retention.NotFitted:     "has too few trials, and a model that wasn't fitted is blind to the order",
	retention.Borrowed:      "has too few trials of its own, and what it borrowed is of other pairs",
	retention.NoBetter:      "is predicted no better than by a simple rule",
	retention.DoesNotFollow: "doesn't follow the model",
	retention.NoFit:         "can't be fitted",
}

// statement is the answer in one sentence.
func (q *question) statement(m *retention.Model, told *overdyev1.PredictOverdyeResponse) string {
	pair := fmt.Sprintf("%s over %s", q.of.GetSecondDye(), q.of.GetFirstDye())
	lab := told.GetPrediction().GetLab()
	colour := fmt.Sprintf("L* %.1f, a* %.1f, b* %.1f", lab.GetL(), lab.GetA(), lab.GetB())
	switch m.Standing {
	case retention.NotFitted:
		return fmt.Sprintf("Not enough yet to predict %s: if both dyes simply added up it would be %s; that guess is blind to the order.", pair, colour)
	case retention.NoFit:
		return fmt.Sprintf("No prediction of %s: %v.", pair, m.Fault)
	case retention.DoesNotFollow:
		return fmt.Sprintf("No prediction of %s: this pair does not follow the model (error %.1f CIEDE2000 on trials that were left out, retention %s).", pair, m.MeanDE00, retained(m))
	case retention.NoBetter:
		best := m.Best()
		return fmt.Sprintf("No prediction of %s: the model (error %.2f CIEDE2000 on trials that were left out) is no better than a simple rule, %q (%.2f).", pair, m.MeanDE00, ruleWords[best.Rule], best.MeanDE00)
	}
	how := fmt.Sprintf("by %d %s", m.Trials, plural(m.Trials, "trial"))
	if m.Standing == retention.Borrowed {
		how += " and what other pairs lend"
	}
	if m.Radius == nil {
		return fmt.Sprintf("%s is expected at %s, %s; too few for a radius, which takes %d (error %.1f CIEDE2000 on trials that were left out).", pair, colour, how, retention.RadiusTrials(q.share), m.MeanDE00)
	}
	return fmt.Sprintf("%s is expected at %s, in %.0f of 100 cases within %.1f CIEDE2000 where the piece of %s alone was dyed in the very bath, and within %.1f where it wasn't, %s.",
		pair, colour, 100*q.share, *m.Radius, q.of.GetSecondDye(), *m.AnyBathRadius, how)
}

func retained(m *retention.Model) string {
	if !m.Separable {
		return "not known"
	}
	return fmt.Sprintf("%.2f", m.Retention)
}
