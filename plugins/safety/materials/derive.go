package materials

import (
	"cmp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/commonvat/commonvat/plugins/safety/rules"
)

// derive adds what follows from the kinds of material that are together in a bath, a vessel or a trial. What follows stands against what was told: an answer
// may add a hazard, and takes none away.
func derive(facts rules.Facts) {
	plant(facts)
	adds(facts)
	metals(facts)
	sulfurReducer(facts)
	gases(facts)
	reducer(facts)
	lastMetal(facts)
	dyedBefore(facts)
}

func truth(yes, doubtful bool) rules.Fact { return rules.Fact{Truth: &yes, Doubtful: doubtful} }

func one(word string, doubtful bool) rules.Fact {
	return rules.Fact{Texts: []string{word}, Doubtful: doubtful}
}

// sameAs tells which material that rules ask for by its name this one is: m where it is one of them, else what is told. What is known to be another and isn't told to be one of them is none, and so is
// what is told to be of no kind that any of these is.
func sameAs(facts rules.Facts, m Material, doubtful bool) {
	const field = "material.same_as"
	named, _ := rules.FieldNamed(field)
	switch classes, told := facts["material.classes"]; {
	case m.Name != "" && slices.Contains(named.Allowed, m.Name):
		facts[field] = one(m.Name, doubtful)
	case m.Name != "" && facts[field].Texts == nil:
		facts[field] = one("none", doubtful)
	case told && facts[field].Texts == nil && !slices.ContainsFunc(named.Allowed, func(name string) bool {
		return slices.ContainsFunc(byName[name].Classes, func(class string) bool { return slices.Contains(classes.Texts, class) })
	}):
		facts[field] = one("none", doubtful || classes.Doubtful)
	}
}

// adds tells of which kind is what is added. Of a material of several kinds the one is told that most hangs on. What isn't known is of the kinds that are told of it.
func adds(facts rules.Facts) {
	f, ok := facts["step.adds"]
	if !ok {
		return
	}
	m, known := Find(f.Texts[0])
	if !known {
		classes, told := facts["material.classes"]
		if !told || !slices.Equal(facts["material.id"].Texts, f.Texts) {
			return
		}
		m.Classes, f.Doubtful = classes.Texts, f.Doubtful || classes.Doubtful
	}
	harsh := []string{"acid", "oxidiser", "reducing_agent", "alkali"}
	told := facts["step.adds_class"].Texts
	for _, class := range harsh {
		if slices.Contains(m.Classes, class) {
			if class == harsh[0] || len(told) == 0 || !slices.Contains(harsh, told[0]) {
				facts["step.adds_class"] = one(class, f.Doubtful)
			}
			return
		}
	}
	if len(told) == 0 {
		facts["step.adds_class"] = one("none", f.Doubtful)
	}
}

// isSo sets a yes that follows, or a no where nothing else was told.
func isSo(facts rules.Facts, field string, yes, doubtful bool) {
	told, ok := facts[field]
	if yes && (!ok || told.Truth == nil || !*told.Truth) || !ok {
		facts[field] = truth(yes, doubtful)
	}
}

func metals(facts rules.Facts) {
	f, ok := facts["bath.classes"]
	if !ok {
		return
	}
	any := func(classes ...string) bool {
		return slices.ContainsFunc(classes, func(c string) bool { return slices.Contains(f.Texts, c) })
	}
	isSo(facts, "bath.contains_metal", any("iron_salt", "copper_salt"), f.Doubtful)
	isSo(facts, "bath.has_metal_mordant", any("alum", "iron_salt", "copper_salt", "tin_salt", "chromium_vi", "lead_salt", "mercury_salt", "cadmium_salt", "cobalt_salt", "uranium_salt", "antimony_salt", "nickel_salt", "barium_salt"), f.Doubtful)
}

// sulfurReducers give sulfur dioxide with acid: New Jersey fact sheet 1697 for dithionite, a published safety data sheet for metabisulfite, from memory for the others.
var sulfurReducers = []string{"sodium dithionite", "thiourea dioxide", "sodium metabisulfite", "potassium metabisulfite", "sodium sulfite", "sodium thiosulfate", "sodium hydroxymethanesulfinate"}

// sulfurReducer tells whether any of these is in the bath. A material that isn't known may be one, unless nothing in the bath is told to reduce.
func sulfurReducer(facts rules.Facts) {
	f, ok := facts["bath.materials"]
	if !ok {
		return
	}
	all := true
	for _, name := range f.Texts {
		m, known := Find(name)
		if slices.Contains(sulfurReducers, m.Name) {
			isSo(facts, "bath.sulfur_reducer", true, f.Doubtful)
			return
		}
		all = all && known
	}
	classes, told := facts["bath.classes"]
	if all || told && !slices.Contains(classes.Texts, "reducing_agent") {
		isSo(facts, "bath.sulfur_reducer", false, f.Doubtful || !all && classes.Doubtful)
	}
}

// gases that may rise, by what is together in the bath: New Jersey fact sheet 1697 for sulfur dioxide, a public page on bleach for chlorine, general chemistry.
// Fermenting makes gases of its own.
func gases(facts rules.Facts) {
	classes, ok := facts["bath.classes"]
	if !ok {
		return
	}
	has := func(class string) bool { return slices.Contains(classes.Texts, class) }
	var rise []string
	if sulfur := facts["bath.sulfur_reducer"].Truth; sulfur != nil && *sulfur && has("acid") {
		rise = append(rise, "sulfur_dioxide")
	}
	if has("ammonia_or_urine") {
		rise = append(rise, "ammonia")
	}
	if has("hypochlorite") && has("acid") {
		rise = append(rise, "chlorine")
	}
	if slices.Contains(facts["bath.materials"].Texts, "acetic acid") {
		rise = append(rise, "acetic_vapour")
	}
	kind := facts["step.kind"].Texts
	if len(rise) == 0 && (len(kind) == 0 || slices.Contains([]string{"ferment", "lichen_soak", "make_saxon_blue"}, kind[0])) {
		return
	}
	add(facts, "step.possible_gases", rules.Fact{Texts: rise, Doubtful: classes.Doubtful}, true)
}

// reducers by what each is told as in rules, the harshest first. Only the harsh ones stand against an answer, and iron reduces in vats alone.
var reducers = []struct {
	material, class string
	harsh, inVats   bool
}{
	{"thiourea dioxide", "thiourea_dioxide", true, false}, {"sodium dithionite", "dithionite", true, false},
	{"fructose", "fructose", false, false}, {"ferrous sulfate", "iron", false, true},
}

func reducer(facts rules.Facts) {
	f, vat := facts["bath.materials"], slices.Equal(facts["step.kind"].Texts, []string{"vat"})
	for _, r := range reducers {
		if !slices.Contains(f.Texts, r.material) || r.inVats && !vat {
			continue
		}
		if _, told := facts["bath.reducer_class"]; !told || r.harsh {
			_, _, all := firstNames(f.Texts) // what isn't known may be a harsh one
			facts["bath.reducer_class"] = one(r.class, f.Doubtful || !all && !r.harsh)
		}
		return
	}
}

// Metal is the one of which traces stay in a vessel, as the field vessel.last_metal has it; "" when there is none.
func (m Material) Metal() string {
	last := ""
	for _, metal := range []struct{ class, word string }{{"tin_salt", "tin"}, {"copper_salt", "copper"}, {"iron_salt", "iron"}} {
		if slices.Contains(m.Classes, metal.class) {
			last = metal.word
		}
	}
	return last
}

// lastMetal is the last metal of what the vessel held before, by the record and in the same plan; what was told of the vessel is from before that.
func lastMetal(facts rules.Facts) {
	f, ok := facts["vessel.earlier_materials"]
	if !ok {
		return
	}
	last, unknown := "", false
	for _, name := range f.Texts {
		m, known := Find(name)
		unknown = unknown || !known
		if metal := m.Metal(); metal != "" {
			last, unknown = metal, false
		}
	}
	switch told, ok := facts["vessel.last_metal"]; {
	case last != "":
		facts["vessel.last_metal"] = one(last, f.Doubtful)
	case ok && (unknown || f.Doubtful): // it may have held some since
		told.Doubtful = true
		facts["vessel.last_metal"] = told
	}
}

// dyedBefore tells how what the pieces met before dyes, where all of it is known.
func dyedBefore(facts rules.Facts) {
	f, ok := facts["trial.earlier_materials"]
	if !ok {
		return
	}
	dyes, all := []string{}, true
	for _, name := range f.Texts {
		m, known := Find(name)
		all = all && known
		dyes = append(dyes, m.DyesAs...)
	}
	slices.Sort(dyes)
	dyes = slices.Compact(dyes)
	if _, told := facts["trial.earlier_dye_classes"]; all || told {
		add(facts, "trial.earlier_dye_classes", rules.Fact{Texts: dyes, Doubtful: f.Doubtful}, true)
		return
	}
	if len(dyes) > 0 { // some of it is known, which can raise a hazard and rule none out
		facts["trial.earlier_dye_classes"] = rules.Fact{Texts: dyes, Doubtful: true}
	}
}

// plant writes the names of a plant as rules have them, however they were told: a genus by a name that the table knows is that genus, and is what its species begins with. Of two that contradict each
// other neither is known, nor is one that was told to be unknown. A species may be told in any language, so it tells its genus only where the table has that. The leaf of rhubarb is what rules call it.
func plant(facts rules.Facts) {
	for _, field := range []string{"plant.genus", "plant.species"} {
		if f, told := facts[field]; told {
			switch name := folded(f.Texts[0]); {
			case name == "none":
				facts[field] = one(name, f.Doubtful)
			case isNoName(name), field == "plant.genus" && isInitial(strings.Fields(name)[0]):
				delete(facts, field)
			}
		}
	}
	part, ok := facts["material.plant_part"]
	if ok && !slices.Contains([]string{"none", "insect"}, part.Texts[0]) && slices.Equal(facts["plant.genus"].Texts, []string{"none"}) { // a part of no plant
		delete(facts, "plant.genus")
	}
	genus, told := facts["plant.genus"]
	if told && genus.Texts[0] != "none" {
		genus = genusOf(genus)
	}
	if species, ok := facts["plant.species"]; ok && species.Texts[0] != "none" {
		m, _ := Find(species.Texts[0])
		name := latin(cmp.Or(m.Species, m.Genus, species.Texts[0]), 2)
		of, epithet, two := strings.Cut(name, " ")
		switch {
		case m.Genus != "" || two && !isInitial(of):
			if told && genus.Texts[0] != of {
				genus.Doubtful = true
			} else if !told && genera[of] {
				genus, told = one(of, species.Doubtful), true
			}
		case told && genus.Texts[0] != "none" && genus.Texts[0] != of: // an epithet, with an initial before it or by itself
			if two && !strings.HasPrefix(genus.Texts[0], strings.TrimSuffix(of, ".")) {
				genus.Doubtful = true
			}
			name = genus.Texts[0] + " " + cmp.Or(epithet, strings.ToLower(of))
		}
		last := cmp.Or(epithet, of) // "sp." and its like say that it isn't known
		facts["plant.species"] = one(name, species.Doubtful || isInitial(of) && !told || isInitial(last) || slices.Contains([]string{"sp", "spp"}, last))
	}
	if told {
		facts["plant.genus"] = genus
	}
	if ok && told && genus.Texts[0] == "Rheum" && slices.Contains([]string{"leaf", "whole_plant"}, part.Texts[0]) {
		facts["material.plant_part"] = one("rhubarb_leaf", part.Doubtful || genus.Doubtful)
	}
}

// genera are those that the table has names for.
var genera = func() map[string]bool {
	out := map[string]bool{}
	for _, m := range byName {
		out[m.Genus] = m.Genus != ""
	}
	return out
}()

// genusOf is a genus by a name of the table, or by its first word. Where another word of it is such a name, as of an English yew, nobody knows which it is.
func genusOf(told rules.Fact) rules.Fact {
	if m, _ := Find(told.Texts[0]); m.Genus != "" {
		return one(m.Genus, told.Doubtful)
	}
	genus := latin(told.Texts[0], 1)
	other := slices.ContainsFunc(strings.Fields(folded(told.Texts[0])), func(word string) bool {
		m, _ := Find(word)
		return m.Genus != "" && m.Genus != genus
	})
	return one(genus, told.Doubtful || other)
}

// latin is a name of at most so many words as botanists write it. It begins with a letter.
func latin(text string, words int) string {
	all := strings.Fields(folded(text))
	text = strings.Join(all[:min(words, len(all))], " ")
	first, size := utf8.DecodeRuneInString(text)
	return string(unicode.ToUpper(first)) + text[size:]
}

// isInitial is true of what stands for a word that isn't written out.
func isInitial(word string) bool {
	return strings.HasSuffix(word, ".") || utf8.RuneCountInString(word) == 1
}

// isNoName reports whether a text is what people write for want of a name: something without a letter at its head, or one of some words.
func isNoName(text string) bool {
	first, _ := utf8.DecodeRuneInString(text)
	return !unicode.IsLetter(first) || slices.Contains([]string{"unknown", "not known", "unsure", "not sure", "don't know", "n/a", "unbekannt", "inconnu", "desconocido", "sconosciuto"}, text)
}

// noPlant adds to a material that is none what is asked of plants.
func noPlant(facts rules.Facts) {
	for _, field := range []string{"plant.genus", "plant.species", "material.plant_part"} {
		add(facts, field, one("none", false), false)
	}
	isSo(facts, "plant.identified", true, false)
	for _, field := range []string{"plant.wild_gathered", "plant.protected_or_slow", "plant.sprayed_or_roadside"} {
		isSo(facts, field, false, false)
	}
}
