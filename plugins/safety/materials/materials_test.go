package materials_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/safety/materials"
	"github.com/commonvat/commonvat/plugins/safety/rules"
)

// Each entry is in the words of the fields, and says where it comes from.
func TestTable(t *testing.T) {
	for _, name := range materials.Names() {
		m, ok := materials.Find(name)
		require.True(t, ok)
		facts := rules.Facts{"material.classes": {Texts: append([]string{}, m.Classes...)}, "material.hazard_classes": {Texts: append([]string{}, m.HazardClasses...)}}
		require.NoError(t, facts.Check(), name)
		assert.NotEmpty(t, m.Source, name)
		assert.False(t, m.Confirmed && strings.HasPrefix(m.Source, "from memory"), name)
		told := m.ToldApart
		for _, f := range m.Forms {
			assert.NotEmpty(t, f.Names, name)
			assert.Equal(t, len(m.MetalPercent) > 0, len(f.MetalPercent) > 0, "%s: a form of a salt holds metal", name)
			for _, other := range f.Names {
				found, ok := materials.Find(other)
				assert.True(t, ok, other)
				assert.Equal(t, name, found.Name, other)
			}
			told += f.ToldApart
		}
		assert.LessOrEqual(t, len([]rune(told)), 400, name)
	}
	lime, ok := materials.Find(" Slaked Lime ")
	require.True(t, ok)
	assert.Equal(t, "calcium hydroxide", lime.Name)
	for name, first := range map[string]string{
		"Sodium Hydrosulphite": "sodium dithionite", "hydros": "sodium dithionite", "copper  sulphate": "copper sulfate", "Alu" + "minum Acetate": "aluminium acetate",
		"sulphuric acid": "concentrated sulfuric acid", "iron(II) sulphate": "ferrous sulfate",
	} {
		m, ok := materials.Find(name)
		assert.True(t, ok, name)
		assert.Equal(t, first, m.Name, name)
	}
}

func TestComplete(t *testing.T) {
	word := func(w ...string) rules.Fact { return rules.Fact{Texts: append([]string{}, w...)} }
	got := materials.Complete(rules.Facts{"material.id": word("Lye"), "bath.materials": word("bleach", "vinegar")})
	require.NoError(t, got.Check())
	assert.Equal(t, []string{"sodium hydroxide"}, got["material.id"].Texts)
	assert.Equal(t, []string{"acid", "alkali", "hypochlorite", "oxidiser"}, got["bath.classes"].Texts)
	assert.True(t, got["material.hazard_classes"].Doubtful, "codes from memory")
	found, err := builtIn().Judge(got)
	require.NoError(t, err)
	ids := map[string]rules.Answer{}
	for _, f := range found {
		ids[f.Rule.ID] = f.Answer
	}
	assert.Equal(t, rules.Yes, ids["S031"], "bleach and acid")

	got = materials.Complete(rules.Facts{"material.id": word("moon dust"), "bath.materials": word("vinegar", "moon dust")})
	assert.NotContains(t, got, "material.classes", "unknown is unknown")
	assert.NotContains(t, got, "bath.classes")
	told := materials.Complete(rules.Facts{"material.id": word("lye"), "material.hazard_classes": word("irritant")})
	assert.Equal(t, word("irritant"), told["material.hazard_classes"], "what a data sheet says stands against what is from memory")

	// Other names are those of the table wherever a rule asks for a material.
	got = materials.Complete(rules.Facts{"step.adds": word("Washing Soda"), "bath.first_solid": word("Hydrosulfite"), "bath.materials": word("alum")})
	assert.Equal(t, word("soda ash"), got["step.adds"])
	assert.Equal(t, word("sodium dithionite"), got["bath.first_solid"])

	// A wrong answer can't clear what the table is sure of.
	told = materials.Complete(rules.Facts{
		"material.id": word("copper sulfate"), "material.hazard_classes": word(), "material.classes": word("tannin"),
		"bath.materials": word("bleach", "vinegar", "moon dust"), "bath.classes": word(),
	})
	require.NoError(t, told.Check())
	assert.Equal(t, word("serious_eye_damage"), told["material.hazard_classes"])
	assert.Equal(t, word("copper_salt", "tannin"), told["material.classes"])
	assert.Equal(t, word("acid", "alkali", "hypochlorite", "oxidiser"), told["bath.classes"])
}
