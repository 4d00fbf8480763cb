package materials_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/commonvat/commonvat/plugins/safety/materials"
	"github.com/commonvat/commonvat/plugins/safety/rules"
)

func texts(list ...string) rules.Fact { return rules.Fact{Texts: append([]string{}, list...)} }

func doubtful(f rules.Fact) rules.Fact {
	f.Doubtful = true
	return f
}

func truth(yes bool) rules.Fact { return rules.Fact{Truth: &yes} }

// What follows from what is together, whatever was answered.
func TestWhatFollows(t *testing.T) {
	for name, c := range map[string]struct {
		told rules.Facts
		want rules.Facts
	}{
		"acid is acid": {
			rules.Facts{"step.adds": texts("Vinegar"), "step.adds_class": texts("none")},
			rules.Facts{"step.adds_class": texts("acid")},
		},
		"what is more is kept": {
			rules.Facts{"step.adds": texts("soda ash"), "step.adds_class": texts("acid")},
			rules.Facts{"step.adds_class": texts("acid")},
		},
		"iron in the bath": {
			rules.Facts{"bath.materials": texts("copperas", "weld"), "bath.contains_metal": truth(false)},
			rules.Facts{"bath.contains_metal": truth(true), "bath.has_metal_mordant": truth(true)},
		},
		"no metal": {
			rules.Facts{"bath.materials": texts("weld"), "step.kind": texts("dye")},
			rules.Facts{"bath.contains_metal": truth(false), "bath.has_metal_mordant": truth(false), "step.possible_gases": texts()},
		},
		"sulfur dioxide": {
			rules.Facts{"bath.materials": texts("sodium dithionite", "vinegar"), "step.kind": texts("vat"), "step.possible_gases": texts()},
			rules.Facts{"step.possible_gases": texts("sulfur_dioxide"), "bath.reducer_class": texts("dithionite")},
		},
		"the harsher reducer": {
			rules.Facts{"bath.materials": texts("fructose", "sodium dithionite"), "bath.reducer_class": texts("fructose")},
			rules.Facts{"bath.reducer_class": texts("dithionite")},
		},
		"an iron vat": {
			rules.Facts{"bath.materials": texts("indigo", "copperas", "slaked lime"), "step.kind": texts("vat")},
			rules.Facts{"bath.reducer_class": texts("iron")},
		},
		"iron beside another reducer": {
			rules.Facts{"bath.materials": texts("ferrous sulfate", "hydros"), "step.kind": texts("vat"), "bath.reducer_class": texts("iron")},
			rules.Facts{"bath.reducer_class": texts("dithionite")},
		},
		"a vessel that held iron": {
			rules.Facts{"vessel.earlier_materials": texts("weld", "ferrous sulfate"), "vessel.last_metal": texts("none")},
			rules.Facts{"vessel.last_metal": texts("iron")},
		},
		"a vessel that held nobody knows what": {
			rules.Facts{"vessel.earlier_materials": texts("moon dust"), "vessel.last_metal": texts("none")},
			rules.Facts{"vessel.last_metal": doubtful(texts("none"))},
		},
		"dyed before": {
			rules.Facts{"trial.earlier_materials": texts("potassium alum", "weld", "cutch")},
			rules.Facts{"trial.earlier_dye_classes": texts("mordant_dye", "tannin")},
		},
		"dyed before with something unknown": {
			rules.Facts{"trial.earlier_materials": texts("weld", "moon dust")},
			rules.Facts{"trial.earlier_dye_classes": doubtful(texts("mordant_dye"))},
		},
		"nor is an insect": {
			rules.Facts{"material.id": texts("Cochineal")},
			rules.Facts{"plant.genus": texts("none"), "plant.identified": truth(true)},
		},
		"of whatever name": {
			rules.Facts{"material.id": texts("kermes")},
			rules.Facts{"plant.genus": texts("none"), "plant.identified": truth(true), "plant.wild_gathered": truth(false)},
		},
		"a salt is no plant": {
			rules.Facts{"material.id": texts("soda ash")},
			rules.Facts{"plant.genus": texts("none"), "plant.identified": truth(true), "material.plant_part": texts("none")},
		},
	} {
		got := materials.Complete(c.told)
		require.NoError(t, got.Check(), name)
		for field, want := range c.want {
			assert.Equal(t, want, got[field], "%s: %s", name, field)
		}
	}
	unknown := materials.Complete(rules.Facts{"bath.materials": texts("weld", "moon dust"), "step.kind": texts("dye"), "material.id": texts("moon dust")})
	for _, field := range []string{"bath.contains_metal", "bath.has_metal_mordant", "step.possible_gases", "bath.reducer_class", "plant.genus", "trial.earlier_dye_classes"} {
		assert.NotContains(t, unknown, field, "unknown is unknown")
	}
	saddened := materials.Complete(rules.Facts{"bath.materials": texts("ferrous sulfate"), "step.kind": texts("modifier")})
	assert.NotContains(t, saddened, "bath.reducer_class", "iron reduces in vats")
	fermenting := materials.Complete(rules.Facts{"bath.materials": texts("weld"), "step.kind": texts("ferment")})
	assert.NotContains(t, fermenting, "step.possible_gases")
}

// Taking a fact away, doubting it, or adding a material that nobody knows, clears no rule that wasn't clear, with what follows from facts too.
func TestLessNeverClears(t *testing.T) {
	p := builtIn()
	names := append(materials.Names(), "moon dust")
	lists := []string{"bath.materials", "trial.materials", "vessel.earlier_materials", "trial.earlier_materials"}
	rapid.Check(t, func(t *rapid.T) {
		facts := rules.Facts{"fibre.class": texts("protein"), "fibre.kind": texts("wool"), "step.kind": texts(rapid.SampledFrom([]string{"vat", "dye", "mordant", "modifier", "ferment"}).Draw(t, "kind"))}
		for _, list := range lists {
			facts[list] = texts(rapid.SliceOfNDistinct(rapid.SampledFrom(names), 0, 4, rapid.ID).Draw(t, list)...)
		}
		material := rapid.SampledFrom(names).Draw(t, "material")
		facts["material.id"], facts["step.adds"] = texts(material), texts(material)
		low := rapid.Float64Range(0, 25).Draw(t, "percent")
		facts["step.wof_percent"] = rules.Fact{Number: &rules.Interval{Low: low, Likely: low, High: low + rapid.Float64Range(0, 3).Draw(t, "wider")}}
		facts["step.wants_clear_colour"], facts["ppe.mask"], facts["disposal.route"] = truth(true), texts("particulate"), texts("septic")
		before, err := p.Judge(materials.Complete(facts))
		require.NoError(t, err)
		less := rules.Facts{}
		for name, f := range facts {
			switch rapid.IntRange(0, 4).Draw(t, "change "+name) {
			case 0:
				continue
			case 1:
				f.Doubtful = true
			case 2:
				if slices.Contains(lists, name) {
					f.Texts = append(slices.Clone(f.Texts), "star dust")
				}
			}
			less[name] = f
		}
		after, err := p.Judge(materials.Complete(less))
		require.NoError(t, err)
		for _, b := range before {
			assert.True(t, slices.ContainsFunc(after, func(a rules.Finding) bool { return a.Rule.ID == b.Rule.ID }), "%s was cleared: %v, then %v", b.Rule.ID, facts, less)
		}
	})
}
