package labv1

import (
	"context"
	"time"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// UpdateTrial implements labpb.TrialServiceServer.
func (s *Service) UpdateTrial(ctx context.Context, request *labpb.UpdateTrialRequest) (*labpb.Trial, error) {
	given := record.TrialFromProto(request.GetTrial())
	return s.changeTrial(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.Trial, error) {
		return trial.UpdateTrial(records, member, now, given, request.GetUpdateMask().GetPaths(), request.GetEtag())
	})
}

// DeleteTrial implements labpb.TrialServiceServer.
func (s *Service) DeleteTrial(ctx context.Context, request *labpb.DeleteTrialRequest) (*labpb.Trial, error) {
	return s.changeTrial(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.Trial, error) {
		return trial.DeleteTrial(records, member, now, request.GetTrialId(), request.GetEtag())
	})
}

// UndeleteTrial implements labpb.TrialServiceServer.
func (s *Service) UndeleteTrial(ctx context.Context, request *labpb.UndeleteTrialRequest) (*labpb.Trial, error) {
	return s.changeTrial(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.Trial, error) {
		return trial.UndeleteTrial(records, member, now, request.GetTrialId(), request.GetEtag())
	})
}

// UpdateBath implements labpb.BathServiceServer.
func (s *Service) UpdateBath(ctx context.Context, request *labpb.UpdateBathRequest) (*labpb.Bath, error) {
	given := record.BathFromProto(request.GetBath())
	return s.changeBath(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.Bath, error) {
		return trial.UpdateBath(records, member, now, given, request.GetUpdateMask().GetPaths(), request.GetEtag())
	})
}

// DeleteBath implements labpb.BathServiceServer.
func (s *Service) DeleteBath(ctx context.Context, request *labpb.DeleteBathRequest) (*labpb.Bath, error) {
	return s.changeBath(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.Bath, error) {
		return trial.DeleteBath(records, member, now, request.GetBathId(), request.GetEtag())
	})
}

// UndeleteBath implements labpb.BathServiceServer.
func (s *Service) UndeleteBath(ctx context.Context, request *labpb.UndeleteBathRequest) (*labpb.Bath, error) {
	return s.changeBath(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.Bath, error) {
		return trial.UndeleteBath(records, member, now, request.GetBathId(), request.GetEtag())
	})
}

// UpdateWaterSource implements labpb.WaterServiceServer.
func (s *Service) UpdateWaterSource(ctx context.Context, request *labpb.UpdateWaterSourceRequest) (*labpb.WaterSource, error) {
	given := record.WaterSourceFromProto(request.GetWaterSource())
	return s.changeWater(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.WaterSource, error) {
		return trial.UpdateWaterSource(records, member, now, given, request.GetUpdateMask().GetPaths(), request.GetEtag())
	})
}

// DeleteWaterSource implements labpb.WaterServiceServer.
func (s *Service) DeleteWaterSource(ctx context.Context, request *labpb.DeleteWaterSourceRequest) (*labpb.WaterSource, error) {
	return s.changeWater(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.WaterSource, error) {
		return trial.DeleteWaterSource(records, member, now, request.GetWaterSourceId(), request.GetEtag())
	})
}

// UndeleteWaterSource implements labpb.WaterServiceServer.
func (s *Service) UndeleteWaterSource(ctx context.Context, request *labpb.UndeleteWaterSourceRequest) (*labpb.WaterSource, error) {
	return s.changeWater(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.WaterSource, error) {
		return trial.UndeleteWaterSource(records, member, now, request.GetWaterSourceId(), request.GetEtag())
	})
}

// UpdateExperiment implements labpb.ExperimentServiceServer.
func (s *Service) UpdateExperiment(ctx context.Context, request *labpb.UpdateExperimentRequest) (*labpb.Experiment, error) {
	given := record.ExperimentFromProto(request.GetExperiment())
	return s.changeExperiment(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.Experiment, error) {
		return trial.UpdateExperiment(records, member, now, given, request.GetUpdateMask().GetPaths(), request.GetEtag())
	})
}

// DeleteExperiment implements labpb.ExperimentServiceServer.
func (s *Service) DeleteExperiment(ctx context.Context, request *labpb.DeleteExperimentRequest) (*labpb.Experiment, error) {
	return s.changeExperiment(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.Experiment, error) {
		return trial.DeleteExperiment(records, member, now, request.GetExperimentId(), request.GetEtag())
	})
}

// UndeleteExperiment implements labpb.ExperimentServiceServer.
func (s *Service) UndeleteExperiment(ctx context.Context, request *labpb.UndeleteExperimentRequest) (*labpb.Experiment, error) {
	return s.changeExperiment(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.Experiment, error) {
		return trial.UndeleteExperiment(records, member, now, request.GetExperimentId(), request.GetEtag())
	})
}
