package pipeline_test

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	overdyev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/overdye/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pipeline/pipelinetest"
)

func overdyeQuestion(trials int) *overdyev1.PredictOverdyeRequest {
	grey := func(r float64) *overdyev1.OverdyeCurve {
		return &overdyev1.OverdyeCurve{Reflectance: slices.Repeat([]float64{r}, 16)}
	}
	colours := &overdyev1.OverdyeColours{Substrate: grey(0.8), First: grey(0.4), Second: grey(0.2)}
	q := &overdyev1.PredictOverdyeRequest{StartNm: 400, StepNm: 20, WavelengthCount: 16, Piece: colours, AskOrder: true}
	for i := range trials {
		q.Trials = append(q.Trials, &overdyev1.OverdyeTrial{TrialId: fmt.Sprint(i), Pieces: []*overdyev1.OverdyePiece{{Colours: colours, Both: grey(0.1)}}})
	}
	return q
}

func TestOverdyeAnswersAreChecked(t *testing.T) {
	modules := pipelinetest.Start(t)
	p := pipeline.New(modules)
	got, identity, err := p.PredictOverdye(t.Context(), overdyeQuestion(4))
	require.NoError(t, err)
	assert.Equal(t, "test-overdye", identity.GetName())
	assert.Equal(t, overdyev1.Standing_STANDING_FITTED, got.GetStanding())
	_, _, err = p.PredictOverdye(t.Context(), overdyeQuestion(0))
	require.NoError(t, err)

	type answer = overdyev1.PredictOverdyeResponse
	for says, c := range map[string]struct {
		trials int
		spoil  func(*answer)
	}{
		"standing is 77":                   {4, func(a *answer) { a.Standing = 77 }},
		"statement is missing":             {4, func(a *answer) { a.Statement = "" }},
		"trial_count is 3":                 {4, func(a *answer) { a.TrialCount = 3 }},
		"without a trial":                  {0, func(a *answer) { a.Standing = overdyev1.Standing_STANDING_CANNOT_BE_FITTED }},
		"prediction, fit or error_de00":    {4, func(a *answer) { a.Prediction = nil }},
		"prediction is given with":         {4, func(a *answer) { a.Standing = overdyev1.Standing_STANDING_DOES_NOT_FOLLOW_THE_MODEL }},
		"missing is empty":                 {3, func(a *answer) { a.Missing = nil }},
		"missing[0]":                       {3, func(a *answer) { a.Missing[0].Count = 0 }},
		"radius_de00 is given with":        {3, func(a *answer) { a.RadiusDe00 = proto.Float64(1) }},
		"which are too few":                {4, func(a *answer) { a.RadiusDe00 = proto.Float64(1) }},
		"radius_de00 is NaN":               {4, func(a *answer) { a.RadiusDe00 = proto.Float64(math.NaN()) }},
		"any_bath_radius_de00 is 1;":       {4, func(a *answer) { a.AnyBathRadiusDe00 = proto.Float64(1) }},
		"any_bath_radius_de00 is +Inf":     {9, func(a *answer) { a.RadiusDe00, a.AnyBathRadiusDe00 = proto.Float64(1), proto.Float64(math.Inf(1)) }},
		"any_bath_radius_de00 is -1":       {9, func(a *answer) { a.RadiusDe00, a.AnyBathRadiusDe00 = proto.Float64(1), proto.Float64(-1) }},
		"radius_share is 2":                {4, func(a *answer) { a.RadiusShare = 2 }},
		"prediction.lab":                   {4, func(a *answer) { a.Prediction.Lab.L = math.Inf(1) }},
		"prediction.reflectance has 15":    {4, func(a *answer) { a.Prediction.Reflectance = a.Prediction.Reflectance[1:] }},
		"prediction.reflectance[2] is NaN": {4, func(a *answer) { a.Prediction.Reflectance[2] = math.NaN() }},
		"fit.retention is -1":              {4, func(a *answer) { a.Fit.Retention = proto.Float64(-1) }},
		"only one of fit.retention":        {4, func(a *answer) { a.Fit.Uptake = nil }},
		"fit.cosine is 2":                  {4, func(a *answer) { a.Fit.Cosine = 2 }},
		"error_de00 is -1":                 {4, func(a *answer) { a.ErrorDe00 = proto.Float64(-1) }},
		"rule_errors is empty":             {4, func(a *answer) { a.RuleErrors = nil }},
		"rule_errors[0]":                   {4, func(a *answer) { a.RuleErrors[0].Rule = "" }},
		`the rule "last_dye" has 0.5`:      {4, func(a *answer) { a.RuleErrors[0].MeanDe00 = 0.5 }},
		"trial_errors[1]":                  {4, func(a *answer) { a.TrialErrors[1].TrialId = "another" }},
		"trial_errors[0]":                  {4, func(a *answer) { a.TrialErrors[0].MaxDe00 = 0.5 }},
		"order is given: false":            {4, func(a *answer) { a.Order = nil }},
		"order.why_not is missing":         {4, func(a *answer) { a.Order.WhyNot = "" }},
		"order.answered is true with":      {3, func(a *answer) { a.Order.Answered = true }},
		"order.answered is true with STANDING_FITTED and 0 reversed": {4, func(a *answer) {
			a.Order.Answered, a.Order.ReversedLab = true, &typesv1.Lab{L: 50}
		}},
	} {
		modules.SpoilOverdye(c.spoil)
		before := modules.Blamed()
		_, _, err := p.PredictOverdye(t.Context(), overdyeQuestion(c.trials))
		require.Error(t, err, says)
		blamed(t, err, "test-overdye", says)
		assert.Equal(t, before+1, modules.Blamed())
	}
	// The other order, once its trials were sent.
	q := overdyeQuestion(4)
	q.ReversedTrials = overdyeQuestion(4).GetTrials()
	for says, spoil := range map[string]func(*overdyev1.OrderAnswer){
		"order.reversed_lab":    func(o *overdyev1.OrderAnswer) { o.ReversedLab = nil },
		"order.difference_de00": func(o *overdyev1.OrderAnswer) { o.DifferenceDe00 = math.NaN() },
		"order.told_apart":      func(o *overdyev1.OrderAnswer) { o.ToldApart = true },
		"order.reversed_fit.uptake": func(o *overdyev1.OrderAnswer) {
			o.ReversedFit = &overdyev1.OverdyeFit{Retention: proto.Float64(1), Uptake: proto.Float64(math.Inf(1))}
		},
		"": func(*overdyev1.OrderAnswer) {},
	} {
		modules.SpoilOverdye(func(a *answer) {
			a.Order = &overdyev1.OrderAnswer{Answered: true, ReversedLab: &typesv1.Lab{L: 50}, DifferenceDe00: 3}
			spoil(a.Order)
		})
		_, _, err := p.PredictOverdye(t.Context(), q)
		if says == "" {
			require.NoError(t, err)
			continue
		}
		require.Error(t, err, says)
		blamed(t, err, "test-overdye", says)
	}
	modules.SpoilOverdye(nil)
	modules.SetDown("overdye", true)
	_, _, err = p.PredictOverdye(t.Context(), overdyeQuestion(4))
	require.ErrorIs(t, err, pipeline.ErrModuleUnavailable)
}
