package materials_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/safety/materials"
	"github.com/commonvat/commonvat/plugins/safety/rules"
)

func TestEachNameStandsOnce(t *testing.T) {
	names, err := materials.Written()
	require.NoError(t, err)
	require.Greater(t, len(names), 300)
	seen := map[string]string{}
	for _, name := range names {
		m, ok := materials.Find(name)
		require.True(t, ok, name)
		assert.Empty(t, seen[name], "%q stands at %q too", name, seen[name])
		seen[name] = m.Name
	}
}

// Names of shops and old books, in some languages and spellings: common practice, no source.
func TestNamesOfOtherShops(t *testing.T) {
	for name, first := range map[string]string{
		"Natriumdithionit": "sodium dithionite", "Hydrosulphite of Soda": "sodium dithionite", "métabisulfite de sodium": "sodium metabisulfite", "me\u0301tabisulfite de sodium": "sodium metabisulfite",
		"Eau de Javel": "sodium hypochlorite", "Chlorkalk": "calcium hypochlorite", "candeggina": "sodium hypochlorite", "SCHWEFELSÄURE": "concentrated sulfuric acid", "H₂SO₄": "concentrated sulfuric acid",
		"ácido oxálico": "oxalic acid", "Salmiakgeist": "ammonia", "NaOH": "sodium hydroxide", "caustic potash": "potassium hydroxide", "Quick Lime": "calcium oxide", "chaux vive": "calcium oxide",
		"wood alcohol": "methanol", "bichromate of potash": "potassium dichromate", "muriate of tin": "tin chloride", "Zinn(II)-chlorid": "tin chloride", "verdigris": "copper acetate",
		"iron (II) sulphate": "ferrous sulfate", "sugar of lead": "lead acetate", "sodium thiosulphate": "sodium thiosulfate",
		"chlorure d\u2019étain": "tin chloride", "sodium chromate": "sodium chromate", "poison hemlock": "poison hemlock", "Laurier-rose": "oleander", "Soda cáustica": "sodium hydroxide",
	} {
		m, ok := materials.Find(name)
		assert.True(t, ok, name)
		assert.Equal(t, first, m.Name, name)
	}
	several := []string{"soda", "spirit", "lye water", "acid", "salt", "kalk", "vitriol", "oxalate", "hypo", "antichlor", "hyposulfite of soda", "hemlock"}
	for _, name := range several { // which may be several things
		_, ok := materials.Find(name)
		assert.False(t, ok, name)
	}
}

// stops are the stops of the built-in pack that fire or wait.
func stops(t *testing.T, facts rules.Facts) map[string]rules.Answer {
	t.Helper()
	got := materials.Complete(facts)
	require.NoError(t, got.Check())
	found, err := builtIn().Judge(got)
	require.NoError(t, err)
	out := map[string]rules.Answer{}
	for _, f := range found {
		if f.Rule.Severity == rules.Stop {
			out[f.Rule.ID] = f.Answer
		}
	}
	return out
}

// What stops a material stops it under a name that nobody knows, whose kinds and hazards are told as they are: as long as nobody says which it is it waits, and it is stopped when somebody does.
func TestUnderANameThatNobodyKnowsAsMuchIsStopped(t *testing.T) {
	field, ok := rules.FieldNamed("material.same_as")
	require.True(t, ok)
	for _, name := range field.Allowed {
		if name == "none" {
			continue
		}
		m, ok := materials.Find(name)
		require.True(t, ok, name)
		require.Equal(t, name, m.Name)
		for _, kind := range []string{"vat", "dye", "slake"} {
			facts := func(as string) rules.Facts {
				f := rules.Facts{
					"material.id": texts(as), "step.adds": texts(as), "bath.materials": texts(as), "step.kind": texts(kind), "fibre.class": texts("protein"), "fibre.kind": texts("wool"),
					"material.classes": texts(m.Classes...), "material.hazard_classes": texts(m.HazardClasses...), "bath.classes": texts(m.Classes...), "vent": texts("none"), "ppe": texts(),
					"workshop.supervised": truth(false), "storage.with_class": texts("oxidiser"), "material.plant_part": texts("none"), "step.open_flame": truth(true),
				}
				for field, v := range map[string]float64{"step.temperature_c": 65, "step.conc_g_per_l": 12, "step.water_temperature_c": 40, "bath.ph": 5} {
					f[field] = rules.Fact{Number: rules.Exactly(v)}
				}
				return f
			}
			under := stops(t, facts(name))
			waits := stops(t, facts("moon dust"))
			for id := range under {
				assert.Contains(t, waits, id, "%s in a %s", name, kind)
			}
			told := facts("moon dust")
			told["material.same_as"] = texts(name)
			if told["bath.sulfur_reducer"] = truth(true); materials.Complete(facts(name))["bath.sulfur_reducer"].Truth == nil || !*materials.Complete(facts(name))["bath.sulfur_reducer"].Truth {
				delete(told, "bath.sulfur_reducer")
			}
			is := stops(t, told)
			for id, answer := range under {
				assert.Equal(t, answer, is[id], "%s of %s in a %s", id, name, kind)
			}
		}
	}
}

func TestSameAs(t *testing.T) {
	same := func(facts rules.Facts) (rules.Fact, bool) {
		got := materials.Complete(facts)
		require.NoError(t, got.Check())
		f, ok := got["material.same_as"]
		return f, ok
	}
	for what, c := range map[string]struct {
		facts rules.Facts
		want  rules.Fact
	}{
		"by its own name":              {rules.Facts{"material.id": texts("Hydros")}, texts("sodium dithionite")},
		"another that is known":        {rules.Facts{"material.id": texts("weld")}, texts("none")},
		"whatever is told of it":       {rules.Facts{"material.id": texts("lye"), "material.same_as": texts("none")}, texts("sodium hydroxide")},
		"a plant by what it is not":    {rules.Facts{"material.id": texts("goldenrod"), "material.classes": texts("tannin")}, texts("none")},
		"as is believed":               {rules.Facts{"material.id": texts("goldenrod"), "material.classes": doubtful(texts())}, doubtful(texts("none"))},
		"another that is told to be":   {rules.Facts{"material.id": texts("alcohol"), "material.same_as": texts("methanol")}, texts("methanol")},
		"told of what nobody knows":    {rules.Facts{"material.id": texts("moon dust"), "material.classes": texts("acid"), "material.same_as": texts("none")}, texts("none")},
		"told to be what is dangerous": {rules.Facts{"material.id": texts("moon dust"), "material.classes": texts(), "material.same_as": texts("methanol")}, texts("methanol")},
	} {
		got, ok := same(c.facts)
		require.True(t, ok, what)
		assert.Equal(t, c.want, got, what)
	}
	for _, classes := range []string{"acid", "alkali", "reducing_agent", "oxidiser", "hypochlorite", "ammonia_or_urine", "flammable_solvent"} {
		_, ok := same(rules.Facts{"material.id": texts("moon dust"), "material.classes": texts(classes)})
		assert.False(t, ok, "%s: it may be one of them", classes)
	}
	_, ok := same(rules.Facts{"material.id": texts("moon dust")})
	assert.False(t, ok)
	told := materials.Complete(rules.Facts{"material.id": texts("moon dust"), "material.same_as": texts("oxalic acid"), "material.classes": texts(), "step.adds": texts("moon dust")})
	assert.Equal(t, texts("acid"), told["material.classes"])
	assert.Equal(t, texts("acid"), told["step.adds_class"])
	assert.Equal(t, texts("serious_eye_damage"), told["material.hazard_classes"])
}

// Sulfur dioxide: New Jersey fact sheet 1697 for dithionite with acid.
func TestSulfurReducersUnderAnyName(t *testing.T) {
	reduces := func(facts rules.Facts) *bool {
		got := materials.Complete(facts)
		require.NoError(t, got.Check())
		return got["bath.sulfur_reducer"].Truth
	}
	for _, name := range []string{"hydros", "sodium thiosulfate", "sodium sulfite", "Kaliummetabisulfit", "thiox"} {
		assert.True(t, *reduces(rules.Facts{"bath.materials": texts("weld", name), "bath.sulfur_reducer": truth(false)}), name)
	}
	assert.False(t, *reduces(rules.Facts{"bath.materials": texts("fructose", "lime")}))
	assert.Nil(t, reduces(rules.Facts{"bath.materials": texts("fructose", "moon dust")}), "which may be one")
	assert.Nil(t, reduces(rules.Facts{"bath.materials": texts("moon dust"), "bath.classes": texts("reducing_agent")}))
	assert.False(t, *reduces(rules.Facts{"bath.materials": texts("moon dust"), "bath.classes": texts("acid")}))
	assert.True(t, *reduces(rules.Facts{"bath.materials": texts("moon dust"), "bath.classes": texts("acid"), "bath.sulfur_reducer": truth(true)}))
	vat := rules.Facts{"bath.materials": texts("fructose", "moon dust"), "step.kind": texts("vat")}
	assert.Equal(t, doubtful(texts("fructose")), materials.Complete(vat)["bath.reducer_class"])
	vat["bath.materials"] = texts("hydros", "moon dust")
	assert.Equal(t, texts("dithionite"), materials.Complete(vat)["bath.reducer_class"])

	// The acid is stopped in either name, once it is told that the other reduces with sulfur.
	acid := rules.Facts{"material.id": texts("citric acid"), "step.adds": texts("citric acid"), "bath.materials": texts("citric acid", "moon dust"), "bath.classes": texts("reducing_agent")}
	assert.Equal(t, rules.Unknown, stops(t, acid)["S015"])
	acid["bath.sulfur_reducer"] = truth(true)
	assert.Equal(t, rules.Yes, stops(t, acid)["S015"])
	assert.True(t, slices.Contains(materials.Complete(acid)["step.possible_gases"].Texts, "sulfur_dioxide"))
}

// Genera of the rules on poisonous plants, as a dyer may write them.
func TestPlantsByAnyName(t *testing.T) {
	plant := func(facts rules.Facts) (genus rules.Fact, found map[string]rules.Answer) {
		got := materials.Complete(facts)
		require.NoError(t, got.Check())
		return got["plant.genus"], stops(t, facts)
	}
	for what, facts := range map[string]rules.Facts{
		"in small letters":                {"plant.genus": texts(" taxus")},
		"with its species":                {"plant.genus": texts("Taxus baccata")},
		"by its species":                  {"plant.species": texts("TAXUS BACCATA")},
		"in English":                      {"plant.genus": texts("Yew")},
		"in German":                       {"plant.species": texts("eibe"), "plant.genus": texts("Taxus")},
		"as a material":                   {"material.id": texts("Yew bark")},
		"as a material, whatever is told": {"material.id": texts("yew"), "plant.genus": texts("Reseda")},
	} {
		genus, found := plant(facts)
		assert.Equal(t, texts("Taxus"), genus, what)
		assert.Equal(t, rules.Yes, found["S059"], what)
	}
	genus, found := plant(rules.Facts{"plant.genus": texts("Reseda"), "plant.species": texts("taxus baccata")})
	assert.Equal(t, doubtful(texts("Reseda")), genus, "they contradict each other")
	assert.Equal(t, rules.Unknown, found["S059"])
	genus, found = plant(rules.Facts{"plant.genus": texts("reseda"), "plant.species": texts("Reseda luteola L.")})
	assert.Equal(t, texts("Reseda"), genus)
	assert.NotContains(t, found, "S059")
	for _, name := range []string{"", "?", "-", "Unknown", "unbekannt", "not known"} {
		genus, found = plant(rules.Facts{"plant.genus": texts(name), "plant.species": texts(name)})
		assert.Equal(t, rules.Fact{}, genus, name)
		assert.Equal(t, rules.Unknown, found["S059"], name)
	}
	_, found = plant(rules.Facts{"plant.genus": texts("none"), "material.plant_part": texts("leaf")})
	assert.Equal(t, rules.Unknown, found["S059"], "a leaf is of a plant")
	genus, _ = plant(rules.Facts{"material.id": texts("lye"), "plant.species": texts("none")})
	assert.Equal(t, texts("none"), genus)
	poke := materials.Complete(rules.Facts{"plant.species": texts("pokeberry")})
	assert.Equal(t, texts("Phytolacca americana"), poke["plant.species"])

	// What isn't a genus in Latin, written out, is none that clears.
	for what, facts := range map[string]rules.Facts{
		"a species in English":             {"plant.species": texts("English yew")},
		"a species without its genus":      {"plant.species": texts("T. baccata")},
		"a genus in English, with a word":  {"plant.genus": texts("yew tree")},
		"the same, the other way round":    {"plant.genus": texts("Irish Yew")},
		"an initial":                       {"plant.genus": texts("T."), "plant.species": texts("T. baccata")},
		"none, of a leaf":                  {"plant.genus": texts("None"), "material.plant_part": texts("leaf")},
		"a species by a name of the table": {"plant.genus": texts("Reseda"), "plant.species": texts("eibe")},
		"a species by another initial":     {"plant.genus": texts("Reseda"), "plant.species": texts("T. baccata")},
	} {
		_, found := plant(facts)
		assert.Equal(t, rules.Unknown, found["S059"], what)
	}
	genus, found = plant(rules.Facts{"plant.genus": texts("Nerium oleander"), "plant.species": texts("N. oleander")})
	assert.Equal(t, texts("Nerium"), genus)
	assert.Equal(t, rules.Yes, found["S059"])
	for _, name := range []string{"americana", "P. americana", "P.  Americana", "Phytolacca americana L."} {
		poke := materials.Complete(rules.Facts{"plant.genus": texts("phytolacca"), "plant.species": texts(name)})
		assert.Equal(t, texts("Phytolacca"), poke["plant.genus"], name)
		assert.Equal(t, texts("Phytolacca americana"), poke["plant.species"], name)
	}
	for _, name := range []string{"Rhamnus sp.", "rhamnus spp", "R."} {
		got := materials.Complete(rules.Facts{"plant.genus": texts("Rhamnus"), "plant.species": texts(name)})
		assert.True(t, got["plant.species"].Doubtful, name)
	}
	weld := materials.Complete(rules.Facts{"plant.genus": texts("Reseda"), "plant.species": texts("reseda")})
	assert.Equal(t, texts("Reseda"), weld["plant.species"])

	// Rhubarb: the leaf by its name, or as a leaf of Rheum; the root isn't it.
	for _, facts := range []rules.Facts{
		{"material.id": texts("Rhubarb leaves")}, {"material.id": texts("own harvest"), "plant.genus": texts("rheum"), "material.plant_part": texts("leaf")},
		{"material.id": texts("own harvest"), "plant.species": texts("Rheum rhabarbarum"), "material.plant_part": texts("whole_plant")},
	} {
		facts["step.boils"], facts["vent"] = truth(true), texts("none")
		assert.Equal(t, rules.Yes, stops(t, facts)["S036"], "%v", facts)
	}
	root := rules.Facts{"material.id": texts("himalayan rhubarb"), "plant.genus": texts("Rheum"), "material.plant_part": texts("root"), "step.boils": truth(true), "vent": texts("none")}
	assert.NotContains(t, stops(t, root), "S036")
}
