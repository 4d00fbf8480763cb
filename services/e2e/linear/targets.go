package linear

import (
	"context"
	"fmt"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// Target makes the model's operations calls of the core.
type Target interface {
	// Kinds are those that the target can do beside Create; a kind that is listed twice is done twice as often.
	Kinds() []Kind
	// Do makes one call. An error means that no answer came, or one that the model has no word for.
	Do(ctx context.Context, conn *grpc.ClientConn, in Input, requestID string) (Output, error)
}

// mixed are the kinds of both targets. To be undeleted a record needs no etag, so it is seldom deleted for long.
var mixed = []Kind{Get, Get, Add, Add, Add, Update, Update, Update, Update, Delete, Undelete, Undelete}

// why is said with every update and deletion.
const why = "as the clients of a test do"

// The words of google.rpc.ErrorInfo that the model knows; part of the interface.
var results = map[string]Result{
	"NOT_FOUND": NotFound, "ID_IN_USE": Exists, "STALE_ETAG": Stale, "NOT_DELETED": NotDeleted, "CONFLICT": Gone,
}

// result reads the refusals that the model knows.
func result(err error) (Output, error) {
	for _, detail := range status.Convert(err).Details() {
		if info, ok := detail.(*errdetails.ErrorInfo); ok && results[info.GetReason()] != "" {
			return Output{Result: results[info.GetReason()]}, nil
		}
	}
	return Output{}, err
}

// Trials are trials: the value is the title, the list is that of the looks.
type Trials struct {
	// Pieces has a piece of each trial, of which the looks are. By trial.
	Pieces map[string]string
}

// Kinds implements Target.
func (Trials) Kinds() []Kind { return mixed }

// Do implements Target.
func (t Trials) Do(ctx context.Context, conn *grpc.ClientConn, in Input, requestID string) (Output, error) {
	client := labv1.NewTrialServiceClient(conn)
	var kept *labv1.Trial
	var err error
	switch in.Kind {
	case Create:
		grams := 9.0
		var answer *labv1.SubmitTrialResponse
		answer, err = client.SubmitTrial(ctx, &labv1.SubmitTrialRequest{RequestId: requestID, Trial: &labv1.Trial{
			Id: in.Record, Title: in.Value, Pieces: []*labv1.Piece{{
				Id:    t.Pieces[in.Record],
				Fibre: &typesv1.Fibre{Composition: []*typesv1.FibrePart{{Fibre: "wool", Percent: 100}}},
				Mass:  &typesv1.Amount{Knowledge: typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_MEASURED, Value: &grams, Unit: typesv1.AmountUnit_AMOUNT_UNIT_GRAM},
			}},
		}})
		kept = answer.GetTrial()
	case Get:
		kept, err = client.GetTrial(ctx, &labv1.GetTrialRequest{TrialId: in.Record})
	case Add:
		kept, err = client.AddEntries(ctx, &labv1.AddEntriesRequest{RequestId: requestID, TrialId: in.Record, Etag: in.Etag, Looks: []*labv1.Look{{
			Id: requestID, Of: &labv1.Look_PieceId{PieceId: t.Pieces[in.Record]}, Text: in.Entry,
		}}})
	case Update:
		kept, err = client.UpdateTrial(ctx, &labv1.UpdateTrialRequest{
			RequestId: requestID, Trial: &labv1.Trial{Id: in.Record, Title: in.Value},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"title"}}, Etag: in.Etag, Reason: why,
		})
	case Delete:
		kept, err = client.DeleteTrial(ctx, &labv1.DeleteTrialRequest{RequestId: requestID, TrialId: in.Record, Etag: in.Etag, Reason: why})
	case Undelete:
		kept, err = client.UndeleteTrial(ctx, &labv1.UndeleteTrialRequest{RequestId: requestID, TrialId: in.Record, Etag: in.Etag})
	default:
		return Output{}, fmt.Errorf("trials can't %s", in.Kind)
	}
	if err != nil {
		return result(err)
	}
	var list []string
	for _, look := range kept.GetLooks() {
		list = append(list, look.GetText())
	}
	return Output{
		Result: OK, Value: kept.GetTitle(), List: DigestOf(list),
		Deleted: kept.GetDeleteTime() != nil, Revision: kept.GetRevision(), Etag: kept.GetEtag(),
	}, nil
}

// Waters are water sources: the value is the name, the list is that of the samples.
type Waters struct{}

// Kinds implements Target.
func (Waters) Kinds() []Kind { return mixed }

// Do implements Target. An entry is the id of its sample.
func (Waters) Do(ctx context.Context, conn *grpc.ClientConn, in Input, requestID string) (Output, error) {
	client := labv1.NewWaterServiceClient(conn)
	var kept *labv1.WaterSource
	var err error
	switch in.Kind {
	case Create:
		kept, err = client.CreateWaterSource(ctx, &labv1.CreateWaterSourceRequest{
			RequestId: requestID, WaterSource: &labv1.WaterSource{Id: in.Record, Name: in.Value},
		})
	case Get:
		kept, err = client.GetWaterSource(ctx, &labv1.GetWaterSourceRequest{WaterSourceId: in.Record})
	case Add:
		kept, err = client.AddWaterSample(ctx, &labv1.AddWaterSampleRequest{
			RequestId: requestID, WaterSourceId: in.Record, Etag: in.Etag, Sample: &labv1.WaterSample{Id: in.Entry},
		})
	case Update:
		kept, err = client.UpdateWaterSource(ctx, &labv1.UpdateWaterSourceRequest{
			RequestId: requestID, WaterSource: &labv1.WaterSource{Id: in.Record, Name: in.Value},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"name"}}, Etag: in.Etag, Reason: why,
		})
	case Delete:
		kept, err = client.DeleteWaterSource(ctx, &labv1.DeleteWaterSourceRequest{
			RequestId: requestID, WaterSourceId: in.Record, Etag: in.Etag, Reason: why,
		})
	case Undelete:
		kept, err = client.UndeleteWaterSource(ctx, &labv1.UndeleteWaterSourceRequest{RequestId: requestID, WaterSourceId: in.Record, Etag: in.Etag})
	default:
		return Output{}, fmt.Errorf("waters can't %s", in.Kind)
	}
	if err != nil {
		return result(err)
	}
	var list []string
	for _, sample := range kept.GetSamples() {
		list = append(list, sample.GetId())
	}
	return Output{
		Result: OK, Value: kept.GetName(), List: DigestOf(list),
		Deleted: kept.GetDeleteTime() != nil, Revision: kept.GetRevision(), Etag: kept.GetEtag(),
	}, nil
}
