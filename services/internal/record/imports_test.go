package record

import (
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// ImportRowToProto carries one row back, so that a row can be held against itself.
func ImportRowToProto(row *trial.ImportRow) *labv1.ImportRow {
	return &labv1.ImportRow{
		RowNumber:  int32Of(row.RowNumber),
		RowKey:     row.RowKey,
		PieceKey:   row.PieceKey,
		Label:      row.Label,
		Fibre:      FibreToProto(row.Fibre),
		Baths:      each(row.Baths, byRef(importBathToProto)),
		Reading:    ReadingToProto(&row.Reading),
		SessionKey: row.SessionKey,
	}
}

func importBathToProto(b *trial.ImportBath) *labv1.ImportBath {
	return &labv1.ImportBath{
		Purposes:               each(b.Purposes, purposeToProto),
		Additions:              each(b.Additions, byRef(AdditionToProto)),
		ContentsNotStated:      b.ContentsNotStated,
		Exhaust:                int32Of(b.Exhaust),
		ExhaustNumberNotStated: b.ExhaustNumberNotStated,
		ExhaustNotStated:       b.ExhaustNotStated,
		Dips:                   int32Of(b.Dips),
		IntendedDepth:          labv1.Depth(int32Of(int(b.IntendedDepth))),
		BathKey:                b.BathKey,
		WaterSourceId:          b.WaterSourceID,
	}
}
