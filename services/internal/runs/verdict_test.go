package runs_test

import (
	"context"
	"fmt"
	"math"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/plugins/sdk/score"
	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/runs/frozen"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// experiment makes columns of two orders in so many sessions, with four cells each: the first order spreads wide around lightness 70, the second narrow around
// 40.
func (l *lab) experiment(sessions int, wide, narrow float64) {
	c := &frozen.Columns{
		Condition: pool.DefaultCondition, Trials: l.trials[:1], Shown: []string{"weld and indigo"},
		Labels: pipeline.Labels{Groups: []string{"weld > indigo", "indigo > weld"}, Strata: []string{"weld and indigo"}, Cells: []string{"cell 1", "cell 2", "cell 3", "cell 4"}},
	}
	for s := range sessions {
		c.Labels.Blocks = append(c.Labels.Blocks, fmt.Sprintf("session %02d", s))
		for g := range 2 {
			for cell := range 4 {
				middle, spread := 70.0, wide
				if g == 1 {
					middle, spread = 40, narrow
				}
				wobble := float64((s*31+cell*17+g*7)%11) / 20
				c.Rows = append(c.Rows, pipeline.Row{
					ReadingID: uuid.MustParse(fmt.Sprintf("%08d-0000-7000-8000-000000000000", len(c.Rows))), Group: uint32(g), Block: uint32(s), Cell: uint32(cell),
					Lab: trial.Lab{L: middle + spread*(float64(cell)-1.5) + wobble},
				})
				c.TrialOf = append(c.TrialOf, 0)
			}
		}
	}
	l.cupboard.freeze.Columns = c
	l.cupboard.freeze.Complete, l.cupboard.freeze.Used, l.cupboard.freeze.Closing = sessions, sessions, sessions
}

func experimentRequest(modules ...string) *catalogv1.CreateRunRequest {
	r := request(modules...)
	r.Question = &catalogv1.RunQuestion{GroupBy: poolv1.GroupBy_GROUP_BY_ORDER, ExperimentId: newID()}
	return r
}

// dispersed scores the root mean square distance of L* from its mean.
func dispersed(name string) score.Method {
	m := spread(name, 1)
	m.Scores[0].Of = func(_ context.Context, g score.Group) (float64, error) {
		n, sum, squares := float64(len(g.Cells)), 0.0, 0.0
		for _, c := range g.Cells {
			sum += c.Lab.L
		}
		for _, c := range g.Cells {
			squares += (c.Lab.L - sum/n) * (c.Lab.L - sum/n)
		}
		return math.Sqrt(squares / n), nil
	}
	return m
}

var errDown = status.Error(codes.Unavailable, "it ended")

// Worked by hand for six sessions: the wide order lies further apart in every session, so of 64 arrangements only the seen one and its mirror are as far apart,
// and p = 2/64 = 0.03125; Holm over the one score that leads leaves it.
func TestAVerdictByAnotherMethod(t *testing.T) {
	l := begin(t)
	l.experiment(6, 9, 6)
	l.shelf.put(t, dispersed("old"), "a")
	run, err := l.Create(t.Context(), rosa, experimentRequest("old"))
	require.NoError(t, err)
	run = l.until(run.GetId(), done)
	result := run.GetResults()[0]
	assert.EqualValues(t, 2*63, result.GetRelabellingsAll())
	assert.EqualValues(t, 2*63, result.GetRelabellingsDone())
	require.Len(t, result.GetTests(), 2)
	led, described := result.GetTests()[0], result.GetTests()[1]
	assert.True(t, led.GetAligned())
	assert.True(t, led.GetEnumerated())
	assert.EqualValues(t, 1, led.GetAsFar())
	assert.InDelta(t, 2.0/64, led.GetP(), 1e-15)
	assert.InDelta(t, 2.0/64, led.GetPAdjusted(), 1e-15)
	assert.Equal(t, poolv1.Standing_STANDING_VERDICT, led.GetStanding())
	assert.Equal(t, "first", led.GetWider())
	assert.Contains(t, led.GetStatement(), "weld > indigo gives the wider palette than indigo > weld")
	assert.False(t, described.GetAligned())
	assert.Nil(t, described.PAdjusted)
	assert.Equal(t, poolv1.Standing_STANDING_EXPLORATORY, described.GetStanding())
	assert.Contains(t, described.GetStatement(), "only describes")

	again, err := l.Create(t.Context(), rosa, experimentRequest("old"))
	require.NoError(t, err)
	assert.Equal(t, result.GetScoresSha256(), l.until(again.GetId(), done).GetResults()[0].GetScoresSha256())
}

// More sessions than are enumerated: 9,999 are drawn, in several calls, of which one is cut short; what comes of it is the same.
func TestManySessionsAreDrawn(t *testing.T) {
	l := begin(t)
	l.experiment(20, 9, 9)
	m := l.shelf.put(t, dispersed("old"), "a")
	create := func() *catalogv1.Run {
		run, err := l.Create(t.Context(), rosa, experimentRequest("old"))
		require.NoError(t, err)
		return run
	}
	whole := l.until(create().GetId(), done)
	test := whole.GetResults()[0].GetTests()[0]
	assert.False(t, test.GetEnumerated())
	assert.EqualValues(t, 9_999, test.GetArrangements())
	assert.Equal(t, poolv1.Standing_STANDING_NO_ANSWER_AT_THIS_SIZE, test.GetStanding())
	assert.Greater(t, test.GetP(), 0.05)
	calls := m.count()
	m.set(func() {
		m.before = func(_ context.Context, call int) {
			if call == calls+4 {
				m.set(func() { m.down = errDown })
			}
		}
	})
	cut := create()
	run := l.until(cut.GetId(), interrupted)
	assert.Positive(t, run.GetResults()[0].GetRelabellingsDone())
	m.set(func() { m.down = nil })
	_, err := l.Resume(t.Context(), rosa, cut.GetId(), "")
	require.NoError(t, err)
	run = l.until(cut.GetId(), done)
	assert.Equal(t, whole.GetResults()[0].GetScoresSha256(), run.GetResults()[0].GetScoresSha256())
	assert.Equal(t, 2*calls, m.count())
}

func TestNoTestBeforeTheClosingSize(t *testing.T) {
	l := begin(t)
	l.shelf.put(t, dispersed("old"), "a")
	seeded := experimentRequest("old")
	seeded.Seed = 2
	_, err := l.Create(t.Context(), rosa, seeded)
	require.ErrorIs(t, err, trial.ErrInvalid, "or one could draw until one likes the answer")
	l.experiment(6, 9, 6)
	l.cupboard.freeze.Closing = 7
	run, err := l.Create(t.Context(), rosa, experimentRequest("old"))
	require.NoError(t, err)
	assert.Empty(t, l.until(run.GetId(), done).GetResults()[0].GetTests())
	// Once rows are taken back, its sessions are no longer those of the verdict.
	l.cupboard.freeze.Closing = 6
	run, err = l.Create(t.Context(), rosa, experimentRequest("old"))
	require.NoError(t, err)
	require.NotEmpty(t, l.until(run.GetId(), done).GetResults()[0].GetTests())
	l.withdraw(l.trials[0])
	_, err = l.Resume(t.Context(), rosa, run.GetId(), "")
	require.NoError(t, err)
	assert.Empty(t, l.until(run.GetId(), done).GetResults()[0].GetTests())
}

func TestCompare(t *testing.T) {
	l := begin(t)
	l.experiment(6, 9, 6)
	l.shelf.put(t, dispersed("old"), "a")
	turned := dispersed("new")
	turned.Scores[0].HigherIsWider = false
	l.shelf.put(t, turned, "b")
	run, err := l.Create(t.Context(), rosa, experimentRequest("old", "new"))
	require.NoError(t, err)
	l.until(run.GetId(), done)
	side := func(module, score string) *catalogv1.RunScore {
		return &catalogv1.RunScore{RunId: run.GetId(), Module: module, Score: score}
	}
	got, err := l.Compare(t.Context(), &catalogv1.CompareRunsRequest{First: side("old", ""), Second: side("old", "mean")})
	require.NoError(t, err)
	assert.Contains(t, got.GetStatement(), "No ranking flips: all 1 pairs")
	assert.Nil(t, got.LargestChange)
	got, err = l.Compare(t.Context(), &catalogv1.CompareRunsRequest{First: side("old", "range"), Second: side("new", "range")})
	require.NoError(t, err)
	assert.True(t, got.GetSameColumns())
	assert.Equal(t, []int64{1, 1, 1}, []int64{got.GetPairs(), got.GetPairsToldApart(), got.GetPairsFlipped()})
	require.Len(t, got.GetFlips(), 1)
	flip := got.GetFlips()[0]
	assert.Equal(t, []string{"weld > indigo", "indigo > weld", "weld and indigo"}, []string{flip.GetWiderByFirst(), flip.GetWiderBySecond(), flip.GetStratum()})
	assert.InDelta(t, flip.GetMarginByFirst(), flip.GetMarginBySecond(), 1e-12)
	assert.InDelta(t, 1-6.0/9, flip.GetMarginByFirst(), 0.05)
	require.Len(t, got.GetMoved(), 2)
	assert.True(t, got.GetVerdict().GetFlips())
	assert.Contains(t, got.GetStatement(), "The verdict flips")
	assert.Zero(t, got.GetLargestChange())
	_, err = l.Compare(t.Context(), &catalogv1.CompareRunsRequest{First: side("old", "nothing"), Second: side("new", "range")})
	require.ErrorIs(t, err, trial.ErrInvalid)
	require.ErrorContains(t, err, "first.score")
	_, err = l.Compare(t.Context(), &catalogv1.CompareRunsRequest{First: side("old", "range"), Second: &catalogv1.RunScore{RunId: run.GetId()}})
	require.ErrorIs(t, err, trial.ErrInvalid, "two modules, and none is named")
	require.ErrorContains(t, err, "second.module: is left out; run "+run.GetId()+" has old, new")
	_, err = l.Compare(t.Context(), &catalogv1.CompareRunsRequest{First: side("older", "range"), Second: side("old", "range")})
	require.ErrorContains(t, err, `first.module: is "older"; run `+run.GetId()+" has old, new")
}

// Many groups: ranks, flips and margins against a count of the slow kind.
func TestCompareManyGroups(t *testing.T) {
	l := begin(t)
	l.shelf.put(t, spread("old", 1), "a")
	id := l.create("old")
	l.until(id, done)
	got, err := l.Compare(t.Context(), &catalogv1.CompareRunsRequest{First: &catalogv1.RunScore{RunId: id, Score: "range"}, Second: &catalogv1.RunScore{RunId: id, Score: "mean"}})
	require.NoError(t, err)
	all := l.scores(id, "")
	flips, pairs := 0, 0
	for i, a := range all {
		for _, b := range all[i+1:] {
			if a.GetStratum() != b.GetStratum() {
				continue
			}
			pairs++
			d, e := a.GetFigures()[0].GetValue()-b.GetFigures()[0].GetValue(), a.GetFigures()[1].GetValue()-b.GetFigures()[1].GetValue()
			if math.Abs(d) > 1e-6 && math.Abs(e) > 1e-6 && d*e < 0 {
				flips++
			}
		}
	}
	assert.EqualValues(t, 24, got.GetGroups())
	assert.EqualValues(t, pairs, got.GetPairs())
	assert.EqualValues(t, flips, got.GetPairsFlipped())
	assert.Positive(t, flips)
	assert.Len(t, got.GetFlips(), flips)
	least := math.Inf(1)
	for _, f := range got.GetFlips() {
		m := min(f.GetMarginByFirst(), f.GetMarginBySecond())
		assert.LessOrEqual(t, m, least, "largest first")
		least = m
	}
	for _, g := range got.GetMoved() {
		assert.NotEqual(t, g.GetFirstRank(), g.GetSecondRank())
	}
	assert.NotEmpty(t, got.GetMoved())
}

// mordantsTried makes columns of three mordants of an experiment: iron and alum in so many sessions, tin beside iron in the first four. Iron spreads 8, alum and tin 4.
func (l *lab) mordantsTried(sessions int) {
	c := &frozen.Columns{
		Condition: pool.DefaultCondition, Trials: l.trials[:1], Shown: []string{"wool"},
		Labels: pipeline.Labels{Groups: []string{"alum", "iron", "tin"}, Strata: []string{"wool"}, Cells: []string{"cell 1", "cell 2", "cell 3"}},
	}
	for s := range sessions {
		c.Labels.Blocks = append(c.Labels.Blocks, fmt.Sprintf("session %02d", s))
		for g, spread := range []float64{4, 8, 4} {
			for cell := range 3 {
				if g == 2 && s >= 4 {
					continue
				}
				c.Rows = append(c.Rows, pipeline.Row{
					ReadingID: uuid.MustParse(fmt.Sprintf("%08d-0000-7000-8000-000000000000", len(c.Rows))), Group: uint32(g), Block: uint32(s), Cell: uint32(cell),
					Lab: trial.Lab{L: 40 + 10*float64(g) + spread*float64(cell-1) + float64(s%3)/10},
				})
				c.TrialOf = append(c.TrialOf, 0)
			}
		}
	}
	l.cupboard.freeze.Columns = c
	l.cupboard.freeze.Complete, l.cupboard.freeze.Used, l.cupboard.freeze.Closing = sessions, sessions, sessions
}

// Three groups: each two are swapped in the sessions that hold both. Worked by hand: of the 2^7 arrangements of alum and iron only the seen one and its mirror lie as
// far apart, p = 2/128; tin stands in four sessions, which is too few; no session's iron is compared with another session's tin.
func TestVerdictsOnEachTwoOfThree(t *testing.T) {
	l := begin(t)
	l.mordantsTried(7)
	m := l.shelf.put(t, dispersed("old"), "a")
	asked := experimentRequest("old")
	asked.Question.GroupBy = poolv1.GroupBy_GROUP_BY_MORDANT
	run, err := l.Create(t.Context(), rosa, asked)
	require.NoError(t, err)
	run = l.until(run.GetId(), done)
	result := run.GetResults()[0]
	assert.EqualValues(t, 2*(127+15+15), result.GetRelabellingsAll())
	assert.Equal(t, result.GetRelabellingsAll(), result.GetRelabellingsDone())
	require.Len(t, result.GetTests(), 6)
	said := map[string]*catalogv1.ScoreTest{}
	for _, test := range result.GetTests() {
		said[test.GetFirst()+"/"+test.GetSecond()+"/"+test.GetScore()] = test
	}
	led := said["alum/iron/range"]
	assert.InDelta(t, 2.0/128, led.GetP(), 1e-15)
	assert.InDelta(t, 2.0/128, led.GetPAdjusted(), 1e-15, "what can't be tested takes no share of the error")
	assert.Equal(t, poolv1.Standing_STANDING_VERDICT, led.GetStanding())
	assert.Equal(t, "second", led.GetWider())
	assert.Contains(t, led.GetStatement(), "iron gives the wider palette than alum, 2.00 times")
	for _, pair := range []string{"alum/tin/range", "iron/tin/range"} {
		assert.Equal(t, poolv1.Standing_STANDING_NOT_ENOUGH_YET, said[pair].GetStanding())
		assert.Equal(t, "4 sessions hold both; 6 are needed", said[pair].GetNotTested())
		assert.Nil(t, said[pair].P)
	}
	// Iron's spread over the four sessions that hold tin too: eight by the cells, root of two thirds.
	assert.InDelta(t, 4*math.Sqrt(2.0/3), said["iron/tin/range"].GetDifference(), 0.01)

	// Cut short within any round, it goes on where it was.
	calls := m.count()
	for cut := 2; cut < calls; cut++ {
		from := m.count()
		m.set(func() {
			m.before = func(_ context.Context, call int) {
				if call == from+cut {
					m.set(func() { m.down = errDown })
				}
			}
		})
		again := experimentRequest("old")
		again.Question.GroupBy = poolv1.GroupBy_GROUP_BY_MORDANT
		second, err := l.Create(t.Context(), rosa, again)
		require.NoError(t, err)
		l.until(second.GetId(), interrupted)
		m.set(func() { m.down = nil })
		_, err = l.Resume(t.Context(), rosa, second.GetId(), "")
		require.NoError(t, err)
		assert.Equal(t, result.GetScoresSha256(), l.until(second.GetId(), done).GetResults()[0].GetScoresSha256(), cut)
	}

	side := &catalogv1.RunScore{RunId: run.GetId(), Score: "range"}
	got, err := l.Compare(t.Context(), &catalogv1.CompareRunsRequest{First: side, Second: &catalogv1.RunScore{RunId: run.GetId(), Score: "mean"}})
	require.NoError(t, err)
	require.Len(t, got.GetVerdicts(), 3)
	assert.Equal(t, []string{"alum", "iron"}, []string{got.GetVerdicts()[0].GetGroup(), got.GetVerdicts()[0].GetOtherGroup()})
	assert.True(t, got.GetVerdicts()[0].GetFlips())
	assert.False(t, got.GetVerdicts()[1].GetFlips())
	assert.Nil(t, got.GetVerdict())
	assert.Contains(t, got.GetStatement(), "1 of 3 verdicts flip")

	// An experiment whose sessions don't join what it compares isn't closed, however many they are.
	l.cupboard.freeze.NotClosed = "sessions that hold copper beside the others"
	run, err = l.Create(t.Context(), rosa, experimentRequest("old"))
	require.NoError(t, err)
	run = l.until(run.GetId(), done)
	assert.Empty(t, run.GetResults()[0].GetTests())
	assert.Equal(t, "sessions that hold copper beside the others", run.GetColumns().GetNotClosed())
}
