package trial

import (
	"fmt"
	"time"
)

// Deleting takes a record out of every list and answer; it undoes nothing that was done. Fibre of a deleted trial was in its
// pots all the same, so it goes on counting in their loads, and what was split or taken from a piece stays split or taken. That is why deleting
// and undeleting change no route, and routes of deleted trials follow like all others: they are right when they come back.

// DeleteTrial takes a trial out of every answer. Baths of the owner's that were shared because of it close with it.
// Errors: Faults; ErrNotFound; ErrForbidden to others than the owner; StaleError; ErrConflict when it is deleted; Impossible,
// naming the piece, while another member holds a piece of it or a part of one is in a trial that isn't deleted.
func DeleteTrial(records Records, member MemberID, now time.Time, id ID, etag string) (*Trial, error) {
	c := begin(records, member, now)
	t, err := c.owned(id)
	if err != nil {
		return nil, err
	}
	if err := t.version().changeable(etag, etagRequired); err != nil {
		return nil, err
	}
	for i := range t.Pieces {
		p := &t.Pieces[i]
		if p.Holder != member {
			c.fail(impossible(p, "it is held by %s; a trial can be deleted when all its pieces are with its owner", p.Holder))
		}
		parts, err := c.partsOf(p.ID)
		if err != nil {
			return nil, err
		}
		for _, part := range parts {
			home, err := c.trial(part.TrialID)
			if err != nil {
				return nil, err
			}
			if home.ID != id && !home.deleted() {
				c.fail(impossible(p, "piece %s, which came from it, is in another trial", name(part)))
			}
		}
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	t.DeletedAt = c.now
	c.changed(t, Deleted)
	if was := t.Sharing.Level; was > Mine {
		// A bath that is more open than the trial was isn't so because of it.
		if err := c.followAll(t, func(before, after SharingLevel) bool { return before <= was && after < before }); err != nil {
			return nil, err
		}
	}
	if err := c.settle(); err != nil {
		return nil, err
	}
	return t, nil
}

// UndeleteTrial brings a trial back, shared as it was, and its baths with it. Errors: Faults; ErrNotFound; ErrForbidden; StaleError when an etag is given and
// the trial has changed since; ErrNotDeleted; ErrConflict while a bath, an experiment or the trial of a parent piece that it stands on is deleted.
func UndeleteTrial(records Records, member MemberID, now time.Time, id ID, etag string) (*Trial, error) {
	c := begin(records, member, now)
	t, err := c.owned(id)
	if err != nil {
		return nil, err
	}
	if err := t.version().undeletable(etag); err != nil {
		return nil, err
	}
	if err := c.standing(t); err != nil {
		return nil, err
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	t.DeletedAt = time.Time{}
	c.changed(t, Undeleted)
	if t.Sharing.Level > Mine {
		if err := c.followAll(t, func(before, after SharingLevel) bool { return after > before }); err != nil {
			return nil, err
		}
	}
	if err := c.settle(); err != nil {
		return nil, err
	}
	return t, nil
}

// standing says what a trial stands on that is deleted.
func (c *change) standing(t *Trial) error {
	baths := map[ID]bool{}
	for i := range t.Immersions {
		if im := &t.Immersions[i]; !im.Superseded {
			baths[im.BathID] = true
		}
	}
	for _, id := range sorted(baths) {
		b, err := c.bath(id)
		if err != nil {
			return err
		}
		if b.deleted() {
			c.fail(fmt.Errorf("trial %s: bath %s, in which pieces of it were, is deleted; undelete that first: %w", t.ID, id, ErrConflict))
		}
	}
	for i := range t.Pieces {
		p := &t.Pieces[i]
		if p.Origin.Kind == Whole {
			continue
		}
		home, parent, err := c.piece(p.Origin.ParentID)
		if err != nil {
			return err
		}
		if home.ID != t.ID && home.deleted() {
			c.fail(fmt.Errorf("trial %s: piece %s, from which piece %s came, is in trial %s, which is deleted; undelete that first: %w",
				t.ID, name(parent), name(p), home.ID, ErrConflict))
		}
	}
	experiments := map[ID]bool{}
	for i := range t.Sessions {
		if id := t.Sessions[i].ExperimentID; id != "" {
			experiments[id] = true
		}
	}
	for _, id := range sorted(experiments) {
		e, err := c.records.Experiment(id)
		if err != nil {
			return fmt.Errorf("experiment %s: %w", id, err)
		}
		if e.deleted() {
			c.fail(fmt.Errorf("trial %s: experiment %s, towards which a session counts, is deleted; undelete that first: %w", t.ID, id, ErrConflict))
		}
	}
	return nil
}

// DeleteBath takes a bath out of every list. Errors: Faults; ErrNotFound; ErrForbidden to others than the owner; StaleError; ErrConflict when it is deleted;
// Impossible, naming the piece, while a piece of a trial that isn't deleted was in it.
func DeleteBath(records Records, member MemberID, now time.Time, id ID, etag string) (*Bath, error) {
	c := begin(records, member, now)
	b, err := c.ownBath(id)
	if err != nil {
		return nil, err
	}
	if err := b.version().changeable(etag, etagRequired); err != nil {
		return nil, err
	}
	was, err := c.countedIn(id)
	if err != nil {
		return nil, err
	}
	for _, in := range was {
		if !in.trial.deleted() {
			c.fail(impossible(in.piece, "it was in bath %s, which its history can't do without", id))
		}
	}
	b.DeletedAt = c.now
	c.changedBath(b, Deleted)
	if err := c.settle(); err != nil {
		return nil, err
	}
	return b, nil
}

// UndeleteBath brings a bath back. Errors: ErrNotFound; ErrForbidden; StaleError when an etag is given and the bath has changed since; ErrNotDeleted;
// ErrConflict while a water source of it is deleted.
func UndeleteBath(records Records, member MemberID, now time.Time, id ID, etag string) (*Bath, error) {
	c := begin(records, member, now)
	b, err := c.ownBath(id)
	if err != nil {
		return nil, err
	}
	if err := b.version().undeletable(etag); err != nil {
		return nil, err
	}
	for i, part := range b.Water {
		w, err := records.WaterSource(part.SourceID)
		if err != nil {
			return nil, fmt.Errorf("water source %s: %w", part.SourceID, err)
		}
		if w.deleted() && !sourceIn(b.Water[:i], w.ID) {
			c.fail(fmt.Errorf("bath %s: water source %s, of which it has water, is deleted; that has to be undeleted first: %w", id, w.ID, ErrConflict))
		}
	}
	b.DeletedAt = time.Time{}
	c.changedBath(b, Undeleted)
	if err := c.settle(); err != nil {
		return nil, err
	}
	return b, nil
}

func sourceIn(parts []WaterPart, id ID) bool {
	for _, part := range parts {
		if part.SourceID == id {
			return true
		}
	}
	return false
}

// DeleteWaterSource takes a water source out of every list; its name stays taken. Errors: Faults; ErrNotFound; ErrForbidden to others than the owner; StaleError;
// ErrConflict when it is deleted, and, naming the bath, while a bath that isn't deleted has water of it.
func DeleteWaterSource(records Records, member MemberID, now time.Time, id ID, etag string) (*WaterSource, error) {
	w, err := ownWater(records, member, id)
	if err != nil {
		return nil, err
	}
	if err := w.version().changeable(etag, etagRequired); err != nil {
		return nil, err
	}
	c := begin(records, member, now)
	baths, err := records.BathsWithWater(id)
	if err != nil {
		return nil, fmt.Errorf("baths with water of %s: %w", id, err)
	}
	for _, bathID := range baths {
		b, err := c.bath(bathID)
		if err != nil {
			return nil, err
		}
		if !b.deleted() {
			c.fail(fmt.Errorf("water source %s: bath %s has water of it: %w", id, bathID, ErrConflict))
		}
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	w.DeletedAt = c.now
	return c.putWater(w, Deleted)
}

// UndeleteWaterSource brings a water source back. Errors: ErrNotFound; ErrForbidden; StaleError when an etag is given and the source has
// changed since; ErrNotDeleted.
func UndeleteWaterSource(records Records, member MemberID, now time.Time, id ID, etag string) (*WaterSource, error) {
	w, err := ownWater(records, member, id)
	if err != nil {
		return nil, err
	}
	if err := w.version().undeletable(etag); err != nil {
		return nil, err
	}
	w.DeletedAt = time.Time{}
	return begin(records, member, now).putWater(w, Undeleted)
}

// DeleteExperiment takes an experiment out of the list. Errors: Faults; ErrNotFound; ErrForbidden to others than whoever set it; StaleError; ErrConflict when it is
// deleted, and while a session of a trial that isn't deleted counts towards it.
func DeleteExperiment(records Records, member MemberID, now time.Time, id ID, etag string) (*Experiment, error) {
	e, err := ownExperiment(records, member, id)
	if err != nil {
		return nil, err
	}
	if err := e.version().changeable(etag, etagRequired); err != nil {
		return nil, err
	}
	trials, err := records.TrialsOfExperiment(id)
	if err != nil {
		return nil, fmt.Errorf("trials of experiment %s: %w", id, err)
	}
	counting := 0
	for _, trialID := range trials {
		t, err := records.Trial(trialID)
		if err != nil {
			return nil, fmt.Errorf("trial %s: %w", trialID, err)
		}
		if !t.deleted() {
			counting++
		}
	}
	if counting > 0 { // which ones they are isn't always the coordinator's to know
		return nil, fmt.Errorf("experiment %s: sessions of %d trials count towards it: %w", id, counting, ErrConflict)
	}
	e.DeletedAt = now.UTC()
	return putExperiment(records, now, e, Deleted)
}

// UndeleteExperiment brings an experiment back. Errors: ErrNotFound; ErrForbidden; StaleError when an etag is given and the experiment has changed
// since; ErrNotDeleted.
func UndeleteExperiment(records Records, member MemberID, now time.Time, id ID, etag string) (*Experiment, error) {
	e, err := ownExperiment(records, member, id)
	if err != nil {
		return nil, err
	}
	if err := e.version().undeletable(etag); err != nil {
		return nil, err
	}
	e.DeletedAt = time.Time{}
	return putExperiment(records, now, e, Undeleted)
}
