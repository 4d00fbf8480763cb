package validate

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	benchv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func planned() *benchv1.PlanTrialRequest {
	return &benchv1.PlanTrialRequest{Plan: &benchv1.Plan{
		Id: id1, Title: "a pot", Pieces: []*benchv1.PlanPiece{{Id: id2, Label: "skein", Composition: wool().GetComposition(), MassG: 10}},
		Baths: []*benchv1.PlanBath{{
			Name: "pot", Kind: benchv1.BathKind_BATH_KIND_DYE, Volume: &benchv1.PlanBath_LiquorRatio{LiquorRatio: 40}, Heat: &benchv1.Heat{StartC: 20, HoldC: 70, LooksMin: []float64{5, 10}},
			Ph: &benchv1.PhRange{Low: 6, High: 8}, Doses: []*benchv1.PlanDose{{Material: "weld", Figure: &benchv1.PlanDose_PercentWof{PercentWof: 20}}},
			Answers: []*benchv1.Answer{{Field: "vessel.sealed", Value: &benchv1.Answer_Truth{}}},
		}},
	}}
}

// What is wrong with a plan is told by its field; nothing about a person's health is taken, wherever it stands.
func TestPlans(t *testing.T) {
	require.NoError(t, Message(planned()))
	for field, spoil := range map[string]func(p *benchv1.Plan){
		"plan.id":                       func(p *benchv1.Plan) { p.Id = "12" },
		"plan.pieces[0].mass_g":         func(p *benchv1.Plan) { p.Pieces[0].MassG = math.NaN() },
		"plan.pieces[0].composition":    func(p *benchv1.Plan) { p.Pieces[0].Composition = []*typesv1.FibrePart{{Fibre: "wool", Percent: 60}} },
		"plan.baths[0].volume":          func(p *benchv1.Plan) { p.Baths[0].Volume = nil },
		"plan.baths[0].liquor_ratio":    func(p *benchv1.Plan) { p.Baths[0].Volume = &benchv1.PlanBath_LiquorRatio{} },
		"plan.baths[0].doses[0].figure": func(p *benchv1.Plan) { p.Baths[0].Doses[0].Figure = nil },
		"plan.baths[0].doses[0].percent_wof": func(p *benchv1.Plan) {
			p.Baths[0].Doses[0].Figure = &benchv1.PlanDose_PercentWof{PercentWof: math.Inf(1)}
		},
		"plan.baths[0].doses[0].material": func(p *benchv1.Plan) { p.Baths[0].Doses[0].Material = "Weld" },
		"plan.baths[0].heat.hold_c":       func(p *benchv1.Plan) { p.Baths[0].Heat.HoldC = 200 },
		"plan.baths[0].heat.looks_min[1]": func(p *benchv1.Plan) { p.Baths[0].Heat.LooksMin = []float64{5, 4} },
		"plan.baths[0].ph.high":           func(p *benchv1.Plan) { p.Baths[0].Ph.High = 5 },
		"plan.baths[0].answers[0].value":  func(p *benchv1.Plan) { p.Baths[0].Answers[0].Value = nil },
		"plan.baths[0].answers[0].field":  func(p *benchv1.Plan) { p.Baths[0].Answers[0].Field = "person.asthma" },
		"plan.answers[0].field": func(p *benchv1.Plan) {
			p.Answers = []*benchv1.Answer{{Field: " Person.asthma", Value: &benchv1.Answer_Truth{}}}
		},
		"plan.baths[0].doses[0].answers[0].field": func(p *benchv1.Plan) {
			p.Baths[0].Doses[0].Answers = []*benchv1.Answer{{Field: "person.allergic_to", Value: &benchv1.Answer_Texts{Texts: &benchv1.AnswerTexts{}}}}
		},
		"plan.waters[0].scale": func(p *benchv1.Plan) {
			p.Waters = []*benchv1.PlanWater{{Name: "well", Parts: 1, Hardness: proto.Float64(3)}}
		},
		"plan.store":        func(p *benchv1.Plan) { p.Store = []string{"alum"} },
		"plan.wanted_shift": func(p *benchv1.Plan) { p.WantedShift = "purple" },
	} {
		q := planned()
		spoil(q.GetPlan())
		var faults trial.Faults
		require.ErrorAs(t, Message(q), &faults, field)
		require.Len(t, faults, 1, "%s: %v", field, faults)
		assert.Equal(t, field, faults[0].Field)
	}
	var faults trial.Faults
	require.ErrorAs(t, Message(&benchv1.UpdateWorkshopRequest{Workshop: &benchv1.Workshop{Answers: []*benchv1.Answer{{Field: "person.asthma", Value: &benchv1.Answer_Truth{}}}}}), &faults)
	assert.Contains(t, faults[0].Text, "health")
}
