package pipelinetest

import (
	"context"
	"slices"

	"google.golang.org/protobuf/proto"

	overdyev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/overdye/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

type overdye struct {
	overdyev1.UnsafeOverdyeServiceServer
	m *Modules
}

// SpoilOverdye changes the answers of the overdye module.
func (m *Modules) SpoilOverdye(f func(*overdyev1.PredictOverdyeResponse)) { set(m, &m.spoilOverdye, f) }

// Overdyes lists what the overdye module was asked.
func (m *Modules) Overdyes() []*overdyev1.PredictOverdyeRequest { return listed(m, &m.overdyes) }

// PredictOverdye says of 4 trials or more that the second dye hides the first, off by 1, and of fewer that there are too few.
func (s overdye) PredictOverdye(_ context.Context, r *overdyev1.PredictOverdyeRequest) (*overdyev1.PredictOverdyeResponse, error) {
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	if s.m.fail != nil {
		return nil, s.m.fail
	}
	s.m.overdyes = append(s.m.overdyes, proto.CloneOf(r))
	curve := r.GetPiece().GetSecond().GetReflectance()
	if len(curve) == 0 {
		curve = slices.Repeat([]float64{0.5}, int(r.GetWavelengthCount()))
	}
	out := &overdyev1.PredictOverdyeResponse{
		Standing: overdyev1.Standing_STANDING_NOT_ENOUGH_YET, TrialCount: int32(len(r.GetTrials())), RadiusShare: 0.9, Statement: "as the test has it",
		Prediction: &overdyev1.OverdyePrediction{Lab: &typesv1.Lab{L: 100 * slices.Max(curve)}, Reflectance: curve},
	}
	if r.GetAskOrder() {
		out.Order = &overdyev1.OrderAnswer{WhyNot: "the test knows one order"}
	}
	if n := 4 - len(r.GetTrials()); n > 0 {
		out.Missing = []*overdyev1.Missing{{What: "trials", Count: int32(n), Text: "more trials"}}
	} else {
		out.Standing, out.ErrorDe00, out.Fit = overdyev1.Standing_STANDING_FITTED, proto.Float64(1), &overdyev1.OverdyeFit{Retention: proto.Float64(0.5), Uptake: proto.Float64(1), RetentionPlusUptake: 1.5}
		out.RuleErrors = []*overdyev1.RuleError{{Rule: "last_dye", MeanDe00: 2}}
		for _, t := range r.GetTrials() {
			out.PieceCount += int32(len(t.GetPieces()))
			out.TrialErrors = append(out.TrialErrors, &overdyev1.TrialError{TrialId: t.GetTrialId(), MeanDe00: 1, MaxDe00: 1})
		}
	}
	if s.m.spoilOverdye != nil {
		s.m.spoilOverdye(out)
	}
	return out, nil
}
