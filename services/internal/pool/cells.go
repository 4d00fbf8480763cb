package pool

import (
	"bytes"
	"cmp"
	"fmt"
	"iter"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/google/uuid"

	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// agreement is how far delivered depths may differ within a cell: the larger at most 10 % above the smaller.
const agreement = 1.10

// pick is a piece in a question, with the reading that speaks for it and the labels that it bears.
type pick struct {
	chunk   *chunk
	row     *row
	reading *reading
	lab     trial.Lab
	group   label
	block   label // 0 when no session is known
	stratum label
	cell    cell
}

// layerKey names a colour layer by what was wanted of it.
func layerKey(c *colourLayer) string {
	return fmt.Sprintf("%s vat=%t depth=%d %s water=%s", c.name, c.vat, c.depth, c.exhaust, c.water)
}

// orderOf lists the indexes of a row's colour layers as a cell of an order question counts them, by their dyes, so that
// both orders of a matched pair have the same key.
func orderOf(r *row, byDye bool) []int {
	index := make([]int, len(r.route.colour))
	for i := range index {
		index[i] = i
	}
	if byDye {
		slices.SortStableFunc(index, func(a, b int) int {
			return cmp.Compare(r.route.colour[a].name, r.route.colour[b].name)
		})
	}
	return index
}

// orderKey is what pieces of a cell of an order question share: layers with intended depths, fibre lot and water. The colour layers stand sorted and the
// mordants without their place.
func orderKey(r *row) string {
	parts := []string{r.yarn.form.Value(), "lot " + r.yarn.lot.Value(), r.route.around.Value()}
	for _, i := range orderOf(r, true) {
		parts = append(parts, layerKey(r.route.colour[i]))
	}
	return strings.Join(parts, "; ")
}

// figures lists what was delivered, in the order in which cells count layers.
func figures(p *pick, byOrder bool) []float64 {
	var out []float64
	depths := p.chunk.depthsOf(p.row)
	for _, i := range orderOf(p.row, byOrder) {
		if i < len(depths) {
			d := depths[i]
			out = append(out, d.percentWOF, d.dips, d.gramsPerL)
		}
	}
	return out
}

// agree reports whether all figures that are known of both are within 10 %.
func agree(a, b []float64) bool {
	for i := range min(len(a), len(b)) {
		if math.IsNaN(a[i]) || math.IsNaN(b[i]) {
			continue
		}
		low, high := min(a[i], b[i]), max(a[i], b[i])
		if high > low*agreement*(1+1e-9) {
			return false
		}
	}
	return true
}

func compareFigures(a, b []float64) int {
	order := func(x float64) float64 { // unknown ones last
		if math.IsNaN(x) {
			return math.Inf(1)
		}
		return x
	}
	return slices.CompareFunc(a, b, func(x, y float64) int { return cmp.Compare(order(x), order(y)) })
}

// assignCells gives each pick its cell. Within a stratum, a block and a key, pieces whose delivered depths agree with the smallest of the
// cell are one cell, whatever their group. Outside order questions the key is the yarn and the whole route in its order.
func (t *texts) assignCells(picks []*pick, byOrder bool) {
	if byOrder {
		t.assignCellsBy(picks, true, orderKey)
		return
	}
	head := memo(t, func(y yarn) string { return y.form.Value() + "; lot " + y.lot.Value() + "; " })
	for _, p := range picks {
		p.cell = cell{head: head(p.row.yarn), route: p.row.route.digest}
	}
	t.tellCells(picks, false)
}

// assignCellsBy is assignCells with another key.
func (t *texts) assignCellsBy(picks []*pick, byOrder bool, key func(*row) string) {
	type kind struct {
		route routeDigest
		yarn  yarn
	}
	known := map[kind]label{} // so that a text is made once
	for _, p := range picks {
		k := kind{p.row.route.digest, p.row.yarn}
		head, ok := known[k]
		if !ok {
			head = t.label(key(p.row))
			known[k] = head
		}
		p.cell = cell{head: head}
	}
	t.tellCells(picks, byOrder)
}

// tellCells tells cells of one key apart, within strata and blocks, where their delivered depths don't agree.
func (t *texts) tellCells(picks []*pick, byOrder bool) {
	alike := func(a, b place) bool { return a.high == b.high && a.of.cell == b.of.cell }
	t.within(picks, len(t.list), func(p *pick) (bucket uint32, high, low uint64) {
		return uint32(p.block), uint64(p.stratum)<<32 | uint64(p.cell.head), p.cell.route.start()
	}, func(places []place) {
		slices.SortFunc(places, func(a, b place) int {
			if c := compareKeys(a, b); c != 0 {
				return c
			}
			return compareRoutes(a.of, b.of)
		})
		var members []*pick
		for from, to := 0, 0; from < len(places); from = to {
			for to = from; to < len(places) && alike(places[from], places[to]); {
				to++
			}
			if to-from < 2 {
				continue
			}
			members = members[:0]
			for _, at := range places[from:to] {
				members = append(members, at.of)
			}
			tellDepths(members, byOrder)
		}
	})
}

// tellDepths makes cells of their own of the members of a place whose delivered depths don't agree.
func tellDepths(picks []*pick, byOrder bool) {
	type member struct {
		*pick
		figures []float64
	}
	members := make([]member, len(picks))
	for i, p := range picks {
		members[i] = member{p, figures(p, byOrder)}
	}
	slices.SortFunc(members, func(a, b member) int {
		return cmp.Or(compareFigures(a.figures, b.figures), bytes.Compare(a.reading.id[:], b.reading.id[:]))
	})
	var seeds [][]float64
	for _, m := range members {
		n := slices.IndexFunc(seeds, func(seed []float64) bool { return agree(seed, m.figures) })
		if n < 0 {
			n = len(seeds)
			seeds = append(seeds, m.figures)
		}
		if n > 0 {
			m.cell.depths = uint32(n + 1)
		}
	}
}

// unmatched says why picks of an order comparison have no partner; those that have one are returned.
func unmatched(picks []*pick, left *leftOut) []*pick {
	type place struct {
		stratum, block label
		of             cell
	}
	cells, keys := map[place]map[label]bool{}, map[place]map[label]bool{}
	add := func(m map[place]map[label]bool, at place, group label) {
		if m[at] == nil {
			m[at] = map[label]bool{}
		}
		m[at][group] = true
	}
	for _, p := range picks {
		add(cells, place{p.stratum, p.block, p.cell}, p.group)
		add(keys, place{p.stratum, p.block, p.cell.key()}, p.group)
	}
	var out []*pick
	for _, p := range picks {
		switch {
		case len(cells[place{p.stratum, p.block, p.cell}]) > 1:
			out = append(out, p)
		case len(keys[place{p.stratum, p.block, p.cell.key()}]) > 1:
			left.piece("not in the comparison: delivered depths differ by more than 10 %")
		case p.block == 0:
			left.piece("not in the comparison: no partner in the other order, and no session known")
		default:
			left.piece("not in the comparison: no partner in the other order of the same session (same layers, intended depths, fibre lot, mordants and water)")
		}
	}
	return out
}

// completion tells, per block, when it first held both groups of one cell: the core's own time of the later of the two first readings.
// It doesn't change when a piece is read again, so the sessions that a verdict stands on stay the same.
func (t *texts) completion(picks []*pick) map[label]int64 {
	type place struct {
		stratum, block label
		cell           cell
	}
	type seen struct {
		group label
		first int64
		other map[label]int64 // of the cells of several groups
	}
	several := t.several(picks)
	at := map[place]int32{}
	var cells []seen
	for _, p := range picks {
		if p.block == 0 || !several[p.block] {
			continue
		}
		n, known := at[place{p.stratum, p.block, p.cell}]
		if !known {
			n = int32(len(cells))
			at[place{p.stratum, p.block, p.cell}] = n
			cells = append(cells, seen{group: p.group, first: p.row.firstRead})
			continue
		}
		c := &cells[n]
		if c.group == p.group {
			c.first = min(c.first, p.row.firstRead)
			continue
		}
		if c.other == nil {
			c.other = map[label]int64{}
		}
		if t, ok := c.other[p.group]; !ok || p.row.firstRead < t {
			c.other[p.group] = p.row.firstRead
		}
	}
	done := map[label]int64{}
	for at, n := range at {
		c := &cells[n]
		if len(c.other) == 0 {
			continue
		}
		t := max(c.first, slices.Max(slices.Collect(maps.Values(c.other))))
		if old, ok := done[at.block]; !ok || t < old {
			done[at.block] = t
		}
	}
	return done
}

// several tells of which blocks the picks are of several groups.
func (t *texts) several(picks []*pick) []bool {
	first, several := make([]label, len(t.list)), make([]bool, len(t.list))
	seen := make([]bool, len(t.list))
	for _, p := range picks {
		if !seen[p.block] {
			seen[p.block], first[p.block] = true, p.group
		} else if first[p.block] != p.group {
			several[p.block] = true
		}
	}
	return several
}

// tabled is picks as the rows of a question, made as they are gone through: a row takes as much room as its pick.
type tabled struct {
	picks                  []*pick
	cells                  []uint32 // of each pick
	groups, blocks, strata []uint32 // by label
}

// Len is how many there are.
func (r *tabled) Len() int { return len(r.picks) }

// All goes through the rows.
func (r *tabled) All() iter.Seq[pipeline.Row] {
	return func(yield func(pipeline.Row) bool) {
		for i, p := range r.picks {
			row := pipeline.Row{ReadingID: uuid.UUID(p.reading.id), Group: r.groups[p.group], Block: r.blocks[p.block], Stratum: r.strata[p.stratum], Cell: r.cells[i], Lab: p.lab}
			if !yield(row) {
				return
			}
		}
	}
}

// list is all of the rows.
func (r *tabled) list() []pipeline.Row {
	return slices.AppendSeq(make([]pipeline.Row, 0, len(r.picks)), r.All())
}

// table makes labels and rows of picks. groups fixes the order of groups; nil sorts them. Blocks come in the order of
// completion, the unfinished ones after them by their ids, which are ordered in time.
func (t *texts) table(picks []*pick, groups []string) (pipeline.Labels, *tabled) {
	return t.tableBy(picks, groups, t.completion(picks))
}

// tableBy is table with the times at which blocks were complete.
func (t *texts) tableBy(picks []*pick, groups []string, done map[label]int64) (pipeline.Labels, *tabled) {
	var inOrder []label // groups
	for _, group := range groups {
		inOrder = append(inOrder, t.label(group))
	}
	if groups == nil {
		inOrder = t.sorted(picks, func(p *pick) label { return p.group })
	}
	blocks := t.sorted(picks, func(p *pick) label { return p.block })
	slices.SortStableFunc(blocks, func(a, b label) int {
		rank := func(block label) int64 {
			if block == 0 {
				return math.MinInt64
			}
			if t, ok := done[block]; ok {
				return t
			}
			return math.MaxInt64
		}
		return cmp.Compare(rank(a), rank(b))
	})
	strata := t.sorted(picks, func(p *pick) label { return p.stratum })
	cellOf, cells := t.numberCells(picks)
	labels := pipeline.Labels{Groups: t.texts(inOrder), Blocks: t.texts(blocks), Strata: t.texts(strata), Cells: cellNames(cells)}
	t.room = nil // it may be large
	return labels, &tabled{picks, cellOf, t.places(inOrder), t.places(blocks), t.places(strata)}
}

// cellNames are short names, under which cells travel, in the order of their texts: a module needn't sort them. They are parts of one text, since half a
// million small ones cost more than their letters.
func cellNames(n int) []string {
	const word = "cell "
	digits := len(strconv.Itoa(n))
	text := make([]byte, 0, n*(len(word)+digits))
	for i := range n {
		text = append(text, word...)
		for range digits {
			text = append(text, '0')
		}
		for at, rest := len(text)-1, i+1; rest > 0; at, rest = at-1, rest/10 {
			text[at] = byte('0' + rest%10)
		}
	}
	all, size := string(text), len(word)+digits
	out := make([]string, n)
	for i := range out {
		out[i] = all[i*size : (i+1)*size]
	}
	return out
}

// leftOut counts what isn't used, by reason.
type leftOut struct {
	pieces     map[string]int
	readings   map[string]int
	judgements map[string]int
}

func newLeftOut() *leftOut {
	return &leftOut{pieces: map[string]int{}, readings: map[string]int{}, judgements: map[string]int{}}
}

func (l *leftOut) piece(reason string)          { l.pieces[reason]++ }
func (l *leftOut) judgement(reason string)      { l.judgements[reason]++ }
func (l *leftOut) reading(reason string, n int) { l.readings[reason] += n }
