package conformance

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"

	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
)

// caco3PerUnit is milligrams of calcium carbonate per litre in one of each unit, by its definition: a German degree is 10 mg of calcium oxide, grains are of 64.79891 mg, gallons of
// 4.54609 and 3.785411784 L (NIST Special Publication 811); molar masses of CaCO3 and CaO are 100.087 and 56.077 g/mol.
var caco3PerUnit = map[bathscalev1.HardnessUnit]float64{
	bathscalev1.HardnessUnit_HARDNESS_UNIT_MG_PER_L: 1, bathscalev1.HardnessUnit_HARDNESS_UNIT_MMOL_PER_L: 100.087,
	bathscalev1.HardnessUnit_HARDNESS_UNIT_GERMAN_DEGREE: 10 * 100.087 / 56.077, bathscalev1.HardnessUnit_HARDNESS_UNIT_FRENCH_DEGREE: 10,
	bathscalev1.HardnessUnit_HARDNESS_UNIT_ENGLISH_DEGREE: 64.79891 / 4.54609, bathscalev1.HardnessUnit_HARDNESS_UNIT_GRAIN_PER_US_GALLON: 64.79891 / 3.785411784,
}

// near holds figures to each other that may rest on molar masses of other editions.
func near(got, want float64) bool { return math.Abs(got-want) <= 1e-3*math.Max(1, math.Abs(want)) }

func furtherWater() further {
	mix := func(r *rand.Rand, units ...bathscalev1.HardnessUnit) question {
		q := &bathscalev1.MixWatersRequest{Litres: 1 + 20*r.Float64()}
		for _, unit := range units {
			q.Waters = append(q.Waters, &bathscalev1.WaterShare{Parts: 0.5 + 3*r.Float64(), Hardness: proto.Float64(10 * r.Float64() / caco3PerUnit[unit] * 20), Unit: unit})
		}
		return question{q}
	}
	const mg, mmol, german, french, english, us = bathscalev1.HardnessUnit_HARDNESS_UNIT_MG_PER_L, bathscalev1.HardnessUnit_HARDNESS_UNIT_MMOL_PER_L,
		bathscalev1.HardnessUnit_HARDNESS_UNIT_GERMAN_DEGREE, bathscalev1.HardnessUnit_HARDNESS_UNIT_FRENCH_DEGREE,
		bathscalev1.HardnessUnit_HARDNESS_UNIT_ENGLISH_DEGREE, bathscalev1.HardnessUnit_HARDNESS_UNIT_GRAIN_PER_US_GALLON
	return further{
		name: "water", asked: "mix waters of known hardness to what their parts give, and say nothing of more than is known", required: true,
		method: bathscalev1.BathscaleService_MixWaters_FullMethodName, newReply: func() proto.Message { return &bathscalev1.MixWatersResponse{} },
		plain: func(r *rand.Rand) []question {
			wanted := mix(r, german, us)
			mixed := wanted[0].(*bathscalev1.MixWatersRequest)
			hard, soft := mixed.GetWaters()[0].GetHardness()*caco3PerUnit[german], mixed.GetWaters()[1].GetHardness()*caco3PerUnit[us]
			mixed.WantedMgPerL = proto.Float64(0.3*hard + 0.7*soft)
			harder := mix(r, french)
			harder[0].(*bathscalev1.MixWatersRequest).Wanted = &bathscalev1.Hardness{Value: 40, Unit: german}
			unknown := mix(r, mg, mmol)
			unknown[0].(*bathscalev1.MixWatersRequest).Waters[1].Hardness = nil
			many := make([]bathscalev1.HardnessUnit, 100)
			for i := range many {
				many[i] = []bathscalev1.HardnessUnit{mg, mmol, german, french, english, us}[i%6]
			}
			return []question{mix(r, german), mix(r, mmol, english, french), wanted, harder, unknown, mix(r, many...)}
		},
		invalid: func(r *rand.Rand) (out []refusal) {
			bad := func(what, name string, spoil func(*bathscalev1.MixWatersRequest)) {
				q := mix(r, german, mg)
				spoil(q[0].(*bathscalev1.MixWatersRequest))
				out = append(out, refusal{what, q, []string{name}})
			}
			bad("no waters", "waters", func(q *bathscalev1.MixWatersRequest) { q.Waters = nil })
			bad("101 waters", "waters", func(q *bathscalev1.MixWatersRequest) { q.Waters = slices.Repeat(q.Waters, 51)[:101] })
			bad("no parts", "parts", func(q *bathscalev1.MixWatersRequest) { q.Waters[1].Parts = 0 })
			bad("hardness without a unit", "unit", func(q *bathscalev1.MixWatersRequest) { q.Waters[0].Unit = 0 })
			bad("negative hardness", "hardness", func(q *bathscalev1.MixWatersRequest) { q.Waters[0].Hardness = proto.Float64(-1) })
			bad("calcium without magnesium", "magnesium_mg_per_l", func(q *bathscalev1.MixWatersRequest) {
				q.Waters[1] = &bathscalev1.WaterShare{Parts: 1, CalciumMgPerL: proto.Float64(60)}
			})
			bad("something wanted of no volume", "litres", func(q *bathscalev1.MixWatersRequest) { q.Litres, q.WantedMgPerL = 0, proto.Float64(50) })
			return out
		},
		sound: soundWater,
	}
}

func soundWater(q question, a reply) error {
	asked, got := q[0].(*bathscalev1.MixWatersRequest), a[0].(*bathscalev1.MixWatersResponse)
	parts, sum, known := 0.0, 0.0, true
	for _, w := range asked.GetWaters() {
		parts += w.GetParts()
		sum += w.GetParts() * w.GetHardness() * caco3PerUnit[w.GetUnit()]
		known = known && w.Hardness != nil
	}
	mixed := sum / parts
	switch {
	case !near(got.GetLowMgPerL(), mixed):
		return fmt.Errorf("low_mg_per_l is %v, want %.6g, which the parts give", got.GetLowMgPerL(), mixed)
	case known != (got.HighMgPerL != nil):
		return fmt.Errorf("high_mg_per_l is there: %v, and every water known: %v", got.HighMgPerL != nil, known)
	case known && !near(got.GetHighMgPerL(), mixed):
		return fmt.Errorf("high_mg_per_l is %v, want %.6g, which the parts give", got.GetHighMgPerL(), mixed)
	}
	wanted := asked.GetWantedMgPerL()
	if m := asked.GetWanted(); m != nil {
		wanted = m.GetValue() * caco3PerUnit[m.GetUnit()]
	}
	if asks := asked.WantedMgPerL != nil || asked.GetWanted() != nil; asks != (got.WantedMgPerL != nil) || asks && !near(got.GetWantedMgPerL(), wanted) {
		return fmt.Errorf("wanted_mg_per_l is %v, want %.6g, as was asked", got.GetWantedMgPerL(), wanted)
	}
	if shares := got.GetWantedShares(); len(shares) > 0 || between(asked, wanted) {
		if len(shares) != len(asked.GetWaters()) {
			return fmt.Errorf("wanted_shares has %d figures for %d waters", len(shares), len(asked.GetWaters()))
		}
		all, gives := 0.0, 0.0
		for i, w := range asked.GetWaters() {
			all, gives = all+shares[i], gives+shares[i]*w.GetHardness()*caco3PerUnit[w.GetUnit()]
		}
		if !near(all, 1) || !near(gives, wanted) || slices.Min(shares) < 0 {
			return fmt.Errorf("wanted_shares add up to %v and give %.6g mg/L, want 1 and %.6g", all, gives, wanted)
		}
	}
	if raise := got.GetRaise(); raise != nil || known && wanted > mixed*1.01 {
		if lacks := (wanted - got.GetHighMgPerL()) * asked.GetLitres() / 1000; raise.GetModel() == "" || !near(raise.GetCalciumCarbonateG(), lacks) {
			return fmt.Errorf("raise is %v g of calcium carbonate by model %q, want %.6g by one", raise.GetCalciumCarbonateG(), raise.GetModel(), lacks)
		}
	}
	return nil
}

// between reports whether what is wanted lies between two waters that are both known.
func between(q *bathscalev1.MixWatersRequest, wanted float64) bool {
	if w := q.GetWaters(); len(w) == 2 && w[0].Hardness != nil && w[1].Hardness != nil {
		one, other := w[0].GetHardness()*caco3PerUnit[w[0].GetUnit()], w[1].GetHardness()*caco3PerUnit[w[1].GetUnit()]
		return wanted > math.Min(one, other)*1.01 && wanted < math.Max(one, other)*0.99
	}
	return false
}

func furtherRescale() further {
	const mass, volume, neither = bathscalev1.Grows_GROWS_BY_MASS, bathscalev1.Grows_GROWS_BY_VOLUME, bathscalev1.Grows_GROWS_BY_NEITHER
	of := func(r *rand.Rand, n int, volumes bool) question {
		q := &bathscalev1.RescaleRequest{From: &bathscalev1.BathSize{FibreG: 1 + 100*r.Float64()}, To: &bathscalev1.BathSize{FibreG: 1 + 5000*r.Float64()}, Vat: n%2 == 1}
		if volumes {
			q.From.VolumeL, q.To.VolumeL = 0.1+5*r.Float64(), 0.1+200*r.Float64()
		}
		for i := range n {
			q.Figures = append(q.Figures, &bathscalev1.BathFigure{Name: fmt.Sprintf("figure %d", i+1), Value: 50 * r.Float64(), Grows: []bathscalev1.Grows{mass, volume, neither}[i%3]})
		}
		return question{q}
	}
	return further{
		name: "rescale", asked: "carry over what goes by mass and by volume in their ratios, and give no figure for what goes by neither", required: true,
		method: bathscalev1.BathscaleService_Rescale_FullMethodName, newReply: func() proto.Message { return &bathscalev1.RescaleResponse{} },
		plain: func(r *rand.Rand) []question {
			return []question{of(r, 3, true), of(r, 3, false), of(r, 0, true), of(r, 200, true)}
		},
		invalid: func(r *rand.Rand) (out []refusal) {
			bad := func(what, name string, spoil func(*bathscalev1.RescaleRequest)) {
				q := of(r, 3, true)
				spoil(q[0].(*bathscalev1.RescaleRequest))
				out = append(out, refusal{what, q, []string{name}})
			}
			bad("no sizes", "fibre_g", func(q *bathscalev1.RescaleRequest) { q.From, q.To = nil, nil })
			bad("no fibre", "fibre_g", func(q *bathscalev1.RescaleRequest) { q.To.FibreG = 0 })
			bad("a negative volume", "volume_l", func(q *bathscalev1.RescaleRequest) { q.From.VolumeL = -1 })
			bad("a figure without a name", "name", func(q *bathscalev1.RescaleRequest) { q.Figures[0].Name = "" })
			bad("a negative figure", "value", func(q *bathscalev1.RescaleRequest) { q.Figures[1].Value = -1 })
			bad("a figure that grows nobody knows how", "grows", func(q *bathscalev1.RescaleRequest) { q.Figures[2].Grows = 0 })
			bad("201 figures", "figures", func(q *bathscalev1.RescaleRequest) { q.Figures = slices.Repeat(q.Figures, 67) })
			return out
		},
		sound: func(q question, a reply) error {
			asked, got := q[0].(*bathscalev1.RescaleRequest), a[0].(*bathscalev1.RescaleResponse)
			if len(got.GetFigures()) != len(asked.GetFigures()) {
				return fmt.Errorf("figures has %d entries for %d", len(got.GetFigures()), len(asked.GetFigures()))
			}
			for i, f := range asked.GetFigures() {
				out := got.GetFigures()[i]
				ratio := asked.GetTo().GetFibreG() / asked.GetFrom().GetFibreG()
				if f.GetGrows() == volume {
					ratio = asked.GetTo().GetVolumeL() / asked.GetFrom().GetVolumeL() // NaN where none is known
				}
				none := f.GetGrows() == neither || math.IsNaN(ratio)
				switch {
				case out.GetName() != f.GetName():
					return fmt.Errorf("figures[%d] is %q, want %q", i, out.GetName(), f.GetName())
				case none != (out.Value == nil):
					return fmt.Errorf("figures[%d] has a value: %v, want %v", i, out.Value != nil, !none)
				case none && out.GetRemark() == "":
					return fmt.Errorf("figures[%d] has no value and doesn't say why", i)
				case !none && math.Abs(out.GetValue()-ratio*f.GetValue()) > 1e-9*ratio*f.GetValue():
					return fmt.Errorf("figures[%d] is %v, want %v", i, out.GetValue(), ratio*f.GetValue())
				}
			}
			return nil
		},
	}
}

func furtherSchedule() further {
	of := func(r *rand.Rand, looks int, ceilings ...float64) question {
		q := &bathscalev1.LayOutRequest{StartC: 15 + 10*r.Float64(), HoldC: 60 + 30*r.Float64(), HoldMin: 60, CoolMin: 30 * r.Float64(), Fibres: []string{"wool"}}
		for i := range looks {
			q.LooksMin = append(q.LooksMin, float64(i+1)/2)
		}
		for i, c := range ceilings {
			q.Ceilings = append(q.Ceilings, &bathscalev1.Ceiling{Of: fmt.Sprintf("dyestuff %d", i+1), TemperatureC: c, RateCPerMin: float64(i), Source: "this suite"})
		}
		return question{q}
	}
	return further{
		name: "schedule", asked: "lay a bath out in time, under every ceiling that it is told", required: true,
		method: bathscalev1.BathscaleService_LayOut_FullMethodName, newReply: func() proto.Message { return &bathscalev1.LayOutResponse{} },
		plain: func(r *rand.Rand) []question {
			strange := of(r, 2)
			strange[0].(*bathscalev1.LayOutRequest).Fibres = []string{"no such fibre"}
			return []question{of(r, 2, 95), of(r, 0, 60, 45), of(r, 100, slices.Repeat([]float64{70, 80}, 10)...), strange}
		},
		invalid: func(r *rand.Rand) (out []refusal) {
			bad := func(what, name string, spoil func(*bathscalev1.LayOutRequest)) {
				q := of(r, 2, 90)
				spoil(q[0].(*bathscalev1.LayOutRequest))
				out = append(out, refusal{what, q, []string{name}})
			}
			bad("a start below freezing", "start_c", func(q *bathscalev1.LayOutRequest) { q.StartC = -1 })
			bad("106 °C", "hold_c", func(q *bathscalev1.LayOutRequest) { q.HoldC = 106 })
			bad("negative minutes", "hold_min", func(q *bathscalev1.LayOutRequest) { q.HoldMin = -1 })
			bad("8 days of cooling", "cool_min", func(q *bathscalev1.LayOutRequest) { q.CoolMin = 8 * 24 * 60 })
			bad("21 °C a minute", "rate_c_per_min", func(q *bathscalev1.LayOutRequest) { q.RateCPerMin = 21 })
			bad("looks that fall", "looks_min", func(q *bathscalev1.LayOutRequest) { slices.Reverse(q.LooksMin) })
			bad("a look when all is over", "looks_min", func(q *bathscalev1.LayOutRequest) { q.LooksMin[1] = 9000 })
			bad("101 looks", "looks_min", func(q *bathscalev1.LayOutRequest) { q.LooksMin = make([]float64, 101) })
			bad("a ceiling of nothing", "of", func(q *bathscalev1.LayOutRequest) { q.Ceilings[0].Of = "" })
			bad("a ceiling of 106 °C", "temperature_c", func(q *bathscalev1.LayOutRequest) { q.Ceilings[0].TemperatureC = 106 })
			bad("fibre that goes in hotter than it bears", "start_c", func(q *bathscalev1.LayOutRequest) { q.StartC, q.Ceilings[0].TemperatureC = 50, 40 })
			return out
		},
		sound: soundSchedule,
	}
}

func soundSchedule(q question, a reply) error {
	asked, got := q[0].(*bathscalev1.LayOutRequest), a[0].(*bathscalev1.LayOutResponse)
	hold, rate := asked.GetHoldC(), math.Inf(1)
	for _, c := range asked.GetCeilings() {
		hold = math.Min(hold, c.GetTemperatureC())
		if c.GetRateCPerMin() > 0 {
			rate = math.Min(rate, c.GetRateCPerMin())
		}
	}
	switch {
	case got.GetHoldC() > hold || got.GetRateCPerMin() <= 0 || got.GetRateCPerMin() > rate:
		return fmt.Errorf("hold_c is %v at %v °C a minute, above a ceiling or what was asked for", got.GetHoldC(), got.GetRateCPerMin())
	case (got.GetHoldC() < asked.GetHoldC()) != (got.GetLoweredBy() != nil):
		return fmt.Errorf("hold_c is %v of %v, and lowered_by says why: %v", got.GetHoldC(), asked.GetHoldC(), got.GetLoweredBy() != nil)
	}
	var kinds []bathscalev1.MomentKind
	var looks []float64
	for i, m := range got.GetMoments() {
		if i > 0 && m.GetMinute() < got.GetMoments()[i-1].GetMinute() {
			return fmt.Errorf("moments[%d] is at minute %v, before the one above", i, m.GetMinute())
		}
		if m.GetTemperatureC() > math.Max(got.GetHoldC(), asked.GetStartC())+1e-9 {
			return fmt.Errorf("moments[%d] is at %v °C, above hold_c", i, m.GetTemperatureC())
		}
		if m.GetKind() == bathscalev1.MomentKind_MOMENT_KIND_LOOK {
			looks = append(looks, m.GetMinute())
			continue
		}
		kinds = append(kinds, m.GetKind())
	}
	whole := []bathscalev1.MomentKind{bathscalev1.MomentKind_MOMENT_KIND_FIBRE_IN, bathscalev1.MomentKind_MOMENT_KIND_HOLD_STARTS, bathscalev1.MomentKind_MOMENT_KIND_HEAT_OFF, bathscalev1.MomentKind_MOMENT_KIND_FIBRE_OUT}
	if !slices.Equal(kinds, whole) || !slices.Equal(looks, asked.GetLooksMin()) {
		return fmt.Errorf("moments are %v with looks at %v, want fibre in, hold, heat off and fibre out, with looks as asked", kinds, looks)
	}
	return nil
}

func furtherFields() further {
	return further{
		name: "fields", asked: "tell every field with its kind, its question, and what may be answered, sorted by name", required: true,
		method: safetyv1.SafetyService_ListFields_FullMethodName, newReply: func() proto.Message { return &safetyv1.ListFieldsResponse{} },
		plain:   func(*rand.Rand) []question { return []question{{&safetyv1.ListFieldsRequest{}}} },
		invalid: func(*rand.Rand) []refusal { return nil }, // nothing can be wrong with an empty request
		sound: func(_ question, a reply) error {
			last := ""
			for i, f := range a[0].(*safetyv1.ListFieldsResponse).GetFields() {
				word := f.GetKind() == safetyv1.FieldKind_FIELD_KIND_WORD || f.GetKind() == safetyv1.FieldKind_FIELD_KIND_WORDS
				switch {
				case f.GetName() <= last:
					return fmt.Errorf("fields[%d] is %q after %q, want them sorted, each once", i, f.GetName(), last)
				case f.GetKind() == 0 || f.GetAbout() == 0 || f.GetAsks() == "":
					return fmt.Errorf("fields[%d] (%s) has no kind, isn't about anything, or asks nothing", i, f.GetName())
				case word != (len(f.GetAllowed()) > 0) || !slices.IsSorted(f.GetAllowed()):
					return fmt.Errorf("fields[%d] (%s) allows %d words, want a sorted list of a word or words, and of nothing else", i, f.GetName(), len(f.GetAllowed()))
				case f.GetKind() == safetyv1.FieldKind_FIELD_KIND_NUMBER && !(f.GetLow() < f.GetHigh()):
					return fmt.Errorf("fields[%d] (%s) goes from %v to %v", i, f.GetName(), f.GetLow(), f.GetHigh())
				}
				last = f.GetName()
			}
			if last == "" {
				return errors.New("fields is empty")
			}
			return nil
		},
	}
}

func furtherNames() further {
	const strange = "no such material"
	of := func(names ...string) question { return question{&safetyv1.NameMaterialsRequest{Names: names}} }
	return further{
		name: "names", asked: "name materials in the order asked, those that it doesn't know as they are, or leave it UNIMPLEMENTED",
		method: safetyv1.SafetyService_NameMaterials_FullMethodName, newReply: func() proto.Message { return &safetyv1.NameMaterialsResponse{} },
		plain: func(*rand.Rand) []question {
			return []question{of("weld"), of(strange, "ferrous sulfate", "copperas", "potassium alum", strange), of(slices.Repeat([]string{"weld", strange}, 1000)...)}
		},
		invalid: func(*rand.Rand) []refusal {
			return []refusal{
				{"no names", of(), []string{"names"}}, {"2,001 names", of(slices.Repeat([]string{"weld"}, 2001)...), []string{"names"}},
				{"an empty name", of("weld", ""), []string{"names"}}, {"a name of 81 characters", of(strings.Repeat("x", 81)), []string{"names"}},
			}
		},
		sound: func(q question, a reply) error {
			asked, got := q[0].(*safetyv1.NameMaterialsRequest).GetNames(), a[0].(*safetyv1.NameMaterialsResponse).GetMaterials()
			if len(got) != len(asked) {
				return fmt.Errorf("materials has %d entries for %d names", len(got), len(asked))
			}
			for i, m := range got {
				s := m.GetSalt()
				switch {
				case m.GetFirstName() == "":
					return fmt.Errorf("materials[%d].first_name is empty", i)
				case asked[i] == strange && (m.GetFirstName() != strange || m.GetMetal() != "" || s != nil || m.GetToldApart() != ""):
					return fmt.Errorf("materials[%d] is %q, want %q, of which nobody knows anything", i, m.GetFirstName(), strange)
				case utf8.RuneCountInString(m.GetToldApart()) > 400:
					return fmt.Errorf("materials[%d].told_apart has more than 400 characters", i)
				case s != nil && !(s.GetMetal() != "" && s.GetLowPercent() > 0 && s.GetLowPercent() <= s.GetHighPercent() && s.GetHighPercent() <= 100):
					return fmt.Errorf("materials[%d].salt is %v to %v %% of %q", i, s.GetLowPercent(), s.GetHighPercent(), s.GetMetal())
				case s.GetCeilingSalt() != "" && !(s.GetCeilingSaltPercent() > 0 && s.GetCeilingSaltPercent() <= 100):
					return fmt.Errorf("materials[%d].salt.ceiling_salt_percent is %v, want above 0 to 100", i, s.GetCeilingSaltPercent())
				}
			}
			return nil
		},
	}
}
