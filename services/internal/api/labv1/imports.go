package labv1

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/api/validate"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// ImportReadings implements labpb.ImportServiceServer. A row with faults is refused by itself; the others go in, all in
// one change. A row's key makes it safe to send again, so there is no request id.
func (s *Service) ImportReadings(ctx context.Context, request *labpb.ImportReadingsRequest) (*labpb.ImportReadingsResponse, error) {
	refused := make(map[int]*labpb.ImportRowResult)
	good := &labpb.ImportReadingsRequest{Source: request.GetSource(), Update: request.GetUpdate(), Sharing: request.GetSharing()}
	for i, row := range request.GetRows() {
		if err := validate.Message(row); err != nil {
			refused[i] = &labpb.ImportRowResult{
				RowNumber: row.GetRowNumber(), RowKey: row.GetRowKey(), Outcome: labpb.ImportOutcome_IMPORT_OUTCOME_REFUSED, Reason: err.Error(),
			}
			continue
		}
		good.Rows = append(good.Rows, row)
	}
	if len(good.GetRows()) == 0 {
		return merge(request, refused, &labpb.ImportReadingsResponse{})
	}
	batch := record.ImportBatchFromProto(good)
	encoded, err := change(ctx, s, "", request, &labpb.ImportReadingsResponse{}, func(records trial.Records, member trial.MemberID, now time.Time) (proto.Message, error) {
		answer, err := trial.ImportReadings(records, member, now, batch)
		if err != nil {
			return nil, err
		}
		return record.ImportAnswerToProto(answer), nil
	})
	if err != nil || len(refused) == 0 {
		return encoded, err
	}
	taken := &labpb.ImportReadingsResponse{}
	if err := proto.Unmarshal(encoded.ProtoReflect().GetUnknown(), taken); err != nil {
		return nil, fmt.Errorf("read import answer: %w", err)
	}
	return merge(request, refused, taken)
}

// merge puts the outcomes in the order of the request.
func merge(request *labpb.ImportReadingsRequest, refused map[int]*labpb.ImportRowResult, taken *labpb.ImportReadingsResponse) (*labpb.ImportReadingsResponse, error) {
	if len(taken.GetResults())+len(refused) != len(request.GetRows()) {
		return nil, fmt.Errorf("import of %d rows gave %d outcomes", len(request.GetRows()), len(taken.GetResults())+len(refused))
	}
	answer := &labpb.ImportReadingsResponse{TrialIds: taken.GetTrialIds()}
	next := 0
	for i := range request.GetRows() {
		if result, ok := refused[i]; ok {
			answer.Results = append(answer.Results, result)
			continue
		}
		answer.Results = append(answer.Results, taken.GetResults()[next])
		next++
	}
	return answer, nil
}
