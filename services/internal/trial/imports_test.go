package trial_test

import (
	"errors"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// row is an imported reading of wool that was mordanted with alum and dyed.
func row(n int, key, dye string) trial.ImportRow {
	reading := lab("", "")
	return trial.ImportRow{
		RowNumber: n, RowKey: key, Label: "swatch " + key, Fibre: wool(), Reading: reading,
		Baths: []trial.ImportBath{
			{Purposes: []trial.Purpose{trial.MordantBath}, Additions: []trial.Addition{{Material: "alum", Role: trial.Mordant, Amount: handful()}}},
			{Purposes: []trial.Purpose{trial.DyeBath}, Additions: []trial.Addition{{Material: dye, Role: trial.Dye, Amount: handful()}}},
		},
	}
}

func brighter(r trial.ImportRow) trial.ImportRow {
	r.Reading.Raw.Lab = &trial.Lab{L: 70, A: -2, B: 40}
	return r
}

func (c *coop) importRows(update bool, rows ...trial.ImportRow) (trial.ImportAnswer, error) {
	var answer trial.ImportAnswer
	err := c.Do(func(r trial.Records) (err error) {
		answer, err = trial.ImportReadings(r, ana, now.Add(time.Duration(len(c.Changes))*time.Second), trial.ImportBatch{
			Source: "swatch book", Rows: rows, Update: update, Sharing: trial.Sharing{Level: trial.Cooperative},
		})
		return err
	})
	return answer, err
}

func (c *coop) imported(update bool, rows ...trial.ImportRow) trial.ImportAnswer {
	answer, err := c.importRows(update, rows...)
	require.NoError(c.t, err)
	require.Len(c.t, answer.Results, len(rows))
	return answer
}

func outcomes(a trial.ImportAnswer) []trial.ImportOutcome {
	var all []trial.ImportOutcome
	for _, result := range a.Results {
		all = append(all, result.Outcome)
	}
	return all
}

// pieceOf finds the piece of a reading, and the reading.
func (c *coop) pieceOf(a trial.ImportAnswer, i int) (trial.Piece, trial.Reading) {
	for _, id := range a.TrialIDs {
		t, err := c.Trial(id)
		require.NoError(c.t, err)
		for _, r := range t.Readings {
			if r.ID == a.Results[i].ReadingID {
				return c.piece(r.PieceID), r
			}
		}
	}
	require.Fail(c.t, "no such reading", a.Results[i].ReadingID)
	return trial.Piece{}, trial.Reading{}
}

func TestImportedRowsBecomePieces(t *testing.T) {
	c := newCoop(t)
	exhausted := row(2, "two", "madder")
	exhausted.Baths[1].Exhaust, exhausted.Baths[1].ExhaustNumberNotStated = 1, true
	unknown := row(3, "three", "birch")
	unknown.Baths[0] = trial.ImportBath{ContentsNotStated: true}
	undyed := row(4, "four", "")
	undyed.Baths = nil
	answer := c.imported(false, row(1, "one", "weld"), exhausted, unknown, undyed)
	assert.Equal(t, []trial.ImportOutcome{trial.ImportAdded, trial.ImportAdded, trial.ImportAdded, trial.ImportAdded}, outcomes(answer))
	require.Len(t, answer.TrialIDs, 1)

	kept, err := c.Trial(answer.TrialIDs[0])
	require.NoError(t, err)
	assert.Equal(t, "swatch book", kept.ImportSource)
	assert.Equal(t, trial.Cooperative, kept.Sharing.Level)
	assert.Empty(t, kept.Sessions, "the source knows no sessions")
	for i, text := range []string{"alum > weld", "alum > madder (exhaust bath, number not stated)", "step not stated > birch", ""} {
		p, r := c.pieceOf(answer, i)
		assert.Equal(t, text, p.Route.Text)
		assert.Equal(t, trial.NotKnown, p.Mass.Knowledge)
		assert.Equal(t, ana, p.Holder)
		assert.NotEmpty(t, p.Code)
		assert.Equal(t, i == 2, p.Route.NotStated)
		assert.Equal(t, 2*min(1, len(p.Route.Layers)), r.AfterPosition)
	}
	for _, im := range kept.Immersions {
		b, err := c.Bath(im.BathID)
		require.NoError(t, err)
		assert.NotEmpty(t, b.Label)
		assert.Equal(t, trial.Cooperative, b.Sharing.Level)
	}

	// Ids are UUIDs of version 7 (RFC 9562), in the order of making.
	last := ""
	for _, r := range kept.Readings {
		id, err := uuid.Parse(r.ID)
		require.NoError(t, err)
		assert.Equal(t, uuid.Version(7), id.Version())
		assert.Equal(t, uuid.RFC4122, id.Variant())
		assert.Greater(t, r.ID, last)
		last = r.ID
	}
}

func TestTheSameRowsAgainChangeNothing(t *testing.T) {
	c := newCoop(t)
	first := c.imported(false, row(1, "one", "weld"), row(2, "two", "madder"))
	before := len(c.Changes)
	again := c.imported(false, row(7, "one", "weld"), row(8, "two", "madder"))
	assert.Equal(t, []trial.ImportOutcome{trial.ImportUnchanged, trial.ImportUnchanged}, outcomes(again), "where a row stands doesn't matter")
	assert.Equal(t, first.Results[0].ReadingID, again.Results[0].ReadingID)
	assert.Equal(t, first.TrialIDs, again.TrialIDs)
	assert.Len(t, c.Changes, before)

	other := c.imported(false, brighter(row(1, "one", "weld")), row(3, "three", "weld"))
	assert.Equal(t, []trial.ImportOutcome{trial.ImportConflict, trial.ImportAdded}, outcomes(other))
	assert.Contains(t, other.Results[0].Reason, "row_key")
	assert.Equal(t, first.Results[0].ReadingID, other.Results[0].ReadingID)
}

func TestUpdateSupersedes(t *testing.T) {
	c := newCoop(t)
	first := c.imported(false, row(1, "one", "weld"))
	piece, wrong := c.pieceOf(first, 0)

	second := c.imported(true, brighter(row(1, "one", "weld")))
	assert.Equal(t, []trial.ImportOutcome{trial.ImportUpdated}, outcomes(second))
	same, right := c.pieceOf(second, 0)
	assert.Equal(t, piece.ID, same.ID)
	assert.Equal(t, "alum > weld", same.Route.Text)
	assert.Equal(t, wrong.ID, right.CorrectsID)
	assert.Equal(t, "import update", right.Reason)
	_, wrong = c.pieceOf(first, 0)
	assert.True(t, wrong.Superseded)

	// The history too: another dye, then a step fewer, then two more.
	third := c.imported(true, row(1, "one", "madder"))
	same, _ = c.pieceOf(third, 0)
	assert.Equal(t, piece.ID, same.ID)
	assert.Equal(t, "alum > madder", same.Route.Text)

	shorter := row(1, "one", "madder")
	shorter.Baths = shorter.Baths[1:]
	fourth := c.imported(true, shorter)
	same, reading := c.pieceOf(fourth, 0)
	assert.Equal(t, "madder", same.Route.Text)
	assert.Equal(t, 1, reading.AfterPosition)

	longer := row(1, "one", "madder")
	longer.Baths = append(longer.Baths, row(1, "", "weld").Baths[1])
	fifth := c.imported(true, longer)
	same, reading = c.pieceOf(fifth, 0)
	assert.Equal(t, "alum > madder > weld", same.Route.Text)
	assert.Equal(t, 3, reading.AfterPosition)

	kept, err := c.Trial(fifth.TrialIDs[0])
	require.NoError(t, err)
	counting := 0
	for _, im := range kept.Immersions {
		if !im.Superseded {
			counting++
		}
	}
	assert.Equal(t, 3, counting)
	assert.Len(t, kept.Pieces, 1)
	assert.Len(t, kept.Readings, 5, "nothing is lost")

	// What was corrected by hand is superseded in its turn.
	byHand := lab("by hand", same.ID)
	byHand.Entry = correcting(byHand.Entry, reading.ID, "lamp was off")
	c.mustAdd(ana, kept.ID, trial.Entries{Readings: []trial.Reading{byHand}})
	sixth := c.imported(true, brighter(longer))
	_, reading = c.pieceOf(sixth, 0)
	assert.Equal(t, "by hand", reading.CorrectsID)
	assert.False(t, reading.Superseded)
}

func TestUpdateLeavesHandworkAlone(t *testing.T) {
	c := newCoop(t)
	answer := c.imported(false, row(1, "split", "weld"), row(2, "dyed on", "weld"))
	split, _ := c.pieceOf(answer, 0)
	dyedOn, _ := c.pieceOf(answer, 1)
	c.mustAdd(ana, answer.TrialIDs[0], trial.Entries{Pieces: []trial.Piece{part("half", split.ID, trial.Split, 2, 1)}})
	b := dyebath("later", "indigo", 1)
	require.NoError(t, c.Do(func(r trial.Records) error {
		_, err := trial.CreateBath(r, ana, now, &b)
		return err
	}))
	c.mustAdd(ana, answer.TrialIDs[0], trial.Entries{Immersions: []trial.Immersion{in(dyedOn.ID, "later", 7)}})

	before := len(c.Changes)
	again := c.imported(true, row(1, "split", "madder"), row(2, "dyed on", "madder"))
	assert.Equal(t, []trial.ImportOutcome{trial.ImportRefused, trial.ImportRefused}, outcomes(again))
	assert.Contains(t, again.Results[0].Reason, "has parts")
	assert.Contains(t, again.Results[1].Reason, "other baths")
	assert.Len(t, c.Changes, before)
	assert.Equal(t, "alum > weld", c.route("half").Text)
}

func TestRowsShareKeys(t *testing.T) {
	c := newCoop(t)
	keyed := func(n int, key, piece, bath, session, dye string) trial.ImportRow {
		r := row(n, key, dye)
		r.PieceKey, r.SessionKey, r.Baths[1].BathKey = piece, session, bath
		return r
	}
	included := keyed(2, "p sce", "p", "pot", "monday", "weld")
	included.Reading.Specular = trial.SpecularExcluded
	answer := c.imported(false,
		keyed(1, "p sci", "p", "pot", "monday", "weld"), included, keyed(3, "q", "q", "pot", "monday", "weld"), keyed(4, "r", "r", "pot 2", "tuesday", "weld"),
		keyed(5, "p bad", "p", "pot", "monday", "madder"), keyed(6, "s", "s", "pot", "monday", "madder"),
	)
	assert.Equal(t, []trial.ImportOutcome{trial.ImportAdded, trial.ImportAdded, trial.ImportAdded, trial.ImportAdded, trial.ImportConflict, trial.ImportConflict}, outcomes(answer))
	assert.Contains(t, answer.Results[4].Reason, "piece_key")
	assert.Contains(t, answer.Results[5].Reason, "bath_key")
	p, _ := c.pieceOf(answer, 0)
	p2, _ := c.pieceOf(answer, 1)
	q, _ := c.pieceOf(answer, 2)
	r, _ := c.pieceOf(answer, 3)
	assert.Equal(t, p.ID, p2.ID, "two readings of one piece are one piece")
	assert.NotEqual(t, p.ID, q.ID)
	assert.Equal(t, p.Route.Layers[1].BathID, q.Route.Layers[1].BathID)
	assert.NotEqual(t, p.Route.Layers[0].BathID, q.Route.Layers[0].BathID, "without a key a bath of its own")
	assert.NotEqual(t, p.Route.Layers[1].BathID, r.Route.Layers[1].BathID)
	assert.Equal(t, p.SessionID, q.SessionID)
	assert.NotEqual(t, p.SessionID, r.SessionID)

	// Keys hold from one batch to the next; a row stays with its piece.
	next := c.imported(true, keyed(1, "t", "t", "pot", "tuesday", "weld"), brighter(keyed(2, "q", "p", "pot", "monday", "weld")))
	assert.Equal(t, []trial.ImportOutcome{trial.ImportAdded, trial.ImportRefused}, outcomes(next))
	assert.Contains(t, next.Results[1].Reason, "piece_key")
	last, _ := c.pieceOf(next, 0)
	assert.Equal(t, p.Route.Layers[1].BathID, last.Route.Layers[1].BathID)
	assert.Equal(t, r.SessionID, last.SessionID)

	// New contents of a pot move all rows that tell of them.
	moved := c.imported(true, keyed(1, "p sci", "p", "pot", "monday", "madder"), keyed(3, "q", "q", "pot", "monday", "madder"))
	assert.Equal(t, []trial.ImportOutcome{trial.ImportUpdated, trial.ImportUpdated}, outcomes(moved))
	p, _ = c.pieceOf(moved, 0)
	q, _ = c.pieceOf(moved, 1)
	assert.Equal(t, "alum > madder", p.Route.Text)
	assert.Equal(t, p.Route.Layers[1].BathID, q.Route.Layers[1].BathID)
}

func TestBadRowsAreReportedAndGoodOnesGoIn(t *testing.T) {
	c := newCoop(t)
	nan := row(1, "nan", "weld")
	nan.Reading.Raw.Lab = &trial.Lab{L: math.NaN()}
	noFibre := row(2, "no fibre", "weld")
	noFibre.Fibre = trial.Fibre{}
	water := row(3, "water", "weld")
	water.Baths[0].WaterSourceID = "nowhere"
	flags := row(4, "flags", "weld")
	flags.Baths[1].ExhaustNumberNotStated = true
	amount := row(5, "amount", "weld")
	amount.Baths[1].Additions[0].Amount = grams(math.Inf(1))
	noKey := row(6, "", "weld")
	twins := row(9, "twins", "weld")
	twins.Baths[0].BathKey, twins.Baths[1].BathKey, twins.SessionKey = "pot", "pot", "monday"
	answer := c.imported(false, nan, noFibre, water, flags, amount, noKey, row(7, "good", "weld"), row(8, "good", "weld"), twins)
	for i, reason := range []string{"reading.raw.lab", "fibre", "baths[0].water_source_id", "baths[1].exhaust", "baths[1].additions[0].amount.value", "row_key", "", "row 7", "bath_key"} {
		if reason == "" {
			assert.Equal(t, trial.ImportAdded, answer.Results[i].Outcome)
			continue
		}
		assert.Equal(t, trial.ImportRefused, answer.Results[i].Outcome, i)
		assert.Contains(t, answer.Results[i].Reason, reason)
		assert.Empty(t, answer.Results[i].ReadingID)
	}
	kept, err := c.Trial(answer.TrialIDs[0])
	require.NoError(t, err)
	assert.Len(t, kept.Pieces, 1)
	assert.Empty(t, kept.Sessions, "a refused row leaves nothing behind")

	// A refused row can be sent again when it is mended.
	answer = c.imported(false, row(1, "nan", "weld"))
	assert.Equal(t, []trial.ImportOutcome{trial.ImportAdded}, outcomes(answer))

	_, err = c.importRows(false)
	c.refused(t, c.Changes, err, trial.ErrInvalid, "rows")
	_, err = c.importRows(false, make([]trial.ImportRow, trial.MaxImportRows+1)...)
	c.refused(t, c.Changes, err, trial.ErrInvalid, "rows")
}

func TestAnImportTrialHoldsFiveHundredPieces(t *testing.T) {
	c := newCoop(t)
	batch := func(from, to int) []trial.ImportRow {
		var rows []trial.ImportRow
		for i := from; i < to; i++ {
			r := row(i, fmt.Sprint(i), "weld")
			r.Baths[0].BathKey, r.Baths[1].BathKey = "alum", "weld"
			rows = append(rows, r)
		}
		return rows
	}
	first := c.imported(false, batch(0, 300)...)
	second := c.imported(false, batch(300, 600)...)
	require.Len(t, first.TrialIDs, 1)
	require.Len(t, second.TrialIDs, 2)
	assert.Equal(t, first.TrialIDs[0], second.TrialIDs[0])
	for id, pieces := range map[string]int{second.TrialIDs[0]: 500, second.TrialIDs[1]: 100} {
		kept, err := c.Trial(id)
		require.NoError(t, err)
		assert.Len(t, kept.Pieces, pieces)
		assert.Equal(t, "swatch book", kept.ImportSource)
		assert.Equal(t, trial.Cooperative, kept.Sharing.Level)
	}
	refs, err := c.PiecesInBath(func() trial.ID { p, _ := c.pieceOf(second, 0); return p.Route.Layers[0].BathID }())
	require.NoError(t, err)
	assert.Len(t, refs, 600)
}

func TestAnImportRunAgainIsTheSameImport(t *testing.T) {
	c := newCoop(t)
	lost := errors.New("group lost")
	run := func(result error) (answer trial.ImportAnswer) {
		err := c.Do(func(r trial.Records) (err error) {
			answer, err = trial.ImportReadings(r, ana, now, trial.ImportBatch{Source: "swatch book", Rows: []trial.ImportRow{row(1, "one", "weld"), row(2, "two", "weld")}})
			require.NoError(t, err)
			return result
		})
		require.ErrorIs(t, err, result)
		return answer
	}
	assert.Equal(t, run(lost), run(nil))
}
