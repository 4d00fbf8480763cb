// Package schedule lays out a bath in time: heating no faster than the fibre bears, holding no hotter than fibre and dyestuff allow, looks at
// their minutes; and the baths of a trial over its days.
//
// Temperatures are in degrees Celsius, times in minutes from the moment the fibre goes in.
package schedule

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
)

// ErrInput is wrapped by every error of this package.
var ErrInput = errors.New("schedule")

// Ceiling is the hottest that something may get.
type Ceiling struct {
	// Of what: a fibre, a dyestuff or a step.
	Of string
	// TemperatureC at the most. Range: 0 to 105.
	TemperatureC float64
	// RateCPerMin is how fast it may be heated; 0: no limit is known.
	RateCPerMin float64
	// Why, and where the figure comes from. A figure from memory says so.
	Source string
}

// Bath is what is laid out.
type Bath struct {
	// StartC is the temperature at which the fibre goes in, HoldC that at which it is held. Range: 0 to 105.
	StartC, HoldC float64
	// HoldMin is how long it is held. Range: 0 to 10,080 (a week).
	HoldMin float64
	// RateCPerMin is how fast this vessel heats or cools; 0: as fast as the ceilings allow, and at most 3.
	RateCPerMin float64
	// LooksMin are the minutes at which somebody looks into the pot, counted from the moment the fibre goes in. Sorted; may be empty.
	LooksMin []float64
	// CoolMin is how long the fibre stays in the cooling bath. Range: 0 to 10,080.
	CoolMin float64
}

// What happens at a moment.
type What int

// Moments of a schedule, in the order in which they are told when they fall together.
const (
	FibreIn What = iota
	HoldStarts
	Look
	HeatOff
	FibreOut
)

// Moment is one line of the schedule.
type Moment struct {
	// Minute from the start, not rounded.
	Minute float64
	What   What
	// TemperatureC that the bath should have then. NaN once it cools: how fast depends on the vessel.
	TemperatureC float64
}

// Plan is a bath laid out.
type Plan struct {
	Moments []Moment
	// HoldC is the temperature held: the wanted one, or the lowest ceiling when that is lower.
	HoldC float64
	// LoweredBy is the ceiling that lowered it; nil when none did.
	LoweredBy *Ceiling
	// RateCPerMin is the heating rate used, and SlowedBy the ceiling that set it.
	RateCPerMin float64
	SlowedBy    *Ceiling
}

const fastest = 3 // °C/min; a litre on a large hob. Common practice, no source.

// Lay lays a bath out in time under all ceilings: the lowest temperature and the slowest rate win.
func Lay(b Bath, ceilings []Ceiling) (Plan, error) {
	if err := b.validate(ceilings); err != nil {
		return Plan{}, err
	}
	plan := Plan{HoldC: b.HoldC, RateCPerMin: b.RateCPerMin}
	if plan.RateCPerMin == 0 {
		plan.RateCPerMin = fastest
	}
	for i, c := range ceilings {
		if c.TemperatureC < plan.HoldC {
			plan.HoldC, plan.LoweredBy = c.TemperatureC, &ceilings[i]
		}
		if c.RateCPerMin > 0 && c.RateCPerMin < plan.RateCPerMin {
			plan.RateCPerMin, plan.SlowedBy = c.RateCPerMin, &ceilings[i]
		}
	}
	for _, c := range ceilings {
		if b.StartC > c.TemperatureC {
			return Plan{}, fmt.Errorf("%w: the fibre goes in at %g °C, and %s bears at most %g °C", ErrInput, b.StartC, c.Of, c.TemperatureC)
		}
	}
	start := b.StartC
	ramp := RampMin(start, plan.HoldC, plan.RateCPerMin)
	heatOff := ramp + b.HoldMin
	plan.Moments = []Moment{{0, FibreIn, start}, {ramp, HoldStarts, plan.HoldC}, {heatOff, HeatOff, plan.HoldC}, {heatOff + b.CoolMin, FibreOut, math.NaN()}}
	if b.CoolMin == 0 {
		plan.Moments[3].TemperatureC = plan.HoldC
	}
	for _, minute := range b.LooksMin {
		if minute > heatOff+b.CoolMin {
			return Plan{}, fmt.Errorf("%w: a look at minute %g, and the fibre comes out at %g", ErrInput, minute, heatOff+b.CoolMin)
		}
		at := plan.HoldC
		switch {
		case minute < ramp:
			at = start + (plan.HoldC-start)*minute/ramp
		case minute > heatOff:
			at = math.NaN()
		}
		plan.Moments = append(plan.Moments, Moment{minute, Look, at})
	}
	slices.SortStableFunc(plan.Moments, func(a, b Moment) int {
		switch {
		case a.Minute < b.Minute || (a.Minute == b.Minute && a.What < b.What):
			return -1
		case a.Minute > b.Minute || a.What > b.What:
			return 1
		}
		return 0
	})
	return plan, nil
}

// RampMin is the time in minutes from one temperature to another at a rate in °C/min, Δt = |T2 − T1|/rate.
func RampMin(fromC, toC, rateCPerMin float64) float64 {
	if fromC == toC {
		return 0
	}
	return math.Abs(toC-fromC) / rateCPerMin
}

func (b Bath) validate(ceilings []Ceiling) error {
	for _, of := range []struct {
		name      string
		v, lo, hi float64
	}{
		{"temperature at the start", b.StartC, 0, 105}, {"temperature held", b.HoldC, 0, 105}, {"minutes held", b.HoldMin, 0, 10_080},
		{"heating rate in °C/min", b.RateCPerMin, 0, 20}, {"minutes of cooling", b.CoolMin, 0, 10_080},
	} {
		if !(of.v >= of.lo && of.v <= of.hi) {
			return fmt.Errorf("%w: %s is %v, want %v to %v", ErrInput, of.name, of.v, of.lo, of.hi)
		}
	}
	if b.RateCPerMin != 0 && b.RateCPerMin < 0.01 {
		return fmt.Errorf("%w: heating rate is %v °C/min, want 0.01 to 20", ErrInput, b.RateCPerMin)
	}
	if len(b.LooksMin) > 100 {
		return fmt.Errorf("%w: %d looks, want 0 to 100", ErrInput, len(b.LooksMin))
	}
	for i, minute := range b.LooksMin {
		if !(minute >= 0 && minute <= 30_000) || (i > 0 && minute <= b.LooksMin[i-1]) {
			return fmt.Errorf("%w: look %d is at minute %v, want 0 to 30000, each after the one before", ErrInput, i+1, minute)
		}
	}
	for _, c := range ceilings {
		if !(c.TemperatureC >= 0 && c.TemperatureC <= 105) || !(c.RateCPerMin >= 0 && c.RateCPerMin <= 20) || strings.TrimSpace(c.Of) == "" {
			return fmt.Errorf("%w: ceiling of %q is %v °C at %v °C/min, want 0 to 105 and 0 to 20, of something", ErrInput, c.Of, c.TemperatureC, c.RateCPerMin)
		}
	}
	return nil
}

// FibreCeilings are those of fibres by name. Sources disagree, and the lower figure is taken.
func FibreCeilings() []Ceiling {
	return []Ceiling{
		{Of: "wool", TemperatureC: 90, RateCPerMin: 2, Source: "from memory of handbooks: 85 to 90 °C, at most 1 to 2 °C a minute; boiling felts and harshens"},
		{Of: "silk", TemperatureC: 85, Source: "a supplier's page on dyeing and clearing silk"},
		{Of: "cotton", TemperatureC: 100, Source: "a supplier's page and a tutorial"},
		{Of: "linen", TemperatureC: 100, Source: "as cotton"},
		{Of: "hemp", TemperatureC: 100, Source: "as cotton"},
		{Of: "viscose", TemperatureC: 100, Source: "as cotton; from memory, weaker when wet"},
	}
}
