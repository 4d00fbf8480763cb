package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

func TestMain(m *testing.M) { moduletest.Main(m, main) }

func TestProcess(t *testing.T) {
	p := moduletest.Start(t)
	client := bathscalev1.NewBathscaleServiceClient(p.Conn())
	request := &bathscalev1.ScaleBathsRequest{
		Fibre: []*bathscalev1.FibreLot{{PieceId: "strip", MassG: 12, Composition: []*typesv1.FibrePart{{Fibre: "wool", Percent: 100}}}},
		Bench: &bathscalev1.Bench{Balances: []*bathscalev1.Balance{{StepG: 0.1}}},
		Baths: []*bathscalev1.BathRecipe{{BathId: "weld", Volume: &bathscalev1.BathRecipe_LiquorRatio{LiquorRatio: 30},
			Doses: []*bathscalev1.Dose{{Material: "weld", Figure: &bathscalev1.Dose_PercentWof{PercentWof: 100}}}}},
	}
	got, err := client.ScaleBaths(t.Context(), request)
	require.NoError(t, err)
	assert.Equal(t, 12.0, got.GetBaths()[0].GetLoads()[0].GetAmounts()[0].GetShownG(), "common practice, no source")
	again, err := client.ScaleBaths(t.Context(), request)
	require.NoError(t, err)
	assert.Equal(t, moduletest.Bytes(t, got), moduletest.Bytes(t, again))
	require.NoError(t, p.Healthy(t.Context()))
}
