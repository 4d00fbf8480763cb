package amounts

import (
	"fmt"
	"math"
)

// Basis is the state in which fibre was weighed.
type Basis int

const (
	// AirDry is as it lay in the room.
	AirDry Basis = iota
	// OvenDry is dried to constant mass.
	OvenDry
)

// Reference is the state to which percentages on the weight of fibre refer.
type Reference int

const (
	// AsWeighed takes the mass that the balance showed; oven-dry fibre is first given its regain back. It is what dyers do: common practice,
	// no source.
	AsWeighed Reference = iota
	// Conditioned takes the oven-dry mass with the regain of the table, whatever the day's air: for comparing trials of different days.
	Conditioned
	// WithoutWater takes the oven-dry mass, by the regain that was measured on the day, else by that of the table.
	WithoutWater
)

// Fibre is a lot of fibre that goes into a bath.
type Fibre struct {
	// Name of the fibre, for its regain: wool, silk, cotton, linen, hemp, jute, viscose. Blends go in parts.
	Name string
	// MassG as weighed, in grams. Above 0, at most 1,000,000.
	MassG float64
	// StepG of the balance on which it was weighed; 0: not stated, then the mass counts as exact and the result says so.
	StepG float64
	Basis Basis
	// RegainPercent is the water in 100 g of oven-dry fibre on the day of weighing, where it was measured; else nil. Range: 0 to 100.
	RegainPercent *float64
	// PickupPercent is the water that the wetted fibre carries into the bath, in percent of its mass before wetting; 0: it goes in dry. Range: 0 to 1000.
	PickupPercent float64
}

// Regains are percentages of water on oven-dry mass by fibre.
type Regains map[string]float64

// CommercialRegains are agreed for trade and not measured: ASTM D1909-13, except viscose, which is from memory.
func CommercialRegains() Regains {
	return Regains{"cotton": 8.5, "linen": 12, "hemp": 12, "jute": 13.75, "silk": 11, "wool": 13.6, "viscose": 11}
}

// Mass is a mass in grams with its standard uncertainty, 0 where that is not known.
type Mass struct{ G, UncertaintyG float64 }

// ErrNoRegain tells that a conversion needs a regain that is neither measured nor in the table.
var ErrNoRegain = fmt.Errorf("%w: no regain is known", ErrInput)

// ReferenceMass is the mass to which percentages refer. It wraps [ErrNoRegain] when a conversion is needed and no regain is known: the fibre is
// never taken for another one.
func (f Fibre) ReferenceMass(to Reference, table Regains) (Mass, error) {
	if err := f.validate(); err != nil {
		return Mass{}, err
	}
	asWeighed := Mass{f.MassG, Balance{StepG: f.StepG}.UncertaintyG()}
	// Without a measurement of that day, the air-dry mass is the best guess of the conditioned one.
	if f.Basis == AirDry && (to == AsWeighed || to == Conditioned && f.RegainPercent == nil) {
		return asWeighed, nil
	}
	dry := asWeighed
	if f.Basis == AirDry {
		regain, err := f.regain(table)
		if err != nil {
			return Mass{}, err
		}
		dry = Mass{OvenDryG(asWeighed.G, regain), OvenDryG(asWeighed.UncertaintyG, regain)}
	}
	switch to {
	case WithoutWater:
		return dry, nil
	case Conditioned:
		f.RegainPercent = nil // the table's, whatever the day's was
	case AsWeighed:
	}
	regain, err := f.regain(table)
	factor := 1 + regain/100
	return Mass{dry.G * factor, dry.UncertaintyG * factor}, err
}

// regain is the one that was measured, else that of the table.
func (f Fibre) regain(table Regains) (float64, error) {
	if f.RegainPercent != nil {
		return *f.RegainPercent, nil
	}
	standard, listed := table[f.Name]
	if !listed {
		return 0, fmt.Errorf("%w for %q", ErrNoRegain, f.Name)
	}
	return standard, nil
}

func (f Fibre) validate() error {
	switch {
	case !(f.MassG > 0 && f.MassG <= 1e6):
		return fmt.Errorf("%w: mass of the fibre is %v g, want above 0 to 1000000", ErrInput, f.MassG)
	case !(f.StepG >= 0 && f.StepG <= 100):
		return fmt.Errorf("%w: step of the fibre's balance is %v g, want 0 to 100", ErrInput, f.StepG)
	case f.RegainPercent != nil && !(*f.RegainPercent >= 0 && *f.RegainPercent <= 100):
		return fmt.Errorf("%w: regain is %v %%, want 0 to 100", ErrInput, *f.RegainPercent)
	case !(f.PickupPercent >= 0 && f.PickupPercent <= 1000):
		return fmt.Errorf("%w: pick-up is %v %%, want 0 to 1000", ErrInput, f.PickupPercent)
	}
	return nil
}

// CarriedML is the water that the wetted fibre brings along, in millilitres (1 g of water counts as 1 mL).
func (f Fibre) CarriedML() float64 { return f.MassG * f.PickupPercent / 100 }

// Add is the sum of two masses; uncertainties of separate weighings add in squares.
func (m Mass) Add(n Mass) Mass { return Mass{m.G + n.G, math.Hypot(m.UncertaintyG, n.UncertaintyG)} }

// RegainFromContent turns a moisture content (percent of the moist mass, range 0 to below 100) into a regain (percent of the oven-dry
// mass), R = 100·M/(100−M): follows from the definitions of both, as ASTM D2118 gives them.
func RegainFromContent(contentPercent float64) (float64, error) {
	if !(contentPercent >= 0 && contentPercent < 100) {
		return 0, fmt.Errorf("%w: moisture content is %v %%, want 0 to below 100", ErrInput, contentPercent)
	}
	return 100 * contentPercent / (100 - contentPercent), nil
}

// OvenDryG is the oven-dry mass of a conditioned one, D = F/(1+R/100).
func OvenDryG(conditionedG, regainPercent float64) float64 {
	return conditionedG / (1 + regainPercent/100)
}
