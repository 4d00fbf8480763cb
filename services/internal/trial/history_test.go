package trial_test

import (
	"errors"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// dyed is a piece that was mordanted and dyed, with a taken part and a piece that was split.
func dyed(t *testing.T) *coop {
	c := newCoop(t)
	c.mustSubmit(ana, trial.Trial{
		ID: "t",
		Pieces: []trial.Piece{
			piece("p", 20), part("strip", "p", trial.Taken, 1, 5),
			piece("s", 14), part("s1", "s", trial.Split, 1, 7.1), part("s2", "s", trial.Split, 1, 7.0),
		},
		Immersions: []trial.Immersion{in("p", "alum", 1), in("p", "weld", 2), in("s", "alum", 1), in("strip", "madder", 1)},
	}, alumbath("alum"), dyebath("weld", "weld", 10), dyebath("madder", "madder", 10))
	return c
}

// A part stands for its parent's history, so these can't have been.
func TestImpossibleHistoriesAreRefused(t *testing.T) {
	moved := in("p", "alum", 3)
	moved.Entry = correcting(trial.Entry{ID: "moved"}, "p in alum at 1", "wrong place")
	movedSplit := in("s", "alum", 2)
	movedSplit.Entry = correcting(trial.Entry{ID: "moved"}, "s in alum at 1", "wrong place")
	for _, c := range []struct {
		name    string
		entries trial.Entries
		says    []string
	}{
		{"an immersion of a split piece", trial.Entries{Immersions: []trial.Immersion{in("s", "weld", 2)}}, []string{"K4 (s1)", "K3", "position 2"}},
		{"a position that a part depends on", trial.Entries{Immersions: []trial.Immersion{moved}}, []string{"K2 (strip)", "after position 1"}},
		{"the position of a split", trial.Entries{Immersions: []trial.Immersion{movedSplit}}, []string{"K4 (s1)", "K5 (s2)"}},
		{"a position twice", trial.Entries{Immersions: []trial.Immersion{in("p", "madder", 2)}}, []string{"K1 (p)", "position 2"}},
		{"a part from nowhere", trial.Entries{Pieces: []trial.Piece{part("x", "p", trial.Taken, 7, 1)}}, []string{"(x)", "after position 7"}},
		{"a split in the middle", trial.Entries{Pieces: []trial.Piece{part("x", "p", trial.Split, 1, 1)}}, []string{"(x)", "position 2"}},
		{"a part of an ended piece", trial.Entries{Pieces: []trial.Piece{part("x", "s", trial.Taken, 1, 0.1)}}, []string{"K3 (s)", "split before"}},
		{"a second split", trial.Entries{Pieces: []trial.Piece{part("x", "s", trial.Split, 1, 0.1)}}, []string{"K3 (s)", "split before"}},
		{"parts heavier than the piece", trial.Entries{Pieces: []trial.Piece{part("x", "p", trial.Taken, 2, 21)}}, []string{"K1 (p)", "26 g", "20 g"}},
		{"a mass put lower than the parts", trial.Entries{Corrections: []trial.PieceChange{massOf("s", 4, "misread")}}, []string{"K3 (s)", "14.1 g", "4 g"}},
		{"a piece that comes from itself", trial.Entries{Pieces: []trial.Piece{part("x", "x", trial.Taken, 0, 1)}}, []string{"(x)", "itself"}},
		{"a ring of pieces", trial.Entries{Pieces: []trial.Piece{
			part("x", "z", trial.Taken, 0, 1), part("y", "x", trial.Taken, 0, 1), part("z", "y", trial.Taken, 0, 1),
		}}, []string{"itself"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			coop := dyed(t)
			before := coop.Changes
			_, err := coop.add(ana, "t", c.entries)
			coop.refused(t, before, err, trial.ErrImpossible, c.says...)
			var named *trial.Impossible
			require.True(t, errors.As(err, &named))
			assert.NotEmpty(t, named.PieceID)
			assert.NotEmpty(t, named.PieceCode)
		})
	}
}

func TestASplitPieceCanStillBeToldMoreOfItsPast(t *testing.T) {
	c := newCoop(t)
	c.mustSubmit(ana, trial.Trial{
		ID: "t", Pieces: []trial.Piece{piece("s", 14), part("s1", "s", trial.Split, 3, 7)},
		Immersions: []trial.Immersion{in("s", "alum", 1), in("s", "weld", 3)},
	}, alumbath("alum"), dyebath("weld", "weld", 10), dyebath("madder", "madder", 10))
	c.mustAdd(ana, "t", trial.Entries{Immersions: []trial.Immersion{in("s", "madder", 2)}})
	assert.Equal(t, "alum > madder > weld", c.route("s1").Text, "order is a position, not the time of recording")
	assert.Equal(t, 3, c.piece("s").LastPosition)
	assert.Zero(t, c.piece("s1").LastPosition, "its own, not its parent's")
}

func TestAPartBelongsToItsParentsSessionUnlessToldOtherwise(t *testing.T) {
	c := newCoop(t)
	hank := piece("hank", 20)
	hank.SessionID = "may"
	elsewhere := part("elsewhere", "hank", trial.Taken, 0, 3)
	elsewhere.SessionID = "june"
	c.mustSubmit(ana, trial.Trial{
		ID: "t", Sessions: []trial.Session{{ID: "may"}, {ID: "june"}},
		Pieces: []trial.Piece{hank, part("p", "hank", trial.Taken, 0, 6), part("pp", "p", trial.Taken, 0, 3), elsewhere},
	})
	c.mustSubmit(ana, trial.Trial{ID: "other trial", Pieces: []trial.Piece{part("far", "hank", trial.Taken, 0, 3)}})
	for id, want := range map[string]string{"p": "may", "pp": "may", "elsewhere": "june", "far": ""} {
		assert.Equal(t, want, c.piece(id).SessionID, id)
	}
}

func TestBlankBathsHoldNoDye(t *testing.T) {
	c := newCoop(t)
	wrong := blank("no blank", "madder")
	wrong.Additions = append(wrong.Additions, add("madder", trial.Dye, grams(1)))
	_, err := c.submit(ana, trial.Trial{ID: "t"}, wrong)
	c.refused(t, nil, err, trial.ErrInvalid, "baths[0].blank_of")

	c.mustSubmit(ana, trial.Trial{
		ID: "t", Pieces: []trial.Piece{piece("p", 5)}, Immersions: []trial.Immersion{in("p", "blank", 1)},
	}, blank("blank", "madder"))
	before := c.Changes
	err = c.addToBath(ana, "blank", trial.BathEntries{Additions: []trial.Addition{add("madder", trial.Dye, grams(1))}})
	c.refused(t, before, err, trial.ErrImpossible, "K1 (p)", "madder")
}

// 14.0 g torn into 7.1 and 7.0 on a balance that reads to 0.1 g.
func TestHonestWorkIsTakenDown(t *testing.T) {
	for _, c := range []struct {
		name    string
		parts   []float64
		kind    trial.OriginKind
		warned  bool
		refused bool
	}{
		{"torn in two", []float64{7.1, 7.0}, trial.Split, false, false},
		{"a little dust lost", []float64{6.9, 6.9}, trial.Split, false, false},
		{"damp", []float64{7.6, 7.6}, trial.Split, true, false},
		{"a third part lost", []float64{7.0, 4.0}, trial.Split, true, false},
		{"from another piece", []float64{12, 12}, trial.Split, false, true},
		{"taken: the rest goes on", []float64{4.0}, trial.Taken, false, false},
		{"taken: the whole of it", []float64{14.3}, trial.Taken, false, false},
		{"taken: more than there was", []float64{10, 6}, trial.Taken, true, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			coop := newCoop(t)
			given := trial.Trial{ID: "t", Pieces: []trial.Piece{piece("p", 14.0)}}
			for i, g := range c.parts {
				given.Pieces = append(given.Pieces, part(string(rune('a'+i)), "p", c.kind, 0, g))
			}
			kept, err := coop.submit(ana, given)
			if c.refused {
				coop.refused(t, nil, err, trial.ErrImpossible, "(p)")
				return
			}
			require.NoError(t, err)
			if !c.warned {
				assert.Empty(t, kept.Warnings)
				return
			}
			require.Len(t, kept.Warnings, 1)
			assert.Equal(t, "p", kept.Warnings[0].EntryID)
			assert.Contains(t, kept.Warnings[0].Text, "14 g")

			// The warning goes when the mass is put right.
			sum := 0.0
			for _, g := range c.parts {
				sum += g
			}
			kept = coop.mustAdd(ana, "t", trial.Entries{Corrections: []trial.PieceChange{massOf("p", sum, "weighed again")}})
			assert.Empty(t, kept.Warnings)
			corrected := coop.piece("p")
			require.Len(t, corrected.Corrections, 1)
			was, is := grams(14), grams(sum)
			assert.Equal(t, trial.PieceCorrection{MassBefore: &was, Mass: &is, Reason: "weighed again", RecordedAt: now.Add(time.Hour), RecordedBy: ana}, corrected.Corrections[0])
		})
	}
}

func TestEstimatesAndBasesContradictNothing(t *testing.T) {
	c := newCoop(t)
	guess := piece("guess", 0)
	guess.Mass = trial.Amount{Knowledge: trial.Estimated, Value: 5, Unit: trial.Gram}
	dry := piece("dry", 10)
	dry.Basis = trial.OvenDry
	aired := part("aired", "dry", trial.Split, 0, 11.7)
	aired.Basis = trial.AirDry
	unknown := piece("unknown", 0)
	unknown.Mass = trial.Amount{Knowledge: trial.NotKnown}
	kept := c.mustSubmit(ana, trial.Trial{ID: "t", Pieces: []trial.Piece{
		guess, part("half", "guess", trial.Split, 0, 9), dry, aired, unknown, part("of unknown", "unknown", trial.Split, 0, 90),
	}})
	require.Len(t, kept.Warnings, 1)
	assert.Equal(t, "guess", kept.Warnings[0].EntryID)
}

func TestTimesContradictOnlyAsFinelyAsTheyAreRead(t *testing.T) {
	day := func(hour, minute int, precision trial.Precision) trial.ClaimedTime {
		return trial.ClaimedTime{Time: time.Date(2026, 5, 1, hour, minute, 0, 0, time.UTC), Precision: precision}
	}
	late := trial.ClaimedTime{Time: time.Date(1999, 1, 1, 0, 0, 0, 0, time.UTC), Precision: trial.ToDay}
	local := trial.ClaimedTime{Time: time.Date(2026, 4, 30, 23, 30, 0, 0, time.UTC), Precision: trial.ToDay, UTCOffsetMinutes: 120}
	for _, c := range []struct {
		name          string
		entered, left trial.ClaimedTime
		refused       bool
	}{
		{"in order", day(10, 0, trial.ToMinute), day(11, 0, trial.ToMinute), false},
		{"the same minute", day(10, 0, trial.ToMinute), day(10, 0, trial.ToMinute), false},
		{"two minutes before", day(10, 2, trial.ToMinute), day(10, 0, trial.ToMinute), true},
		{"to the hour", day(10, 40, trial.ToMinute), day(10, 0, trial.ToHour), false},
		{"an hour before", day(11, 40, trial.ToMinute), day(10, 0, trial.ToHour), true},
		{"to the day", day(22, 0, trial.ToMinute), day(0, 0, trial.ToDay), false},
		{"to the month", day(22, 0, trial.ToDay), trial.ClaimedTime{Time: time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC), Precision: trial.ToMonth}, false},
		{"the day where the member was", day(10, 0, trial.ToMinute), local, false},
		{"long ago", late, late, false},
		{"one not stated", day(10, 0, trial.ToMinute), trial.ClaimedTime{}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			coop := newCoop(t)
			im := in("p", "weld", 1)
			im.Entered, im.Left = c.entered, c.left
			_, err := coop.submit(ana, trial.Trial{ID: "t", Pieces: []trial.Piece{piece("p", 5)}, Immersions: []trial.Immersion{im}}, dyebath("weld", "weld", 5))
			if c.refused {
				coop.refused(t, nil, err, trial.ErrInvalid, "trial.immersions[0].left")
				return
			}
			require.NoError(t, err)
		})
	}
}

func TestCorrections(t *testing.T) {
	c := newCoop(t)
	c.mustSubmit(ana, trial.Trial{
		ID:         "t",
		Pieces:     []trial.Piece{piece("p", 5), piece("q", 5)},
		Immersions: []trial.Immersion{in("p", "weld", 1)},
		Looks:      []trial.Look{{Entry: trial.Entry{ID: "look"}, PieceID: "p", Text: "pale"}},
		Readings:   []trial.Reading{lab("reading", "p")},
	}, dyebath("weld", "weld", 5), dyebath("madder", "madder", 5))

	right := in("p", "madder", 1)
	right.Entry = correcting(trial.Entry{ID: "right"}, "p in weld at 1", "it was the other pot")
	look := trial.Look{Entry: correcting(trial.Entry{ID: "look 2"}, "look", "read the wrong label"), PieceID: "p", Text: "deep"}
	reading := lab("reading 2", "p")
	reading.Entry = correcting(reading.Entry, "reading", "chart was dirty")
	kept := c.mustAdd(ana, "t", trial.Entries{Immersions: []trial.Immersion{right}, Looks: []trial.Look{look}, Readings: []trial.Reading{reading}})
	assert.Equal(t, "madder", c.route("p").Text)
	require.Len(t, kept.Immersions, 2)
	assert.True(t, kept.Immersions[0].Superseded, "what was wrong stays and no longer counts")
	assert.False(t, kept.Immersions[1].Superseded)
	assert.True(t, kept.Looks[0].Superseded)
	assert.True(t, kept.Readings[0].Superseded)
	assert.Equal(t, ana, kept.Readings[1].RecordedBy)
	assert.Equal(t, now.Add(time.Hour), kept.Readings[1].RecordedAt)

	// Reading again is no correction.
	kept = c.mustAdd(ana, "t", trial.Entries{Readings: []trial.Reading{lab("reading 3", "p")}})
	assert.False(t, kept.Readings[1].Superseded)

	again := func(id, wrong, reason, pieceID string) trial.Entries {
		r := lab(id, pieceID)
		r.Entry = correcting(r.Entry, wrong, reason)
		return trial.Entries{Readings: []trial.Reading{r}}
	}
	for _, f := range []struct {
		name    string
		entries trial.Entries
		kind    error
		says    string
	}{
		{"corrected before", again("x", "reading", "hm", "p"), trial.ErrConflict, "corrected before"},
		{"no reason", again("x", "reading 3", "", "p"), trial.ErrInvalid, "readings[0].corrects.reason"},
		{"no such entry", again("x", "nothing", "hm", "p"), trial.ErrInvalid, "readings[0].corrects.entry_id"},
		{"of another sort", again("x", "look 2", "hm", "p"), trial.ErrInvalid, "of this sort"},
		{"of itself", again("x", "x", "hm", "p"), trial.ErrInvalid, "readings[0].corrects.entry_id"},
		{"of another piece", again("x", "reading 3", "hm", "q"), trial.ErrInvalid, "readings[0].piece_id"},
		{"a reason and nothing to correct", again("x", "", "hm", "p"), trial.ErrInvalid, "readings[0].corrects.entry_id"},
		{"id in use", trial.Entries{Readings: []trial.Reading{lab("look", "p")}}, trial.ErrInvalid, "readings[0].id"},
	} {
		t.Run(f.name, func(t *testing.T) {
			before := c.Changes
			_, err := c.add(ana, "t", f.entries)
			c.refused(t, before, err, f.kind, f.says)
		})
	}
}

func TestReadingsKnowWhichBathsCameBefore(t *testing.T) {
	c := newCoop(t)
	c.mustSubmit(ana, trial.Trial{
		ID: "t", Pieces: []trial.Piece{piece("p", 5)}, Readings: []trial.Reading{lab("undyed", "p")},
	}, alumbath("alum"), dyebath("weld", "weld", 5), dyebath("madder", "madder", 5))
	c.mustAdd(ana, "t", trial.Entries{Immersions: []trial.Immersion{in("p", "weld", 1)}, Readings: []trial.Reading{lab("yellow", "p")}})
	placed := lab("placed", "p")
	placed.AfterPosition = 1
	c.mustAdd(ana, "t", trial.Entries{Immersions: []trial.Immersion{in("p", "madder", 2)}, Readings: []trial.Reading{lab("orange", "p"), placed}})
	after := func() map[string]int {
		kept, err := c.Trial("t")
		require.NoError(t, err)
		positions := map[string]int{}
		for _, r := range kept.Readings {
			positions[r.ID] = r.AfterPosition
		}
		return positions
	}
	assert.Equal(t, map[string]int{"undyed": 0, "yellow": 1, "orange": 2, "placed": 1}, after())

	// A correction of a reading stays where the reading was.
	right := lab("yellow 2", "p")
	right.Entry = correcting(right.Entry, "yellow", "wrong swatch")
	c.mustAdd(ana, "t", trial.Entries{Readings: []trial.Reading{right}})
	assert.Equal(t, 1, after()["yellow 2"])

	// When the last immersion moves to make room for a forgotten one, what was read after it moves along.
	moved := in("p", "madder", 3)
	moved.Entry = correcting(moved.Entry, "p in madder at 2", "the mordant was forgotten")
	c.mustAdd(ana, "t", trial.Entries{Immersions: []trial.Immersion{moved, in("p", "alum", 2)}})
	assert.Equal(t, 3, after()["orange"])
	assert.Equal(t, 1, after()["yellow"])
	assert.Equal(t, "weld > alum > madder", c.route("p").Text)

	wrong := lab("nowhere", "p")
	wrong.AfterPosition = 9
	before := c.Changes
	_, err := c.add(ana, "t", trial.Entries{Readings: []trial.Reading{wrong}})
	c.refused(t, before, err, trial.ErrInvalid, "readings[0].after_position")
}

func TestEveryFaultIsToldAtOnce(t *testing.T) {
	c := newCoop(t)
	heavy := piece("heavy", math.NaN())
	naked := piece("naked", 5)
	naked.Fibre = trial.Fibre{}
	inLitres := piece("litres", 5)
	inLitres.Mass = litres(5)
	nan := lab("nan", "heavy")
	nan.Raw.Lab.A = math.Inf(1)
	b := dyebath("weld", "weld", math.Inf(1))
	b.Water = []trial.WaterPart{{SourceID: "no such well", Parts: 1}}
	session := trial.Session{ID: "session", ExperimentID: "no such experiment"}
	_, err := c.submit(ana, trial.Trial{
		ID: "t", Sessions: []trial.Session{session}, Pieces: []trial.Piece{heavy, piece("heavy", 5), inLitres},
		Immersions: []trial.Immersion{in("nobody", "weld", 0)}, Readings: []trial.Reading{nan},
		Sharing: trial.Sharing{Level: trial.Public},
	}, b)
	c.refused(t, nil, err, trial.ErrInvalid)
	var faults trial.Faults
	require.True(t, errors.As(err, &faults))
	var fields []string
	for _, fault := range faults {
		fields = append(fields, fault.Field)
	}
	assert.ElementsMatch(t, []string{
		"trial.sharing.licence", "baths[0].water_parts[0].water_source_id", "baths[0].additions[0].amount.value",
		"trial.sessions[0].experiment_id", "trial.pieces[0].mass.value", "trial.pieces[1].id", "trial.pieces[2].mass.unit",
		"trial.immersions[0].piece_id", "trial.immersions[0].position", "trial.readings[0].raw.lab",
	}, fields)

	_, err = c.submit(ana, trial.Trial{ID: "t", Pieces: []trial.Piece{naked}})
	c.refused(t, nil, err, trial.ErrInvalid, "trial.pieces[0].fibre")
	other := part("part", "whole", trial.Taken, 0, 1)
	other.Fibre = trial.Fibre{Composition: []trial.FibrePart{{Fibre: "silk", Percent: 100}}}
	_, err = c.submit(ana, trial.Trial{ID: "t", Pieces: []trial.Piece{piece("whole", 5), other}})
	c.refused(t, nil, err, trial.ErrInvalid, "trial.pieces[1].fibre")
}

func TestTheCoreSaysWhatIsItsToSay(t *testing.T) {
	c := newCoop(t)
	p := piece("p", 5)
	p.Code, p.Holder, p.Ended, p.TrialID = "MINE", cleo, true, "elsewhere"
	p.Route = trial.Route{Order: "typed"}
	p.Corrections = []trial.PieceCorrection{{Reason: "made up"}}
	im := in("p", "weld", 1)
	im.Superseded, im.RecordedBy, im.RecordedAt = true, cleo, now.AddDate(-1, 0, 0)
	b := dyebath("weld", "weld", 5)
	b.Owner, b.Revision = cleo, 7
	b.Additions[0].Superseded, b.Additions[0].RecordedBy = true, cleo
	kept := c.mustSubmit(ana, trial.Trial{
		ID: "t", Owner: cleo, Revision: 9, ImportSource: "made up", Warnings: []trial.Warning{{Text: "made up"}},
		Pieces: []trial.Piece{p}, Immersions: []trial.Immersion{im},
	}, b)
	assert.Equal(t, ana, kept.Owner)
	assert.EqualValues(t, 1, kept.Revision, "the store's")
	assert.Empty(t, kept.ImportSource)
	assert.Empty(t, kept.Warnings)
	assert.Equal(t, trial.Begun, kept.State)
	assert.Equal(t, trial.Sharing{Level: trial.Mine, Since: now}, kept.Sharing)
	got := kept.Pieces[0]
	assert.Equal(t, []any{"K1", ana, false, "t", "weld"}, []any{got.Code, got.Holder, got.Ended, got.TrialID, got.Route.Text})
	assert.Empty(t, got.Corrections)
	assert.Equal(t, trial.Entry{ID: im.ID, RecordedAt: now, RecordedBy: ana}, kept.Immersions[0].Entry)
	bath, err := c.Bath("weld")
	require.NoError(t, err)
	assert.Equal(t, ana, bath.Owner)
	assert.EqualValues(t, 1, bath.Revision, "the store's")
	assert.Equal(t, ana, bath.Additions[0].RecordedBy)
	assert.False(t, bath.Additions[0].Superseded)
}

func TestTheRequestIsLeftAsItWas(t *testing.T) {
	// A change may be run again when its group is lost.
	c := newCoop(t)
	given := trial.Trial{ID: "t", Title: "t", Pieces: []trial.Piece{piece("p", 5), part("q", "p", trial.Split, 1, 5)}, Immersions: []trial.Immersion{in("p", "weld", 1)}}
	baths := []trial.Bath{dyebath("weld", "weld", 5)}
	lost := errors.New("group lost")
	var first, second *trial.Trial
	require.ErrorIs(t, c.Do(func(r trial.Records) (err error) {
		first, _, err = trial.SubmitTrial(r, ana, now, &given, baths)
		require.NoError(t, err)
		return lost
	}), lost)
	require.NoError(t, c.Do(func(r trial.Records) (err error) {
		second, _, err = trial.SubmitTrial(r, ana, now, &given, baths)
		return err
	}))
	assert.Equal(t, first, second)
}

func TestIdsAreUsedOnce(t *testing.T) {
	c := dyed(t)
	before := c.Changes
	_, err := c.submit(ana, trial.Trial{ID: "t"})
	c.refused(t, before, err, trial.ErrExists)
	_, err = c.submit(ana, trial.Trial{ID: "t2", Pieces: []trial.Piece{piece("p", 5)}})
	c.refused(t, before, err, trial.ErrExists)
	_, err = c.submit(ana, trial.Trial{ID: "t2"}, dyebath("weld", "weld", 1))
	c.refused(t, before, err, trial.ErrExists)
	_, err = c.submit(ana, trial.Trial{ID: "t2"}, dyebath("new", "weld", 1), dyebath("new", "weld", 1))
	c.refused(t, before, err, trial.ErrInvalid, "baths[1].id")
}
