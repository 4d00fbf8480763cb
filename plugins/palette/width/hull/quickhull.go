package hull

import (
	"math"
	"math/bits"
	"sync"
)

// gridBits is the number of bits of a coordinate's range on the grid. Differences stay below 2^41, so a determinant of
// three of them stays below 2^126.
const gridBits = 40

type gridPoint [3]int64

// ontoGrid lays points on a grid of 2^-40 of their largest extent, by a power of two so that scaling itself is exact.
func ontoGrid(points []Point) []gridPoint {
	lo, hi := bounds(points)
	span := 0.0
	for k := range 3 {
		span = max(span, hi[k]-lo[k])
	}
	_, e := math.Frexp(span) // span < 2^e
	grid := make([]gridPoint, len(points))
	for i, p := range points {
		for k := range 3 {
			grid[i][k] = int64(math.RoundToEven(math.Ldexp(p[k]-(lo[k]/2+hi[k]/2), gridBits-e)))
		}
	}
	return grid
}

// int128 is a two's complement number; products are taken modulo 2^128, which is exact for what fits.
type int128 struct{ hi, lo uint64 }

func wide(x int64) int128 { return int128{uint64(x >> 63), uint64(x)} }

func (a int128) times(b int128) int128 {
	hi, lo := bits.Mul64(a.lo, b.lo)
	return int128{hi + a.hi*b.lo + a.lo*b.hi, lo}
}

func (a int128) plus(b int128) int128 {
	lo, carry := bits.Add64(a.lo, b.lo, 0)
	hi, _ := bits.Add64(a.hi, b.hi, carry)
	return int128{hi, lo}
}

func (a int128) minus(b int128) int128 {
	lo, borrow := bits.Sub64(a.lo, b.lo, 0)
	hi, _ := bits.Sub64(a.hi, b.hi, borrow)
	return int128{hi, lo}
}

func (a int128) sign() int {
	switch {
	case int64(a.hi) < 0:
		return -1
	case a.hi == 0 && a.lo == 0:
		return 0
	}
	return 1
}

// face is a triangle with its neighbours and the points above it that wait for their turn.
type face struct {
	v      [3]int // anticlockwise from outside
	across [3]int // across[i] is the face beyond the edge v[i] → v[i+1]
	normal [3]float64
	weight [3]float64 // sums of the absolute products in normal, for the error bound
	above  []int
	far    int // the highest of above
	height float64
	dead   bool
	seen   int // number of the last step that visited this face
	sees   bool
}

type builder struct {
	p     []gridPoint
	faces []face
	step  int
}

func (b *builder) newFace(u, v, w int) int {
	f := face{v: [3]int{u, v, w}, far: -1}
	var e, g [3]float64
	for k := range 3 {
		e[k] = float64(b.p[v][k] - b.p[u][k])
		g[k] = float64(b.p[w][k] - b.p[u][k])
	}
	for k := range 3 {
		i, j := (k+1)%3, (k+2)%3
		f.normal[k] = e[i]*g[j] - e[j]*g[i]
		f.weight[k] = math.Abs(e[i]*g[j]) + math.Abs(e[j]*g[i])
	}
	if n := len(b.faces); n < cap(b.faces) {
		f.above = b.faces[:n+1][n].above[:0] // of an earlier hull
	}
	b.faces = append(b.faces, f)
	return len(b.faces) - 1
}

// builders keeps the room of earlier hulls: widths at equal numbers take thousands of small ones.
var builders = sync.Pool{New: func() any { return new(builder) }}

// mostKeptFaces bounds what a builder keeps.
const mostKeptFaces = 4096

// height is the signed distance of point q above face f times twice the face's area, with a bound of its rounding error: the
// forward error of a 3×3 determinant, 7ε times its permanent (Shewchuk 1997, "Adaptive precision floating-point
// arithmetic", Discrete & Computational Geometry 18:305), taken as 8ε.
func (b *builder) height(f *face, q int) (h, bound float64) {
	for k := range 3 {
		d := float64(b.p[q][k] - b.p[f.v[0]][k])
		h += f.normal[k] * d
		bound += f.weight[k] * math.Abs(d)
	}
	return h, bound * 0x1p-50
}

// above tells exactly whether point q lies strictly above face f; h is its approximate height.
func (b *builder) above(f *face, q int) (is bool, h float64) {
	h, bound := b.height(f, q)
	if h > bound {
		return true, h
	}
	if h < -bound {
		return false, h
	}
	return b.orient(f.v[0], f.v[1], f.v[2], q) > 0, h
}

// orient is the exact sign of the volume of the tetrahedron u, v, w, q.
func (b *builder) orient(u, v, w, q int) int {
	var e, g, d [3]int128
	for k := range 3 {
		e[k] = wide(b.p[v][k] - b.p[u][k])
		g[k] = wide(b.p[w][k] - b.p[u][k])
		d[k] = wide(b.p[q][k] - b.p[u][k])
	}
	var det int128
	for k := range 3 {
		i, j := (k+1)%3, (k+2)%3
		det = det.plus(e[i].times(g[j]).minus(e[j].times(g[i])).times(d[k]))
	}
	return det.sign()
}

// give puts point q on the list of the first of the faces that it lies above; a point above none is inside.
//
// One list is enough. Let q lie above a face F that the new vertex p saw, and above no new face. Then q is in the cone from p
// over the old hull, q = p + s(x−p) with x inside. For s > 1, q would lie below F's plane, as p is above it and x is not; so
// s ≤ 1 and q is inside the new hull.
func (b *builder) give(q int, faces []int) {
	for _, i := range faces {
		f := &b.faces[i]
		is, h := b.above(f, q)
		if !is {
			continue
		}
		f.above = append(f.above, q)
		// The rounding of h only decides which point comes next, not the answer.
		if f.far < 0 || h > f.height {
			f.far, f.height = q, h
		}
		return
	}
}

// quickhull returns the faces of the hull, or false when the points are flat on the grid.
func quickhull(p []gridPoint) ([][3]int, bool) {
	b, _ := builders.Get().(*builder)
	b.p, b.faces, b.step = p, b.faces[:0], 0
	defer func() {
		if b.p = nil; cap(b.faces) <= mostKeptFaces {
			builders.Put(b)
		}
	}()
	s, ok := b.simplex()
	if !ok {
		return nil, false
	}
	for _, v := range [4][3]int{{s[0], s[1], s[2]}, {s[0], s[2], s[3]}, {s[0], s[3], s[1]}, {s[1], s[3], s[2]}} {
		b.newFace(v[0], v[1], v[2])
	}
	b.faces[0].across = [3]int{2, 3, 1}
	b.faces[1].across = [3]int{0, 3, 2}
	b.faces[2].across = [3]int{1, 3, 0}
	b.faces[3].across = [3]int{2, 1, 0}
	all := []int{0, 1, 2, 3}
	for q := range p {
		if q != s[0] && q != s[1] && q != s[2] && q != s[3] {
			b.give(q, all)
		}
	}
	startOf := make([]int, len(p)) // the new face whose horizon edge starts at this vertex
	endOf := make([]int, len(p))
	for work := all; len(work) > 0; {
		i := work[len(work)-1]
		work = work[:len(work)-1]
		if b.faces[i].dead || b.faces[i].far < 0 {
			continue
		}
		apex := b.faces[i].far
		b.step++
		b.faces[i].seen, b.faces[i].sees = b.step, true
		hidden := []int{i} // the faces that apex lies above
		var fresh []int
		for n := 0; n < len(hidden); n++ {
			for k := range 3 {
				h := hidden[n]
				o := b.faces[h].across[k]
				if b.faces[o].seen != b.step {
					b.faces[o].seen = b.step
					b.faces[o].sees, _ = b.above(&b.faces[o], apex)
					if b.faces[o].sees {
						hidden = append(hidden, o)
					}
				}
				if b.faces[o].sees {
					continue
				}
				u, v := b.faces[h].v[k], b.faces[h].v[(k+1)%3]
				f := b.newFace(u, v, apex)
				b.faces[f].across[0] = o
				for j := range 3 {
					if b.faces[o].v[j] == v && b.faces[o].v[(j+1)%3] == u {
						b.faces[o].across[j] = f
					}
				}
				startOf[u], endOf[v] = f, f
				fresh = append(fresh, f)
			}
		}
		for _, f := range fresh {
			u, v := b.faces[f].v[0], b.faces[f].v[1]
			b.faces[f].across[1] = startOf[v]
			b.faces[f].across[2] = endOf[u]
		}
		for _, h := range hidden {
			b.faces[h].dead = true
			for _, q := range b.faces[h].above {
				if q != apex {
					b.give(q, fresh)
				}
			}
			b.faces[h].above = b.faces[h].above[:0]
		}
		work = append(work, fresh...)
	}
	out := make([][3]int, 0, len(b.faces))
	for i := range b.faces {
		if !b.faces[i].dead {
			out = append(out, b.faces[i].v)
		}
	}
	return out, true
}

// simplex finds four points that are not in one plane, far apart, ordered so that the fourth lies below the first three.
func (b *builder) simplex() (s [4]int, ok bool) {
	at := func(i int) Point {
		return Point{float64(b.p[i][0]), float64(b.p[i][1]), float64(b.p[i][2])}
	}
	minus := func(x, y Point) Point { return Point{x[0] - y[0], x[1] - y[1], x[2] - y[2]} }
	cross := func(x, y Point) Point {
		return Point{x[1]*y[2] - x[2]*y[1], x[2]*y[0] - x[0]*y[2], x[0]*y[1] - x[1]*y[0]}
	}
	squared := func(x Point) float64 { return x[0]*x[0] + x[1]*x[1] + x[2]*x[2] } // it only picks the furthest
	furthest := func(measure func(i int) float64) int {
		best, top := 0, math.Inf(-1)
		for i := range b.p {
			if m := measure(i); m > top {
				best, top = i, m
			}
		}
		return best
	}
	s[0] = 0 // lowest first coordinate, as the points come sorted
	o := at(s[0])
	s[1] = furthest(func(i int) float64 { return squared(minus(at(i), o)) })
	e := minus(at(s[1]), o)
	s[2] = furthest(func(i int) float64 { return squared(cross(e, minus(at(i), o))) })
	n := cross(e, minus(at(s[2]), o))
	s[3] = furthest(func(i int) float64 {
		d := minus(at(i), o)
		return math.Abs(n[0]*d[0] + n[1]*d[1] + n[2]*d[2])
	})
	switch b.orient(s[0], s[1], s[2], s[3]) {
	case 0:
		return s, false
	case 1:
		s[1], s[2] = s[2], s[1]
	}
	return s, true
}
