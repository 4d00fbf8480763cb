package poolv1_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	poolpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api/poolv1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// asked keeps what the handlers pass on.
type asked struct {
	question pool.Question
	pieces   pool.PiecesQuestion
	overdye  pool.OverdyeQuestion
}

func (a *asked) AskPalette(_ context.Context, q pool.Question) (*poolpb.AskPaletteResponse, error) {
	a.question = q
	return &poolpb.AskPaletteResponse{Headline: "answered", ThresholdDe00: 5}, nil
}

func (a *asked) PredictOverdye(_ context.Context, q pool.OverdyeQuestion) (*poolpb.PredictOverdyeResponse, error) {
	a.overdye = q
	return &poolpb.PredictOverdyeResponse{Headline: "green"}, nil
}

func (a *asked) ComparePieces(_ context.Context, q pool.PiecesQuestion) (*poolpb.ComparePiecesResponse, error) {
	a.pieces = q
	return &poolpb.ComparePiecesResponse{Difference: 1}, nil
}

func (a *asked) Status() pool.Status {
	return pool.Status{PoolRevision: 3, RecordRevision: 5, Rows: 7, WaitingFor: "revisions 4 to 5"}
}

func (a *asked) Checksum() (pool.Status, string) {
	return pool.Status{PoolRevision: 4, RecordRevision: 5, Rows: 8}, "00ff"
}

var lamp = &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_A, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}

func TestQuestionsArePassedOnWhole(t *testing.T) {
	a := &asked{}
	s := poolv1.New(poolv1.Config{Pool: a})
	answer, err := s.AskPalette(t.Context(), &poolpb.AskPaletteRequest{
		GroupBy: poolpb.GroupBy_GROUP_BY_WATER, Filter: `dye = "weld"`, Condition: lamp, ThresholdDe00: 2.5, EqualNumber: 6, MinimumRevision: 4, Seed: 9,
	})
	require.NoError(t, err)
	assert.Equal(t, "answered", answer.GetHeadline())
	assert.Equal(t, `dye = "weld"`, answer.GetQuestion().GetFilter())
	assert.EqualValues(t, 5, answer.GetQuestion().GetThresholdDe00(), "as the answer has it")
	assert.Equal(t, pool.Question{
		GroupBy: poolpb.GroupBy_GROUP_BY_WATER, Where: &store.Predicate{Field: "dye", Value: "weld"},
		Condition: trial.ColourCondition{Illuminant: trial.IlluminantA, Observer: trial.Observer10}, ThresholdDE00: 2.5, EqualNumber: 6, MinimumRevision: 4, Seed: 9,
	}, a.question)

	ctx := access.WithCaller(t.Context(), access.Caller{ID: "ash"})
	request := &poolpb.ComparePiecesRequest{ReferencePiece: "q7k2m", SamplePiece: "q7k2n", Formula: "cmc", KL: 2}
	pieces, err := s.ComparePieces(ctx, request)
	require.NoError(t, err)
	assert.True(t, proto.Equal(request, pieces.GetQuestion()))
	assert.Equal(t, pool.PiecesQuestion{Reader: "ash", Reference: "q7k2m", Sample: "q7k2n", Formula: pipeline.Formula{Name: "cmc", KL: 2}}, a.pieces)

	status, err := s.GetPoolStatus(t.Context(), &poolpb.GetPoolStatusRequest{})
	require.NoError(t, err)
	assert.EqualValues(t, 7, status.GetRows())
	assert.Equal(t, "revisions 4 to 5", status.GetWaitingFor())
	assert.Empty(t, status.GetRowsSha256(), "only when asked for")
	status, err = s.GetPoolStatus(t.Context(), &poolpb.GetPoolStatusRequest{WithChecksum: true})
	require.NoError(t, err)
	assert.Equal(t, "00ff", status.GetRowsSha256())
	assert.EqualValues(t, 4, status.GetPoolRevision(), "of the same moment")
}

func TestBadQuestionsAreRefusedByField(t *testing.T) {
	s := poolv1.New(poolv1.Config{Pool: &asked{}})
	order := poolpb.GroupBy_GROUP_BY_ORDER
	for field, request := range map[string]*poolpb.AskPaletteRequest{
		"group_by":         {},
		"filter":           {GroupBy: order, Filter: `colour = "red"`},
		"threshold_de00":   {GroupBy: order, ThresholdDe00: 101},
		"equal_number":     {GroupBy: order, EqualNumber: -1},
		"minimum_revision": {GroupBy: order, MinimumRevision: -1},
		"experiment_id":    {GroupBy: order, ExperimentId: "x"},
		"condition":        {GroupBy: order, Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65}},
	} {
		_, err := s.AskPalette(t.Context(), request)
		require.ErrorIs(t, err, trial.ErrInvalid, field)
		assert.ErrorContains(t, err, field)
	}
	_, err := s.ComparePieces(t.Context(), &poolpb.ComparePiecesRequest{ReferencePiece: "q7k2m", Formula: "cie31", KL: 11})
	require.ErrorIs(t, err, trial.ErrInvalid)
	assert.ErrorContains(t, err, "sample_piece")
	assert.ErrorContains(t, err, "formula")
	assert.ErrorContains(t, err, "k_l: 11 is out of range")
	for field, request := range map[string]*poolpb.ComparePiecesRequest{
		"k_l: is 2; allowed: 0 or 1, since cie76 has no such factor": {Formula: "cie76", KL: 2},
		"k_c: is 2": {Formula: "cie76", KC: 2},
		"k_h: is 2": {Formula: "cie76", KH: 2},
		"k_h: is 0.5; allowed: 0 or 1, since cmc has no": {Formula: "cmc", KL: 2, KH: 0.5},
	} {
		request.ReferencePiece, request.SamplePiece = "q7k2m", "q7k2n"
		_, err := s.ComparePieces(t.Context(), request)
		require.ErrorIs(t, err, trial.ErrInvalid, field)
		assert.ErrorContains(t, err, field)
	}
}

func TestPredictions(t *testing.T) {
	a := &asked{}
	s := poolv1.New(poolv1.Config{Pool: a})
	ctx := access.WithCaller(t.Context(), access.Caller{ID: "ash"})
	answer, err := s.PredictOverdye(ctx, &poolpb.PredictOverdyeRequest{
		FirstPiece: "q7k2m", SecondDye: "indigo", SecondDepth: "deep", SecondPiece: "q7k2n", SubstratePiece: "q7k2p", AskOrder: true, RadiusShare: 0.5, Condition: lamp, MinimumRevision: 3,
	})
	require.NoError(t, err)
	assert.Equal(t, "green", answer.GetHeadline())
	assert.Equal(t, pool.OverdyeQuestion{
		Reader: "ash", FirstPiece: "q7k2m", SecondDye: "indigo", SecondDepth: trial.Deep, SecondPiece: "q7k2n", SubstratePiece: "q7k2p", AskOrder: true, RadiusShare: 0.5,
		Condition: trial.ColourCondition{Illuminant: trial.IlluminantA, Observer: trial.Observer10}, MinimumRevision: 3,
	}, a.overdye)
	yellow := &typesv1.RawColour{Value: &typesv1.RawColour_Lab{Lab: &typesv1.Lab{L: 80, B: 50}}, LabCondition: lamp}
	_, err = s.PredictOverdye(ctx, &poolpb.PredictOverdyeRequest{FirstColour: yellow, FirstDye: "weld", Fibre: "wool", Mordant: "alum first", SecondDye: "indigo"})
	require.NoError(t, err)
	assert.Equal(t, &trial.RawColour{Lab: &trial.Lab{L: 80, B: 50}, LabCondition: trial.ColourCondition{Illuminant: trial.IlluminantA, Observer: trial.Observer10}}, a.overdye.FirstColour)
	assert.Equal(t, "alum first", a.overdye.Mordant)

	for field, request := range map[string]*poolpb.PredictOverdyeRequest{
		"second_dye":      {FirstPiece: "q7k2m"},
		"first_piece":     {SecondDye: "indigo"},
		"first_dye":       {FirstColour: yellow, Fibre: "wool", SecondDye: "indigo"},
		"fibre":           {FirstColour: yellow, FirstDye: "weld", SecondDye: "indigo"},
		"first_colour":    {FirstPiece: "q7k2m", FirstColour: yellow, SecondDye: "indigo"},
		"mordant":         {FirstPiece: "q7k2m", Mordant: "alum", SecondDye: "indigo"},
		"second_depth":    {FirstPiece: "q7k2m", SecondDye: "indigo", SecondDepth: "darkest"},
		"radius_share":    {FirstPiece: "q7k2m", SecondDye: "indigo", RadiusShare: 0.3},
		"second_piece":    {FirstPiece: "q7k2m", SecondDye: "indigo", SecondPiece: "no piece"},
		"substrate_piece": {FirstPiece: "q7k2m", SecondDye: "indigo", SubstratePiece: "no piece"},
	} {
		_, err := s.PredictOverdye(ctx, request)
		require.ErrorIs(t, err, trial.ErrInvalid, field)
		assert.ErrorContains(t, err, field)
	}
}
