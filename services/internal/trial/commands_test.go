package trial_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/trial"
)

func TestWhoMayPutAPieceWhere(t *testing.T) {
	c := newCoop(t)
	open := dyebath("open", "weld", 5)
	open.OpenToMembers = true
	shared := dyebath("shared", "weld", 5)
	shared.Sharing = trial.Sharing{Level: trial.Cooperative}
	c.mustSubmit(ana, trial.Trial{ID: "ana's"}, open, shared, dyebath("closed", "weld", 5))

	use := func(bath string) error {
		_, err := c.submit(ben, trial.Trial{ID: "ben's " + bath, Pieces: []trial.Piece{piece("in "+bath, 5)}, Immersions: []trial.Immersion{in("in "+bath, bath, 1)}})
		return err
	}
	require.NoError(t, use("open"))
	before := c.Changes
	c.refused(t, before, use("shared"), trial.ErrForbidden, "immersions[0].bath_id")
	c.refused(t, before, use("closed"), trial.ErrNotFound, "immersions[0].bath_id")
	c.refused(t, before, use("nowhere"), trial.ErrNotFound, "immersions[0].bath_id")

	// Once in, a piece stays when the bath is closed, and its entry can be put right.
	closed := false
	require.NoError(t, c.addToBath(ana, "open", trial.BathEntries{OpenToMembers: &closed}))
	c.refused(t, c.Changes, use("open"), trial.ErrExists)
	right := dipped(in("in open", "open", 1), 2)
	right.Entry = correcting(trial.Entry{ID: "right"}, right.ID, "two dips")
	c.mustAdd(ben, "ben's open", trial.Entries{Immersions: []trial.Immersion{right}})

	c.refused(t, c.Changes, c.addToBath(ben, "open", trial.BathEntries{OpenToMembers: &closed}), trial.ErrForbidden)
	c.refused(t, c.Changes, c.addToBath(ben, "closed", trial.BathEntries{OpenToMembers: &closed}), trial.ErrNotFound)
}

func TestWhoMayAddToATrial(t *testing.T) {
	c := newCoop(t)
	c.mustSubmit(ana, trial.Trial{
		ID: "t", Question: "private", Sessions: []trial.Session{{ID: "monday"}, {ID: "tuesday"}},
		Pieces:     []trial.Piece{piece("posted", 10), piece("kept", 10)},
		Immersions: []trial.Immersion{in("posted", "weld", 1), in("kept", "weld", 1)},
		Looks:      []trial.Look{{Entry: trial.Entry{ID: "of kept"}, PieceID: "kept", Text: "x"}, {Entry: trial.Entry{ID: "of bath"}, BathID: "weld", Text: "x"}},
		Readings:   []trial.Reading{lab("posted 1", "posted"), lab("kept 1", "kept")},
	}, dyebath("weld", "weld", 10))

	refuse := func(member string, e trial.Entries, kind error) {
		t.Helper()
		_, err := c.add(member, "t", e)
		c.refused(t, c.Changes, err, kind)
	}
	look := func(id, pieceID string) trial.Entries {
		return trial.Entries{Looks: []trial.Look{{Entry: trial.Entry{ID: id}, PieceID: pieceID, Text: "greenish"}}}
	}
	refuse(ben, look("x", "posted"), trial.ErrNotFound)
	require.NoError(t, c.post(ana, "posted", ben))

	seen := c.mustAdd(ben, "t", look("ben's look", "posted"))
	require.Len(t, seen.Pieces, 1, "a holder sees the piece and not the trial")
	assert.Equal(t, "posted", seen.Pieces[0].ID)
	assert.Empty(t, seen.Sessions)
	assert.Empty(t, seen.Question)
	assert.Len(t, seen.Immersions, 1)
	assert.Len(t, seen.Looks, 1, "their own")
	assert.Len(t, seen.Readings, 1)

	refuse(ben, look("x", "kept"), trial.ErrInvalid) // as of a piece that isn't there
	refuse(ben, trial.Entries{Sessions: []trial.Session{{ID: "x"}}}, trial.ErrForbidden)
	refuse(ben, trial.Entries{Pieces: []trial.Piece{piece("x", 1)}}, trial.ErrForbidden)
	refuse(ben, trial.Entries{Pieces: []trial.Piece{part("x", "kept", trial.Taken, 0, 1)}}, trial.ErrNotFound)
	refuse(ben, trial.Entries{Corrections: []trial.PieceChange{massOf("posted", 9, "x")}}, trial.ErrForbidden)
	refuse(ben, trial.Entries{Looks: []trial.Look{{Entry: trial.Entry{ID: "x"}, BathID: "weld", Text: "x"}}}, trial.ErrForbidden)

	wrong := lab("x", "posted")
	wrong.Entry = correcting(wrong.Entry, "posted 1", "mine to correct?")
	refuse(ben, trial.Entries{Readings: []trial.Reading{wrong}}, trial.ErrForbidden)
	refuse(cleo, look("x", "posted"), trial.ErrNotFound)

	// The holder dyes it on and takes a part of it; the owner may still enter what the holder tells.
	c.mustSubmit(ben, trial.Trial{ID: "ben's"}, vat("vat", "indigo", 4, 4))
	c.mustAdd(ben, "t", trial.Entries{Immersions: []trial.Immersion{in("posted", "vat", 2)}, Pieces: []trial.Piece{part("slip", "posted", trial.Taken, 2, 2)}})
	assert.Equal(t, "weld > indigo (1 dip)", c.route("slip").Text)
	assert.Equal(t, ben, c.piece("slip").Holder)
	c.mustAdd(ana, "t", look("ana's look", "posted"))

	// Whoever recorded an entry may correct it, even when they have passed the piece on.
	require.NoError(t, c.post(ben, "posted", cleo))
	require.NoError(t, c.post(ben, "slip", cleo))
	right := trial.Look{Entry: correcting(trial.Entry{ID: "ben's better look"}, "ben's look", "daylight"), PieceID: "posted", Text: "green"}
	seen = c.mustAdd(ben, "t", trial.Entries{Looks: []trial.Look{right}})
	assert.Empty(t, seen.Pieces)
	refuse(ben, look("x", "posted"), trial.ErrInvalid)
}

func TestPartsAreTakenByWhoeverHasThePiece(t *testing.T) {
	c := newCoop(t)
	c.mustSubmit(ana, trial.Trial{ID: "hidden", Pieces: []trial.Piece{piece("p", 10)}})
	c.mustSubmit(ana, trial.Trial{ID: "shared", Pieces: []trial.Piece{piece("q", 10)}, Sharing: trial.Sharing{Level: trial.Cooperative}})
	take := func(id, parent string) error {
		_, err := c.submit(ben, trial.Trial{ID: "with " + id, Pieces: []trial.Piece{part(id, parent, trial.Taken, 0, 1)}})
		return err
	}
	c.refused(t, c.Changes, take("x", "p"), trial.ErrNotFound, "parent_piece_id")
	c.refused(t, c.Changes, take("x", "q"), trial.ErrForbidden, "parent_piece_id")
	c.refused(t, c.Changes, take("x", "nothing"), trial.ErrNotFound, "parent_piece_id")
	require.NoError(t, c.post(ana, "p", ben))
	require.NoError(t, take("y", "p"))
}

func TestPostPiece(t *testing.T) {
	c := dyed(t)
	c.refused(t, c.Changes, c.post(ana, "s", ben), trial.ErrImpossible, "K3 (s)")
	c.refused(t, c.Changes, c.post(ana, "p", "nobody"), trial.ErrNotFound, "nobody")
	c.refused(t, c.Changes, c.post(ana, "p", ana), trial.ErrInvalid, "to_member")
	c.refused(t, c.Changes, c.post(ben, "p", cleo), trial.ErrNotFound)
	require.NoError(t, c.post(ana, "p", ben))
	c.refused(t, c.Changes, c.post(ana, "p", cleo), trial.ErrForbidden, "held by ben")
	require.NoError(t, c.post(ben, "p", cleo))
	assert.Equal(t, cleo, c.piece("p").Holder)
}

func TestSetTrialState(t *testing.T) {
	steps := map[trial.State][]trial.State{
		trial.Planned:       {trial.Begun, trial.FinishedTrial, trial.Abandoned},
		trial.Begun:         {trial.FinishedTrial, trial.Abandoned},
		trial.FinishedTrial: nil,
		trial.Abandoned:     nil,
	}
	reason := func(s trial.State) string {
		if s == trial.Abandoned {
			return "the moths were first"
		}
		return ""
	}
	for from, allowed := range steps {
		for to := trial.Planned; to <= trial.Abandoned; to++ {
			c := newCoop(t)
			c.mustSubmit(ana, trial.Trial{ID: "t", State: from, AbandonedReason: reason(from)})
			set := func(member string, reason string) error {
				return c.Do(func(r trial.Records) error {
					_, err := trial.SetTrialState(r, member, now, "t", "", to, reason)
					return err
				})
			}
			err := set(ana, reason(to))
			if slices.Contains(allowed, to) {
				require.NoError(t, err, "%s to %s", from, to)
			} else {
				c.refused(t, c.Changes, err, trial.ErrImpossible, from.String(), to.String())
			}
			c.refused(t, c.Changes, set(ben, reason(to)), trial.ErrNotFound)
		}
	}
	c := newCoop(t)
	c.mustSubmit(ana, trial.Trial{ID: "t", Sharing: trial.Sharing{Level: trial.Cooperative}})
	err := c.Do(func(r trial.Records) error {
		_, err := trial.SetTrialState(r, ana, now, "t", "", trial.Abandoned, "")
		return err
	})
	c.refused(t, c.Changes, err, trial.ErrInvalid, "abandoned_reason")
	err = c.Do(func(r trial.Records) error {
		_, err := trial.SetTrialState(r, ben, now, "t", "", trial.FinishedTrial, "")
		return err
	})
	c.refused(t, c.Changes, err, trial.ErrForbidden)
}

func TestShareTrial(t *testing.T) {
	c := newCoop(t)
	open := dyebath("ben's", "madder", 5)
	open.OpenToMembers = true
	c.mustSubmit(ben, trial.Trial{ID: "ben's"}, open)
	c.mustSubmit(ana, trial.Trial{
		ID: "t", Pieces: []trial.Piece{piece("p", 5), piece("q", 5)},
		Immersions: []trial.Immersion{in("p", "weld", 1), in("q", "alum", 1), in("q", "ben's", 2)},
	}, dyebath("weld", "weld", 5), alumbath("alum"), dyebath("unused", "weld", 5))
	c.mustSubmit(ana, trial.Trial{ID: "t2", Pieces: []trial.Piece{piece("r", 5)}, Immersions: []trial.Immersion{in("r", "alum", 1)}})

	share := func(member, id string, s trial.Sharing, at time.Time) error {
		return c.Do(func(r trial.Records) error {
			_, err := trial.ShareTrial(r, member, at, id, "", s)
			return err
		})
	}
	level := func(id string) trial.SharingLevel {
		b, err := c.Bath(id)
		require.NoError(t, err)
		return b.Sharing.Level
	}
	later := now.Add(time.Hour)
	cooperative, mine := trial.Sharing{Level: trial.Cooperative}, trial.Sharing{Level: trial.Mine}
	c.refused(t, c.Changes, share(ben, "t", cooperative, later), trial.ErrNotFound)
	c.refused(t, c.Changes, share(ana, "t", trial.Sharing{Level: trial.Public}, later), trial.ErrInvalid, "sharing.licence")
	c.refused(t, c.Changes, share(ana, "t", trial.Sharing{}, later), trial.ErrInvalid, "sharing.level")

	require.NoError(t, share(ana, "t", cooperative, later))
	kept, err := c.Trial("t")
	require.NoError(t, err)
	assert.Equal(t, trial.Sharing{Level: trial.Cooperative, Since: later}, kept.Sharing)
	assert.Equal(t, trial.Shared, c.Changes[len(c.Changes)-1].Kind)
	assert.Equal(t, trial.Cooperative, level("weld"))
	assert.Equal(t, trial.Cooperative, level("alum"))
	assert.Equal(t, trial.Mine, level("unused"))
	assert.Equal(t, trial.Mine, level("ben's"), "another's bath isn't ana's to share")
	c.refused(t, c.Changes, share(ben, "t", mine, later), trial.ErrForbidden)

	// Sharing anew at the same level keeps since when.
	require.NoError(t, share(ana, "t", cooperative, later.Add(time.Hour)))
	kept, err = c.Trial("t")
	require.NoError(t, err)
	assert.Equal(t, later, kept.Sharing.Since)

	// A bath that a second shared trial used stays shared when the first is withdrawn.
	require.NoError(t, share(ana, "t2", trial.Sharing{Level: trial.Public, Licence: "CC-BY-4.0"}, later))
	require.NoError(t, share(ana, "t", mine, later))
	assert.Equal(t, trial.Withdrawn, c.Changes[len(c.Changes)-1].Kind)
	assert.Equal(t, trial.Mine, level("weld"))
	assert.Equal(t, trial.Public, level("alum"))
	require.NoError(t, share(ana, "t2", mine, later))
	assert.Equal(t, trial.Mine, level("alum"))
}

func TestBathsFollowTheTrialThatBringsThem(t *testing.T) {
	c := newCoop(t)
	closed := dyebath("closed", "weld", 5)
	closed.Sharing = trial.Sharing{Level: trial.Mine}
	c.mustSubmit(ana, trial.Trial{ID: "t", Sharing: trial.Sharing{Level: trial.Cooperative}}, dyebath("follows", "weld", 5), closed)
	for id, level := range map[string]trial.SharingLevel{"follows": trial.Cooperative, "closed": trial.Mine} {
		b, err := c.Bath(id)
		require.NoError(t, err)
		assert.Equal(t, level, b.Sharing.Level, id)
	}
}

func TestAccessRules(t *testing.T) {
	hidden := &trial.Trial{Owner: ana, Sharing: trial.Sharing{Level: trial.Mine}, Pieces: []trial.Piece{{ID: "p", Holder: ben}, {ID: "q", Holder: ana}}}
	shared := &trial.Trial{Owner: ana, Sharing: trial.Sharing{Level: trial.Cooperative}}
	assert.True(t, trial.CanReadTrial(ana, hidden))
	assert.False(t, trial.CanReadTrial(ben, hidden))
	assert.True(t, trial.CanReadTrial(cleo, shared))
	assert.True(t, trial.CanReadPiece(ben, hidden, &hidden.Pieces[0]))
	assert.False(t, trial.CanReadPiece(ben, hidden, &hidden.Pieces[1]))
	assert.Nil(t, trial.VisibleTo(cleo, hidden))
	assert.Len(t, trial.VisibleTo(ben, hidden).Pieces, 1)
	assert.Same(t, hidden, trial.VisibleTo(ana, hidden))

	b := &trial.Bath{Owner: ana, Sharing: trial.Sharing{Level: trial.Mine}}
	assert.True(t, trial.CanReadBath(ana, b, false))
	assert.False(t, trial.CanReadBath(ben, b, false))
	assert.True(t, trial.CanReadBath(ben, b, true))
	b.Sharing.Level = trial.Public
	assert.True(t, trial.CanReadBath(ben, b, false))
	assert.False(t, trial.CanUseBath(ben, b))
	b.OpenToMembers = true
	assert.True(t, trial.CanUseBath(ben, b))
}

func TestCreateBath(t *testing.T) {
	c := newCoop(t)
	nan := math.NaN()
	bad := trial.Bath{ID: "b", Purposes: []trial.Purpose{trial.DyeBath, trial.DyeBath, 99}, Liquor: grams(3),
		ExhaustNotStated: true, ExhaustNumberNotStated: true, Checks: []trial.Check{{Entry: trial.Entry{ID: "c"}}, {Entry: trial.Entry{ID: "d"}, PH: &nan}},
		Water: []trial.WaterPart{{SourceID: "w", Parts: math.Inf(1)}}}
	create := func(b trial.Bath) error {
		return c.Do(func(r trial.Records) error {
			_, err := trial.CreateBath(r, ana, now, &b)
			return err
		})
	}
	c.refused(t, nil, create(bad), trial.ErrInvalid, "bath.purposes[1]", "bath.purposes[2]", "bath.liquor.unit", "bath.exhaust_not_stated",
		"bath.checks[0]", "bath.checks[1].ph", "bath.water_parts[0].parts", "bath.water_parts[0].water_source_id")
	c.refused(t, nil, create(trial.Bath{ID: "b"}), trial.ErrInvalid, "bath.purposes")
	require.NoError(t, create(dyebath("b", "weld", 5)))
	c.refused(t, c.Changes, create(dyebath("b", "weld", 5)), trial.ErrExists)
}

func TestExhaustFlagsBindImmersions(t *testing.T) {
	c := newCoop(t)
	number := dyebath("number", "weld", 10)
	number.ExhaustNumberNotStated = true
	whether := dyebath("whether", "weld", 10)
	whether.ExhaustNotStated = true
	_, err := c.submit(ana, trial.Trial{
		ID: "t", Pieces: []trial.Piece{piece("p", 5)}, Immersions: []trial.Immersion{in("p", "number", 1), exhaust(in("p", "whether", 2), 1)},
	}, number, whether)
	c.refused(t, nil, err, trial.ErrInvalid, "trial.immersions[0].exhaust", "trial.immersions[1].exhaust")
}

func TestWaters(t *testing.T) {
	c := newCoop(t)
	create := func(w trial.WaterSource) error {
		return c.Do(func(r trial.Records) error {
			_, err := trial.CreateWaterSource(r, ana, now, &w)
			return err
		})
	}
	ph, iron := 7.2, -1.0
	c.refused(t, nil, create(trial.WaterSource{ID: "well", Samples: []trial.WaterSample{{Entry: trial.Entry{ID: "s"}, IronMgPerL: &iron}, sampleOf("s")}}),
		trial.ErrInvalid, "water_source.name", "samples[0].iron_mg_per_l", "samples[1].id")
	require.NoError(t, create(trial.WaterSource{ID: "well", Name: "ana's well", Owner: ben, Samples: []trial.WaterSample{{Entry: trial.Entry{ID: "may"}, PH: &ph}}}))
	c.refused(t, c.Changes, create(trial.WaterSource{ID: "well", Name: "again"}), trial.ErrExists)

	sample := func(member string, s trial.WaterSample) error {
		return c.Do(func(r trial.Records) error {
			_, err := trial.AddWaterSample(r, member, now, "well", "", s)
			return err
		})
	}
	c.refused(t, c.Changes, sample(ben, sampleOf("june")), trial.ErrForbidden)
	c.refused(t, c.Changes, sample(ana, sampleOf("may")), trial.ErrExists)
	c.refused(t, c.Changes, sample(ana, trial.WaterSample{Entry: trial.Entry{ID: "june"}, HardnessMgPerL: &iron}), trial.ErrInvalid, "sample.hardness_mg_per_l")
	require.NoError(t, sample(ana, sampleOf("june")))

	mixed := dyebath("mixed", "weld", 5)
	mixed.Water = []trial.WaterPart{{SourceID: "well", SampleID: "june", Parts: 1}}
	c.mustSubmit(ana, trial.Trial{ID: "t", Pieces: []trial.Piece{piece("p", 5)}, Immersions: []trial.Immersion{in("p", "mixed", 1)}}, mixed)
	assert.Equal(t, "well:100", c.route("p").Layers[0].Water)
	wrong := dyebath("wrong", "weld", 5)
	wrong.Water = []trial.WaterPart{{SourceID: "well", SampleID: "july", Parts: 1}}
	_, err := c.submit(ana, trial.Trial{ID: "t2"}, wrong)
	c.refused(t, c.Changes, err, trial.ErrInvalid, "baths[0].water_parts[0].water_sample_id")
}

func TestCreateExperiment(t *testing.T) {
	c := newCoop(t)
	good := trial.Experiment{
		ID: "e", Title: "which order?", FirstDye: "weld", SecondDye: "indigo", Arms: []trial.Arm{trial.ArmAThenB, trial.ArmBThenA, trial.ArmA},
		ToleranceDE00: 2, ClosingSessions: 6, Instrument: "the cooperative's", Condition: trial.ColourCondition{Illuminant: trial.IlluminantD65, Observer: trial.Observer10},
	}
	create := func(e trial.Experiment) error {
		return c.Do(func(r trial.Records) error {
			_, err := trial.CreateExperiment(r, ana, now, &e)
			return err
		})
	}
	bad := good
	bad.SecondDye, bad.Arms, bad.ToleranceDE00, bad.ClosingSessions = "weld", []trial.Arm{trial.ArmAThenB, trial.ArmAThenB}, math.NaN(), 5
	bad.Condition, bad.Instrument = trial.ColourCondition{}, ""
	c.refused(t, nil, create(bad), trial.ErrInvalid, "experiment.second_dye", "experiment.arms[1]", "both orders", "tolerance_de00", "closing_sessions", "condition", "instrument")
	require.NoError(t, create(good))
	c.refused(t, c.Changes, create(good), trial.ErrExists)
	c.mustSubmit(ana, trial.Trial{ID: "t", Sessions: []trial.Session{{ID: "s", ExperimentID: "e"}}})
}
