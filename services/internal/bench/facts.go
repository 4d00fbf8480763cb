package bench

import (
	"fmt"
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

// answerText is an answer in words.
func answerText(a *benchpb.Answer) string {
	text := ""
	switch v := a.GetValue().(type) {
	case *benchpb.Answer_Truth:
		text = map[bool]string{true: "yes", false: "no"}[v.Truth]
	case *benchpb.Answer_Texts:
		if text = strings.Join(v.Texts.GetValues(), ", "); text == "" {
			text = "none"
		}
	case *benchpb.Answer_Number:
		if text = fmt.Sprintf("%.4g", v.Number.GetLow()); v.Number.GetHigh() > v.Number.GetLow() {
			text += fmt.Sprintf(" to %.4g", v.Number.GetHigh())
		}
	}
	return a.GetField() + ": " + text
}

// tellWorkshop says what of the workshop as a whole the rules go by: gloves, air and a drain that were told in spring may not be there today.
func (d *draft) tellWorkshop() {
	var told []string
	for _, a := range d.workshop.GetAnswers() {
		if !personal(a.GetField()) {
			told = append(told, answerText(a))
		}
	}
	if len(told) > 0 {
		d.remark("the rules were held against what the workshop says of itself (%s): where it is otherwise today, nothing here is released before that is told", strings.Join(told, "; "))
	}
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

// inventory is a list of materials with whether it is all of them.
type inventory struct {
	materials []string
	whole     bool
}

func (t *inventory) add(whole bool, names ...string) {
	for _, name := range names {
		if !contains(t.materials, name) {
			t.materials = append(t.materials, name)
		}
	}
	t.whole = t.whole && whole
}

// texts tells a list that fits. One that may lack something can raise a hazard and can't rule one out.
func (t *inventory) texts(k known, field string) {
	if len(t.materials) <= maxTexts {
		k.texts(field, !t.whole, t.materials...)
	}
}

// maxTexts bounds the texts of an answer.
const maxTexts = 64

// liquor is what is in a bath, and what of that its pieces carry into it.
type liquor struct{ contents, brought inventory }

// liquors are those of the baths in their order.
func (d *draft) liquors() []liquor {
	out := make([]liquor, len(d.baths))
	byName := map[string]int{}
	carried := map[string]int{} // by piece: the bath it comes from
	for i, one := range d.baths {
		l := &out[i]
		names, whole := one.materials()
		l.contents.whole = true
		l.contents.add(whole, names...)
		if before, ok := byName[one.plan.GetExhaustOf()]; ok {
			l.contents.add(out[before].contents.whole, out[before].contents.materials...)
		}
		l.brought.whole = !d.missing || one.plan.GetRinsedBefore()
		for _, p := range one.pieces {
			if from, wet := carried[p.GetLabel()]; wet && !one.plan.GetRinsedBefore() {
				l.brought.add(out[from].contents.whole, out[from].contents.materials...)
			}
			carried[p.GetLabel()] = i
		}
		l.contents.add(l.brought.whole, l.brought.materials...)
		byName[one.plan.GetName()] = i
	}
	return out
}

// wholeTrial are the materials of all baths, and what pieces met before them.
func (d *draft) wholeTrial() (all inventory) {
	all.whole = !d.missing // baths that are missing would bring something
	all.add(len(d.earlier.unknown) == 0, d.earlier.materials...)
	for _, one := range d.baths {
		names, whole := one.materials()
		all.add(whole, names...)
	}
	return all
}

// past is what came before a bath: for its pieces, for its vessel, and whether anything was dyed.
type past struct {
	earlier inventory           // what pieces met before the plan, and whether that and all baths above are known
	met     map[string][]string // by piece: what it met in baths above
	held    map[string][]string // by the vessel's key: what it held, of the record and of the plan, the last of it last
	unsure  map[string]bool     // by the vessel's key: not all of that is known
	dyed    bool
}

func (d *draft) past() *past {
	p := &past{met: map[string][]string{}, held: map[string][]string{}, unsure: map[string]bool{}, dyed: len(d.earlier.materials) > 0 || len(d.earlier.unknown) > 0}
	p.earlier.whole = !d.missing
	p.earlier.add(len(d.earlier.unknown) == 0, d.earlier.materials...)
	for vessel := range d.unseen {
		p.unsure[vessel] = true
	}
	for vessel, uses := range d.uses {
		for _, use := range uses {
			p.hold(vessel, use.GetMaterials(), !use.GetContentsNotStated())
		}
	}
	return p
}

// hold puts what was in a vessel last behind all that was in it.
func (p *past) hold(vessel string, materials []string, whole bool) {
	p.held[vessel] = append(slices.DeleteFunc(slices.Clone(p.held[vessel]), func(m string) bool { return contains(materials, m) }), materials...)
	p.unsure[vessel] = p.unsure[vessel] || !whole
}

// tell adds to the facts of a bath what came before it.
func (p *past) tell(k known, one *bath) {
	before := inventory{whole: true}
	before.add(p.earlier.whole, p.earlier.materials...)
	for _, piece := range one.pieces {
		before.add(true, p.met[piece.GetLabel()]...)
	}
	before.texts(k, "trial.earlier_materials")
	if vessel := vesselKey(one.plan.GetVessel()); vessel != "" {
		held := p.held[vessel]
		newest := held[max(0, len(held)-maxTexts):] // the newest count; of more than a list takes, not all is known
		k.texts("vessel.earlier_materials", p.unsure[vessel] || len(newest) < len(held), newest...)
	}
}

// pass counts a bath among what came before the next.
func (p *past) pass(one *bath, l *liquor) {
	for _, piece := range one.pieces {
		met := inventory{materials: p.met[piece.GetLabel()]}
		met.add(true, l.contents.materials...)
		p.met[piece.GetLabel()] = met.materials
	}
	if vessel := vesselKey(one.plan.GetVessel()); vessel != "" {
		p.hold(vessel, l.contents.materials, l.contents.whole)
	}
	p.earlier.whole = p.earlier.whole && l.contents.whole
	p.dyed = p.dyed || len(dyesOf(one.plan)) > 0
}

// facts are those of every step: each material of each bath, for each fibre in it; of an exhaust also each that the bath before left in it. What follows from the plan comes first, then what was answered,
// the nearest first: the dose, the bath, the plan, the shelf, the vessel, the workshop.
func (d *draft) facts() *benchpb.SheetFacts {
	out := &benchpb.SheetFacts{WorkshopRevision: d.workshop.GetRevision()}
	liquors, all, past := d.liquors(), d.wholeTrial(), d.past()
	for i, one := range d.baths {
		common := d.common(one, &liquors[i])
		d.tell(common, all, "trial.materials", "trial.told_classes")
		if !past.dyed {
			common.texts("trial.earlier_dye_classes", false)
		}
		past.tell(common, one)
		past.pass(one, &liquors[i])
		materials := one.inIt()
		if len(materials) == 0 {
			materials = []string{""} // plain water
		}
		for _, fibre := range fibreFacts(one.pieces) {
			for _, m := range materials {
				out.Steps = append(out.Steps, &benchpb.SheetStep{Bath: int32(i), Material: m, Facts: d.stepFacts(one, m, common, fibre).sorted()})
			}
		}
	}
	return out
}

// common are the facts of every step of a bath.
func (d *draft) common(one *bath, l *liquor) known {
	k, p := known{}, one.plan
	if kind := stepKinds[p.GetKind()]; kind != "" {
		k.texts("step.kind", false, kind)
	}
	if len(l.contents.materials) <= maxTexts { // of which what is carried in is a part
		d.tell(k, l.contents, "bath.materials", "bath.told_classes")
		l.brought.texts(k, "bath.carryover")
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
