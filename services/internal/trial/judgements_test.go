package trial_test

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/trial"
)

func judged(id, first, second string, quality trial.JudgedQuality, choice trial.JudgedChoice) trial.Judgement {
	return trial.Judgement{Entry: trial.Entry{ID: id}, FirstID: first, SecondID: second, Quality: quality, Choice: choice, Light: "north window", Blind: true,
		FirstAfter: trial.AfterAll, SecondAfter: trial.AfterAll}
}

func TestJudgements(t *testing.T) {
	c := newCoop(t)
	c.mustSubmit(ana, trial.Trial{
		ID: "t", Pieces: []trial.Piece{piece("a", 10), piece("b", 10), piece("c", 10)},
		Immersions: []trial.Immersion{in("a", "weld", 1), in("b", "weld", 1), in("b", "weld", 2)},
		Judgements: []trial.Judgement{judged("first", "a", "b", trial.Yellower, trial.ChoseFirst)},
	}, dyebath("weld", "weld", 10))
	kept := mustRead(c, c.Trial, "t").Judgements[0]
	assert.Equal(t, ana, kept.RecordedBy)
	assert.Equal(t, [2]int{1, 2}, [2]int{kept.FirstAfter, kept.SecondAfter}, "as the pieces were")

	grey := judged("grey", "a", "b", trial.GreyScale, 0)
	grey.GreyScaleStep = 3.5
	c.mustAdd(ana, "t", trial.Entries{Judgements: []trial.Judgement{grey}, Immersions: []trial.Immersion{in("a", "weld", 2)}})
	kept = mustRead(c, c.Trial, "t").Judgements[1]
	assert.Equal(t, 3.5, kept.GreyScaleStep)
	assert.Equal(t, 2, kept.FirstAfter)

	right := judged("right", "a", "b", trial.Yellower, trial.ChoseSecond)
	right.Entry = correcting(right.Entry, "first", "swapped")
	c.mustAdd(ana, "t", trial.Entries{Judgements: []trial.Judgement{right}})
	all := mustRead(c, c.Trial, "t").Judgements
	assert.True(t, all[0].Superseded)
	assert.Equal(t, 1, all[2].FirstAfter, "a correction speaks of the moment that it corrects")
	c.sound(t)

	refuse := func(field string, change func(*trial.Judgement)) {
		t.Helper()
		j := judged("x", "a", "b", trial.Deeper, trial.ChoseNeither)
		change(&j)
		_, err := c.add(ana, "t", trial.Entries{Judgements: []trial.Judgement{j}})
		c.refused(t, c.Changes, err, trial.ErrInvalid, field)
	}
	refuse("judgements[0].second_piece_id", func(j *trial.Judgement) { j.SecondID = "a" })
	refuse("judgements[0].second_piece_id", func(j *trial.Judgement) { j.SecondID = "elsewhere" })
	refuse("judgements[0].first_piece_id", func(j *trial.Judgement) { j.FirstID = "" })
	refuse("judgements[0].quality", func(j *trial.Judgement) { j.Quality = 0 })
	refuse("judgements[0].quality", func(j *trial.Judgement) { j.Quality = 9 })
	refuse("judgements[0].choice", func(j *trial.Judgement) { j.Choice = 0 })
	refuse("judgements[0].choice", func(j *trial.Judgement) { j.Quality, j.GreyScaleStep = trial.GreyScale, 3 })
	refuse("judgements[0].grey_scale_step", func(j *trial.Judgement) { j.GreyScaleStep = 3 })
	for _, step := range []float64{0, 0.5, 5.5, 3.25, math.NaN(), math.Inf(1)} {
		refuse("judgements[0].grey_scale_step", func(j *trial.Judgement) { j.Quality, j.Choice, j.GreyScaleStep = trial.GreyScale, 0, step })
	}
	refuse("judgements[0].first_after_position", func(j *trial.Judgement) { j.FirstAfter = 7 })
	refuse("judgements[0]", func(j *trial.Judgement) {
		j.SecondID, j.Entry = "c", correcting(j.Entry, "right", "of other pieces")
	})
	refuse("judgements[0].id", func(j *trial.Judgement) { j.ID = "grey" })
}

func TestWhoJudges(t *testing.T) {
	c := newCoop(t)
	c.mustSubmit(ana, trial.Trial{
		ID: "t", Pieces: []trial.Piece{piece("a", 10), piece("b", 10), piece("c", 10)},
		Judgements: []trial.Judgement{judged("of both", "a", "b", trial.Duller, trial.ChoseFirst), judged("of one", "a", "c", trial.Duller, trial.ChoseFirst)},
	})
	require.NoError(t, c.post(ana, "a", ben))
	_, err := c.add(ben, "t", trial.Entries{Judgements: []trial.Judgement{judged("x", "a", "b", trial.Duller, trial.ChoseFirst)}})
	c.refused(t, c.Changes, err, trial.ErrInvalid, "second_piece_id") // to ben it isn't there
	require.NoError(t, c.post(ana, "b", ben))
	seen := c.mustAdd(ben, "t", trial.Entries{Judgements: []trial.Judgement{judged("ben's", "a", "b", trial.Duller, trial.ChoseSecond)}})
	require.Len(t, seen.Judgements, 2, "none with a piece that ben doesn't hold")
	assert.Empty(t, seen.Judgements[0].Light, "words of another")
	assert.Equal(t, "north window", seen.Judgements[1].Light)
	assert.Len(t, mustRead(c, c.Trial, "t").Judgements, 3)
	_, err = c.add(cleo, "t", trial.Entries{Judgements: []trial.Judgement{judged("y", "a", "b", trial.Duller, trial.ChoseFirst)}})
	c.refused(t, c.Changes, err, trial.ErrNotFound)
}

func TestTooManyJudgements(t *testing.T) {
	c := newCoop(t)
	many := trial.Trial{ID: "t", Pieces: []trial.Piece{piece("a", 10), piece("b", 10)}}
	for i := range trial.MaxJudgements + 1 {
		many.Judgements = append(many.Judgements, judged(fmt.Sprintf("j%d", i), "a", "b", trial.Deeper, trial.ChoseFirst))
	}
	_, err := c.submit(ana, many)
	c.refused(t, c.Changes, err, trial.ErrInvalid, "judgements")
}
