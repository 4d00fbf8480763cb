package labv1

import (
	"context"
	"fmt"
	"strconv"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api/filter"
	"github.com/commonvat/commonvat/services/internal/api/page"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// GetTrial implements labpb.TrialServiceServer. Whoever may read all of a trial gets the stored bytes; whoever only holds
// pieces of it gets those with their entries.
func (s *Service) GetTrial(ctx context.Context, request *labpb.GetTrialRequest) (*labpb.Trial, error) {
	row, err := s.store.TrialRow(ctx, request.GetTrialId())
	if err != nil {
		return nil, err
	}
	member := access.MemberOf(ctx)
	switch access.ViewOfTrial(row, member) {
	case access.All:
		return raw(named(row.Body, trialEtag, row.Revision), &labpb.Trial{}), nil
	case access.HeldParts:
		part, err := heldPart(row, member)
		if err != nil {
			return nil, err
		}
		return record.TrialToProto(part), nil
	default:
		return nil, hidden("trial", request.GetTrialId())
	}
}

// heldPart decodes what a holder of pieces may see of a trial. Error: trial.ErrNotFound when that is nothing.
func heldPart(row store.TrialRow, member trial.MemberID) (*trial.Trial, error) {
	whole, err := record.DecodeTrial(row.Body)
	if err != nil {
		return nil, fmt.Errorf("trial %s: %w", row.ID, err)
	}
	part := trial.VisibleTo(member, whole)
	if part == nil {
		return nil, hidden("trial", row.ID)
	}
	return part, nil
}

// ListTrials implements labpb.TrialServiceServer.
func (s *Service) ListTrials(ctx context.Context, request *labpb.ListTrialsRequest) (*labpb.ListTrialsResponse, error) {
	member := access.MemberOf(ctx)
	query := []string{"trials", member, request.GetFilter(), strconv.FormatBool(request.GetDeleted())}
	before, err := s.pages.Read(request.GetPageToken(), query...)
	if err != nil {
		return nil, err
	}
	where, err := filter.Parse(request.GetFilter(), store.TrialSearchFields)
	if err != nil {
		return nil, err
	}
	size := page.Size(request.GetPageSize())
	// One more than asked for, to know whether there is a next page.
	rows, err := s.store.ListTrials(ctx, store.TrialQuery{Reader: member, Deleted: request.GetDeleted(), Where: where, BeforeID: before, Limit: size + 1})
	if err != nil {
		return nil, err
	}
	answer := &labpb.ListTrialsResponse{}
	if len(rows) > size {
		rows = rows[:size]
		answer.NextPageToken = s.pages.Next(rows[size-1].ID, query...)
	}
	for _, row := range rows {
		summary, err := summaryFor(row, member)
		if err != nil {
			return nil, err
		}
		if summary != nil {
			answer.Trials = append(answer.Trials, summary)
		}
	}
	return answer, nil
}

// summaryFor is what a member may see of a row; nil when it is nothing, also if the store listed it.
func summaryFor(row store.TrialRow, member trial.MemberID) (*labpb.TrialSummary, error) {
	switch access.ViewOfTrial(row, member) {
	case access.All:
		return summarise(row.Body, row.Revision)
	case access.HeldParts:
		part, err := heldPart(row, member)
		if err != nil {
			return nil, err
		}
		return record.TrialSummaryToProto(part), nil
	default:
		return nil, nil //nolint:nilnil // nothing to see is no fault
	}
}

// GetPiece implements labpb.TrialServiceServer.
func (s *Service) GetPiece(ctx context.Context, request *labpb.GetPieceRequest) (*labpb.Piece, error) {
	ref, err := s.store.TrialOfPiece(ctx, request.GetPiece())
	if err != nil {
		return nil, err
	}
	row, err := s.store.TrialRow(ctx, ref.TrialID)
	if err != nil {
		return nil, err
	}
	if member := access.MemberOf(ctx); access.ViewOfTrial(row, member) != access.Nothing {
		part, err := heldPart(row, member)
		if err != nil {
			return nil, err
		}
		for i := range part.Pieces {
			if part.Pieces[i].ID == ref.PieceID {
				return record.PieceToProto(&part.Pieces[i]), nil
			}
		}
	}
	return nil, hidden("piece", request.GetPiece())
}
