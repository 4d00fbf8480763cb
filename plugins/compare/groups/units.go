package groups

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// UnitCell is a cell mean of a unit.
type UnitCell struct {
	Group string // not empty
	Block string // exchanged within
	Cell  string // what the cells of a block's groups match by; each once in a unit
	Lab   colorimetry.Lab
}

// UnitParams are what CompareUnits depends on besides the cells. Zero stands for the default.
type UnitParams struct {
	Permutations int // as of Compare
	Seed         uint64
	Alpha        float64 // for the outlook
	ToleranceDE  float64 // for the outlook
	NoOutlook    bool    // leaves it out, as for simulations
}

// UnitResult is the answer of CompareUnits; Cells counts units there, and Spread is nil where units have one cell only.
type UnitResult struct {
	Result
	Distances []Distance // of every two groups that some block holds both of, by label
	Outlook   *Outlook   // nil without a test of place, with few blocks or without noise
}

// Distance is how far two groups lie apart over the blocks that hold both.
type Distance struct {
	First, Second string
	Blocks        int
	Difference    [3]float64 // mean of first minus second
	DE            float64    // CIEDE2000 between the means
}

// CompareUnits tests groups by whole units, see the package. It refuses with a *colorimetry.FieldError, also where groups of a block don't have the same
// cells, and otherwise fails only when ctx ends.
func CompareUnits(ctx context.Context, cells []UnitCell, p UnitParams) (*UnitResult, error) {
	units, err := unitsOf(cells)
	if err != nil {
		return nil, err
	}
	var means, spreads []Point
	var at [3]float64
	for _, u := range units {
		m := u.mean()
		means = append(means, Point{u.group, u.block, m})
		for d := range 3 {
			at[d] += m[d] / float64(len(units))
		}
		if len(u.labs) > 1 {
			spreads = append(spreads, Point{u.group, u.block, [3]float64{u.spread(m)}})
		}
	}
	permutations := p.Permutations
	if permutations == 0 {
		permutations = DefaultPermutations
	}
	place, err := compare(ctx, means, permutations, p.Seed, false)
	if err != nil {
		return nil, err
	}
	spread, err := compare(ctx, spreads, permutations, p.Seed, false)
	if err != nil {
		return nil, err
	}
	r := &UnitResult{Result: *place, Distances: distances(means)}
	r.Spread = spread.Place
	if len(spread.Groups) < len(r.Groups) { // some have one cell in all their units
		r.Spread = nil
	}
	if len(r.Apart) == 0 && !p.NoOutlook {
		r.Outlook = Plan(means, at, p.Alpha, p.ToleranceDE)
	}
	if len(r.Groups) < 3 {
		return r, nil
	}
	r.Pairs, err = pairs(r.Groups, permutations, func(of []string) (*Test, error) {
		return PlaceOfJoined(ctx, only(means, of), permutations, p.Seed)
	}, func(of []string) (*Test, error) {
		return PlaceOfJoined(ctx, only(spreads, of), permutations, p.Seed)
	})
	return r, err
}

// unit is what a group has in a block.
type unit struct {
	group, block string
	cells        []string
	labs         [][3]float64
}

func (u *unit) mean() (m [3]float64) {
	for _, x := range u.labs {
		for d := range 3 {
			m[d] += x[d] / float64(len(u.labs))
		}
	}
	return m
}

func (u *unit) spread(mean [3]float64) float64 {
	ss := 0.0
	for _, x := range u.labs {
		for d := range 3 {
			ss += (x[d] - mean[d]) * (x[d] - mean[d])
		}
	}
	return math.Sqrt(ss / float64(len(u.labs)))
}

// unitsOf makes units of cells, by block and group.
func unitsOf(cells []UnitCell) ([]*unit, error) {
	sorted := slices.Clone(cells)
	for i, c := range sorted {
		if c.Group == "" {
			return nil, refuse(fmt.Sprintf("cells[%d].group", i), `""`, "a text that is not empty")
		}
		if err := c.Lab.Validate(); err != nil {
			return nil, colorimetry.Under(fmt.Sprintf("cells[%d].lab", i), err)
		}
	}
	slices.SortFunc(sorted, func(a, b UnitCell) int {
		return slices.Compare([]string{a.Block, a.Group, a.Cell}, []string{b.Block, b.Group, b.Cell})
	})
	var units []*unit
	for _, c := range sorted {
		last := len(units) - 1
		if last < 0 || units[last].group != c.Group || units[last].block != c.Block {
			units = append(units, &unit{group: c.Group, block: c.Block})
			last++
		}
		u := units[last]
		u.cells, u.labs = append(u.cells, c.Cell), append(u.labs, [3]float64{c.Lab.L, c.Lab.A, c.Lab.B})
	}
	for i, u := range units {
		for k, cell := range u.cells[1:] {
			if cell == u.cells[k] {
				return nil, refuse("cells", fmt.Sprintf("%.60q twice in block %.60q and group %.60q", cell, u.block, u.group), "each once")
			}
		}
		if i > 0 && units[i-1].block == u.block && !slices.Equal(units[i-1].cells, u.cells) {
			return nil, refuse("cells", fmt.Sprintf("not the same for groups %.60q and %.60q of block %.60q", units[i-1].group, u.group, u.block), "the same cells for all groups of a block")
		}
	}
	return units, nil
}

// distances are those of every two groups, from the means of units.
func distances(means []Point) []Distance {
	at := map[string]map[string][3]float64{} // by group, block
	for _, p := range means {
		if at[p.Group] == nil {
			at[p.Group] = map[string][3]float64{}
		}
		at[p.Group][p.Block] = p.X
	}
	var names []string
	for g := range at {
		names = append(names, g)
	}
	slices.SortFunc(names, strings.Compare)
	var out []Distance
	for i, first := range names {
		for _, second := range names[i+1:] {
			d := Distance{First: first, Second: second}
			var x, y [3]float64
			for _, p := range means {
				other, both := at[second][p.Block]
				if p.Group != first || !both {
					continue
				}
				d.Blocks++
				for k := range 3 {
					x[k] += p.X[k]
					y[k] += other[k]
				}
			}
			if d.Blocks == 0 {
				continue
			}
			for k := range 3 {
				x[k] /= float64(d.Blocks)
				y[k] /= float64(d.Blocks)
				d.Difference[k] = x[k] - y[k]
			}
			d.DE = de(x, y)
			out = append(out, d)
		}
	}
	return out
}

func de(x, y [3]float64) float64 {
	return colorimetry.CIEDE2000(colorimetry.Lab{L: x[0], A: x[1], B: x[2]}, colorimetry.Lab{L: y[0], A: y[1], B: y[2]}, colorimetry.DefaultFactors)
}
