package runs

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	"github.com/commonvat/commonvat/services/internal/runs/frozen"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// settle takes out of all runs what was taken back up to now. Nothing of a run is told before.
func (r *Runs) settle(ctx context.Context) error {
	r.settling.Lock()
	defer r.settling.Unlock()
	record := r.Feed.Revision()
	if r.settled >= record {
		return nil
	}
	if r.settled >= 0 {
		changes, err := r.Feed.Changes(ctx, r.settled, store.MaxPage)
		if err != nil {
			return fmt.Errorf("read changes: %w", err)
		}
		owed := len(changes) >= store.MaxPage // of more than a page the worst is taken to be true
		for _, change := range changes {
			owed = owed || change.Kind == trial.Withdrawn || change.Kind == trial.Deleted
		}
		if !owed {
			r.settled = record
			return nil
		}
	}
	gone, err := r.withdrawn(ctx)
	if err != nil {
		return err
	}
	for id, trials := range gone {
		if err := r.erase(ctx, id, trials); err != nil {
			return fmt.Errorf("erase from run %s: %w", id, err)
		}
	}
	r.settled = record
	return nil
}

// withdrawn is which trials are to be taken out of which runs.
func (r *Runs) withdrawn(ctx context.Context) (map[trial.ID]map[trial.ID]bool, error) {
	list, err := r.Store.WithdrawnFromRuns(ctx)
	if err != nil {
		return nil, err
	}
	gone := map[trial.ID]map[trial.ID]bool{}
	for _, one := range list {
		if gone[one.Run] == nil {
			gone[one.Run] = map[trial.ID]bool{}
		}
		gone[one.Run][one.Trial] = true
	}
	return gone, nil
}

// erase takes trials out of a run. One that was under way goes on after; of one that was done, the groups that changed are to be scored again.
func (r *Runs) erase(ctx context.Context, id trial.ID, gone map[trial.ID]bool) error {
	release, wasActive, wasWaiting, err := r.hold(ctx, id, errErase)
	if err != nil {
		return err
	}
	again := wasActive || wasWaiting
	defer func() { release(again) }()
	row, err := r.Store.Run(ctx, id)
	if errors.Is(err, trial.ErrNotFound) {
		again = false
		return nil // deleted meanwhile, with all that it had
	}
	if err != nil {
		return err
	}
	run, err := decode(row)
	if err != nil {
		return err
	}
	columns, err := r.columnsKept(ctx, run)
	if err != nil {
		return err
	}
	if _, err := r.takeOut(ctx, run, columns, gone); err != nil {
		return err
	}
	if again = again && underWay(run.GetState()); again && run.GetState() != catalogv1.RunState_RUN_STATE_WAITING {
		run.State = catalogv1.RunState_RUN_STATE_WAITING
		return r.put(ctx, itself, run, "", "")
	}
	return nil
}

func (r *Runs) columnsKept(ctx context.Context, run *catalogv1.Run) (*frozen.Columns, error) {
	parts, err := r.Store.RunColumns(ctx, run.GetId())
	if err != nil {
		return nil, err
	}
	return frozen.Decode(parts, run.GetColumns().GetSha256())
}

// withoutLateWithdrawals takes out what was taken back between the choice of the rows and their keeping.
func (r *Runs) withoutLateWithdrawals(ctx context.Context, run *catalogv1.Run, columns *frozen.Columns) (*frozen.Columns, error) {
	gone, err := r.withdrawn(ctx)
	if err != nil || len(gone[run.GetId()]) == 0 {
		return columns, err
	}
	return r.takeOut(ctx, run, columns, gone[run.GetId()])
}

// takeOut takes trials out of the columns of a run and the groups that they were part of out of its scores.
func (r *Runs) takeOut(ctx context.Context, run *catalogv1.Run, columns *frozen.Columns, gone map[trial.ID]bool) (*frozen.Columns, error) {
	rest, erased, from := columns.Without(gone)
	encoded, err := rest.Encode()
	if err != nil {
		return nil, err
	}
	kept := store.RunRest{Columns: encoded.Parts, Trials: rest.Trials}
	affected := 0
	for i, result := range run.GetResults() {
		parts, err := r.Store.RunScores(ctx, run.GetId(), i)
		if err != nil {
			return nil, err
		}
		rows, n := int64(0), 0
		for _, part := range parts {
			if part.Part == testPart {
				continue // permuting is over all rows
			}
			said := &catalogv1.FrozenPart{}
			if err := proto.Unmarshal(part.Body, said); err != nil {
				return nil, fmt.Errorf("decode scores of run %s: %w", run.GetId(), err)
			}
			left := &catalogv1.FrozenPart{}
			for k, g := range said.GetGroups() {
				if from[[2]string{g.GetStratum(), g.GetGroup()}] {
					n++
					continue
				}
				left.Groups, left.Rows, left.Shown = append(left.Groups, g), append(left.Rows, said.GetRows()[k]), append(left.Shown, said.GetShown()[k])
				rows += said.GetRows()[k]
			}
			if part.Body, err = deterministic.Marshal(left); err != nil {
				return nil, err
			}
			kept.Scores = append(kept.Scores, part)
		}
		affected = max(affected, n)
		result.RowsDone, result.RowsAll, result.ScoresSha256, result.Tests, result.RelabellingsAll, result.RelabellingsDone = rows, int64(len(rest.Rows)), "", nil, 0, 0
	}
	c, now := run.GetColumns(), told(rest)
	if c.GetFirstSha256() == "" {
		c.FirstSha256 = c.GetSha256()
	}
	c.Rows, c.Groups, c.Strata, c.Sessions, c.Sha256 = now.GetRows(), now.GetGroups(), now.GetStrata(), now.GetSessions(), encoded.SHA256
	c.ErasedRows, c.EraseTime = c.GetErasedRows()+int64(erased), timestamppb.New(r.Clock())
	wasDone := run.GetState() == catalogv1.RunState_RUN_STATE_DONE
	if !underWay(run.GetState()) {
		if wasDone {
			run.State = catalogv1.RunState_RUN_STATE_INTERRUPTED
		}
		run.Reason = fmt.Sprintf("members took %d rows back; %d groups are to be scored again", erased, affected)
	}
	row, at, err := r.row(run)
	if err != nil {
		return nil, err
	}
	if err := r.Store.EraseFromRun(ctx, itself, at, row, kept, fmt.Sprintf("erased %d rows", erased)); err != nil {
		return nil, err
	}
	if wasDone {
		r.Meter.RunEnded(stateWords(run.GetState()))
	}
	return rest, nil
}
