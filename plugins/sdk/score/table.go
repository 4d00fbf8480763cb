package score

import (
	"cmp"
	"fmt"
	"hash/maphash"
	"slices"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	"github.com/commonvat/commonvat/plugins/sdk/columns"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
)

const maxAgeDays = 100_000

type unitKey struct{ group, block, stratum, cell uint32 }

// unit holds sums over the readings of one group, block, stratum and cell.
type unit struct {
	key     unitKey
	n       int
	l, a, b float64
}

// further is what a unit holds beside its colours: sums, too.
type further struct {
	age        float64
	ageMissing bool
	spectrum   *Spectrum
	mixed      bool // a reading has no spectrum, or one on other wavelengths
}

// table is the rows of a stream as units, in the order of their first row.
type table struct {
	ages, spectra bool
	units         []unit
	further       []further // of each unit, where the method asks for ages or spectra
	index         index
	last          int // unit of the last row
	labels        *columnsv1.Labels
	order         []int32 // units by block, cell and first row

	current       *palettev2.ScoredColumns
	row, rowKnown int // rows of the current chunk that were added, and how many of them have a spectrum
}

// chunk checks the further columns of a chunk before its rows are added.
func (t *table) chunk(v *sdk.Violations, c *palettev2.ScoredColumns) {
	t.current, t.row, t.rowKnown = c, 0, 0
	n := len(c.GetColours().GetReadingId())
	if want := map[bool]int{true: n}[t.ages]; len(c.GetAgeDays()) != want {
		v.Add("columns.age_days", "has %d rows, want %d", len(c.GetAgeDays()), want)
	}
	for i, x := range c.GetAgeDays() {
		if x != -1 && !(x >= 0 && x <= maxAgeDays) {
			v.Add(fmt.Sprintf("columns.age_days[%d]", i), "is %v, want 0 to %d, or -1 for not known", x, maxAgeDays)
		}
	}
	s := c.GetSpectra()
	if !t.spectra {
		if s != nil {
			v.Add("columns.spectra", "is set, but the module asks for no spectra")
		}
		return
	}
	if s == nil {
		v.Add("columns.spectra", "is missing, which the module asks for")
		return
	}
	within := func(field string, x, low, high float64) {
		if !(x >= low && x <= high) {
			v.Add("columns.spectra."+field, "is %v, want %v to %v", x, low, high)
		}
	}
	within("start_nm", s.GetStartNm(), 360, 780)
	within("step_nm", s.GetStepNm(), 1, 20)
	within("count", float64(s.GetCount()), 3, 421)
	if len(s.GetKnown()) != n {
		v.Add("columns.spectra.known", "has %d rows, want %d", len(s.GetKnown()), n)
	}
	known := 0
	for _, k := range s.GetKnown() {
		if k {
			known++
		}
	}
	if want := int64(known) * int64(s.GetCount()); int64(len(s.GetReflectance())) != want {
		v.Add("columns.spectra.reflectance", "has %d values, want %d for each of %d rows", len(s.GetReflectance()), s.GetCount(), known)
	}
	for i, r := range s.GetReflectance() {
		if !(r >= 0 && r <= 2) {
			v.Add(fmt.Sprintf("columns.spectra.reflectance[%d]", i), "is %v, want 0 to 2", r)
		}
	}
}

// mostRoom bounds the units that room is made for before they come.
const mostRoom = 1 << 15

// expect makes room for the units of so many rows. Whoever says more than come has no more room made than for a common part of a question.
func (t *table) expect(rows int64) {
	t.units = make([]unit, 0, min(max(int(rows), 0), mostRoom))
	t.index = newIndex(cap(t.units))
}

// index finds units by their labels: numbers of units, from 1 on, each at the first free slot behind where the hash of its labels points. (A map would hold the
// labels once more, and a million rows spent most of their time in it.)
type index struct {
	seed  maphash.Seed
	slots []int32 // a power of two, at most half of them used
}

func newIndex(units int) index {
	size := 8
	for size < 2*units {
		size *= 2
	}
	return index{maphash.MakeSeed(), make([]int32, size)}
}

// slot is where a unit's number stands, or where it would.
func (x *index) slot(units []unit, key unitKey) *int32 {
	mask := len(x.slots) - 1
	at := int(maphash.Comparable(x.seed, key)) & mask
	for x.slots[at] != 0 && units[x.slots[at]-1].key != key {
		at = (at + 1) & mask
	}
	return &x.slots[at]
}

// unitOf finds or makes the unit with this key.
func (t *table) unitOf(key unitKey) int {
	if len(t.units) > 0 && t.units[t.last].key == key { // replicates often come together
		return t.last
	}
	slot := t.index.slot(t.units, key)
	if *slot == 0 {
		t.units = append(t.units, unit{key: key})
		if t.ages || t.spectra {
			t.further = append(t.further, further{})
		}
		*slot = int32(len(t.units))
		t.last = len(t.units) - 1
		if 2*len(t.units) > len(t.index.slots) {
			t.index = newIndex(2 * len(t.units))
			for i := range t.units {
				*t.index.slot(t.units, t.units[i].key) = int32(i + 1)
			}
		}
		return t.last
	}
	t.last = int(*slot) - 1
	return t.last
}

func (t *table) add(r columns.Row) {
	at := t.unitOf(unitKey{r.Group, r.Block, r.Stratum, r.Cell})
	u := &t.units[at]
	if t.ages || t.spectra {
		t.further[at].plus(t.beside(), u.n == 0)
	}
	u.n++
	u.l, u.a, u.b = u.l+r.Lab.L, u.a+r.Lab.A, u.b+r.Lab.B
}

// beside is what the next row of the current chunk has beside its colour.
func (t *table) beside() (one further) {
	if t.ages {
		one.age = t.current.GetAgeDays()[t.row]
		one.ageMissing = one.age < 0
	}
	if t.spectra {
		s := t.current.GetSpectra()
		if one.mixed = !s.GetKnown()[t.row]; !one.mixed {
			count := int(s.GetCount())
			one.spectrum = &Spectrum{s.GetStartNm(), s.GetStepNm(), s.GetReflectance()[t.rowKnown*count:][:count]}
			t.rowKnown++
		}
	}
	t.row++
	return one
}

// plus adds the sums of o.
func (u *unit) plus(o *unit) {
	u.n += o.n
	u.l, u.a, u.b = u.l+o.l, u.a+o.a, u.b+o.b
}

// plus adds the sums of o; first tells that there are none yet.
func (f *further) plus(o further, first bool) {
	f.age += o.age
	f.ageMissing = f.ageMissing || o.ageMissing
	f.mixed = f.mixed || o.mixed
	switch s := o.spectrum; {
	case f.mixed || s == nil:
		f.spectrum = nil
	case first:
		f.spectrum = &Spectrum{s.StartNm, s.StepNm, slices.Clone(s.Reflectance)}
	case s.StartNm != f.spectrum.StartNm || s.StepNm != f.spectrum.StepNm || len(s.Reflectance) != len(f.spectrum.Reflectance):
		f.mixed, f.spectrum = true, nil
	default:
		for i, r := range s.Reflectance {
			f.spectrum.Reflectance[i] += r
		}
	}
}

func (t *table) finish(labels *columnsv1.Labels) {
	t.labels, t.current, t.index = labels, nil, index{}
	t.order = make([]int32, len(t.units))
	for i := range t.order {
		t.order[i] = int32(i)
	}
	blocks, cells := labels.GetBlocks(), labels.GetCells()
	slices.SortStableFunc(t.order, func(x, y int32) int {
		a, b := &t.units[x].key, &t.units[y].key
		if a.block != b.block { // each label is there once
			return cmp.Compare(blocks[a.block], blocks[b.block])
		}
		return cmp.Compare(cells[a.cell], cells[b.cell])
	})
}

// own is the labelling of the rows themselves.
func (t *table) own() []uint32 {
	out := make([]uint32, len(t.units))
	for i := range t.units {
		out[i] = t.units[i].key.group
	}
	return out
}

type bucket struct {
	stratum, group uint32
	cells          []Cell
}

// buckets are the groups of a labelling by stratum and group. Units that it brings into one group, block, stratum and cell become one
// cell, as they would be if the rows had come with those groups.
func (t *table) buckets(groups []uint32) []bucket {
	type place struct{ stratum, group uint32 }
	at, sizes := map[place]int32{}, []int32{}
	var out []bucket
	of := make([]int32, len(t.order)) // the bucket of each unit
	for i, k := int32(0), int32(0); int(i) < len(t.units); i++ {
		p := place{t.units[i].key.stratum, groups[i]}
		if i == 0 || out[k].stratum != p.stratum || out[k].group != p.group { // what was read together often lies together
			known := false
			if k, known = at[p]; !known {
				k = int32(len(out))
				at[p] = k
				out, sizes = append(out, bucket{stratum: p.stratum, group: p.group}), append(sizes, 0)
			}
		}
		of[i] = k
		sizes[k]++
	}
	members := make([][]int32, len(out))
	room := make([]int32, len(t.order))
	for k, n := range sizes {
		members[k], room = room[:0:n], room[n:]
	}
	for _, i := range t.order {
		members[of[i]] = append(members[of[i]], i)
	}
	cells := make([]Cell, len(t.order))
	for k, list := range members {
		out[k].cells, cells = t.cells(list, cells[:0:len(list)]), cells[len(list):]
	}
	slices.SortFunc(out, func(x, y bucket) int { return cmp.Or(cmp.Compare(x.stratum, y.stratum), cmp.Compare(x.group, y.group)) })
	return out
}

// cells appends the cells of a bucket's units to room; units of one cell are together.
func (t *table) cells(list []int32, room []Cell) []Cell {
	for at := 0; at < len(list); {
		sum := t.units[list[at]]
		end := at + 1
		for ; end < len(list); end++ {
			o := &t.units[list[end]]
			if o.key.block != sum.key.block || o.key.cell != sum.key.cell {
				break
			}
			sum.plus(o)
		}
		n := float64(sum.n)
		room = append(room, Cell{
			Name: t.labels.GetCells()[sum.key.cell], Block: t.labels.GetBlocks()[sum.key.block], Readings: sum.n,
			Lab: colorimetry.Lab{L: sum.l / n, A: sum.a / n, B: sum.b / n}, AgeDays: -1,
		})
		if t.further != nil {
			t.mean(list[at:end], n, &room[len(room)-1])
		}
		at = end
	}
	return room
}

// mean sets what a cell of n readings has beside its colour.
func (t *table) mean(units []int32, n float64, to *Cell) {
	sum := t.further[units[0]]
	if len(units) > 1 && sum.spectrum != nil { // the table's own sums stay as they are
		s := *sum.spectrum
		s.Reflectance = slices.Clone(s.Reflectance)
		sum.spectrum = &s
	}
	for _, i := range units[1:] {
		sum.plus(t.further[i], false)
	}
	if t.ages && !sum.ageMissing {
		to.AgeDays = sum.age / n
	}
	if sum.spectrum != nil {
		mean := Spectrum{sum.spectrum.StartNm, sum.spectrum.StepNm, make([]float64, len(sum.spectrum.Reflectance))}
		for i, r := range sum.spectrum.Reflectance {
			mean.Reflectance[i] = r / n
		}
		to.Spectrum = &mean
	}
}
