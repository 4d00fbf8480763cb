package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	overdyev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/overdye/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

func TestMain(m *testing.M) { moduletest.Main(m, main) }

func flat(r float64) *overdyev1.OverdyeCurve {
	out := &overdyev1.OverdyeCurve{}
	for range 31 {
		out.Reflectance = append(out.Reflectance, r)
	}
	return out
}

func TestProcess(t *testing.T) {
	p := moduletest.Start(t)
	client := overdyev1.NewOverdyeServiceClient(p.Conn())
	request := &overdyev1.PredictOverdyeRequest{
		Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE},
		StartNm:   400, StepNm: 10, WavelengthCount: 31, OverdyeClass: &overdyev1.OverdyeClass{FirstDye: "weld", SecondDye: "indigo"},
		Piece: &overdyev1.OverdyeColours{Substrate: flat(.8), First: flat(.4), Second: flat(.2)},
	}
	got, err := client.PredictOverdye(t.Context(), request)
	require.NoError(t, err)
	assert.Equal(t, overdyev1.Standing_STANDING_NOT_ENOUGH_YET, got.GetStanding())
	// By hand: K/S .025, .45 and 1.6 add up to 2.025, of which the reflectance, 1 + k - sqrt(k^2 + 2k), is .1700701.
	assert.InDelta(t, .1700701, got.GetPrediction().GetReflectance()[7], 1e-7)
	again, err := client.PredictOverdye(t.Context(), request)
	require.NoError(t, err)
	assert.Equal(t, moduletest.Bytes(t, got), moduletest.Bytes(t, again))
	require.NoError(t, p.Healthy(t.Context()))
}
