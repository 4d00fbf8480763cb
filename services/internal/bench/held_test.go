package bench_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/bench"
)

// A recipe of which one amount isn't known isn't released without it: neither a lot of unknown strength nor what a bath before left is guessed.
func amountsToBeFoundOut(t *testing.T, w *workplace) {
	w.answered(t)
	p := plainWeek()
	weld := p.GetBaths()[1].GetDoses()[0]
	weld.Form, weld.Dyestuff = benchpb.DoseForm_DOSE_FORM_SUBSTITUTE, true
	p.Baths[1].Doses = append(p.Baths[1].Doses, percent("cream of tartar", 1))
	s, err := w.Keep(t.Context(), byAsh, p)
	require.NoError(t, err)
	bath := bathNamed(t, s, "weld")
	assert.Equal(t, needs, bath.GetStanding())
	assert.Equal(t, needs, s.GetStanding())
	assert.Empty(t, bath.GetLoads(), "nor is there the amount of what is known")
	assert.Contains(t, bath.GetWithheldBecause(), "how much weld goes in isn't known before this is told: the strength of this lot")
	assert.Equal(t, personal, bathNamed(t, s, "alum").GetStanding(), "other baths aren't held by it")
	var asked *benchpb.SheetQuestion
	for _, q := range s.GetQuestions() {
		if q.GetScope() == benchpb.QuestionScope_QUESTION_SCOPE_RECIPE {
			asked = q
		}
	}
	require.NotNil(t, asked)
	assert.True(t, asked.GetHolds())
	assert.Equal(t, []string{"weld"}, asked.GetBaths())
	assert.Contains(t, asked.GetText(), "the strength of this lot")

	// Inspecting again frees nothing, and goes on asking.
	again, err := w.InspectAgain(t.Context(), byAsh, []string{p.GetId()})
	require.NoError(t, err)
	assert.Equal(t, needs, again[0].GetNow())

	// Computed alone it is told, with what is missing.
	scaled, err := w.Scale(t.Context(), ash, p)
	require.NoError(t, err)
	assert.Equal(t, "the strength of this lot", scaled.GetBaths()[1].GetLoads()[0].GetAmounts()[0].GetNotKnown())
	assert.Len(t, scaled.GetQuestions(), 1)

	weld.Strength = proto64(2)
	s, err = w.Keep(t.Context(), byAsh, p)
	require.NoError(t, err)
	assert.Equal(t, personal, bathNamed(t, s, "weld").GetStanding())
	assert.InDelta(t, 60, bathNamed(t, s, "weld").GetLoads()[0].GetAmounts()[0].GetGrams(), 1e-9, "half of 120 g, of twice the strength")
}

func exhausts(t *testing.T, w *workplace) {
	w.answered(t)
	p := saddened(5)
	p.Baths = append(p.Baths, &benchpb.PlanBath{
		Name: "again", Kind: benchpb.BathKind_BATH_KIND_MODIFIER, Volume: &benchpb.PlanBath_LiquorRatio{LiquorRatio: 40}, Vessel: "pot", RinsedBefore: true, ExhaustOf: "sadden",
		Heat: p.GetBaths()[0].GetHeat(), Ph: p.GetBaths()[0].GetPh(), Doses: []*benchpb.PlanDose{percent("ferrous sulfate", 1)}, Uptakes: []*benchpb.PlanUptake{{Material: "ferrous sulfate", Part: 0.9}},
	})
	s, err := w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	assert.Equal(t, stopped, bathNamed(t, s, "sadden").GetStanding())
	again := bathNamed(t, s, "again")
	assert.GreaterOrEqual(t, again.GetStanding(), stopped)
	assert.Empty(t, again.GetLoads())
	assert.Contains(t, strings.Join(again.GetWithheldBecause(), "\n"), "exhaust")
}

// exhausted is iron on cotton, and what is left of it on silk, without a recipe of its own.
func exhausted(wof float64) *benchpb.Plan {
	p := saddened(wof)
	silk := proto.Clone(p.GetPieces()[0]).(*benchpb.PlanPiece)
	silk.Id, silk.Label, silk.Composition[0].Fibre = newID(), "silk", "silk"
	for _, piece := range p.GetPieces() {
		piece.Composition[0].Fibre = "cotton"
		p.Baths[0].Pieces = append(p.Baths[0].Pieces, piece.GetLabel())
	}
	p.Pieces = append(p.Pieces, silk)
	p.Baths = append(p.Baths, &benchpb.PlanBath{
		Name: "what is left", Kind: benchpb.BathKind_BATH_KIND_MODIFIER, Volume: &benchpb.PlanBath_LiquorRatio{LiquorRatio: 40}, Vessel: "vat", RinsedBefore: true, ExhaustOf: "sadden",
		Pieces: []string{"silk"}, Heat: p.GetBaths()[0].GetHeat(), Ph: p.GetBaths()[0].GetPh(),
	})
	return p
}

// What a bath left is held against the rules for the fibre that gets it next: between nothing and all of it, or what is left of it when the uptake is told.
func leftInExhausts(t *testing.T, w *workplace) {
	w.answered(t)
	p := exhausted(3)
	s, err := w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	assert.Nil(t, findingOf(bathNamed(t, s, "sadden"), "S005"), "which is of wool and silk")
	bath := bathNamed(t, s, "what is left")
	stop := findingOf(bath, "S005")
	require.NotNil(t, stop, "3 %% of all the cotton may all be on one skein of silk")
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_FIRES, stop.GetStanding())
	assert.Equal(t, []string{"ferrous sulfate"}, stop.GetMaterials(), "which no amount of its own tells")
	assert.Equal(t, stopped, bath.GetStanding())
	iron := w.modules.fact("ferrous sulfate", "step.wof_percent").GetNumber()
	put := 0.03 * 10 * float64(len(p.GetPieces())-1) // grams, on skeins of 10 g
	assert.Zero(t, iron.GetLow())
	assert.InEpsilon(t, 100*put/10, iron.GetHigh(), 0.03)
	assert.False(t, w.modules.fact("ferrous sulfate", "step.adds_any").GetTruth(), "it is there already")

	// Of what little is left when nearly all was taken up, no bath after it gets more.
	p.Baths[1].Uptakes = []*benchpb.PlanUptake{{Material: "ferrous sulfate", Part: 0.99}}
	s, err = w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	assert.Nil(t, findingOf(bathNamed(t, s, "what is left"), "S005"))
	iron = w.modules.fact("ferrous sulfate", "step.wof_percent").GetNumber()
	assert.InEpsilon(t, put/10, iron.GetHigh(), 0.03)
	assert.InEpsilon(t, put/10, iron.GetLow(), 0.03)
	third := proto.Clone(p.GetBaths()[1]).(*benchpb.PlanBath)
	third.Name, third.ExhaustOf, third.Uptakes = "what is left of that", "what is left", nil
	p.Baths = append(p.Baths, third)
	s, err = w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	assert.Nil(t, findingOf(bathNamed(t, s, "what is left of that"), "S005"))

	// Of how much nobody knows, nothing is cleared.
	p = exhausted(3)
	p.Baths[0].Doses[0].Form = benchpb.DoseForm_DOSE_FORM_IMPURE
	s, err = w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	stop = findingOf(bathNamed(t, s, "what is left"), "S005")
	require.NotNil(t, stop)
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_NEEDS_ANSWER, stop.GetStanding())
}

// coppers has a module that knows a second salt of copper.
type coppers struct{ bench.Modules }

func (coppers) NameMaterials(_ context.Context, module string, q *safetyv1.NameMaterialsRequest) (*safetyv1.NameMaterialsResponse, *typesv1.ModuleIdentity, error) {
	r := &safetyv1.NameMaterialsResponse{}
	for _, name := range q.GetNames() {
		m := &safetyv1.NamedMaterial{FirstName: name}
		// 63.546 / 249.68 and 63.546 / 199.65, the pentahydrate and the acetate with one water, by atomic weights.
		if percent := map[string]float64{"copper sulfate": 25.45, "copper acetate": 31.83}[name]; percent > 0 {
			m.Salt = &safetyv1.MetalSalt{Metal: "copper", LowPercent: percent, HighPercent: percent}
		}
		r.Materials = append(r.Materials, m)
	}
	return r, &typesv1.ModuleIdentity{Name: module}, nil
}

// Salts of one metal are held against its ceiling together: 2 % of ferrous sulfate and 2 % of the acetate have the iron of 4.3 to 5.2 % of the sulfate.
func saltsOfOneMetal(t *testing.T, w *workplace) {
	workshop := aWorkshop()
	for _, name := range []string{"ferrous acetate", "copper acetate", "copper sulfate", "aluminium acetate"} {
		workshop.Shelf = append(workshop.Shelf, shelf(name, "granule", "none", "none", "irritant"))
	}
	_, err := w.UpdateWorkshop(t.Context(), byAsh, workshop, "")
	require.NoError(t, err)
	p := saddened(2)
	p.Baths[0].Doses = []*benchpb.PlanDose{percent("green vitriol", 2), percent("ferrous acetate", 2)}
	s, err := w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	bath := bathNamed(t, s, "sadden")
	stop := findingOf(bath, "S005")
	require.NotNil(t, stop)
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_FIRES, stop.GetStanding())
	assert.Empty(t, bath.GetLoads())
	assert.Contains(t, bath.GetRemarks(),
		`"green vitriol" (20.1 % iron) and "ferrous acetate" (22.7 to 32.1 % iron) are salts of iron: by their metal they are held against the rules together, as so much ferrous sulfate`)
	for _, name := range []string{"green vitriol", "ferrous acetate"} {
		both := w.modules.fact(name, "step.salts_wof_percent").GetNumber()
		assert.InDelta(t, 2+2*22.70/20.09, both.GetLow(), 0.2, name)
		assert.InDelta(t, 2+2*32.11/20.09, both.GetHigh(), 0.2, name)
		own := w.modules.fact(name, "step.wof_percent").GetNumber()
		assert.InDelta(t, 2, own.GetHigh(), 0.1, "%s: its own is its own", name)
	}

	// Of copper no ceiling is published here: nothing is added up, and that is said.
	p.Baths[0].Doses = []*benchpb.PlanDose{percent("copper sulfate", 1), percent("copper acetate", 1)}
	two := bench.New(bench.Config{Modules: coppers{w.modules}, Safety: func() []string { return w.safety }, Store: w.store, Now: func() time.Time { return w.now }})
	s, err = two.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	assert.Contains(t, bathNamed(t, s, "sadden").GetRemarks(),
		`"copper sulfate" (25.4 % copper) and "copper acetate" (31.8 % copper) are salts of copper, of which no source gives a ceiling: they are not added up`)
	assert.Nil(t, w.modules.fact("copper sulfate", "step.salts_wof_percent"))

	// The same pieces in two baths: each is held against the ceiling by itself, and that is said.
	p = saddened(2)
	second := proto.Clone(p.GetBaths()[0]).(*benchpb.PlanBath)
	second.Name = "sadden again"
	p.Baths = append(p.Baths, second)
	s, err = w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	assert.Contains(t, s.GetRemarks(), `the same pieces get salts of iron in the baths "sadden" and "sadden again": ceilings are published of one bath, so what is in several is not added up`)
	assert.Nil(t, findingOf(bathNamed(t, s, "sadden again"), "S005"))
	second.Pieces = []string{p.GetPieces()[0].GetLabel()}
	p.Baths[0].Pieces = []string{p.GetPieces()[1].GetLabel()}
	s, err = w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	assert.NotContains(t, strings.Join(s.GetRemarks(), "\n"), "salts of iron", "not on the same pieces")
}
