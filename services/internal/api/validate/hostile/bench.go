package hostile

import (
	"google.golang.org/protobuf/reflect/protoreflect"
)

// What hangs together in the messages of the bench.
func init() {
	first := func(list protoreflect.List) { list.Truncate(min(1, list.Len())) }
	bench := func(name string, put func(*Maker, protoreflect.Message)) {
		settled[protoreflect.FullName("commonvat.bench.v1."+name)] = put
	}
	clear := func(message protoreflect.Message, names ...protoreflect.Name) {
		for _, name := range names {
			message.Clear(field(message, name))
		}
	}
	bench("Plan", func(m *Maker, p protoreflect.Message) {
		set(p, "id", m.ID())
		set(p, "wanted_shift", pick(m, []string{"", "brighter", "darker", "redder"}))
		set(p, "store_told", true)
		clear(p, "store", "refused", "wanted_hardness", "regains", "wof_reference")
		for _, name := range []protoreflect.Name{"pieces", "baths"} {
			if list := p.Mutable(field(p, name)).List(); list.Len() == 0 {
				m.fill(list.AppendMutable().Message(), 3)
			}
		}
		if m.random.IntN(3) > 0 {
			clear(p, "mordant")
		}
	})
	bench("PlanPiece", func(m *Maker, p protoreflect.Message) {
		set(p, "id", m.ID())
		set(p, "label", "piece "+m.ID()[24:])
		clear(p, "taken_from", "earlier_materials", "moisture_content_percent")
		parts := p.Mutable(field(p, "composition")).List()
		if parts.Len() == 0 {
			m.fill(parts.AppendMutable().Message(), 4)
		}
		parts.Truncate(1)
		set(parts.Get(0).Message(), "fibre", "wool")
		set(parts.Get(0).Message(), "percent", float64(100))
	})
	bench("PlanBath", func(m *Maker, b protoreflect.Message) {
		set(b, "name", "bath "+m.ID()[24:])
		set(b, "liquor_ratio", float64(30))
		clear(b, "pieces", "vessel", "vat", "indigo_g_per_l", "exhaust_of", "uptakes", "pieces_lifted", "day", "indigo_by_active_dye", "blank_of")
		first(b.Mutable(field(b, "doses")).List())
	})
	bench("PlanDose", func(m *Maker, d protoreflect.Message) {
		set(d, "material", pick(m, []string{"weld", "madder", "alum"}))
		set(d, "percent_wof", float64(1+m.random.IntN(50)))
		clear(d, "liquid_percent")
	})
	bench("PhRange", func(_ *Maker, r protoreflect.Message) {
		set(r, "low", float64(4))
		set(r, "high", float64(9))
	})
	bench("Heat", func(_ *Maker, h protoreflect.Message) { clear(h, "looks_min") })
	bench("PlanWater", func(m *Maker, w protoreflect.Message) {
		set(w, "scale", protoreflect.EnumNumber(1))
		if m.random.IntN(2) == 0 {
			clear(w, "calcium_mg_per_l", "magnesium_mg_per_l")
			return
		}
		clear(w, "hardness")
		set(w, "calcium_mg_per_l", float64(60))
		set(w, "magnesium_mg_per_l", float64(12))
	})
	bench("MordantWish", func(m *Maker, w protoreflect.Message) {
		set(w, "liquor_ratio", float64(30))
		set(w, "within_range", m.random.Float64())
		clear(w, "vessel")
	})
	bench("ModifierWish", func(_ *Maker, w protoreflect.Message) { clear(w, "vessel") })
	bench("AnswerTexts", func(_ *Maker, t protoreflect.Message) { first(t.Mutable(field(t, "values")).List()) })
	bench("AnswerNumber", func(_ *Maker, n protoreflect.Message) { set(n, "high", float64(20)) })
	bench("Balance", func(_ *Maker, b protoreflect.Message) { set(b, "capacity_g", float64(500)) })
	bench("Vessel", func(m *Maker, v protoreflect.Message) {
		set(v, "name", "pot "+m.ID()[24:])
		clear(v, "answers")
	})
	bench("ShelfMaterial", func(m *Maker, s protoreflect.Message) {
		set(s, "material", "lot "+m.ID()[24:])
		clear(s, "answers")
	})
	bench("Workshop", func(_ *Maker, w protoreflect.Message) { clear(w, "answers") })
	bench("UpdateWorkshopRequest", func(m *Maker, u protoreflect.Message) {
		set(u, "etag", pick(m, []string{"", `"r1"`, `"r2"`, `"r3"`}))
		clear(u, "told_anew")
	})
	bench("UndeleteSheetRequest", func(m *Maker, u protoreflect.Message) { set(u, "etag", pick(m, []string{"", `"r1"`, `"r2"`})) })
	bench("RescaleTrialRequest", func(_ *Maker, r protoreflect.Message) { set(r, "liquor_ratio", float64(20)) })
	bench("OverrideStopRequest", func(m *Maker, o protoreflect.Message) { set(o, "reason", "because "+m.ID()) })
}
