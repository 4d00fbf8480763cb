package pool_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func TestFreeze(t *testing.T) {
	s := newShelf()
	ash, birch := newBook("ash"), newBook("birch")
	session := ash.session("")
	curve := trial.Spectrum{StartNm: 400, StepNm: 10, Reflectance: []float64{0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8}}
	first := ash.read(ash.piece(session, wool("w"), mordant("alum"), pot("weld")), lab(0, 0, 0), func(r *trial.Reading) {
		r.Raw, r.AgeDays = trial.RawColour{Spectrum: &curve}, 30
	})
	ash.read(ash.piece(session, wool("w"), mordant("alum"), pot("madder")), lab(60, 0, 0), func(r *trial.Reading) { r.AgeDays = trial.AgeUnstated })
	ash.read(ash.piece(session, wool("w")), lab(90, 0, 0)) // undyed
	birch.read(birch.piece("", wool(""), mordant("iron"), pot("weld")), lab(30, 0, 0))
	s.put(ash.Trial)
	s.put(birch.Trial)
	mine := newBook("cedar")
	mine.Sharing.Level = trial.Mine
	mine.read(mine.piece("", wool("w"), pot("weld")), lab(10, 0, 0))
	s.put(mine.Trial)
	h := open(t, s)

	q := pool.FreezeQuestion{GroupBy: poolv1.GroupBy_GROUP_BY_MORDANT, Ages: true, Spectra: true}
	require.NoError(t, h.pool.CheckFreeze(t.Context(), q))
	got, err := h.pool.Freeze(t.Context(), q)
	require.NoError(t, err)
	c := got.Columns
	require.Len(t, c.Rows, 3)
	assert.Equal(t, []string{"alum", "iron"}, c.Labels.Groups)
	assert.Equal(t, []string{"", session}, c.Labels.Blocks)
	assert.Equal(t, []trial.ID{ash.ID, birch.ID}, c.Trials)
	assert.Equal(t, first, c.Rows[0].ReadingID.String())
	assert.Equal(t, []float64{30, -1, 9}, []float64{c.Rows[0].AgeDays, c.Rows[1].AgeDays, c.Rows[2].AgeDays})
	assert.Equal(t, curve.Reflectance, c.Rows[0].Spectrum.Reflectance)
	assert.Nil(t, c.Rows[1].Spectrum)
	assert.Equal(t, []uint32{0, 0, 1}, c.TrialOf)
	assert.Contains(t, c.Labels.Strata[c.Rows[2].Stratum], " | iron", "yarns of lots not stated are strata of their own")
	assert.NotContains(t, c.Shown[c.Rows[2].Stratum], "|")
	assert.Equal(t, pool.DefaultCondition, c.Condition)
	assert.Equal(t, "test-reading", got.Reading.GetName())
	assert.Equal(t, []*poolv1.LeftOut{{Reason: "undyed: no colour layer", Count: 1, Unit: "pieces"}}, got.LeftOut)

	one, err := c.Encode()
	require.NoError(t, err)
	again, err := h.pool.Freeze(t.Context(), q)
	require.NoError(t, err)
	two, err := again.Columns.Encode()
	require.NoError(t, err)
	assert.Equal(t, one, two, "the same question, the same bytes")

	// What is taken back is in no columns that are frozen after.
	birch.Sharing.Level = trial.Mine
	s.put(birch.Trial)
	s.noteKind(trial.Withdrawn, birch.ID)
	got, err = h.pool.Freeze(t.Context(), q)
	require.NoError(t, err)
	assert.Equal(t, []trial.ID{ash.ID}, got.Columns.Trials)

	where := &store.Predicate{Field: "dye", Value: "madder"}
	got, err = h.pool.Freeze(t.Context(), pool.FreezeQuestion{GroupBy: poolv1.GroupBy_GROUP_BY_FIBRE, Where: where})
	require.NoError(t, err)
	require.Len(t, got.Columns.Rows, 1)
	assert.False(t, got.Columns.Ages)
	_, err = h.pool.Freeze(t.Context(), pool.FreezeQuestion{})
	require.ErrorIs(t, err, trial.ErrInvalid)
	require.ErrorIs(t, h.pool.CheckFreeze(t.Context(), pool.FreezeQuestion{GroupBy: poolv1.GroupBy_GROUP_BY_ORDER, ExperimentID: newID()}), trial.ErrNotFound)
}

// An experiment's columns are those that its verdict stands on: matched pairs of the first sessions that became complete, up to its closing size.
func TestFreezeAnExperiment(t *testing.T) {
	s := newShelf()
	id := experiment(s, 6)
	b := newBook("ash")
	var sessions []string
	for range 8 {
		sessions = append(sessions, orderSession(b, id, "weld"))
	}
	for i := range b.Readings[:4] { // the first session by id is complete last of all
		b.Readings[i].RecordedAt = b.clock.Add(time.Hour)
	}
	orderSession(b, "", "weld")
	half := b.session(id)
	b.read(b.piece(half, wool("w"), mordant("alum"), pot("weld"), vat()), lab(50, 0, 0))
	s.put(b.Trial)
	h := open(t, s)
	got, err := h.pool.Freeze(t.Context(), pool.FreezeQuestion{GroupBy: poolv1.GroupBy_GROUP_BY_ORDER, ExperimentID: id})
	require.NoError(t, err)
	assert.Equal(t, []int{8, 6, 6}, []int{got.Complete, got.Used, got.Closing})
	assert.Equal(t, sessions[1:7], got.Columns.Labels.Blocks)
	assert.Equal(t, []string{"weld > indigo", "indigo > weld"}, got.Columns.Labels.Groups)
	assert.Len(t, got.Columns.Rows, 24)
	assert.Equal(t, []string{"weld and indigo"}, got.Columns.Shown)
	none, err := h.pool.Freeze(t.Context(), pool.FreezeQuestion{GroupBy: poolv1.GroupBy_GROUP_BY_ORDER, ExperimentID: experiment(s, 7)})
	require.NoError(t, err)
	assert.Empty(t, none.Columns.Rows)
	_, err = h.pool.Freeze(t.Context(), pool.FreezeQuestion{GroupBy: poolv1.GroupBy_GROUP_BY_ORDER, ExperimentID: id, Where: &store.Predicate{Field: "dye", Value: "weld"}})
	require.ErrorContains(t, err, "filter")
}
