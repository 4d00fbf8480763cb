package bench_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// bothWays is a plain week whose pieces go through weld and the vat in both orders, no day told.
func bothWays() *benchpb.Plan {
	p := plainWeek()
	again := &benchpb.PlanBath{
		Name: "weld again", Kind: benchpb.BathKind_BATH_KIND_DYE, Volume: &benchpb.PlanBath_LiquorRatio{LiquorRatio: 40}, Vessel: "pot", Heat: p.GetBaths()[1].GetHeat(),
		Ph: p.GetBaths()[1].GetPh(), RinsedBefore: true, Doses: []*benchpb.PlanDose{percent("weld", 100)}, Pieces: []string{"skein 5", "skein 6"},
	}
	p.Baths[1].Pieces = []string{"skein 1", "skein 2", "skein 3", "skein 4"}
	p.Baths[2].Pieces = []string{"skein 2", "skein 3", "skein 4", "skein 5", "skein 6", "skein 7", "skein 8"}
	p.Baths = append(p.Baths, again)
	return p
}

func bothOrdersOverDays(t *testing.T, w *workplace) {
	w.answered(t)
	s, err := w.Keep(t.Context(), byAsh, bothWays())
	require.NoError(t, err)
	require.Len(t, s.GetDays(), 4)
	on := map[string]int32{}
	for _, b := range s.GetBaths() {
		on[b.GetName()] = b.GetDay()
	}
	assert.Equal(t, map[string]int32{"alum": 1, "weld": 2, "blue": 3, "weld again": 4}, on, "a day of mordanting, then pot, vat, pot")
	vat := s.GetDays()[2].GetTasks()[0]
	assert.Equal(t, []string{"skein 7", "skein 2", "skein 5", "skein 3", "skein 6", "skein 4", "skein 8"}, vat.GetPieces())
	require.Len(t, vat.GetShares(), 3)
	assert.Equal(t, []string{"weld", "indigo"}, vat.GetShares()[0].GetDyestuffs())
	// 30 to 70 degrees under wool's 2 degrees a minute, then an hour.
	assert.InDelta(t, 20+60, s.GetDays()[1].GetMinutes(), 1e-9)
	assert.True(t, hasPart(s, "days"))
	answer, err := w.Scale(t.Context(), ash, bothWays())
	require.NoError(t, err)
	assert.Len(t, answer.GetDays(), 4)
	assert.Equal(t, []string{
		`no piece gets weld in "weld again" alone: a plain piece in every pot that colours would show the pot's own accidents`,
	}, answer.GetDayRemarks())

	// What the plan tells is kept, and what that leaves no time for is said.
	told := bothWays()
	told.Baths[0].Day, told.Baths[1].Day = 2, 2
	s, err = w.Plan(t.Context(), ash, told)
	require.NoError(t, err)
	assert.Equal(t, int32(2), bathNamed(t, s, "weld").GetDay())
	assert.Equal(t, int32(4), bathNamed(t, s, "weld again").GetDay())
	assert.Contains(t, s.GetDayRemarks(), `"weld" is told for day 2; skein 1 comes from "alum", and is better rested until day 3`)

	// A blank bath has its place among the days and dyes nothing; its first material isn't taken for a dyestuff.
	blank := bothWays()
	blank.Baths = append(blank.Baths, &benchpb.PlanBath{
		Name: "blank", Kind: benchpb.BathKind_BATH_KIND_DYE, Volume: &benchpb.PlanBath_LiquorRatio{LiquorRatio: 40}, Vessel: "pot", RinsedBefore: true,
		Doses: []*benchpb.PlanDose{percent("vinegar", 5)}, Pieces: []string{"skein 1"}, BlankOf: "weld",
	})
	s, err = w.Plan(t.Context(), ash, blank)
	require.NoError(t, err)
	assert.Equal(t, int32(4), bathNamed(t, s, "blank").GetDay())
	for _, share := range s.GetDays()[len(s.GetDays())-1].GetTasks()[1].GetShares() {
		assert.NotContains(t, share.GetDyestuffs(), "vinegar")
	}
	assert.NotContains(t, s.GetMordants().String(), "vinegar")
	blank.Baths[len(blank.Baths)-1].Doses[0].Dyestuff = true
	_, err = w.Plan(t.Context(), ash, blank)
	var refused trial.Faults
	require.ErrorAs(t, err, &refused)
	assert.Equal(t, "plan.baths[4].doses[0].dyestuff", refused[0].Field)

	// Mordant baths that the module chose get a day of their own.
	wish := bothWays()
	wish.Baths = wish.Baths[1:]
	wish.Mordant = &benchpb.MordantWish{Volume: &benchpb.MordantWish_LiquorRatio{LiquorRatio: 40}, Vessel: "pot"}
	s, err = w.Plan(t.Context(), ash, wish)
	require.NoError(t, err)
	require.True(t, s.GetBaths()[0].GetChosen())
	assert.Equal(t, int32(1), s.GetBaths()[0].GetDay())
	assert.Equal(t, int32(2), bathNamed(t, s, "weld").GetDay())

	// One order alone is laid out when that is wished.
	s, err = w.Plan(t.Context(), ash, plainWeek())
	require.NoError(t, err)
	assert.Empty(t, s.GetDays())
	assert.False(t, hasPart(s, "days"))
	asked := plainWeek()
	asked.LayOutDays = true
	s, err = w.Plan(t.Context(), ash, asked)
	require.NoError(t, err)
	assert.Len(t, s.GetDays(), 3)
	vitriol := saddened(1)
	vitriol.LayOutDays, vitriol.Baths[0].Doses = true, []*benchpb.PlanDose{percent("green vitriol", 1)}
	s, err = w.Plan(t.Context(), ash, vitriol)
	require.NoError(t, err)
	assert.Contains(t, s.GetDays()[0].GetTasks()[0].GetText(), "iron: a vessel and tools of its own", "whatever the name of the salt")

	// Without an answer the sheet has amounts, the days that were told, and a word about it.
	for _, gone := range []string{"days", pipeline.KindBathscale} {
		w.modules.takeAway(gone)
		s, err = w.Plan(t.Context(), ash, told)
		require.NoError(t, err)
		assert.Empty(t, s.GetDays())
		assert.Equal(t, int32(2), bathNamed(t, s, "weld").GetDay())
		for _, p := range s.GetParts() {
			if p.GetPart() == "days" {
				assert.NotEmpty(t, p.GetFault(), gone)
			}
		}
		assert.Equal(t, gone == "days", len(bathNamed(t, s, "weld").GetLoads()) > 0)
	}
	w.modules.takeAway("days")
	_, err = w.Scale(t.Context(), ash, told)
	require.NoError(t, err, "amounts stand without days")
}

func hasPart(s *benchpb.Sheet, name string) bool {
	for _, p := range s.GetParts() {
		if p.GetPart() == name {
			return true
		}
	}
	return false
}
