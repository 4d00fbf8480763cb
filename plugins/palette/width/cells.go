package width

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// cell is the mean of the readings of one group, block, stratum and cell label.
type cell struct {
	group, block, stratum, label string
	mean                         colorimetry.Lab
	readings                     int
}

// labelled is a set of cells with what they have in common.
type labelled struct {
	label string
	cells []cell
}

// averaged sorts rows by id and averages them to cells, ordered by stratum, group, block, label.
func averaged(rows []Row) ([]cell, error) {
	order, err := InOrder(len(rows), func(i int) (string, string, colorimetry.Lab) { return rows[i].ReadingID, rows[i].Cell, rows[i].Lab })
	if err != nil {
		return nil, err
	}
	type key struct{ stratum, group, block, label string }
	cells := map[key]*cell{}
	var out []*cell
	for _, i := range order {
		r := rows[i]
		k := key{r.Stratum, r.Group, r.Block, r.Cell}
		c := cells[k]
		if c == nil {
			c = &cell{group: r.Group, block: r.Block, stratum: r.Stratum, label: r.Cell}
			cells[k] = c
			out = append(out, c)
		}
		c.readings++
		c.mean.L += r.Lab.L
		c.mean.A += r.Lab.A
		c.mean.B += r.Lab.B
	}
	means := make([]cell, len(out))
	for i, c := range out {
		n := float64(c.readings)
		c.mean = colorimetry.Lab{L: c.mean.L / n, A: c.mean.A / n, B: c.mean.B / n}
		means[i] = *c
	}
	slices.SortFunc(means, func(a, b cell) int {
		return cmp.Or(strings.Compare(a.stratum, b.stratum), strings.Compare(a.group, b.group),
			strings.Compare(a.block, b.block), strings.Compare(a.label, b.label))
	})
	return means, nil
}

// split parts cells by a label, labels ascending, the order of the cells kept.
func split(cells []cell, label func(cell) string) []labelled {
	at := map[string]int{}
	var out []labelled
	for _, c := range cells {
		l := label(c)
		i, ok := at[l]
		if !ok {
			i = len(out)
			at[l] = i
			out = append(out, labelled{label: l})
		}
		out[i].cells = append(out[i].cells, c)
	}
	slices.SortFunc(out, func(a, b labelled) int { return strings.Compare(a.label, b.label) })
	return out
}

func coloursOf(cells []cell) []colorimetry.Lab {
	out := make([]colorimetry.Lab, len(cells))
	for i, c := range cells {
		out[i] = c.mean
	}
	return out
}

// checkColours refuses the first colour that is not valid, by index and field.
func checkColours(colours []colorimetry.Lab) error {
	for i, c := range colours {
		if err := c.Validate(); err != nil {
			return colorimetry.Under(fmt.Sprintf("colours[%d]", i), err)
		}
	}
	return nil
}
