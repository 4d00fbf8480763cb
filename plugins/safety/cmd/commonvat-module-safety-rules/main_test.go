package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
)

func TestMain(m *testing.M) { moduletest.Main(m, main) }

func TestProcess(t *testing.T) {
	p := moduletest.Start(t)
	client := safetyv1.NewSafetyServiceClient(p.Conn())
	request := &safetyv1.JudgeStepsRequest{Steps: []*safetyv1.StepFacts{{StepId: "iron", Facts: []*safetyv1.Fact{
		{Field: "material.classes", Value: &safetyv1.Fact_Texts{Texts: &safetyv1.TextList{Values: []string{"iron_salt"}}}},
		{Field: "fibre.class", Value: &safetyv1.Fact_Texts{Texts: &safetyv1.TextList{Values: []string{"protein"}}}},
		{Field: "step.wof_percent", Value: &safetyv1.Fact_Number{Number: &safetyv1.NumberRange{Low: 5, Likely: 5, High: 5}}},
	}}}}
	got, err := client.JudgeSteps(t.Context(), request)
	require.NoError(t, err)
	fires := map[string]bool{}
	for _, f := range got.GetSteps()[0].GetFindings() {
		if f.GetStanding() == safetyv1.Standing_STANDING_FIRES {
			fires[f.GetRuleId()] = true
		}
	}
	// More than 4 % of iron on wool: above the ceiling of several sellers' pages.
	assert.Equal(t, map[string]bool{"S004": true, "S005": true}, fires)
	assert.NotEmpty(t, got.GetStandingCautions())
	again, err := client.JudgeSteps(t.Context(), request)
	require.NoError(t, err)
	assert.Equal(t, moduletest.Bytes(t, got), moduletest.Bytes(t, again))
	require.NoError(t, p.Healthy(t.Context()))
}
