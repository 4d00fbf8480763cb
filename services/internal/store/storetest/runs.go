package storetest

import (
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func newRun(owner trial.MemberID) store.RunRow {
	return store.RunRow{ID: uuid.Must(uuid.NewV7()).String(), Owner: owner, State: 1, Body: []byte("run")}
}

// runs: what is put comes back, after the engine was opened again too, and goes as a whole.
func runs(t *testing.T, b *bench) {
	ctx, by := t.Context(), By(ann)
	first, second := newRun(ann), newRun(bo)
	require.NoError(t, b.CreateRun(ctx, by, now, first, "why"))
	require.NoError(t, b.CreateRun(ctx, by, now, second, ""))
	require.ErrorIs(t, b.CreateRun(ctx, by, now, first, ""), trial.ErrExists)
	require.ErrorIs(t, b.CreateRun(ctx, by, now, store.RunRow{ID: "x", Owner: ann, State: 1}, ""), trial.ErrInvalid)
	none := newRun(ann)
	_, err := b.Run(ctx, none.ID)
	require.ErrorIs(t, err, trial.ErrNotFound)
	require.ErrorIs(t, b.PutRun(ctx, by, now, none, "cancelled", ""), trial.ErrNotFound)
	require.ErrorIs(t, b.DeleteRun(ctx, by, now, none.ID, ""), trial.ErrNotFound)

	one := uuid.Must(uuid.NewV7()).String()
	require.NoError(t, b.PutRunColumns(ctx, by, now, first.ID, 0, []byte("cut short")))
	require.NoError(t, b.PutRunColumns(ctx, by, now, first.ID, 1, []byte("cut short")))
	require.NoError(t, b.PutRunColumns(ctx, by, now, first.ID, 0, []byte("header")))
	require.NoError(t, b.PutRunColumns(ctx, by, now, first.ID, 1, []byte("chunk")))
	first.State, first.Body = 3, []byte("frozen")
	require.NoError(t, b.FreezeRun(ctx, by, now, first, []trial.ID{one}))
	require.NoError(t, b.PutRunScores(ctx, by, now, first, true, store.RunPart{Module: 0, Part: 1, Body: []byte("a")}, store.RunPart{Module: 1, Part: 1, Body: []byte("other")}))
	require.NoError(t, b.PutRunScores(ctx, by, now, first, false, store.RunPart{Module: 0, Part: 2, Body: []byte("b")}))
	require.NoError(t, b.PutRunScores(ctx, by, now, first, false, store.RunPart{Module: 0, Part: 2, Body: []byte("c")}))
	first.State = 4
	require.NoError(t, b.PutRun(ctx, by, now, first, "resumed", "again"))
	b.reopen(t)
	got, err := b.Run(ctx, first.ID)
	require.NoError(t, err)
	assert.Equal(t, first, got)
	all, err := b.Runs(ctx, "", 10)
	require.NoError(t, err)
	assert.Equal(t, []store.RunRow{second, first}, all)
	page, err := b.Runs(ctx, second.ID, 10)
	require.NoError(t, err)
	assert.Equal(t, []store.RunRow{first}, page)
	columns, err := b.RunColumns(ctx, first.ID)
	require.NoError(t, err)
	assert.Equal(t, [][]byte{[]byte("header"), []byte("chunk")}, columns)
	scores, err := b.RunScores(ctx, first.ID, 0)
	require.NoError(t, err)
	assert.Equal(t, []store.RunPart{{Part: 1, Body: []byte("a")}, {Part: 2, Body: []byte("c")}}, scores)
	require.NoError(t, b.PutRunScores(ctx, by, now, first, true, store.RunPart{Module: 0, Part: 1, Body: []byte("anew")}, store.RunPart{Module: 0, Part: 2, Body: []byte("more")}))
	scores, err = b.RunScores(ctx, first.ID, 0)
	require.NoError(t, err)
	assert.Equal(t, []store.RunPart{{Part: 1, Body: []byte("anew")}, {Part: 2, Body: []byte("more")}}, scores)

	require.NoError(t, b.NotePoolExport(ctx, by, now, "3 rows", "for work at home"))
	require.NoError(t, b.DeleteRun(ctx, by, now, first.ID, "done with"))
	columns, err = b.RunColumns(ctx, first.ID)
	require.NoError(t, err)
	assert.Empty(t, columns)
	_, err = b.Run(ctx, first.ID)
	require.ErrorIs(t, err, trial.ErrNotFound)
	entries, err := b.AuditEntries(ctx, store.AuditQuery{Limit: 100})
	require.NoError(t, err)
	var told []string
	for _, e := range entries[3:] { // after the members
		told = append(told, e.Subjects[0]+": "+e.Reason)
	}
	assert.Equal(t, []string{
		"run " + first.ID + " created: why", "run " + second.ID + " created: ", "run " + first.ID + " resumed: again", "pool export of 3 rows: for work at home",
		"run " + first.ID + " deleted: done with",
	}, told, "progress is no entry")
}

// withdrawnFromRuns: a trial that is shared is left alone; one that isn't any more, or is gone, is found, until it is taken out.
func withdrawnFromRuns(t *testing.T, b *bench) {
	ctx, by := t.Context(), By(ann)
	sharedTrial, mineTrial := NewSmallSample(ann), NewSmallSample(ann)
	sharedTrial.Trial.Sharing.Level, mineTrial.Trial.Sharing.Level = trial.Cooperative, trial.Mine
	b.keep(t, sharedTrial, mineTrial)
	shared, mine := sharedTrial.Trial.ID, mineTrial.Trial.ID
	gone := uuid.Must(uuid.NewV7()).String()
	run := newRun(ann)
	require.NoError(t, b.CreateRun(ctx, by, now, run, ""))
	require.NoError(t, b.FreezeRun(ctx, by, now, run, []trial.ID{shared, mine, gone}))
	found, err := b.WithdrawnFromRuns(ctx)
	require.NoError(t, err)
	assert.Equal(t, []store.RunTrial{{Run: run.ID, Trial: mine}, {Run: run.ID, Trial: gone}}, found)
	run.Body = []byte("less")
	rest := store.RunRest{Columns: [][]byte{[]byte("less")}, Scores: []store.RunPart{{Module: 2, Part: 1, Body: []byte("kept")}}, Trials: []trial.ID{shared}}
	require.NoError(t, b.EraseFromRun(ctx, by, now, run, rest, "erased 2 rows"))
	found, err = b.WithdrawnFromRuns(ctx)
	require.NoError(t, err)
	assert.Empty(t, found)
	columns, err := b.RunColumns(ctx, run.ID)
	require.NoError(t, err)
	assert.Equal(t, rest.Columns, columns)
	scores, err := b.RunScores(ctx, run.ID, 2)
	require.NoError(t, err)
	assert.Equal(t, rest.Scores, scores)
}
