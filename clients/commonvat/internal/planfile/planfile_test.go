package planfile_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/clients/commonvat/internal/document"
	"github.com/commonvat/commonvat/clients/commonvat/internal/planfile"
	benchv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

const (
	seed     = "019df400-0000-7000-8000-0000000000aa"
	examples = "../../../../testdata/examples"
)

func example(t testing.TB, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(examples, name))
	require.NoError(t, err)
	return data
}

func TestExamplePlan(t *testing.T) {
	f, err := planfile.Parse(example(t, "weld-and-indigo.plan.yaml"), seed)
	require.NoError(t, err)
	p := f.Plan
	assert.Equal(t, "019df400-0000-7000-8000-000000000002", p.GetId(), "its own id, not the seed")
	require.Len(t, p.GetPieces(), 12)
	assert.Equal(t, "skein 12", p.GetPieces()[11].GetLabel())
	assert.Equal(t, 10.0, p.GetPieces()[0].GetMassG())
	require.Len(t, p.GetBaths(), 3)
	assert.Equal(t, 100.0, p.GetBaths()[0].GetDoses()[0].GetPercentWof())
	assert.Equal(t, []float64{30, 45, 60}, p.GetBaths()[0].GetHeat().GetLooksMin())
	// Tutorials and suppliers tell about pH 11 of the vat with slaked lime and fructose; saturated lime water is near 12 at 40 °C (from memory of tables of pH standards).
	assert.Equal(t, "fructose", p.GetBaths()[1].GetVat())
	assert.Equal(t, 10.5, p.GetBaths()[1].GetPh().GetLow())
	assert.Equal(t, 11.5, p.GetBaths()[1].GetPh().GetHigh())
	assert.Equal(t, benchv1.HardnessScale_HARDNESS_SCALE_GERMAN_DEGREE, p.GetWaters()[0].GetScale())
	assert.Equal(t, 40.0, p.GetMordant().GetLiquorRatio())
	assert.Equal(t, `bath "blue", line`, f.Where("plan.baths[1].litres")[:len(`bath "blue", line`)])
	assert.False(t, p.GetLayOutDays(), "both orders are laid out over days without a word")
	asked, err := planfile.Parse(append([]byte("lay_out_days: true\n"), example(t, "weld-and-indigo.plan.yaml")...), seed)
	require.NoError(t, err)
	assert.True(t, asked.Plan.GetLayOutDays())
	again, err := planfile.Parse(example(t, "weld-and-indigo.plan.yaml"), seed)
	require.NoError(t, err)
	assert.Equal(t, p.GetPieces()[4].GetId(), again.Plan.GetPieces()[4].GetId(), "the same file gives the same ids")
}

// What goes on last is told apart from the mordants, with units like them.
func TestModifiers(t *testing.T) {
	const told = "    heat: {start: 30 C, hold: 85 C, minutes: 60, cool_minutes: 30}\n"
	text := string(example(t, "weld-and-indigo.plan.yaml"))
	with := func(modifier string) string {
		require.Contains(t, text, told[2:])
		return strings.Replace(text, told[2:], told[2:]+"  modifier: "+modifier+"\n", 1)
	}
	f, err := planfile.Parse([]byte(with("{vessel: vat, heat: {start: 68 F, hold: 50 C, minutes: 10}, ph: 5 to 6}")), seed)
	require.NoError(t, err)
	m := f.Plan.GetMordant().GetModifier()
	assert.Equal(t, "vat", m.GetVessel())
	assert.InDelta(t, 20, m.GetHeat().GetStartC(), 1e-9, "68 °F")
	assert.InDelta(t, 6, m.GetPh().GetHigh(), 1e-9)
	plain, err := planfile.Parse([]byte(text), seed)
	require.NoError(t, err)
	assert.Nil(t, plain.Plan.GetMordant().GetModifier())
	_, err = planfile.Parse([]byte(with("{vessle: vat, ph: sour}")), seed)
	require.Error(t, err)
	assert.Contains(t, err.Error(), "mordant.modifier.ph")
	assert.Contains(t, err.Error(), "vessle")
}

func TestExampleWorkshop(t *testing.T) {
	w, err := planfile.ParseWorkshop(example(t, "workshop.yaml"))
	require.NoError(t, err)
	assert.Len(t, w.GetVessels(), 2)
	assert.Equal(t, 0.01, w.GetBalances()[1].GetStepG())
	assert.InDelta(t, 0.2, w.GetSmallVolumeUncertaintyMl(), 1e-12)
	for _, m := range w.GetShelf() {
		if m.GetMaterial() == "calcium hydroxide" {
			assert.Len(t, m.GetAnswers(), 12, "entries of one material are put together")
		}
	}
}

func TestDoses(t *testing.T) {
	for text, want := range map[string]*benchv1.PlanDose{
		"20 % wof":                           {Figure: &benchv1.PlanDose_PercentWof{PercentWof: 20}},
		"20% WOF":                            {Figure: &benchv1.PlanDose_PercentWof{PercentWof: 20}},
		"2.5 g/L":                            {Figure: &benchv1.PlanDose_GramsPerLitre{GramsPerLitre: 2.5}},
		"3 g per dip":                        {Figure: &benchv1.PlanDose_GramsPerDip{GramsPerDip: 3}},
		"2 parts of indigo":                  {Figure: &benchv1.PlanDose_PartsOf{PartsOf: &benchv1.PlanParts{Parts: 2, Of: "indigo"}}},
		"30 g":                               {Figure: &benchv1.PlanDose_Grams{Grams: 30}},
		"1 oz":                               {Figure: &benchv1.PlanDose_Grams{Grams: 28.349523125}}, // the avoirdupois ounce is exact: NIST SP 811, B.8
		"20 %":                               nil,                                                    // of what?
		"a handful":                          nil,
		"not known (a handful)":              nil,
		"2 L":                                nil,
		"-3 g":                               nil,
		"NaN g":                              nil,
		"9" + strings.Repeat("9", 90) + " g": nil,
		"3 ounces per gallon":                nil,
	} {
		got := &benchv1.PlanDose{}
		err := planfile.ParseDose(text, got)
		if want == nil {
			require.Error(t, err, text)
			continue
		}
		require.NoError(t, err, text)
		assert.Equal(t, want.GetFigure(), got.GetFigure(), text)
	}
}

// Units of hardness as labels print them. A grain is a mass, and grains per gallon are of two gallons.
func TestHardnessUnits(t *testing.T) {
	parsed := func(text string) (*benchv1.PlanWater, error) {
		f, err := planfile.Parse([]byte("title: x\nwaters: [{name: well, hardness: \""+text+"\"}]\npieces: [{name: a, fibre: wool, mass: 3 g}]\nbaths: [{name: b, kind: scour, liquor_ratio: 30}]\n"), seed)
		if err != nil {
			return nil, err
		}
		return f.Plan.GetWaters()[0], nil
	}
	for text, want := range map[string]benchv1.HardnessScale{
		"°dH": benchv1.HardnessScale_HARDNESS_SCALE_GERMAN_DEGREE, "°f": benchv1.HardnessScale_HARDNESS_SCALE_FRENCH_DEGREE, "°e": benchv1.HardnessScale_HARDNESS_SCALE_ENGLISH_DEGREE,
		"US gpg": benchv1.HardnessScale_HARDNESS_SCALE_GRAIN_PER_US_GALLON, "mg/L": benchv1.HardnessScale_HARDNESS_SCALE_MG_PER_L, "ppm": benchv1.HardnessScale_HARDNESS_SCALE_MG_PER_L,
		"mmol/l": benchv1.HardnessScale_HARDNESS_SCALE_MMOL_PER_L,
	} {
		w, err := parsed("3.5 " + text)
		require.NoError(t, err, text)
		assert.Equal(t, want, w.GetScale(), text)
		assert.Equal(t, 3.5, w.GetHardness(), text)
	}
	for text, says := range map[string]string{"grains": "which gallon", "grain": "which gallon", "gpg": "which gallon", "°": "one of the units", "mg": "one of the units", "°Tw": "one of the units", "g/L": "one of the units"} {
		_, err := parsed("3.5 " + text)
		assert.ErrorContains(t, err, says, text)
	}
	w, err := parsed("not known")
	require.NoError(t, err)
	assert.Nil(t, w.Hardness)
}

// What the bench is told of waters, weighing and liquids, in the units of labels, hydrometers and analyses.
func TestWatersWeighingAndLiquids(t *testing.T) {
	f, err := planfile.Parse([]byte(`title: units (invented)
percent_of: oven dry
regains: {nettle: 12}
wanted_hardness: 5 °dH
waters:
  - {name: well, parts: 2, calcium: 60 mg/L, magnesium: 12 mg/L}
  - {name: rain, hardness: 0 °f}
pieces:
  - {name: a, fibre: nettle, mass: 10 g, moisture_content_percent: 11}
baths:
  - name: vat
    kind: vat
    liquor: 30 L
    vat: iron
    indigo_g_per_l: 1.2
    indigo_purity_percent: 35
    indigo_by_active_dye: true
    blank_of: weld
    materials:
      - {material: acetic acid, dose: 20 g, form: liquid, liquid_density: 1.2 °Tw, liquid_percent: 5}
`), seed)
	require.NoError(t, err)
	p := f.Plan
	assert.Equal(t, benchv1.WofReference_WOF_REFERENCE_OVEN_DRY, p.GetWofReference())
	assert.Equal(t, "nettle", p.GetRegains()[0].GetFibre())
	assert.Equal(t, 12.0, p.GetRegains()[0].GetPercent())
	assert.Equal(t, 5.0, p.GetWantedHardness().GetValue())
	assert.Equal(t, benchv1.HardnessScale_HARDNESS_SCALE_GERMAN_DEGREE, p.GetWantedHardness().GetScale())
	assert.Equal(t, 60.0, p.GetWaters()[0].GetCalciumMgPerL())
	assert.Equal(t, 12.0, p.GetWaters()[0].GetMagnesiumMgPerL())
	assert.Nil(t, p.GetWaters()[0].Hardness)
	assert.Equal(t, 11.0, p.GetPieces()[0].GetMoistureContentPercent())
	assert.Equal(t, "weld", p.GetBaths()[0].GetBlankOf(), "the core refuses it beside a vat")
	assert.True(t, p.GetBaths()[0].GetIndigoByActiveDye())
	assert.Equal(t, 1.006, p.GetBaths()[0].GetDoses()[0].GetLiquidDensityKgPerL(), "1 + 0.005 x 1.2, by the definition of the degree Twaddell")
	assert.Equal(t, 5.0, p.GetBaths()[0].GetDoses()[0].GetLiquidPercent())
	_, err = planfile.Parse([]byte(`title: units
percent_of: wet
regains: {nettle: much}
wanted_hardness: 5 grains
waters: [{name: well, calcium: 3 °dH}]
pieces: [{name: a, fibre: wool, mass: 12 Tw}]
baths: [{name: b, kind: dye, liquor: 1.06 kg/L, materials: [{material: x, dose: 3 g, liquid_density: 3 L}]}]
`), seed)
	var all *document.Error
	require.ErrorAs(t, err, &all)
	text := strings.Join(all.Lines(), "\n")
	for _, want := range []string{"percent_of", "regains.nettle", "of which gallon", "waters[0].calcium", "is a density", "baths[0].liquor", "liquid_density", "is an amount"} {
		assert.Contains(t, text, want)
	}
}

// Every fault is told at once, with its line.
func TestEveryFaultAtOnce(t *testing.T) {
	_, err := planfile.Parse([]byte(`title: ""
pieces:
  - {name: a, mass: 3 L, fibre: wool, colour: white}
  - {name: a, mass: a handful}
  - {name: b, mass: not known, fibre: {wool: 80, silk: much}}
waters:
  - {name: well, hardness: 12 grains}
baths:
  - name: pot
    kind: stew
    ph: sour
    heat: {start: 20, hold: 90 C}
    materials:
      - {material: weld, dose: 20 %}
      - {dose: 3 g}
    answers: {person.asthma: no, vent: }
    doubtful: [disposal.route]
`), seed)
	var all *document.Error
	require.True(t, errors.As(err, &all))
	text := strings.Join(all.Lines(), "\n")
	for _, want := range []string{
		"title: is required", "pieces[0].mass", "is a volume", "pieces[0].colour: unknown key", "pieces[1].mass", "pieces[1].fibre", "pieces[1].name", "not be scaled", "pieces[2].fibre.silk",
		"waters[0].hardness", "baths[0].kind", "liquor_ratio", "baths[0].ph", "heat.start", "percent of what?", "materials[1].material: is required", "isn't sent", "vent: has no value", "disposal.route",
	} {
		assert.Contains(t, text, want)
	}
	for _, line := range all.Lines() {
		assert.True(t, strings.HasPrefix(line, "line "), line)
	}
}

func TestAnswers(t *testing.T) {
	w, err := planfile.ParseWorkshop([]byte(`
answers: {a.truth: yes, b.truth: false, c.word: "yes", d.figure: 3.5, e.range: 2 to 4, f.list: [x, y], g.none: [], h.word: outdoors}
doubtful: [d.figure]
`))
	require.NoError(t, err)
	got := map[string]*benchv1.Answer{}
	for _, a := range w.GetAnswers() {
		got[a.GetField()] = a
	}
	assert.True(t, got["a.truth"].GetTruth())
	assert.False(t, got["b.truth"].GetTruth())
	assert.Equal(t, []string{"yes"}, got["c.word"].GetTexts().GetValues(), "what is quoted is a word")
	assert.Equal(t, 3.5, got["d.figure"].GetNumber().GetLow())
	assert.True(t, got["d.figure"].GetDoubtful())
	assert.Equal(t, 4.0, got["e.range"].GetNumber().GetHigh())
	assert.Equal(t, []string{"x", "y"}, got["f.list"].GetTexts().GetValues())
	assert.Empty(t, got["g.none"].GetTexts().GetValues())
	assert.NotNil(t, got["g.none"].GetTexts())
	assert.Equal(t, []string{"outdoors"}, got["h.word"].GetTexts().GetValues())
	_, err = planfile.ParseWorkshop([]byte("shelf:\n  - {materials: [weld], answers: {material.form: plant}}\n  - {materials: weld, answers: {material.form: powder}}\n"))
	require.ErrorContains(t, err, "answered above already")
}

func TestHealth(t *testing.T) {
	h, err := planfile.ParseHealth([]byte("asthma: no\nallergic_to: []\n"))
	require.NoError(t, err)
	assert.Nil(t, h.PregnantOrBreastfeeding, "what isn't said isn't no")
	require.NotNil(t, h.Asthma)
	assert.False(t, *h.Asthma)
	assert.True(t, h.AllergyTold)
	h, err = planfile.ParseHealth([]byte("pregnant_or_breastfeeding: yes\n"))
	require.NoError(t, err)
	assert.True(t, *h.PregnantOrBreastfeeding)
	assert.False(t, h.AllergyTold)
	for _, bad := range []string{"asthma: maybe", "allergic_to: none", "allergic_to: [\"\"]", "astma: no", "asthma: [no]"} {
		_, err := planfile.ParseHealth([]byte(bad))
		require.Error(t, err, bad)
	}
}

// Whatever is read, the answer is a plan with what a plan must have, or faults; and never a panic. What is read twice is the same.
func FuzzParse(f *testing.F) {
	f.Add(example(f, "weld-and-indigo.plan.yaml"))
	f.Add(example(f, "workshop.yaml"))
	f.Add([]byte("title: x\npieces: [{name: a, fibre: {wool: 50, silk: 50}, mass: 3 g, count: 200}]\nbaths: [{name: b, kind: dye, liquor: 1 US gal, materials: [{material: weld, dose: 2 parts of x}], taken_up: {weld: .5}}]\n"))
	f.Add([]byte("title: x\nwanted_hardness: 3 °e\nregains: {wool: 14}\nwaters: [{name: a, calcium: 3 mg/L, magnesium: 1 mg/L}]\npieces: [{name: a, fibre: wool, mass: 3 g}]\nbaths: [{name: b, kind: dye, liquor_ratio: 30, materials: [{material: x, dose: 3 g, form: liquid, liquid_density: 12 °Tw, liquid_percent: 30}]}]\n"))
	f.Add([]byte(`{"title": "x", "pieces": [{"name": "a", "fibre": "wool", "mass": "3 g"}], "baths": [{"name": "b", "kind": "vat", "vat": "1-2-3", "liquor_ratio": 30}]}`))
	f.Add([]byte("asthma: no\nallergic_to: [weld]\nnot_allergic_to: alum\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		plan, err := planfile.Parse(data, seed)
		if err == nil {
			require.NotEmpty(t, plan.Plan.GetTitle())
			require.NotEmpty(t, plan.Plan.GetPieces())
			require.LessOrEqual(t, len(plan.Plan.GetPieces()), 201)
			require.NotEmpty(t, plan.Plan.GetBaths())
			for _, b := range plan.Plan.GetBaths() {
				for _, d := range b.GetDoses() {
					require.NotNil(t, d.GetFigure())
				}
				for _, a := range b.GetAnswers() {
					require.NotNil(t, a.GetValue())
					require.False(t, strings.HasPrefix(a.GetField(), "person"), "nothing about a person is in a plan")
				}
			}
		} else {
			var faults *document.Error
			require.True(t, errors.As(err, &faults), "%T", err)
			require.NotEmpty(t, faults.Faults)
		}
		if w, err := planfile.ParseWorkshop(data); err == nil {
			for _, a := range w.GetAnswers() {
				require.False(t, strings.HasPrefix(a.GetField(), "person"))
			}
		}
		if h, err := planfile.ParseHealth(data); err == nil {
			require.True(t, h.AllergyTold || len(h.AllergicTo) == 0)
		}
	})
}
