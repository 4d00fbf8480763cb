package bench_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/bench"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// fact is what was last told of a field in the steps with a material; nil when it wasn't.
func (b *between) fact(material, field string) (found *safetyv1.Fact) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, call := range b.steps {
		for _, step := range call {
			facts := map[string]*safetyv1.Fact{}
			for _, f := range step.GetFacts() {
				facts[f.GetField()] = f
			}
			if slices.Equal(facts["material.id"].GetTexts().GetValues(), []string{material}) {
				found = facts[field]
			}
		}
	}
	return found
}

// exchanged has a module that is replaced between two questions.
type exchanged struct{ bench.Modules }

func (e exchanged) ListFields(ctx context.Context, module string) (*safetyv1.ListFieldsResponse, *typesv1.ModuleIdentity, error) {
	r, who, err := e.Modules.ListFields(ctx, module)
	return r, &typesv1.ModuleIdentity{Name: who.GetName(), Version: who.GetVersion(), Kind: who.GetKind(), Digest: strings.Repeat("0", 64)}, err
}

// What fibre brings along from a vat that couldn't be computed isn't known whole, and a bath that it goes into unrinsed is no freer than the vat: an acid may meet
// a reducing agent there.
func TestWhatIsBroughtAlongFromAnUnknownVat(t *testing.T) {
	w := open(t, realModules(t))
	w.answered(t)
	plan := plainWeek()
	vat := plan.Baths[2]
	vat.Vat = "1-2-3" // two recipes have the name
	sour := &benchpb.PlanBath{
		Name: "sour", Kind: benchpb.BathKind_BATH_KIND_MODIFIER, Volume: &benchpb.PlanBath_LiquorRatio{LiquorRatio: 40}, Vessel: "pot",
		Heat: &benchpb.Heat{StartC: 20, HoldC: 95, HoldMin: 10}, Ph: &benchpb.PhRange{Low: 3, High: 4}, Doses: []*benchpb.PlanDose{percent("vinegar", 5)},
	}
	plan.Baths = append(plan.Baths, sour)
	s, err := w.Plan(t.Context(), ash, plan)
	require.NoError(t, err)
	acid := func(b *benchpb.SheetBath) bool {
		return slices.ContainsFunc(b.GetFindings(), func(f *benchpb.SheetFinding) bool { return f.GetRuleId() == "S015" })
	}
	assert.True(t, w.modules.fact("vinegar", "bath.carryover").GetDoubtful())
	assert.True(t, w.modules.fact("vinegar", "bath.materials").GetDoubtful())
	assert.True(t, acid(bathNamed(t, s, "sour")), "acid on what may be a reducing vat")
	assert.Empty(t, bathNamed(t, s, "sour").GetLoads())
	assert.Nil(t, w.modules.fact("vinegar", "step.boils"), "at 95 °C it hangs on the place")

	sour.RinsedBefore, sour.Heat.HoldC = true, 60
	s, err = w.Plan(t.Context(), ash, plan)
	require.NoError(t, err)
	assert.False(t, acid(bathNamed(t, s, "sour")), "rinsed, nothing comes along")
	assert.False(t, w.modules.fact("vinegar", "bath.materials").GetDoubtful())
	assert.False(t, w.modules.fact("vinegar", "step.boils").GetTruth())

	w.Bench = bench.New(bench.Config{Modules: exchanged{w.modules}, Safety: func() []string { return w.safety }, Store: w.store, Now: func() time.Time { return w.now }})
	s, err = w.Plan(t.Context(), ash, plan)
	require.NoError(t, err)
	assert.Equal(t, notYet, s.GetStanding(), "one build said what fields mean, and another judged")

	vat.Kind = benchpb.BathKind_BATH_KIND_DYE
	_, err = w.Plan(t.Context(), ash, plan)
	var faults trial.Faults
	require.ErrorAs(t, err, &faults)
	assert.Equal(t, "plan.baths[2].vat", faults[0].Field)
}

// A fibre by a name that isn't known may be silk: what holds for silk isn't passed over.
func TestFibresThatAreNotKnown(t *testing.T) {
	w := open(t, realModules(t))
	w.answered(t)
	plan := plainWeek()
	plan.Baths = plan.Baths[1:2]
	plan.Baths[0].Heat.HoldC = 97
	for _, p := range plan.Pieces {
		p.Composition[0].Fibre, p.RegainPercent = "tussah silk", proto64(11)
	}
	s, err := w.Plan(t.Context(), ash, plan)
	require.NoError(t, err)
	assert.Nil(t, w.modules.fact("weld", "fibre.kind"))
	assert.True(t, slices.ContainsFunc(s.GetBaths()[0].GetFindings(), func(f *benchpb.SheetFinding) bool { return f.GetRuleId() == "S068" }), "silk at most to 95 °C")
	assert.Empty(t, s.GetBaths()[0].GetLoads())
}
