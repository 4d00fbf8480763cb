package bench_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"google.golang.org/protobuf/proto"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

// The workshop says that the pot was last used without metal; in the plan iron is in it, and then a clear colour is wanted. A vat of a strong reducer comes
// after weld. Nobody is asked about either.
func vesselRemembers(t *testing.T, w *workplace) {
	workshop := aWorkshop()
	for _, name := range []string{"sodium dithionite", "soda ash"} {
		workshop.Shelf = append(workshop.Shelf, shelf(name, "powder", "none", "none", "irritant"))
	}
	_, err := w.UpdateWorkshop(t.Context(), byAsh, workshop, "")
	require.NoError(t, err)
	plan := plainWeek()
	plan.WantedShift = "brighter"
	iron := saddened(1).GetBaths()[0]
	blue := plan.Baths[2]
	blue.Vat, blue.IndigoGPerL, blue.IndigoPurityPercent = "", 0, nil
	gPerL := func(material string, g float64) *benchpb.PlanDose {
		return &benchpb.PlanDose{Material: material, Figure: &benchpb.PlanDose_GramsPerLitre{GramsPerLitre: g}, Dyestuff: material == "indigo"}
	}
	blue.Doses = []*benchpb.PlanDose{gPerL("indigo", 1), gPerL("sodium dithionite", 1), gPerL("soda ash", 1)}
	plan.Answers = plan.Answers[:2] // of the reducer and of gases nothing is told
	plan.Baths = []*benchpb.PlanBath{iron, plan.Baths[1], blue}
	s, err := w.Plan(t.Context(), ash, plan)
	require.NoError(t, err)

	vessel := findingOf(bathNamed(t, s, "weld"), "S008")
	require.NotNil(t, vessel, "a vessel that held iron")
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_FIRES, vessel.GetStanding())
	assert.Nil(t, findingOf(bathNamed(t, s, "sadden"), "S008"), "not before it did")
	assert.Nil(t, findingOf(bathNamed(t, s, "blue"), "S008"), "the vat is another vessel")
	strips := findingOf(bathNamed(t, s, "blue"), "S021")
	require.NotNil(t, strips, "a vat over a mordant dye")
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_FIRES, strips.GetStanding())
	for _, q := range s.GetQuestions() {
		assert.NotContains(t, []string{"bath.reducer_class", "step.possible_gases", "trial.earlier_dye_classes", "step.adds_class"}, q.GetField())
	}

	// An acid in that vat lets sulfur dioxide out, whatever is answered.
	blue.Doses = append(blue.Doses, gPerL("citric acid", 1))
	blue.Answers = []*benchpb.Answer{words("step.adds_class", "none"), words("step.possible_gases")}
	s, err = w.Plan(t.Context(), ash, plan)
	require.NoError(t, err)
	acid := findingOf(bathNamed(t, s, "blue"), "S015")
	require.NotNil(t, acid)
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_FIRES, acid.GetStanding())
	assert.Equal(t, []string{"citric acid"}, acid.GetMaterials())
	assert.Equal(t, stopped, bathNamed(t, s, "blue").GetStanding())
}

// The plan has weld before indigo; two of its pieces go the other way, where authorities contradict each other about when alum goes on.
func otherWay(t *testing.T, w *workplace) {
	w.answered(t)
	plan := plainWeek()
	again := proto.Clone(plan.Baths[1]).(*benchpb.PlanBath)
	again.Name, again.Pieces = "weld again", []string{"skein 11", "skein 12"}
	plan.Baths[1].Pieces = []string{"skein 1", "skein 2"}
	plan.Baths = append(plan.Baths, again)
	said := func() (all []string) {
		s, err := w.Plan(t.Context(), ash, plan)
		require.NoError(t, err)
		for _, r := range s.GetMordants().GetRemarks() {
			if strings.HasPrefix(r.GetText(), "indigo, then weld (skein 11, skein 12): ") {
				assert.True(t, r.GetConflict() || strings.Contains(r.GetText(), "air, rinse"), r.GetText())
				assert.NotEmpty(t, r.GetSources())
				all = append(all, r.GetText())
			}
		}
		return all
	}
	told := strings.Join(said(), "\n")
	assert.Contains(t, told, "mordanting between the vat and the dye")
	assert.Contains(t, told, "mordanting before the vat")
	again.Pieces = []string{"skein 1"} // which had weld before
	assert.Empty(t, said())
}
