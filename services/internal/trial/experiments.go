package trial

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// CreateExperiment keeps an experiment. Who may is the caller's to check. Errors: Faults, ErrExists.
func CreateExperiment(records Records, member MemberID, now time.Time, e *Experiment) (*Experiment, error) {
	var f findings
	kept := *e
	kept.Owner, kept.CreatedAt, kept.UpdatedAt, kept.Revision, kept.DeletedAt = member, now.UTC(), now.UTC(), 0, time.Time{}
	if kept.ID == "" {
		f.fault("experiment.id", "is required")
	}
	f.plan("experiment", &kept)
	if err := f.err(); err != nil {
		return nil, err
	}
	if _, err := records.Experiment(kept.ID); err == nil {
		return nil, fmt.Errorf("experiment %s: %w", kept.ID, ErrExists)
	} else if !errors.Is(err, ErrNotFound) {
		return nil, err
	}
	if err := records.CreateExperiment(&kept); err != nil {
		return nil, fmt.Errorf("experiment %s: %w", kept.ID, err)
	}
	return &kept, nil
}

// plan checks the plan of an experiment.
func (f *findings) plan(path string, e *Experiment) {
	if e.FirstDye == "" {
		f.fault(sub(path, "first_dye"), "is required")
	}
	if e.SecondDye == "" || e.SecondDye == e.FirstDye {
		f.fault(sub(path, "second_dye"), "%q: a dye other than the first is required", e.SecondDye)
	}
	for i, arm := range e.Arms {
		f.within(at(path, "arms", i), int(arm), int(ArmA), int(ArmUndyed))
		if slices.Contains(e.Arms[:i], arm) {
			f.fault(at(path, "arms", i), "is there twice")
		}
	}
	if !slices.Contains(e.Arms, ArmAThenB) || !slices.Contains(e.Arms, ArmBThenA) {
		f.fault(sub(path, "arms"), "both orders are required: A then B, and B then A")
	}
	if !(e.ToleranceDE00 > 0 && e.ToleranceDE00 <= 20) {
		f.fault(sub(path, "tolerance_de00"), "%v is outside 0 (excluded) to 20", e.ToleranceDE00)
	}
	f.within(sub(path, "closing_sessions"), e.ClosingSessions, 6, 200)
	if e.Instrument == "" {
		f.fault(sub(path, "instrument"), "is required")
	}
	if e.Condition.Illuminant == 0 || e.Condition.Observer == 0 {
		f.fault(sub(path, "condition"), "is required: illuminant and observer")
	}
}

// putExperiment writes an experiment.
func putExperiment(records Records, now time.Time, e *Experiment, kind ChangeKind) (*Experiment, error) {
	e.UpdatedAt = now.UTC()
	if err := records.PutExperiment(e, kind); err != nil {
		return nil, fmt.Errorf("experiment %s: %w", e.ID, err)
	}
	return e, nil
}
