package labv1

import (
	"context"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api/page"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// GetBath implements labpb.BathServiceServer.
func (s *Service) GetBath(ctx context.Context, request *labpb.GetBathRequest) (*labpb.Bath, error) {
	row, err := s.store.BathRow(ctx, request.GetBathId())
	if err != nil {
		return nil, err
	}
	may, err := s.mayReadBath(ctx, row, access.MemberOf(ctx))
	if err != nil {
		return nil, err
	}
	if !may {
		return nil, hidden("bath", request.GetBathId())
	}
	return raw(row.Body, &labpb.Bath{}), nil
}

// mayReadBath looks for the member's pieces in the bath only when nothing else decides.
func (s *Service) mayReadBath(ctx context.Context, row store.BathRow, member trial.MemberID) (bool, error) {
	if access.MayReadBath(row, member, false) {
		return true, nil
	}
	hadPieceIn, err := s.store.HasPieceIn(ctx, row.ID, member)
	if err != nil {
		return false, err
	}
	return access.MayReadBath(row, member, hadPieceIn), nil
}

// pageRequest is what the lists without a filter ask with.
type pageRequest interface {
	GetPageSize() int32
	GetPageToken() string
}

// listPage reads one page of rows and gives the token of the next, "" at the end.
func listPage[R any](ctx context.Context, s *Service, list string, request pageRequest,
	read func(before trial.ID, limit int) ([]R, error), id func(R) trial.ID,
) (rows []R, next string, err error) {
	query := []string{list, access.MemberOf(ctx)}
	before, err := s.pages.Read(request.GetPageToken(), query...)
	if err != nil {
		return nil, "", err
	}
	size := page.Size(request.GetPageSize())
	if rows, err = read(before, size+1); err != nil {
		return nil, "", err
	}
	if len(rows) > size {
		rows = rows[:size]
		next = s.pages.Next(id(rows[size-1]), query...)
	}
	return rows, next, nil
}

// ListBaths implements labpb.BathServiceServer.
func (s *Service) ListBaths(ctx context.Context, request *labpb.ListBathsRequest) (*labpb.ListBathsResponse, error) {
	member := access.MemberOf(ctx)
	rows, next, err := listPage(ctx, s, "baths", request, func(before trial.ID, limit int) ([]store.BathRow, error) {
		return s.store.ListBaths(ctx, member, before, limit)
	}, func(row store.BathRow) trial.ID { return row.ID })
	if err != nil {
		return nil, err
	}
	answer := &labpb.ListBathsResponse{NextPageToken: next}
	for _, row := range rows {
		may, err := s.mayReadBath(ctx, row, member)
		if err != nil {
			return nil, err
		}
		if may {
			answer.Baths = append(answer.Baths, raw(row.Body, &labpb.Bath{}))
		}
	}
	return answer, nil
}

// ListWaterSources implements labpb.WaterServiceServer.
func (s *Service) ListWaterSources(ctx context.Context, request *labpb.ListWaterSourcesRequest) (*labpb.ListWaterSourcesResponse, error) {
	rows, next, err := listPage(ctx, s, "waters", request, func(before trial.ID, limit int) ([]trial.WaterSource, error) {
		return s.store.WaterSources(ctx, before, limit)
	}, func(row trial.WaterSource) trial.ID { return row.ID })
	if err != nil {
		return nil, err
	}
	answer := &labpb.ListWaterSourcesResponse{NextPageToken: next}
	for i := range rows {
		// Where a well is, is for its owner to know.
		if rows[i].Owner != access.MemberOf(ctx) {
			rows[i].Place = ""
		}
		answer.WaterSources = append(answer.WaterSources, record.WaterSourceToProto(&rows[i]))
	}
	return answer, nil
}

// GetExperiment implements labpb.ExperimentServiceServer.
func (s *Service) GetExperiment(ctx context.Context, request *labpb.GetExperimentRequest) (*labpb.Experiment, error) {
	experiment, err := s.store.Experiment(ctx, request.GetExperimentId())
	if err != nil {
		return nil, err
	}
	return record.ExperimentToProto(experiment), nil
}

// ListExperiments implements labpb.ExperimentServiceServer.
func (s *Service) ListExperiments(ctx context.Context, request *labpb.ListExperimentsRequest) (*labpb.ListExperimentsResponse, error) {
	rows, next, err := listPage(ctx, s, "experiments", request, func(before trial.ID, limit int) ([]trial.Experiment, error) {
		return s.store.Experiments(ctx, before, limit)
	}, func(row trial.Experiment) trial.ID { return row.ID })
	if err != nil {
		return nil, err
	}
	answer := &labpb.ListExperimentsResponse{NextPageToken: next}
	for i := range rows {
		answer.Experiments = append(answer.Experiments, record.ExperimentToProto(&rows[i]))
	}
	return answer, nil
}
