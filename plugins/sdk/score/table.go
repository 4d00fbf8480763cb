package score

import (
	"cmp"
	"fmt"
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
	key        unitKey
	n          int
	l, a, b    float64
	age        float64
	ageMissing bool
	spectrum   *Spectrum // sums
	mixed      bool      // a reading has no spectrum, or one on other wavelengths
}

// table is the rows of a stream as units, in the order of their first row.
type table struct {
	ages, spectra bool
	units         []unit
	index         map[unitKey]int
	last          int // unit of the last row
	labels        *columnsv1.Labels
	order         []int // units by block, cell and first row

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

// expect makes room for the units of so many rows. Whoever says more than come has no more room made than for a common part of a question.
func (t *table) expect(rows int64) {
	room := min(max(int(rows), 0), 1<<15)
	t.units = make([]unit, 0, room)
	t.index = make(map[unitKey]int, room)
}

// unitOf finds or makes the unit with this key.
func (t *table) unitOf(key unitKey) int {
	if len(t.units) > 0 && t.units[t.last].key == key { // replicates often come together
		return t.last
	}
	at, known := t.index[key]
	if !known {
		at = len(t.units)
		t.index[key] = at
		t.units = append(t.units, unit{key: key})
	}
	t.last = at
	return at
}

func (t *table) add(r columns.Row) {
	at := t.unitOf(unitKey{r.Group, r.Block, r.Stratum, r.Cell})
	if !t.ages && !t.spectra {
		u := &t.units[at]
		u.n++
		u.l, u.a, u.b = u.l+r.Lab.L, u.a+r.Lab.A, u.b+r.Lab.B
		return
	}
	one := unit{n: 1, l: r.Lab.L, a: r.Lab.A, b: r.Lab.B}
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
	t.units[at].plus(one)
}

// plus adds the sums of o.
func (u *unit) plus(o unit) {
	first := u.n == 0
	u.n += o.n
	u.l, u.a, u.b = u.l+o.l, u.a+o.a, u.b+o.b
	u.age += o.age
	u.ageMissing = u.ageMissing || o.ageMissing
	u.mixed = u.mixed || o.mixed
	switch s := o.spectrum; {
	case u.mixed || s == nil:
		u.spectrum = nil
	case first:
		u.spectrum = &Spectrum{s.StartNm, s.StepNm, slices.Clone(s.Reflectance)}
	case s.StartNm != u.spectrum.StartNm || s.StepNm != u.spectrum.StepNm || len(s.Reflectance) != len(u.spectrum.Reflectance):
		u.mixed, u.spectrum = true, nil
	default:
		for i, r := range s.Reflectance {
			u.spectrum.Reflectance[i] += r
		}
	}
}

func (t *table) finish(labels *columnsv1.Labels) {
	t.labels, t.current, t.index = labels, nil, nil
	t.order = make([]int, len(t.units))
	for i := range t.order {
		t.order[i] = i
	}
	slices.SortStableFunc(t.order, func(x, y int) int {
		a, b := t.units[x].key, t.units[y].key
		return cmp.Or(cmp.Compare(labels.GetBlocks()[a.block], labels.GetBlocks()[b.block]), cmp.Compare(labels.GetCells()[a.cell], labels.GetCells()[b.cell]))
	})
}

// own is the labelling of the rows themselves.
func (t *table) own() []uint32 {
	out := make([]uint32, len(t.units))
	for i, u := range t.units {
		out[i] = u.key.group
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
	at, sizes := map[place]int{}, []int{}
	var out []bucket
	of := make([]int, len(t.order)) // the bucket of each unit
	for _, i := range t.order {
		p := place{t.units[i].key.stratum, groups[i]}
		k, known := at[p]
		if !known {
			k = len(out)
			at[p] = k
			out, sizes = append(out, bucket{stratum: p.stratum, group: p.group}), append(sizes, 0)
		}
		of[i] = k
		sizes[k]++
	}
	members := make([][]int, len(out))
	room := make([]int, len(t.order))
	for k, n := range sizes {
		members[k], room = room[:0:n], room[n:]
	}
	for _, i := range t.order {
		members[of[i]] = append(members[of[i]], i)
	}
	for k, list := range members {
		b := &out[k]
		b.cells = make([]Cell, 0, len(list))
		for at := 0; at < len(list); {
			sum := t.units[list[at]]
			end := at + 1
			for ; end < len(list); end++ {
				o := t.units[list[end]]
				if o.key.block != sum.key.block || o.key.cell != sum.key.cell {
					break
				}
				if end == at+1 && sum.spectrum != nil { // the table's own sums stay as they are
					s := *sum.spectrum
					s.Reflectance = slices.Clone(s.Reflectance)
					sum.spectrum = &s
				}
				sum.plus(o)
			}
			b.cells = append(b.cells, t.cell(sum))
			at = end
		}
	}
	slices.SortFunc(out, func(x, y bucket) int { return cmp.Or(cmp.Compare(x.stratum, y.stratum), cmp.Compare(x.group, y.group)) })
	return out
}

func (t *table) cell(u unit) Cell {
	n := float64(u.n)
	out := Cell{
		Name: t.labels.GetCells()[u.key.cell], Block: t.labels.GetBlocks()[u.key.block], Readings: u.n,
		Lab: colorimetry.Lab{L: u.l / n, A: u.a / n, B: u.b / n}, AgeDays: -1,
	}
	if t.ages && !u.ageMissing {
		out.AgeDays = u.age / n
	}
	if u.spectrum != nil {
		mean := Spectrum{u.spectrum.StartNm, u.spectrum.StepNm, make([]float64, len(u.spectrum.Reflectance))}
		for i, r := range u.spectrum.Reflectance {
			mean.Reflectance[i] = r / n
		}
		out.Spectrum = &mean
	}
	return out
}
