package formula_test

import (
	"context"
	"math"
	"sync/atomic"
	"testing"
	"time"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	"github.com/commonvat/commonvat/plugins/sdk/formula"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

func client(t *testing.T, of func(colorimetry.Lab, colorimetry.Lab, colorimetry.Factors) float64) differencev1.DifferenceServiceClient {
	return differencev1.NewDifferenceServiceClient(plugintest.Dial(t, formula.Formula{
		Name: "difference-tested", Version: "1.0.0", Author: "tests", Summary: "Tests.", Word: "tested", Printed: "T", Of: of}.Module()))
}

func request() *differencev1.ComputeDifferencesRequest {
	return &differencev1.ComputeDifferencesRequest{
		Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE},
		Formula:   "tested", Pairs: []*differencev1.ColourPair{{Reference: &typesv1.Lab{L: 50}, Sample: &typesv1.Lab{L: 47}}},
	}
}

func TestFaultsOfTheFormulaAreTold(t *testing.T) {
	for want, x := range map[string]float64{"pairs[0] is NaN": math.NaN(), "pairs[0] is +Inf": math.Inf(1), "pairs[0] is -1": -1} {
		_, err := client(t, func(colorimetry.Lab, colorimetry.Lab, colorimetry.Factors) float64 { return x }).ComputeDifferences(t.Context(), request())
		assert.Equal(t, codes.Internal, status.Code(err))
		assert.ErrorContains(t, err, want)
	}
	_, err := client(t, func(colorimetry.Lab, colorimetry.Lab, colorimetry.Factors) float64 { panic("lost") }).ComputeDifferences(t.Context(), request())
	assert.Equal(t, codes.Internal, status.Code(err))
	assert.ErrorContains(t, err, "module difference-tested panicked: lost")
}

func TestRefused(t *testing.T) {
	c := client(t, func(r, s colorimetry.Lab, _ colorimetry.Factors) float64 { return math.Abs(r.L - s.L) })
	got, err := c.ComputeDifferences(t.Context(), request())
	require.NoError(t, err)
	assert.Equal(t, []float64{3}, got.GetDifferences())
	assert.Equal(t, "T", got.GetFormula())
	for field, change := range map[string]func(*differencev1.ComputeDifferencesRequest){
		"condition":            func(r *differencev1.ComputeDifferencesRequest) { r.Condition = nil },
		"formula":              func(r *differencev1.ComputeDifferencesRequest) { r.Formula = "cie76" },
		"k_h":                  func(r *differencev1.ComputeDifferencesRequest) { r.KH = 2 },
		"pairs":                func(r *differencev1.ComputeDifferencesRequest) { r.Pairs = nil },
		"pairs[0].reference.l": func(r *differencev1.ComputeDifferencesRequest) { r.Pairs[0].Reference.L = math.NaN() },
		"pairs[0].sample":      func(r *differencev1.ComputeDifferencesRequest) { r.Pairs[0].Sample = nil },
	} {
		r := request()
		change(r)
		_, err := c.ComputeDifferences(t.Context(), r)
		assert.Contains(t, moduletest.Refused(t, err), field)
	}
}

// A call whose caller went away is given up before all of its pairs are computed.
func TestEndedCallIsGivenUp(t *testing.T) {
	const pairs = 4000
	ctx, cancel := context.WithCancel(t.Context())
	var computed atomic.Int32
	c := client(t, func(colorimetry.Lab, colorimetry.Lab, colorimetry.Factors) float64 {
		cancel()
		computed.Add(1)
		time.Sleep(time.Millisecond) // so that the end gets here before the last pair
		return 1
	})
	r := request()
	for len(r.Pairs) < pairs {
		r.Pairs = append(r.Pairs, r.Pairs[0])
	}
	_, err := c.ComputeDifferences(ctx, r)
	assert.Equal(t, codes.Canceled, status.Code(err))
	before := int32(-1)
	require.Eventually(t, func() bool { now := computed.Load(); was := before; before = now; return now == was }, 30*time.Second, 100*time.Millisecond)
	assert.Less(t, before, int32(pairs))
}
