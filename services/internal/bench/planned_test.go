package bench_test

import (
	"context"
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

// A sheet that was kept and released is no use of its vessel, and the next plan asks whether it was done, until something is recorded there or the vessel is told anew.
func keptSheetsAreAskedAfter(t *testing.T, w *workplace) {
	workshop := w.answered(t)
	w.now = w.now.AddDate(0, 0, 1)
	iron := saddened(1)
	iron.Title = "a grey card"
	kept, err := w.Keep(t.Context(), byAsh, iron)
	require.NoError(t, err)
	require.Equal(t, personal, kept.GetStanding())
	assert.NotContains(t, strings.Join(kept.GetRemarks(), "\n"), "if that was done", "it isn't asked after itself")
	asked := func() string {
		p := plainWeek()
		p.WantedShift, p.Baths = "brighter", p.Baths[1:2]
		s, err := w.Plan(t.Context(), ash, p)
		require.NoError(t, err)
		assert.Nil(t, findingOf(bathNamed(t, s, "weld"), "S008"), "a plan isn't yet a pot")
		return strings.Join(s.GetRemarks(), "\n")
	}
	const question = `the sheet "a grey card" of 2026-05-05 has ferrous sulfate (iron) in the vessel "pot", in the bath "sadden", and nothing is recorded there since`
	assert.Contains(t, asked(), question)
	w.now = w.now.AddDate(0, 0, 1)
	recordedIn(t, w, "vat", "ferrous sulfate", trial.ClaimedTime{})
	assert.Contains(t, asked(), question, "which is another vessel")

	// Told anew, the pot is as it is told.
	_, err = w.UpdateWorkshop(t.Context(), byAsh, aWorkshop(), workshop.GetEtag(), "pot")
	require.NoError(t, err)
	assert.NotContains(t, asked(), "a grey card")

	// Of what was stopped, of what was deleted, and of what was entered, nothing is asked.
	w.now = w.now.AddDate(0, 0, 1)
	much := saddened(7)
	much.Title = "too much"
	_, err = w.Keep(t.Context(), byAsh, much)
	require.NoError(t, err)
	assert.NotContains(t, asked(), "if that was done")
	// A bath that is released can be done, whatever the sheet's others wait for, and so can an exhaust that adds nothing.
	partly := exhausted(2)
	partly.Title, partly.Baths[0].Vessel, partly.Baths[1].Vessel = "partly", "vat", "pot"
	partly.Baths = append(partly.Baths, much.GetBaths()[0])
	partly.Baths[2].Name, partly.Baths[2].Vessel, partly.Baths[2].Pieces = "too much", "vat", []string{"silk"}
	partly.Baths[1].Uptakes = []*benchpb.PlanUptake{{Material: "ferrous sulfate", Part: 0.99}}
	kept, err = w.Keep(t.Context(), byAsh, partly)
	require.NoError(t, err)
	require.Equal(t, stopped, kept.GetStanding())
	require.Equal(t, personal, bathNamed(t, kept, "what is left").GetStanding())
	assert.Contains(t, asked(), `the sheet "partly" of 2026-05-07 has ferrous sulfate (iron) in the vessel "pot", in the bath "what is left"`)
	_, err = w.Delete(t.Context(), byAsh, partly.GetId(), kept.GetEtag(), "not done")
	require.NoError(t, err)
	assert.NotContains(t, asked(), "if that was done")
	again := saddened(1)
	again.Title = "again"
	_, err = w.Keep(t.Context(), byAsh, again)
	require.NoError(t, err)
	assert.Contains(t, asked(), `the sheet "again"`)
	w.now = w.now.AddDate(0, 0, 1)
	recordedIn(t, w, "pot", "potassium alum", trial.ClaimedTime{})
	assert.NotContains(t, asked(), "if that was done", "what is in the record since speaks of it, or of later")
}

// Inspected again after it was done and recorded, a sheet has a newer revision, and isn't asked after anew.
func doneSheetsAreNotAskedAfter(t *testing.T, w *workplace) {
	w.answered(t)
	w.now = w.now.AddDate(0, 0, 1)
	iron := saddened(1)
	iron.Title = "a grey card"
	_, err := w.Keep(t.Context(), byAsh, iron)
	require.NoError(t, err)
	asked := func() string {
		p := plainWeek()
		p.Baths = p.Baths[1:2]
		s, err := w.Plan(t.Context(), ash, p)
		require.NoError(t, err)
		return strings.Join(s.GetRemarks(), "\n")
	}
	require.Contains(t, asked(), `the sheet "a grey card"`)
	w.now = w.now.AddDate(0, 0, 1)
	recordedIn(t, w, "pot", "ferrous sulfate", trial.ClaimedTime{})
	require.NotContains(t, asked(), "a grey card")
	w.now = w.now.AddDate(0, 0, 1)
	w.modules.Modules = &inOtherWords{w.modules.Modules}
	again, err := w.InspectAgain(t.Context(), byAsh, []string{iron.GetId()})
	require.NoError(t, err)
	require.True(t, again[0].GetChanged())
	require.Equal(t, personal, again[0].GetNow(), "it still has its amounts")
	assert.NotContains(t, asked(), "a grey card")
	_, err = w.Delete(t.Context(), byAsh, iron.GetId(), "", "by mistake")
	require.NoError(t, err)
	_, err = w.Undelete(t.Context(), byAsh, iron.GetId(), "")
	require.NoError(t, err)
	assert.NotContains(t, asked(), "a grey card", "nor when it was deleted and brought back")
	// Planned anew, it may be done anew.
	iron.Title = "a grey card again"
	_, err = w.Keep(t.Context(), byAsh, iron)
	require.NoError(t, err)
	assert.Contains(t, asked(), "a grey card again")

	// So it may be planned without a change: done twice on one day, and planned for a third time, the sheet says what it said.
	for range 3 {
		w.now = w.now.Add(time.Hour)
		recordedIn(t, w, "pot", "ferrous sulfate", trial.ClaimedTime{})
		require.NotContains(t, asked(), "a grey card again")
		w.now = w.now.Add(time.Hour)
		_, err = w.Keep(t.Context(), byAsh, iron)
		require.NoError(t, err)
		assert.Contains(t, asked(), "a grey card again")
	}
	before, err := w.Sheet(t.Context(), ash, iron.GetId(), 0)
	require.NoError(t, err)
	w.now = w.now.Add(time.Hour)
	same, err := w.Keep(t.Context(), byAsh, iron)
	require.NoError(t, err)
	assert.Equal(t, before.GetRevision(), same.GetRevision(), "where nothing was done since, it is the same sheet")
}

// inOtherWords has rules say what they say in other words, as another version of their pack would.
type inOtherWords struct{ bench.Modules }

func (m *inOtherWords) JudgeSteps(ctx context.Context, module string, q *safetyv1.JudgeStepsRequest) (*safetyv1.JudgeStepsResponse, *typesv1.ModuleIdentity, error) {
	r, who, err := m.Modules.JudgeSteps(ctx, module, q)
	for _, s := range r.GetSteps() {
		for _, f := range s.GetFindings() {
			f.Title += ", in other words"
		}
	}
	return r, who, err
}
