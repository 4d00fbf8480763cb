package bench

import (
	"math"
	"slices"
	"strings"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

// known are facts by field, generic: which kind a field is of is each safety module's to say.
type known map[string]*benchpb.Answer

func (k known) truth(field string, yes bool) {
	k[field] = &benchpb.Answer{Field: field, Value: &benchpb.Answer_Truth{Truth: yes}}
}

func (k known) texts(field string, doubtful bool, values ...string) {
	k[field] = &benchpb.Answer{Field: field, Doubtful: doubtful, Value: &benchpb.Answer_Texts{Texts: &benchpb.AnswerTexts{Values: values}}}
}

func (k known) number(field string, low, high float64) {
	k[field] = &benchpb.Answer{Field: field, Value: &benchpb.Answer_Number{Number: &benchpb.AnswerNumber{Low: low, High: high}}}
}

// addsNothing is of plain water, and of what is in a bath already.
func (k known) addsNothing() {
	k.texts("step.adds", false, "none")
	k.texts("step.adds_class", false, "none")
	k.truth("step.adds_any", false)
}

// add takes answers for what isn't known yet.
func (k known) add(answers []*benchpb.Answer) {
	for _, a := range answers {
		if k[a.GetField()] == nil && !personal(a.GetField()) {
			k[a.GetField()] = a
		}
	}
}

func (k known) sorted() (list []*benchpb.Answer) {
	for _, a := range k {
		list = append(list, a)
	}
	slices.SortFunc(list, func(a, b *benchpb.Answer) int { return strings.Compare(a.GetField(), b.GetField()) })
	return list
}

// personal tells the fields about a person, which are never sent to a core.
func personal(field string) bool { return strings.HasPrefix(field, "person.") }

// The fibres that rules know by name, and of which kind of thing fibres are: common practice, no source. Of others nothing is known.
var (
	ruleFibres = []string{"wool", "silk", "cotton", "linen", "hemp"}
	fibreClass = map[string]string{
		"wool": "protein", "silk": "protein", "alpaca": "protein", "mohair": "protein", "cashmere": "protein",
		"cotton": "cellulose", "linen": "cellulose", "hemp": "cellulose", "jute": "cellulose", "ramie": "cellulose", "viscose": "cellulose", "lyocell": "cellulose",
	}
)

var stepKinds = map[benchpb.BathKind]string{
	benchpb.BathKind_BATH_KIND_SCOUR: "scour", benchpb.BathKind_BATH_KIND_TANNIN: "tannin", benchpb.BathKind_BATH_KIND_MORDANT: "mordant", benchpb.BathKind_BATH_KIND_EXTRACT: "extract",
	benchpb.BathKind_BATH_KIND_DYE: "dye", benchpb.BathKind_BATH_KIND_VAT: "vat", benchpb.BathKind_BATH_KIND_MODIFIER: "modifier", benchpb.BathKind_BATH_KIND_STRIP: "strip",
	benchpb.BathKind_BATH_KIND_RINSE: "rinse", benchpb.BathKind_BATH_KIND_FERMENT: "ferment",
}

// materials of a bath: its doses, and what a vat that is told by its name consists of, as far as that was computed.
func (one *bath) materials() (names []string, whole bool) {
	whole = true
	if one.plan.GetVat() != "" {
		names, whole = append(names, "indigo"), false
		for _, load := range one.scaled.GetLoads() {
			whole = true
			for _, a := range load.GetAmounts() {
				if !contains(names, a.GetMaterial()) {
					names = append(names, a.GetMaterial())
				}
			}
		}
	}
	for _, dose := range one.plan.GetDoses() {
		if !contains(names, dose.GetMaterial()) {
			names = append(names, dose.GetMaterial())
		}
	}
	return names, whole
}

// facts are those of every step: each material of each bath, for each fibre in it; of an exhaust also each that the bath before left in it. What follows from the plan comes first, then what was answered,
// the nearest first: the dose, the bath, the plan, the shelf, the vessel, the workshop.
func (d *draft) facts() *benchpb.SheetFacts {
	out := &benchpb.SheetFacts{WorkshopRevision: d.workshop.GetRevision()}
	var all []string
	allKnown := len(d.earlier.unknown) == 0 && !d.missing // baths that are missing would bring something
	add := func(list []string, names ...string) []string {
		for _, name := range names {
			if !contains(list, name) {
				list = append(list, name)
			}
		}
		return list
	}
	contents, whole := make([][]string, len(d.baths)), make([]bool, len(d.baths))
	carried := map[string]int{} // by piece: the bath it comes from
	byName := map[string]int{}
	dyed := len(d.earlier.materials) > 0 || len(d.earlier.unknown) > 0
	all = add(all, d.earlier.materials...)
	brought, told := make([][]string, len(d.baths)), make([]bool, len(d.baths)) // what pieces bring along, and whether that is all
	for i, one := range d.baths {
		own, known := one.materials()
		all, allKnown = add(all, own...), allKnown && known
		if before, ok := byName[one.plan.GetExhaustOf()]; ok {
			own, known = add(slices.Clone(own), contents[before]...), known && whole[before]
		}
		told[i] = !d.missing || one.plan.GetRinsedBefore()
		for _, p := range one.pieces {
			if from, wet := carried[p.GetLabel()]; wet && !one.plan.GetRinsedBefore() {
				brought[i], told[i] = add(brought[i], contents[from]...), told[i] && whole[from]
			}
		}
		contents[i], whole[i] = add(slices.Clone(own), brought[i]...), known && told[i]
		byName[one.plan.GetName()] = i
		for _, p := range one.pieces {
			carried[p.GetLabel()] = i
		}
	}
	seenDye := dyed
	held := map[string][]string{} // by the vessel's key: what it held in earlier baths, of the record and of the plan
	unsure := map[string]bool{}   // by the vessel's key: not all of that is known
	for vessel, uses := range d.uses {
		for _, use := range uses {
			held[vessel] = append(slices.DeleteFunc(held[vessel], func(m string) bool { return contains(use.GetMaterials(), m) }), use.GetMaterials()...)
			unsure[vessel] = unsure[vessel] || use.GetContentsNotStated()
		}
	}
	met := map[string][]string{} // by piece: what it met in earlier baths
	sure := len(d.earlier.unknown) == 0 && !d.missing
	for i, one := range d.baths {
		common := d.common(one, contents[i], whole[i], brought[i], told[i], all, allKnown, seenDye)
		before := slices.Clone(d.earlier.materials)
		for _, p := range one.pieces {
			before = add(before, met[p.GetLabel()]...)
			met[p.GetLabel()] = add(met[p.GetLabel()], contents[i]...)
		}
		if len(before) <= 64 {
			common.texts("trial.earlier_materials", !sure, before...)
		}
		if vessel := vesselKey(one.plan.GetVessel()); vessel != "" {
			// The newest count; of more than a list takes, not all is known.
			newest := held[vessel][max(0, len(held[vessel])-64):]
			common.texts("vessel.earlier_materials", unsure[vessel] || len(newest) < len(held[vessel]), newest...)
			// What it held last stands last.
			held[vessel] = append(slices.DeleteFunc(slices.Clone(held[vessel]), func(m string) bool { return contains(contents[i], m) }), contents[i]...)
			unsure[vessel] = unsure[vessel] || !whole[i]
		}
		sure = sure && whole[i]
		seenDye = seenDye || len(dyesOf(one.plan)) > 0
		inIt := one.inIt()
		for _, fibre := range fibreFacts(one.pieces) {
			if len(inIt) == 0 {
				out.Steps = append(out.Steps, &benchpb.SheetStep{Bath: int32(i), Facts: d.stepFacts(one, "", common, fibre).sorted()})
			}
			for _, m := range inIt {
				out.Steps = append(out.Steps, &benchpb.SheetStep{Bath: int32(i), Material: m, Facts: d.stepFacts(one, m, common, fibre).sorted()})
			}
		}
	}
	return out
}

// common are the facts of every step of a bath.
func (d *draft) common(one *bath, contents []string, whole bool, brought []string, told bool, all []string, allKnown, dyedBefore bool) known {
	k, p := known{}, one.plan
	if kind := stepKinds[p.GetKind()]; kind != "" {
		k.texts("step.kind", false, kind)
	}
	if len(contents) <= 64 {
		// A list that may lack something can raise a hazard and can't rule one out.
		k.texts("bath.materials", !whole, contents...)
		k.texts("bath.carryover", !told, brought...)
	}
	if len(all) <= 64 {
		k.texts("trial.materials", !allKnown, all...)
	}
	if !dyedBefore {
		k.texts("trial.earlier_dye_classes", false)
	}
	k.truth("bath.leftover_unknown", false) // a bath of a plan is made anew, or is an exhaust of one that is
	if ph := p.GetPh(); ph != nil {
		k.number("bath.ph", ph.GetLow(), ph.GetHigh())
	}
	if one.laid {
		heat := p.GetHeat()
		hot := math.Max(one.out.GetHoldC(), heat.GetStartC())
		k.number("step.temperature_c", hot, hot)
		if hot >= 100 || hot < boilsFrom { // between, it hangs on how high up the pot stands
			k.truth("step.boils", hot >= 100)
		}
		last := 0.0
		for _, m := range one.out.GetMoments() {
			last = math.Max(last, m.GetMinute())
		}
		if last > 0 {
			k.number("step.minutes", last, last)
		}
	}
	if loads := one.scaled.GetLoads(); len(loads) > 0 {
		low, high := math.Inf(1), 0.0
		for _, l := range loads {
			low, high = math.Min(low, l.GetVolumeMl()/1000), math.Max(high, l.GetVolumeMl()/1000)
		}
		k.number("bath.volume_l", low, high)
	}
	if d.plan.GetWantedShift() == "brighter" {
		k.truth("step.wants_clear_colour", true)
	}
	return k
}

// boilsFrom is the temperature below which water boils nowhere that people dye: about 4,300 m above the sea, common practice, no source.
const boilsFrom = 85

// fibreFacts are the facts of each fibre in a bath; one empty set when there is none.
func fibreFacts(pieces []*benchpb.PlanPiece) (list []known) {
	for _, name := range fibresOf(pieces) {
		k := known{}
		if class := fibreClass[name]; class != "" { // a name that isn't known may be of silk or wool all the same
			kind := name
			if !contains(ruleFibres, name) {
				kind = "other"
			}
			k.texts("fibre.kind", false, kind)
			k.texts("fibre.class", false, class)
		}
		if !slices.ContainsFunc(list, func(other known) bool { return sameFibre(other, k) }) {
			list = append(list, k)
		}
	}
	return list
}

func sameFibre(a, b known) bool {
	value := func(k known, field string) string { return strings.Join(k[field].GetTexts().GetValues(), "") }
	return value(a, "fibre.kind") == value(b, "fibre.kind") && value(a, "fibre.class") == value(b, "fibre.class")
}

// stepFacts are those of one material of a bath; "" is plain water.
func (d *draft) stepFacts(one *bath, material string, common, fibre known) known {
	k := known{}
	for _, from := range []known{common, fibre} {
		for field, a := range from {
			k[field] = a
		}
	}
	if material == "" {
		k.texts("material.id", false, "water")
		k.texts("material.classes", false)
		k.texts("material.hazard_classes", false)
		k.texts("material.form", false, "solution")
		k.texts("material.plant_part", false, "none")
		k.texts("plant.genus", false, "none")
		k.texts("plant.species", false, "none")
		k.truth("plant.identified", true)
		for _, field := range []string{"plant.wild_gathered", "plant.protected_or_slow", "plant.sprayed_or_roadside", "container.contents_unknown", "container.label_missing"} {
			k.truth(field, false)
		}
		k.addsNothing()
	} else {
		k.texts("material.id", false, material)
		if own, _ := one.materials(); contains(own, material) {
			k.texts("step.adds", false, material)
			k.truth("step.adds_any", true)
		} else {
			k.addsNothing()
		}
		one.delivered(k, material)
	}
	told := d.told(one, material)
	for field, a := range told {
		if k[field] == nil {
			k[field] = a
		}
	}
	d.noLessThanTogether(one, material, k, told)
	return k
}

// told are the answers that hold for a material of a bath, the nearest of each field: of the dose, the bath, the plan, the shelf, the vessel, the workshop.
func (d *draft) told(one *bath, material string) known {
	k := known{}
	for _, dose := range one.plan.GetDoses() {
		if dose.GetMaterial() == material {
			k.add(dose.GetAnswers())
		}
	}
	k.add(one.plan.GetAnswers())
	k.add(d.plan.GetAnswers())
	for _, m := range d.workshop.GetShelf() {
		if m.GetMaterial() == material || material != "" && m.GetMaterial() == d.keptAs[material] {
			k.add(m.GetAnswers())
		}
	}
	k.add(d.vessel(one.plan.GetVessel()).GetAnswers())
	k.add(d.workshop.GetAnswers())
	return k
}
