package main

import (
	"context"
	"math"
	"testing"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	readingv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/reading/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

func TestMain(m *testing.M) { moduletest.Main(m, main) }

var condition = &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}

// flat is a curve without colour: L* = 116 R^(1/3) - 16, a* = b* = 0 (ISO/CIE 11664-4), K/S = (1-R)^2/2R (Kubelka & Munk 1931).
func flat(r float64) *typesv1.RawColour {
	s := &typesv1.Spectrum{StartNm: 400, StepNm: 10}
	for range 31 {
		s.Reflectance = append(s.Reflectance, r)
	}
	return &typesv1.RawColour{Value: &typesv1.RawColour_Spectrum{Spectrum: s}}
}

func TestProcess(t *testing.T) {
	p := moduletest.Start(t)
	client := readingv1.NewReadingServiceClient(p.Conn())
	req := &readingv1.ComputeColoursRequest{Condition: condition, Raw: []*typesv1.RawColour{flat(0.04), flat(math.NaN())}}

	got, err := client.ComputeColours(t.Context(), req)
	require.NoError(t, err)
	require.Len(t, got.GetColours(), 2)
	grey := got.GetColours()[0]
	assert.InDelta(t, 116*math.Cbrt(0.04)-16, grey.GetLab().GetL(), 1e-9)
	assert.InDelta(t, 0, grey.GetLab().GetA(), 1e-9)
	assert.InDelta(t, 0, grey.GetLab().GetB(), 1e-9)
	assert.InDelta(t, 11.52, grey.GetStrengthKs(), 1e-12)
	assert.Nil(t, got.GetColours()[1].GetLab())
	assert.Contains(t, got.GetColours()[1].GetFault(), "spectrum.reflectance[0] is NaN, allowed: 0 to 2")

	again, err := client.ComputeColours(t.Context(), req)
	require.NoError(t, err)
	assert.Equal(t, moduletest.Bytes(t, got), moduletest.Bytes(t, again))

	_, err = client.ComputeColours(t.Context(), &readingv1.ComputeColoursRequest{})
	refused := moduletest.Refused(t, err)
	assert.Contains(t, refused, "condition")
	assert.Contains(t, refused, "raw")

	ended, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = client.ComputeColours(ended, req)
	assert.Equal(t, codes.Canceled, status.Code(err))
	require.NoError(t, p.Healthy(t.Context()), "and goes on after all that")
}
