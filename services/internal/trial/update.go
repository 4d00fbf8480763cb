package trial

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"
)

// text checks the length of a text in characters.
func (f *findings) text(field, text string, low, high int) {
	switch n := utf8.RuneCountInString(text); {
	case n < low && n == 0:
		f.fault(field, "is required")
	case n < low || n > high:
		f.fault(field, "%d characters; %d to %d are allowed", n, low, high)
	}
}

// edit is how one field of a record is updated.
type edit struct {
	field string // as update masks name it
	make  func()
}

// put takes a field as it is given.
func put[T any](field string, into *T, given T) edit {
	return edit{field, func() { *into = given }}
}

// putText takes a text of so many characters.
func (f *findings) putText(record, field string, into *string, given string, low, high int) edit {
	return edit{field, func() {
		f.text(record+"."+field, given, low, high)
		*into = given
	}}
}

// update makes the edits that an update mask names, in their order: paths of their fields, or "*" for all of them.
func (f *findings) update(mask []string, edits ...edit) {
	known := make([]string, len(edits))
	for i, e := range edits {
		known[i] = e.field
	}
	if len(mask) == 0 {
		f.fault("update_mask", "is required: some of %s, or * for all of them", strings.Join(known, ", "))
	}
	for _, path := range mask {
		if path != "*" && !slices.Contains(known, path) {
			f.fault("update_mask", "%q can't be updated; fields that can be: %s, or * for all of them", path, strings.Join(known, ", "))
		}
	}
	for _, e := range edits {
		if slices.Contains(mask, "*") || slices.Contains(mask, e.field) {
			e.make()
		}
	}
}

// UpdateTrial changes what a trial says of itself: those of title, question and sessions that the mask names, taken from given, which has the
// trial's id too. Errors: Faults; ErrNotFound; ErrForbidden to others than the owner; StaleError; ErrConflict for a deleted trial.
func UpdateTrial(records Records, member MemberID, now time.Time, given *Trial, mask []string, etag string) (*Trial, error) {
	c := begin(records, member, now)
	t, err := c.owned(given.ID)
	if err != nil {
		return nil, err
	}
	if err := t.version().changeable(etag, etagRequired); err != nil {
		return nil, err
	}
	c.update(mask,
		c.putText("trial", "title", &t.Title, given.Title, 1, 120),
		c.putText("trial", "question", &t.Question, given.Question, 0, 500),
		edit{"sessions", func() { c.updateSessions(t, given.Sessions) }},
	)
	c.changed(t, Changed)
	if err := c.settle(); err != nil {
		return nil, err
	}
	return t, nil
}

// updateSessions takes what sessions say of themselves. Pieces hang on sessions, so there are as many after as before. A session never moves
// into an experiment, nor out of one: whoever could move it once the colours are known could choose what counts.
func (c *change) updateSessions(t *Trial, given []Session) {
	known := map[ID]int{}
	for i := range t.Sessions {
		known[t.Sessions[i].ID] = i
	}
	seen := map[ID]bool{}
	for i, s := range given {
		where := at("trial", "sessions", i)
		row, ok := known[s.ID]
		switch {
		case !ok:
			c.fault(sub(where, "id"), "%s is no session of this trial; a new one is added as an entry", s.ID)
			continue
		case seen[s.ID]:
			c.fault(sub(where, "id"), "%s is there twice", s.ID)
		}
		seen[s.ID] = true
		kept := &t.Sessions[row]
		if s.ExperimentID != kept.ExperimentID {
			c.fault(sub(where, "experiment_id"), "%q can't take the place of %q: what a session counts towards is said before its results are known",
				s.ExperimentID, kept.ExperimentID)
		}
		c.text(sub(where, "note"), s.Note, 0, 500)
		kept.Begun, kept.Note = s.Begun, s.Note
	}
	for i := range t.Sessions {
		if id := t.Sessions[i].ID; !seen[id] {
			c.fault("trial.sessions", "session %s is missing; an update has every session of the trial", id)
		}
	}
}

// UpdateBath puts right what was taken down of a bath, in the fields that the mask names, and with it the routes of every piece that was in it and of
// their parts, in whoever's trial. Errors: Faults; ErrNotFound; ErrForbidden to others than the owner; StaleError; ErrConflict for a deleted
// bath; Impossible, naming the piece, where an immersion would contradict the bath.
func UpdateBath(records Records, member MemberID, now time.Time, given *Bath, mask []string, etag string) (*Bath, error) {
	c := begin(records, member, now)
	b, err := c.ownBath(given.ID)
	if err != nil {
		return nil, err
	}
	if err := b.version().changeable(etag, etagRequired); err != nil {
		return nil, err
	}
	before := *b
	c.update(mask,
		c.putText("bath", "label", &b.Label, given.Label, 1, maxLabel),
		c.putText("bath", "vessel", &b.Vessel, given.Vessel, 0, maxLabel),
		put("purposes", &b.Purposes, slices.Clone(given.Purposes)),
		c.putText("bath", "blank_of", &b.BlankOf, given.BlankOf, 0, 60),
		put("liquor", &b.Liquor, given.Liquor),
		put("water_parts", &b.Water, slices.Clone(given.Water)),
		put("contents_not_stated", &b.ContentsNotStated, given.ContentsNotStated),
		put("exhaust_number_not_stated", &b.ExhaustNumberNotStated, given.ExhaustNumberNotStated),
		put("exhaust_not_stated", &b.ExhaustNotStated, given.ExhaustNotStated),
		put("open_to_members", &b.OpenToMembers, given.OpenToMembers),
	)
	if err := c.bathForm("bath", b); err != nil {
		return nil, err
	}
	if err := c.verifyBlank("bath", b); err != nil {
		return nil, err
	}
	if err := c.verifyExhausts(b); err != nil {
		return nil, err
	}
	if layersDiffer(&before, b) {
		c.touchedBaths[b.ID] = true
	}
	c.changedBath(b, Changed)
	if err := c.settle(); err != nil {
		return nil, err
	}
	return b, nil
}

// layersDiffer reports whether layers made in the bath would be others.
func layersDiffer(before, after *Bath) bool {
	return !slices.Equal(before.Purposes, after.Purposes) || before.BlankOf != after.BlankOf || before.Liquor != after.Liquor ||
		!slices.Equal(before.Water, after.Water) || before.ContentsNotStated != after.ContentsNotStated ||
		before.ExhaustNumberNotStated != after.ExhaustNumberNotStated || before.ExhaustNotStated != after.ExhaustNotStated
}

// verifyExhausts holds the immersions that a bath has had, those of deleted trials too, against what it now leaves open.
func (c *change) verifyExhausts(b *Bath) error {
	if !b.ExhaustNumberNotStated && !b.ExhaustNotStated {
		return nil
	}
	was, err := c.countedIn(b.ID)
	if err != nil {
		return err
	}
	for _, in := range was {
		for _, im := range in.immersions {
			if wrong := exhaustAgainst(b, im.Exhaust); wrong != "" {
				c.fail(impossible(in.piece, "it was in bath %s at exhaust %d, and of this bath it would not be said %s", b.ID, im.Exhaust, wrong))
			}
		}
	}
	return nil
}

// UpdateWaterSource changes what a water source says of itself, in the fields that the mask names. Errors: Faults; ErrNotFound; ErrForbidden to others than the
// owner; StaleError; ErrConflict for a deleted source; ErrExists for a name in use.
func UpdateWaterSource(records Records, member MemberID, now time.Time, given *WaterSource, mask []string, etag string) (*WaterSource, error) {
	w, err := ownWater(records, member, given.ID)
	if err != nil {
		return nil, err
	}
	if err := w.version().changeable(etag, etagRequired); err != nil {
		return nil, err
	}
	c := begin(records, member, now)
	c.update(mask,
		c.putText("water_source", "name", &w.Name, given.Name, 0, 60), // that there is one is waterForm's to say
		c.putText("water_source", "kind", &w.Kind, given.Kind, 0, 40),
		c.putText("water_source", "place", &w.Place, given.Place, 0, 200),
		put("place_shown", &w.PlaceShown, given.PlaceShown),
		put("common", &w.Common, given.Common),
	)
	c.waterForm("water_source", w)
	if err := c.err(); err != nil {
		return nil, err
	}
	return c.putWater(w, Changed)
}

// UpdateExperiment changes the title, and the plan as long as no session counts towards it, in the fields that the mask names. A session of a deleted trial
// counts here too: the trial may come back, and its results were known before the plan changed. Errors: Faults; ErrNotFound; ErrForbidden to
// others than whoever set it; StaleError; ErrConflict for a deleted experiment and for a plan that sessions count towards.
func UpdateExperiment(records Records, member MemberID, now time.Time, given *Experiment, mask []string, etag string) (*Experiment, error) {
	e, err := ownExperiment(records, member, given.ID)
	if err != nil {
		return nil, err
	}
	if err := e.version().changeable(etag, etagRequired); err != nil {
		return nil, err
	}
	var f findings
	before := *e
	var unreadable error
	f.update(mask,
		f.putText("experiment", "title", &e.Title, given.Title, 1, 120),
		f.putText("experiment", "first_dye", &e.FirstDye, given.FirstDye, 0, 60),
		f.putText("experiment", "second_dye", &e.SecondDye, given.SecondDye, 0, 60),
		put("arms", &e.Arms, slices.Clone(given.Arms)),
		put("tolerance_de00", &e.ToleranceDE00, given.ToleranceDE00),
		put("closing_sessions", &e.ClosingSessions, given.ClosingSessions),
		f.putText("experiment", "instrument", &e.Instrument, given.Instrument, 0, 80),
		put("condition", &e.Condition, given.Condition),
		put("asks", &e.Asks, given.Asks),
		edit{"water_source_ids", func() {
			e.WaterSourceIDs = slices.Clone(given.WaterSourceIDs)
			unreadable = f.nameable(records, member, e)
		}},
		put("values", &e.Values, slices.Clone(given.Values)),
		put("water_figure", &e.WaterFigure, given.WaterFigure),
	)
	if unreadable != nil {
		return nil, unreadable
	}
	e.settle()
	f.plan("experiment", e)
	if !samePlan(&before, e) {
		trials, err := records.TrialsOfExperiment(e.ID)
		if err != nil {
			return nil, err
		}
		if len(trials) > 0 {
			f.fail(fmt.Errorf("experiment %s: sessions of %d trials count towards its plan, which stays as it was when they began; only the title can change: %w",
				e.ID, len(trials), ErrConflict))
		}
	}
	if err := f.err(); err != nil {
		return nil, err
	}
	return putExperiment(records, now, e, Changed)
}

func samePlan(a, b *Experiment) bool {
	return a.FirstDye == b.FirstDye && a.SecondDye == b.SecondDye && slices.Equal(a.Arms, b.Arms) && a.ToleranceDE00 == b.ToleranceDE00 &&
		a.ClosingSessions == b.ClosingSessions && a.Instrument == b.Instrument && a.Condition == b.Condition && a.Asking() == b.Asking() &&
		slices.Equal(a.WaterSourceIDs, b.WaterSourceIDs) && slices.Equal(a.Values, b.Values) && a.WaterFigure == b.WaterFigure
}
