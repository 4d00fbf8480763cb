package runs_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/sdk/score"
	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/runs"
	"github.com/commonvat/commonvat/services/internal/runs/frozen"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// scores reads everything that a module of a run said, in pages.
func (l *lab) scores(id trial.ID, module string) (all []*poolv1.GroupScore) {
	for more := true; more; {
		var page *catalogv1.GetRunScoresResponse
		var err error
		page, more, err = l.Scores(l.t.Context(), id, module, len(all), 7)
		require.NoError(l.t, err)
		all = append(all, page.GetGroups()...)
	}
	return all
}

// The same run again gives the same bytes, however it was cut into parts; and they are what the module says of everything at once.
func TestTheSameRunAgainGivesTheSameBytes(t *testing.T) {
	l := begin(t)
	old := l.shelf.put(t, spread("old", 1), "a")
	l.shelf.put(t, spread("new", 2), "b")
	first := l.until(l.create("old", "new"), done)
	assert.Equal(t, 12, old.count(), "parts of two groups of 20 rows each")
	require.Len(t, first.GetResults(), 2)
	for _, result := range first.GetResults() {
		assert.EqualValues(t, 480, result.GetRowsDone())
		assert.EqualValues(t, 480, result.GetRowsAll())
		assert.Len(t, result.GetScoresSha256(), 64)
		assert.Len(t, result.GetDescribed(), 2)
		assert.Empty(t, result.GetTests(), "no test without an experiment at its closing size")
	}
	c := first.GetColumns()
	assert.Equal(t, []int64{480, 12, 2, 1}, []int64{c.GetRows(), int64(c.GetGroups()), int64(c.GetStrata()), int64(c.GetSessions())})

	l.stop()
	l.config.PartRows = 100_000
	l.start()
	second := l.until(l.create("old", "new"), done)
	assert.Equal(t, 13, old.count())
	assert.Equal(t, first.GetColumns().GetSha256(), second.GetColumns().GetSha256())
	for i := range first.GetResults() {
		assert.Equal(t, first.GetResults()[i].GetScoresSha256(), second.GetResults()[i].GetScoresSha256())
	}
	one, two := l.scores(first.GetId(), "new"), l.scores(second.GetId(), "new")
	require.Len(t, one, 24)
	for i := range one {
		assert.True(t, proto.Equal(one[i], two[i]))
	}
	assert.Equal(t, "x", one[0].GetStratum())
	assert.Equal(t, "y", one[23].GetStratum(), "as it is shown")
	got, err := pipeline.New(l.shelf).ScorePalettes(t.Context(), "new", pipeline.ScoresQuestion{
		Condition: pool.DefaultCondition, Labels: l.cupboard.freeze.Columns.Labels, Rows: l.cupboard.freeze.Columns.Rows, Seed: 1})
	require.NoError(t, err)
	for i, g := range got.Groups {
		assert.Equal(t, g.GetScores()[0].GetValue(), one[i].GetFigures()[0].GetValue())
	}
	other := request("old")
	other.Modules[0].Parameters = []*describev1.ParameterValue{{Name: "lift", Value: &describev1.ParameterValue_Number{Number: 5}}}
	run, err := l.Create(t.Context(), rosa, other)
	require.NoError(t, err)
	lifted := l.until(run.GetId(), done)
	assert.NotEqual(t, first.GetResults()[0].GetScoresSha256(), lifted.GetResults()[0].GetScoresSha256())
}

func TestCreateIsRefused(t *testing.T) {
	l := begin(t)
	l.shelf.put(t, spread("old", 1), "a")
	_, err := l.Create(t.Context(), rosa, request("nobody"))
	require.ErrorIs(t, err, pipeline.ErrModuleUnavailable)
	bad := request("old")
	bad.Modules[0].Parameters = []*describev1.ParameterValue{{Name: "lower", Value: &describev1.ParameterValue_Number{Number: 5}}}
	_, err = l.Create(t.Context(), rosa, bad)
	require.ErrorIs(t, err, trial.ErrInvalid)
	require.ErrorContains(t, err, "modules[0].parameters[0].name")
	bad = request("old")
	bad.Question.Filter = "colour = 1"
	_, err = l.Create(t.Context(), rosa, bad)
	require.ErrorIs(t, err, trial.ErrInvalid)
	good := request("old")
	first, err := l.Create(t.Context(), rosa, good)
	require.NoError(t, err)
	again, err := l.Create(t.Context(), rosa, good)
	require.NoError(t, err)
	assert.Equal(t, first.GetId(), again.GetId())
	good.Seed = 9
	_, err = l.Create(t.Context(), rosa, good)
	require.ErrorIs(t, err, trial.ErrExists)
	_, err = l.Get(t.Context(), newID())
	require.ErrorIs(t, err, trial.ErrNotFound)
	l.until(first.GetId(), done)
	_, _, err = l.Scores(t.Context(), first.GetId(), "nobody", 0, 1)
	require.ErrorIs(t, err, trial.ErrInvalid)
}

// A module that ends in the middle interrupts the run; resumed, it goes on with the groups that are missing.
func TestAModuleThatEnds(t *testing.T) {
	l := begin(t)
	m := l.shelf.put(t, spread("old", 1), "a")
	m.before = func(_ context.Context, call int) {
		if call == 5 {
			m.set(func() { m.down = status.Error(codes.Unavailable, "it ended") })
		}
	}
	id := l.create("old")
	run := l.until(id, interrupted)
	assert.Contains(t, run.GetReason(), "module unavailable")
	assert.EqualValues(t, 5*40, run.GetResults()[0].GetRowsDone(), "the call that was under way ended where it began")
	_, err := l.Compare(t.Context(), &catalogv1.CompareRunsRequest{First: &catalogv1.RunScore{RunId: id}, Second: &catalogv1.RunScore{RunId: id}})
	require.ErrorIs(t, err, trial.ErrConflict)
	m.set(func() { m.down = nil })
	_, err = l.Resume(t.Context(), rosa, id, "it is back")
	require.NoError(t, err)
	run = l.until(id, done)
	assert.Equal(t, 12, m.count(), "nothing is scored twice")
	whole := l.until(l.create("old"), done)
	assert.Equal(t, whole.GetResults()[0].GetScoresSha256(), run.GetResults()[0].GetScoresSha256())
	_, err = l.Resume(t.Context(), rosa, id, "")
	require.ErrorIs(t, err, trial.ErrConflict)
}

// Never two builds in one result: what another build said is scored again.
func TestAModuleThatIsReplaced(t *testing.T) {
	l := begin(t)
	m := l.shelf.put(t, spread("old", 1), "a")
	m.before = func(_ context.Context, call int) {
		if call == 5 {
			m.set(func() { m.digest = "b" + m.digest[1:] })
		}
	}
	id := l.create("old")
	run := l.until(id, interrupted)
	assert.Contains(t, run.GetReason(), "another build")
	_, err := l.Resume(t.Context(), rosa, id, "")
	require.NoError(t, err)
	run = l.until(id, done)
	assert.Equal(t, 5+12, m.count())
	assert.Equal(t, m.digest, run.GetResults()[0].GetModule().GetDigest())
	assert.Len(t, l.scores(id, ""), 24)
}

// A core that ends in the middle leaves the run interrupted; the next core's goes on with what is missing.
func TestACoreThatEnds(t *testing.T) {
	l := begin(t)
	m := l.shelf.put(t, spread("old", 1), "a")
	reached := make(chan struct{})
	m.before = func(ctx context.Context, call int) {
		if call == 4 {
			close(reached)
			<-ctx.Done()
		}
	}
	id, waiting := l.create("old"), l.create("old")
	<-reached
	l.stop()
	l.start()
	assert.Contains(t, l.until(id, interrupted).GetReason(), "the core ended")
	assert.Contains(t, l.until(waiting, interrupted).GetReason(), "the core ended")
	before := m.count()
	_, err := l.Resume(t.Context(), rosa, id, "")
	require.NoError(t, err)
	run := l.until(id, done)
	assert.Less(t, m.count()-before, 12)
	assert.EqualValues(t, 480, run.GetResults()[0].GetRowsDone())
}

// A core that is killed keeps nothing of its end: what the store says is under way is interrupted when the next one starts.
func TestACoreThatIsKilled(t *testing.T) {
	l := begin(t)
	l.shelf.put(t, spread("old", 1), "a")
	l.stop()
	run := &catalogv1.Run{Id: newID(), Owner: "ann", Modules: []*catalogv1.RunModule{{Name: "old"}}, Question: &catalogv1.RunQuestion{GroupBy: poolv1.GroupBy_GROUP_BY_FIBRE},
		State: catalogv1.RunState_RUN_STATE_FREEZING, Seed: 1}
	body, err := proto.Marshal(run)
	require.NoError(t, err)
	require.NoError(t, l.store.CreateRun(t.Context(), rosa.Actor, time.Now(), store.RunRow{ID: run.GetId(), Owner: "ann", State: int(run.GetState()), Body: body}, ""))
	require.NoError(t, l.store.PutRunColumns(t.Context(), rosa.Actor, time.Now(), run.GetId(), 0, []byte("half a header")))
	l.start()
	assert.Contains(t, l.until(run.GetId(), interrupted).GetReason(), "the core ended while it was under way")
	_, err = l.Resume(t.Context(), rosa, run.GetId(), "")
	require.NoError(t, err)
	l.until(run.GetId(), done)
}

func TestCancelResumeDelete(t *testing.T) {
	l := begin(t)
	m := l.shelf.put(t, spread("old", 1), "a")
	reached := make(chan struct{})
	m.before = func(ctx context.Context, call int) {
		if call == 3 {
			close(reached)
			<-ctx.Done()
		}
	}
	id, waiting := l.create("old"), l.create("old")
	<-reached
	require.ErrorIs(t, l.Delete(t.Context(), rosa, id, ""), trial.ErrConflict)
	require.ErrorIs(t, l.Delete(t.Context(), rosa, waiting, ""), trial.ErrConflict)
	_, err := l.Resume(t.Context(), rosa, waiting, "")
	require.ErrorIs(t, err, trial.ErrConflict)
	_, err = l.Cancel(t.Context(), runs.Who{Actor: store.Actor{Member: "bo", Method: "test"}}, id, "")
	require.ErrorIs(t, err, trial.ErrForbidden)
	run, err := l.Cancel(t.Context(), runs.Who{Actor: store.Actor{Member: "bo", Method: "test"}, Any: true}, waiting, "not now")
	require.NoError(t, err)
	assert.Equal(t, []any{cancelled, "not now"}, []any{run.GetState(), run.GetReason()})
	run, err = l.Cancel(t.Context(), rosa, id, "enough")
	require.NoError(t, err)
	assert.Equal(t, cancelled, run.GetState())
	run = l.until(id, cancelled)
	assert.EqualValues(t, 80, run.GetResults()[0].GetRowsDone(), "what it has stays")
	_, err = l.Cancel(t.Context(), rosa, id, "")
	require.ErrorIs(t, err, trial.ErrConflict)
	_, err = l.Resume(t.Context(), rosa, id, "")
	require.NoError(t, err)
	l.until(id, done)
	require.NoError(t, l.Delete(t.Context(), rosa, id, "done with"))
	_, err = l.Get(t.Context(), id)
	require.ErrorIs(t, err, trial.ErrNotFound)
	_, err = l.Resume(t.Context(), rosa, waiting, "")
	require.NoError(t, err)
	l.until(waiting, done)
	list, err := l.List(t.Context(), "", 10)
	require.NoError(t, err)
	assert.Len(t, list, 1)
}

// What a member takes back leaves the columns of a run that is done, and the scores of the groups it was part of; the run says so, has another checksum, and the
// same scores as one that never had those rows.
func TestWhatIsTakenBackLeavesARun(t *testing.T) {
	l := begin(t)
	m := l.shelf.put(t, spread("old", 1), "a")
	id := l.create("old")
	whole := l.until(id, done)
	l.withdraw(l.trials[2])
	run, err := l.Get(t.Context(), id)
	require.NoError(t, err)
	assert.Equal(t, interrupted, run.GetState(), "at once, in the first answer after")
	assert.Contains(t, run.GetReason(), "4 rows back; 4 groups are to be scored again")
	c := run.GetColumns()
	assert.Equal(t, []int64{476, 4}, []int64{c.GetRows(), c.GetErasedRows()})
	assert.Equal(t, whole.GetColumns().GetSha256(), c.GetFirstSha256())
	assert.NotEqual(t, c.GetFirstSha256(), c.GetSha256())
	assert.NotNil(t, c.GetEraseTime())
	assert.Len(t, l.scores(id, ""), 20)
	parts, err := l.store.RunColumns(t.Context(), id)
	require.NoError(t, err)
	columns, err := frozen.Decode(parts, c.GetSha256())
	require.NoError(t, err)
	assert.Equal(t, l.trials[:2], columns.Trials)

	before := m.count()
	_, err = l.Resume(t.Context(), rosa, id, "")
	require.NoError(t, err)
	run = l.until(id, done)
	assert.Equal(t, 2, m.count()-before, "only the groups that changed")
	rest, _, _ := l.cupboard.freeze.Columns.Without(map[trial.ID]bool{l.trials[2]: true})
	l.cupboard.freeze.Columns = rest
	without := l.until(l.create("old"), done)
	assert.Equal(t, without.GetResults()[0].GetScoresSha256(), run.GetResults()[0].GetScoresSha256())
	assert.Equal(t, without.GetColumns().GetSha256(), run.GetColumns().GetSha256())
	entries, err := l.store.AuditEntries(t.Context(), store.AuditQuery{Limit: 100})
	require.NoError(t, err)
	told := ""
	for _, e := range entries {
		told += fmt.Sprintln(e.Actor.Member, e.Subjects)
	}
	assert.Contains(t, told, "SERVER [run "+id+" erased 4 rows]")
}

// A run that is under way while something is taken back goes on without it; so does one whose columns were being chosen.
func TestWhatIsTakenBackMeanwhile(t *testing.T) {
	l := begin(t)
	m := l.shelf.put(t, spread("old", 1), "a")
	m.before = func(ctx context.Context, call int) {
		if call == 3 {
			l.withdraw(l.trials[2])
			<-ctx.Done()
		}
	}
	id := l.create("old")
	run := l.until(id, done)
	assert.EqualValues(t, 4, run.GetColumns().GetErasedRows())
	assert.EqualValues(t, 476, run.GetResults()[0].GetRowsDone())
	l.cupboard.during = func() { l.withdraw(l.trials[1]) }
	run = l.until(l.create("old"), done)
	assert.Less(t, run.GetColumns().GetRows(), int64(476))
	assert.Equal(t, run.GetColumns().GetRows()+run.GetColumns().GetErasedRows(), int64(480))
}

func TestFaultsOfAModule(t *testing.T) {
	l := begin(t)
	wants := spread("wants", 1)
	wants.Ages = true
	l.shelf.put(t, wants, "a")
	run := l.until(l.create("wants"), failed)
	assert.Contains(t, run.GetReason(), "more columns", "the columns that the pool gave have no ages")
	assert.True(t, l.cupboard.asked[0].Ages)
	assert.False(t, l.cupboard.asked[0].Spectra)
	bad := spread("bad", 1)
	bad.Scores[1].Of = func(context.Context, score.Group) (float64, error) { panic("no") }
	l.shelf.put(t, bad, "a")
	run = l.until(l.create("bad"), failed)
	assert.Contains(t, run.GetReason(), "bad")
	l.cupboard.err = pipeline.ErrTooLarge
	assert.Equal(t, "question too large", l.until(l.create("bad"), failed).GetReason())
	l.cupboard.err = fmt.Errorf("open /secret/place: no such file")
	assert.NotContains(t, l.until(l.create("bad"), failed).GetReason(), "secret")
}
