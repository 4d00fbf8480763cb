// Package materials knows what kind of thing a material is and which hazards are told of it, and completes the facts of a step with that.
//
// It says where each entry comes from. An entry from memory is doubtful: it can raise a hazard and can't rule one out. A material that isn't
// listed is unknown, whatever it sounds like.
package materials

import (
	"bytes"
	_ "embed" // the table
	"fmt"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"

	"github.com/commonvat/commonvat/plugins/safety/rules"
	"github.com/commonvat/commonvat/plugins/sdk/naming"
)

// Material is one entry.
type Material struct {
	Name string `yaml:"name"`
	// Also are other names of it, in lower case.
	Also []string `yaml:"also"`
	// Classes and HazardClasses are words of the fields material.classes and material.hazard_classes.
	Classes       []string `yaml:"classes"`
	HazardClasses []string `yaml:"hazard_classes"`
	// Codes are the hazard statements that the source gives, for whoever holds an entry against it; nothing is computed of them.
	Codes string `yaml:"codes"`
	// DyesAs are words of the field trial.earlier_dye_classes; empty of what doesn't dye.
	DyesAs []string `yaml:"dyes_as"`
	// NoPlant is true of what never was a plant that somebody gathered.
	NoPlant bool `yaml:"no_plant"`
	// Genus and Species of a plant that rules ask for, in Latin, and the part of it, a word of material.plant_part; empty: asked for.
	Genus     string `yaml:"genus"`
	Species   string `yaml:"species"`
	PlantPart string `yaml:"plant_part"`
	// MetalPercent is the metal of a salt in percent of its mass, from low to high; empty of what is no salt of a metal. Range: above 0 to 100.
	MetalPercent []float64 `yaml:"metal_percent"`
	// Forms weigh otherwise for the same substance.
	Forms []Form `yaml:"forms"`
	// ToldApart says of a name under which several forms are sold which these are and how to name them, in at most 400 characters; empty: the name says it.
	ToldApart string `yaml:"told_apart"`
	Source    string `yaml:"source"`
	Confirmed bool   `yaml:"confirmed"`
}

// Form is a material with more or less water in it than under its first name.
type Form struct {
	Names        []string  `yaml:"names"`
	MetalPercent []float64 `yaml:"metal_percent"`
	ToldApart    string    `yaml:"told_apart"`
}

//go:embed materials.yaml
var text []byte

var byName = mustTable()

func mustTable() map[string]Material {
	var list []Material
	if err := yaml.NewDecoder(bytes.NewReader(text), yaml.Strict()).Decode(&list); err != nil {
		panic(fmt.Sprintf("table of materials: %v", err)) // a test reads it
	}
	out := map[string]Material{}
	for _, m := range list {
		for _, name := range append([]string{m.Name}, m.Also...) {
			out[folded(name)] = m
		}
		for _, f := range m.Forms {
			form := m
			form.MetalPercent, form.ToldApart = f.MetalPercent, f.ToldApart
			for _, name := range f.Names {
				out[folded(name)] = form
			}
		}
	}
	return out
}

// spelling makes older and American spellings those of the table, with its apostrophes, and puts the valence of a metal where the table has it.
var spelling = strings.NewReplacer("sulph", "sulf", "uminum", "uminium", " (", "(", "\u2019", "'")

func folded(name string) string { return spelling.Replace(naming.Fold(name)) }

// Find looks a material up by any of its names, in any case and spelling. By the name of a form it is the material with what that form holds.
func Find(name string) (Material, bool) {
	m, ok := byName[name]
	if !ok {
		m, ok = byName[folded(name)]
	}
	return m, ok
}

// lists of materials, the classes of all of them, and those told of the ones that aren't known.
var lists = []struct{ names, classes, told string }{
	{"bath.materials", "bath.classes", "bath.told_classes"}, {"trial.materials", "trial.material_classes", "trial.told_classes"},
}

// Complete adds to the facts of a step what follows from the names of materials in it: first names, classes and hazards. What is told of these adds to what the
// table says, and takes nothing away from it; only hazards that the table has from memory yield to what somebody read in a data sheet. Of a list with a
// material that isn't known, nothing is told: what it holds could be anything. A material that isn't known, and is told to be a known one under another name, is that one.
func Complete(facts rules.Facts) rules.Facts {
	out := make(rules.Facts, len(facts)+4)
	for name, f := range facts {
		out[name] = f
	}
	if f, ok := facts["material.id"]; ok && len(f.Texts) == 1 {
		m, known := Find(f.Texts[0])
		if same, told := facts["material.same_as"]; !known && told {
			m, known = Find(same.Texts[0])
			f.Doubtful = f.Doubtful || same.Doubtful
		}
		if known {
			if adds := facts["step.adds"]; slices.Equal(adds.Texts, facts["material.id"].Texts) {
				out["step.adds"] = rules.Fact{Texts: []string{m.Name}, Doubtful: adds.Doubtful || f.Doubtful}
			}
			out["material.id"] = rules.Fact{Texts: []string{m.Name}, Doubtful: f.Doubtful}
			add(out, "material.classes", rules.Fact{Texts: slices.Clone(m.Classes), Doubtful: f.Doubtful}, true)
			add(out, "material.hazard_classes", rules.Fact{Texts: slices.Clone(m.HazardClasses), Doubtful: f.Doubtful || !m.Confirmed}, m.Confirmed)
			if m.NoPlant {
				noPlant(out)
			}
			for field, is := range map[string]string{"plant.genus": m.Genus, "plant.species": m.Species, "material.plant_part": m.PlantPart} {
				if is != "" {
					out[field] = one(is, f.Doubtful)
				}
			}
		}
		sameAs(out, m, f.Doubtful)
	}
	for _, field := range []string{"step.adds", "bath.first_solid"} {
		if f, ok := facts[field]; ok && len(f.Texts) == 1 {
			if m, known := Find(f.Texts[0]); known {
				out[field] = rules.Fact{Texts: []string{m.Name}, Doubtful: f.Doubtful}
			}
		}
	}
	for _, of := range lists {
		f, ok := facts[of.names]
		if !ok {
			continue
		}
		named, union, known := firstNames(f.Texts)
		out[of.names] = rules.Fact{Texts: named, Doubtful: f.Doubtful}
		all := rules.Fact{Texts: union, Doubtful: f.Doubtful}
		others, told := facts[of.told]
		if told && !known { // of those that aren't known, as far as it is told
			all.Texts, all.Doubtful, known = append(all.Texts, others.Texts...), f.Doubtful || others.Doubtful, true
			slices.Sort(all.Texts)
			all.Texts = slices.Compact(all.Texts)
		}
		if _, told := out[of.classes]; known || told {
			add(out, of.classes, all, true)
		}
	}
	derive(out)
	salts(out, facts["material.id"], facts["bath.materials"])
	return out
}

// add puts a fact of the table beside what was told of the same field; sure says that the table holds against it.
func add(facts rules.Facts, name string, f rules.Fact, sure bool) {
	if told, ok := facts[name]; ok {
		if sure {
			told.Texts = append(slices.Clone(told.Texts), f.Texts...)
			slices.Sort(told.Texts)
			told.Texts = slices.Compact(told.Texts)
			facts[name] = told
		}
		return
	}
	if f.Texts == nil {
		f.Texts = []string{}
	}
	facts[name] = f
}

func firstNames(list []string) (named, classes []string, known bool) {
	named, classes, known = []string{}, []string{}, true
	for _, name := range list {
		m, ok := Find(name)
		if !ok {
			known = false
			named = append(named, name)
			continue
		}
		named = append(named, m.Name)
		classes = append(classes, m.Classes...)
	}
	slices.Sort(classes)
	return named, slices.Compact(classes), known
}
