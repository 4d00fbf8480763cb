package conformance

import (
	"fmt"
	"math/rand/v2"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/sdk"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

func bathscaleV1() *contract {
	return &contract{
		name: "commonvat.module.bathscale.v1", kind: sdk.KindBathscale, method: bathscalev1.BathscaleService_ScaleBaths_FullMethodName,
		newReply: func() proto.Message { return &bathscalev1.ScaleBathsResponse{} },
		plain:    bathPlain,
		largest:  func(m *module) question { return randomBath(200, m.random("largest")) },
		beyond: func(m *module) []refusal {
			return []refusal{{"fibre has 201 entries", randomBath(201, m.random("beyond")), []string{"fibre"}}}
		},
		tooBig: func(m *module) question {
			q := randomBath(1, m.random("too big"))
			q[0].(*bathscalev1.ScaleBathsRequest).Baths[0].BathId = strings.Repeat("x", sdk.MaxMessageBytes+1)
			return q
		},
		empty: func(m *module) []refusal {
			return []refusal{
				{"the request is empty", question{&bathscalev1.ScaleBathsRequest{}}, []string{"fibre", "bench", "baths"}},
				{"fibre is empty", randomBath(0, m.random("empty")), []string{"fibre"}},
			}
		},
		invalid:  bathInvalid,
		sound:    bathSound,
		extra:    []extraStep{furtherDays().step(), furtherWater().step(), furtherRescale().step(), furtherSchedule().step()},
		items:    oneItem,
		laws:     map[describev1.Law]lawTrial{describev1.Law_LAW_LINEAR: bathLinear},
		expected: []describev1.Law{describev1.Law_LAW_LINEAR},
	}
}

// bathQuestion is a bath of weld and vinegar for so many pieces.
func bathQuestion(pieces int, grams func(i int) float64) question {
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

// randomBath is that bath for pieces of 1 to 101 g.
func randomBath(pieces int, r *rand.Rand) question {
	return bathQuestion(pieces, func(int) float64 { return 1 + 100*r.Float64() })
}

func bathPlain(r *rand.Rand, _ *module) []question {
	// A vat of more than its vessel holds, by its dye, on fibre of which the moisture was measured.
	vat := randomBath(6, r)
	req := vat[0].(*bathscalev1.ScaleBathsRequest)
	req.Reference, req.Fibre[0].MoistureContentPercent = bathscalev1.FibreReference_FIBRE_REFERENCE_OVEN_DRY, proto.Float64(11)
	req.Baths[0] = &bathscalev1.BathRecipe{
		BathId: "one", Volume: &bathscalev1.BathRecipe_Litres{Litres: 30}, VesselL: 12, IndigoPurityPercent: proto.Float64(35), Doses: []*bathscalev1.Dose{
			{Material: "indigo", Figure: &bathscalev1.Dose_GramsPerLitre{GramsPerLitre: 1}, Form: bathscalev1.Form_FORM_IMPURE, PurityPercent: proto.Float64(35)},
			{Material: "vinegar", Figure: &bathscalev1.Dose_Grams{Grams: 20}, Form: bathscalev1.Form_FORM_LIQUID, LiquidDensityKgPerL: proto.Float64(1.006), LiquidPercent: proto.Float64(5)},
		},
	}
	return []question{randomBath(1, r), randomBath(3, r), randomBath(12, r), vat}
}

func bathInvalid(m *module) (out []refusal) {
	bad := func(what, name string, spoil func(*bathscalev1.ScaleBathsRequest)) {
		q := randomBath(2, m.random("invalid"))
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
}

func bathSound(_ *module, q question, a reply) error {
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
}

// bathLinear: twice the fibre is twice the meant grams of whatever is told by percent or by litre at a liquor ratio.
func bathLinear(r *rand.Rand, _ *module, size int) trial {
	masses := make([]float64, 1+size%12)
	for i := range masses {
		masses[i] = 1 + 100*r.Float64()
	}
	by := 0.5 + r.Float64()
	first, second := bathQuestion(len(masses), func(i int) float64 { return masses[i] }), bathQuestion(len(masses), func(i int) float64 { return by * masses[i] })
	return trial{first: first, second: second, compare: func(a, b reply) []comparison {
		return pairUp(scaled(meantGrams(a), by), meantGrams(b), false)
	}}
}

// meantGrams are the grams that an answer means, of each material of each load of each bath.
func meantGrams(a reply) (out []comparison) {
	for i, bath := range a[0].(*bathscalev1.ScaleBathsResponse).GetBaths() {
		for j, load := range bath.GetLoads() {
			for _, m := range load.GetAmounts() {
				out = append(out, comparison{at: fmt.Sprintf("bath %d load %d %s", i, j, m.GetMaterial()), want: value(m.GetMeantG())})
			}
		}
	}
	return out
}
