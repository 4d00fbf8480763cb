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

// Table collects rows whose labels are given as indexes. It is made for millions of rows: one takes 36 bytes, and cells are later made of rows in
// the same memory.
type Table struct {
	groups, blocks, strata, labels []string
	rows                           []cell  // one reading each; block and label are indexes as given
	set                            []int32 // for each row, its place in sets
	sets                           []set
	number                         map[uint64]int32 // place in sets, by stratum and group
	err                            error            // why the first bad row is refused
}

// set is the rows of one group in one stratum.
type set struct {
	stratum, group int32 // indexes as given; after gathered, places among the labels that hold rows
	rows           int32 // how many
	from           int32 // place of the first one, after gathered
}

// NewTable takes the labels that the indexes of Add stand for, each once (see Row), and how many rows to make room for.
func NewTable(groups, blocks, strata, cells []string, rows int) *Table {
	return &Table{groups: groups, blocks: blocks, strata: strata, labels: cells, rows: make([]cell, 0, rows), set: make([]int32, 0, rows), number: map[uint64]int32{}}
}

// Add takes one reading of one piece. Rows must come in the order of their reading ids, each id once. An index beyond the labels and a colour that
// is not valid make MeasureTable refuse the table, naming the first such row.
func (t *Table) Add(group, block, stratum, cellLabel uint32, lab colorimetry.Lab) {
	if t.err != nil {
		return
	}
	if t.err = t.check(group, block, stratum, cellLabel, lab); t.err != nil {
		return
	}
	key := uint64(stratum)<<32 | uint64(group)
	n, known := t.number[key]
	if !known {
		n = int32(len(t.sets))
		t.number[key] = n
		t.sets = append(t.sets, set{stratum: int32(stratum), group: int32(group)})
	}
	t.sets[n].rows++
	t.set = append(t.set, n)
	t.rows = append(t.rows, cell{block: int32(block), label: int32(cellLabel), mean: lab})
}

// Palettes is how many palettes the rows make: groups in strata, each counted where it has rows.
func (t *Table) Palettes() int { return len(t.sets) }

func (t *Table) check(group, block, stratum, cellLabel uint32, lab colorimetry.Lab) error {
	if int(group) < len(t.groups) && int(block) < len(t.blocks) && int(stratum) < len(t.strata) && int(cellLabel) < len(t.labels) {
		if err := lab.Validate(); err != nil {
			return colorimetry.Under(fmt.Sprintf("rows[%d].lab", len(t.rows)), err)
		}
		return nil
	}
	for _, column := range [...]struct {
		name   string
		index  uint32
		labels []string
	}{{"group", group, t.groups}, {"block", block, t.blocks}, {"stratum", stratum, t.strata}, {"cell", cellLabel, t.labels}} {
		if int(column.index) >= len(column.labels) {
			return colorimetry.Under(fmt.Sprintf("rows[%d]", len(t.rows)),
				refuse(column.name, strconv.Itoa(int(column.index)), fmt.Sprintf("an index below %d", len(column.labels))))
		}
	}
	return nil
}

// tableOf checks rows and sorts them by id.
func tableOf(rows []Row) (*Table, error) {
	order, err := InOrder(len(rows), func(i int) (string, string, colorimetry.Lab) { return rows[i].ReadingID, rows[i].Cell, rows[i].Lab })
	if err != nil {
		return nil, err
	}
	var groups, blocks, strata, cells numbering
	at := make([][4]uint32, len(rows))
	for k, i := range order {
		r := &rows[i]
		at[k] = [4]uint32{groups.of(r.Group), blocks.of(r.Block), strata.of(r.Stratum), cells.of(r.Cell)}
	}
	out := NewTable(groups.labels, blocks.labels, strata.labels, cells.labels, len(rows))
	for k, i := range order {
		out.Add(at[k][0], at[k][1], at[k][2], at[k][3], rows[i].Lab)
	}
	return out, nil
}

// numbering gives labels numbers in the order in which they are first seen.
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

// palettes are the palettes of a table.
type palettes struct {
	strata, groups []string    // those that hold rows, by text
	in             [][]palette // by stratum, each by group
	readings       int
	cells          int
}

// places gives for each label its place when all are sorted by text.
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

// held gives the labels that have rows, sorted by text, and for each of all labels its place among them.
func held(labels []string, sets []set, of func(set) int32) (names []string, place []int32) {
	holds := make([]bool, len(labels))
	for _, s := range sets {
		holds[of(s)] = true
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

// averaged averages the rows of the table, which it uses up, to cells.
func averaged(ctx context.Context, t *Table) (*palettes, error) {
	out := &palettes{readings: len(t.rows)}
	var stratumAt, groupAt []int32
	out.strata, stratumAt = held(t.strata, t.sets, func(s set) int32 { return s.stratum })
	out.groups, groupAt = held(t.groups, t.sets, func(s set) int32 { return s.group })
	sets, rows := t.gathered(stratumAt, groupAt)
	blockAt, cellAt := places(t.blocks), places(t.labels)
	for i, label := range t.blocks {
		if label == "" {
			blockAt[i] = -1
		}
	}
	all := make([]palette, len(sets))
	side, sideCtx := errgroup.WithContext(ctx)
	side.SetLimit(runtime.GOMAXPROCS(0))
	const share = 64 // palettes for each goroutine: most are small
	for from := 0; from < len(sets); from += share {
		side.Go(func() error {
			var room averaging
			for i := from; i < min(from+share, len(sets)); i++ {
				s := sets[i]
				all[i] = palette{stratum: s.stratum, group: s.group, stratumName: out.strata[s.stratum], groupName: out.groups[s.group],
					readings: int(s.rows), cells: room.cellsOf(rows[s.from:s.from+s.rows:s.from+s.rows], blockAt, cellAt)}
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

// gathered moves the rows of each set together, keeping their order, and gives the sets sorted by the places of stratum and group. It works in the
// memory of the table: to[i] is where row i belongs, and rows are exchanged along that until each is in its place.
func (t *Table) gathered(stratumAt, groupAt []int32) ([]set, []cell) {
	order := make([]int32, len(t.sets))
	for i := range t.sets {
		s := &t.sets[i]
		order[i], s.stratum, s.group = int32(i), stratumAt[s.stratum], groupAt[s.group]
	}
	slices.SortFunc(order, func(i, j int32) int {
		a, b := t.sets[i], t.sets[j]
		return cmp.Or(cmp.Compare(a.stratum, b.stratum), cmp.Compare(a.group, b.group))
	})
	next, from := make([]int32, len(t.sets)), int32(0)
	out := make([]set, len(t.sets))
	for k, i := range order {
		t.sets[i].from, next[i] = from, from
		from += t.sets[i].rows
		out[k] = t.sets[i]
	}
	rows, to := t.rows, t.set
	for i, n := range to {
		to[i] = next[n]
		next[n]++
	}
	for i := range to {
		for k := to[i]; k != int32(i); k = to[i] {
			rows[i], rows[k] = rows[k], rows[i]
			to[i], to[k] = to[k], k
		}
	}
	t.rows, t.set, t.sets, t.number = nil, nil, nil, nil
	return out, rows
}

// averaging is memory that is used again for one palette after the other.
type averaging struct {
	order []keyed
	rows  []cell
}

// keyed is a row with its key for sorting, which is made of the places of block and label.
type keyed struct {
	key uint64
	at  int32
}

// cellsOf averages the rows of one palette, which are in the order of their ids, to cells that take the memory of the rows.
func (a *averaging) cellsOf(rows []cell, blockAt, cellAt []int32) []cell {
	a.order, a.rows = a.order[:0], append(a.rows[:0], rows...)
	for i := range rows {
		block, label := blockAt[rows[i].block], cellAt[rows[i].label]
		a.order = append(a.order, keyed{uint64(block+1)<<32 | uint64(label), int32(i)})
	}
	slices.SortFunc(a.order, func(x, y keyed) int {
		if x.key != y.key {
			if x.key < y.key {
				return -1
			}
			return 1
		}
		return int(x.at - y.at)
	})
	out := rows[:0]
	for from := 0; from < len(a.order); {
		var sum colorimetry.Lab
		key, to := a.order[from].key, from
		for to < len(a.order) && a.order[to].key == key {
			x := &a.rows[a.order[to].at].mean
			sum.L += x.L
			sum.A += x.A
			sum.B += x.B
			to++
		}
		n := float64(to - from)
		out = append(out, cell{block: int32(key>>32) - 1, label: int32(uint32(key)), mean: colorimetry.Lab{L: sum.L / n, A: sum.A / n, B: sum.B / n}})
		from = to
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
