package materials_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/safety/materials"
	"github.com/commonvat/commonvat/plugins/safety/rules"
)

func figure(v float64) rules.Fact { return rules.Fact{Number: rules.Exactly(v)} }

// bathOf is a step that adds the first of these to a bath of all.
func bathOf(kind string, all []string, more rules.Facts) rules.Facts {
	f := rules.Facts{"material.id": texts(all[0]), "step.adds": texts(all[0]), "step.adds_any": truth(true), "bath.materials": texts(all...), "step.kind": texts(kind)}
	for field, fact := range more {
		f[field] = fact
	}
	return f
}

// What a chemist and a toxicologist would stop or speak of, by names as people use them. Sources stand at the rules; those that say nothing else are general chemistry, or from memory of CLP and of safety data sheets.
func TestWhatAChemistWouldSay(t *testing.T) {
	for what, c := range map[string]struct {
		facts rules.Facts
		says  map[string]rules.Answer
	}{
		"bleach and vinegar": {
			bathOf("rinse", []string{"Candeggina", "white vinegar"}, nil),
			map[string]rules.Answer{"S031": rules.Yes, "S094": rules.Yes},
		},
		"bleach and alum, which is sour": {
			bathOf("mordant", []string{"bleach", "alum"}, rules.Facts{"bath.ph": figure(8)}),
			map[string]rules.Answer{"S031": rules.Yes},
		},
		"permanganate and muriatic acid": {
			bathOf("strip", []string{"potassium permanganate", "muriatic acid"}, rules.Facts{"bath.ph": figure(2)}),
			map[string]rules.Answer{"S031": rules.Yes, "S094": rules.Yes},
		},
		"peroxide and vinegar": {
			bathOf("scour", []string{"peroxide", "vinegar"}, nil),
			map[string]rules.Answer{"S031": rules.No, "S094": rules.Yes},
		},
		"bleach in neutral water": {
			bathOf("rinse", []string{"bleach"}, rules.Facts{"bath.ph": figure(6.5)}),
			map[string]rules.Answer{"S031": rules.Yes},
		},
		"bleach of no told pH": {bathOf("rinse", []string{"bleach"}, nil), map[string]rules.Answer{"S031": rules.Unknown}},
		"bleach as it is":      {bathOf("rinse", []string{"bleach"}, rules.Facts{"bath.ph": figure(11)}), map[string]rules.Answer{"S031": rules.No, "S094": rules.No}},
		"bleach and a salt of ammonia": {
			bathOf("mordant", []string{"Sal ammoniac", "eau de javel"}, nil),
			map[string]rules.Answer{"S032": rules.Yes},
		},
		"prussiate, warm and sour": {
			bathOf("dye", []string{"Yellow prussiate", "vinegar"}, rules.Facts{"step.temperature_c": figure(60)}),
			map[string]rules.Answer{"S088": rules.Yes},
		},
		"prussiate, sour, no temperature": {
			bathOf("dye", []string{"red prussiate", "vinegar"}, rules.Facts{"bath.ph": figure(4)}),
			map[string]rules.Answer{"S088": rules.Unknown},
		},
		"prussiate, cold and weakly sour": {
			bathOf("dye", []string{"Berliner Blau", "vinegar"}, rules.Facts{"bath.ph": figure(4), "step.temperature_c": figure(20)}),
			map[string]rules.Answer{"S088": rules.No},
		},
		"prussiate in strong acid, cold": {
			bathOf("dye", []string{"potassium hexacyanoferrate(II)"}, rules.Facts{"bath.ph": figure(1.5), "step.temperature_c": figure(20)}),
			map[string]rules.Answer{"S088": rules.Yes},
		},
		"a stranger in a warm sour bath": {
			bathOf("dye", []string{"vinegar", "moon dust"}, rules.Facts{"step.temperature_c": figure(60)}),
			map[string]rules.Answer{"S088": rules.Unknown, "S089": rules.Unknown, "S031": rules.Unknown},
		},
		"a stranger of known kind": {
			bathOf("dye", []string{"vinegar", "moon dust"}, rules.Facts{"step.temperature_c": figure(60), "bath.told_classes": texts()}),
			map[string]rules.Answer{"S088": rules.No, "S089": rules.No, "S031": rules.No},
		},
		"liver of sulfur and vinegar": {
			bathOf("modifier", []string{"Liver of Sulphur", "vinegar"}, nil),
			map[string]rules.Answer{"S089": rules.Yes, "S015": rules.No},
		},
		"cyanide":              {bathOf("dye", []string{"Zyankali"}, nil), map[string]rules.Answer{"S090": rules.Yes}},
		"aqua fortis":          {bathOf("mordant", []string{"aqua fortis"}, nil), map[string]rules.Answer{"S037": rules.Yes}},
		"lye flakes":           {bathOf("scour", []string{"lye"}, rules.Facts{"material.form": texts("granule")}), map[string]rules.Answer{"S091": rules.Yes, "S022": rules.Unknown, "S058": rules.Unknown}},
		"quicklime by itself":  {bathOf("modifier", []string{"quicklime"}, rules.Facts{"material.form": texts("powder")}), map[string]rules.Answer{"S091": rules.Yes, "S027": rules.Unknown}},
		"lye that is a liquor": {bathOf("scour", []string{"lye"}, rules.Facts{"material.form": texts("solution")}), map[string]rules.Answer{"S091": rules.No}},
		"sulfoxylate and acid": {
			bathOf("strip", []string{"citric acid", "sodium formaldehyde sulfoxylate"}, nil),
			map[string]rules.Answer{"S015": rules.Yes},
		},
		"extract of cochineal":  {bathOf("dye", []string{"Koschenille"}, rules.Facts{"material.form": texts("extract"), "ppe": texts()}), map[string]rules.Answer{"S050": rules.Yes, "S051": rules.Yes}},
		"vitriol with children": {bathOf("modifier", []string{"green vitriol"}, rules.Facts{"people.children_present": truth(true)}), map[string]rules.Answer{"S092": rules.Yes, "S048": rules.No}},
		"cream of tartar with children": {
			bathOf("mordant", []string{"cream of tartar"}, rules.Facts{"people.children_present": truth(true), "material.hazard_classes": texts()}),
			map[string]rules.Answer{"S092": rules.No, "S048": rules.No},
		},
		"fruit sugar with children": {
			bathOf("vat", []string{"fructose"}, rules.Facts{"people.children_present": truth(true), "material.hazard_classes": texts()}),
			map[string]rules.Answer{"S092": rules.No},
		},
		"fruit sugar of no told data sheet, with children": {
			bathOf("vat", []string{"fructose"}, rules.Facts{"people.children_present": truth(true)}),
			map[string]rules.Answer{"S092": rules.Unknown},
		},
		"citric acid with children": {bathOf("dye", []string{"citric acid"}, rules.Facts{"people.children_present": truth(true)}), map[string]rules.Answer{"S092": rules.Yes}},
		"soda with children":        {bathOf("scour", []string{"washing soda"}, rules.Facts{"people.children_present": truth(true)}), map[string]rules.Answer{"S092": rules.Yes}},
		"water on to lye":           {rules.Facts{"step.adds": texts("water"), "bath.first_solid": texts("caustic soda"), "step.kind": texts("scour")}, map[string]rules.Answer{"S016": rules.Yes}},
		"alum with children":        {bathOf("mordant", []string{"alum"}, rules.Facts{"people.children_present": truth(true)}), map[string]rules.Answer{"S092": rules.No, "S048": rules.Unknown}},
		"alcohol with children":     {bathOf("extract", []string{"rubbing alcohol"}, rules.Facts{"people.children_present": truth(true)}), map[string]rules.Answer{"S048": rules.Yes}},
		"hydros with children":      {bathOf("vat", []string{"hydros"}, rules.Facts{"people.children_present": truth(true)}), map[string]rules.Answer{"S048": rules.Yes}},
		"alcohol, warmed":           {bathOf("extract", []string{"alcohol"}, rules.Facts{"vent": texts("outdoors"), "step.temperature_c": figure(45)}), map[string]rules.Answer{"S093": rules.Yes}},
		"alcohol, no temperature":   {bathOf("extract", []string{"alcohol"}, rules.Facts{"vent": texts("outdoors")}), map[string]rules.Answer{"S093": rules.Unknown}},
		"zinc and lime":             {bathOf("vat", []string{"Zinkstaub", "slaked lime", "indigo"}, nil), map[string]rules.Answer{"S095": rules.Yes}},
		"baking soda in alum":       {bathOf("mordant", []string{"baking soda", "aluminium sulphate"}, nil), map[string]rules.Answer{"S014": rules.Yes}},
		"iron bath on to soil":      {bathOf("modifier", []string{"copperas"}, rules.Facts{"disposal.route": texts("soil"), "bath.ph": figure(7)}), map[string]rules.Answer{"S073": rules.Yes}},
		"a vat into the brook":      {bathOf("vat", []string{"hydros", "soda ash"}, rules.Facts{"disposal.route": texts("surface_water")}), map[string]rules.Answer{"S072": rules.Yes, "S075": rules.Yes}},
		"vinegar in a zinc bucket":  {bathOf("rinse", []string{"vinegar"}, rules.Facts{"vessel.material": texts("galvanised"), "bath.ph": figure(3)}), map[string]rules.Answer{"S081": rules.Yes}},
		"copper in the soup pot":    {bathOf("mordant", []string{"bluestone"}, rules.Facts{"vessel.food_use": truth(true)}), map[string]rules.Answer{"S046": rules.Yes, "S009": rules.Yes}},
		"chrome":                    {bathOf("mordant", []string{"bichromate of potash"}, nil), map[string]rules.Answer{"S001": rules.Yes}},
		"tin, nobody asked":         {bathOf("mordant", []string{"muriate of tin"}, nil), map[string]rules.Answer{"S003": rules.Unknown}},
		"ammonia on the stove":      {bathOf("vat", []string{"Salmiakgeist"}, rules.Facts{"vent": texts("window")}), map[string]rules.Answer{"S040": rules.Unknown}},
		"a lid tied down, outdoors": {bathOf("ferment", []string{"weld"}, rules.Facts{"vessel.sealed": truth(true), "vent": texts("outdoors"), "step.temperature_c": figure(60)}), map[string]rules.Answer{"S043": rules.Yes, "S044": rules.Yes}},
		"a burner in a closed room": {bathOf("dye", []string{"weld"}, rules.Facts{"step.open_flame": truth(true), "vent": texts("none")}), map[string]rules.Answer{"S097": rules.Yes}},
		"hemp, iron and tannin": {
			bathOf("modifier", []string{"copperas"}, rules.Facts{"trial.materials": texts("copperas", "tea"), "fibre.kind": texts("hemp"), "fibre.class": texts("cellulose")}),
			map[string]rules.Answer{"S007": rules.Yes},
		},
		"cashmere at the boil": {
			bathOf("dye", []string{"weld"}, rules.Facts{"fibre.kind": texts("other"), "fibre.class": texts("protein"), "step.temperature_c": figure(99)}),
			map[string]rules.Answer{"S069": rules.Yes},
		},
		"tansy":        {bathOf("dye", []string{"own harvest"}, rules.Facts{"plant.genus": texts("Tanacetum")}), map[string]rules.Answer{"S061": rules.Yes, "S059": rules.No}},
		"angel's herb": {bathOf("dye", []string{"own harvest"}, rules.Facts{"plant.genus": texts("Brugmansia")}), map[string]rules.Answer{"S059": rules.Yes}},
	} {
		got := materials.Complete(c.facts)
		require.NoError(t, got.Check(), what)
		found, err := builtIn().Judge(got)
		require.NoError(t, err, what)
		said := map[string]rules.Answer{}
		for _, f := range found {
			said[f.Rule.ID] = f.Answer
		}
		for id, want := range c.says {
			assert.Equal(t, want, said[id], "%s: %s", what, id)
		}
	}
}

// Of what nobody knows a rule asks first of which kind it is, and the rest once that is told: a strange dyestuff brings no questions of permits, drains and flames.
func TestAKindIsAskedFirst(t *testing.T) {
	found, err := builtIn().Judge(materials.Complete(bathOf("dye", []string{"moon dust"}, rules.Facts{"step.temperature_c": figure(80)})))
	require.NoError(t, err)
	missing := map[string][]string{}
	for _, f := range found {
		missing[f.Rule.ID] = f.Missing
	}
	for _, id := range []string{"S003", "S010", "S011", "S079", "S093"} {
		assert.Equal(t, []string{"material.classes"}, missing[id], id)
	}
	for _, id := range []string{"S031", "S088", "S089"} {
		assert.Equal(t, []string{"bath.classes"}, missing[id], id)
	}
	tin := materials.Complete(bathOf("mordant", []string{"moon dust"}, rules.Facts{"material.classes": texts("tin_salt")}))
	found, err = builtIn().Judge(tin)
	require.NoError(t, err)
	for _, f := range found {
		if f.Rule.ID == "S003" {
			assert.Equal(t, []string{"workshop.tin_permitted"}, f.Missing)
		}
	}
}
