package trial_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// deletions are the commands of a record of ana's, by its id in ofEverything.
func deletions() map[string]struct{ del, undel command[any] } {
	any2 := func(v any, err error) (*any, error) { return &v, err }
	return map[string]struct{ del, undel command[any] }{
		"t": {
			func(r trial.Records, m string, at time.Time, id, e string) (*any, error) {
				return any2(trial.DeleteTrial(r, m, at, id, e))
			},
			func(r trial.Records, m string, at time.Time, id, e string) (*any, error) {
				return any2(trial.UndeleteTrial(r, m, at, id, e))
			},
		},
		"weld": {
			func(r trial.Records, m string, at time.Time, id, e string) (*any, error) {
				return any2(trial.DeleteBath(r, m, at, id, e))
			},
			func(r trial.Records, m string, at time.Time, id, e string) (*any, error) {
				return any2(trial.UndeleteBath(r, m, at, id, e))
			},
		},
		"well": {
			func(r trial.Records, m string, at time.Time, id, e string) (*any, error) {
				return any2(trial.DeleteWaterSource(r, m, at, id, e))
			},
			func(r trial.Records, m string, at time.Time, id, e string) (*any, error) {
				return any2(trial.UndeleteWaterSource(r, m, at, id, e))
			},
		},
		"e": {
			func(r trial.Records, m string, at time.Time, id, e string) (*any, error) {
				return any2(trial.DeleteExperiment(r, m, at, id, e))
			},
			func(r trial.Records, m string, at time.Time, id, e string) (*any, error) {
				return any2(trial.UndeleteExperiment(r, m, at, id, e))
			},
		},
	}
}

func TestDeletingAndUndeleting(t *testing.T) {
	for id, do := range deletions() {
		t.Run(id, func(t *testing.T) {
			c := ofEverything(t)
			same := func() string { // all but what deleting may change
				switch id {
				case "t":
					r := mustRead(c, c.Trial, id)
					return r.Title + r.Owner
				case "weld":
					r := mustRead(c, c.Bath, id)
					return r.Label + r.Owner
				case "well":
					r := mustRead(c, c.WaterSource, id)
					return r.Name + r.Place + r.Owner
				default:
					r := mustRead(c, c.Experiment, id)
					return r.Title + r.Owner
				}
			}
			before := same()
			read := c.etag(id)
			c.refused(t, c.Changes, runWith(c, do.del, ana, id, ""), trial.ErrInvalid, "etag: is required")
			c.refused(t, c.Changes, runWith(c, do.del, ana, id, `"r0"`), trial.ErrStale)
			c.refused(t, c.Changes, run(c, do.undel, ana, id), trial.ErrNotDeleted)
			c.refused(t, c.Changes, runWith(c, do.undel, ana, id, `"r0"`), trial.ErrStale)
			c.refused(t, c.Changes, runWith(c, do.del, ana, "nowhere", read), trial.ErrNotFound)
			require.Error(t, run(c, do.del, ben, id))

			require.NoError(t, run(c, do.del, ana, id))
			assert.Equal(t, trial.Deleted, c.Changes[len(c.Changes)-1].Kind)
			assert.Equal(t, before, same())
			assert.NotEqual(t, read, c.etag(id))
			c.refused(t, c.Changes, run(c, do.del, ana, id), trial.ErrConflict, "it is deleted; undelete it first")
			c.refused(t, c.Changes, runWith(c, do.del, ana, id, read), trial.ErrStale)
			c.refused(t, c.Changes, run(c, do.del, ben, id), trial.ErrNotFound)
			c.refused(t, c.Changes, run(c, do.undel, ben, id), trial.ErrNotFound)
			update := updates("new")[id]
			c.refused(t, c.Changes, run(c, update.do([]string{update.mask}), ana, id), trial.ErrConflict, "undelete it first")
			c.refused(t, c.Changes, run(c, update.do([]string{update.mask}), ben, id), trial.ErrNotFound)

			require.NoError(t, runWith(c, do.undel, ana, id, ""), "etag may be empty")
			assert.Equal(t, trial.Undeleted, c.Changes[len(c.Changes)-1].Kind)
			assert.Equal(t, before, same())
			c.refused(t, c.Changes, run(c, do.undel, ana, id), trial.ErrNotDeleted)
			require.NoError(t, run(c, update.do([]string{update.mask}), ana, id))
		})
	}
}

func TestNothingChangesADeletedRecord(t *testing.T) {
	c := newCoop(t)
	c.mustWater(ana, "well")
	c.mustExperiment(ana, "e")
	c.mustSubmit(ana, trial.Trial{ID: "t", Sharing: trial.Sharing{Level: trial.Cooperative}, Pieces: []trial.Piece{piece("p", 10)}})
	open := dyebath("pot", "weld", 5)
	open.OpenToMembers = true
	c.mustSubmit(ana, trial.Trial{ID: "live", Pieces: []trial.Piece{piece("q", 10)}}, open)
	for id, do := range map[string]command[any]{"t": deletions()["t"].del, "pot": deletions()["weld"].del, "well": deletions()["well"].del, "e": deletions()["e"].del} {
		require.NoError(t, run(c, do, ana, id))
	}
	kept := c.Bodies()
	watered := dyebath("watered", "weld", 1)
	watered.Water = []trial.WaterPart{{SourceID: "well", Parts: 1}}
	counting := trial.Trial{ID: "counting", Sessions: []trial.Session{{ID: "s", ExperimentID: "e"}}}
	part1 := trial.Trial{ID: "x", Pieces: []trial.Piece{part("x1", "p", trial.Taken, 0, 1)}}
	into := trial.Trial{ID: "y", Pieces: []trial.Piece{piece("y1", 1)}, Immersions: []trial.Immersion{in("y1", "pot", 1)}}
	look := trial.Look{Entry: trial.Entry{ID: "look"}, BathID: "pot", Text: "dark"}

	anas, bens := func(member string, t trial.Trial, baths ...trial.Bath) error {
		_, err := c.submit(member, t, baths...)
		return err
	}, trial.ErrNotFound
	entries := func(member, id string, e trial.Entries) error {
		_, err := c.add(member, id, e)
		return err
	}
	state := func(r trial.Records, m string, at time.Time, id, e string) (*trial.Trial, error) {
		return trial.SetTrialState(r, m, at, id, e, trial.FinishedTrial, "")
	}
	share := func(r trial.Records, m string, at time.Time, id, e string) (*trial.Trial, error) {
		return trial.ShareTrial(r, m, at, id, e, trial.Sharing{Level: trial.Mine})
	}
	sample := func(r trial.Records, m string, at time.Time, id, e string) (*trial.WaterSource, error) {
		return trial.AddWaterSample(r, m, at, id, e, sampleOf("may"))
	}
	toBath := trial.BathEntries{Checks: []trial.Check{{Entry: trial.Entry{ID: "check"}, Note: "cold"}}}
	for _, bad := range []struct {
		name string
		err  error
		kind error
		says string
	}{
		{"entries", entries(ana, "t", trial.Entries{Pieces: []trial.Piece{piece("new", 1)}}), trial.ErrConflict, "undelete it first"},
		{"entries by others", entries(ben, "t", trial.Entries{}), bens, ""},
		{"state", run(c, state, ana, "t"), trial.ErrConflict, "undelete it first"},
		{"state by others", run(c, state, ben, "t"), bens, ""},
		{"sharing", run(c, share, ana, "t"), trial.ErrConflict, "undelete it first"},
		{"posting a piece", c.post(ana, "p", ben), trial.ErrConflict, "undelete it first"},
		{"posting by others", c.post(ben, "p", ben), bens, ""},
		{"a part of its piece", anas(ana, part1), trial.ErrConflict, "parent_piece_id"},
		{"a part by others", anas(ben, part1), bens, "parent_piece_id"},
		{"additions to a bath", c.addToBath(ana, "pot", toBath), trial.ErrConflict, "undelete it first"},
		{"additions by others", c.addToBath(ben, "pot", toBath), bens, ""},
		{"dyeing in it", anas(ana, into), trial.ErrConflict, "immersions[0].bath_id"},
		{"dyeing by others", anas(ben, into), bens, "immersions[0].bath_id"},
		{"a look of it", entries(ana, "live", trial.Entries{Looks: []trial.Look{look}}), trial.ErrConflict, "looks[0].bath_id"},
		{"a sample", run(c, sample, ana, "well"), trial.ErrConflict, "undelete it first"},
		{"a sample by others", run(c, sample, ben, "well"), bens, ""},
		{"its water", anas(ana, trial.Trial{ID: "z"}, watered), trial.ErrInvalid, "water source well is deleted"},
		{"its water by others", anas(ben, trial.Trial{ID: "z"}, watered), trial.ErrInvalid, "there is no water source well"},
		{"its sessions", anas(ana, counting), trial.ErrInvalid, "experiment e is deleted"},
		{"its sessions by others", anas(ben, counting), trial.ErrInvalid, "there is no experiment e"},
	} {
		t.Run(bad.name, func(t *testing.T) {
			require.ErrorIs(t, bad.err, bad.kind)
			require.ErrorContains(t, bad.err, bad.says)
		})
	}
	assert.Equal(t, kept, c.Bodies())
	assert.Zero(t, c.Undone)
	c.sound(t)
}

func TestDeletedRecordsAreTheirOwners(t *testing.T) {
	gone := &trial.Trial{Owner: ana, Sharing: trial.Sharing{Level: trial.Public}, DeletedAt: now, Pieces: []trial.Piece{{ID: "p", Holder: ben}}}
	assert.True(t, trial.CanReadTrial(ana, gone))
	assert.False(t, trial.CanReadTrial(ben, gone))
	assert.Same(t, gone, trial.VisibleTo(ana, gone))
	assert.Nil(t, trial.VisibleTo(ben, gone))
	assert.True(t, trial.CanReadPiece(ana, gone, &gone.Pieces[0]))
	assert.False(t, trial.CanReadPiece(ben, gone, &gone.Pieces[0]))

	b := &trial.Bath{Owner: ana, Sharing: trial.Sharing{Level: trial.Public}, OpenToMembers: true, DeletedAt: now}
	assert.True(t, trial.CanReadBath(ana, b, false))
	assert.False(t, trial.CanReadBath(ben, b, true))
	assert.Nil(t, trial.BathVisibleTo(ben, b, true))
	assert.False(t, trial.CanUseBath(ana, b))
	assert.False(t, trial.CanUseBath(ben, b))

	w := &trial.WaterSource{Owner: ana, Place: "behind the barn"}
	assert.Equal(t, []any{"behind the barn", "", true}, []any{trial.PlaceFor(ana, w), trial.PlaceFor(ben, w), trial.CanReadWaterSource(ben, w)})
	w.PlaceShown = true
	assert.Equal(t, "behind the barn", trial.PlaceFor(ben, w))
	w.DeletedAt = now
	assert.Equal(t, []any{"behind the barn", "", false, true}, []any{trial.PlaceFor(ana, w), trial.PlaceFor(ben, w), trial.CanReadWaterSource(ben, w), trial.CanReadWaterSource(ana, w)})

	e := &trial.Experiment{Owner: ana}
	assert.True(t, trial.CanReadExperiment(ben, e))
	e.DeletedAt = now
	assert.False(t, trial.CanReadExperiment(ben, e))
	assert.True(t, trial.CanReadExperiment(ana, e))
}

func TestDeleteTrialWhileOthersHoldOnToIt(t *testing.T) {
	c := newCoop(t)
	c.mustSubmit(ana, trial.Trial{ID: "t", Pieces: []trial.Piece{piece("p", 10), piece("q", 10)}, Sharing: trial.Sharing{Level: trial.Cooperative}})
	require.NoError(t, c.post(ana, "p", ben))
	c.refused(t, c.Changes, run(c, trial.DeleteTrial, ana, "t"), trial.ErrImpossible, "piece K1 (p)", "held by ben")
	c.refused(t, c.Changes, run(c, trial.DeleteTrial, ben, "t"), trial.ErrForbidden)
	require.NoError(t, c.post(ben, "p", ana))
	c.mustSubmit(ana, trial.Trial{ID: "part", Pieces: []trial.Piece{part("q1", "q", trial.Split, 0, 10)}})
	c.refused(t, c.Changes, run(c, trial.DeleteTrial, ana, "t"), trial.ErrImpossible, "piece K2 (q)", "K3")

	// The part first; then the parent; back in the other order.
	require.NoError(t, run(c, trial.DeleteTrial, ana, "part"))
	assert.True(t, c.piece("q").Ended, "what was split stays split")
	require.NoError(t, run(c, trial.DeleteTrial, ana, "t"))
	c.refused(t, c.Changes, run(c, trial.UndeleteTrial, ana, "part"), trial.ErrConflict, "piece K2", "trial t", "undelete that first")
	require.NoError(t, run(c, trial.UndeleteTrial, ana, "t"))
	require.NoError(t, run(c, trial.UndeleteTrial, ana, "part"))
	c.sound(t)
}

func TestDeleteWhatOthersStandOn(t *testing.T) {
	c := newCoop(t)
	c.mustWater(ana, "well")
	c.mustExperiment(ana, "e")
	pot := dyebath("pot", "weld", 5)
	pot.OpenToMembers = true
	pot.Water = []trial.WaterPart{{SourceID: "well", Parts: 1}, {SourceID: "well", Parts: 2}}
	c.mustSubmit(ana, trial.Trial{ID: "ana's"}, pot)
	c.mustSubmit(ben, trial.Trial{ID: "ben's", Sessions: []trial.Session{{ID: "s", ExperimentID: "e"}}, Pieces: []trial.Piece{piece("p", 10)}, Immersions: []trial.Immersion{in("p", "pot", 1)}})

	c.refused(t, c.Changes, run(c, trial.DeleteBath, ana, "pot"), trial.ErrImpossible, "piece K1 (p)", "bath pot")
	c.refused(t, c.Changes, run(c, trial.DeleteWaterSource, ana, "well"), trial.ErrConflict, "bath pot")
	c.refused(t, c.Changes, run(c, trial.DeleteExperiment, ana, "e"), trial.ErrConflict, "1 trials")

	require.NoError(t, run(c, trial.DeleteTrial, ben, "ben's"))
	require.NoError(t, run(c, trial.DeleteBath, ana, "pot"))
	require.NoError(t, run(c, trial.DeleteWaterSource, ana, "well"))
	require.NoError(t, run(c, trial.DeleteExperiment, ana, "e"))
	c.sound(t)

	c.refused(t, c.Changes, run(c, trial.UndeleteTrial, ben, "ben's"), trial.ErrConflict, "bath pot", "experiment e")
	c.refused(t, c.Changes, run(c, trial.UndeleteBath, ana, "pot"), trial.ErrConflict, "water source well")
	require.NoError(t, run(c, trial.UndeleteWaterSource, ana, "well"))
	require.NoError(t, run(c, trial.UndeleteBath, ana, "pot"))
	c.refused(t, c.Changes, run(c, trial.UndeleteTrial, ben, "ben's"), trial.ErrConflict, "experiment e")
	require.NoError(t, run(c, trial.UndeleteExperiment, ana, "e"))
	require.NoError(t, run(c, trial.UndeleteTrial, ben, "ben's"))
	c.sound(t)
}

func TestAPieceThatWasTakenOutOfABathByACorrectionDoesNotHoldIt(t *testing.T) {
	c := newCoop(t)
	c.mustSubmit(ana, trial.Trial{ID: "t", Pieces: []trial.Piece{piece("p", 10)}, Immersions: []trial.Immersion{in("p", "wrong", 1)}},
		dyebath("wrong", "madder", 5), dyebath("right", "weld", 5))
	moved := in("p", "right", 1)
	moved.Entry = correcting(trial.Entry{ID: "moved"}, "p in wrong at 1", "the other pot")
	c.mustAdd(ana, "t", trial.Entries{Immersions: []trial.Immersion{moved}})
	require.NoError(t, run(c, trial.DeleteBath, ana, "wrong"))
	require.NoError(t, run(c, trial.DeleteTrial, ana, "t"))
	require.NoError(t, run(c, trial.UndeleteTrial, ana, "t"), "it doesn't stand on the wrong bath")
	c.sound(t)
}

// What lay in a pot lay in it, whatever became of the record: another member's delivered depth stays what it was.
func TestDeletingUndoesNothingInThePot(t *testing.T) {
	c := newCoop(t)
	pot := dyebath("pot", "weld", 10)
	pot.OpenToMembers = true
	c.mustSubmit(ana, trial.Trial{ID: "ana's", Pieces: []trial.Piece{piece("a", 30)}, Immersions: []trial.Immersion{in("a", "pot", 1)}}, pot)
	c.mustSubmit(ben, trial.Trial{ID: "ben's", Pieces: []trial.Piece{piece("b", 20)}, Immersions: []trial.Immersion{in("b", "pot", 1)}})
	assert.InDelta(t, 20, c.delivered("b", 0), 1e-12, "100 × 10 g / 50 g")
	from := len(c.Changes)
	require.NoError(t, run(c, trial.DeleteTrial, ana, "ana's"))
	assert.Len(t, c.Changes[from:], 1)
	assert.InDelta(t, 20, c.delivered("b", 0), 1e-12)

	// The deleted trial's own routes follow what happens meanwhile.
	require.NoError(t, c.addToBath(ana, "pot", trial.BathEntries{Additions: []trial.Addition{add("madder", trial.Dye, grams(5))}}))
	assert.Equal(t, "madder+weld", c.route("a").Order)
	require.NoError(t, run(c, trial.UndeleteTrial, ana, "ana's"))
	assert.InDelta(t, 30, c.delivered("a", 0), 1e-12)
	c.sound(t)
}

// Baths that were shared because of a trial close with it and open with it again.
func TestBathsFollowADeletedTrial(t *testing.T) {
	c := newCoop(t)
	open := dyebath("open", "weld", 5)
	open.Sharing = trial.Sharing{Level: trial.Public, Licence: "CC-BY-4.0"}
	coop := trial.Sharing{Level: trial.Cooperative}
	c.mustSubmit(ana, trial.Trial{ID: "t", Sharing: coop, Pieces: []trial.Piece{piece("p", 10)},
		Immersions: []trial.Immersion{in("p", "alum", 1), in("p", "weld", 2), in("p", "open", 3)}}, alumbath("alum"), dyebath("weld", "weld", 5), open)
	c.mustSubmit(ana, trial.Trial{ID: "t2", Sharing: coop, Pieces: []trial.Piece{piece("q", 10)}, Immersions: []trial.Immersion{in("q", "alum", 1)}})
	levels := func() [3]trial.SharingLevel {
		return [3]trial.SharingLevel{
			mustRead(c, c.Bath, "alum").Sharing.Level, mustRead(c, c.Bath, "weld").Sharing.Level, mustRead(c, c.Bath, "open").Sharing.Level,
		}
	}
	require.NoError(t, run(c, trial.DeleteTrial, ana, "t"))
	assert.Equal(t, [3]trial.SharingLevel{trial.Cooperative, trial.Mine, trial.Public}, levels())
	require.NoError(t, run(c, trial.UndeleteTrial, ana, "t"))
	assert.Equal(t, [3]trial.SharingLevel{trial.Cooperative, trial.Cooperative, trial.Public}, levels())

	// A deleted bath that looks were taken of is withdrawn with the trial, so that it comes back closed.
	c.mustSubmit(ana, trial.Trial{ID: "t3", Sharing: coop, Looks: []trial.Look{{Entry: trial.Entry{ID: "look"}, BathID: "seen", Text: "dark"}}}, dyebath("seen", "weld", 5))
	require.NoError(t, run(c, trial.DeleteBath, ana, "seen"))
	require.NoError(t, c.Do(func(r trial.Records) error {
		_, err := trial.ShareTrial(r, ana, now, "t3", "", trial.Sharing{Level: trial.Mine})
		return err
	}))
	require.NoError(t, run(c, trial.UndeleteBath, ana, "seen"))
	assert.Equal(t, trial.Mine, mustRead(c, c.Bath, "seen").Sharing.Level)
}

func TestAHolderReadsNoWordsOfOthers(t *testing.T) {
	c := newCoop(t)
	noted := in("p", "weld", 1)
	noted.Note = "SECRET"
	bathed := dyebath("weld", "weld", 5)
	bathed.Additions[0].Amount.Note = "SECRET"
	bathed.Checks = []trial.Check{{Entry: trial.Entry{ID: "check"}, Note: "SECRET"}}
	bathed.Liquor = litres(3)
	bathed.Liquor.Note = "SECRET"
	bathed.OpenToMembers = true
	p := piece("p", 10)
	p.SessionID, p.Mass.Note, p.Label = "s", "SECRET", "cone"
	c.mustSubmit(ana, trial.Trial{
		ID: "t", Question: "SECRET", State: trial.Abandoned, AbandonedReason: "SECRET", Sessions: []trial.Session{{ID: "s", Note: "SECRET", Begun: trial.ClaimedTime{Time: now, Precision: trial.ToDay}}},
		Pieces: []trial.Piece{p, piece("other", 3)}, Immersions: []trial.Immersion{noted}, Readings: []trial.Reading{lab("r", "p")},
		Looks: []trial.Look{{Entry: trial.Entry{ID: "look"}, PieceID: "p", Text: "SECRET"}},
	}, bathed)
	again := noted
	again.Entry = correcting(trial.Entry{ID: "again"}, noted.ID, "SECRET")
	reread := lab("r2", "p")
	reread.Entry = correcting(reread.Entry, "r", "SECRET")
	right, was := grams(11), "SECRET"
	right.Note = "SECRET"
	c.mustAdd(ana, "t", trial.Entries{Immersions: []trial.Immersion{again}, Readings: []trial.Reading{reread}, Corrections: []trial.PieceChange{
		{PieceID: "p", Mass: &right, Reason: "SECRET"}, {PieceID: "p", Label: &was, Reason: "SECRET"},
	}})
	label := "cone"
	c.mustAdd(ana, "t", trial.Entries{Corrections: []trial.PieceChange{{PieceID: "p", Label: &label, Reason: "SECRET"}}})
	require.NoError(t, c.post(ana, "p", ben))
	mine := in("p", "weld", 2)
	mine.Note = "ben's own note"
	c.mustAdd(ben, "t", trial.Entries{Immersions: []trial.Immersion{mine}, Looks: []trial.Look{{Entry: trial.Entry{ID: "ben's"}, PieceID: "p", Text: "ben's own words"}}})

	kept := mustRead(c, c.Trial, "t")
	whole := textsOf(kept)
	require.Contains(t, whole, "SECRET")
	seen := trial.VisibleTo(ben, kept)
	words := textsOf(seen)
	assert.NotContains(t, words, "SECRET")
	assert.Contains(t, words, "ben's own note")
	assert.Contains(t, words, "ben's own words")
	require.Len(t, seen.Pieces, 1)
	assert.Equal(t, []any{"cone", wool(), "weld"}, []any{seen.Pieces[0].Label, seen.Pieces[0].Fibre, seen.Pieces[0].Route.Text})
	assert.EqualValues(t, 11, seen.Pieces[0].Mass.Value)
	require.Len(t, seen.Pieces[0].Corrections, 1, "the mass, and not what a label said before")
	assert.Len(t, seen.Immersions, 3)
	assert.Len(t, seen.Readings, 2)
	assert.True(t, seen.Sessions[0].Begun.Stated())
	assert.Equal(t, whole, textsOf(kept), "the record itself is left as it was")

	require.NoError(t, c.Do(func(r trial.Records) error {
		passedOn, err := trial.PostPiece(r, ben, now, "p", cleo)
		assert.NotContains(t, textsOf(passedOn), "SECRET")
		return err
	}))

	b := mustRead(c, c.Bath, "weld")
	assert.Same(t, b, trial.BathVisibleTo(ben, b, true), "open to members, who may read it then")
	b.OpenToMembers = false
	assert.NotContains(t, textsOf(trial.BathVisibleTo(ben, b, true)), "SECRET")
	assert.Equal(t, b.Additions[0].Amount.Value, trial.BathVisibleTo(ben, b, true).Additions[0].Amount.Value)
	assert.Nil(t, trial.BathVisibleTo(ben, b, false))
	assert.Contains(t, textsOf(b), "SECRET")
}

func TestRowsOfDeletedRecordsAreReported(t *testing.T) {
	shared := func(n int, key string) trial.ImportRow {
		r := row(n, key, "weld")
		r.PieceKey, r.SessionKey = "skein", "monday"
		r.Baths[0].BathKey = "alum pot"
		return r
	}
	c := newCoop(t)
	answer := c.imported(false, shared(1, "a"), row(2, "b", "madder"))
	require.Len(t, answer.TrialIDs, 1)
	home := answer.TrialIDs[0]
	require.NoError(t, run(c, trial.DeleteTrial, ana, home))
	before := c.Bodies()

	newInSession, newInBath := row(4, "d", "weld"), row(5, "e", "weld")
	newInSession.SessionKey = "monday"
	newInBath.Baths[0] = shared(0, "").Baths[0]
	answer = c.imported(false, shared(1, "a"), brighter(row(2, "b", "madder")), shared(3, "c"), newInSession)
	assert.Equal(t, []trial.ImportOutcome{trial.ImportConflict, trial.ImportConflict, trial.ImportConflict, trial.ImportConflict}, outcomes(answer))
	for i, says := range []string{"row_key", "row_key", "piece_key", "session_key"} {
		assert.Contains(t, answer.Results[i].Reason, says)
		assert.Contains(t, answer.Results[i].Reason, "undelete it first")
	}
	assert.Equal(t, before, c.Bodies(), "nothing was taken in")

	// A new row goes into a trial of its own; one in a pot that is there uses it.
	answer = c.imported(false, newInBath)
	require.Equal(t, []trial.ImportOutcome{trial.ImportAdded}, outcomes(answer))
	next := answer.TrialIDs[0]
	assert.NotEqual(t, home, next)
	assert.Equal(t, trial.Cooperative, mustRead(c, c.Trial, next).Sharing.Level)
	require.NoError(t, run(c, trial.DeleteTrial, ana, next))
	pot := mustRead(c, c.Trial, next).Immersions[0].BathID
	require.NoError(t, run(c, trial.DeleteBath, ana, pot))
	newInBath.RowKey = "f"
	answer = c.imported(false, newInBath)
	assert.Equal(t, []trial.ImportOutcome{trial.ImportConflict}, outcomes(answer))
	assert.Contains(t, answer.Results[0].Reason, "baths[0].bath_key")

	require.NoError(t, run(c, trial.UndeleteBath, ana, pot))
	require.NoError(t, run(c, trial.UndeleteTrial, ana, home))
	assert.Equal(t, []trial.ImportOutcome{trial.ImportUnchanged, trial.ImportUpdated}, outcomes(c.imported(true, shared(1, "a"), brighter(row(2, "b", "madder")))))
	c.sound(t)
}
