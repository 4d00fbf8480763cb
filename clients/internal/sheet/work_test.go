package sheet_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/commonvat/commonvat/clients/internal/sheet"
	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

// What is to be done at a pot beside weighing and heating stands on every form of its sheet.
func TestWorkAtThePot(t *testing.T) {
	s := aSheet()
	s.Plan.Baths[1] = &benchpb.PlanBath{Name: "weld", Kind: benchpb.BathKind_BATH_KIND_VAT, RinsedBefore: true, Dips: 3, Ph: &benchpb.PhRange{Low: 9, High: 9.5}}
	const vat = "rinse the fibre before it goes in; 3 dips, with air after each; pH 9 to 9.5"
	page := sheet.Of(sheet.Apply(s, healthy))
	assert.Equal(t, vat, page.Steps[1].Work)
	assert.Empty(t, page.Steps[0].Work)
	assert.Equal(t, `in what is left of "alum"`, page.Steps[3].Work)
	assert.Contains(t, text(t, s, healthy), "work: "+vat)
	var b bytes.Buffer
	paper, err := sheet.PaperNamed("a4")
	require.NoError(t, err)
	require.NoError(t, sheet.WriteHTML(&b, page, paper))
	assert.Contains(t, b.String(), "Work: "+vat)
	assert.Contains(t, b.String(), "Work: in what is left of &#34;alum&#34;")
}

// Nobody works from a sheet that was deleted.
func TestDeletedSheetIsNotReleased(t *testing.T) {
	s := aSheet()
	s.Standing = benchpb.Standing_STANDING_RELEASED
	s.DeleteTime = timestamppb.New(time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC))
	page := sheet.Of(s)
	assert.False(t, page.Released)
	assert.Contains(t, text(t, s, healthy), "NOT RELEASED, HISTORY: this sheet was deleted on 2026-05-04")
	for _, step := range page.Steps {
		assert.False(t, step.Released, step.Heading)
		assert.Equal(t, "NOT RELEASED: this sheet is history, not to be dyed by", step.Standing)
	}
}

// What a recipe says of its materials stands beside their amounts: in which state they are weighed, how the amount is told, and what goes into each dip.
func TestHowAmountsAreTold(t *testing.T) {
	s := aSheet()
	half := 0.5
	s.Plan.Baths[1] = &benchpb.PlanBath{
		Name: "weld", Kind: benchpb.BathKind_BATH_KIND_VAT, Vat: "fructose", IndigoGPerL: 1, IndigoPurityPercent: proto.Float64(40), Dips: 3, PiecesLifted: 2,
		Doses: []*benchpb.PlanDose{
			{Material: "weld", Form: benchpb.DoseForm_DOSE_FORM_FRESH, MoisturePercent: proto.Float64(80), Figure: &benchpb.PlanDose_PercentWof{PercentWof: 12}},
			{Material: "chalk", Figure: &benchpb.PlanDose_GramsPerLitre{GramsPerLitre: 1}},
			{Material: "tartar", Figure: &benchpb.PlanDose_PartsOf{PartsOf: &benchpb.PlanParts{Parts: 0.4, Of: "chalk"}}},
			{Material: "paste", Figure: &benchpb.PlanDose_GramsPerDip{GramsPerDip: 2}},
			{Material: "vinegar", Form: benchpb.DoseForm_DOSE_FORM_LIQUID, LiquidGPerL: proto.Float64(50), Figure: &benchpb.PlanDose_Grams{Grams: 1}},
			{Material: "extract", Form: benchpb.DoseForm_DOSE_FORM_SUBSTITUTE, Strength: &half, Figure: &benchpb.PlanDose_Grams{Grams: 1}},
			{Material: "powder", Form: benchpb.DoseForm_DOSE_FORM_IMPURE, Figure: &benchpb.PlanDose_Grams{Grams: 1}},
			{Material: "lye", Form: benchpb.DoseForm_DOSE_FORM_LIQUID, LiquidDensityKgPerL: proto.Float64(1.06), LiquidPercent: proto.Float64(8), Figure: &benchpb.PlanDose_Grams{Grams: 1}},
		},
	}
	load := s.Baths[1].Loads[0]
	for _, m := range []string{"chalk", "tartar", "paste", "vinegar", "extract", "powder", "lye"} {
		one := proto.Clone(load.GetAmounts()[0]).(*benchpb.SheetAmount)
		one.Material = m
		load.Amounts = append(load.Amounts, one)
	}
	load.Amounts[1].DeliveredLowPercent, load.Amounts[1].DeliveredPercent, load.Amounts[1].DeliveredHighPercent = 99.5, 100, 100.49
	load.Amounts[6].NotKnown = "the purity of this lot"
	load.Lifted = []*benchpb.LiftedEarly{
		{PiecesLeft: 2, Material: "weld", AtMostPercent: 133.3, LiquorRatio: 60}, {PiecesLeft: 1, Material: "weld", AtMostPercent: 200, LiquorRatio: 120},
		{PiecesLeft: 2, Material: "chalk", AtMostPercent: 5.33, LiquorRatio: 60}, {PiecesLeft: 1, Material: "chalk", AtMostPercent: 8, LiquorRatio: 120},
	}
	page := sheet.Of(sheet.Apply(s, healthy))
	step := page.Steps[1]
	assert.Equal(t, `vat "fructose", 1 g of indigo for each litre, of which 40 % is dye; 3 dips, with air after each; 2 pieces are lifted one by one before the others`, step.Work)
	s.Plan.Baths[1].IndigoByActiveDye = true
	assert.Contains(t, sheet.Of(sheet.Apply(s, healthy)).Steps[1].Work, "1 g of dye for each litre, in indigo of which 40 % is dye")
	s.Plan.Baths[1].BlankOf = "weld"
	assert.Contains(t, sheet.Of(sheet.Apply(s, healthy)).Steps[1].Work, "a blank: all that belongs to a bath of weld but the dye")
	s.Plan.Baths[1].BlankOf = ""
	var told []string
	for _, a := range step.Loads[0].Amounts {
		told = append(told, a.Material+": "+a.Do+" ("+a.Why+")")
	}
	const rest = "12 % WOF, 11.9 to 12.1; ± 0.6 %)"
	assert.Equal(t, []string{
		"weld, fresh, water 80 %: weigh 20.00 g (" + rest, "chalk: weigh 20.00 g (1 g/L; 100 % WOF, 99.5 to 100.5; ± 0.6 %)", "tartar: weigh 20.00 g (0.4 parts of chalk; " + rest,
		"paste: weigh 20.00 g, 2 g for each of 3 dips (" + rest, "vinegar, liquid of 50 g/L: weigh 20.00 g (" + rest, "extract, another lot, strength 0.5 times the recipe's: weigh 20.00 g (" + rest,
		"powder, purity not known: not known: the purity of this lot ()", "lye, liquid of 8 %, density 1.06 kg/L: weigh 20.00 g (" + rest,
	}, told)
	assert.Equal(t, []string{
		"with 2 pieces left, 1:60, at most 133 % weld, 5.33 % chalk on the weight of fibre", "with 1 piece left, 1:120, at most 200 % weld, 8 % chalk on the weight of fibre",
	}, step.Loads[0].Lifted)
	// On a terminal what is too wide goes on below, in its column.
	printed := text(t, s, healthy)
	for _, line := range strings.Split(printed, "\n") {
		assert.LessOrEqual(t, len([]rune(line)), 96, line)
	}
	assert.Contains(t, printed, "    extract, another lot,")
	assert.Contains(t, printed, "\n    strength 0.5")
	assert.NotContains(t, printed, "±\n")
	s.Plan.Baths[1].IndigoPurityPercent = nil
	assert.Contains(t, sheet.Of(s).Steps[1].Work, "of which how much is dye isn't known")
}

// What a module asks of a recipe stands at its bath, too.
func TestQuestionOfARecipeStandsAtItsBath(t *testing.T) {
	s := aSheet()
	s.Baths[2].Name = "blue"
	s.Questions = append(s.Questions, &benchpb.SheetQuestion{
		Scope: benchpb.QuestionScope_QUESTION_SCOPE_RECIPE, Of: "blue", Baths: []string{"blue"}, Text: `"1-2-3" is told of several vats: which one?`, Choices: []string{"fructose", "iron"}, Holds: true,
	})
	inOrder(t, words(text(t, s, healthy)), "To be answered first", `"1-2-3" is told of several vats: which one? (fructose, iron)`, "3. blue (modifier)", `withheld: it can't be scaled before this is answered: "1-2-3" is told of several vats: which one?`, "4. alum again")

	// An amount that waits for an answer is told once, also where a bath bears the name of its dyestuff.
	const gap = "isn't known before this is told: the strength of this lot"
	s.Baths[2].Name, s.Baths[2].WithheldBecause = "madder", []string{"how much madder goes in " + gap}
	s.Questions[len(s.Questions)-1] = &benchpb.SheetQuestion{Scope: benchpb.QuestionScope_QUESTION_SCOPE_RECIPE, Of: "madder", Baths: []string{"madder"}, Text: "How much of it goes in " + gap, Holds: true}
	got := words(text(t, s, healthy))
	assert.Contains(t, got, "withheld: how much madder goes in "+gap)
	assert.NotContains(t, got, "it can't be scaled")
}

// The days stand on every form of a sheet, without amounts, and what isn't released is said there, too.
func TestDays(t *testing.T) {
	s := daySheet()
	for i := range 5 {
		s.Days[0].Tasks[0].Pieces = append(s.Days[0].Tasks[0].Pieces, fmt.Sprintf("skein %d", i+9))
	}
	got := words(text(t, s, healthy))
	inOrder(t, got, "Days", "Day 1, 2 h 30 min at the pots, one after another", "1. alum (mordant): skein 1, skein 2, skein 9 to skein 13", "2. weld (dye): skein 1 to skein 3, strip",
		"weld, then indigo: skein 1", "- rinse, dry in the shade: skein 1", "Day 2", "3. iron (modifier): skein 1; a vessel and tools of its own; NOT RELEASED", `! no piece gets weld in "weld" alone`, "DAY 1", "1. alum (mordant)")
	assert.Contains(t, words(text(t, s, sheet.Health{})), "skein 9 to skein 13; NOT RELEASED")
	var b bytes.Buffer
	require.NoError(t, sheet.WriteHTML(&b, sheet.Of(sheet.Apply(s, healthy)), sheet.Papers[0]))
	inOrder(t, b.String(), "<h2>Days</h2>", "<h3>Day 1, 2 h 30 min", "<li>weld, then indigo: skein 1</li>", "<h3>Day 2</h3>", "<li>no piece gets weld in", `<h2 class="day">Day 1</h2>`, "<section>", "<h2>1. alum (mordant)</h2>")
	s.Days = nil
	assert.NotContains(t, text(t, s, healthy), "Days")
}
