package pool

import (
	"bytes"
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

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
	group   string
	block   string // "" when no session is known
	stratum string
	key     string // what pieces of a cell have in common, delivered depths aside
	cell    string
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

// cellKey is what pieces of a cell share: layers with intended depths, fibre lot and water. In an order question the colour layers
// stand sorted and the mordants without their place; otherwise the whole route in its order.
func cellKey(r *row, byOrder bool) string {
	parts := []string{r.yarn.form.Value(), "lot " + r.yarn.lot.Value()}
	if byOrder {
		parts = append(parts, r.route.around.Value())
		for _, i := range orderOf(r, true) {
			parts = append(parts, layerKey(r.route.colour[i]))
		}
	} else {
		parts = append(parts, string(r.route.digest[:])) // a thousandth of the pieces may share a route, and its key is long
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
// cell are one cell, whatever their group.
func assignCells(picks []*pick, byOrder bool) {
	assignCellsBy(picks, byOrder, func(r *row) string { return cellKey(r, byOrder) })
}

func assignCellsBy(picks []*pick, byOrder bool, key func(*row) string) {
	type place struct{ stratum, block, key string }
	type kind struct {
		route *route
		yarn  *yarn
	}
	keys := map[kind]string{} // so that a text is kept once
	places := make(map[place]int32, len(picks)/2)
	at := make([]int32, len(picks))
	var ends []int32 // of the picks of each place, once they lie place by place
	for i, p := range picks {
		k := kind{p.row.route, p.row.yarn}
		text, known := keys[k]
		if !known {
			text = key(p.row)
			keys[k] = text
		}
		p.key, p.cell = text, text
		n, known := places[place{p.stratum, p.block, text}]
		if !known {
			n = int32(len(ends))
			places[place{p.stratum, p.block, text}] = n
			ends = append(ends, 0)
		}
		at[i] = n
		ends[n]++
	}
	sum := int32(0)
	for n := range ends {
		sum, ends[n] = sum+ends[n], sum
	}
	sorted := make([]*pick, len(picks))
	for i, p := range picks {
		sorted[ends[at[i]]] = p
		ends[at[i]]++
	}
	from := int32(0)
	for _, to := range ends {
		if to-from > 1 {
			tellDepths(sorted[from:to], byOrder)
		}
		from = to
	}
}

// tellDepths makes cells of their own of the members of a place whose delivered depths don't agree.
func tellDepths(members []*pick, byOrder bool) {
	slices.SortFunc(members, func(a, b *pick) int {
		return cmp.Or(compareFigures(figures(a, byOrder), figures(b, byOrder)), bytes.Compare(a.reading.id[:], b.reading.id[:]))
	})
	var seeds [][]float64
	for _, p := range members {
		f := figures(p, byOrder)
		n := slices.IndexFunc(seeds, func(seed []float64) bool { return agree(seed, f) })
		if n < 0 {
			n = len(seeds)
			seeds = append(seeds, f)
		}
		if n > 0 {
			p.cell = fmt.Sprintf("%s; depths %d", p.key, n+1)
		}
	}
}

// unmatched says why picks of an order comparison have no partner; those that have one are returned.
func unmatched(picks []*pick, left *leftOut) []*pick {
	type place struct{ stratum, block, label string }
	cells, keys := map[place]map[string]bool{}, map[place]map[string]bool{}
	add := func(m map[place]map[string]bool, at place, group string) {
		if m[at] == nil {
			m[at] = map[string]bool{}
		}
		m[at][group] = true
	}
	for _, p := range picks {
		add(cells, place{p.stratum, p.block, p.cell}, p.group)
		add(keys, place{p.stratum, p.block, p.key}, p.group)
	}
	var out []*pick
	for _, p := range picks {
		switch {
		case len(cells[place{p.stratum, p.block, p.cell}]) > 1:
			out = append(out, p)
		case len(keys[place{p.stratum, p.block, p.key}]) > 1:
			left.piece("not in the comparison: delivered depths differ by more than 10 %")
		case p.block == "":
			left.piece("not in the comparison: no partner in the other order, and no session known")
		default:
			left.piece("not in the comparison: no partner in the other order of the same session (same layers, intended depths, fibre lot, mordants and water)")
		}
	}
	return out
}

// completion tells, per block, when it first held both groups of one cell: the core's own time of the later of the two first readings.
// It doesn't change when a piece is read again, so the sessions that a verdict stands on stay the same.
func completion(picks []*pick) map[string]int64 {
	type place struct{ stratum, block, cell string }
	type seen struct {
		group string
		first int64
		other map[string]int64 // of the cells of several groups
	}
	at := make(map[place]int32, len(picks)/2)
	var cells []seen
	for _, p := range picks {
		if p.block == "" {
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
			c.other = map[string]int64{}
		}
		if t, ok := c.other[p.group]; !ok || p.row.firstRead < t {
			c.other[p.group] = p.row.firstRead
		}
	}
	done := map[string]int64{}
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

// table makes labels and rows of picks. groups fixes the order of groups; nil sorts them. Blocks come in the order of
// completion, the unfinished ones after them by their ids, which are ordered in time.
func table(picks []*pick, groups []string) (pipeline.Labels, []pipeline.Row) {
	return tableBy(picks, groups, completion(picks))
}

// tableBy is table with the times at which blocks were complete.
func tableBy(picks []*pick, groups []string, done map[string]int64) (pipeline.Labels, []pipeline.Row) {
	column := func(of func(*pick) string) []string {
		seen := map[string]bool{}
		for _, p := range picks {
			seen[of(p)] = true
		}
		return slices.Sorted(maps.Keys(seen))
	}
	if groups == nil {
		groups = column(func(p *pick) string { return p.group })
	}
	blocks := column(func(p *pick) string { return p.block })
	slices.SortStableFunc(blocks, func(a, b string) int {
		rank := func(block string) int64 {
			if block == "" {
				return math.MinInt64
			}
			if t, ok := done[block]; ok {
				return t
			}
			return math.MaxInt64
		}
		return cmp.Compare(rank(a), rank(b))
	})
	strata := column(func(p *pick) string { return p.stratum })
	rows := make([]pipeline.Row, len(picks))
	cells := column(func(p *pick) string { return p.cell })
	at := indexes(cells)
	for i, p := range picks {
		rows[i].Cell = at[p.cell]
	}
	labels := pipeline.Labels{Groups: groups, Blocks: blocks, Strata: strata, Cells: make([]string, len(cells))}
	for i := range cells { // cells travel under short names
		labels.Cells[i] = "cell " + strconv.Itoa(i+1)
	}
	g, b, s := indexes(groups), indexes(blocks), indexes(strata)
	for i, p := range picks {
		r := &rows[i]
		r.ReadingID, r.Group, r.Block, r.Stratum, r.Lab = p.reading.id.String(), g[p.group], b[p.block], s[p.stratum], p.lab
	}
	return labels, rows
}

func indexes(texts []string) map[string]uint32 {
	out := make(map[string]uint32, len(texts))
	for i, text := range texts {
		out[text] = uint32(i)
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
