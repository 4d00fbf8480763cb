package amounts

import (
	"fmt"
	"math"
)

// Measure is what a recipe's figure counts.
type Measure int

const (
	// PercentWOF is grams for each hundred grams of fibre in its reference state.
	PercentWOF Measure = iota
	// GramsPerLitre is grams for each litre of the bath's volume.
	GramsPerLitre
	// PartsOf is parts of another material of the same bath, by mass.
	PartsOf
	// GramsPerDip is grams for each dip of the load.
	GramsPerDip
	// Grams is grams in the whole bath, whatever the fibre; fillings of the vessel share them.
	Grams
)

// Form is the state in which a material is at hand, as against the one that the recipe means.
type Form int

const (
	// AsMeant is used where the recipe means what is at hand.
	AsMeant Form = iota
	// Fresh is fresh plant for a recipe in dried plant: needs the lot's moisture.
	Fresh
	// Substitute is a stronger or weaker lot or preparation (extract for raw, another year's harvest): needs the lot's measured strength.
	Substitute
	// Impure is used where the recipe counts the active substance (indigo by its dye); needs the lot's purity.
	Impure
	// Liquid is a solution, an extraction or a bought liquid; needs the grams, as the recipe means them, in a litre of it.
	Liquid
)

// Dose is one material of a recipe.
type Dose struct {
	// Material's name, each once in a bath. Not empty.
	Material string
	Measure  Measure
	// Value in the unit of Measure. Range: 0 to 1,000,000; percentages on the weight of fibre to 10,000.
	Value float64
	// Of is the material that PartsOf refers to; it stands earlier in the recipe.
	Of   string
	Form Form
	// Strength of the lot at hand as a multiple of the recipe's (its colour yield at equal depth, measured by dyeing); for Substitute.
	// 0: not known.
	Strength float64
	// MoisturePercent of the fresh plant's mass; for Fresh. nil: not known.
	MoisturePercent *float64
	// PurityPercent of the active substance; for Impure. 0: not known.
	PurityPercent float64
	// LiquidGPerL is what a litre of the liquid holds, as the recipe means it (of an extraction, the grams of plant that went into a litre);
	// for Liquid. 0: not known. See [LiquidGPerL] for one that is told by its density.
	LiquidGPerL float64
	// LiquidKgPerL is its density, for telling the mass of what is poured; 0: not known.
	LiquidKgPerL float64
	// SolubleGPerL is the most that dissolves in cold water, for planning stocks; 0: not known, and no stock is made.
	SolubleGPerL float64
}

// Unknown says why a dose can't be scaled: the figure that is missing, in a dyer's words. It is no fault of the request.
type Unknown struct{ Material, Missing string }

// Error implements error.
func (u *Unknown) Error() string { return fmt.Sprintf("%s: %s is not known", u.Material, u.Missing) }

func (d Dose) validate() error {
	most := 1e6
	if d.Measure == PercentWOF {
		most = 10_000
	}
	switch {
	case d.Material == "":
		return fmt.Errorf("%w: a material has no name", ErrInput)
	case d.Measure < PercentWOF || d.Measure > Grams:
		return fmt.Errorf("%w: %s has an unknown measure", ErrInput, d.Material)
	case d.Form < AsMeant || d.Form > Liquid:
		return fmt.Errorf("%w: %s has an unknown form", ErrInput, d.Material)
	case !(d.Value >= 0 && d.Value <= most):
		return fmt.Errorf("%w: the figure of %s is %v, want 0 to %v", ErrInput, d.Material, d.Value, most)
	case d.Strength != 0 && !(d.Strength >= 0.001 && d.Strength <= 1000):
		return fmt.Errorf("%w: strength of %s is %v, want 0.001 to 1000", ErrInput, d.Material, d.Strength)
	case d.MoisturePercent != nil && !(*d.MoisturePercent >= 0 && *d.MoisturePercent < 100):
		return fmt.Errorf("%w: moisture of %s is %v %%, want 0 to below 100", ErrInput, d.Material, *d.MoisturePercent)
	case d.LiquidGPerL != 0 && !(d.LiquidGPerL > 0 && d.LiquidGPerL <= 3000):
		return fmt.Errorf("%w: a litre of the liquid %s holds %v g, want above 0 to 3000", ErrInput, d.Material, d.LiquidGPerL)
	case d.LiquidKgPerL != 0 && !(d.LiquidKgPerL >= 0.5 && d.LiquidKgPerL <= 3):
		return fmt.Errorf("%w: a litre of the liquid %s weighs %v kg, want 0.5 to 3", ErrInput, d.Material, d.LiquidKgPerL)
	case d.SolubleGPerL != 0 && !(d.SolubleGPerL > 0 && d.SolubleGPerL <= 5000):
		return fmt.Errorf("%w: %v g/L of %s dissolve, want 0 to 5000", ErrInput, d.SolubleGPerL, d.Material)
	case d.PurityPercent != 0 && !(d.PurityPercent > 0 && d.PurityPercent <= 100):
		return fmt.Errorf("%w: purity of %s is %v %%, want above 0 to 100", ErrInput, d.Material, d.PurityPercent)
	}
	return nil
}

// Load is what a dose is scaled to.
type Load struct {
	// Fibre in its reference state.
	Fibre Mass
	// VolumeL of the bath, in litres.
	VolumeL float64
	// Dips of the load.
	Dips int
	// Part is the share of the whole bath that is in this filling of the vessel, for what the recipe tells in grams; above 0 to 1, 0 means 1.
	Part float64
}

// MeantG is the mass in grams of each dose in the state that the recipe means, in the recipe's order.
func MeantG(recipe []Dose, load Load) ([]float64, error) {
	meant, at := make([]float64, len(recipe)), make(map[string]int, len(recipe))
	for i, d := range recipe {
		if err := d.validate(); err != nil {
			return nil, err
		}
		if _, twice := at[d.Material]; twice {
			return nil, fmt.Errorf("%w: %s stands twice in one bath", ErrInput, d.Material)
		}
		at[d.Material] = i
		switch d.Measure {
		case PercentWOF:
			meant[i] = load.Fibre.G * d.Value / 100
		case GramsPerLitre:
			meant[i] = load.VolumeL * d.Value
		case PartsOf:
			base, ok := at[d.Of]
			if !ok || base == i {
				return nil, fmt.Errorf("%w: %s is told in parts of %q, which does not stand before it", ErrInput, d.Material, d.Of)
			}
			meant[i] = meant[base] * d.Value
		case GramsPerDip:
			if load.Dips < 1 {
				return nil, fmt.Errorf("%w: %s is told per dip, and the bath has %d dips", ErrInput, d.Material, load.Dips)
			}
			meant[i] = d.Value * float64(load.Dips)
		case Grams:
			meant[i] = d.Value * orElse(load.Part, 1)
		}
	}
	return meant, nil
}

// LiquidGPerL is what a litre of a liquid holds, in grams, when it weighs so many kilograms (range 0.5 to 3) of which so many percent (above 0 to 100) are the
// substance: ρ·w·10, by the definition of a mass fraction.
func LiquidGPerL(densityKgPerL, percent float64) float64 { return densityKgPerL * percent * 10 }

// AtHandG turns the meant mass into grams of what is at hand; of a liquid it stays the mass that is dissolved in it (see
// [Bench.Pour] for its volume). It returns an [*Unknown] where the figure that this needs is not known: strengths
// and purities belong to lots, and none is guessed.
func (d Dose) AtHandG(meantG float64) (float64, error) {
	switch d.Form {
	case Fresh:
		if d.MoisturePercent == nil {
			return 0, &Unknown{d.Material, "the moisture of the fresh plant"}
		}
		return meantG / (1 - *d.MoisturePercent/100), nil
	case Substitute:
		if d.Strength == 0 {
			return 0, &Unknown{d.Material, "the strength of this lot"}
		}
		return meantG / d.Strength, nil
	case Impure:
		if d.PurityPercent == 0 {
			return 0, &Unknown{d.Material, "the purity of this lot"}
		}
		return meantG / (d.PurityPercent / 100), nil
	case Liquid:
		if d.LiquidGPerL == 0 {
			return 0, &Unknown{d.Material, "how much a litre of this liquid holds"}
		}
	case AsMeant:
	}
	return meantG, nil
}

// meantFrom is the inverse of AtHandG for a dose that could be scaled.
func (d Dose) meantFrom(atHandG float64) float64 {
	unit, err := d.AtHandG(1)
	if err != nil {
		return math.NaN()
	}
	return atHandG / unit
}
