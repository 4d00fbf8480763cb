package amounts

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Volume is how much liquor a bath has.
type Volume struct {
	// LiquorRatio: millilitres of bath for each gram of fibre in its reference state. Range: 1 to 1000; 0 when Litres is set.
	LiquorRatio float64
	// Litres, whatever the fibre. Range: above 0 to 100,000; 0 when LiquorRatio is set.
	Litres float64
}

// Of is the bath's volume in litres for so many grams of fibre.
func (v Volume) Of(fibreG float64) (litres float64, err error) {
	switch {
	case v.Litres == 0 && v.LiquorRatio >= 1 && v.LiquorRatio <= 1000:
		return fibreG * v.LiquorRatio / 1000, nil
	case v.LiquorRatio == 0 && v.Litres > 0 && v.Litres <= 1e5:
		return v.Litres, nil
	}
	return 0, fmt.Errorf("%w: liquor ratio is %v and volume is %v L, want one of them, of 1 to 1000 and above 0 to 100000", ErrInput, v.LiquorRatio, v.Litres)
}

// Water is what is poured in.
type Water struct {
	// TotalML is the volume of the bath.
	TotalML float64
	// CarriedML comes with wetted fibre.
	CarriedML float64
	// StocksML comes with stock solutions and liquid materials.
	StocksML float64
	// AddML is what is left to pour. Negative when fibre and stocks bring more than the bath holds: then the bath is larger than planned.
	AddML float64
}

// WaterToAdd is the bath less what fibre and stocks bring, V − F·pick-up − Σ stocks.
func WaterToAdd(totalML, carriedML, stocksML float64) Water {
	return Water{TotalML: totalML, CarriedML: carriedML, StocksML: stocksML, AddML: totalML - carriedML - stocksML}
}

// Piece is a part of a load that isn't cut for it.
type Piece struct {
	ID    string
	MassG float64
}

// Split shares pieces among as few loads as first-fit in falling order of mass finds, none above mostG grams; within a load they keep the
// given order. It refuses a piece that is too heavy by itself. Equal masses keep their order, so that the same pieces give the same loads.
func Split(pieces []Piece, mostG float64) ([][]Piece, error) {
	if !(mostG > 0) {
		return nil, fmt.Errorf("%w: a load may hold %v g, want above 0", ErrInput, mostG)
	}
	order := make([]int, len(pieces))
	for i, p := range pieces {
		if !(p.MassG > 0 && p.MassG <= 1e6) {
			return nil, fmt.Errorf("%w: mass of piece %s is %v g, want above 0 to 1000000", ErrInput, p.ID, p.MassG)
		}
		if p.MassG > mostG*(1+1e-9) {
			return nil, fmt.Errorf("%w: piece %s weighs %v g, and the vessel takes %v g at this liquor ratio", ErrInput, p.ID, p.MassG, mostG)
		}
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(pieces[b].MassG, pieces[a].MassG) })
	var loads [][]int
	var masses []float64
	for _, i := range order {
		at := slices.IndexFunc(masses, func(m float64) bool { return m+pieces[i].MassG <= mostG*(1+1e-9) })
		if at < 0 {
			loads, masses = append(loads, nil), append(masses, 0)
			at = len(loads) - 1
		}
		loads[at] = append(loads[at], i)
		masses[at] += pieces[i].MassG
	}
	out := make([][]Piece, len(loads))
	for l, load := range loads {
		slices.Sort(load)
		for _, i := range load {
			out[l] = append(out[l], pieces[i])
		}
	}
	return out, nil
}

// Share shares pieces among n fillings of a vessel whose liquor is the same whatever is in it, as evenly by mass as the heaviest-first rule finds (each piece goes where least
// is, R. L. Graham, Bounds on multiprocessing timing anomalies, 1969, from memory); within a filling they keep the given order. Range of n: 1 to the number of pieces, so that none
// is empty.
func Share(pieces []Piece, n int) ([][]Piece, error) {
	if n < 1 || n > len(pieces) {
		return nil, fmt.Errorf("%w: %d pieces for %d fillings, want 1 to as many fillings as pieces", ErrInput, len(pieces), n)
	}
	order := make([]int, len(pieces))
	for i := range pieces {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(pieces[b].MassG, pieces[a].MassG) })
	in, masses := make([][]int, n), make([]float64, n)
	for _, i := range order {
		least := 0
		for k := range masses {
			if masses[k] < masses[least] || masses[k] == masses[least] && len(in[k]) < len(in[least]) {
				least = k
			}
		}
		in[least], masses[least] = append(in[least], i), masses[least]+pieces[i].MassG
	}
	out := make([][]Piece, n)
	for k := range in {
		slices.Sort(in[k])
		for _, i := range in[k] {
			out[k] = append(out[k], pieces[i])
		}
	}
	return out, nil
}

// Left is what is still in a bath, in grams, of what was put in when a part of it (0 to 1) was taken up: m·(1−E).
func Left(inG, taken float64) (float64, error) {
	if !(inG >= 0) || math.IsInf(inG, 1) || !(taken >= 0 && taken <= 1) {
		return 0, fmt.Errorf("%w: %v g went in and a part of %v was taken up, want 0 or more and 0 to 1", ErrInput, inG, taken)
	}
	return inG * (1 - taken), nil
}

// TopUp is what brings a bath back to what a recipe wants, in grams; 0 when enough is left.
func TopUp(wantedG, leftG float64) float64 { return math.Max(0, wantedG-leftG) }

// Pulled is what pieces that are lifted early leave to the others.
type Pulled struct {
	// Remaining pieces.
	Remaining int
	// AtMostPercent on the weight of the remaining fibre, if nothing had been taken up until then.
	AtMostPercent float64
	// LiquorRatio of the remaining fibre, mL per g, evaporation not counted.
	LiquorRatio float64
}

// PulledEarly is the bath after 0, 1, ... n−1 of n equal pieces were lifted. The percentages are upper bounds, since nothing is known of what was
// taken up: they are never the dose.
func PulledEarly(pieceG float64, n int, doseG, bathML float64) ([]Pulled, error) {
	if !(pieceG > 0 && pieceG <= 1e6) || n < 1 || n > 1000 || !(doseG >= 0 && doseG <= 1e6) || !(bathML > 0 && bathML <= 1e8) {
		return nil, fmt.Errorf("%w: %d pieces of %v g with %v g in %v mL, want 1 to 1000 pieces above 0 g, 0 to 1000000 g, above 0 mL", ErrInput, n, pieceG, doseG, bathML)
	}
	out := make([]Pulled, n)
	for k := range n {
		fibre := pieceG * float64(n-k)
		out[k] = Pulled{n - k, 100 * doseG / fibre, bathML / fibre}
	}
	return out, nil
}
