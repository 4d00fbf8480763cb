package bench_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// Half of the iron under each of two of its names is all of it: 2.3 and 2.3 % are above the 4 % at which sellers' pages end.
func oneMaterialOfTwoNames(t *testing.T, w *workplace) {
	workshop := aWorkshop()
	workshop.Shelf = append(workshop.Shelf, shelf("copperas", "powder", "none", "none", "irritant"))
	_, err := w.UpdateWorkshop(t.Context(), byAsh, workshop, "")
	require.NoError(t, err)
	plan := saddened(2.3)
	one, err := w.Plan(t.Context(), ash, plan)
	require.NoError(t, err)
	assert.Nil(t, findingOf(bathNamed(t, one, "sadden"), "S005"), "half of it alone")
	assert.NotContains(t, strings.Join(bathNamed(t, one, "sadden").GetRemarks(), "\n"), "one material")

	plan.Baths[0].Doses = append(plan.Baths[0].Doses, percent("copperas", 2.3))
	both, err := w.Plan(t.Context(), ash, plan)
	require.NoError(t, err)
	stop := findingOf(bathNamed(t, both, "sadden"), "S005")
	require.NotNil(t, stop, "half under each name")
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_FIRES, stop.GetStanding())
	assert.Empty(t, bathNamed(t, both, "sadden").GetLoads())
	assert.Contains(t, bathNamed(t, both, "sadden").GetRemarks(), `"ferrous sulfate" and "copperas" are one material: its amounts are added up before they are held against the rules`)
	for _, name := range []string{"ferrous sulfate", "copperas"} {
		iron := w.modules.fact(name, "step.wof_percent").GetNumber()
		assert.InDelta(t, 100*5.6/120, (iron.GetLow()+iron.GetHigh())/2, 0.01, name)
		litre := w.modules.fact(name, "step.conc_g_per_l").GetNumber()
		assert.InDelta(t, 5.6/4.8, (litre.GetLow()+litre.GetHigh())/2, 0.05, "%s: 2.8 g twice, as the balance shows 2.76, in 4.8 L", name)
	}

	// What isn't known of one of them isn't known of both.
	plan.Baths[0].Doses[1].Form = benchpb.DoseForm_DOSE_FORM_IMPURE
	_, err = w.Plan(t.Context(), ash, plan)
	require.NoError(t, err)
	assert.Nil(t, w.modules.fact("ferrous sulfate", "step.wof_percent"))

	// Nor is anything checked by a module that can't say what is the same.
	w.modules.takeAway("names of safety-rules")
	s, err := w.Plan(t.Context(), ash, plan)
	require.NoError(t, err)
	assert.Equal(t, notYet, s.GetStanding())
	assert.Contains(t, strings.Join(s.GetBaths()[0].GetWithheldBecause(), "\n"), "not checked by safety-rules")
}

// recorded enters a bath in a vessel into ash's record.
func recordedIn(t *testing.T, w *workplace, vessel, material string, at trial.ClaimedTime) {
	t.Helper()
	bath := &trial.Bath{ID: newID(), Label: "of " + material, Vessel: vessel, Purposes: []trial.Purpose{trial.MordantBath}, Additions: []trial.Addition{
		{Entry: trial.Entry{ID: newID()}, Material: material, Role: trial.Mordant, Amount: trial.Amount{Knowledge: trial.NotKnown}, At: at},
	}}
	_, err := w.store.Change(t.Context(), store.ChangeRequest{Actor: byAsh, Now: w.now, Apply: func(r trial.Records) ([]byte, error) {
		_, err := trial.CreateBath(r, ash, w.now, bath)
		return nil, err
	}})
	require.NoError(t, err)
}

// The workshop says that the pot held no metal; then iron is recorded in it, and the next plan, which wants a clear colour, sees that and says where it is written.
func vesselsRememberTheRecord(t *testing.T, w *workplace) {
	first := w.answered(t)
	w.now = w.now.AddDate(0, 0, 7)
	clear := func() *benchpb.Plan {
		p := plainWeek()
		p.WantedShift, p.Baths = "brighter", p.Baths[1:2]
		return p
	}
	metal := func() (*benchpb.SheetFinding, string) {
		s, err := w.Plan(t.Context(), ash, clear())
		require.NoError(t, err)
		return findingOf(bathNamed(t, s, "weld"), "S008"), strings.Join(s.GetRemarks(), "\n")
	}
	found, said := metal()
	assert.Nil(t, found)
	assert.NotContains(t, said, "last used")

	day := func(d int) trial.ClaimedTime {
		return trial.ClaimedTime{Time: time.Date(2026, 5, d, 0, 0, 0, 0, time.UTC), Precision: trial.ToDay}
	}
	recordedIn(t, w, "vat", "ferrous sulfate", day(9)) // another vessel
	recordedIn(t, w, "Pot ", "ferrous sulfate", day(8))
	recordedIn(t, w, "pot", "potassium alum", day(9)) // which leaves no metal of its own
	found, said = metal()
	require.NotNil(t, found)
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_FIRES, found.GetStanding())
	assert.Contains(t, said, `by the record the vessel "pot" was last used with iron: ferrous sulfate in the bath "of ferrous sulfate", 2026-05-`)
	plan := clear()
	plan.Baths[0].Answers = append(plan.Baths[0].Answers, words("vessel.last_metal", "none"))
	s, err := w.Plan(t.Context(), ash, plan)
	require.NoError(t, err)
	assert.NotNil(t, findingOf(bathNamed(t, s, "weld"), "S008"), "what is recorded is never answered away")

	shown, err := w.Workshop(t.Context(), ash)
	require.NoError(t, err)
	require.Len(t, shown.GetVessels()[0].GetUses(), 2)
	assert.Equal(t, []string{"ferrous sulfate"}, shown.GetVessels()[0].GetUses()[0].GetMaterials())
	assert.Len(t, shown.GetVessels()[0].GetUses()[0].GetBathId(), 36)

	// Sent again as it was, it forgets nothing, even with the output in it; told anew, it does.
	again, err := w.UpdateWorkshop(t.Context(), byAsh, shown, first.GetEtag())
	require.NoError(t, err)
	found, _ = metal()
	assert.NotNil(t, found)
	_, err = w.UpdateWorkshop(t.Context(), byAsh, aWorkshop(), again.GetEtag(), "kettle")
	var faults trial.Faults
	require.ErrorAs(t, err, &faults)
	assert.Equal(t, "told_anew[0]", faults[0].Field)
	anew, err := w.UpdateWorkshop(t.Context(), byAsh, aWorkshop(), again.GetEtag(), "pot")
	require.NoError(t, err)
	assert.Empty(t, anew.GetVessels()[0].GetUses())
	assert.Len(t, anew.GetVessels()[1].GetUses(), 1, "of the other nothing was said")
	found, _ = metal()
	assert.Nil(t, found)

	// What is entered late, of before, stays before; what comes after counts, and so does an answer that differs.
	recordedIn(t, w, "pot", "ferrous sulfate", day(6))
	found, _ = metal()
	assert.Nil(t, found)
	w.now = w.now.AddDate(0, 0, 1)
	recordedIn(t, w, "pot", "copperas", trial.ClaimedTime{})
	found, _ = metal()
	assert.NotNil(t, found)
	copper := aWorkshop()
	copper.Vessels[0].Answers[2] = words("vessel.last_metal", "copper")
	w.now = w.now.AddDate(0, 0, 1)
	_, err = w.UpdateWorkshop(t.Context(), byAsh, copper, anew.GetEtag())
	require.NoError(t, err)
	found, _ = metal()
	assert.Nil(t, found)

	// Another's pot of that name is another pot.
	other, err := w.Plan(t.Context(), "birch", clear())
	require.NoError(t, err)
	assert.NotContains(t, strings.Join(other.GetRemarks(), "\n"), "last used")
}

// What the bench passes on of waters, weighing, vats and liquids, by the real module.
func watersVatsAndLiquids(t *testing.T, w *workplace) {
	w.answered(t)
	plan := plainWeek()
	ions := func(v float64) *float64 { return &v }
	plan.Waters = []*benchpb.PlanWater{{Name: "well", Parts: 1, CalciumMgPerL: ions(60), MagnesiumMgPerL: ions(12)}, {Name: "rain", Parts: 1, Hardness: ions(0), Scale: benchpb.HardnessScale_HARDNESS_SCALE_MG_PER_L}}
	plan.WantedHardness = &benchpb.WantedHardness{Value: 15, Scale: benchpb.HardnessScale_HARDNESS_SCALE_FRENCH_DEGREE}
	plan.WofReference = benchpb.WofReference_WOF_REFERENCE_OVEN_DRY
	plan.Regains = []*benchpb.PlanRegain{{Fibre: "wool", Percent: 25}}
	plan.Pieces[0].MoistureContentPercent = ions(50)
	vat := plan.Baths[2]
	vat.Vat, vat.IndigoPurityPercent, vat.IndigoByActiveDye = "iron", ions(35), true
	vat.Volume = &benchpb.PlanBath_Litres{Litres: 30} // the vat holds 12
	plan.Baths[1].Doses = append(plan.Baths[1].Doses, &benchpb.PlanDose{
		Material: "vinegar", Figure: &benchpb.PlanDose_Grams{Grams: 5}, Form: benchpb.DoseForm_DOSE_FORM_LIQUID, LiquidDensityKgPerL: ions(1.006), LiquidPercent: ions(5),
	})
	r, err := w.Scale(t.Context(), ash, plan)
	require.NoError(t, err)
	scaled := func(name string) *benchpb.SheetBath {
		return bathNamed(t, &benchpb.Sheet{Baths: r.GetBaths()}, name)
	}
	// 11 skeins of 10 g at 25 % on dry mass are 8 g each, and one is half water.
	assert.InDelta(t, 11*8+5, scaled("alum").GetLoads()[0].GetFibreG(), 1e-9)
	blue := scaled("blue")
	require.Len(t, blue.GetLoads(), 3)
	dye, iron := 0.0, 0.0
	for _, load := range blue.GetLoads() {
		assert.InDelta(t, 10_000, load.GetVolumeMl(), 1e-9)
		dye, iron = dye+load.GetAmounts()[0].GetGrams(), iron+load.GetAmounts()[1].GetGrams()
		assert.InDelta(t, 2*278.01/262.27*10, load.GetAmounts()[1].GetLeastGrams(), 1e-9, "two irons for each indigotin, by molar masses (IUPAC)")
	}
	assert.InDelta(t, 30/0.35, dye, 0.2, "a gram of dye to the litre, in a powder of 35 %%")
	assert.InDelta(t, 60, iron, 0.2)
	assert.Contains(t, strings.Join(blue.GetRemarks(), "\n"), "0.94 times what reducing the dye takes")
	sour := scaled("weld").GetLoads()[0].GetAmounts()[1]
	assert.InDelta(t, 5/50.3*1000, sour.GetTakeMl(), 1e-6)
	assert.InDelta(t, 100, sour.GetTakeGrams(), 1e-6)

	s, err := w.Plan(t.Context(), ash, plan)
	require.NoError(t, err)
	assert.InDelta(t, 150, s.GetWater().GetWantedMgPerL(), 1e-9)
	require.Len(t, s.GetWater().GetWantedShares(), 2)
	assert.InDelta(t, 150, 199.25*s.GetWater().GetWantedShares()[0], 0.01)
	assert.NotContains(t, strings.Join(s.GetRemarks(), "\n"), "plan one of them as a material", "what is advised of the water isn't assumed")
	assert.Contains(t, strings.Join(s.GetWater().GetRemarks(), "\n"), "plan one of them as a material of the bath", "the mix as it is told is softer")

	plan.Baths[2].Vat = ""
	plan.Baths[2].IndigoGPerL = 0
	_, err = w.Plan(t.Context(), ash, plan)
	var faults trial.Faults
	require.ErrorAs(t, err, &faults)
	assert.Equal(t, "plan.baths[2].indigo_by_active_dye", faults[0].Field)
}
