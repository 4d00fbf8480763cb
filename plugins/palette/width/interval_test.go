package width

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestIntervalGates(t *testing.T) {
	sixteen := genFixed(16)
	spread := func(blocks ...string) []Row {
		rows := rowsOf("g", "", "", sixteen)
		for i := range rows {
			rows[i].Block = blocks[i%len(blocks)]
		}
		return rows
	}
	for _, tt := range []struct {
		name string
		rows []Row
		why  string
	}{
		{"one session", spread("a"), "fewer than 2 sessions"},
		{"session not stated", spread("a", ""), "a session is not stated"},
		{"two sessions leave too few", spread("a", "b"), "without one session only 8 cells are left, fewer than m = 9"},
		{"four sessions", spread("a", "b", "c", "d"), ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := measure(t, tt.rows, Params{Interval: true}).Strata[0]
			assert.Equal(t, 9, s.M, "⌊0.6·16⌋")
			e := s.Groups[0].Rarefied.Dispersion
			assert.Equal(t, tt.why, e.NoInterval)
			assert.Equal(t, tt.why == "", e.Interval != nil)
		})
	}
}

// Cells that differ by no more than roundings have no width, and so no interval of it.
func TestRoundingsHaveNoInterval(t *testing.T) {
	alike := make([]lab, 16)
	for i := range alike {
		alike[i] = lab{L: 50 + float64(i)*7e-15, A: 1.0 / 3, B: 20}
	}
	rows := rowsOf("g", "", "", alike)
	for i := range rows {
		rows[i].Block = string(rune('a' + i%4))
	}
	e := measure(t, rows, Params{Interval: true}).Strata[0].Groups[0].Rarefied.Dispersion
	assert.Equal(t, 0.0, e.Mean)
	assert.Nil(t, e.Interval)
	assert.Equal(t, "without one session nothing is left to measure", e.NoInterval)
}
