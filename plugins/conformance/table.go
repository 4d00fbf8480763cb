package conformance

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/protobuf/proto"
)

// table is the rows of a stream of columns with their labels, from which the questions of palette and compare are made.
type table struct {
	groups, blocks, strata, cells []string
	rows                          []row
}

type row struct {
	id                          string
	group, block, stratum, cell int
	lab                         *typesv1.Lab
	ageDays                     float64 // -1 for one in eight
	noSpectrum                  bool    // true for one in eight
}

func labelled(prefix string, n int) []string {
	out := make([]string, n)
	for i := range out {
		out[i] = fmt.Sprintf("%s%d", prefix, i+1)
	}
	return out
}

// shape says how large a table is.
type shape struct{ groups, blocks, strata, cells, replicates int }

// tableOf makes a table in which every cell of every group, block and stratum has its replicates, a little apart.
func tableOf(r *rand.Rand, s shape) table {
	t := table{groups: labelled("group ", s.groups), blocks: labelled("session ", s.blocks), strata: labelled("yarn ", s.strata), cells: labelled("cell ", s.cells)}
	for stratum := range s.strata {
		for block := range s.blocks {
			for cell := range s.cells {
				for group := range s.groups {
					mean := colour(r)
					for range s.replicates {
						x := proto.CloneOf(mean)
						x.L, x.A, x.B = x.L+r.Float64()-0.5, x.A+r.Float64()-0.5, x.B+r.Float64()-0.5
						age := float64(7 + r.IntN(30))
						if r.IntN(8) == 0 {
							age = -1
						}
						t.rows = append(t.rows, row{group: group, block: block, stratum: stratum, cell: cell, lab: x, ageDays: age, noSpectrum: r.IntN(8) == 0})
					}
				}
			}
		}
	}
	t.number()
	return t
}

// number gives ids in the order of the rows.
func (t *table) number() {
	for i := range t.rows {
		t.rows[i].id = fmt.Sprintf("r%07d", i)
	}
}

func (t table) clone() table {
	out := table{slices.Clone(t.groups), slices.Clone(t.blocks), slices.Clone(t.strata), slices.Clone(t.cells), slices.Clone(t.rows)}
	for i := range out.rows {
		out.rows[i].lab = proto.CloneOf(out.rows[i].lab)
	}
	return out
}

// without gives the table without rows that drop holds for.
func (t table) without(drop func(row) bool) table {
	out := t.clone()
	out.rows = slices.DeleteFunc(out.rows, drop)
	out.number()
	return out
}

// recoloured changes every colour.
func (t table) recoloured(f func(*typesv1.Lab)) table {
	out := t.clone()
	for i := range out.rows {
		f(out.rows[i].lab)
	}
	return out
}

// shuffled has the same rows in another order, and the labels named by keep in the same order, the others in another.
func (t table) shuffled(r *rand.Rand, keepGroups, keepBlocks bool) table {
	out := t.clone()
	r.Shuffle(len(out.rows), func(i, j int) { out.rows[i], out.rows[j] = out.rows[j], out.rows[i] })
	out.number()
	mix := func(labels []string, index func(*row) *int) {
		order := r.Perm(len(labels)) // new place of each
		old := slices.Clone(labels)
		for i, to := range order {
			labels[to] = old[i]
		}
		for i := range out.rows {
			x := index(&out.rows[i])
			*x = order[*x]
		}
	}
	if !keepGroups {
		mix(out.groups, func(x *row) *int { return &x.group })
	}
	if !keepBlocks {
		mix(out.blocks, func(x *row) *int { return &x.block })
	}
	mix(out.strata, func(x *row) *int { return &x.stratum })
	mix(out.cells, func(x *row) *int { return &x.cell })
	return out
}

// doubled has every row twice.
func (t table) doubled() table {
	out := t.clone()
	out.rows = nil
	for _, x := range t.rows {
		out.rows = append(out.rows, x, x)
	}
	out.number()
	return out
}

func (t table) labels() *columnsv1.Labels {
	return &columnsv1.Labels{Groups: t.groups, Blocks: t.blocks, Strata: t.strata, Cells: t.cells}
}

// rowsPerChunk keeps a chunk, also one with spectra, below 1 MiB.
const rowsPerChunk = 2000

func (t table) chunks() []*columnsv1.ColourColumns {
	var out []*columnsv1.ColourColumns
	for rows := range slices.Chunk(t.rows, rowsPerChunk) {
		c := &columnsv1.ColourColumns{}
		for _, x := range rows {
			c.ReadingId = append(c.ReadingId, x.id)
			c.Group, c.Block = append(c.Group, uint32(x.group)), append(c.Block, uint32(x.block))
			c.Stratum, c.Cell = append(c.Stratum, uint32(x.stratum)), append(c.Cell, uint32(x.cell))
			c.L, c.A, c.B = append(c.L, x.lab.GetL()), append(c.A, x.lab.GetA()), append(c.B, x.lab.GetB())
		}
		out = append(out, c)
	}
	return out
}

// place is a group in a stratum.
type place struct{ stratum, group int }

// places are those that have rows, sorted by stratum, then group.
func (t table) places() []place {
	seen := map[place]bool{}
	var out []place
	for _, x := range t.rows {
		p := place{x.stratum, x.group}
		if !seen[p] {
			seen[p] = true
			out = append(out, p)
		}
	}
	slices.SortFunc(out, func(a, b place) int {
		if a.stratum != b.stratum {
			return a.stratum - b.stratum
		}
		return a.group - b.group
	})
	return out
}

// at names a place by its labels, which stay when their order changes.
func (t table) at(p place) string {
	return fmt.Sprintf("in %s, %s", t.groups[p.group], t.strata[p.stratum])
}

// unit is what a relabelling moves.
type unit struct{ group, block, stratum, cell int }

// units in the order of their first row.
func (t table) units() []unit {
	seen := map[unit]bool{}
	var out []unit
	for _, x := range t.rows {
		u := unit{x.group, x.block, x.stratum, x.cell}
		if !seen[u] {
			seen[u] = true
			out = append(out, u)
		}
	}
	return out
}

// count of readings, cells (within blocks) and named blocks at a place.
func (t table) count(p place) (readings, cells, blocks int) {
	inCell, inBlock := map[[2]int]bool{}, map[int]bool{}
	for _, x := range t.rows {
		if (place{x.stratum, x.group}) == p {
			readings++
			inCell[[2]int{x.block, x.cell}] = true
			if t.blocks[x.block] != "" {
				inBlock[x.block] = true
			}
		}
	}
	return readings, len(inCell), len(inBlock)
}

// smallTable is a table of a few cells, with gaps, larger with size. Every group keeps two cells at the least. Each fifth has as many
// as the score that wants most of them.
func smallTable(r *rand.Rand, m *module, size int) table {
	cells := 2 + size/4%6
	if size%5 == 4 {
		for _, s := range m.d.GetScores() {
			cells = max(cells, int(s.GetLeastCells())+1)
		}
	}
	t := tableOf(r, shape{groups: 1 + size%3, blocks: 1 + size/3%2, strata: 1 + size/6%2, cells: cells, replicates: 1 + size/2%2})
	return t.without(func(x row) bool { return x.block == 0 && x.cell > 1 && x.cell < 8 && x.cell%3 == (size+x.group)%3 })
}

// columnFaults are faults of labels and rows that every contract of columns refuses. build makes a question of a table and of what
// was done to its header and chunks.
func columnFaults(build func(t table, labels *columnsv1.Labels, rowCount int64, chunks []*columnsv1.ColourColumns) question, base table) []refusal {
	var out []refusal
	bad := func(what string, spoil func(l *columnsv1.Labels, n *int64, c *columnsv1.ColourColumns), names ...string) {
		t := base.clone()
		labels, n, chunks := t.labels(), int64(len(t.rows)), t.chunks()
		spoil(labels, &n, chunks[0])
		out = append(out, refusal{what, build(t, labels, n, chunks), names})
	}
	bad("row_count is -1", func(_ *columnsv1.Labels, n *int64, _ *columnsv1.ColourColumns) { *n = -1 }, "row_count")
	bad("row_count is 10,000,001", func(_ *columnsv1.Labels, n *int64, _ *columnsv1.ColourColumns) { *n = 10_000_001 }, "row_count")
	bad("row_count is one more than the rows", func(_ *columnsv1.Labels, n *int64, _ *columnsv1.ColourColumns) { *n++ }, "row_count")
	bad("row_count is one less than the rows", func(_ *columnsv1.Labels, n *int64, _ *columnsv1.ColourColumns) { *n-- }, "row_count")
	bad("labels.groups names one twice", func(l *columnsv1.Labels, _ *int64, _ *columnsv1.ColourColumns) { l.Groups[1] = l.Groups[0] }, "groups")
	bad("labels.cells names one twice", func(l *columnsv1.Labels, _ *int64, _ *columnsv1.ColourColumns) { l.Cells[1] = l.Cells[0] }, "cells")
	bad(`labels.blocks[1] is ""`, func(l *columnsv1.Labels, _ *int64, _ *columnsv1.ColourColumns) { l.Blocks[1] = "" }, "blocks")
	column := func(what string, spoil func(*columnsv1.ColourColumns), names ...string) {
		bad("columns: "+what, func(_ *columnsv1.Labels, _ *int64, c *columnsv1.ColourColumns) { spoil(c) }, names...)
	}
	column("group[1] is 99", func(c *columnsv1.ColourColumns) { c.Group[1] = 99 }, "group")
	column("block[1] is 99", func(c *columnsv1.ColourColumns) { c.Block[1] = 99 }, "block")
	column("stratum[1] is 99", func(c *columnsv1.ColourColumns) { c.Stratum[1] = 99 }, "stratum")
	column("cell[1] is 4294967295", func(c *columnsv1.ColourColumns) { c.Cell[1] = math.MaxUint32 }, "cell")
	column("reading_id[1] comes again", func(c *columnsv1.ColourColumns) { c.ReadingId[1] = c.ReadingId[0] }, "reading_id")
	column("reading_id[0] and [1] are out of order", func(c *columnsv1.ColourColumns) {
		c.ReadingId[0], c.ReadingId[1] = c.ReadingId[1], c.ReadingId[0]
	}, "reading_id")
	column(`reading_id[0] is ""`, func(c *columnsv1.ColourColumns) { c.ReadingId[0] = "" }, "reading_id")
	column("l is one row short", func(c *columnsv1.ColourColumns) { c.L = c.L[1:] }, "l")
	column("cell is one row short", func(c *columnsv1.ColourColumns) { c.Cell = c.Cell[1:] }, "cell")
	for _, f := range outsideLab() {
		column(f.what, func(c *columnsv1.ColourColumns) {
			x := &typesv1.Lab{L: c.L[1], A: c.A[1], B: c.B[1]}
			f.spoil(x)
			c.L[1], c.A[1], c.B[1] = x.L, x.A, x.B
		}, f.name)
	}
	return out
}

// streamFaults are faults in the order of a stream's messages: the header first and once, then columns.
func streamFaults(q question, emptyPart proto.Message) []refusal {
	return []refusal{
		{"the header is missing", q[1:], []string{"header"}},
		{"the header comes twice", append(question{q[0], q[0]}, q[1:]...), []string{"header"}},
		{"a message has no part", append(append(question{}, q...), emptyPart), []string{"part", "columns", "header"}},
	}
}

// oversized is a chunk above 1 MiB, which columns.proto rules out, or one above what any message may have.
func oversized(t table, bytes int) table {
	out := t.clone()
	out.rows[len(out.rows)-1].id = "s" + strings.Repeat("x", bytes)
	return out
}

// tableLaw makes a trial of a law out of what it does to a table. ask makes the question of a table, figures reads an answer.
func tableLaw(ask func(m *module, t table) question, figures func(m *module, t table, a reply) []comparison,
	make func(r *rand.Rand, m *module, size int) (first, second table, factor float64, atLeast bool),
) lawTrial {
	return func(r *rand.Rand, m *module, size int) trial {
		first, second, factor, atLeast := make(r, m, size)
		return trial{first: ask(m, first), second: ask(m, second), compare: func(a, b reply) []comparison {
			return pairUp(scaled(figures(m, first, a), factor), figures(m, second, b), atLeast)
		}}
	}
}

// tableMaker makes the two tables of a trial, and says by what the second one's figures are multiplied, or that they are only bounded.
type tableMaker = func(r *rand.Rand, m *module, size int) (first, second table, factor float64, atLeast bool)

// tableSource makes the table from which a trial starts.
type tableSource = func(r *rand.Rand, m *module, size int) table

func ordered(base tableSource, keepGroups, keepBlocks bool) tableMaker {
	return func(r *rand.Rand, m *module, size int) (table, table, float64, bool) {
		t := base(r, m, size)
		return t, t.shuffled(r, keepGroups, keepBlocks), 1, false
	}
}

func replicated(base tableSource) tableMaker {
	return func(r *rand.Rand, m *module, size int) (table, table, float64, bool) {
		t := base(r, m, size)
		return t, t.doubled(), 1, false
	}
}

func shifted(base tableSource) tableMaker {
	return func(r *rand.Rand, m *module, size int) (table, table, float64, bool) {
		t := base(r, m, size)
		l, a, b := 36*r.Float64()-18, 40*r.Float64()-20, 40*r.Float64()-20
		return t, t.recoloured(func(x *typesv1.Lab) { x.L, x.A, x.B = x.L+l, x.A+a, x.B+b }), 1, false
	}
}

func multiplied(base tableSource) tableMaker {
	return func(r *rand.Rand, m *module, size int) (table, table, float64, bool) {
		t := base(r, m, size)
		by := 0.5 + r.Float64()
		return t, t.recoloured(func(x *typesv1.Lab) { x.L, x.A, x.B = x.L*by, x.A*by, x.B*by }), by, false
	}
}

// enlarged gives one cell of one group and block back, of which the first table lacks it.
func enlarged(base tableSource) tableMaker {
	return func(r *rand.Rand, m *module, size int) (table, table, float64, bool) {
		t := base(r, m, size)
		units := t.units()
		gone := units[r.IntN(len(units))]
		first := t.without(func(x row) bool { return (unit{x.group, x.block, x.stratum, x.cell}) == gone })
		return first, t, 1, true
	}
}
