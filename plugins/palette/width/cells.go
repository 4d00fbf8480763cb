package width

import (
	"cmp"
	"context"
	"fmt"
	"runtime"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/sync/errgroup"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Table is rows with their labels as indexes, for very many of them: a row takes 40 bytes.
type Table struct {
	// What the indexes mean, each label once; see Row.
	Groups, Blocks, Strata, Cells []string
	// Rows in the order of their reading ids.
	Rows []TableRow
}

// TableRow is one reading of one piece.
type TableRow struct {
	Group, Block, Stratum, Cell uint32
	Lab                         colorimetry.Lab
}

// tableOf checks rows and sorts them by id.
func tableOf(rows []Row) (*Table, error) {
	order, err := InOrder(len(rows), func(i int) (string, string, colorimetry.Lab) { return rows[i].ReadingID, rows[i].Cell, rows[i].Lab })
	if err != nil {
		return nil, err
	}
	var groups, blocks, strata, cells numbering
	out := &Table{Rows: make([]TableRow, len(rows))}
	for k, i := range order {
		r := &rows[i]
		out.Rows[k] = TableRow{groups.of(r.Group), blocks.of(r.Block), strata.of(r.Stratum), cells.of(r.Cell), r.Lab}
	}
	out.Groups, out.Blocks, out.Strata, out.Cells = groups.labels, blocks.labels, strata.labels, cells.labels
	return out, nil
}

// numbering numbers labels as they come.
type numbering struct {
	labels []string
	at     map[string]uint32
}

func (n *numbering) of(label string) uint32 {
	i, ok := n.at[label]
	if !ok {
		if n.at == nil {
			n.at = map[string]uint32{}
		}
		i = uint32(len(n.labels))
		n.at[label] = i
		n.labels = append(n.labels, label)
	}
	return i
}

// check refuses indexes beyond the labels and colours that are not valid.
func (t *Table) check() error {
	for i := range t.Rows {
		r := &t.Rows[i]
		for _, column := range [...]struct {
			name   string
			index  uint32
			labels []string
		}{{"group", r.Group, t.Groups}, {"block", r.Block, t.Blocks}, {"stratum", r.Stratum, t.Strata}, {"cell", r.Cell, t.Cells}} {
			if int(column.index) >= len(column.labels) {
				return colorimetry.Under(fmt.Sprintf("rows[%d]", i),
					refuse(column.name, strconv.Itoa(int(column.index)), fmt.Sprintf("an index below %d", len(column.labels))))
			}
		}
		if err := r.Lab.Validate(); err != nil {
			return colorimetry.Under(fmt.Sprintf("rows[%d].lab", i), err)
		}
	}
	return nil
}

// cell is the mean of the readings of one group, block, stratum and cell label.
type cell struct {
	block    int32 // place of the block's label among all, by text; −1 not stated
	label    int32 // place of the cell's label among all, by text
	readings int32
	mean     colorimetry.Lab
}

// palette is the cells of one group in one stratum, by the labels of block and cell.
type palette struct {
	stratum, group         int32 // places of their labels among those that hold rows
	stratumName, groupName string
	cells                  []cell

	shades Count // at the headline threshold
	lite   []lite
}

// lite is what is expected of m cells of a palette, for its pairs.
type lite struct {
	m                  int
	shades, dispersion float64
}

func (p *palette) at(m int) *lite {
	i := slices.IndexFunc(p.lite, func(x lite) bool { return x.m == m })
	if i < 0 {
		p.lite = append(p.lite, lite{m: m})
		i = len(p.lite) - 1
	}
	return &p.lite[i]
}

// palettes are all that there are.
type palettes struct {
	strata, groups []string    // those that hold rows, by text
	in             [][]palette // by stratum, each by group
	cells          int
}

// places gives each label its place by text.
func places(labels []string) []int32 {
	out := make([]int32, len(labels))
	if slices.IsSorted(labels) {
		for i := range out {
			out[i] = int32(i)
		}
		return out
	}
	order := identity(len(labels))
	slices.SortFunc(order, func(i, j int) int { return strings.Compare(labels[i], labels[j]) })
	for place, i := range order {
		out[i] = int32(place)
	}
	return out
}

// held gives the labels that hold rows, by text, and the place of each of all labels among them.
func held(labels []string, rows []TableRow, of func(*TableRow) uint32) (names []string, place []int32) {
	holds := make([]bool, len(labels))
	for i := range rows {
		holds[of(&rows[i])] = true
	}
	for i, yes := range holds {
		if yes {
			names = append(names, labels[i])
		}
	}
	slices.Sort(names)
	place = make([]int32, len(labels))
	for i, label := range labels {
		at, _ := slices.BinarySearch(names, label)
		place[i] = int32(at)
	}
	return names, place
}

// averaged averages rows to cells.
func averaged(ctx context.Context, t *Table) (*palettes, error) {
	out := &palettes{}
	var stratumAt, groupAt []int32
	out.strata, stratumAt = held(t.Strata, t.Rows, func(r *TableRow) uint32 { return r.Stratum })
	out.groups, groupAt = held(t.Groups, t.Rows, func(r *TableRow) uint32 { return r.Group })
	// The rows of each palette, in their order.
	type set struct{ stratum, group, rows, next int32 }
	setOf := make([]int32, len(t.Rows))
	number := map[[2]int32]int32{}
	var sets []set
	for i := range t.Rows {
		k := [2]int32{stratumAt[t.Rows[i].Stratum], groupAt[t.Rows[i].Group]}
		n, ok := number[k]
		if !ok {
			n = int32(len(sets))
			number[k] = n
			sets = append(sets, set{stratum: k[0], group: k[1]})
		}
		setOf[i] = n
		sets[n].rows++
	}
	next := int32(0)
	for i := range sets {
		sets[i].next = next
		next += sets[i].rows
	}
	of := make([]int32, len(t.Rows))
	for i, n := range setOf {
		of[sets[n].next] = int32(i)
		sets[n].next++
	}
	slices.SortFunc(sets, func(a, b set) int { return cmp.Or(cmp.Compare(a.stratum, b.stratum), cmp.Compare(a.group, b.group)) })

	blockAt, cellAt := places(t.Blocks), places(t.Cells)
	for i, label := range t.Blocks {
		if label == "" {
			blockAt[i] = -1
		}
	}
	all := make([]palette, len(sets))
	side, sideCtx := errgroup.WithContext(ctx)
	side.SetLimit(runtime.GOMAXPROCS(0))
	const share = 64 // palettes at a time: most are small
	for from := 0; from < len(sets); from += share {
		side.Go(func() error {
			for i := from; i < min(from+share, len(sets)); i++ {
				s := sets[i]
				all[i] = palette{stratum: s.stratum, group: s.group, stratumName: out.strata[s.stratum], groupName: out.groups[s.group],
					cells: cellsOf(t, of[s.next-s.rows:s.next], blockAt, cellAt)}
				if err := sideCtx.Err(); err != nil {
					return err
				}
			}
			return nil
		})
	}
	if err := side.Wait(); err != nil {
		return nil, err
	}
	out.in = make([][]palette, len(out.strata))
	for from := 0; from < len(all); {
		to := from
		for to < len(all) && all[to].stratum == all[from].stratum {
			out.cells += len(all[to].cells)
			to++
		}
		out.in[all[from].stratum] = all[from:to]
		from = to
	}
	return out, nil
}

// cellsOf averages the rows of one palette, which come in the order of their ids.
func cellsOf(t *Table, rows, blockAt, cellAt []int32) []cell {
	where := func(i int32) (block, label int32) { return blockAt[t.Rows[i].Block], cellAt[t.Rows[i].Cell] }
	slices.SortFunc(rows, func(i, j int32) int {
		bi, li := where(i)
		bj, lj := where(j)
		return cmp.Or(cmp.Compare(bi, bj), cmp.Compare(li, lj), cmp.Compare(i, j))
	})
	same := func(i, j int32) bool {
		return t.Rows[i].Cell == t.Rows[j].Cell && t.Rows[i].Block == t.Rows[j].Block
	}
	n := 0
	for k := range rows {
		if k == 0 || !same(rows[k-1], rows[k]) {
			n++
		}
	}
	out := make([]cell, 0, n)
	for from := 0; from < len(rows); {
		var sum colorimetry.Lab
		to := from
		for to < len(rows) && same(rows[from], rows[to]) {
			x := t.Rows[rows[to]].Lab
			sum.L += x.L
			sum.A += x.A
			sum.B += x.B
			to++
		}
		c := cell{readings: int32(to - from)}
		c.block, c.label = where(rows[from])
		n := float64(to - from)
		c.mean = colorimetry.Lab{L: sum.L / n, A: sum.A / n, B: sum.B / n}
		out = append(out, c)
		from = to
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

// checkColours refuses the first colour that is not valid, by index and field.
func checkColours(colours []colorimetry.Lab) error {
	for i, c := range colours {
		if err := c.Validate(); err != nil {
			return colorimetry.Under(fmt.Sprintf("colours[%d]", i), err)
		}
	}
	return nil
}
