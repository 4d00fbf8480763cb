// Package runv1 handles the runs of commonvat.catalog.v1: scoring the pool by chosen modules, and its export.
package runv1

import (
	"context"
	"strconv"

	"google.golang.org/grpc"

	catalogpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api/page"
	"github.com/commonvat/commonvat/services/internal/runs"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// Runs makes runs and tells of them; *runs.Runs does.
type Runs interface {
	Create(ctx context.Context, who runs.Who, request *catalogpb.CreateRunRequest) (*catalogpb.Run, error)
	Get(ctx context.Context, id trial.ID) (*catalogpb.Run, error)
	List(ctx context.Context, before trial.ID, limit int) ([]*catalogpb.Run, error)
	Cancel(ctx context.Context, who runs.Who, id trial.ID, reason string) (*catalogpb.Run, error)
	Resume(ctx context.Context, who runs.Who, id trial.ID, reason string) (*catalogpb.Run, error)
	Delete(ctx context.Context, who runs.Who, id trial.ID, reason string) error
	Scores(ctx context.Context, id trial.ID, module string, skip, limit int) (page *catalogpb.GetRunScoresResponse, more bool, err error)
	Compare(ctx context.Context, request *catalogpb.CompareRunsRequest) (*catalogpb.CompareRunsResponse, error)
	Export(ctx context.Context, who runs.Who, request *catalogpb.ExportPoolRequest, send func(*catalogpb.ExportPoolResponse) error) error
}

// Service handles RunService.
type Service struct {
	catalogpb.UnsafeRunServiceServer
	runs  Runs
	pages *page.Tokens
}

var _ catalogpb.RunServiceServer = (*Service)(nil)

// New returns the handlers.
func New(all Runs) (*Service, error) {
	pages, err := page.NewTokens()
	if err != nil {
		return nil, err
	}
	return &Service{runs: all, pages: pages}, nil
}

// Register adds the service to a server.
func (s *Service) Register(server grpc.ServiceRegistrar) {
	catalogpb.RegisterRunServiceServer(server, s)
}

// who asks; coordinators may change others' runs too.
func who(ctx context.Context) runs.Who {
	caller, _ := access.CallerFrom(ctx)
	return runs.Who{Actor: access.ActorOf(ctx), Any: caller.Has(access.Coordinator)}
}

// CreateRun implements catalogpb.RunServiceServer.
func (s *Service) CreateRun(ctx context.Context, request *catalogpb.CreateRunRequest) (*catalogpb.Run, error) {
	return s.runs.Create(ctx, who(ctx), request)
}

// GetRun implements catalogpb.RunServiceServer.
func (s *Service) GetRun(ctx context.Context, request *catalogpb.GetRunRequest) (*catalogpb.Run, error) {
	return s.runs.Get(ctx, request.GetRunId())
}

// ListRuns implements catalogpb.RunServiceServer.
func (s *Service) ListRuns(ctx context.Context, request *catalogpb.ListRunsRequest) (*catalogpb.ListRunsResponse, error) {
	query := []string{"ListRuns", access.MemberOf(ctx)}
	before, err := s.pages.Read(request.GetPageToken(), query...)
	if err != nil {
		return nil, err
	}
	size := page.Size(request.GetPageSize())
	list, err := s.runs.List(ctx, before, size+1) // one more, to know whether there is a next page
	if err != nil {
		return nil, err
	}
	answer := &catalogpb.ListRunsResponse{Runs: list}
	if len(list) > size {
		answer.Runs = list[:size]
		answer.NextPageToken = s.pages.Next(list[size-1].GetId(), query...)
	}
	return answer, nil
}

// CancelRun implements catalogpb.RunServiceServer.
func (s *Service) CancelRun(ctx context.Context, request *catalogpb.CancelRunRequest) (*catalogpb.Run, error) {
	return s.runs.Cancel(ctx, who(ctx), request.GetRunId(), request.GetReason())
}

// ResumeRun implements catalogpb.RunServiceServer.
func (s *Service) ResumeRun(ctx context.Context, request *catalogpb.ResumeRunRequest) (*catalogpb.Run, error) {
	return s.runs.Resume(ctx, who(ctx), request.GetRunId(), request.GetReason())
}

// GetRunScores implements catalogpb.RunServiceServer.
func (s *Service) GetRunScores(ctx context.Context, request *catalogpb.GetRunScoresRequest) (*catalogpb.GetRunScoresResponse, error) {
	query := []string{"GetRunScores", access.MemberOf(ctx), request.GetRunId(), request.GetModule()}
	after, err := s.pages.Read(request.GetPageToken(), query...)
	if err != nil {
		return nil, err
	}
	skip := 0
	if after != "" {
		if skip, err = strconv.Atoi(after); err != nil {
			return nil, &trial.FieldFault{Field: "page_token", Text: "is malformed"}
		}
	}
	size := page.Size(request.GetPageSize())
	answer, more, err := s.runs.Scores(ctx, request.GetRunId(), request.GetModule(), skip, size)
	if err != nil {
		return nil, err
	}
	if more {
		answer.NextPageToken = s.pages.Next(strconv.Itoa(skip+size), query...)
	}
	return answer, nil
}

// CompareRuns implements catalogpb.RunServiceServer.
func (s *Service) CompareRuns(ctx context.Context, request *catalogpb.CompareRunsRequest) (*catalogpb.CompareRunsResponse, error) {
	return s.runs.Compare(ctx, request)
}

// DeleteRun implements catalogpb.RunServiceServer.
func (s *Service) DeleteRun(ctx context.Context, request *catalogpb.DeleteRunRequest) (*catalogpb.DeleteRunResponse, error) {
	if err := s.runs.Delete(ctx, who(ctx), request.GetRunId(), request.GetReason()); err != nil {
		return nil, err
	}
	return &catalogpb.DeleteRunResponse{}, nil
}

// ExportPool implements catalogpb.RunServiceServer.
func (s *Service) ExportPool(request *catalogpb.ExportPoolRequest, stream grpc.ServerStreamingServer[catalogpb.ExportPoolResponse]) error {
	return s.runs.Export(stream.Context(), who(stream.Context()), request, stream.Send)
}
