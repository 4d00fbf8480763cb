package amounts

import (
	"math"
)

// Way is how a mass gets into the bath.
type Way int

const (
	// Weighed is weighed directly.
	Weighed Way = iota
	// FromStock is measured by volume from a solution that is made first.
	FromStock
	// Poured is measured by volume from a liquid that is at hand.
	Poured
	// TooSmall is too small for the balance, and no stock is allowed or possible.
	TooSmall
)

// Bench is what a member measures with.
type Bench struct {
	// Balances, at least one.
	Balances []Balance
	// PipetteML is the standard uncertainty of a small volume as measured here, in millilitres; 0: small volumes can't be measured, and no stocks are made.
	PipetteML float64
	// FlaskPercent is the standard uncertainty of the volume to which a stock is made up, in percent of it.
	FlaskPercent float64
	// WantedPercent is the expanded uncertainty up to which a mass is weighed directly; 0 means 5.
	WantedPercent float64
	// StockML is the volume to which stocks are made up; 0 means 500.
	StockML float64
	// StockLeastG is the least that is weighed to make a stock; 0 means 5, which gives the usual stock of 1 %, or less for a weaker one where of that too little is taken to be measured. Weighing 1 g on a 0.1 g
	// balance would bring in 8 % by itself.
	StockLeastG float64
}

// Wanted is the expanded uncertainty, in percent, up to which a mass is weighed directly.
func (b Bench) Wanted() float64     { return orElse(b.WantedPercent, 5) }
func (b Bench) wanted() float64     { return b.Wanted() / 100 }
func (b Bench) stockML() float64    { return orElse(b.StockML, 500) }
func (b Bench) stockLeast() float64 { return orElse(b.StockLeastG, 5) }

func orElse(v, other float64) float64 {
	if v == 0 {
		return other
	}
	return v
}

// Weighing is one mass, as it is put into the bath.
type Weighing struct {
	Way Way
	// ExactG is the mass as computed.
	ExactG float64
	// ShownG is what the balance shows when it is right; for FromStock it is the mass in the volume that is taken.
	ShownG float64
	// Balance that is used; of a stock, the one on which the stock is weighed.
	Balance Balance
	// RelativePercent is the expanded uncertainty (factor [Coverage]) of the mass that gets into the bath, rounding not counted, in percent of it.
	RelativePercent float64
	// RoundedPercent is how far ShownG is from ExactG, in percent of it, with its sign.
	RoundedPercent float64
	// Of a stock: grams weighed, the volume in mL to which they are made up, its grams per litre, and the volume in mL that is taken.
	StockG, StockML, StockGPerL, TakeML float64
	// TakeG is the mass of TakeML of a liquid at hand; 0 where its density isn't known.
	TakeG float64
	// DirectPercent is the expanded uncertainty that direct weighing would have had; told for stocks, to show why one is made.
	DirectPercent float64
}

// Weigh chooses the way in which a mass gets into a bath: directly when the balance can, else from a stock. solubleGPerL is the most that dissolves in
// cold water; 0: not known, then no stock is made of it. bathML is the volume of the bath, which the stock must not exceed.
func (b Bench) Weigh(massG, solubleGPerL, bathML float64) Weighing {
	balance, able := b.pick(massG)
	direct := Weighing{Way: Weighed, ExactG: massG, ShownG: balance.Shown(massG), Balance: balance, RelativePercent: 100 * balance.RelativeError(massG)}
	direct.DirectPercent = direct.RelativePercent
	if massG < nothingG {
		direct.RelativePercent, direct.DirectPercent = 0, 0
		return direct
	}
	direct.RoundedPercent = 100 * (direct.ShownG/massG - 1)
	if able && balance.RelativeError(massG) <= b.wanted() {
		return direct
	}
	if stock, ok := b.stock(massG, solubleGPerL, bathML); ok && stock.RelativePercent < direct.RelativePercent {
		stock.DirectPercent = direct.RelativePercent
		return stock
	}
	if direct.ShownG == 0 {
		direct.Way = TooSmall
	}
	return direct
}

// Pour measures a mass by volume from a liquid at hand, in millilitres v = m/c·1000. What the liquid holds counts as exact; the lot's own error comes on top.
func (b Bench) Pour(massG float64, d Dose) Weighing {
	take := massG / d.LiquidGPerL * 1000
	w := Weighing{Way: Poured, ExactG: massG, ShownG: massG, StockGPerL: d.LiquidGPerL, TakeML: take, TakeG: take * d.LiquidKgPerL}
	if take > 0 && b.PipetteML > 0 {
		w.RelativePercent = 100 * Coverage * b.PipetteML / take
	}
	return w
}

// pick takes the coarsest balance that is fine enough, else the finest one that takes the mass at all.
func (b Bench) pick(massG float64) (_ Balance, able bool) {
	var best Balance
	for _, balance := range b.Balances {
		if balance.CapacityG != 0 && massG > balance.CapacityG {
			continue
		}
		fine := balance.RelativeError(massG) <= b.wanted()
		switch {
		case !able && fine, able == fine && best.StepG == 0, able && fine && balance.StepG > best.StepG, !able && balance.StepG < best.StepG:
			best, able = balance, fine
		}
	}
	if best.StepG == 0 { // heavier than any takes: weighed in portions on the largest
		best = b.Balances[0]
		for _, balance := range b.Balances {
			if balance.CapacityG > best.CapacityG {
				best = balance
			}
		}
		able = true
	}
	return best, able
}

// stock plans a stock solution: the least mass that is weighed well enough, dissolved to a volume from which the amount can be measured. Where so little of it would be taken that its volume can't be measured to
// what is wanted, it is made weaker, down to where the errors of weighing its powder and of measuring its volume are equal, u/w = p·w/(m·V), as there their squares add up to the least; a member who told the least
// that is weighed is left it.
func (b Bench) stock(massG, solubleGPerL, bathML float64) (Weighing, bool) {
	if b.PipetteML == 0 || solubleGPerL == 0 {
		return Weighing{}, false
	}
	finest := b.Balances[0]
	for _, balance := range b.Balances {
		if balance.StepG < finest.StepG {
			finest = balance
		}
	}
	least := finest.LeastG(b.wanted() / 2)
	usual, ok := b.stockOf(math.Max(b.stockLeast(), least), finest, massG, solubleGPerL, bathML)
	if b.StockLeastG != 0 || ok && usual.RelativePercent <= b.Wanted() {
		return usual, ok
	}
	even := math.Sqrt(finest.UncertaintyG() * massG * b.stockML() / b.PipetteML)
	if weaker, able := b.stockOf(math.Max(even, least), finest, massG, solubleGPerL, bathML); able && ok && weaker.RelativePercent < usual.RelativePercent {
		return weaker, true
	}
	return usual, ok
}

// stockOf is a stock of so many grams. The uncertainties of weighing, making up and measuring add in squares.
func (b Bench) stockOf(grams float64, on Balance, massG, solubleGPerL, bathML float64) (Weighing, bool) {
	weighed := on.Shown(grams)
	volume := math.Max(b.stockML(), weighed/solubleGPerL*1000)
	if weighed < massG {
		return Weighing{}, false
	}
	concentration := weighed / volume * 1000
	take := massG / concentration * 1000
	if take > bathML {
		return Weighing{}, false
	}
	relative := math.Sqrt(square(on.UncertaintyG()/weighed) + square(b.FlaskPercent/100) + square(b.PipetteML/take))
	return Weighing{
		Way: FromStock, ExactG: massG, ShownG: massG, Balance: on, RelativePercent: 100 * Coverage * relative,
		StockG: weighed, StockML: volume, StockGPerL: concentration, TakeML: take,
	}, true
}

func square(x float64) float64 { return x * x }

// Interval is a range with what is most likely within it.
type Interval struct{ Low, Likely, High float64 }

// nothingG is the mass in grams, a picogram, below which there is nothing to weigh, and a relative uncertainty says nothing.
const nothingG = 1e-12

// DeliveredPercent is what a weighing makes of a percentage on the weight of fibre: likely by the shown mass, and its bounds by the expanded uncertainties
// of the mass and of the fibre's mass, added in squares. Masses are in the state at hand; meant turns them into the recipe's. Of a mass that the balance shows as 0, all that was wanted may come, and
// what weighing it can be off besides.
func DeliveredPercent(w Weighing, d Dose, fibre Mass) Interval {
	likely := 100 * d.meantFrom(w.ShownG) / fibre.G
	relative := math.Hypot(w.RelativePercent/100, Coverage*fibre.UncertaintyG/fibre.G)
	if w.Way == TooSmall {
		most := 100 * d.meantFrom(w.ExactG+Coverage*w.Balance.UncertaintyG()) / fibre.G
		return Interval{High: most * (1 + Coverage*fibre.UncertaintyG/fibre.G)}
	}
	return Interval{Low: math.Max(0, likely*(1-relative)), Likely: likely, High: likely * (1 + relative)}
}
