package schedule_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/bathscale/schedule"
)

func TestLay(t *testing.T) {
	// Madder as growers and Mairet (1916) tell it: 50 to 70 °C over an hour or two, never hotter.
	madder := schedule.Ceiling{Of: "madder", TemperatureC: 70, RateCPerMin: 20.0 / 60, Source: "E. Mairet, Vegetable Dyes (1916)"}
	wool := schedule.FibreCeilings()[0]
	plan, err := schedule.Lay(schedule.Bath{StartC: 50, HoldC: 95, HoldMin: 60, LooksMin: []float64{10, 30, 60, 90, 125}, CoolMin: 10}, []schedule.Ceiling{wool, madder})
	require.NoError(t, err)
	assert.Equal(t, 70.0, plan.HoldC)
	assert.Equal(t, "madder", plan.LoweredBy.Of)
	assert.Equal(t, "madder", plan.SlowedBy.Of)
	var at []float64
	for _, m := range plan.Moments {
		at = append(at, m.Minute)
	}
	assert.InDeltaSlice(t, []float64{0, 10, 30, 60, 60, 90, 120, 125, 130}, at, 1e-9)
	assert.InDelta(t, 50+10.0/3, plan.Moments[1].TemperatureC, 1e-9)
	assert.Equal(t, schedule.HoldStarts, plan.Moments[3].What, "the hold starts before the look of the same minute")
	assert.True(t, math.IsNaN(plan.Moments[7].TemperatureC), "how a vessel cools is not known")
	assert.InDelta(t, 120, schedule.RampMin(50, 70, 20.0/120), 1e-9, "the slower telling")
	assert.Zero(t, schedule.RampMin(20, 20, 0))
}

func TestRefusals(t *testing.T) {
	good := schedule.Bath{StartC: 20, HoldC: 80, HoldMin: 60}
	for name, change := range map[string]func(*schedule.Bath){
		"too hot":               func(b *schedule.Bath) { b.HoldC = 106 },
		"not a number":          func(b *schedule.Bath) { b.HoldMin = math.NaN() },
		"a look after the end":  func(b *schedule.Bath) { b.LooksMin = []float64{500} },
		"looks out of order":    func(b *schedule.Bath) { b.LooksMin = []float64{10, 5} },
		"goes in hotter":        func(b *schedule.Bath) { b.StartC, b.HoldC = 90, 95 },
		"heats in years":        func(b *schedule.Bath) { b.RateCPerMin = 1e-9 },
		"cools for a long time": func(b *schedule.Bath) { b.CoolMin = 1e9 },
	} {
		bath := good
		change(&bath)
		_, err := schedule.Lay(bath, []schedule.Ceiling{{Of: "silk", TemperatureC: 85}})
		assert.ErrorIs(t, err, schedule.ErrInput, name)
	}
	_, err := schedule.Lay(good, []schedule.Ceiling{{Of: "x", TemperatureC: math.Inf(1)}})
	assert.ErrorIs(t, err, schedule.ErrInput)
}

// No ceiling is ever passed, whichever comes first.
func TestCeilingsHold(t *testing.T) {
	ceilings := schedule.FibreCeilings()
	for i := range ceilings {
		for j := range ceilings {
			both := []schedule.Ceiling{ceilings[i], ceilings[j]}
			plan, err := schedule.Lay(schedule.Bath{StartC: 20, HoldC: 100, HoldMin: 30}, both)
			require.NoError(t, err)
			for _, c := range both {
				assert.LessOrEqual(t, plan.HoldC, c.TemperatureC)
				if c.RateCPerMin > 0 {
					assert.LessOrEqual(t, plan.RateCPerMin, c.RateCPerMin)
				}
			}
		}
	}
}
