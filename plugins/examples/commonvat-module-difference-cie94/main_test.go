package main

import (
	"testing"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestMain(m *testing.M) { moduletest.Main(m, main) }

// The first pair and its value are the example of delta_E_CIE1994 in the documentation of the Python library Colour, from memory. The others
// are worked by hand: a reference of chroma 20 has the weights 1.9 and 1.3.
func TestDifference(t *testing.T) {
	one := colorimetry.Factors{KL: 1, KC: 1, KH: 1}
	for _, c := range []struct {
		reference, sample colorimetry.Lab
		k                 colorimetry.Factors
		want, within      float64
	}{
		{colorimetry.Lab{L: 100, A: 21.57210357, B: 272.22819350}, colorimetry.Lab{L: 100, A: 426.67945353, B: 72.39590835}, one, 83.7792, 5e-5},
		{colorimetry.Lab{L: 50, A: 20}, colorimetry.Lab{L: 50, A: 39}, one, 10, 1e-12},
		{colorimetry.Lab{L: 50, A: 20}, colorimetry.Lab{L: 46, A: 39}, colorimetry.Factors{KL: 2, KC: 1, KH: 1}, 10.19803902718557, 1e-12}, // sqrt(2² + 10²)
		{colorimetry.Lab{L: 50, A: 20}, colorimetry.Lab{L: 50, B: 20}, one, 28.284271247461902 / 1.3, 1e-12},
	} {
		assert.InDelta(t, c.want, difference(c.reference, c.sample, c.k), c.within)
	}
}

func TestProcess(t *testing.T) {
	client := differencev1.NewDifferenceServiceClient(moduletest.Start(t).Conn())
	req := &differencev1.ComputeDifferencesRequest{
		Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE},
		Formula:   "cie94", KC: 2,
		Pairs: []*differencev1.ColourPair{{Reference: &typesv1.Lab{L: 50, A: 20}, Sample: &typesv1.Lab{L: 50, A: 39}}},
	}
	got, err := client.ComputeDifferences(t.Context(), req)
	require.NoError(t, err)
	assert.Equal(t, "CIE94, kL = 1, kC = 2, kH = 1", got.GetFormula())
	require.Len(t, got.GetDifferences(), 1)
	assert.InDelta(t, 5, got.GetDifferences()[0], 1e-12)

	req.Formula, req.KC = "cie76", 11
	_, err = client.ComputeDifferences(t.Context(), req)
	assert.Equal(t, map[string]string{"formula": `is "cie76", want cie94`, "k_c": "is 11, want 0.1 to 10, or 0 for 1"}, moduletest.Refused(t, err))
}
