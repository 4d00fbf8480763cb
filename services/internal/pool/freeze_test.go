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

// Worked by hand: weld and madder on alum and iron in each session, on two yarns in the first. Nothing of copper, of the seventh session and of what has no partner is in the columns.
func TestFreezeAnExperimentOnGroups(t *testing.T) {
	s := newShelf()
	id := mordants(s, "iron", "alum")
	b := newBook("ash")
	var sessions []string
	for range 7 {
		sessions = append(sessions, onMordants(b, id, []string{"weld", "madder"}, "alum", "iron"))
	}
	for _, m := range []string{"alum", "iron"} {
		b.read(b.piece(sessions[0], wool("x"), mordant(m), pot("weld")), lab(60, 0, 0))
	}
	b.read(b.piece(sessions[1], wool("w"), mordant("alum"), pot("cochineal")), lab(1, 1, 1)) // without a partner
	b.read(b.piece(sessions[1], wool("w"), mordant("copper"), pot("weld")), lab(1, 1, 1))
	onMordants(b, id, []string{"weld"}, "alum")
	s.put(b.Trial)
	h := open(t, s)
	ask := pool.FreezeQuestion{GroupBy: poolv1.GroupBy_GROUP_BY_MORDANT, ExperimentID: id}
	require.NoError(t, h.pool.CheckFreeze(t.Context(), ask))
	got, err := h.pool.Freeze(t.Context(), ask)
	require.NoError(t, err)
	assert.Equal(t, []int{7, 6, 6}, []int{got.Complete, got.Used, got.Closing})
	assert.Empty(t, got.NotClosed)
	assert.Equal(t, sessions[:6], got.Columns.Labels.Blocks)
	assert.Equal(t, []string{"iron", "alum"}, got.Columns.Labels.Groups, "in the plan's order")
	assert.Len(t, got.Columns.Rows, 6*4+2)
	assert.Len(t, got.Columns.Labels.Strata, 2, "a palette's width isn't that of two yarns together")
	held := map[[3]uint32]int{} // how many groups have a recipe of a session and stratum
	for _, r := range got.Columns.Rows {
		held[[3]uint32{r.Block, r.Stratum, r.Cell}]++
	}
	for at, n := range held {
		assert.Equal(t, 2, n, at)
	}
	left := map[string]int32{}
	for _, l := range got.LeftOut {
		left[l.GetReason()] = l.GetCount()
	}
	assert.EqualValues(t, 1, left["another mordant than the experiment's"])
	assert.EqualValues(t, 2, left["not in the comparison: no partner of another mordant in the same session, or of fewer than the session's fullest recipe has"])
	assert.EqualValues(t, 4, left["of a session that became complete after the closing size"])

	// A value that stands nowhere keeps it open, however many sessions there are.
	open := mordants(s, "iron", "alum", "tin")
	b = newBook("elm")
	for range 6 {
		onMordants(b, open, []string{"weld"}, "alum", "iron")
	}
	s.put(b.Trial)
	h.planned(t, byMordant, open) // which waits for the change
	got, err = h.pool.Freeze(t.Context(), pool.FreezeQuestion{GroupBy: poolv1.GroupBy_GROUP_BY_MORDANT, ExperimentID: open})
	require.NoError(t, err)
	assert.Equal(t, []int{6, 6, 6}, []int{got.Complete, got.Used, got.Closing})
	assert.Equal(t, "at least 1 session that holds tin beside the others", got.NotClosed)
	assert.Equal(t, []string{"iron", "alum"}, got.Columns.Labels.Groups)
	assert.Len(t, got.Columns.Rows, 12)
}

// Two sessions of a member in one water each count as one, and are exchanged as one.
func TestFreezeAnExperimentOnWaters(t *testing.T) {
	s := newShelf()
	id, mill, tap := wells(s, 6)
	ash, birch := newBook("ash"), newBook("birch")
	for range 5 {
		dyed(ash, id, 6, mill, tap)
	}
	lone := dyed(birch, id, 6, mill)
	s.put(ash.Trial)
	s.put(birch.Trial)
	h := open(t, s)
	ask := pool.FreezeQuestion{GroupBy: poolv1.GroupBy_GROUP_BY_WATER, ExperimentID: id}
	got, err := h.pool.Freeze(t.Context(), ask)
	require.NoError(t, err)
	assert.Equal(t, []int{5, 5, 6}, []int{got.Complete, got.Used, got.Closing})
	assert.Len(t, got.Columns.Rows, 60, "birch's session has no partner")
	dyed(birch, id, 7, tap)
	s.put(birch.Trial)
	h.planned(t, byWater, id) // which waits for the change
	got, err = h.pool.Freeze(t.Context(), ask)
	require.NoError(t, err)
	assert.Equal(t, []int{6, 6, 6}, []int{got.Complete, got.Used, got.Closing})
	assert.Empty(t, got.NotClosed)
	assert.Len(t, got.Columns.Labels.Blocks, 6)
	assert.Contains(t, got.Columns.Labels.Blocks, lone)
	assert.Equal(t, []string{"Town tap", "Mill well"}, got.Columns.Labels.Groups)
	assert.Len(t, got.Columns.Rows, 72, "the seventh recipe has no partner")

	few, mill, tap := wells(s, 6)
	elm := newBook("elm")
	for range 6 {
		dyed(elm, few, 5, mill, tap)
	}
	s.put(elm.Trial)
	h.planned(t, byWater, few)
	got, err = h.pool.Freeze(t.Context(), pool.FreezeQuestion{GroupBy: poolv1.GroupBy_GROUP_BY_WATER, ExperimentID: few})
	require.NoError(t, err)
	assert.Equal(t, "1 more recipe dyed alike in both waters within one session", got.NotClosed)
}
