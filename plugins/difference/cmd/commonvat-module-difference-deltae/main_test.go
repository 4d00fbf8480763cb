package main

import (
	"context"
	"testing"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

func TestMain(m *testing.M) { moduletest.Main(m, main) }

var condition = &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}

func TestProcess(t *testing.T) {
	p := moduletest.Start(t)
	client := differencev1.NewDifferenceServiceClient(p.Conn())
	// Sharma, Wu & Dalal (2005), Table 1, pair 1.
	pair := &differencev1.ColourPair{Reference: &typesv1.Lab{L: 50, A: 2.6772, B: -79.7751}, Sample: &typesv1.Lab{L: 50, A: 0, B: -82.7485}}
	req := &differencev1.ComputeDifferencesRequest{Condition: condition, Formula: "ciede2000", Pairs: []*differencev1.ColourPair{pair}}

	got, err := client.ComputeDifferences(t.Context(), req)
	require.NoError(t, err)
	require.Len(t, got.GetDifferences(), 1)
	assert.InDelta(t, 2.0425, got.GetDifferences()[0], 0.00005)
	assert.Equal(t, "CIEDE2000, kL = 1, kC = 1, kH = 1", got.GetFormula())

	again, err := client.ComputeDifferences(t.Context(), req)
	require.NoError(t, err)
	assert.Equal(t, moduletest.Bytes(t, got), moduletest.Bytes(t, again))

	_, err = client.ComputeDifferences(t.Context(), &differencev1.ComputeDifferencesRequest{Condition: condition, Formula: "cie94",
		Pairs: []*differencev1.ColourPair{{Reference: &typesv1.Lab{L: -1}}}})
	assert.Equal(t, map[string]string{
		"formula": `is "cie94", want ciede2000, cie76, cie94_textile, cie94_graphic_arts or cmc`, "pairs[0].reference.l": "is -1, want 0 to 150", "pairs[0].sample": "is missing, want l, a and b",
	}, moduletest.Refused(t, err))

	ended, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = client.ComputeDifferences(ended, req)
	assert.Equal(t, codes.Canceled, status.Code(err))
	require.NoError(t, p.Healthy(t.Context()), "and goes on after all that")
}
