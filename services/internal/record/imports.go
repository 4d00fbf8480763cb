package record

import (
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// ImportBatchFromProto carries the rows of an import.
func ImportBatchFromProto(message *labv1.ImportReadingsRequest) trial.ImportBatch {
	return trial.ImportBatch{
		Source:  message.GetSource(),
		Rows:    each(message.GetRows(), byValue(ImportRowFromProto)),
		Update:  message.GetUpdate(),
		Sharing: SharingFromProto(message.GetSharing()),
	}
}

// ImportRowFromProto carries one row.
func ImportRowFromProto(message *labv1.ImportRow) *trial.ImportRow {
	return &trial.ImportRow{
		RowNumber:  int(message.GetRowNumber()),
		RowKey:     message.GetRowKey(),
		PieceKey:   message.GetPieceKey(),
		Label:      message.GetLabel(),
		Fibre:      FibreFromProto(message.GetFibre()),
		Baths:      each(message.GetBaths(), importBathFromProto),
		Reading:    *ReadingFromProto(message.GetReading()),
		SessionKey: message.GetSessionKey(),
	}
}

func importBathFromProto(message *labv1.ImportBath) trial.ImportBath {
	return trial.ImportBath{
		Purposes:               each(message.GetPurposes(), purposeFromProto),
		Additions:              each(message.GetAdditions(), byValue(AdditionFromProto)),
		ContentsNotStated:      message.GetContentsNotStated(),
		Exhaust:                int(message.GetExhaust()),
		ExhaustNumberNotStated: message.GetExhaustNumberNotStated(),
		ExhaustNotStated:       message.GetExhaustNotStated(),
		Dips:                   int(message.GetDips()),
		IntendedDepth:          trial.Depth(message.GetIntendedDepth()),
		BathKey:                message.GetBathKey(),
		WaterSourceID:          message.GetWaterSourceId(),
	}
}

// ImportAnswerToProto carries the outcome of an import.
func ImportAnswerToProto(answer trial.ImportAnswer) *labv1.ImportReadingsResponse {
	return &labv1.ImportReadingsResponse{
		Results: each(answer.Results, func(r trial.ImportResult) *labv1.ImportRowResult {
			return &labv1.ImportRowResult{
				RowNumber: int32Of(r.RowNumber),
				RowKey:    r.RowKey,
				Outcome:   labv1.ImportOutcome(int32Of(int(r.Outcome))),
				Reason:    r.Reason,
				ReadingId: r.ReadingID,
			}
		}),
		TrialIds: append([]string(nil), answer.TrialIDs...),
	}
}
