package main

import (
	"context"
	"fmt"
	"testing"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

func TestMain(m *testing.M) { moduletest.Main(m, main) }

var condition = &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}

// box is the box {40,60} x {-10,20} x {-5,35} as one palette of eight cells: volume 20*30*40 = 24,000, area 30*40 = 1,200.
func box() []*palettev1.MeasureWidthsRequest {
	labels := &columnsv1.Labels{Groups: []string{"box"}, Blocks: []string{""}, Strata: []string{""}}
	c := &columnsv1.ColourColumns{}
	for i := range 8 {
		labels.Cells = append(labels.Cells, fmt.Sprint("corner ", i))
		c.ReadingId = append(c.ReadingId, fmt.Sprint("reading ", i))
		c.Group, c.Block, c.Stratum, c.Cell = append(c.Group, 0), append(c.Block, 0), append(c.Stratum, 0), append(c.Cell, uint32(i))
		c.L = append(c.L, []float64{40, 60}[i&1])
		c.A = append(c.A, []float64{-10, 20}[i>>1&1])
		c.B = append(c.B, []float64{-5, 35}[i>>2])
	}
	return []*palettev1.MeasureWidthsRequest{
		{Part: &palettev1.MeasureWidthsRequest_Header{Header: &palettev1.WidthsHeader{Condition: condition, Labels: labels, RowCount: 8, Seed: 3}}},
		{Part: &palettev1.MeasureWidthsRequest_Columns{Columns: c}},
	}
}

func TestProcess(t *testing.T) {
	p := moduletest.Start(t)
	open := func(ctx context.Context) (palettev1.PaletteService_MeasureWidthsClient, error) {
		return palettev1.NewPaletteServiceClient(p.Conn()).MeasureWidths(ctx)
	}
	got, err := moduletest.Ask(t.Context(), open, box()...)
	require.NoError(t, err)
	require.Len(t, got.GetGroups(), 1)
	assert.InDelta(t, 24000, got.GetGroups()[0].GetHullVolume(), 1e-8)
	assert.InDelta(t, 1200, got.GetGroups()[0].GetHullArea(), 1e-9)
	assert.Equal(t, palettev1.HullStatus_HULL_STATUS_SOLID, got.GetGroups()[0].GetHullStatus())

	again, err := moduletest.Ask(t.Context(), open, box()...)
	require.NoError(t, err)
	assert.Equal(t, moduletest.Bytes(t, got), moduletest.Bytes(t, again))

	_, err = moduletest.Ask(t.Context(), open)
	assert.Equal(t, map[string]string{"header": "is missing: the stream is empty, want a header first"}, moduletest.Refused(t, err))

	bad := box()
	bad[0].GetHeader().RowCount = 9
	bad[1].GetColumns().L[3] = 1000
	_, err = moduletest.Ask(t.Context(), open, bad...)
	assert.Equal(t, map[string]string{
		"columns.l[3]": `of row 3 (reading "reading 3") is 1000, want 0 to 150`, "header.row_count": "is 9, but 8 rows came",
	}, moduletest.Refused(t, err))

	// The client goes away in the middle of its stream.
	ctx, cancel := context.WithCancel(t.Context())
	stream, err := open(ctx)
	require.NoError(t, err)
	require.NoError(t, stream.Send(box()[0]))
	cancel()
	_, err = stream.CloseAndRecv()
	assert.Equal(t, codes.Canceled, status.Code(err))
	require.NoError(t, p.Healthy(t.Context()), "and goes on after all that")
}
