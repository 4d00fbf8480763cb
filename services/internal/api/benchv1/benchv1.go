// Package benchv1 handles commonvat.bench.v1: plans, sheets and workshops, which are their member's alone.
package benchv1

import (
	"context"

	"google.golang.org/grpc"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api/page"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// Bench plans; *bench.Bench does.
type Bench interface {
	Plan(ctx context.Context, member trial.MemberID, plan *benchpb.Plan) (*benchpb.Sheet, error)
	Keep(ctx context.Context, by store.Actor, plan *benchpb.Plan) (*benchpb.Sheet, error)
	Scale(ctx context.Context, member trial.MemberID, plan *benchpb.Plan) (*benchpb.ScaleBathResponse, error)
	Mordants(ctx context.Context, member trial.MemberID, plan *benchpb.Plan) (*benchpb.SelectMordantResponse, error)
	Inspect(ctx context.Context, member trial.MemberID, plan *benchpb.Plan) (*benchpb.Sheet, error)
	Sheet(ctx context.Context, member trial.MemberID, plan trial.ID, revision int64) (*benchpb.Sheet, error)
	Sheets(ctx context.Context, member trial.MemberID, deleted bool, before trial.ID, limit int) ([]*benchpb.SheetSummary, error)
	InspectAgain(ctx context.Context, by store.Actor, plans []trial.ID) ([]*benchpb.SheetInspection, error)
	Override(ctx context.Context, by store.Actor, request *benchpb.OverrideStopRequest) (*benchpb.Sheet, error)
	Rescale(ctx context.Context, member trial.MemberID, request *benchpb.RescaleTrialRequest) (*benchpb.RescaleTrialResponse, error)
	Delete(ctx context.Context, by store.Actor, plan trial.ID, etag, reason string) (*benchpb.Sheet, error)
	Undelete(ctx context.Context, by store.Actor, plan trial.ID, etag string) (*benchpb.Sheet, error)
	Workshop(ctx context.Context, member trial.MemberID) (*benchpb.Workshop, error)
	UpdateWorkshop(ctx context.Context, by store.Actor, given *benchpb.Workshop, etag string, toldAnew ...string) (*benchpb.Workshop, error)
}

// Service handles BenchService.
type Service struct {
	benchpb.UnsafeBenchServiceServer
	bench Bench
	pages *page.Tokens
}

var _ benchpb.BenchServiceServer = (*Service)(nil)

// New returns the handlers.
func New(bench Bench) (*Service, error) {
	pages, err := page.NewTokens()
	if err != nil {
		return nil, err
	}
	return &Service{bench: bench, pages: pages}, nil
}

// Register adds the service to a server.
func (s *Service) Register(server grpc.ServiceRegistrar) {
	benchpb.RegisterBenchServiceServer(server, s)
}

// PlanTrial implements benchpb.BenchServiceServer.
func (s *Service) PlanTrial(ctx context.Context, request *benchpb.PlanTrialRequest) (*benchpb.Sheet, error) {
	if request.GetValidateOnly() {
		return s.bench.Plan(ctx, access.MemberOf(ctx), request.GetPlan())
	}
	return s.bench.Keep(ctx, access.ActorOf(ctx), request.GetPlan())
}

// ScaleBath implements benchpb.BenchServiceServer.
func (s *Service) ScaleBath(ctx context.Context, request *benchpb.ScaleBathRequest) (*benchpb.ScaleBathResponse, error) {
	return s.bench.Scale(ctx, access.MemberOf(ctx), request.GetPlan())
}

// SelectMordant implements benchpb.BenchServiceServer.
func (s *Service) SelectMordant(ctx context.Context, request *benchpb.SelectMordantRequest) (*benchpb.SelectMordantResponse, error) {
	return s.bench.Mordants(ctx, access.MemberOf(ctx), request.GetPlan())
}

// InspectPlan implements benchpb.BenchServiceServer.
func (s *Service) InspectPlan(ctx context.Context, request *benchpb.InspectPlanRequest) (*benchpb.Sheet, error) {
	return s.bench.Inspect(ctx, access.MemberOf(ctx), request.GetPlan())
}

// GetSheet implements benchpb.BenchServiceServer.
func (s *Service) GetSheet(ctx context.Context, request *benchpb.GetSheetRequest) (*benchpb.Sheet, error) {
	return s.bench.Sheet(ctx, access.MemberOf(ctx), request.GetPlanId(), request.GetRevision())
}

// ListSheets implements benchpb.BenchServiceServer.
func (s *Service) ListSheets(ctx context.Context, request *benchpb.ListSheetsRequest) (*benchpb.ListSheetsResponse, error) {
	member := access.MemberOf(ctx)
	list := "sheets"
	if request.GetDeleted() {
		list = "deleted sheets"
	}
	before, err := s.pages.Read(request.GetPageToken(), list, member)
	if err != nil {
		return nil, err
	}
	size := page.Size(request.GetPageSize())
	sheets, err := s.bench.Sheets(ctx, member, request.GetDeleted(), before, size+1)
	if err != nil {
		return nil, err
	}
	answer := &benchpb.ListSheetsResponse{Sheets: sheets}
	if len(sheets) > size {
		answer.Sheets = sheets[:size]
		answer.NextPageToken = s.pages.Next(sheets[size-1].GetPlanId(), list, member)
	}
	return answer, nil
}

// InspectSheetsAgain implements benchpb.BenchServiceServer.
func (s *Service) InspectSheetsAgain(ctx context.Context, request *benchpb.InspectSheetsAgainRequest) (*benchpb.InspectSheetsAgainResponse, error) {
	sheets, err := s.bench.InspectAgain(ctx, access.ActorOf(ctx), request.GetPlanIds())
	if err != nil {
		return nil, err
	}
	return &benchpb.InspectSheetsAgainResponse{Sheets: sheets}, nil
}

// OverrideStop implements benchpb.BenchServiceServer.
func (s *Service) OverrideStop(ctx context.Context, request *benchpb.OverrideStopRequest) (*benchpb.Sheet, error) {
	return s.bench.Override(ctx, access.ActorOf(ctx), request)
}

// RescaleTrial implements benchpb.BenchServiceServer.
func (s *Service) RescaleTrial(ctx context.Context, request *benchpb.RescaleTrialRequest) (*benchpb.RescaleTrialResponse, error) {
	return s.bench.Rescale(ctx, access.MemberOf(ctx), request)
}

// DeleteSheet implements benchpb.BenchServiceServer.
func (s *Service) DeleteSheet(ctx context.Context, request *benchpb.DeleteSheetRequest) (*benchpb.Sheet, error) {
	return s.bench.Delete(ctx, access.ActorOf(ctx), request.GetPlanId(), request.GetEtag(), request.GetReason())
}

// UndeleteSheet implements benchpb.BenchServiceServer.
func (s *Service) UndeleteSheet(ctx context.Context, request *benchpb.UndeleteSheetRequest) (*benchpb.Sheet, error) {
	return s.bench.Undelete(ctx, access.ActorOf(ctx), request.GetPlanId(), request.GetEtag())
}

// GetWorkshop implements benchpb.BenchServiceServer.
func (s *Service) GetWorkshop(ctx context.Context, _ *benchpb.GetWorkshopRequest) (*benchpb.Workshop, error) {
	return s.bench.Workshop(ctx, access.MemberOf(ctx))
}

// UpdateWorkshop implements benchpb.BenchServiceServer.
func (s *Service) UpdateWorkshop(ctx context.Context, request *benchpb.UpdateWorkshopRequest) (*benchpb.Workshop, error) {
	return s.bench.UpdateWorkshop(ctx, access.ActorOf(ctx), request.GetWorkshop(), request.GetEtag(), request.GetToldAnew()...)
}
