package amounts

import (
	"math"
)

// Coverage is the factor by which a standard uncertainty is expanded before it is shown: about 95 % for a normal distribution (JCGM
// 100:2008, G.6.6).
const Coverage = 2

// Balance is what masses are weighed with.
type Balance struct {
	// StepG is the last digit that it shows, in grams. Above 0, at most 100.
	StepG float64
	// CapacityG is the most that it takes, in grams; 0: not stated.
	CapacityG float64
}

// UncertaintyG is the standard uncertainty of one weighing, in grams: two readings (tare and load), each with an error that is uniform over
// one step, d/√12·√2 (JCGM 100:2008, F.2.2.1). The balance's own faults come on top and are not known here.
func (b Balance) UncertaintyG() float64 { return b.StepG / math.Sqrt(12) * math.Sqrt2 }

// RelativeError is the expanded relative uncertainty (factor [Coverage]) of weighing mass grams, as a part of one; infinite for 0.
func (b Balance) RelativeError(massG float64) float64 {
	if massG == 0 {
		return math.Inf(1)
	}
	return Coverage * b.UncertaintyG() / massG
}

// LeastG is the smallest mass, in grams, whose expanded relative uncertainty is at most the given part of one.
func (b Balance) LeastG(relative float64) float64 { return Coverage * b.UncertaintyG() / relative }

// Shown is the mass rounded to the balance's step, half away from zero. It is never negative, and 0 only where the mass is below half a step.
func (b Balance) Shown(massG float64) float64 {
	steps := math.Round(massG / b.StepG)
	// A decimal step such as 0.1 isn't a binary fraction: dividing by its reciprocal gives the decimal that the display shows.
	if reciprocal := math.Round(1 / b.StepG); reciprocal >= 1 && math.Abs(reciprocal*b.StepG-1) < 1e-9 {
		return steps / reciprocal
	}
	return steps * b.StepG
}
