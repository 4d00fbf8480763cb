package trial_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/trial"
)

func TestEtag(t *testing.T) {
	assert.Equal(t, `"r1z"`, trial.Etag(71))
	assert.NotEqual(t, trial.Etag(35), trial.Etag(36))
}

// updates are the four commands that take a mask, each with a record of ana's that it changes by one field.
func updates(title string) map[string]struct {
	mask string
	do   func(mask []string) command[any]
} {
	as := func(v any, err error) (*any, error) { return &v, err }
	return map[string]struct {
		mask string
		do   func(mask []string) command[any]
	}{
		"t": {"title", func(mask []string) command[any] {
			return func(r trial.Records, m string, at time.Time, id, etag string) (*any, error) {
				return as(trial.UpdateTrial(r, m, at, &trial.Trial{ID: id, Title: title}, mask, etag))
			}
		}},
		"weld": {"label", func(mask []string) command[any] {
			return func(r trial.Records, m string, at time.Time, id, etag string) (*any, error) {
				return as(trial.UpdateBath(r, m, at, &trial.Bath{ID: id, Label: title}, mask, etag))
			}
		}},
		"well": {"kind", func(mask []string) command[any] {
			return func(r trial.Records, m string, at time.Time, id, etag string) (*any, error) {
				return as(trial.UpdateWaterSource(r, m, at, &trial.WaterSource{ID: id, Kind: title}, mask, etag))
			}
		}},
		"e": {"title", func(mask []string) command[any] {
			return func(r trial.Records, m string, at time.Time, id, etag string) (*any, error) {
				return as(trial.UpdateExperiment(r, m, at, &trial.Experiment{ID: id, Title: title}, mask, etag))
			}
		}},
	}
}

func ofEverything(t require.TestingT) *coop {
	c := newCoop(t)
	c.mustSubmit(ana, trial.Trial{ID: "t", Sessions: []trial.Session{{ID: "monday"}}, Pieces: []trial.Piece{piece("p", 10)}}, dyebath("weld", "weld", 5))
	c.mustWater(ana, "well")
	c.mustExperiment(ana, "e")
	return c
}

func TestUpdatesAreOfTheVersionThatWasRead(t *testing.T) {
	for id, update := range updates("new") {
		t.Run(id, func(t *testing.T) {
			c := ofEverything(t)
			do := update.do([]string{update.mask})
			read := c.etag(id)
			require.NoError(t, runWith(c, do, ana, id, read))
			assert.Equal(t, trial.Changed, c.Changes[len(c.Changes)-1].Kind)
			assert.NotEqual(t, read, c.etag(id), "the etag changes whenever the record does")

			before := c.Changes
			err := runWith(c, do, ana, id, read)
			c.refused(t, before, err, trial.ErrStale)
			var stale *trial.StaleError
			require.ErrorAs(t, err, &stale)
			assert.Equal(t, trial.StaleError{Kind: stale.Kind, ID: id, Given: read, Current: c.etag(id)}, *stale)
			c.refused(t, before, runWith(c, do, ana, id, ""), trial.ErrInvalid, "etag: is required")

			// Who may is said first, of an outdated request nothing else.
			other := runWith(c, do, ben, id, read)
			require.NotErrorIs(t, other, trial.ErrStale)
			c.refused(t, before, runWith(c, update.do(nil), ana, id, read), trial.ErrStale)
			require.NotErrorIs(t, runWith(c, update.do(nil), ana, id, read), trial.ErrInvalid)

			c.refused(t, before, run(c, update.do(nil), ana, id), trial.ErrInvalid, "update_mask: is required", update.mask)
			c.refused(t, before, run(c, update.do([]string{"owner"}), ana, id), trial.ErrInvalid, "update_mask", `"owner"`, update.mask)
			c.refused(t, before, runWith(c, do, ana, "nowhere", read), trial.ErrNotFound)
		})
	}
}

func TestUpdatesAreTheOwners(t *testing.T) {
	for id, want := range map[string]error{"t": trial.ErrNotFound, "weld": trial.ErrNotFound, "well": trial.ErrForbidden, "e": trial.ErrForbidden} {
		c := ofEverything(t)
		update := updates("new")[id]
		c.refused(t, c.Changes, run(c, update.do([]string{update.mask}), ben, id), want)
	}
	for id, text := range map[string]string{"t": "trial.title", "weld": "bath.label", "well": "water_source.kind", "e": "experiment.title"} {
		c := ofEverything(t)
		update := updates(strings.Repeat("é", 121))[id]
		c.refused(t, c.Changes, run(c, update.do([]string{update.mask}), ana, id), trial.ErrInvalid, text, "121 characters")
	}
}

func TestAdditionsTakeAnEtagWhenTheyAreGivenOne(t *testing.T) {
	as := func(v any, err error) (*any, error) { return &v, err }
	for id, do := range map[string]command[any]{
		"t": func(r trial.Records, m string, at time.Time, id, etag string) (*any, error) {
			return as(trial.AddEntries(r, m, at, id, etag, trial.Entries{Looks: []trial.Look{{Entry: trial.Entry{ID: "look"}, PieceID: "p", Text: "pale"}}}))
		},
		"t ": func(r trial.Records, m string, at time.Time, _, etag string) (*any, error) {
			return as(trial.SetTrialState(r, m, at, "t", etag, trial.FinishedTrial, ""))
		},
		"t  ": func(r trial.Records, m string, at time.Time, _, etag string) (*any, error) {
			return as(trial.ShareTrial(r, m, at, "t", etag, trial.Sharing{Level: trial.Cooperative}))
		},
		"weld": func(r trial.Records, m string, at time.Time, id, etag string) (*any, error) {
			return as(trial.AddToBath(r, m, at, id, etag, trial.BathEntries{Checks: []trial.Check{{Entry: trial.Entry{ID: "check"}, Note: "warm"}}}))
		},
		"well": func(r trial.Records, m string, at time.Time, id, etag string) (*any, error) {
			return as(trial.AddWaterSample(r, m, at, id, etag, sampleOf("may")))
		},
	} {
		for _, with := range []bool{true, false} {
			c := ofEverything(t)
			id := strings.TrimSpace(id)
			c.refused(t, c.Changes, runWith(c, do, ana, id, `"r0"`), trial.ErrStale)
			etag := ""
			if with {
				etag = c.etag(id)
			}
			require.NoError(t, runWith(c, do, ana, id, etag))
		}
	}
}

func TestUpdateTrial(t *testing.T) {
	c := newCoop(t)
	c.mustExperiment(ana, "e")
	c.mustSubmit(ana, trial.Trial{
		ID: "t", Question: "?", Sessions: []trial.Session{{ID: "monday", ExperimentID: "e"}, {ID: "tuesday", Note: "rain"}},
		Pieces: []trial.Piece{piece("p", 5)},
	})
	update := func(given trial.Trial, mask ...string) error {
		given.ID = "t"
		return c.Do(func(r trial.Records) error {
			_, err := trial.UpdateTrial(r, ana, now.AddDate(0, 0, 1), &given, mask, c.etag("t"))
			return err
		})
	}
	day := trial.ClaimedTime{Time: now, Precision: trial.ToDay}
	for _, bad := range []struct {
		name     string
		sessions []trial.Session
		says     []string
	}{
		{"one left out", []trial.Session{{ID: "monday", ExperimentID: "e"}}, []string{"trial.sessions", "tuesday is missing"}},
		{"one more", []trial.Session{{ID: "monday", ExperimentID: "e"}, {ID: "tuesday"}, {ID: "sunday"}}, []string{"trial.sessions[2].id", "sunday"}},
		{"one twice", []trial.Session{{ID: "monday", ExperimentID: "e"}, {ID: "tuesday"}, {ID: "tuesday"}}, []string{"trial.sessions[2].id", "twice"}},
		{"moved into an experiment", []trial.Session{{ID: "monday", ExperimentID: "e"}, {ID: "tuesday", ExperimentID: "e"}}, []string{"trial.sessions[1].experiment_id", "before its results"}},
		{"moved out of it", []trial.Session{{ID: "monday"}, {ID: "tuesday"}}, []string{"trial.sessions[0].experiment_id"}},
		{"a long note", []trial.Session{{ID: "monday", ExperimentID: "e", Note: strings.Repeat("x", 501)}, {ID: "tuesday"}}, []string{"trial.sessions[0].note", "501 characters"}},
	} {
		c.refused(t, c.Changes, update(trial.Trial{Sessions: bad.sessions}, "sessions"), trial.ErrInvalid, bad.says...)
	}
	c.refused(t, c.Changes, update(trial.Trial{Question: "x"}, "*"), trial.ErrInvalid, "trial.title: is required", "monday is missing")

	require.NoError(t, update(trial.Trial{Title: "a new title", Question: "not taken", Owner: ben, State: trial.Abandoned}, "title"))
	kept := mustRead(c, c.Trial, "t")
	assert.Equal(t, []any{"a new title", "?", ana, trial.Begun}, []any{kept.Title, kept.Question, kept.Owner, kept.State})
	assert.Equal(t, now.AddDate(0, 0, 1), kept.UpdatedAt)
	assert.Equal(t, now, kept.CreatedAt)

	require.NoError(t, update(trial.Trial{Title: "all", Sessions: []trial.Session{{ID: "tuesday", Note: "sun", Begun: day}, {ID: "monday", ExperimentID: "e"}}}, "*"))
	kept = mustRead(c, c.Trial, "t")
	assert.Equal(t, []trial.Session{{ID: "monday", ExperimentID: "e"}, {ID: "tuesday", Note: "sun", Begun: day}}, kept.Sessions)
	assert.Empty(t, kept.Question)
	assert.Len(t, kept.Pieces, 1)
}

// ana's pot, open to members: ben's piece was in it, and a part of it is in a third trial.
func openPot(t *testing.T) *coop {
	c := newCoop(t)
	c.mustWater(ana, "well")
	pot := dyebath("pot", "weld", 10)
	pot.OpenToMembers = true
	c.mustSubmit(ana, trial.Trial{ID: "ana's"}, pot)
	c.mustSubmit(ben, trial.Trial{ID: "ben's", Pieces: []trial.Piece{piece("b", 20)}, Immersions: []trial.Immersion{in("b", "pot", 1)}})
	c.mustSubmit(ben, trial.Trial{ID: "later", Pieces: []trial.Piece{part("strip", "b", trial.Taken, 1, 4)}})
	return c
}

func TestUpdateBathPutsRightTheRoutesOfAllDescendants(t *testing.T) {
	c := openPot(t)
	update := func(given trial.Bath, mask ...string) error {
		given.ID = "pot"
		return c.Do(func(r trial.Records) error {
			_, err := trial.UpdateBath(r, ana, now.AddDate(0, 0, 1), &given, mask, c.etag("pot"))
			return err
		})
	}
	from := len(c.Changes)
	require.NoError(t, update(trial.Bath{Label: "the big pot", Vessel: "copper"}, "label", "vessel"))
	assert.Len(t, c.Changes[from:], 1, "a name changes no route")

	from = len(c.Changes)
	require.NoError(t, update(trial.Bath{Purposes: []trial.Purpose{trial.Vat}, Liquor: litres(5), Water: []trial.WaterPart{{SourceID: "well", Parts: 1}}},
		"purposes", "liquor", "water_parts"))
	for _, id := range []string{"b", "strip"} {
		layer := c.route(id).Layers[0]
		assert.Equal(t, "weld (1 dip)", c.route(id).Text)
		assert.Equal(t, "well:100", layer.Water)
		require.NotNil(t, layer.ConcentrationGPerL)
		assert.InDelta(t, 2, *layer.ConcentrationGPerL, 1e-12)
	}
	kinds := map[string]trial.ChangeKind{}
	for _, change := range c.Changes[from:] {
		kinds[change.ID] = change.Kind
	}
	assert.Equal(t, map[string]trial.ChangeKind{"pot": trial.Changed, "ben's": trial.RoutesChanged, "later": trial.RoutesChanged}, kinds)
	c.sound(t)

	require.NoError(t, update(trial.Bath{ContentsNotStated: true}, "purposes", "contents_not_stated"))
	assert.True(t, c.route("strip").NotStated)
	require.NoError(t, update(trial.Bath{ExhaustNotStated: true}, "exhaust_not_stated"))
	assert.Contains(t, c.route("strip").Text, "fresh or exhaust bath not stated")
	c.sound(t)
}

func TestUpdateBathRefusesWhatCannotHaveBeen(t *testing.T) {
	for _, bad := range []struct {
		name  string
		given trial.Bath
		mask  []string
		kind  error
		says  []string
	}{
		{"a blank with dye", trial.Bath{BlankOf: "weld"}, []string{"blank_of"}, trial.ErrImpossible, []string{"piece K1 (b)", "pot", "weld"}},
		{"an exhaust bath of no number", trial.Bath{ExhaustNumberNotStated: true}, []string{"exhaust_number_not_stated"}, trial.ErrImpossible, []string{"piece K1 (b)", "exhaust 0"}},
		{"both flags", trial.Bath{ExhaustNumberNotStated: true, ExhaustNotStated: true}, []string{"exhaust_number_not_stated", "exhaust_not_stated"}, trial.ErrInvalid, []string{"bath.exhaust_not_stated"}},
		{"no purpose", trial.Bath{}, []string{"purposes"}, trial.ErrInvalid, []string{"bath.purposes"}},
		{"a purpose of no meaning", trial.Bath{Purposes: []trial.Purpose{42}}, []string{"purposes"}, trial.ErrInvalid, []string{"bath.purposes[0]", "42", "1 to 7"}},
		{"no label", trial.Bath{}, []string{"label"}, trial.ErrInvalid, []string{"bath.label"}},
		{"grams of liquor", trial.Bath{Liquor: grams(3)}, []string{"liquor"}, trial.ErrInvalid, []string{"bath.liquor.unit"}},
		{"no number", trial.Bath{Liquor: litres(math.NaN())}, []string{"liquor"}, trial.ErrInvalid, []string{"bath.liquor.value"}},
		{"water from nowhere", trial.Bath{Water: []trial.WaterPart{{SourceID: "sea", Parts: 1}}}, []string{"water_parts"}, trial.ErrInvalid, []string{"bath.water_parts[0].water_source_id", "sea"}},
		{"additions by the back door", trial.Bath{}, []string{"additions"}, trial.ErrInvalid, []string{"update_mask", `"additions"`}},
	} {
		t.Run(bad.name, func(t *testing.T) {
			c := openPot(t)
			before := c.Changes
			bad.given.ID = "pot"
			err := c.Do(func(r trial.Records) error {
				_, err := trial.UpdateBath(r, ana, now, &bad.given, bad.mask, c.etag("pot"))
				return err
			})
			c.refused(t, before, err, bad.kind, bad.says...)
		})
	}

	// An entry that was corrected away wasn't in the bath, and binds it no more.
	c := openPot(t)
	require.NoError(t, c.Do(func(r trial.Records) error {
		open := dyebath("other", "weld", 1)
		_, err := trial.CreateBath(r, ben, now, &open)
		return err
	}))
	moved := in("b", "other", 1)
	moved.Entry = correcting(trial.Entry{ID: "moved"}, "b in pot at 1", "wrong pot")
	c.mustAdd(ben, "ben's", trial.Entries{Immersions: []trial.Immersion{moved}})
	require.NoError(t, c.Do(func(r trial.Records) error {
		_, err := trial.UpdateBath(r, ana, now, &trial.Bath{ID: "pot", ExhaustNumberNotStated: true}, []string{"exhaust_number_not_stated"}, c.etag("pot"))
		return err
	}))
	c.sound(t)
}

func TestUpdateWaterSourceAndSamples(t *testing.T) {
	c := newCoop(t)
	c.mustWater(ana, "well", sampleOf("may"))
	c.mustWater(ben, "tap")
	update := func(given trial.WaterSource, mask ...string) error {
		given.ID = "well"
		return c.Do(func(r trial.Records) error {
			_, err := trial.UpdateWaterSource(r, ana, now.AddDate(0, 0, 1), &given, mask, c.etag("well"))
			return err
		})
	}
	c.refused(t, c.Changes, update(trial.WaterSource{}, "name"), trial.ErrInvalid, "water_source.name: is required")
	c.refused(t, c.Changes, update(trial.WaterSource{Name: "Tap"}, "name"), trial.ErrExists)
	c.refused(t, c.Changes, update(trial.WaterSource{}, "samples"), trial.ErrInvalid, "update_mask")
	require.NoError(t, update(trial.WaterSource{PlaceShown: true, Common: true, Kind: "well", Place: "not taken"}, "place_shown", "common", "kind"))
	w := mustRead(c, c.WaterSource, "well")
	assert.Equal(t, []any{"well", "behind the barn", true, true, "well"}, []any{w.Name, w.Place, w.PlaceShown, w.Common, w.Kind})
	assert.Equal(t, []any{now, now.AddDate(0, 0, 1)}, []any{w.CreatedAt, w.UpdatedAt})

	sample := func(s trial.WaterSample) error {
		return c.Do(func(r trial.Records) error {
			_, err := trial.AddWaterSample(r, ana, now.Add(time.Hour), "well", "", s)
			return err
		})
	}
	right := sampleOf("may again")
	right.Entry = correcting(right.Entry, "may", "")
	c.refused(t, c.Changes, sample(right), trial.ErrInvalid, "sample.corrects.reason")
	right.Entry = correcting(right.Entry, "april", "misread")
	c.refused(t, c.Changes, sample(right), trial.ErrInvalid, "sample.corrects.entry_id", "april")
	right.Entry = correcting(right.Entry, "may", "misread")
	right.RecordedBy, right.Superseded = cleo, true
	require.NoError(t, sample(right))
	w = mustRead(c, c.WaterSource, "well")
	assert.True(t, w.Samples[0].Superseded)
	assert.Equal(t, trial.Entry{ID: "may again", CorrectsID: "may", Reason: "misread", RecordedAt: now.Add(time.Hour), RecordedBy: ana}, w.Samples[1].Entry)
	right.ID = "may once more"
	c.refused(t, c.Changes, sample(right), trial.ErrConflict, "corrected before")
}

func TestUpdateExperiment(t *testing.T) {
	c := newCoop(t)
	c.mustExperiment(ana, "e")
	update := func(given trial.Experiment, mask ...string) error {
		given.ID = "e"
		return c.Do(func(r trial.Records) error {
			_, err := trial.UpdateExperiment(r, ana, now.AddDate(0, 0, 1), &given, mask, c.etag("e"))
			return err
		})
	}
	c.refused(t, c.Changes, update(trial.Experiment{SecondDye: "weld"}, "second_dye"), trial.ErrInvalid, "experiment.second_dye")
	c.refused(t, c.Changes, update(trial.Experiment{ToleranceDE00: math.Inf(1)}, "tolerance_de00"), trial.ErrInvalid, "experiment.tolerance_de00", "+Inf")
	require.NoError(t, update(trial.Experiment{ClosingSessions: 12}, "closing_sessions"))

	c.mustSubmit(ben, trial.Trial{ID: "t", Sessions: []trial.Session{{ID: "s", ExperimentID: "e"}}})
	c.refused(t, c.Changes, update(trial.Experiment{ClosingSessions: 6}, "closing_sessions"), trial.ErrConflict, "1 trials")
	same := plannedExperiment("e")
	same.ClosingSessions, same.Title = 12, "another title"
	require.NoError(t, update(same, "*"), "a plan that stays as it was is no change of plan")
	assert.Equal(t, "another title", mustRead(c, c.Experiment, "e").Title)

	require.NoError(t, run(c, trial.DeleteTrial, ben, "t"))
	c.refused(t, c.Changes, update(trial.Experiment{ClosingSessions: 6}, "closing_sessions"), trial.ErrConflict)
}

func TestPieceCorrections(t *testing.T) {
	c := dyed(t)
	c.mustSubmit(ana, trial.Trial{ID: "far", Pieces: []trial.Piece{part("slip", "strip", trial.Taken, 1, 1)}})
	silk := trial.Fibre{Composition: []trial.FibrePart{{Fibre: "silk", Percent: 100}}, Form: "yarn"}
	label, long := "cone 3", strings.Repeat("x", 81)
	mass := grams(21)
	for _, bad := range []struct {
		given trial.PieceChange
		says  []string
	}{
		{trial.PieceChange{PieceID: "p", Reason: "why"}, []string{"piece_corrections[0]", "at least one"}},
		{trial.PieceChange{PieceID: "p", Mass: &mass}, []string{"piece_corrections[0].reason"}},
		{trial.PieceChange{PieceID: "nobody", Mass: &mass, Reason: "why"}, []string{"piece_corrections[0].piece_id", "nobody"}},
		{trial.PieceChange{PieceID: "strip", Fibre: &silk, Reason: "why"}, []string{"piece_corrections[0].fibre", "correct that of piece p"}},
		{trial.PieceChange{PieceID: "p", Fibre: &trial.Fibre{}, Reason: "why"}, []string{"piece_corrections[0].fibre", "required"}},
		{trial.PieceChange{PieceID: "p", Fibre: &trial.Fibre{Composition: []trial.FibrePart{{Fibre: "silk", Percent: 130}}}, Reason: "why"},
			[]string{"piece_corrections[0].fibre.composition[0].percent", "130", "100"}},
		{trial.PieceChange{PieceID: "p", Label: &long, Reason: "why"}, []string{"piece_corrections[0].label", "81 characters", "80"}},
		{trial.PieceChange{PieceID: "p", Mass: &trial.Amount{}, Reason: "why"}, []string{"piece_corrections[0].mass"}},
	} {
		_, err := c.add(ana, "t", trial.Entries{Corrections: []trial.PieceChange{bad.given}})
		c.refused(t, c.Changes, err, trial.ErrInvalid, bad.says...)
	}

	from := len(c.Changes)
	c.mustAdd(ana, "t", trial.Entries{Corrections: []trial.PieceChange{{PieceID: "p", Mass: &mass, Label: &label, Fibre: &silk, Reason: "the wrong cone"}}})
	p := c.piece("p")
	assert.Equal(t, []any{grams(21), "cone 3", silk}, []any{p.Mass, p.Label, p.Fibre})
	require.Len(t, p.Corrections, 1)
	kept := p.Corrections[0]
	assert.Equal(t, []any{grams(20), "", wool()}, []any{*kept.MassBefore, *kept.LabelBefore, *kept.FibreBefore})
	assert.Equal(t, []any{grams(21), "cone 3", silk}, []any{*kept.Mass, *kept.Label, *kept.Fibre})
	assert.Equal(t, []any{"the wrong cone", ana, now.Add(time.Hour)}, []any{kept.Reason, kept.RecordedBy, kept.RecordedAt})
	assert.Equal(t, silk, c.piece("strip").Fibre)
	assert.Equal(t, silk, c.piece("slip").Fibre, "parts of parts, of whatever trial")
	assert.Equal(t, wool(), c.piece("s").Fibre)
	kinds := map[string]trial.ChangeKind{}
	for _, change := range c.Changes[from:] {
		kinds[change.ID] = change.Kind
	}
	assert.Equal(t, map[string]trial.ChangeKind{"t": trial.Changed, "far": trial.RoutesChanged}, kinds)
	assert.InDelta(t, 100*10/16.0, c.delivered("p", 1), 1e-9, "the load follows the mass")
	c.sound(t)

	// A later correction keeps the earlier one.
	c.mustAdd(ana, "t", trial.Entries{Corrections: []trial.PieceChange{massOf("p", 22, "weighed again")}})
	corrections := c.piece("p").Corrections
	require.Len(t, corrections, 2)
	assert.Equal(t, []any{grams(21), (*string)(nil), (*trial.Fibre)(nil)}, []any{*corrections[1].MassBefore, corrections[1].Label, corrections[1].Fibre})
}
