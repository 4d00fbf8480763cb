package effect

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"github.com/commonvat/commonvat/plugins/compare/groups"
	"github.com/commonvat/commonvat/plugins/compare/orders"
	"github.com/commonvat/commonvat/plugins/palette/width"
)

// turner tests by turning the signs of sessions.
type turner struct {
	ctx     context.Context
	params  Params
	testing bool
}

// contrast is nil without a session that holds both arms of a cell.
func (t *turner) contrast(sessions []*session, a, b Arm) (*Contrast, error) {
	var x, y, d [][3]float64
	for _, s := range sessions {
		if u, v, ok := s.means(a, b); ok {
			x, y = append(x, u), append(y, v)
			d = append(d, [3]float64{u[0] - v[0], u[1] - v[1], u[2] - v[2]})
		}
	}
	if len(d) == 0 {
		return nil, nil
	}
	c := &Contrast{Blocks: len(d), Difference: mean(d, -1), DE: de(mean(x, -1), mean(y, -1)), Hotelling: hotelling(d)}
	if len(d) >= 2 {
		leave := make([]float64, len(d))
		for j := range d {
			leave[j] = de(mean(x, j), mean(y, j))
		}
		se := width.JackknifeSE(leave)
		upper := c.DE + width.StudentQuantile(0.95, len(d)-1)*se
		c.SE, c.UpperDE = &se, &upper
	}
	if !t.testing || len(d) < MinBlocks {
		return c, nil
	}
	most, arrangements, enumerated, err := t.turn(len(d), func(sign []float64) []float64 {
		var sum [3]float64
		for j, v := range d {
			for i := range 3 {
				sum[i] += sign[j] * v[i]
			}
		}
		return []float64{math.Sqrt(sum[0]*sum[0] + sum[1]*sum[1] + sum[2]*sum[2])}
	})
	if err != nil {
		return nil, err
	}
	c.P, c.Arrangements, c.Enumerated = &most[0], arrangements, enumerated
	return c, nil
}

// mean leaves one out, from 0.
func mean(x [][3]float64, without int) (m [3]float64) {
	n := 0.0
	for j, v := range x {
		if j == without {
			continue
		}
		n++
		for i := range 3 {
			m[i] += v[i]
		}
	}
	for i := range 3 {
		m[i] /= n
	}
	return m
}

// turn gives, for each of the statistics as observed, the share of arrangements in which the largest of all reaches it.
func (t *turner) turn(blocks int, statistics func(sign []float64) []float64) (p []float64, arrangements int, enumerated bool, err error) {
	return t.turnUpTo(enumerateUpTo, blocks, statistics)
}

func (t *turner) turnUpTo(most, blocks int, statistics func(sign []float64) []float64) (p []float64, arrangements int, enumerated bool, err error) {
	sign := make([]float64, blocks)
	for j := range sign {
		sign[j] = 1
	}
	observed := slices.Clone(statistics(sign))
	hits := make([]int, len(observed))
	look := func() error {
		if arrangements%1024 == 0 && t.ctx.Err() != nil {
			return t.ctx.Err()
		}
		arrangements++
		largest := slices.Max(statistics(sign))
		for k, x := range observed {
			if largest >= x-1e-9*max(1, math.Abs(x)) {
				hits[k]++
			}
		}
		return nil
	}
	p = make([]float64, len(observed))
	if blocks <= most {
		// All signs turned give the same statistic, so the last stays as it is and each arrangement stands for two.
		for mask := range 1 << (blocks - 1) {
			for j := range blocks - 1 {
				sign[j] = 1 - 2*float64(mask>>j&1)
			}
			if err := look(); err != nil {
				return nil, 0, false, err
			}
		}
		for k := range p {
			p[k] = float64(hits[k]) / float64(arrangements)
		}
		return p, 2 * arrangements, true, nil
	}
	rng := rand.New(rand.NewPCG(t.params.Seed, uint64(blocks)))
	for range t.params.Permutations {
		for j := range sign {
			sign[j] = 1 - 2*float64(rng.Uint64()>>63)
		}
		if err := look(); err != nil {
			return nil, 0, false, err
		}
	}
	for k := range p {
		p[k] = float64(hits[k]+1) / float64(arrangements+1)
	}
	return p, arrangements, false, nil
}

// cells gives the effect by cell and whether it differs between cells.
func (t *turner) cells(sessions []*session) ([]CellEffect, *groups.Test, error) {
	type one struct {
		session int
		d       [3]float64
	}
	by := map[string][]one{}
	var names []string
	sums := map[string]*[2][3]float64{}
	var differences []groups.Point
	for j, s := range sessions {
		both, _ := s.matched(FirstOrder, SecondOrder)
		for _, name := range both {
			x, y := s.cells[name][FirstOrder], s.cells[name][SecondOrder]
			if by[name] == nil {
				names = append(names, name)
				sums[name] = &[2][3]float64{}
			}
			var d [3]float64
			for i := range 3 {
				d[i] = x[i] - y[i]
				sums[name][0][i] += x[i]
				sums[name][1][i] += y[i]
			}
			by[name] = append(by[name], one{j, d})
			differences = append(differences, groups.Point{Group: name, Block: s.label, X: d})
		}
	}
	slices.Sort(names)
	out := make([]CellEffect, len(names))
	for k, name := range names {
		n := float64(len(by[name]))
		var x, y [3]float64
		for i := range 3 {
			x[i], y[i] = sums[name][0][i]/n, sums[name][1][i]/n
			out[k].Difference[i] = x[i] - y[i]
		}
		out[k].Cell, out[k].Blocks, out[k].DE = name, len(by[name]), de(x, y)
	}
	if !t.testing {
		return out, nil, nil
	}
	// The statistic of a cell is the length of its sum over the root of its sessions, so that cells of few sessions weigh alike.
	p, _, _, err := t.turn(len(sessions), func(sign []float64) []float64 {
		of := make([]float64, len(names))
		for k, name := range names {
			var sum [3]float64
			for _, o := range by[name] {
				for i := range 3 {
					sum[i] += sign[o.session] * o.d[i]
				}
			}
			of[k] = math.Sqrt((sum[0]*sum[0] + sum[1]*sum[1] + sum[2]*sum[2]) / float64(len(by[name])))
		}
		return of
	})
	if err != nil {
		return nil, nil, err
	}
	for k := range out {
		out[k].PAdjusted = &p[k]
	}
	if len(names) < 2 || len(names) > groups.MaxGroups {
		return out, nil, nil
	}
	differ, err := groups.Place(t.ctx, differences, t.params.Permutations, t.params.Seed)
	if err != nil {
		return nil, nil, fmt.Errorf("differences by cell: %w", err)
	}
	return out, differ, nil
}

// blanks are the contrasts of the blank arms that some session holds, adjusted together.
func (t *turner) blanks(sessions []*session) ([]Blank, error) {
	var out []Blank
	for _, k := range []struct {
		kind BlankKind
		a, b Arm
	}{
		{BathAloneOnA, BlankAfterA, AloneA}, {ColourOfBOnA, FirstOrder, BlankAfterA},
		{BathAloneOnB, BlankAfterB, AloneB}, {ColourOfAOnB, SecondOrder, BlankAfterB},
	} {
		c, err := t.contrast(sessions, k.a, k.b)
		if err != nil {
			return nil, err
		}
		if c != nil {
			out = append(out, Blank{Kind: k.kind, Contrast: *c})
		}
	}
	var p []float64
	for _, b := range out {
		if b.P != nil {
			p = append(p, *b.P)
		}
	}
	adjusted, k := orders.Holm(p, len(out)), 0
	for i := range out {
		if out[i].P != nil {
			out[i].PAdjusted = &adjusted[k]
			k++
		}
	}
	return out, nil
}

// solve gives S⁻¹v by Cholesky's decomposition; false where S is singular, or its condition is above 1e10.
func solve(s [3][3]float64, v [3]float64) (x [3]float64, ok bool) {
	var l [3][3]float64
	for i := range 3 {
		for j := range i + 1 {
			sum := s[i][j]
			for k := range j {
				sum -= l[i][k] * l[j][k]
			}
			if i != j {
				l[i][j] = sum / l[j][j]
				continue
			}
			if !(sum > 0) {
				return x, false
			}
			l[i][i] = math.Sqrt(sum)
		}
	}
	back := func(v [3]float64) (x [3]float64) {
		for i := range 3 {
			x[i] = v[i]
			for k := range i {
				x[i] -= l[i][k] * x[k]
			}
			x[i] /= l[i][i]
		}
		for i := 2; i >= 0; i-- {
			for k := i + 1; k < 3; k++ {
				x[i] -= l[k][i] * x[k]
			}
			x[i] /= l[i][i]
		}
		return x
	}
	// Condition in the norm of largest absolute row sums, within a factor of 3 of that by singular values.
	norm, inverse := 0.0, 0.0
	var columns [3][3]float64
	for i := range 3 {
		var e [3]float64
		e[i] = 1
		columns[i] = back(e)
		norm = max(norm, math.Abs(s[i][0])+math.Abs(s[i][1])+math.Abs(s[i][2]))
	}
	for i := range 3 {
		inverse = max(inverse, math.Abs(columns[0][i])+math.Abs(columns[1][i])+math.Abs(columns[2][i]))
	}
	if !(norm*inverse <= maxCondition) {
		return x, false
	}
	return back(v), true
}
