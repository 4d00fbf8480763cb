package bench

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/types/known/timestamppb"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func sheetDeleted(plan trial.ID) error {
	return fmt.Errorf("%w: the sheet of plan %s is deleted; undelete it first", trial.ErrConflict, plan)
}

// Delete takes a sheet out of every list, as its next revision. Errors: trial.ErrNotFound; *trial.StaleError; trial.ErrConflict when it is deleted.
func (b *Bench) Delete(ctx context.Context, by store.Actor, plan trial.ID, etag, reason string) (*benchpb.Sheet, error) {
	return b.revise(ctx, by, plan, etag, "deleted", reason, func(s *benchpb.Sheet) error {
		if s.GetDeleteTime() != nil {
			return sheetDeleted(plan)
		}
		s.DeleteTime = timestamppb.New(b.now())
		return nil
	})
}

// Undelete brings a sheet back, as its next revision. etag may be empty. Errors: trial.ErrNotFound; *trial.StaleError; trial.ErrNotDeleted.
func (b *Bench) Undelete(ctx context.Context, by store.Actor, plan trial.ID, etag string) (*benchpb.Sheet, error) {
	return b.revise(ctx, by, plan, etag, "undeleted", "", func(s *benchpb.Sheet) error {
		if s.GetDeleteTime() == nil {
			return fmt.Errorf("sheet of plan %s: %w", plan, trial.ErrNotDeleted)
		}
		s.DeleteTime = nil
		return nil
	})
}

// revise keeps what change makes of the newest revision as the next one. Nothing in it is computed again.
func (b *Bench) revise(ctx context.Context, by store.Actor, plan trial.ID, etag, act, reason string, change func(*benchpb.Sheet) error) (*benchpb.Sheet, error) {
	if _, err := b.store.Sheet(ctx, by.Member, plan, 0); err != nil { // another's isn't there
		return nil, err
	}
	row, err := b.store.KeepSheet(ctx, by, b.now(), plan, act, reason, func(keeping store.SheetKeeping) (*store.SheetRow, error) {
		kept, err := decode(*keeping.Newest)
		if err != nil {
			return nil, err
		}
		s := kept.GetSheet()
		if etag != "" && etag != s.GetEtag() {
			return nil, &trial.StaleError{Kind: "sheet", ID: plan, Given: etag, Current: s.GetEtag()}
		}
		if err := change(s); err != nil {
			return nil, err
		}
		s.Revision, s.Etag, s.CreateTime = 0, "", nil
		body, err := canonical.Marshal(kept)
		next := &store.SheetRow{TrialID: s.GetPlan().GetTrialId(), Title: s.GetPlan().GetTitle(), Standing: int32(s.GetStanding()), Body: body}
		if s.GetDeleteTime() != nil {
			next.Standing, next.Deleted = 0, true
		}
		return next, err
	})
	if err != nil {
		return nil, err
	}
	return decoded(row)
}
