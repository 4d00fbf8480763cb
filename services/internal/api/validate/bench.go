package validate

import (
	"math"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	benchv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

// texts is a list of strings, each of least to most characters and once.
func texts(fewest, atMost, least, most int) check {
	return func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		list := m.Get(fd).List()
		if !checkLength(w, p, list.Len(), fewest, atMost) {
			return
		}
		seen := make(map[string]bool, list.Len())
		for i := range list.Len() {
			value := list.Get(i).String()
			if checkText(w, p.at(i), value, least, most) && seen[value] {
				w.fault(p.at(i), "%s is there twice; allowed: each once", shown(value))
			}
			seen[value] = true
		}
	}
}

// names is a list of names, as name has them.
func names(atMost, most int) check {
	plain := texts(0, atMost, 1, most)
	return func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		plain(w, p, m, fd)
		list := m.Get(fd).List()
		for i := range min(list.Len(), atMost) {
			if value := list.Get(i).String(); value != strings.ToLower(value) || value != strings.TrimSpace(value) {
				w.fault(p.at(i), "%s must be in lower case, without spaces at its ends", shown(value))
			}
		}
	}
}

// answerField is a field of safety rules. Those about a person don't come here at all.
func answerField(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
	value := m.Get(fd).String()
	if checkText(w, p, value, 1, 60) && strings.HasPrefix(strings.ToLower(strings.TrimSpace(value)), "person") {
		w.fault(p, "is about a person's health, which isn't taken here; it is answered on the member's own machine when a sheet is printed")
	}
}

// optionalPiece is a piece's UUID or short code, or empty.
func optionalPiece(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
	if m.Get(fd).String() != "" {
		pieceName(w, p, m, fd)
	}
}

// rising are figures from low to high that don't fall.
func rising(most int, low, high float64) check {
	plain := numbers(0, most, low, high)
	return func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		plain(w, p, m, fd)
		list := m.Get(fd).List()
		for i := 1; i < min(list.Len(), most); i++ {
			if list.Get(i).Float() < list.Get(i-1).Float() {
				w.fault(p.at(i), "%s is below the one before it; allowed: sorted figures", figure(list.Get(i).Float()))
			}
		}
	}
}

// lowHigh checks that high isn't below low.
func lowHigh(w *walk, p *path, low, high float64) {
	if high < low {
		w.fault(p.of("high"), "%s is below low, %s", figure(high), figure(low))
	}
}

// oneOfThem demands that one of a oneof is there.
func oneOfThem(w *walk, p *path, m protoreflect.Message, group protoreflect.Name) {
	oneof := m.Descriptor().Oneofs().ByName(group)
	if m.WhichOneof(oneof) != nil {
		return
	}
	var fields []string
	for i := range oneof.Fields().Len() {
		fields = append(fields, string(oneof.Fields().Get(i).Name()))
	}
	w.fault(p.of(string(group)), "is required; allowed: one of %s", strings.Join(fields, ", "))
}

const (
	maxPlanPieces = 200
	maxPlanBaths  = 32
	maxDoses      = 50
	maxAnswers    = 100
	maxMaterial   = 60
)

func addBench(add adder) {
	plan := rules{fields: fields{"plan": required}}
	add(&benchv1.PlanTrialRequest{}, rules{fields: fields{"plan": required}, unchecked: reasons{"validate_only": eitherWay}})
	add(&benchv1.ScaleBathRequest{}, plan)
	add(&benchv1.SelectMordantRequest{}, plan)
	add(&benchv1.InspectPlanRequest{}, plan)
	add(&benchv1.GetSheetRequest{}, rules{fields: fields{"plan_id": reference, "revision": integer(0, 1e6)}})
	add(&benchv1.ListSheetsRequest{}, rules{fields: fields{"page_size": pageSize, "page_token": text(0, maxPageToken)}, unchecked: reasons{"deleted": eitherWay}})
	add(&benchv1.InspectSheetsAgainRequest{}, rules{fields: fields{"plan_ids": eachOnce(0, 1000, checkReference)}})
	add(&benchv1.OverrideStopRequest{}, rules{fields: fields{
		"plan_id": reference, "etag": text(1, 80), "bath": text(1, 80), "rule_id": text(1, 60), "reason": text(10, 500),
		"pack_sha256": matching(moduleDigest, "64 hexadecimal digits in lower case"),
	}})
	add(&benchv1.RescaleTrialRequest{}, rules{
		fields: fields{"trial_id": maybeReference, "plan_id": maybeReference, "fibre_g": above(0, 1e6), "liquor_ratio": numberOrZero(1, 1000), "piece_g": number(0, 1e6)},
		whole:  typed(func(w *walk, p *path, m *benchv1.RescaleTrialRequest) { oneOfThem(w, p, m.ProtoReflect(), "from") }),
	})
	add(&benchv1.DeleteSheetRequest{}, rules{fields: fields{"plan_id": reference, "etag": etagGiven, "reason": text(1, maxReason)}})
	add(&benchv1.UndeleteSheetRequest{}, rules{fields: fields{"plan_id": reference, "etag": etagMaybe}})
	add(&benchv1.GetWorkshopRequest{}, rules{})
	add(&benchv1.UpdateWorkshopRequest{}, rules{fields: fields{"workshop": required, "etag": text(0, 80), "told_anew": texts(0, 50, 1, 60)}})

	add(&benchv1.Plan{}, rules{
		fields: fields{
			"id": newID, "title": text(1, 120), "trial_id": maybeReference, "pieces": list(1, maxPlanPieces), "baths": list(1, maxPlanBaths),
			"wanted_shift": oneOf("brighter", "darker", "redder", "more orange", "greener", "bluer", "browner"), "waters": list(0, 20), "store": names(200, maxMaterial),
			"refused": names(50, maxMaterial), "mordant": maybe, "answers": list(0, maxAnswers),
			"wof_reference": enum, "regains": list(0, 100), "wanted_hardness": maybe,
		}, unchecked: reasons{"store_told": eitherWay, "lay_out_days": eitherWay},
		whole: typed(func(w *walk, p *path, m *benchv1.Plan) {
			if len(m.GetStore()) > 0 && !m.GetStoreTold() {
				w.fault(p.of("store"), "has %d materials, and store_told is false", len(m.GetStore()))
			}
			if m.GetWantedHardness() != nil && len(m.GetWaters()) == 0 {
				w.fault(p.of("waters"), "is required with wanted_hardness; allowed: the waters that are at hand")
			}
			seen := map[string]bool{}
			for i, r := range m.GetRegains() {
				if seen[r.GetFibre()] {
					w.fault(p.of("regains").at(i), "%s is there twice; allowed: each fibre once", shown(r.GetFibre()))
				}
				seen[r.GetFibre()] = true
			}
		}),
	})
	add(&benchv1.PlanRegain{}, rules{fields: fields{"fibre": name(1, 40), "percent": number(0, 100)}})
	add(&benchv1.WantedHardness{}, rules{fields: fields{"value": number(0, 10_000), "scale": requiredEnum}})
	add(&benchv1.PlanPiece{}, rules{fields: fields{
		"id": newID, "label": text(1, 80), "composition": list(1, maxBlend), "mass_g": above(0, 1e6), "balance_step_g": number(0, 100), "basis": enum,
		"regain_percent": number(0, 100), "pickup_percent": number(0, 1000), "taken_from": optionalPiece, "earlier_materials": names(50, maxMaterial),
		"moisture_content_percent": number(0, 50),
	}, whole: typed(func(w *walk, p *path, m *benchv1.PlanPiece) {
		if m.RegainPercent != nil && m.MoistureContentPercent != nil {
			w.fault(p.of("moisture_content_percent"), "is given beside regain_percent; allowed: one of them")
		}
		sum, seen := 0.0, map[string]bool{}
		for i, part := range m.GetComposition() {
			sum += part.GetPercent()
			if seen[part.GetFibre()] {
				w.fault(p.of("composition").at(i), "%s is there twice; allowed: each fibre once", shown(part.GetFibre()))
			}
			seen[part.GetFibre()] = true
		}
		if len(m.GetComposition()) > 0 && !(math.Abs(sum-100) <= 0.5) {
			w.fault(p.of("composition"), "adds up to %s percent; allowed: 100 within 0.5", figure(sum))
		}
	})})
	add(&benchv1.PlanBath{}, rules{
		fields: fields{
			"name": text(1, 80), "kind": requiredEnum, "pieces": texts(0, maxPlanPieces, 1, 80), "liquor_ratio": number(1, 1000), "litres": above(0, 1e5), "vessel": text(0, 60),
			"doses": list(0, maxDoses), "dips": integer(0, 1000), "vat": text(0, 40), "indigo_g_per_l": number(0, 1000), "indigo_purity_percent": number(0.001, 100),
			"blank_of": name(0, 60), "exhaust_of": text(0, 80), "uptakes": list(0, maxDoses), "pieces_lifted": integer(0, 199), "heat": maybe, "ph": maybe, "day": integer(0, 60), "answers": list(0, maxAnswers),
		}, unchecked: reasons{"rinsed_before": eitherWay, "indigo_by_active_dye": eitherWay},
		whole: typed(func(w *walk, p *path, m *benchv1.PlanBath) { oneOfThem(w, p, m.ProtoReflect(), "volume") }),
	})
	add(&benchv1.PlanDose{}, rules{
		fields: fields{
			"material": name(1, maxMaterial), "percent_wof": number(0, 10_000), "grams_per_litre": number(0, 1e6), "parts_of": maybe, "grams_per_dip": number(0, 1e6), "grams": number(0, 1e6),
			"dye_class": text(0, 60), "form": enum, "strength": number(0.001, 1000), "moisture_percent": number(0, 99.9), "purity_percent": number(0.001, 100),
			"liquid_g_per_l": number(0.001, 2000), "soluble_g_per_l": number(0, 5000), "answers": list(0, maxAnswers), "liquid_density_kg_per_l": number(0.5, 3), "liquid_percent": number(0.001, 100),
		}, unchecked: reasons{"dyestuff": eitherWay},
		whole: typed(func(w *walk, p *path, m *benchv1.PlanDose) {
			oneOfThem(w, p, m.ProtoReflect(), "figure")
			switch {
			case m.LiquidPercent == nil:
			case m.LiquidGPerL != nil:
				w.fault(p.of("liquid_percent"), "is given beside liquid_g_per_l; allowed: one of them")
			case m.LiquidDensityKgPerL == nil:
				w.fault(p.of("liquid_density_kg_per_l"), "is required with liquid_percent: a percentage of its mass says nothing of a litre")
			}
		}),
	})
	add(&benchv1.PlanParts{}, rules{fields: fields{"parts": number(0, 1e6), "of": name(1, maxMaterial)}})
	add(&benchv1.PlanUptake{}, rules{fields: fields{"material": name(1, maxMaterial), "part": number(0, 1)}})
	add(&benchv1.Heat{}, rules{fields: fields{
		"start_c": number(0, 105), "hold_c": number(0, 105), "hold_min": number(0, 10_080), "rate_c_per_min": numberOrZero(0.01, 20), "looks_min": rising(50, 0, 10_080), "cool_min": number(0, 10_080),
	}})
	add(&benchv1.PhRange{}, rules{
		fields: fields{"low": number(0, 14), "high": number(0, 14)},
		whole:  typed(func(w *walk, p *path, m *benchv1.PhRange) { lowHigh(w, p, m.GetLow(), m.GetHigh()) }),
	})
	add(&benchv1.PlanWater{}, rules{
		fields: fields{"name": text(1, 60), "parts": above(0, 1e6), "hardness": number(0, 10_000), "scale": enum, "calcium_mg_per_l": number(0, 2000), "magnesium_mg_per_l": number(0, 2000)},
		whole: typed(func(w *walk, p *path, m *benchv1.PlanWater) {
			if m.Hardness != nil && m.GetScale() == 0 {
				w.fault(p.of("scale"), "is required with hardness: a figure without its unit says nothing")
			}
			switch calcium, magnesium := m.CalciumMgPerL != nil, m.MagnesiumMgPerL != nil; {
			case calcium && !magnesium:
				w.fault(p.of("magnesium_mg_per_l"), "is required with calcium_mg_per_l: hardness is both")
			case magnesium && !calcium:
				w.fault(p.of("calcium_mg_per_l"), "is required with magnesium_mg_per_l: hardness is both")
			case calcium && m.Hardness != nil:
				w.fault(p.of("calcium_mg_per_l"), "is given beside hardness; allowed: one of them")
			}
		}),
	})
	add(&benchv1.MordantWish{}, rules{
		fields: fields{"liquor_ratio": number(1, 1000), "litres": above(0, 1e5), "vessel": text(0, 60), "heat": maybe, "choice": integer(0, 50), "within_range": number(0, 1), "ph": maybe, "answers": list(0, maxAnswers), "modifier": maybe},
		whole:  typed(func(w *walk, p *path, m *benchv1.MordantWish) { oneOfThem(w, p, m.ProtoReflect(), "volume") }),
	})
	add(&benchv1.ModifierWish{}, rules{fields: fields{"vessel": text(0, 60), "heat": maybe, "ph": maybe}})
	add(&benchv1.Answer{}, rules{
		fields: fields{"field": answerField, "texts": maybe, "number": maybe}, unchecked: reasons{"truth": eitherWay, "doubtful": eitherWay},
		whole: typed(func(w *walk, p *path, m *benchv1.Answer) { oneOfThem(w, p, m.ProtoReflect(), "value") }),
	})
	add(&benchv1.AnswerTexts{}, rules{fields: fields{"values": texts(0, 64, 1, 120)}})
	add(&benchv1.AnswerNumber{}, rules{
		fields: fields{"low": number(-1e6, 1e6), "high": number(-1e6, 1e6)},
		whole:  typed(func(w *walk, p *path, m *benchv1.AnswerNumber) { lowHigh(w, p, m.GetLow(), m.GetHigh()) }),
	})
	add(&benchv1.Workshop{}, rules{
		fields: fields{
			"vessels": list(0, 50), "balances": list(0, 10), "small_volume_uncertainty_ml": number(0, 100), "flask_uncertainty_percent": number(0, 50), "shelf": list(0, 200), "answers": list(0, maxAnswers),
		}, unchecked: reasons{"revision": outputOnly, "etag": outputOnly, "update_time": outputOnly, "ask_again_time": outputOnly, "due": outputOnly},
	})
	add(&benchv1.Vessel{}, rules{fields: fields{"name": text(1, 60), "litres": number(0, 1e5), "answers": list(0, 20)}, unchecked: reasons{"told_time": outputOnly, "uses": outputOnly}})
	add(&benchv1.Balance{}, rules{
		fields: fields{"step_g": above(0, 100), "capacity_g": number(0, 1e6)},
		whole: typed(func(w *walk, p *path, m *benchv1.Balance) {
			if m.GetCapacityG() != 0 && m.GetCapacityG() < m.GetStepG() {
				w.fault(p.of("capacity_g"), "%s is below step_g", figure(m.GetCapacityG()))
			}
		}),
	})
	add(&benchv1.ShelfMaterial{}, rules{fields: fields{"material": name(1, maxMaterial), "answers": list(0, 30)}})
}
