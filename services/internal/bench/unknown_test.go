package bench_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// With real modules: what nobody knows clears nothing.
func TestWhatNobodyKnows(t *testing.T) {
	modules := realModules(t)
	for name, test := range map[string]func(*testing.T, *workplace){
		"of older uses of a vessel than are looked at": olderUsesThanAreLookedAt,
		"of one of several salts":                      oneOfSeveralSalts,
		"letters that look alike":                      lettersThatLookAlike,
		"a bleach under a strange name":                bleachUnderAStrangeName,
		"a reducer under a strange name":               reducerUnderAStrangeName,
		"prussiate under a strange name":               prussiateUnderAStrangeName,
		"what is the same as a known thing":            whatIsTheSame,
		"iron under a strange name, over days":         ironUnderAStrangeName,
	} {
		t.Run(name, func(t *testing.T) { test(t, open(t, modules)) })
	}
}

// The record has more baths than are looked at for vessels, and the pot's iron is in one that isn't. That the workshop says "none" counts once it said so since the oldest bath that is looked at.
func olderUsesThanAreLookedAt(t *testing.T, w *workplace) {
	kept := w.answered(t)
	clear := func() (*benchpb.SheetFinding, string) {
		p := plainWeek()
		p.WantedShift, p.Baths = "brighter", p.Baths[1:2]
		s, err := w.Plan(t.Context(), ash, p)
		require.NoError(t, err)
		return findingOf(bathNamed(t, s, "weld"), "S008"), strings.Join(s.GetRemarks(), "\n")
	}
	w.now = w.now.AddDate(0, 0, 1)
	recordedIn(t, w, "pot", "ferrous sulfate", trial.ClaimedTime{})
	recordedAlum := func(n int) {
		_, err := w.store.Change(t.Context(), store.ChangeRequest{Actor: byAsh, Now: w.now, Apply: func(r trial.Records) ([]byte, error) {
			for i := range n {
				bath := &trial.Bath{ID: newID(), Label: fmt.Sprintf("bath %d", i), Vessel: "kettle", Purposes: []trial.Purpose{trial.MordantBath}, Additions: []trial.Addition{
					{Entry: trial.Entry{ID: newID()}, Material: "potassium alum", Role: trial.Mordant, Amount: trial.Amount{Knowledge: trial.NotKnown}},
				}}
				if _, err := trial.CreateBath(r, ash, w.now, bath); err != nil {
					return nil, err
				}
			}
			return nil, nil
		}})
		require.NoError(t, err)
	}
	w.now = w.now.AddDate(0, 0, 1)
	recordedAlum(998)
	found, said := clear()
	require.NotNil(t, found)
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_FIRES, found.GetStanding(), "it is the oldest of 999 baths")
	assert.NotContains(t, said, "newest of the recorded baths")

	recordedAlum(2) // so that it is no longer among 1,000
	found, said = clear()
	require.NotNil(t, found, "it may have held anything")
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_NEEDS_ANSWER, found.GetStanding())
	assert.Equal(t, []string{"vessel.last_metal"}, found.GetMissingFields())
	assert.Contains(t, said, `what the vessel "pot" held was looked up in the 1000 newest of the recorded baths alone`)

	w.now = w.now.AddDate(0, 0, 1)
	_, err := w.UpdateWorkshop(t.Context(), byAsh, aWorkshop(), kept.GetEtag(), "vat")
	require.NoError(t, err)
	found, _ = clear()
	assert.NotNil(t, found, "of the pot nothing was said")
	again, err := w.Workshop(t.Context(), ash)
	require.NoError(t, err)
	_, err = w.UpdateWorkshop(t.Context(), byAsh, aWorkshop(), again.GetEtag(), "pot")
	require.NoError(t, err)
	found, said = clear()
	assert.Nil(t, found)
	assert.NotContains(t, said, "newest of the recorded baths")
}

// Of two salts of iron, of which no module knows one, nobody knows how much of the other there is: 1 % that is told of both together is no limit that anybody can count on.
func oneOfSeveralSalts(t *testing.T, w *workplace) {
	workshop := aWorkshop()
	star := shelf("star salt", "granule", "none", "none", "irritant")
	star.Answers = append(star.Answers, words("material.classes", "iron_salt"))
	workshop.Shelf = append(workshop.Shelf, star)
	_, err := w.UpdateWorkshop(t.Context(), byAsh, workshop, "")
	require.NoError(t, err)
	stop := func(iron *benchpb.PlanDose, other, told float64) (*benchpb.SheetFinding, string) {
		p := saddened(1)
		p.Baths[0].Doses = []*benchpb.PlanDose{percent("star salt", other), iron}
		p.Baths[0].Doses[0].Answers = []*benchpb.Answer{{Field: "step.salts_wof_percent", Value: &benchpb.Answer_Number{Number: &benchpb.AnswerNumber{Low: told, High: told}}}}
		s, err := w.Plan(t.Context(), ash, p)
		require.NoError(t, err)
		bath := bathNamed(t, s, "sadden")
		for _, f := range bath.GetFindings() {
			if f.GetRuleId() == "S005" && (len(f.GetMaterials()) == 0 || f.GetMaterials()[0] == "star salt") {
				return f, strings.Join(bath.GetRemarks(), "\n")
			}
		}
		return nil, strings.Join(bath.GetRemarks(), "\n")
	}
	crystals := percent("ferrous sulfate heptahydrate", 0.5)
	found, _ := stop(crystals, 0.5, 1.2)
	assert.Nil(t, found, "both are known")
	crystals.Form, crystals.Strength = benchpb.DoseForm_DOSE_FORM_IMPURE, nil
	found, said := stop(crystals, 0.5, 1.2)
	require.NotNil(t, found)
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_NEEDS_ANSWER, found.GetStanding())
	assert.Contains(t, said, `of "star salt" and "ferrous sulfate heptahydrate", which are of one kind by what is told or known of them, one amount isn't known`)
	found, _ = stop(crystals, 5, 1.2)
	require.NotNil(t, found)
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_FIRES, found.GetStanding(), "what is known is over the limit already")
}

// A pot and a material are the same ones whichever way their letters are encoded.
func lettersThatLookAlike(t *testing.T, w *workplace) {
	workshop := aWorkshop()
	workshop.Vessels[0].Name = "gr\u00fcner topf"
	_, err := w.UpdateWorkshop(t.Context(), byAsh, workshop, "")
	require.NoError(t, err)
	w.now = w.now.AddDate(0, 0, 1)
	recordedIn(t, w, "Gru\u0308ner\u00a0Topf", "\uff26errous sulfate", trial.ClaimedTime{})
	p := plainWeek()
	p.WantedShift, p.Baths = "brighter", p.Baths[1:2]
	p.Baths[0].Vessel = "GRU\u0308NER TOPF"
	s, err := w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	assert.Equal(t, "gr\u00fcner topf", bathNamed(t, s, "weld").GetVessel(), "as the workshop writes it")
	found := findingOf(bathNamed(t, s, "weld"), "S008")
	require.NotNil(t, found)
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_FIRES, found.GetStanding())
}

// strangers keeps a workshop with these on the shelf under names that no table has, each with its classes and hazards as a data sheet may tell them.
func strangers(t *testing.T, w *workplace, classes map[string]string, hazards ...string) {
	t.Helper()
	workshop := aWorkshop()
	for name, class := range classes {
		m := shelf(name, "granule", "none", "none", hazards...)
		m.Answers = append(m.Answers, words("material.classes", class))
		workshop.Shelf = append(workshop.Shelf, m)
	}
	workshop.Shelf = append(workshop.Shelf, shelf("citric acid", "granule", "none", "none", "irritant"))
	_, err := w.UpdateWorkshop(t.Context(), byAsh, workshop, "")
	require.NoError(t, err)
}

// souredPot is citric acid beside another material, on cotton.
func souredPot(other string, answers ...*benchpb.Answer) *benchpb.Plan {
	p := saddened(1)
	for _, piece := range p.GetPieces() {
		piece.Composition[0].Fibre = "cotton"
	}
	p.Answers = append(p.GetAnswers()[:2], answers...)
	p.Baths[0].Ph = &benchpb.PhRange{Low: 7, High: 8}
	p.Baths[0].Doses = []*benchpb.PlanDose{percent(other, 2), percent("citric acid", 2)}
	return p
}

// What is told of a material's kind counts for the bath that it is in: chlorine from bleach and acid (from memory of CLP, EUH031, and of safety data sheets), whatever is told of the bath.
func bleachUnderAStrangeName(t *testing.T, w *workplace) {
	strangers(t, w, map[string]string{"white wonder": "hypochlorite", "goldenrod": "tannin"}, "irritant")
	for _, told := range [][]*benchpb.Answer{nil, {words("bath.classes", "acid"), words("material.same_as", "none")}} {
		s, err := w.Plan(t.Context(), ash, souredPot("white wonder", told...))
		require.NoError(t, err)
		bath := bathNamed(t, s, "sadden")
		found := findingOf(bath, "S031")
		require.NotNil(t, found)
		assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_FIRES, found.GetStanding())
		assert.Equal(t, stopped, bath.GetStanding())
		assert.Empty(t, bath.GetLoads())
	}
	// Two baths are two: fibre that was bleached, and rinsed, may be soured.
	p := souredPot("white wonder", words("material.same_as", "none"))
	sour := proto.Clone(p.GetBaths()[0]).(*benchpb.PlanBath)
	sour.Name, sour.Doses, p.Baths[0].Doses = "sour", sour.GetDoses()[1:], p.GetBaths()[0].GetDoses()[:1]
	p.Baths = append(p.Baths, sour)
	s, err := w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	assert.Nil(t, findingOf(bathNamed(t, s, "sour"), "S031"))
	sour.RinsedBefore = false
	s, err = w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	assert.NotNil(t, findingOf(bathNamed(t, s, "sour"), "S031"), "what fibre carries along counts")

	// A plant of which is told what it is brings no question of what else is in its bath.
	s, err = w.Plan(t.Context(), ash, souredPot("goldenrod"))
	require.NoError(t, err)
	assert.Equal(t, personal, s.GetStanding())
	for _, q := range s.GetQuestions() {
		assert.NotContains(t, []string{"bath.classes", "bath.sulfur_reducer", "material.same_as", "trial.material_classes"}, q.GetField())
	}
}

// Sulfur dioxide comes from dithionite and acid (New Jersey fact sheet 1697) under any name: what only is told to reduce is asked after, and what is told to be dithionite is.
func reducerUnderAStrangeName(t *testing.T, w *workplace) {
	strangers(t, w, map[string]string{"vat salt": "reducing_agent"}, "irritant")
	acid := func(answers ...*benchpb.Answer) (*benchpb.SheetFinding, *benchpb.Sheet) {
		s, err := w.Plan(t.Context(), ash, souredPot("vat salt", answers...))
		require.NoError(t, err)
		return findingOf(bathNamed(t, s, "sadden"), "S015"), s
	}
	found, s := acid(words("bath.reducer_class", "fructose"), words("bath.classes", "acid"))
	require.NotNil(t, found)
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_NEEDS_ANSWER, found.GetStanding())
	assert.Equal(t, []string{"bath.sulfur_reducer"}, found.GetMissingFields())
	assert.Equal(t, needs, s.GetStanding())
	var asked []string
	for _, q := range s.GetQuestions() {
		if q.GetField() == "material.same_as" {
			asked = append(asked, q.GetOf())
			assert.Contains(t, q.GetChoices(), "sodium dithionite")
		}
	}
	assert.Equal(t, []string{"vat salt"}, asked)

	found, s = acid(words("material.same_as", "sodium dithionite"), truth("bath.sulfur_reducer", false))
	require.NotNil(t, found)
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_FIRES, found.GetStanding())
	assert.Equal(t, stopped, s.GetStanding())
	found, s = acid(words("material.same_as", "none"), truth("bath.sulfur_reducer", false))
	assert.Nil(t, found)
	assert.Equal(t, personal, s.GetStanding())
}
