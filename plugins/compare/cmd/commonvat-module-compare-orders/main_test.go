package main

import (
	"context"
	"fmt"
	"math"
	"testing"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

func TestMain(m *testing.M) { moduletest.Main(m, main) }

var condition = &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}

const closing = 6

// sessions are six invented sessions of two cells in both orders, the first order at L* 50 +- 20, the second at 50 +- 2. Of the 2^6
// arrangements only the observed one and its mirror image are as extreme, as any other swap brings the spreads together.
func sessions() []*comparev1.CompareOrdersRequest {
	labels := &columnsv1.Labels{Groups: []string{"vat last", "vat first"}, Strata: []string{"weld and woad"}, Cells: []string{"pale", "deep"}}
	c := &columnsv1.ColourColumns{}
	for s := range closing {
		labels.Blocks = append(labels.Blocks, fmt.Sprint("s", s+1))
		for i := range 4 {
			order, cell := i&1, i>>1
			c.ReadingId = append(c.ReadingId, fmt.Sprintf("reading %d.%d", s, i))
			c.Group, c.Block, c.Stratum, c.Cell = append(c.Group, uint32(order)), append(c.Block, uint32(s)), append(c.Stratum, 0), append(c.Cell, uint32(cell))
			c.L = append(c.L, 50+[]float64{20, 2}[order]*float64(2*cell-1)+float64(s)/10)
			c.A, c.B = append(c.A, 5), append(c.B, float64(s)/20)
		}
	}
	return []*comparev1.CompareOrdersRequest{
		{Part: &comparev1.CompareOrdersRequest_Header{Header: &comparev1.CompareHeader{
			Condition: condition, Labels: labels, RowCount: 4 * closing, ClosingSessions: closing, Seed: 3}}},
		{Part: &comparev1.CompareOrdersRequest_Columns{Columns: c}},
	}
}

func TestProcess(t *testing.T) {
	p := moduletest.Start(t)
	open := func(ctx context.Context) (comparev1.CompareService_CompareOrdersClient, error) {
		return comparev1.NewCompareServiceClient(p.Conn()).CompareOrders(ctx)
	}
	got, err := moduletest.Ask(t.Context(), open, sessions()...)
	require.NoError(t, err)
	assert.Equal(t, comparev1.Verdict_VERDICT_FIRST_WIDER, got.GetVerdict(), got.GetStatement())
	assert.Equal(t, 2/math.Exp2(closing), got.GetP())
	assert.True(t, got.GetExact())

	again, err := moduletest.Ask(t.Context(), open, sessions()...)
	require.NoError(t, err)
	assert.Equal(t, moduletest.Bytes(t, got), moduletest.Bytes(t, again))

	_, err = moduletest.Ask(t.Context(), open)
	assert.Equal(t, map[string]string{"header": "is missing: the stream is empty, want a header first"}, moduletest.Refused(t, err))

	bad := sessions()
	bad[0].GetHeader().Alpha = 0.9
	bad[0].GetHeader().ClosingSessions = 3
	_, err = moduletest.Ask(t.Context(), open, bad...)
	assert.Equal(t, map[string]string{
		"header.alpha": "is 0.9, want 0.0001 to 0.5, or 0 for 0.05", "header.closing_sessions": "is 3, want 6 to 200, or 0 for an exploratory question",
	}, moduletest.Refused(t, err))

	// The client goes away in the middle of its stream.
	ctx, cancel := context.WithCancel(t.Context())
	stream, err := open(ctx)
	require.NoError(t, err)
	require.NoError(t, stream.Send(sessions()[0]))
	cancel()
	_, err = stream.CloseAndRecv()
	assert.Equal(t, codes.Canceled, status.Code(err))
	require.NoError(t, p.Healthy(t.Context()), "and goes on after all that")
}
