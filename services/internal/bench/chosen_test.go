package bench_test

import (
	"context"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	mordantv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/mordant/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/bench"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// An hour near the boil in the big pot is how mordants are told, and neither how cotton is rinsed in chalk nor how wool is saddened.
func afterMordants(t *testing.T, w *workplace) {
	w.answered(t)
	p := plainWeek()
	p.Baths, p.WantedShift = p.Baths[1:2], "darker"
	p.Pieces[0].Composition[0].Fibre = "cotton"
	p.Store, p.StoreTold = []string{"potassium alum", "cream of tartar", "aluminium acetate", "chalk", "ferrous sulfate", "weld"}, true
	p.Mordant = &benchpb.MordantWish{
		Volume: &benchpb.MordantWish_LiquorRatio{LiquorRatio: 40}, Vessel: "pot", Ph: &benchpb.PhRange{Low: 3, High: 6}, Heat: &benchpb.Heat{StartC: 30, HoldC: 85, HoldMin: 60},
	}
	s, err := w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	mordants, chalk, iron := 0, 0, 0
	for _, b := range s.GetBaths() {
		switch {
		case !b.GetChosen():
		case b.GetKind() == benchpb.BathKind_BATH_KIND_MODIFIER:
			iron++
			assert.Empty(t, b.GetVessel(), b.GetName())
			assert.Empty(t, b.GetMoments(), "%s is told no heat", b.GetName())
			assert.Contains(t, strings.Join(b.GetRemarks(), "\n"), "isn't told", b.GetName())
			assert.NotNil(t, w.modules.fact("ferrous sulfate heptahydrate", "step.wof_percent"))
			assert.Nil(t, w.modules.fact("ferrous sulfate heptahydrate", "bath.ph"))
			assert.Nil(t, w.modules.fact("ferrous sulfate heptahydrate", "step.minutes"))
		case b.GetKind() == benchpb.BathKind_BATH_KIND_RINSE:
			chalk++
			assert.Equal(t, "pot", b.GetVessel())
			assert.Empty(t, b.GetMoments())
			assert.Nil(t, w.modules.fact("chalk", "bath.ph"), "chalk isn't as acid as alum")
		default:
			mordants++
			assert.Equal(t, "pot", b.GetVessel())
			assert.NotEmpty(t, b.GetMoments(), b.GetName())
		}
	}
	assert.Equal(t, [3]int{2, 1, 2}, [3]int{mordants, chalk, iron}, "alum for wool, acetate and chalk for cotton, iron for both")

	p.Mordant.Modifier = &benchpb.ModifierWish{Vessel: "vat", Heat: &benchpb.Heat{StartC: 20, HoldC: 50, HoldMin: 10}, Ph: &benchpb.PhRange{Low: 5, High: 6}}
	s, err = w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	last := s.GetBaths()[len(s.GetBaths())-1]
	assert.Equal(t, benchpb.BathKind_BATH_KIND_MODIFIER, last.GetKind())
	assert.Equal(t, "vat", last.GetVessel())
	assert.InDelta(t, 50, last.GetHoldC(), 1e-9)
	assert.NotEmpty(t, last.GetMoments())
	assert.InDelta(t, 5, w.modules.fact("ferrous sulfate heptahydrate", "bath.ph").GetNumber().GetLow(), 1e-9)

	p.Mordant.Modifier.Vessel = "bucket"
	_, err = w.Plan(t.Context(), ash, p)
	var faults trial.Faults
	require.ErrorAs(t, err, &faults)
	assert.Equal(t, "plan.mordant.modifier.vessel", faults[0].Field)
	assert.Contains(t, faults[0].Text, "pot, vat")
}

// named has the mordant module call what it chooses first by another name.
type named struct {
	bench.Modules
	name string
}

func (m named) SelectMordants(ctx context.Context, module string, q *mordantv1.SelectMordantsRequest) (*mordantv1.SelectMordantsResponse, *typesv1.ModuleIdentity, error) {
	r, who, err := m.Modules.SelectMordants(ctx, module, q)
	for _, f := range r.GetFibres() {
		f.Choices = f.GetChoices()[:1]
		f.Choices[0].Steps = f.GetChoices()[0].GetSteps()[:1]
		f.Choices[0].Steps[0].Material.Material = m.name
	}
	return r, who, err
}

// A chosen bath is one of tannin, or a rinse in chalk, by what goes in by that name, and by nothing that has the word in its own.
func chosenByTheirNames(t *testing.T, w *workplace) {
	w.answered(t)
	p := plainWeek()
	p.Baths = p.Baths[1:2]
	p.Mordant = &benchpb.MordantWish{Volume: &benchpb.MordantWish_LiquorRatio{LiquorRatio: 40}, Vessel: "pot", Heat: &benchpb.Heat{StartC: 30, HoldC: 85, HoldMin: 60}}
	modules := w.modules.Modules
	for name, kind := range map[string]benchpb.BathKind{
		"chalk": benchpb.BathKind_BATH_KIND_RINSE, "Chalk": benchpb.BathKind_BATH_KIND_RINSE, "tannin": benchpb.BathKind_BATH_KIND_TANNIN,
		"alum without chalk": benchpb.BathKind_BATH_KIND_MORDANT, "tannin-free alum": benchpb.BathKind_BATH_KIND_MORDANT,
	} {
		w.modules.Modules = named{modules, name}
		s, err := w.Plan(t.Context(), ash, p)
		require.NoError(t, err)
		require.True(t, s.GetBaths()[0].GetChosen(), name)
		assert.Equal(t, kind, s.GetBaths()[0].GetKind(), name)
		assert.Equal(t, kind != benchpb.BathKind_BATH_KIND_RINSE, len(s.GetBaths()[0].GetMoments()) > 0, "%s: only a rinse isn't heated as mordants are", name)
	}
}

// What was said of copperas needn't be said again of ferrous sulfate; of two entries that may be it, neither counts.
func shelfByNames(t *testing.T, w *workplace) {
	workshop := w.answered(t)
	p := saddened(1)
	p.Baths[0].Doses[0].Material = "copperas"
	s, err := w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	for _, q := range s.GetQuestions() {
		assert.NotEqual(t, benchpb.QuestionScope_QUESTION_SCOPE_MATERIAL, q.GetScope(), "%v", q)
	}
	assert.Equal(t, personal, s.GetStanding())
	assert.Contains(t, s.GetRemarks(), `what the workshop says of "ferrous sulfate" counts for "copperas": it is one material`)

	more := aWorkshop()
	more.Shelf = append(more.Shelf, shelf("green vitriol", "granule", "none", "none", "irritant"))
	_, err = w.UpdateWorkshop(t.Context(), byAsh, more, workshop.GetEtag())
	require.NoError(t, err)
	s, err = w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	assert.Equal(t, needs, s.GetStanding(), "which of the two is it?")
	assert.NotContains(t, strings.Join(s.GetRemarks(), "\n"), "counts for")
}
