package bench_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// recordedMany enters baths in the pot with materials of these numbers, each of its own name.
func recordedMany(t *testing.T, w *workplace, from, to int) {
	t.Helper()
	for begin := from; begin < to; begin += 500 { // as many as a bath takes
		bath := &trial.Bath{ID: newID(), Label: "of many things", Vessel: "pot", Purposes: []trial.Purpose{trial.DyeBath}}
		for i := begin; i < min(begin+500, to); i++ {
			bath.Additions = append(bath.Additions, trial.Addition{Entry: trial.Entry{ID: newID()}, Material: fmt.Sprintf("petal %d", i), Role: trial.Dye, Amount: trial.Amount{Knowledge: trial.NotKnown}})
		}
		_, err := w.store.Change(t.Context(), store.ChangeRequest{Actor: byAsh, Now: w.now, Apply: func(r trial.Records) ([]byte, error) {
			_, err := trial.CreateBath(r, ash, w.now, bath)
			return nil, err
		}})
		require.NoError(t, err)
	}
}

// Modules are asked about 2,000 names (safety.proto). With more in its baths and vessels a plan isn't checked; what is cut of the shelf makes nothing less safe.
func moreNamesThanAreAskedAbout(t *testing.T, w *workplace) {
	w.answered(t)
	w.now = w.now.AddDate(0, 0, 1)
	recordedMany(t, w, 0, 1999) // with the plan's iron 2,000, and the shelf's beyond
	s, err := w.Plan(t.Context(), ash, saddened(1))
	require.NoError(t, err)
	assert.Equal(t, personal, s.GetStanding())

	recordedMany(t, w, 1999, 2000)
	plan := saddened(1)
	s, err = w.Keep(t.Context(), byAsh, plan)
	require.NoError(t, err)
	assert.Equal(t, notYet, s.GetStanding())
	assert.Empty(t, s.GetBaths()[0].GetLoads())
	assert.Contains(t, strings.Join(s.GetBaths()[0].GetWithheldBecause(), "\n"), "more than 2000 names of materials")
	again, err := w.InspectAgain(t.Context(), byAsh, []string{plan.GetId()})
	require.NoError(t, err)
	assert.GreaterOrEqual(t, again[0].GetNow(), needs, "what wasn't known of its materials isn't known by that")
}

// 3 % of iron under each of two names that no table knows is 6 %, above the 4 % at which sellers' pages end, whatever is told of each of them.
func twoNamesThatNobodyKnows(t *testing.T, w *workplace) {
	workshop := aWorkshop()
	for _, name := range []string{"moon salt", "star salt"} {
		m := shelf(name, "granule", "none", "none", "irritant")
		m.Answers = append(m.Answers, words("material.classes", "iron_salt"))
		workshop.Shelf = append(workshop.Shelf, m)
	}
	_, err := w.UpdateWorkshop(t.Context(), byAsh, workshop, "")
	require.NoError(t, err)
	stop := func(each float64, told ...float64) (*benchpb.SheetFinding, *benchpb.SheetBath) {
		p := saddened(1)
		p.Baths[0].Doses = []*benchpb.PlanDose{percent("moon salt", each), percent("star salt", each)}
		for i, v := range told {
			p.Baths[0].Doses[i].Answers = []*benchpb.Answer{{Field: "step.salts_wof_percent", Value: &benchpb.Answer_Number{Number: &benchpb.AnswerNumber{Low: v, High: v}}}}
		}
		s, err := w.Plan(t.Context(), ash, p)
		require.NoError(t, err)
		return findingOf(bathNamed(t, s, "sadden"), "S005"), bathNamed(t, s, "sadden")
	}
	found, bath := stop(3)
	require.NotNil(t, found)
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_NEEDS_ANSWER, found.GetStanding())
	assert.Empty(t, bath.GetLoads())

	found, bath = stop(3, 3.1, 3.1) // each by itself
	require.NotNil(t, found)
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_FIRES, found.GetStanding())
	assert.Empty(t, bath.GetLoads())
	assert.Contains(t, strings.Join(bath.GetRemarks(), "\n"), `of "moon salt" and "star salt" less is told than they weigh together`)

	found, _ = stop(1.5, 1.6, 1.6)
	require.NotNil(t, found, "what contradicts itself clears nothing")
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_NEEDS_ANSWER, found.GetStanding())
	found, bath = stop(1.5, 3.2, 3.2)
	assert.Nil(t, found)
	assert.NotContains(t, strings.Join(bath.GetWithheldBecause(), "\n"), "S005")
	assert.NotContains(t, strings.Join(bath.GetRemarks(), "\n"), "less is told")

	// 3 % beside 3 % of iron that a module knows is the same.
	beside := func(told float64) *benchpb.SheetFinding {
		p := saddened(1)
		p.Baths[0].Doses = []*benchpb.PlanDose{percent("moon salt", 3), percent("ferrous sulfate heptahydrate", 3)}
		p.Baths[0].Doses[0].Answers = []*benchpb.Answer{{Field: "step.salts_wof_percent", Value: &benchpb.Answer_Number{Number: &benchpb.AnswerNumber{Low: told, High: told}}}}
		s, err := w.Plan(t.Context(), ash, p)
		require.NoError(t, err)
		return findingOf(bathNamed(t, s, "sadden"), "S005")
	}
	require.NotNil(t, beside(3.1))
	require.NotNil(t, beside(6.1))
}

// Ferrous sulfate is sold with seven parts of water and with one, and 3 % of the latter has the iron of 4.9 % of the former; a name that doesn't say which may be either.
func formsThatWeighOtherwise(t *testing.T, w *workplace) {
	workshop := aWorkshop()
	workshop.Shelf = append(workshop.Shelf, shelf("soda ash", "powder", "none", "none", "irritant"))
	_, err := w.UpdateWorkshop(t.Context(), byAsh, workshop, "")
	require.NoError(t, err)
	sadden := func(doses ...*benchpb.PlanDose) *benchpb.SheetBath {
		p := saddened(1)
		p.Baths[0].Doses = doses
		s, err := w.Plan(t.Context(), ash, p)
		require.NoError(t, err)
		return bathNamed(t, s, "sadden")
	}
	bath := sadden(percent("copperas", 3))
	require.NotNil(t, findingOf(bath, "S005"))
	assert.Empty(t, bath.GetLoads())
	said := strings.Join(bath.GetRemarks(), "\n")
	assert.Contains(t, said, `the name "copperas" doesn't say which it is: green crystals have 7 parts of water (ferrous sulfate heptahydrate, 20.1 % iron)`)
	assert.Contains(t, said, `"copperas" counts with 20.1 to 32.9 % iron, and the most decides`)
	bath = sadden(percent("ferrous sulfate heptahydrate", 3))
	assert.Nil(t, findingOf(bath, "S005"))
	assert.NotEmpty(t, bath.GetLoads())
	assert.Empty(t, bath.GetRemarks())
	// 1.4 % of each: 1.4 + 1.4 * 278.01 / 169.92 = 3.7 % of crystals, molar masses by the IUPAC's atomic weights; counted as they weigh, or all as dried, they'd be 2.8 or 4.6 %.
	bath = sadden(percent("green vitriol", 1.4), percent("dried ferrous sulfate", 1.4))
	assert.Nil(t, findingOf(bath, "S005"))
	iron := w.modules.fact("dried ferrous sulfate", "step.salts_wof_percent").GetNumber()
	assert.InDelta(t, 1.4+1.4*278.01/169.92, (iron.GetLow()+iron.GetHigh())/2, 0.05)
	assert.Contains(t, bath.GetRemarks(), `"green vitriol" (20.1 % iron) and "dried ferrous sulfate" (32.9 % iron) are salts of iron: by their metal they are held against the rules together, as so much ferrous sulfate`)

	bath = sadden(percent("washing soda", 2))
	assert.Contains(t, strings.Join(bath.GetRemarks(), "\n"), `the name "washing soda" doesn't say which it is: crystals have 10 parts of water (sodium carbonate decahydrate), and 2.70 g of them`)
	assert.Empty(t, sadden(percent("soda ash", 2)).GetRemarks())
}

// A vessel is the same one however its name is written: in the workshop, in plans, on other sheets and in the record.
func vesselsByOneRule(t *testing.T, w *workplace) {
	kept := w.answered(t)
	w.now = w.now.AddDate(0, 0, 1)
	clear := func() *benchpb.Plan {
		p := plainWeek()
		p.WantedShift, p.Baths = "brighter", p.Baths[1:2]
		p.Baths[0].Vessel = " POT"
		return p
	}
	plan := clear()
	sadden := saddened(1).GetBaths()[0]
	sadden.Vessel = "Pot"
	plan.Baths = append([]*benchpb.PlanBath{sadden}, plan.GetBaths()...)
	s, err := w.Plan(t.Context(), ash, plan)
	require.NoError(t, err, "it is a vessel of the workshop")
	assert.Equal(t, "pot", bathNamed(t, s, "weld").GetVessel(), "as the workshop writes it")
	assert.NotNil(t, findingOf(bathNamed(t, s, "weld"), "S008"), "which held iron in this plan")
	assert.InDelta(t, 4.8, bathNamed(t, s, "weld").GetLoads()[0].GetVolumeMl()/1000, 1e-9)

	// A sheet in it is asked after.
	iron := saddened(1)
	iron.Title, iron.Baths[0].Vessel = "a grey card", "PoT"
	_, err = w.Keep(t.Context(), byAsh, iron)
	require.NoError(t, err)
	s, err = w.Plan(t.Context(), ash, clear())
	require.NoError(t, err)
	assert.Contains(t, strings.Join(s.GetRemarks(), "\n"), `the sheet "a grey card"`)

	// It isn't told twice, and is told anew by any spelling.
	w.now = w.now.AddDate(0, 0, 1)
	recordedIn(t, w, "pot", "ferrous sulfate", trial.ClaimedTime{})
	twice := aWorkshop()
	twice.Vessels[1].Name = "  pOt "
	_, err = w.UpdateWorkshop(t.Context(), byAsh, twice, kept.GetEtag())
	var faults trial.Faults
	require.ErrorAs(t, err, &faults)
	assert.Equal(t, "workshop.vessels[1].name", faults[0].Field)
	respelled := aWorkshop()
	respelled.Vessels[0].Name = "Pot"
	again, err := w.UpdateWorkshop(t.Context(), byAsh, respelled, kept.GetEtag())
	require.NoError(t, err)
	assert.Len(t, again.GetVessels()[0].GetUses(), 1, "spelled otherwise nothing is told anew")
	again, err = w.UpdateWorkshop(t.Context(), byAsh, respelled, again.GetEtag(), "POT")
	require.NoError(t, err)
	assert.Empty(t, again.GetVessels()[0].GetUses())
}

// A workshop that was kept when names were told apart by case has two pots: each is what is said of it, and what the record says of one counts for both.
func vesselsThatWereTwo(t *testing.T, w *workplace) {
	old := aWorkshop()
	pot := aWorkshop().GetVessels()[0]
	pot.Name, pot.Answers[0], pot.ToldTime = "Pot", words("vessel.material", "copper"), timestamppb.New(w.now.AddDate(0, 0, 1))
	old.Vessels = append(old.Vessels, pot)
	body, err := proto.Marshal(old)
	require.NoError(t, err)
	require.NoError(t, w.store.KeepWorkshop(t.Context(), byAsh, store.WorkshopRow{Member: ash, Revision: 1, At: w.now, Body: body}))
	recordedIn(t, w, "pot", "ferrous sulfate", trial.ClaimedTime{})
	p := saddened(1)
	p.Baths[0].Vessel = "Pot"
	s, err := w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	assert.Equal(t, []string{"copper"}, w.modules.fact("ferrous sulfate", "vessel.material").GetTexts().GetValues())
	assert.Contains(t, strings.Join(s.GetRemarks(), "\n"), "was last used with iron")
}
