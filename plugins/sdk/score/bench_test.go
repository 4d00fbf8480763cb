package score_test

import (
	"context"
	"fmt"
	"testing"

	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"

	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/plugins/sdk/score"
)

// BenchmarkManyRows asks a method that looks at each cell once for the scores of 25,000 rows, over gRPC within the process.
func BenchmarkManyRows(b *testing.B) {
	const rows, perChunk = 25_000, 12_500
	labels := &columnsv1.Labels{Blocks: []string{""}}
	for g := range 10 {
		labels.Groups = append(labels.Groups, fmt.Sprintf("group %d", g))
	}
	for s := range rows / 1000 {
		labels.Strata = append(labels.Strata, fmt.Sprintf("yarn %06d", s))
	}
	for i := range rows / 2 {
		labels.Cells = append(labels.Cells, fmt.Sprintf("cell %d", i+1))
	}
	var chunks []*columnsv1.ColourColumns
	for at := 0; at < rows; at += perChunk {
		c := &columnsv1.ColourColumns{}
		for i := at; i < at+perChunk; i++ {
			c.ReadingId = append(c.ReadingId, fmt.Sprintf("%08x-0000-7000-8000-000000000000", i))
			c.Group, c.Block, c.Stratum, c.Cell = append(c.Group, uint32(i/100%10)), append(c.Block, 0), append(c.Stratum, uint32(i/1000)), append(c.Cell, uint32(i/2))
			c.L, c.A, c.B = append(c.L, float64(i%97)), append(c.A, float64(i%31)), append(c.B, float64(i%17))
		}
		chunks = append(chunks, c)
	}
	conn := plugintest.Dial(b, score.Method{Name: "bench", Version: "1.0.0", Author: "test", Summary: "Of a benchmark.", Scores: []score.Score{
		{Name: "value", Unit: "1", Summary: "A value.", LeastCells: 2, Of: func(_ context.Context, g score.Group) (float64, error) {
			sum := 0.0
			for _, c := range g.Cells {
				sum += c.Lab.A*c.Lab.A + c.Lab.B*c.Lab.B
			}
			return sum, nil
		}},
	}}.Module())
	client := palettev2.NewPaletteServiceClient(conn)
	for b.Loop() {
		stream, err := client.ScorePalettes(b.Context())
		if err != nil {
			b.Fatal(err)
		}
		send := func(m *palettev2.ScorePalettesRequest) {
			if err := stream.Send(m); err != nil {
				b.Fatal(err)
			}
		}
		send(&palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Header{Header: &palettev2.ScoresHeader{
			Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE},
			Labels:    labels, RowCount: rows, Seed: 1,
		}}})
		for _, c := range chunks {
			send(&palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Columns{Columns: &palettev2.ScoredColumns{Colours: c}}})
		}
		if err := stream.CloseSend(); err != nil {
			b.Fatal(err)
		}
		if _, err := stream.Recv(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/rows, "ns/row")
}
