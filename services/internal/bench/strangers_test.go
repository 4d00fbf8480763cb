package bench_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

// unheard is on the shelf of an invented member: what is asked of any material is told of it, but not of which kind it is.
func unheard(t *testing.T, w *workplace, name string, more ...*benchpb.Answer) {
	t.Helper()
	workshop := aWorkshop()
	m := shelf(name, "granule", "none", "none", "irritant")
	m.Answers = append(m.Answers, more...)
	workshop.Shelf = append(workshop.Shelf, m, shelf("citric acid", "granule", "none", "none", "irritant"))
	kept, err := w.Workshop(t.Context(), ash)
	require.NoError(t, err)
	_, err = w.UpdateWorkshop(t.Context(), byAsh, workshop, kept.GetEtag())
	require.NoError(t, err)
}

// asked are the fields of a sheet's questions that are of a material, or of a bath or trial with it.
func asked(s *benchpb.Sheet) (fields []string) {
	for _, q := range s.GetQuestions() {
		if q.GetOf() != "" && q.GetScope() == benchpb.QuestionScope_QUESTION_SCOPE_MATERIAL {
			fields = append(fields, q.GetField()+" of "+q.GetOf())
		} else if strings.HasPrefix(q.GetField(), "bath.") || strings.HasPrefix(q.GetField(), "trial.") {
			fields = append(fields, q.GetField())
		}
	}
	return fields
}

// Hydrogen cyanide from a prussiate in a warm acid bath: from memory of safety data sheets. The kind of a material, which is asked of it anyway, settles whether it is one.
func prussiateUnderAStrangeName(t *testing.T, w *workplace) {
	sour := func(answers ...*benchpb.Answer) (*benchpb.SheetFinding, *benchpb.Sheet) {
		unheard(t, w, "blue maker", answers...)
		s, err := w.Plan(t.Context(), ash, souredPot("blue maker", truth("bath.sulfur_reducer", false)))
		require.NoError(t, err)
		return findingOf(bathNamed(t, s, "sadden"), "S088"), s
	}
	found, s := sour()
	require.NotNil(t, found)
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_NEEDS_ANSWER, found.GetStanding())
	assert.Equal(t, needs, s.GetStanding())
	assert.Empty(t, bathNamed(t, s, "sadden").GetLoads())
	assert.Contains(t, asked(s), "material.classes of blue maker")

	for _, kinds := range [][]string{{}, {"tannin"}} { // an ordinary dyestuff
		found, s = sour(words("material.classes", kinds...))
		assert.Nil(t, found)
		assert.Equal(t, personal, s.GetStanding())
		assert.Empty(t, asked(s), "nothing more is asked")
	}
	found, s = sour(words("material.classes", "prussiate"))
	require.NotNil(t, found)
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_FIRES, found.GetStanding())
	assert.Equal(t, stopped, s.GetStanding())
}

// Of what is the same as a known thing its kinds follow, and those of its bath with them; of what is the same as another strange thing, or only thought to be the same, they don't.
func whatIsTheSame(t *testing.T, w *workplace) {
	plan := func(same *benchpb.Answer) *benchpb.Sheet {
		unheard(t, w, "sour drops", same)
		s, err := w.Plan(t.Context(), ash, souredPot("sour drops", truth("bath.sulfur_reducer", false)))
		require.NoError(t, err)
		return s
	}
	s := plan(words("material.same_as", "oxalic acid"))
	assert.NotContains(t, asked(s), "bath.classes")
	assert.NotContains(t, asked(s), "trial.material_classes")
	assert.Nil(t, findingOf(bathNamed(t, s, "sadden"), "S019"))
	assert.Contains(t, plan(words("material.same_as", "sodium hypochlorite")).String(), "Bleach and acid")
	p := souredPot("sour drops") // chlorine, which muriatic acid gives with permanganate
	p.Baths[0].Doses = append(p.Baths[0].Doses, percent("potassium permanganate", 1))
	unheard(t, w, "sour drops", words("material.same_as", "hydrochloric acid"))
	s, err := w.Plan(t.Context(), ash, p)
	require.NoError(t, err)
	found := findingOf(bathNamed(t, s, "sadden"), "S031")
	require.NotNil(t, found)
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_FIRES, found.GetStanding())
	believed := words("material.same_as", "oxalic acid")
	believed.Doubtful = true
	for _, same := range []*benchpb.Answer{words("material.same_as", "sour powder of the shop"), words("material.same_as", strings.Repeat("x", 120)), words("material.same_as", "none"), believed} {
		assert.Contains(t, asked(plan(same)), "bath.classes", same.String())
	}
}

// What nobody told to be no iron is iron for the order of days, until it is told: iron dulls what it touches after (E. Mairet, 1916).
func ironUnderAStrangeName(t *testing.T, w *workplace) {
	plan := func(kind benchpb.BathKind, answers ...*benchpb.Answer) (text, remarks string, s *benchpb.Sheet) {
		unheard(t, w, "star salt", answers...)
		p := saddened(1)
		p.LayOutDays, p.Baths[0].Doses, p.Baths[0].Kind = true, []*benchpb.PlanDose{percent("star salt", 1)}, kind
		after := plainWeek().GetBaths()[1]
		after.Pieces = p.Baths[0].GetPieces()
		p.Baths = append(p.Baths, after)
		s, err := w.Plan(t.Context(), ash, p)
		require.NoError(t, err)
		require.NotEmpty(t, s.GetDays())
		return s.GetDays()[0].GetTasks()[0].GetText(), strings.Join(s.GetDayRemarks(), "\n"), s
	}
	const own, last, maybe = "iron: a vessel and tools of its own", `"sadden" brings iron to`, `as long as it may be a salt of iron, "sadden" is laid out as if it were one`
	for _, kind := range []benchpb.BathKind{benchpb.BathKind_BATH_KIND_MODIFIER, benchpb.BathKind_BATH_KIND_MORDANT} {
		text, said, s := plan(kind)
		assert.Contains(t, text, own)
		assert.Contains(t, said, last)
		assert.Contains(t, said, maybe)
		assert.Contains(t, asked(s), "material.classes of star salt")

		text, said, _ = plan(kind, words("material.classes", "iron_salt"))
		assert.Contains(t, text, own)
		assert.Contains(t, said, last)
		assert.NotContains(t, said, maybe)

		for _, told := range []*benchpb.Answer{words("material.classes", "alum"), words("material.classes"), words("material.same_as", "oxalic acid")} {
			text, said, _ = plan(kind, told)
			assert.NotContains(t, text+said, "iron", told.String())
		}
		doubted := words("material.classes", "alum")
		doubted.Doubtful = true
		_, said, _ = plan(kind, doubted)
		assert.Contains(t, said, maybe, "who only believes it doesn't know it")
	}
	// A strange dyestuff in its own pot isn't held against the order of days.
	text, said, _ := plan(benchpb.BathKind_BATH_KIND_DYE)
	assert.NotContains(t, text+said, "iron")
}
