package labv1

import (
	"context"
	"errors"
	"time"

	"google.golang.org/protobuf/proto"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// errTrialRun undoes a change that was only to be checked.
var errTrialRun = errors.New("checked only")

// SubmitTrial implements labpb.TrialServiceServer.
func (s *Service) SubmitTrial(ctx context.Context, request *labpb.SubmitTrialRequest) (*labpb.SubmitTrialResponse, error) {
	given, baths := record.TrialFromProto(request.GetTrial()), record.BathsFromProto(request.GetBaths())
	run := func(records trial.Records, member trial.MemberID, now time.Time) (proto.Message, error) {
		kept, keptBaths, err := trial.SubmitTrial(records, member, now, given, baths)
		if err != nil {
			return nil, err
		}
		return &labpb.SubmitTrialResponse{Trial: record.TrialToProto(kept), Baths: record.BathsToProto(keptBaths)}, nil
	}
	if request.GetValidateOnly() {
		return s.checkSubmit(ctx, run)
	}
	return change(ctx, s, request.GetRequestId(), request, &labpb.SubmitTrialResponse{}, run)
}

// checkSubmit makes the whole change and undoes it, so that a check can't differ from the real thing. Its
// request id is not used up.
func (s *Service) checkSubmit(ctx context.Context, run command) (*labpb.SubmitTrialResponse, error) {
	member, now := access.MemberOf(ctx), s.now()
	answers := make(chan proto.Message, 1) // the writer has its own goroutine, and the call may end before it
	_, err := s.store.Change(ctx, store.ChangeRequest{Actor: access.ActorOf(ctx), Now: now, Apply: func(records trial.Records) ([]byte, error) {
		answer, err := run(records, member, now)
		if err != nil {
			return nil, err
		}
		select {
		case <-answers: // of a run whose group was lost
		default:
		}
		answers <- answer
		return nil, errTrialRun
	}})
	if !errors.Is(err, errTrialRun) {
		return nil, err
	}
	answer, ok := (<-answers).(*labpb.SubmitTrialResponse)
	if !ok {
		return nil, errors.New("check of a trial gave another answer")
	}
	// Nothing was kept, so there is no revision to ask for.
	answer.GetTrial().Revision, answer.GetTrial().Etag = 0, ""
	for _, bath := range answer.GetBaths() {
		bath.Revision, bath.Etag = 0, ""
	}
	return answer, nil
}

// changeTrial is change for commands that return a trial.
func (s *Service) changeTrial(ctx context.Context, requestID string, request proto.Message, run func(records trial.Records, member trial.MemberID, now time.Time) (*trial.Trial, error)) (*labpb.Trial, error) {
	return change(ctx, s, requestID, request, &labpb.Trial{}, func(records trial.Records, member trial.MemberID, now time.Time) (proto.Message, error) {
		kept, err := run(records, member, now)
		if err != nil {
			return nil, err
		}
		return record.TrialToProto(kept), nil
	})
}

// AddEntries implements labpb.TrialServiceServer.
func (s *Service) AddEntries(ctx context.Context, request *labpb.AddEntriesRequest) (*labpb.Trial, error) {
	entries := record.EntriesFromProto(request)
	return s.changeTrial(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.Trial, error) {
		return trial.AddEntries(records, member, now, request.GetTrialId(), request.GetEtag(), entries)
	})
}

// SetTrialState implements labpb.TrialServiceServer.
func (s *Service) SetTrialState(ctx context.Context, request *labpb.SetTrialStateRequest) (*labpb.Trial, error) {
	return s.changeTrial(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.Trial, error) {
		return trial.SetTrialState(records, member, now, request.GetTrialId(), request.GetEtag(), trial.State(request.GetState()), request.GetAbandonedReason())
	})
}

// ShareTrial implements labpb.TrialServiceServer.
func (s *Service) ShareTrial(ctx context.Context, request *labpb.ShareTrialRequest) (*labpb.Trial, error) {
	sharing := record.SharingFromProto(request.GetSharing())
	return s.changeTrial(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.Trial, error) {
		return trial.ShareTrial(records, member, now, request.GetTrialId(), request.GetEtag(), sharing)
	})
}

// PostPiece implements labpb.TrialServiceServer.
func (s *Service) PostPiece(ctx context.Context, request *labpb.PostPieceRequest) (*labpb.Piece, error) {
	return change(ctx, s, request.GetRequestId(), request, &labpb.Piece{}, func(records trial.Records, member trial.MemberID, now time.Time) (proto.Message, error) {
		piece, err := trial.PostPiece(records, member, now, request.GetPieceId(), request.GetToMember())
		if err != nil {
			return nil, err
		}
		return record.PieceToProto(piece), nil
	})
}

// changeBath is change for commands that return a bath.
func (s *Service) changeBath(ctx context.Context, requestID string, request proto.Message, run func(records trial.Records, member trial.MemberID, now time.Time) (*trial.Bath, error)) (*labpb.Bath, error) {
	return change(ctx, s, requestID, request, &labpb.Bath{}, func(records trial.Records, member trial.MemberID, now time.Time) (proto.Message, error) {
		kept, err := run(records, member, now)
		if err != nil {
			return nil, err
		}
		return record.BathToProto(kept), nil
	})
}

// CreateBath implements labpb.BathServiceServer.
func (s *Service) CreateBath(ctx context.Context, request *labpb.CreateBathRequest) (*labpb.Bath, error) {
	given := record.BathFromProto(request.GetBath())
	return s.changeBath(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.Bath, error) {
		return trial.CreateBath(records, member, now, given)
	})
}

// AddToBath implements labpb.BathServiceServer.
func (s *Service) AddToBath(ctx context.Context, request *labpb.AddToBathRequest) (*labpb.Bath, error) {
	entries := record.BathEntriesFromProto(request)
	return s.changeBath(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.Bath, error) {
		return trial.AddToBath(records, member, now, request.GetBathId(), request.GetEtag(), entries)
	})
}

// changeWater is change for commands that return a water source.
func (s *Service) changeWater(ctx context.Context, requestID string, request proto.Message, run func(records trial.Records, member trial.MemberID, now time.Time) (*trial.WaterSource, error)) (*labpb.WaterSource, error) {
	return change(ctx, s, requestID, request, &labpb.WaterSource{}, func(records trial.Records, member trial.MemberID, now time.Time) (proto.Message, error) {
		kept, err := run(records, member, now)
		if err != nil {
			return nil, err
		}
		return record.WaterSourceToProto(kept), nil
	})
}

// CreateWaterSource implements labpb.WaterServiceServer.
func (s *Service) CreateWaterSource(ctx context.Context, request *labpb.CreateWaterSourceRequest) (*labpb.WaterSource, error) {
	given := record.WaterSourceFromProto(request.GetWaterSource())
	return s.changeWater(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.WaterSource, error) {
		return trial.CreateWaterSource(records, member, now, given)
	})
}

// AddWaterSample implements labpb.WaterServiceServer.
func (s *Service) AddWaterSample(ctx context.Context, request *labpb.AddWaterSampleRequest) (*labpb.WaterSource, error) {
	sample := record.WaterSampleFromProto(request.GetSample())
	return s.changeWater(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.WaterSource, error) {
		return trial.AddWaterSample(records, member, now, request.GetWaterSourceId(), request.GetEtag(), *sample)
	})
}

// changeExperiment is change for commands that return an experiment.
func (s *Service) changeExperiment(ctx context.Context, requestID string, request proto.Message, run func(records trial.Records, member trial.MemberID, now time.Time) (*trial.Experiment, error)) (*labpb.Experiment, error) {
	return change(ctx, s, requestID, request, &labpb.Experiment{}, func(records trial.Records, member trial.MemberID, now time.Time) (proto.Message, error) {
		kept, err := run(records, member, now)
		if err != nil {
			return nil, err
		}
		return record.ExperimentToProto(kept), nil
	})
}

// CreateExperiment implements labpb.ExperimentServiceServer.
func (s *Service) CreateExperiment(ctx context.Context, request *labpb.CreateExperimentRequest) (*labpb.Experiment, error) {
	given := record.ExperimentFromProto(request.GetExperiment())
	return s.changeExperiment(ctx, request.GetRequestId(), request, func(records trial.Records, member trial.MemberID, now time.Time) (*trial.Experiment, error) {
		return trial.CreateExperiment(records, member, now, given)
	})
}
