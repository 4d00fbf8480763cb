// Package poolv1 handles commonvat.pool.v1: questions over everything that members share.
package poolv1

import (
	"cmp"
	"context"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	poolpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api/filter"
	"github.com/commonvat/commonvat/services/internal/api/validate"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// Answers gives the answers; *pool.Pool does.
type Answers interface {
	AskPalette(ctx context.Context, q pool.Question) (*poolpb.AskPaletteResponse, error)
	ComparePieces(ctx context.Context, q pool.PiecesQuestion) (*poolpb.ComparePiecesResponse, error)
	PredictOverdye(ctx context.Context, q pool.OverdyeQuestion) (*poolpb.PredictOverdyeResponse, error)
	Status() pool.Status
	Checksum() (status pool.Status, sha256 string)
}

// Config is what the handlers need.
type Config struct {
	Pool Answers
}

// Service handles PoolService.
type Service struct {
	poolpb.UnsafePoolServiceServer
	pool Answers
}

var _ poolpb.PoolServiceServer = (*Service)(nil)

// New returns the handlers.
func New(config Config) *Service { return &Service{pool: config.Pool} }

// Register adds the service to a server.
func (s *Service) Register(server grpc.ServiceRegistrar) { poolpb.RegisterPoolServiceServer(server, s) }

// AskPalette implements poolpb.PoolServiceServer.
func (s *Service) AskPalette(ctx context.Context, request *poolpb.AskPaletteRequest) (*poolpb.AskPaletteResponse, error) {
	if err := validate.Message(request); err != nil {
		return nil, err
	}
	where, err := filter.Parse(request.GetFilter(), pool.FilterFields)
	if err != nil {
		return nil, err
	}
	answer, err := s.pool.AskPalette(ctx, pool.Question{
		GroupBy:         request.GetGroupBy(),
		Where:           where,
		ExperimentID:    request.GetExperimentId(),
		Condition:       condition(request.GetCondition()),
		ThresholdDE00:   request.GetThresholdDe00(),
		EqualNumber:     request.GetEqualNumber(),
		MinimumRevision: request.GetMinimumRevision(),
		Seed:            request.GetSeed(),
	})
	if err != nil {
		return nil, err
	}
	answer.Question = proto.CloneOf(request)
	answer.Question.Condition, answer.Question.ThresholdDe00, answer.Question.Seed = answer.GetCondition(), answer.GetThresholdDe00(), answer.GetSeed()
	return answer, nil
}

// ComparePieces implements poolpb.PoolServiceServer.
func (s *Service) ComparePieces(ctx context.Context, request *poolpb.ComparePiecesRequest) (*poolpb.ComparePiecesResponse, error) {
	if err := validate.Message(request); err != nil {
		return nil, err
	}
	answer, err := s.pool.ComparePieces(ctx, pool.PiecesQuestion{
		Reader:    access.MemberOf(ctx),
		Reference: request.GetReferencePiece(),
		Sample:    request.GetSamplePiece(),
		Formula:   pipeline.Formula{Name: request.GetFormula(), KL: request.GetKL(), KC: request.GetKC(), KH: request.GetKH()},
		Condition: condition(request.GetCondition()),
	})
	if err != nil {
		return nil, err
	}
	answer.Question = proto.CloneOf(request)
	answer.Question.Formula, answer.Question.Condition = cmp.Or(request.GetFormula(), pool.Formulas[0]), answer.GetCondition()
	return answer, nil
}

var depths = map[string]trial.Depth{"": trial.DepthUnstated, "pale": trial.Pale, "medium": trial.Medium, "deep": trial.Deep}

// PredictOverdye implements poolpb.PoolServiceServer.
func (s *Service) PredictOverdye(ctx context.Context, request *poolpb.PredictOverdyeRequest) (*poolpb.PredictOverdyeResponse, error) {
	if err := validate.Message(request); err != nil {
		return nil, err
	}
	q := pool.OverdyeQuestion{
		Reader:          access.MemberOf(ctx),
		FirstPiece:      request.GetFirstPiece(),
		FirstDye:        request.GetFirstDye(),
		Fibre:           request.GetFibre(),
		Mordant:         request.GetMordant(),
		SecondDye:       request.GetSecondDye(),
		SecondDepth:     depths[request.GetSecondDepth()],
		SecondPiece:     request.GetSecondPiece(),
		SubstratePiece:  request.GetSubstratePiece(),
		AskOrder:        request.GetAskOrder(),
		RadiusShare:     request.GetRadiusShare(),
		Condition:       condition(request.GetCondition()),
		MinimumRevision: request.GetMinimumRevision(),
	}
	switch c := request.GetFirstColour(); {
	case c.GetSpectrum() != nil:
		q.FirstColour = &trial.RawColour{Spectrum: &trial.Spectrum{
			StartNm: c.GetSpectrum().GetStartNm(), StepNm: c.GetSpectrum().GetStepNm(), Reflectance: c.GetSpectrum().GetReflectance(),
		}}
	case c.GetLab() != nil:
		q.FirstColour = &trial.RawColour{Lab: &trial.Lab{L: c.GetLab().GetL(), A: c.GetLab().GetA(), B: c.GetLab().GetB()}, LabCondition: condition(c.GetLabCondition())}
	}
	answer, err := s.pool.PredictOverdye(ctx, q)
	if err != nil {
		return nil, err
	}
	answer.Question = proto.CloneOf(request)
	answer.Question.Condition, answer.Question.RadiusShare = answer.GetCondition(), answer.GetRadiusShare()
	return answer, nil
}

// GetPoolStatus implements poolpb.PoolServiceServer.
func (s *Service) GetPoolStatus(_ context.Context, request *poolpb.GetPoolStatusRequest) (*poolpb.GetPoolStatusResponse, error) {
	var status pool.Status
	var sum string
	if request.GetWithChecksum() {
		status, sum = s.pool.Checksum()
	} else {
		status = s.pool.Status()
	}
	return &poolpb.GetPoolStatusResponse{
		PoolRevision: status.PoolRevision, RecordRevision: status.RecordRevision, Rows: int32(min(status.Rows, 1<<30)),
		WaitingFor: status.WaitingFor, RowsSha256: sum,
	}, nil
}

func condition(c *typesv1.ColourCondition) trial.ColourCondition {
	return trial.ColourCondition{Illuminant: trial.Illuminant(c.GetIlluminant()), Observer: trial.Observer(c.GetObserver())}
}
