package trial

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
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
	kept.settle()
	f.plan("experiment", &kept)
	if err := f.nameable(records, member, &kept); err != nil {
		return nil, err
	}
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

// settle writes a plan in the one way in which it is kept.
func (e *Experiment) settle() {
	e.Asks = e.Asking()
	if e.Asks != AsksMordants {
		return
	}
	e.Values = slices.Clone(e.Values)
	for i, value := range e.Values { // the pool sorts the mordants of a set
		parts := strings.Split(value, "+")
		for k := range parts {
			parts[k] = strings.TrimSpace(parts[k])
		}
		slices.Sort(parts)
		e.Values[i] = strings.Join(parts, " + ")
	}
}

const (
	// So many waters or values an experiment compares.
	minCompared = 2
	maxCompared = 20
	// figureWaters is the least with which a figure of the waters can be tested: 6 beside the one that the others are held against.
	figureWaters = 7
)

// plan checks the plan of an experiment.
func (f *findings) plan(path string, e *Experiment) {
	f.within(sub(path, "asks"), int(e.Asks), 0, int(AsksExhaustBaths))
	f.within(sub(path, "water_figure"), int(e.WaterFigure), 0, int(Iron))
	if e.Asking() == AsksOrders {
		f.orders(path, e)
	} else if e.FirstDye != "" || e.SecondDye != "" || len(e.Arms) > 0 {
		f.fault(sub(path, "first_dye"), "is given, or second_dye or arms; allowed: only in an experiment that asks for orders")
	}
	f.compared(sub(path, "water_source_ids"), e.WaterSourceIDs, e.Asking() == AsksWaters, "waters")
	f.compared(sub(path, "values"), e.Values, e.Asking() >= AsksFibres, "fibres, mordants or exhaust baths")
	for i, value := range e.Values {
		f.text(at(path, "values", i), value, 1, 200)
		if n, ok := strings.CutPrefix(value, "exhaust bath "); e.Asking() == AsksExhaustBaths && value != "fresh bath" && (!ok || !numbered.MatchString(n)) {
			f.fault(at(path, "values", i), "%.60q: \"fresh bath\" or \"exhaust bath\" and its number is required", value)
		}
	}
	if e.WaterFigure != 0 && (e.Asking() != AsksWaters || len(e.WaterSourceIDs) < figureWaters) {
		f.fault(sub(path, "water_figure"), "is given; allowed: only where %d waters or more are compared, since the first is held against nothing and 6 are needed beside it", figureWaters)
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

var numbered = regexp.MustCompile(`^[1-9][0-9]?$`)

// compared checks what an experiment compares.
func (f *findings) compared(field string, given []string, wanted bool, about string) {
	switch n := len(given); {
	case !wanted && n > 0:
		f.fault(field, "is given; allowed: only in an experiment that asks about %s", about)
	case wanted && (n < minCompared || n > maxCompared):
		f.fault(field, "has %d; %d to %d are allowed", n, minCompared, maxCompared)
	}
	for i, x := range given {
		if slices.Contains(given[:i], x) {
			f.fault(fmt.Sprintf("%s[%d]", field, i), "is there twice")
		}
	}
}

// nameable checks that the waters of a plan are there. It fails when they can't be read.
func (f *findings) nameable(records Records, member MemberID, e *Experiment) error {
	for i, id := range e.WaterSourceIDs {
		_, wrong, err := nameableWater(records, member, id)
		if err != nil {
			return err
		}
		if wrong != "" {
			f.fault(at("experiment", "water_source_ids", i), "%s", wrong)
		}
	}
	return nil
}

// orders checks what only an experiment on orders has.
func (f *findings) orders(path string, e *Experiment) {
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
}

// putExperiment writes an experiment.
func putExperiment(records Records, now time.Time, e *Experiment, kind ChangeKind) (*Experiment, error) {
	e.UpdatedAt = now.UTC()
	if err := records.PutExperiment(e, kind); err != nil {
		return nil, fmt.Errorf("experiment %s: %w", e.ID, err)
	}
	return e, nil
}
