package trial

import (
	"errors"
	"fmt"
	"strconv"
	"time"
)

// Etag names a version of a record by the store's revision that made it. It is quoted, as in HTTP (RFC 9110,
// 8.8.3); what stands between the quotes is nobody's to read.
func Etag(revision int64) string {
	return `"r` + strconv.FormatInt(revision, 36) + `"`
}

// version is what a change has to know of a record that it is about to change.
type version struct {
	kind      RecordKind
	id        ID
	revision  int64
	deletedAt time.Time
}

func (t *Trial) version() version { return version{TrialRecord, t.ID, t.Revision, t.DeletedAt} }
func (b *Bath) version() version  { return version{BathRecord, b.ID, b.Revision, b.DeletedAt} }
func (w *WaterSource) version() version {
	return version{WaterRecord, w.ID, w.Revision, w.DeletedAt}
}
func (e *Experiment) version() version {
	return version{ExperimentRecord, e.ID, e.Revision, e.DeletedAt}
}

// etagUse says whether a command can do without an etag.
type etagUse bool

const (
	etagRequired etagUse = true
	etagOptional etagUse = false
)

// fresh checks that the caller has seen the record as it is, before anything else about the request is said: of an
// outdated request, what else would be wrong with it may be no longer true.
func (v version) fresh(etag string, use etagUse) error {
	switch {
	case etag == "" && use == etagRequired:
		return Faults{{Field: "etag", Text: "is required: the etag of the " + v.kind + " as it was read"}}
	case etag != "" && etag != Etag(v.revision):
		return &StaleError{Kind: v.kind, ID: v.id, Given: etag, Current: Etag(v.revision)}
	}
	return nil
}

// changeable is fresh, and checks that the record isn't deleted: nothing but undeleting changes a deleted one.
func (v version) changeable(etag string, use etagUse) error {
	if err := v.fresh(etag, use); err != nil {
		return err
	}
	if !v.deletedAt.IsZero() {
		return v.gone()
	}
	return nil
}

// undeletable is fresh, and checks that the record is deleted.
func (v version) undeletable(etag string) error {
	if err := v.fresh(etag, etagOptional); err != nil {
		return err
	}
	if v.deletedAt.IsZero() {
		return fmt.Errorf("%s %s: %w", v.kind, v.id, ErrNotDeleted)
	}
	return nil
}

func (v version) gone() error {
	return fmt.Errorf("%s %s: it is deleted; undelete it first: %w", v.kind, v.id, ErrConflict)
}

// ownWater finds a water source for a change that only its owner may make.
func ownWater(records Records, member MemberID, id ID) (*WaterSource, error) {
	w, err := records.WaterSource(id)
	if err == nil && !CanReadWaterSource(member, w) {
		err = ErrNotFound
	}
	if err != nil {
		return nil, fmt.Errorf("water source %s: %w", id, err)
	}
	if w.Owner != member {
		return nil, fmt.Errorf("water source %s is %s's: %w", id, w.Owner, ErrForbidden)
	}
	return w, nil
}

// ownExperiment finds an experiment for a change that only whoever set it may make.
func ownExperiment(records Records, member MemberID, id ID) (*Experiment, error) {
	e, err := records.Experiment(id)
	if err == nil && !CanReadExperiment(member, e) {
		err = ErrNotFound
	}
	if err != nil {
		return nil, fmt.Errorf("experiment %s: %w", id, err)
	}
	if e.Owner != member {
		return nil, fmt.Errorf("experiment %s is %s's: %w", id, e.Owner, ErrForbidden)
	}
	return e, nil
}

// nameableWater finds a water source that something new may name; what is wrong with the name comes as text, for a fault of the caller's.
func nameableWater(records Records, member MemberID, id ID) (w *WaterSource, wrong string, err error) {
	w, err = records.WaterSource(id)
	switch {
	case errors.Is(err, ErrNotFound):
		return nil, "there is no water source " + id, nil
	case err != nil:
		return nil, "", err
	case w.deleted() && w.Owner == member:
		return nil, "water source " + id + " is deleted; undelete it first", nil
	case w.deleted():
		return nil, "there is no water source " + id, nil
	}
	return w, "", nil
}

// nameableExperiment is nameableWater for the experiment of a session.
func nameableExperiment(records Records, member MemberID, id ID) (wrong string, err error) {
	e, err := records.Experiment(id)
	switch {
	case errors.Is(err, ErrNotFound):
		return "there is no experiment " + id, nil
	case err != nil:
		return "", err
	case e.deleted() && e.Owner == member:
		return "experiment " + id + " is deleted; undelete it first", nil
	case e.deleted():
		return "there is no experiment " + id, nil
	}
	return "", nil
}
