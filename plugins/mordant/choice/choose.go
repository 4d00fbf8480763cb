package choice

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Question is what is wanted to be dyed.
type Question struct {
	// Fibres of the load, each once.
	Fibres []string
	// Dyes in the order in which they go on.
	Dyes []Dye
	// Shift that is wanted, one of [Shifts]; empty: none.
	Shift string
	// Store is what is at hand; nil: not told, then nothing is ruled out for want of it.
	Store []string
	// Refused is what the member won't use.
	Refused []string
	// HardnessMgPerL of the water, as calcium carbonate; nil: not known.
	HardnessMgPerL *float64
}

// Dye is one dyestuff of the order.
type Dye struct {
	Name string
	// Class of [Facts.DyeClasses]; empty: that of the facts, and asked for where they don't know the dyestuff.
	Class string
}

// Answer is what can be done.
type Answer struct {
	// Asks are what has to be said first; then nothing else is answered.
	Asks []Ask
	// Fibres in the question's order.
	Fibres []FibreAnswer
	// CeilingC is the lowest ceiling of everything in a shared bath, with what sets it; 0 when none is known.
	CeilingC  float64
	CeilingOf string
	// Remarks on the order and the water, whatever the mordant.
	Remarks []Remark
}

// Ask is a question back.
type Ask struct {
	// About names the dyestuff or the fibre.
	About   string
	Text    string
	Choices []string
}

// Remark is a reason with its sources.
type Remark struct {
	Text string
	// Sources in words.
	Sources    []string
	Confidence string
	// Conflict is true where authorities contradict each other.
	Conflict bool
}

// FibreAnswer is one fibre of the load: each is mordanted by its own mass.
type FibreAnswer struct {
	Fibre, Class string
	// Choices from the best down.
	Choices  []Choice
	RuledOut []RuledOut
}

// RuledOut is a way that was not taken.
type RuledOut struct {
	ID, What, Why string
}

// Place is when a step is done, beside the baths in their order.
type Place struct {
	// Before is the number of the bath before which it is done, counted from 1; one more than there are baths: after the last.
	Before int
}

// Step is one mordant bath, or a modifier.
type Step struct {
	Material Material
	Place    Place
	// Modifies is true of what goes on after a dye.
	Modifies bool
	// Note says what the order asks of this step; may be empty.
	Note string
}

// Choice is one way to do it.
type Choice struct {
	// IDs of the options and modifiers it is made of.
	IDs   []string
	Steps []Step
	// Effect, Reasons and Sources in words.
	Effect     string
	Reasons    []string
	Sources    []string
	Confidence string
	// Warnings of the order.
	Warnings []Remark
	// WantedShift is true when it gives the shift that was asked for.
	WantedShift bool
}

const vatClass = "vat indigoid"

// Ceilings of fibres in mordant and dye baths, °C; the reasons stand in package schedule of the module that lays baths out.
var fibreCeilings = map[string]float64{"wool": 90, "alpaca": 90, "mohair": 90, "cashmere": 90, "silk": 85}

// Mordant baths are kept below the boil for their fumes: J. Dean's safety rules, as repeated by a supplier.
const mordantCeilingC = 88

// Choose answers a question.
func (f *Facts) Choose(q Question) Answer {
	q.Store, q.Refused = f.named(q.Store), f.named(q.Refused)
	for _, form := range f.Forms {
		if slices.ContainsFunc(q.Refused, form.is) { // it is the same substance
			q.Refused = append(q.Refused, folded(form.Of))
		}
	}
	dyes, asks := f.dyes(q)
	classes := make([]string, len(q.Fibres))
	for i, fibre := range q.Fibres {
		classes[i] = f.Fibres[fibre]
		if classes[i] == "" {
			asks = append(asks, Ask{fibre, fmt.Sprintf("%q is not a fibre that is known here: is it of animals or of plants?", fibre), []string{"protein", "cellulose"}})
		}
	}
	if len(asks) > 0 {
		return Answer{Asks: asks}
	}
	answer := Answer{Remarks: append(f.orderRemarks(dyes), waterRemarks(dyes, q.HardnessMgPerL)...)}
	answer.CeilingC, answer.CeilingOf = mordantCeilingC, "any mordant bath"
	for i, fibre := range q.Fibres {
		if c, ok := fibreCeilings[fibre]; ok && c < answer.CeilingC {
			answer.CeilingC, answer.CeilingOf = c, fibre
		}
		answer.Fibres = append(answer.Fibres, f.fibre(q, dyes, fibre, classes[i]))
	}
	if len(q.Fibres) > 1 {
		answer.Remarks = append(answer.Remarks, Remark{
			Text:    "several fibres share the dye bath: mordant each by its own mass and in its own bath, then join them; expect them to take different depths",
			Sources: []string{f.Sources["guide-ca"]}, Confidence: "medium",
		})
	}
	return answer
}

func (f *Facts) dyes(q Question) (dyes []Dye, asks []Ask) {
	known := f.DyeClasses()
	for _, d := range q.Dyes {
		if d.Class == "" {
			d.Class = f.Dyestuffs[folded(d.Name)]
		}
		if !slices.Contains(known, d.Class) {
			asks = append(asks, Ask{d.Name, fmt.Sprintf("what class of dyestuff is %q?", d.Name), known})
		}
		dyes = append(dyes, d)
	}
	return dyes, asks
}

// fibre finds the ways for one fibre: for each dyestuff an option, together in the order of work.
func (f *Facts) fibre(q Question, dyes []Dye, fibre, class string) FibreAnswer {
	out := FibreAnswer{Fibre: fibre, Class: class}
	ways := []Choice{{Confidence: "high"}}
	for n, dye := range dyes {
		var next []Choice
		for _, o := range f.optionsFor(fibre, class, dye.Class) {
			if why := f.unusable(q, o.Steps); why != "" {
				out.RuledOut = append(out.RuledOut, RuledOut{o.ID, describe(o.Steps) + " for " + dye.Name, why})
				continue
			}
			for _, way := range ways {
				next = append(next, f.with(way, o, dyes, n))
			}
		}
		if len(next) == 0 {
			out.RuledOut = append(out.RuledOut, RuledOut{"", dye.Name + " on " + fibre, "no way to prepare it is left"})
			return out
		}
		ways = next
	}
	out.RuledOut = append(out.RuledOut, f.others(fibre, class, dyes)...)
	for _, way := range ways {
		for _, placed := range f.placed(way, dyes) {
			out.Choices = append(out.Choices, f.modified(q, class, dyes, placed, &out)...)
		}
	}
	out.RuledOut = distinct(out.RuledOut)
	for i := range out.Choices {
		c := &out.Choices[i]
		c.Sources = compact(c.Sources)
		c.Reasons = compact(c.Reasons)
		c.Steps = f.weighed(c.Steps)
	}
	slices.SortStableFunc(out.Choices, func(a, b Choice) int {
		return cmp.Or(
			-compareBool(a.WantedShift, b.WantedShift), cmp.Compare(slices.Index(confidences, a.Confidence), slices.Index(confidences, b.Confidence)),
			cmp.Compare(len(a.Warnings), len(b.Warnings)), cmp.Compare(len(a.Steps), len(b.Steps)), slices.Compare(a.IDs, b.IDs))
	})
	return out
}

func compareBool(a, b bool) int {
	switch {
	case a && !b:
		return 1
	case b && !a:
		return -1
	}
	return 0
}

// compact takes out what stands twice and keeps the order.
func compact(list []string) []string {
	var out []string
	for _, s := range list {
		if !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}

func distinct(list []RuledOut) []RuledOut {
	var out []RuledOut
	for _, r := range list {
		if !slices.Contains(out, r) {
			out = append(out, r)
		}
	}
	return out
}

func (o Option) fits(fibre, class string) bool {
	return (o.FibreClass == "any" || o.FibreClass == class) && (len(o.Fibres) == 0 || slices.Contains(o.Fibres, fibre))
}

func (f *Facts) optionsFor(fibre, class, dyeClass string) []Option {
	var out []Option
	for _, o := range f.Options {
		if o.fits(fibre, class) && slices.Contains(o.DyeClasses, dyeClass) {
			out = append(out, o)
		}
	}
	return out
}

// others are ways for these dyestuffs that belong to another kind of fibre.
func (f *Facts) others(fibre, class string, dyes []Dye) (out []RuledOut) {
	for _, o := range f.Options {
		for _, d := range dyes {
			if !slices.Contains(o.DyeClasses, d.Class) || o.fits(fibre, class) {
				continue
			}
			why := fmt.Sprintf("it is for %s fibre, and %s is %s", o.FibreClass, fibre, class)
			if o.FibreClass == class {
				why = fmt.Sprintf("it is for %s", strings.Join(o.Fibres, ", "))
			}
			out = append(out, RuledOut{o.ID, describe(o.Steps) + " for " + d.Name, why})
		}
	}
	return out
}

func describe(steps []Material) string {
	if len(steps) == 0 {
		return "no mordant"
	}
	var names []string
	for _, s := range steps {
		text := s.Material
		for _, w := range s.With {
			text += " with " + w.Material
		}
		names = append(names, text)
	}
	return strings.Join(names, ", then ")
}

// unusable says why materials can't be had, or nothing.
func (f *Facts) unusable(q Question, steps []Material) string {
	for _, s := range steps {
		for _, m := range append([]Material{s}, s.With...) {
			if slices.Contains(q.Refused, folded(m.Material)) {
				return m.Material + " is not to be used"
			}
			if q.Store != nil && !slices.Contains(q.Store, folded(m.Material)) {
				return m.Material + " is not in the store" + f.tannins(q.Store, m.Material) + f.otherForms(q.Store, m.Material)
			}
		}
	}
	return ""
}

// tanninClasses are the classes of dyestuffs that hold tannin.
var tanninClasses = []string{"hydrolysable tannin", "condensed tannin"}

const tannin = "tannin"

// tannins tells what in the store holds tannin, where that is what is lacking: of galls or barks as they are more is taken than of tannin, and how much hangs on the lot.
func (f *Facts) tannins(store []string, lacking string) string {
	var held []string
	for _, name := range store {
		if folded(lacking) == tannin && slices.Contains(tanninClasses, f.Dyestuffs[name]) {
			held = append(held, name)
		}
	}
	if len(held) == 0 {
		return ""
	}
	return "; " + strings.Join(held, " and ") + " holds some, in amounts of its own: plan it as a tannin bath"
}

// otherForms tells what in the store is what is lacking with more or less water in it: amounts are told of one form, and of another as many grams are another recipe.
func (f *Facts) otherForms(store []string, lacking string) (text string) {
	for _, form := range f.Forms {
		for _, name := range store {
			switch {
			case !form.is(name) || folded(form.Of) != folded(lacking):
			case form.GramsLow == form.GramsHigh:
				text += fmt.Sprintf("; of %s, %.3g g stand for 1 g of it: write the bath into the plan with as much", name, form.GramsLow)
			default:
				text += fmt.Sprintf("; %s may be it or hold more water, and %.3g to %.3g g then stand for 1 g: look which it is, and name it so", name, form.GramsLow, form.GramsHigh)
			}
		}
	}
	return text
}

// weighed says of each step which form its amounts are of, where others are sold under the same name.
func (f *Facts) weighed(steps []Step) []Step {
	out := slices.Clone(steps)
	for i := range out {
		for _, m := range append([]Material{out[i].Material}, out[i].Material.With...) {
			var others []string
			for _, form := range f.Forms {
				if folded(form.Of) == folded(m.Material) && form.GramsLow == form.GramsHigh && !form.ToldOnPacket {
					others = append(others, fmt.Sprintf("%.3g g of %s", form.GramsLow, form.Name))
				}
			}
			if len(others) == 0 {
				continue
			}
			if out[i].Note != "" {
				out[i].Note += "; "
			}
			out[i].Note += fmt.Sprintf("amounts are of %s: 1 g of it is %s", m.Material, strings.Join(others, ", or "))
		}
	}
	return out
}

// with adds an option for the n-th dyestuff to a way. What is there already isn't done twice: one mordanting serves later dyestuffs.
func (f *Facts) with(way Choice, o Option, dyes []Dye, n int) Choice {
	way.IDs = append(slices.Clone(way.IDs), o.ID)
	way.Reasons = append(slices.Clone(way.Reasons), fmt.Sprintf("%s: %s", dyes[n].Name, o.Reason))
	way.Sources = append(slices.Clone(way.Sources), f.words(o.Sources)...)
	way.Warnings = slices.Clone(way.Warnings)
	way.Confidence = lower(way.Confidence, o.Confidence)
	if way.Effect != "" {
		way.Effect += ", then "
	}
	way.Effect += o.Effect
	steps := slices.Clone(way.Steps)
	served := len(o.Steps) > 0 && len(steps) > 0
	for _, s := range o.Steps {
		if !slices.ContainsFunc(steps, func(t Step) bool { return t.Material.Material == s.Material }) {
			served = false
		}
	}
	if served {
		way.Warnings = append(way.Warnings, Remark{
			Text:       fmt.Sprintf("the mordant that %s was given serves %s too: the first dye has taken part of it, and the second takes less", dyes[0].Name, dyes[n].Name),
			Confidence: "low", Sources: []string{f.Sources["memory"]},
		})
	} else {
		for _, s := range o.Steps {
			steps = append(steps, Step{Material: s, Place: Place{Before: n + 1}})
		}
	}
	way.Steps = steps
	return way
}

func (f *Facts) words(keys []string) []string {
	var out []string
	for _, k := range keys {
		out = append(out, f.Sources[k])
	}
	return out
}

// lower is the lower of two confidences.
func lower(a, b string) string {
	return confidences[max(slices.Index(confidences, a), slices.Index(confidences, b))]
}

func (f *Facts) needsMordant(d Dye) bool { return slices.Contains(f.MordantDyeClasses, d.Class) }

// placed gives the places that the order of baths leaves to a way. A mordant for a dye that follows a vat can go on before the vat or between:
// authorities contradict each other, so both are given.
func (f *Facts) placed(way Choice, dyes []Dye) []Choice {
	after := slices.IndexFunc(dyes, func(d Dye) bool { return d.Class == vatClass })
	if after < 0 || !slices.ContainsFunc(way.Steps, func(s Step) bool { return s.Place.Before > after+1 }) {
		return []Choice{way}
	}
	move := func(before int, note string, warning Remark) Choice {
		moved := way
		moved.Steps = slices.Clone(way.Steps)
		for i := range moved.Steps {
			if moved.Steps[i].Place.Before > after+1 {
				moved.Steps[i].Place.Before = before
				moved.Steps[i].Note = note
			}
		}
		slices.SortStableFunc(moved.Steps, func(a, b Step) int { return cmp.Compare(a.Place.Before, b.Place.Before) })
		moved.Warnings = append(slices.Clone(way.Warnings), warning)
		return moved
	}
	between := move(after+2, "after a good rinse", Remark{
		Text:    "mordanting between the vat and the dye takes loose indigo off, and is told to give the faster and brighter green",
		Sources: []string{f.Sources["mairet"]}, Confidence: "medium", Conflict: true,
	})
	first := move(after+1, "before the vat, so that the vat's alkali is the last strong bath before the dye", Remark{
		Text:    "mordanting before the vat saves the blue a hot bath; the vat's alkali may take part of the mordant off, so try a snip",
		Sources: []string{f.Sources["memory"]}, Confidence: "low", Conflict: true,
	})
	first.Confidence = lower(first.Confidence, "low")
	return []Choice{between, first}
}

// modified adds the modifiers that give the wanted shift, beside the way without one. Iron and every other modifier come last.
func (f *Facts) modified(q Question, class string, dyes []Dye, way Choice, out *FibreAnswer) []Choice {
	way.Steps = tanninFirst(way, class, f)
	for _, id := range way.IDs {
		at := slices.IndexFunc(f.Options, func(o Option) bool { return o.ID == id })
		way.WantedShift = way.WantedShift || (q.Shift != "" && slices.Contains(f.Options[at].Shifts, q.Shift))
	}
	ways := []Choice{way}
	if q.Shift == "" {
		return ways
	}
	for _, m := range f.Modifiers {
		if (m.FibreClass != "any" && m.FibreClass != class) || !slices.Contains(m.Shifts, q.Shift) {
			continue
		}
		material := Material{Material: m.Material, LowPercent: m.LowPercent, HighPercent: m.HighPercent}
		if why := f.unusable(q, []Material{material}); why != "" {
			out.RuledOut = append(out.RuledOut, RuledOut{m.ID, m.Material + " afterwards", why})
			continue
		}
		with := way
		with.IDs = append(slices.Clone(way.IDs), m.ID)
		with.Steps = append(slices.Clone(way.Steps), Step{Material: material, Place: Place{Before: len(dyes) + 1}, Modifies: true, Note: "last of all, in a vessel of its own"})
		with.Effect = way.Effect + ", " + m.Effect
		with.Reasons = append(slices.Clone(way.Reasons), m.Reason)
		with.Sources = append(slices.Clone(way.Sources), f.words(m.Sources)...)
		with.Confidence = lower(way.Confidence, m.Confidence)
		with.WantedShift = true
		ways = append(ways, with)
	}
	return ways
}

// tanninFirst puts tannin before alum on cellulose, where the order isn't the option's point.
func tanninFirst(way Choice, class string, f *Facts) []Step {
	steps := slices.Clone(way.Steps)
	three := slices.ContainsFunc(f.Options, func(o Option) bool { return o.ThreeBaths && slices.Contains(way.IDs, o.ID) })
	if class != "cellulose" || three {
		return steps
	}
	slices.SortStableFunc(steps, func(a, b Step) int {
		return cmp.Or(cmp.Compare(a.Place.Before, b.Place.Before), -compareBool(folded(a.Material.Material) == tannin, folded(b.Material.Material) == tannin))
	})
	return steps
}

// orderRemarks are what the order of baths asks for, whatever the mordant.
func (f *Facts) orderRemarks(dyes []Dye) (out []Remark) {
	for i := 1; i < len(dyes); i++ {
		before, now := dyes[i-1], dyes[i]
		switch {
		case now.Class == vatClass && f.needsMordant(before):
			out = append(out, Remark{
				Text:    fmt.Sprintf("an alkaline, reducing vat over %s may strip or shift it: keep the vat mild and the dips short, and put a dyed snip through a blank vat first", before.Name),
				Sources: []string{f.Sources["memory"]}, Confidence: "medium",
			})
			if before.Class == "flavonoid" {
				out = append(out, Remark{
					Text:    fmt.Sprintf("%s is told to stand a short vat, and is told to foul it and blur the blue: so measure", before.Name),
					Sources: []string{f.Sources["weld-notes"], f.Sources["mairet"]}, Confidence: "medium", Conflict: true,
				})
			}
		case f.needsMordant(now) && f.needsMordant(before):
			out = append(out, Remark{
				Text:    fmt.Sprintf("%s takes places of the mordant that %s then lacks; a light second mordanting between them helps", before.Name, now.Name),
				Sources: []string{f.Sources["memory"]}, Confidence: "low",
			})
		case before.Class == vatClass && f.needsMordant(now):
			out = append(out, Remark{
				Text:    fmt.Sprintf("air, rinse and neutralise after the vat before anything acid or %s", now.Name),
				Sources: []string{f.Sources["guide-ca"]}, Confidence: "medium",
			})
		}
	}
	return out
}

// waterRemarks tell which of the dyestuffs care about the water.
func waterRemarks(dyes []Dye, hardness *float64) (out []Remark) {
	const soft, hard = 60, 120 // mg/L; classes of hardness as often printed, from memory
	for _, d := range dyes {
		name := folded(d.Name)
		switch {
		case name != "madder" && name != "weld" && d.Class != "insect anthraquinone":
			continue
		case hardness == nil:
			out = append(out, Remark{Text: fmt.Sprintf("%s cares about the water, and its hardness isn't known", d.Name), Sources: []string{"common practice, no source"}, Confidence: "high"})
		case (name == "madder" || name == "weld") && *hardness < soft:
			out = append(out, Remark{
				Text:    fmt.Sprintf("the water is soft, and %s wants calcium: some chalk in the bath deepens it", d.Name),
				Sources: []string{"E. Mairet, A Book on Vegetable Dyes (1916); craft trials of one extract in three waters"}, Confidence: "high",
			})
		case d.Class == "insect anthraquinone" && *hardness > hard:
			out = append(out, Remark{
				Text:    fmt.Sprintf("the water is hard, and calcium takes %s towards purple: use rain water, or acid for scarlet", d.Name),
				Sources: []string{"sellers' pages and one craft report; the mechanism from memory"}, Confidence: "medium",
			})
		}
	}
	return out
}
