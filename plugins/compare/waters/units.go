package waters

import (
	"fmt"
	"math"

	"github.com/commonvat/commonvat/plugins/compare/groups"
)

// unit is a session's work in one water.
type unit struct{ session, water string }

// layout is which unit and which recipe each cell belongs to, by number.
type layout struct {
	units           []unit       // in the order of cells
	colours         [][3]float64 // of cells
	inUnit, recipe  []int        // of cells
	ofUnit, ofRecip []float64    // how many cells each has
}

func laidOut(cells []*cell) *layout {
	l := &layout{}
	units, recipes := map[unit]int{}, map[string]int{}
	for _, c := range cells {
		u, known := units[unit{c.session, c.water}]
		if !known {
			u = len(l.units)
			units[unit{c.session, c.water}] = u
			l.units, l.ofUnit = append(l.units, unit{c.session, c.water}), append(l.ofUnit, 0)
		}
		r, known := recipes[c.recipe]
		if !known {
			r = len(l.ofRecip)
			recipes[c.recipe] = r
			l.ofRecip = append(l.ofRecip, 0)
		}
		l.colours, l.inUnit, l.recipe = append(l.colours, c.mean()), append(l.inUnit, u), append(l.recipe, r)
		l.ofUnit[u]++
		l.ofRecip[r]++
	}
	return l
}

// less takes the recipes' means off figures of cells and adds up what is left by unit.
func (l *layout) less(of func(cell int) float64) []float64 {
	mean, out := make([]float64, len(l.ofRecip)), make([]float64, len(l.units))
	for c, r := range l.recipe {
		mean[r] += of(c) / l.ofRecip[r]
	}
	for c, u := range l.inUnit {
		out[u] += of(c) - mean[l.recipe[c]]
	}
	return out
}

// fit is what units do to one figure of cells, by least squares beside what recipes do, up to one number for all units that recipes join. With every recipe in every
// unit it is the mean over recipes of cell minus recipe mean. The equations are solved by conjugate gradients (Hestenes & Stiefel 1952, from memory), which
// has an answer also where the matrix is singular, as here.
func (l *layout) fit(axis int) []float64 {
	right := l.less(func(c int) float64 { return l.colours[c][axis] })
	x := make([]float64, len(right))
	for u := range x {
		x[u] = right[u] / l.ofUnit[u]
	}
	step := l.less(func(c int) float64 { return x[l.inUnit[c]] })
	for u := range step {
		step[u] = right[u] - step[u]
	}
	rest := append([]float64(nil), step...)
	squares, all := dot(rest, rest), 0.0
	for _, x := range l.colours {
		all += x[axis] * x[axis]
	}
	for range min(2*len(x), mostSteps) {
		if !(squares > rounding*all) {
			break
		}
		along := l.less(func(c int) float64 { return step[l.inUnit[c]] })
		by := squares / dot(step, along)
		if math.IsInf(by, 0) || math.IsNaN(by) {
			break
		}
		for u := range x {
			x[u] += by * step[u]
			rest[u] -= by * along[u]
		}
		before := squares
		squares = dot(rest, rest)
		for u := range step {
			step[u] = rest[u] + squares/before*step[u]
		}
	}
	return x
}

// rounding is the share of all squares below which what is left of them is rounding.
const rounding = 1e-26

// mostSteps bounds the work; what recipes and sessions hold together loosely is exact to 1e-6 by then.
const mostSteps = 1000

func dot(x, y []float64) (sum float64) {
	for i := range x {
		sum += x[i] * y[i]
	}
	return sum
}

// parts numbers the sets of units that recipes join, by unit.
func (l *layout) parts() []int {
	part := make([]int, len(l.units))
	first := make([]int, len(l.ofRecip)) // a unit of each recipe
	for u := range part {
		part[u] = u
	}
	root := func(u int) int {
		for part[u] != u {
			part[u] = part[part[u]]
			u = part[u]
		}
		return u
	}
	for r := range first {
		first[r] = -1
	}
	for c, r := range l.recipe {
		if first[r] < 0 {
			first[r] = l.inUnit[c]
		}
		x, y := root(first[r]), root(l.inUnit[c])
		part[max(x, y)] = min(x, y)
	}
	for u := range part {
		part[u] = root(u)
	}
	return part
}

// sideBySide leaves what the test stands on: of a session of several waters the recipes that it holds in two of them or more, of a member's sessions of one water each those
// that they hold in two between them. What else they hold could tell waters apart only by what others say of a recipe, and those say the same, right or wrong, to all of its like.
func sideBySide(cells []*cell) (out []*cell) {
	of := placing(cells)
	first, two := map[place]string{}, map[place]bool{}
	for _, c := range cells {
		if w, known := first[of(c)]; known && w != c.water {
			two[of(c)] = true
		} else {
			first[of(c)] = c.water
		}
	}
	for _, c := range cells {
		if two[of(c)] {
			out = append(out, c)
		}
	}
	return out
}

// place is where a recipe stands side by side with itself: a session of several waters, or a member's sessions of one water each.
type place struct{ session, member, recipe string }

// placing tells the place of each of the cells.
func placing(cells []*cell) func(*cell) place {
	several := severalWaters(cells)
	return func(c *cell) place {
		if several[c.session] || c.member == "" {
			return place{session: c.session, recipe: c.recipe}
		}
		return place{member: c.member, recipe: c.recipe}
	}
}

// severalWaters are the sessions that hold more than one water.
func severalWaters(cells []*cell) map[string]bool {
	waters, several := map[string]string{}, map[string]bool{}
	for _, c := range cells {
		if w, known := waters[c.session]; known && w != c.water {
			several[c.session] = true
		}
		waters[c.session] = c.water
	}
	return several
}

// units are the sessions' work in one water with what they are exchanged within, of cells that stand side by side, and the number of different arrangements as its logarithm.
// Each session of several waters and each member is fitted alone: what one fit of all took over from others of a recipe was the same accident in each of them.
func units(cells []*cell) ([]groups.Point, float64) {
	several := severalWaters(cells)
	within := map[string][]*cell{}
	var names []string
	for _, c := range cells {
		name := "session " + c.session
		if !several[c.session] && c.member != "" {
			name = "member " + c.member
		}
		if within[name] == nil {
			names = append(names, name)
		}
		within[name] = append(within[name], c)
	}
	var points []groups.Point
	logarithm := 0.0
	for _, name := range names {
		of, arrangements := unitsOf(name, within[name])
		points, logarithm = append(points, of...), logarithm+arrangements
	}
	return points, logarithm
}

// unitsOf is units of one session or member. Those that no chain of its own recipes joins are blocks of their own.
func unitsOf(name string, cells []*cell) (points []groups.Point, logarithm float64) {
	l := laidOut(cells)
	var figures [3][]float64
	for axis := range figures {
		figures[axis] = l.fit(axis)
	}
	blocks := map[int]map[string]int{} // units by part and water
	for i, part := range l.parts() {
		water := l.units[i].water
		if blocks[part] == nil {
			blocks[part] = map[string]int{}
		}
		blocks[part][water]++
		points = append(points, groups.Point{Group: water, Block: fmt.Sprintf("%s, part %d", name, part), X: [3]float64{figures[0][i], figures[1][i], figures[2][i]}})
	}
	for _, of := range blocks {
		n := 0
		for _, k := range of {
			n += k
			f, _ := math.Lgamma(float64(k + 1))
			logarithm -= f
		}
		f, _ := math.Lgamma(float64(n + 1))
		logarithm += f
	}
	return points, logarithm
}
