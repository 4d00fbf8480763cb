package pool

import (
	"context"
	"errors"
	"fmt"
	"slices"

	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/runs/frozen"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// The most pieces of columns that are frozen, and of those with spectra, which take ten times the room.
const (
	MaxFrozen            = 1_000_000
	MaxFrozenWithSpectra = 100_000
)

// FreezeQuestion asks for the columns of a question.
type FreezeQuestion struct {
	GroupBy      poolv1.GroupBy
	Where        *store.Predicate // nil: everything
	ExperimentID trial.ID         // with the GroupBy that it asks and without Where: the sessions that its verdict stands on
	Condition    trial.ColourCondition
	// Ages and Spectra are read from the record besides; the pool keeps none.
	Ages, Spectra bool
}

// Freeze is the columns, and what they are of.
type Freeze struct {
	Columns  *frozen.Columns
	Reading  *typesv1.ModuleIdentity
	Revision int64
	LeftOut  []*poolv1.LeftOut
	// Of an experiment: complete sessions, those in the columns, and the size at which it closes.
	Complete, Used, Closing int
	// NotClosed is why an experiment that has as many sessions isn't closed by them; else empty.
	NotClosed string
}

// CheckFreeze finds the faults of a question that can be known before it is asked. Errors: trial.ErrInvalid (*trial.FieldFault); trial.ErrNotFound for
// the experiment.
func (p *Pool) CheckFreeze(ctx context.Context, q FreezeQuestion) error {
	_, err := p.freezing(ctx, q)
	return err
}

func (p *Pool) freezing(ctx context.Context, q FreezeQuestion) (*asking, error) {
	a := &asking{question: Question{GroupBy: q.GroupBy, Where: q.Where, ExperimentID: q.ExperimentID, Condition: q.Condition}, texts: newTexts(), left: newLeftOut(), most: MaxFrozen}
	if q.Spectra {
		a.most = MaxFrozenWithSpectra
	}
	return a, p.prepare(ctx, a)
}

// Freeze chooses the rows of a question, as AskPalette does, and gives them as columns. Everything that was withdrawn before is left out. Errors: as for
// AskPalette.
func (p *Pool) Freeze(ctx context.Context, q FreezeQuestion) (*Freeze, error) {
	a, err := p.freezing(ctx, q)
	if err != nil {
		return nil, err
	}
	if a.now, err = p.at(ctx, 0); err != nil {
		return nil, err
	}
	if err := p.selectPicks(ctx, a); err != nil {
		return nil, err
	}
	out := &Freeze{Reading: a.modules[0], Revision: a.now.revision}
	var groups []string
	switch {
	case a.experiment != nil && a.experiment.Asking() != trial.AsksOrders:
		groups = a.plannedVerdictPicks(out)
	case a.experiment != nil:
		groups = a.verdictPicks(out)
	default:
		a.shown, _ = a.texts.strata(a.picks, q.GroupBy == poolv1.GroupBy_GROUP_BY_FIBRE, nil)
		a.texts.assignCells(a.picks, q.GroupBy == poolv1.GroupBy_GROUP_BY_ORDER)
	}
	more, err := p.moreOf(ctx, a, q)
	if err != nil {
		return nil, err
	}
	labels, table := a.texts.table(a.picks, groups)
	rows := table.list()
	c := &frozen.Columns{Condition: a.question.Condition, Labels: labels, Rows: rows, Ages: q.Ages, Spectra: q.Spectra, TrialOf: make([]uint32, len(rows))}
	for _, label := range labels.Strata {
		shown := a.shown[label]
		if shown == "" {
			shown = label
		}
		c.Shown = append(c.Shown, shown)
	}
	at := map[trial.ID]uint32{}
	for i, pick := range a.picks {
		id := pick.chunk.trial
		if _, known := at[id]; !known {
			at[id] = uint32(len(c.Trials))
			c.Trials = append(c.Trials, id)
		}
		c.TrialOf[i] = at[id]
		c.Rows[i].AgeDays, c.Rows[i].Spectrum = more[i].age, more[i].spectrum
	}
	if err := c.Sort(); err != nil {
		return nil, err
	}
	out.Columns, out.LeftOut = c, a.left.listed()
	return out, nil
}

// verdictPicks keeps only the picks on which the verdict of an experiment on orders rests: those matched in both orders, of the first complete sessions up
// to its closing size. It returns the two orders.
func (a *asking) verdictPicks(out *Freeze) []string {
	e := a.experiment
	d, groups := a.experimentPicks()
	a.shown, _ = a.texts.strata(a.picks, false, func(*pick) string { return d.String() })
	a.texts.assignCells(a.picks, true)
	a.picks = unmatched(a.picks, a.left)
	labels, _ := a.texts.table(a.picks, groups) // sessions in the order in which they became complete
	out.Complete, out.Closing = len(labels.Blocks), e.ClosingSessions
	used := labels.Blocks[:min(len(labels.Blocks), e.ClosingSessions)]
	out.Used = len(used)
	a.picks = slices.DeleteFunc(a.picks, func(pick *pick) bool {
		late := !slices.Contains(used, a.texts.text(pick.block))
		if late {
			a.left.piece("of a session that became complete after the closing size")
		}
		return late
	})
	return groups
}

// beside is what a row may have beside its colour.
type beside struct {
	age      float64
	spectrum *trial.Spectrum
}

// moreOf reads ages and spectra from the record, trial by trial. Picks of a trial that is no longer shared are dropped.
func (p *Pool) moreOf(ctx context.Context, a *asking, q FreezeQuestion) ([]beside, error) {
	if !q.Ages && !q.Spectra {
		return make([]beside, len(a.picks)), nil
	}
	byTrial := map[trial.ID]map[entryID]beside{}
	var kept []*pick
	var out []beside
	for _, pick := range a.picks {
		known, read := byTrial[pick.chunk.trial]
		if !read {
			var err error
			if known, err = p.besideOf(ctx, pick.chunk.trial, q); err != nil {
				return nil, err
			}
			byTrial[pick.chunk.trial] = known
		}
		more, still := known[pick.reading.id]
		if !still {
			a.left.piece("withdrawn while the question was answered")
			continue
		}
		kept, out = append(kept, pick), append(out, more)
	}
	a.picks = kept
	return out, nil
}

func (p *Pool) besideOf(ctx context.Context, id trial.ID, q FreezeQuestion) (map[entryID]beside, error) {
	row, err := p.reader.TrialRow(ctx, id)
	if errors.Is(err, trial.ErrNotFound) || err == nil && (row.Deleted || !inPool(row.Sharing)) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read trial %s: %w", id, err)
	}
	t, err := p.decode(row.Body)
	if err != nil {
		return nil, fmt.Errorf("decode trial %s: %w", id, err)
	}
	out := make(map[entryID]beside, len(t.Readings))
	for i := range t.Readings {
		r := &t.Readings[i]
		at, err := entryIDOf(r.ID)
		if err != nil {
			return nil, fmt.Errorf("trial %s: %w", id, err)
		}
		more := beside{age: -1}
		if r.AgeDays != trial.AgeUnstated {
			more.age = float64(r.AgeDays)
		}
		if q.Spectra {
			more.spectrum = r.Raw.Spectrum
		}
		out[at] = more
	}
	return out, nil
}
