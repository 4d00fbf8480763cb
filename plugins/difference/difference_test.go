package difference

import (
	"context"
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

func pair(l1, a1, b1, l2, a2, b2 float64) *differencev1.ColourPair {
	return &differencev1.ColourPair{Reference: &typesv1.Lab{L: l1, A: a1, B: b1}, Sample: &typesv1.Lab{L: l2, A: a2, B: b2}}
}

func request(formula string, pairs ...*differencev1.ColourPair) *differencev1.ComputeDifferencesRequest {
	return &differencev1.ComputeDifferencesRequest{
		Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE},
		Formula:   formula, Pairs: pairs,
	}
}

func client(t testing.TB) differencev1.DifferenceServiceClient {
	return differencev1.NewDifferenceServiceClient(plugintest.Dial(t, Module()))
}

// All pairs of Sharma, Wu & Dalal (2005), Table 1, over the wire.
func TestPublishedPairs(t *testing.T) {
	f, err := os.Open("../../testdata/colour/ciede2000_sharma2005.csv")
	require.NoError(t, err)
	defer func() { _ = f.Close() }()
	reader := csv.NewReader(f)
	reader.Comment = '#'
	rows, err := reader.ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 1+34)
	req := request("ciede2000")
	var want []float64
	for _, row := range rows[1:] {
		var x [8]float64
		for i := 1; i <= 7; i++ {
			x[i], err = strconv.ParseFloat(row[i], 64)
			require.NoError(t, err)
		}
		req.Pairs = append(req.Pairs, pair(x[1], x[2], x[3], x[4], x[5], x[6]))
		want = append(want, x[7])
	}
	got, err := client(t).ComputeDifferences(t.Context(), req)
	require.NoError(t, err)
	require.Len(t, got.GetDifferences(), len(want))
	for i := range want {
		assert.InDelta(t, want[i], got.GetDifferences()[i], 0.00005, "pair %d", i+1)
	}
	assert.Equal(t, "CIEDE2000, kL = 1, kC = 1, kH = 1", got.GetFormula())
}

func TestFactorsAreToldWithTheResult(t *testing.T) {
	req := request("ciede2000", pair(50, 0, 0, 60, 0, 0))
	one, err := client(t).ComputeDifferences(t.Context(), req)
	require.NoError(t, err)
	req.KL = 2
	two, err := client(t).ComputeDifferences(t.Context(), req)
	require.NoError(t, err)
	// Two greys differ in the lightness term only, which kL divides.
	assert.InDelta(t, one.GetDifferences()[0]/2, two.GetDifferences()[0], 1e-12)
	assert.Equal(t, "CIEDE2000, kL = 2, kC = 1, kH = 1", two.GetFormula())
}

func TestCIE76(t *testing.T) {
	req := request("cie76", pair(50, 0, 0, 53, 4, 12))
	req.KC = 1
	got, err := client(t).ComputeDifferences(t.Context(), req)
	require.NoError(t, err)
	assert.Equal(t, []float64{13}, got.GetDifferences(), "3, 4, 12: Pythagoras")
	assert.Equal(t, "CIE76", got.GetFormula())
}

func TestRefuses(t *testing.T) {
	change := func(c func(*differencev1.ComputeDifferencesRequest)) *differencev1.ComputeDifferencesRequest {
		r := request("ciede2000", pair(1, 2, 3, 4, 5, 6), pair(1, 2, 3, 4, 5, 6))
		c(r)
		return r
	}
	for name, c := range map[string]struct {
		req  *differencev1.ComputeDifferencesRequest
		want map[string]string
	}{
		"empty": {&differencev1.ComputeDifferencesRequest{}, map[string]string{
			"condition": "is missing, want an illuminant and an observer", "formula": `is "", want ciede2000, cie76, cie94_textile, cie94_graphic_arts or cmc`,
			"pairs": "has 0 pairs, want 1 to 10000"}},
		"too many": {request("cie76", slices.Repeat([]*differencev1.ColourPair{pair(1, 2, 3, 4, 5, 6)}, maxPairs+1)...),
			map[string]string{"pairs": "has 10001 pairs, want 1 to 10000"}},
		"formula": {change(func(r *differencev1.ComputeDifferencesRequest) { r.Formula = "CIEDE2000" }),
			map[string]string{"formula": `is "CIEDE2000", want ciede2000, cie76, cie94_textile, cie94_graphic_arts or cmc`}},
		"factors": {change(func(r *differencev1.ComputeDifferencesRequest) { r.KL, r.KC, r.KH = 0.01, -1, math.NaN() }), map[string]string{
			"k_l": "is 0.01, want 0.1 to 10, or 0 for 1", "k_c": "is -1, want 0.1 to 10, or 0 for 1", "k_h": "is NaN, want 0.1 to 10, or 0 for 1"}},
		"factors of a formula without": {change(func(r *differencev1.ComputeDifferencesRequest) { r.Formula, r.KL = "cie76", 2 }),
			map[string]string{"k_l": "is 2, want 0 or 1: cie76 has no such factor"}},
		"colours": {change(func(r *differencev1.ComputeDifferencesRequest) {
			r.Pairs[0].Sample = nil
			r.Pairs[1].Reference.L, r.Pairs[1].Reference.B, r.Pairs[1].Sample.A = math.Inf(1), 201, math.NaN()
		}), map[string]string{
			"pairs[0].sample": "is missing, want l, a and b", "pairs[1].reference.l": "is +Inf, want 0 to 150",
			"pairs[1].reference.b": "is 201, want -200 to 200", "pairs[1].sample.a": "is NaN, want -200 to 200"}},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := client(t).ComputeDifferences(t.Context(), c.req)
			assert.Equal(t, c.want, moduletest.Refused(t, err))
		})
	}
}

func TestEndedContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := NewServer().ComputeDifferences(ctx, request("cie76", pair(1, 2, 3, 4, 5, 6)))
	assert.Equal(t, codes.Canceled, status.Code(err))
}

func FuzzRequest(f *testing.F) {
	f.Add("ciede2000", 50.0, 2.6772, -79.7751, 50.0, 0.0, -82.7485, 0.0, 0.0, 0.0, int32(1), int32(2))
	f.Add("cie76", 0.0, 0.0, 0.0, 150.0, 200.0, -200.0, 1.0, 1.0, 1.0, int32(2), int32(1))
	f.Add("", math.NaN(), math.Inf(1), 1e308, -1.0, 1e-320, 200.0000001, 0.1, 10.0, -5.0, int32(0), int32(7))
	f.Fuzz(func(t *testing.T, formula string, l1, a1, b1, l2, a2, b2, kl, kc, kh float64, illuminant, observer int32) {
		req := request(formula, pair(l1, a1, b1, l2, a2, b2), nil)
		req.Pairs = req.Pairs[:1+len(formula)%2]
		req.KL, req.KC, req.KH = kl, kc, kh
		req.Condition = &typesv1.ColourCondition{Illuminant: typesv1.Illuminant(illuminant), Observer: typesv1.Observer(observer)}
		got, err := NewServer().ComputeDifferences(context.Background(), req)
		if err != nil {
			moduletest.Refused(t, err)
			return
		}
		for _, d := range got.GetDifferences() {
			if !(d >= 0) || math.IsInf(d, 0) {
				t.Fatal(fmt.Sprint("difference ", d))
			}
		}
	})
}
