package width

import (
	"cmp"
	"slices"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// cell is the mean of the readings of one group, block, stratum and cell label.
type cell struct {
	block int32 // place of the block's label among all, by text; −1 not stated
	label int32 // place of the cell's label among all, by text
	mean  colorimetry.Lab
}

// palette is the cells of one group in one stratum, ordered by the labels of block and cell.
type palette struct {
	stratum, group         int32 // places of their labels among those that hold rows
	stratumName, groupName string
	readings               int
	cells                  []cell

	shades   Count // at the headline threshold
	expected []expectation
}

// expectation is the mean shades and dispersion of m cells of a palette, by which pairs of palettes are compared.
type expectation struct {
	m                  int
	shades, dispersion float64
}

// expectedAt gives the place for what is expected of m cells, a new one at the first call with m.
func (p *palette) expectedAt(m int) *expectation {
	i := slices.IndexFunc(p.expected, func(x expectation) bool { return x.m == m })
	if i < 0 {
		p.expected = append(p.expected, expectation{m: m})
		i = len(p.expected) - 1
	}
	return &p.expected[i]
}

// byLightness gives the cells in the order that graphs need: by L*, a*, b*, then as they were.
func (p *palette) byLightness() []cell {
	order := make([]int32, len(p.cells))
	for i := range order {
		order[i] = int32(i)
	}
	slices.SortFunc(order, func(i, j int32) int {
		x, y := &p.cells[i].mean, &p.cells[j].mean
		if x.L != y.L {
			if x.L < y.L {
				return -1
			}
			return 1
		}
		return cmp.Or(byLightness(*x, *y), cmp.Compare(i, j))
	})
	out := make([]cell, len(order))
	for k, i := range order {
		out[k] = p.cells[i]
	}
	return out
}

func coloursOf(cells []cell) []colorimetry.Lab {
	out := make([]colorimetry.Lab, len(cells))
	for i, c := range cells {
		out[i] = c.mean
	}
	return out
}

// byLightness orders colours as the graph wants them.
func byLightness(a, b colorimetry.Lab) int {
	return cmp.Or(cmp.Compare(a.L, b.L), cmp.Compare(a.A, b.A), cmp.Compare(a.B, b.B))
}
