package width

import (
	"context"
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Exact limits of a Poisson mean as printed in tables of the kind of Garwood's (from memory): 0 → 3.689, 1 → 0.0253 to 5.572, 5 → 1.623 to
// 11.668, 10 → 4.795 to 18.390.
func TestPoissonInterval(t *testing.T) {
	for k, want := range map[int][2]float64{0: {0, 3.689}, 1: {0.0253, 5.572}, 5: {1.623, 11.668}, 10: {4.795, 18.390}} {
		low, high := poissonInterval(k)
		assert.InDelta(t, want[0], low, 0.0006, "%d", k)
		assert.InDelta(t, want[1], high, 0.0006, "%d", k)
	}
	a, _ := poissonInterval(500)
	b, _ := poissonInterval(501)
	assert.InDelta(t, 1, b-a, 0.1, "the approximation takes over where the sum ends")
}

// Twelve cells of which no two are close: the count of six is 6 in each subset, and still may be less in other sessions.
func TestShadesAtTheirCeiling(t *testing.T) {
	var rows []Row
	for i := range 12 {
		rows = append(rows, Row{ReadingID: fmt.Sprintf("%02d", i), Group: "g", Block: fmt.Sprint(i), Cell: "x",
			Lab: colorimetry.Lab{L: 20 + 5*float64(i), A: 10 * float64(i%3), B: 30 - 8*float64(i%4)}})
	}
	a, err := Measure(context.Background(), rows, Params{Interval: true, M: 6, ThresholdDE: 1})
	require.NoError(t, err)
	s := a.Strata[0].Groups[0].Rarefied.Shades
	assert.Equal(t, 6.0, s.Mean)
	assert.Equal(t, 6.0, s.Interval.High)
	assert.InDelta(t, 6-3.689*30/132, s.Interval.Low, 0.001)
}
