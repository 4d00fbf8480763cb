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

// GetBath implements labpb.BathServiceServer.
func (s *Service) GetBath(ctx context.Context, request *labpb.GetBathRequest) (*labpb.Bath, error) {
	row, err := s.store.BathRow(ctx, request.GetBathId())
	if err != nil {
		return nil, err
	}
	bath, err := s.bathFor(ctx, row, access.MemberOf(ctx))
	if err != nil {
		return nil, err
	}
	if bath == nil {
		return nil, hidden("bath", request.GetBathId())
	}
	return bath, nil
}

// bathFor is what a member may see of a bath, nil for nothing. Only where nothing else lets them see it does it look for a piece of
// theirs in the bath; they then see what was in the bath, but not what others wrote about it.
func (s *Service) bathFor(ctx context.Context, row store.BathRow, member trial.MemberID) (*labpb.Bath, error) {
	if access.MayReadBath(row, member, false) {
		return raw(named(row.Body, bathEtag, row.Revision), &labpb.Bath{}), nil
	}
	may, err := s.mayReadBath(ctx, row, member)
	if err != nil || !may {
		return nil, err
	}
	bath, err := record.DecodeBath(row.Body)
	if err != nil {
		return nil, fmt.Errorf("bath %s: %w", row.ID, err)
	}
	seen := trial.BathVisibleTo(member, bath, true)
	if seen == nil {
		return nil, nil //nolint:nilnil // nothing to see is no fault
	}
	return record.BathToProto(seen), nil
}

// mayReadBath looks for the member's pieces in the bath only when nothing else decides.
func (s *Service) mayReadBath(ctx context.Context, row store.BathRow, member trial.MemberID) (bool, error) {
	if access.MayReadBath(row, member, false) {
		return true, nil
	}
	if !access.MayReadBath(row, member, true) {
		return false, nil
	}
	return s.store.HasPieceIn(ctx, row.ID, member)
}

// pageRequest is what the lists ask with.
type pageRequest interface {
	GetPageSize() int32
	GetPageToken() string
	GetDeleted() bool
}

// listPage reads one page of rows and gives the token of the next, "" at the end. The token is bound to the list, the caller, the filter
// and whether deleted records are asked for.
func listPage[R any](ctx context.Context, s *Service, list, filtered string, request pageRequest,
	read func(before trial.ID, limit int) ([]R, error), id func(R) trial.ID,
) (rows []R, next string, err error) {
	query := []string{list, access.MemberOf(ctx), filtered, strconv.FormatBool(request.GetDeleted())}
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
	where, err := filter.Parse(request.GetFilter(), store.BathSearchFields)
	if err != nil {
		return nil, err
	}
	rows, next, err := listPage(ctx, s, "baths", request.GetFilter(), request, func(before trial.ID, limit int) ([]store.BathRow, error) {
		return s.store.ListBaths(ctx, store.BathQuery{Reader: member, Deleted: request.GetDeleted(), Where: where, BeforeID: before, Limit: limit})
	}, func(row store.BathRow) trial.ID { return row.ID })
	if err != nil {
		return nil, err
	}
	answer := &labpb.ListBathsResponse{NextPageToken: next}
	for _, row := range rows {
		bath, err := s.bathFor(ctx, row, member)
		if err != nil {
			return nil, err
		}
		if bath != nil {
			answer.Baths = append(answer.Baths, bath)
		}
	}
	return answer, nil
}

// deletedOf is whose deleted records a list asks for; nobody's, unless it says so.
func deletedOf(ctx context.Context, request pageRequest) trial.MemberID {
	if request.GetDeleted() {
		return access.MemberOf(ctx)
	}
	return ""
}

// waterFor is what a member may see of a water source; nil is nothing. Where a well is, is for its owner to tell.
func waterFor(member trial.MemberID, source trial.WaterSource) *labpb.WaterSource {
	if member == "" || !trial.CanReadWaterSource(member, &source) {
		return nil
	}
	source.Place = trial.PlaceFor(member, &source)
	return record.WaterSourceToProto(&source)
}

// GetWaterSource implements labpb.WaterServiceServer.
func (s *Service) GetWaterSource(ctx context.Context, request *labpb.GetWaterSourceRequest) (*labpb.WaterSource, error) {
	source, err := s.store.WaterSource(ctx, request.GetWaterSourceId())
	if err != nil {
		return nil, err
	}
	seen := waterFor(access.MemberOf(ctx), *source)
	if seen == nil {
		return nil, hidden("water source", request.GetWaterSourceId())
	}
	return seen, nil
}

// ListWaterSources implements labpb.WaterServiceServer.
func (s *Service) ListWaterSources(ctx context.Context, request *labpb.ListWaterSourcesRequest) (*labpb.ListWaterSourcesResponse, error) {
	rows, next, err := listPage(ctx, s, "waters", "", request, func(before trial.ID, limit int) ([]trial.WaterSource, error) {
		return s.store.WaterSources(ctx, store.RecordQuery{DeletedOf: deletedOf(ctx, request), BeforeID: before, Limit: limit})
	}, func(row trial.WaterSource) trial.ID { return row.ID })
	if err != nil {
		return nil, err
	}
	answer := &labpb.ListWaterSourcesResponse{NextPageToken: next}
	for _, row := range rows {
		if seen := waterFor(access.MemberOf(ctx), row); seen != nil {
			answer.WaterSources = append(answer.WaterSources, seen)
		}
	}
	return answer, nil
}

// GetExperiment implements labpb.ExperimentServiceServer.
func (s *Service) GetExperiment(ctx context.Context, request *labpb.GetExperimentRequest) (*labpb.Experiment, error) {
	experiment, err := s.store.Experiment(ctx, request.GetExperimentId())
	if err != nil {
		return nil, err
	}
	if !trial.CanReadExperiment(access.MemberOf(ctx), experiment) {
		return nil, hidden("experiment", request.GetExperimentId())
	}
	return record.ExperimentToProto(experiment), nil
}

// ListExperiments implements labpb.ExperimentServiceServer.
func (s *Service) ListExperiments(ctx context.Context, request *labpb.ListExperimentsRequest) (*labpb.ListExperimentsResponse, error) {
	rows, next, err := listPage(ctx, s, "experiments", "", request, func(before trial.ID, limit int) ([]trial.Experiment, error) {
		return s.store.Experiments(ctx, store.RecordQuery{DeletedOf: deletedOf(ctx, request), BeforeID: before, Limit: limit})
	}, func(row trial.Experiment) trial.ID { return row.ID })
	if err != nil {
		return nil, err
	}
	answer := &labpb.ListExperimentsResponse{NextPageToken: next}
	for i := range rows {
		if trial.CanReadExperiment(access.MemberOf(ctx), &rows[i]) {
			answer.Experiments = append(answer.Experiments, record.ExperimentToProto(&rows[i]))
		}
	}
	return answer, nil
}
