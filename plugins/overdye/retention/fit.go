package retention

import (
	"errors"
	"math"
)

// CosineLimit is the cosine between the rows of the two dyes above which r and s can't be told apart one by one; their sum can.
const CosineLimit = 0.95

// leastEffect is how much a dye has to change the reflectance, as root mean square over wavelengths and trials, to be fitted. It is ours: about
// what an instrument doesn't repeat.
const leastEffect = 0.002

// ridge is the part of the mean diagonal with which related trials draw.
const ridge = 0.05

// Why no fit was made.
var (
	// ErrNoEffect: one of the dyes alone hardly changes the substrate.
	ErrNoEffect = errors.New("one of the dyes alone hardly changes the reflectance of the substrate, so that its part in the mix can't be told")
	// ErrCollinear: the dyes' unit spectra have the same shape.
	ErrCollinear = errors.New("the unit spectra of the two dyes have the same shape, so that retention and uptake can't be told apart")
)

// triangle is the R of a QR decomposition of rows (a1, a2, y): all that least squares need of them.
type triangle [3][3]float64

// add takes in one row by Givens rotations (Golub & Van Loan, Matrix Computations, section 5.1.8 [from memory]).
func (t *triangle) add(row [3]float64) {
	for i := range 3 {
		if row[i] == 0 {
			continue
		}
		h := math.Hypot(t[i][i], row[i])
		c, s := t[i][i]/h, row[i]/h
		for j := i; j < 3; j++ {
			up, down := t[i][j], row[j]
			t[i][j] = float64(c*up) + float64(s*down)
			row[j] = float64(c*down) - float64(s*up)
		}
		row[i] = 0
	}
}

// join takes in all rows behind another triangle.
func (t *triangle) join(o triangle) {
	for _, row := range o {
		t.add(row)
	}
}

func (t *triangle) firstLength() float64  { return math.Abs(t[0][0]) }
func (t *triangle) secondLength() float64 { return math.Hypot(t[0][1], t[1][1]) }

// cosine is that of the angle between the two columns; 0 when one is empty.
func (t *triangle) cosine() float64 {
	if t.firstLength() == 0 || t.secondLength() == 0 {
		return 0
	}
	return math.Copysign(1, t[0][0]) * t[0][1] / t.secondLength()
}

// residual is the sum of squares that is left.
func (t *triangle) residual(c Coefficients) float64 {
	x := t[0][2] - float64(t[0][0]*c.Retention) - float64(t[0][1]*c.Uptake)
	y := t[1][2] - float64(t[1][1]*c.Uptake)
	return float64(x*x) + float64(y*y) + float64(t[2][2]*t[2][2])
}

// solve gives the non-negative least squares. With two unknowns that is the free solution, or the better of the two edges.
func (t *triangle) solve() (Coefficients, error) {
	second := t.secondLength()
	if t.firstLength() == 0 || second == 0 {
		return Coefficients{}, ErrNoEffect
	}
	if math.Abs(t[1][1]) <= 1e-7*second {
		return Coefficients{}, ErrCollinear
	}
	s := t[1][2] / t[1][1]
	r := (t[0][2] - float64(t[0][1]*s)) / t[0][0]
	if r >= 0 && s >= 0 {
		return Coefficients{r, s}, nil
	}
	alone := Coefficients{Retention: max(0, t[0][2]/t[0][0])}
	edge := Coefficients{Uptake: max(0, (float64(t[0][1]*t[0][2])+float64(t[1][1]*t[1][2]))/float64(second*second))}
	if t.residual(edge) <= t.residual(alone) {
		return edge, nil
	}
	return alone, nil
}

// reduced is a trial as the fit sees it.
type reduced struct {
	rows    triangle
	count   int // wavelengths
	clipped int // readings outside of the range in which K/S is taken
}

// reduce makes rows of a trial. Those of its pieces weigh together as one piece would.
func (m *Method) reduce(t Trial) reduced {
	var out reduced
	part := 1 / math.Sqrt(float64(len(t.Pieces)))
	clip := func(r float64) float64 {
		k, clipped := m.surface.ks(r)
		if clipped {
			out.clipped++
		}
		return k
	}
	for _, p := range t.Pieces {
		for i := range p.Both {
			k0, k1, k2, k12 := clip(p.Substrate[i]), clip(p.First[i]), clip(p.Second[i]), clip(p.Both[i])
			w := part * weight(m.surface.Inside(p.Both[i]))
			out.rows.add([3]float64{w * (k1 - k0), w * (k2 - k0), w * (k12 - k0)})
		}
		out.count = len(p.Both)
	}
	return out
}

// weight turns an error of K/S at a reflectance into one of reflectance: 1 / |d(K/S)/dR| = 2R^2/(1-R^2), for R as K/S takes it.
func weight(r float64) float64 {
	r = min(max(r, minR), maxR)
	return 2 * r * r / (1 - r*r)
}

// fitted are coefficients with what they stand on.
type fitted struct {
	Coefficients
	cosine float64
}

// fit stacks trials but the one left out (-1: none), draws toward others when there are any to be drawn to, and solves.
func fit(trials []reduced, without int, toward *Coefficients) (fitted, error) {
	var all triangle
	rows := 0
	for i, t := range trials {
		if i != without {
			all.join(t.rows)
			rows += t.count
		}
	}
	f := fitted{cosine: all.cosine()}
	least := leastEffect * math.Sqrt(float64(rows))
	switch {
	case toward != nil && rows == 0:
		f.Coefficients = *toward
		return f, nil
	case toward != nil:
		first, second := all.firstLength(), all.secondLength()
		t := math.Sqrt(ridge * (float64(first*first) + float64(second*second)) / 2)
		all.add([3]float64{t, 0, t * toward.Retention})
		all.add([3]float64{0, t, t * toward.Uptake})
	case all.firstLength() < least || all.secondLength() < least:
		return f, ErrNoEffect
	case math.Abs(f.cosine) > 1-1e-6:
		return f, ErrCollinear
	}
	c, err := all.solve()
	f.Coefficients = c
	return f, err
}
