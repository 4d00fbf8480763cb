package hull

import (
	"math"
	"math/bits"
	"slices"
	"sync"
)

// gridBits is the number of bits of a coordinate's range on the grid. Differences stay below 2^41, so a determinant of
// three of them stays below 2^126.
const gridBits = 40

// gridPoint has whole coordinates, which a float64 holds exactly, as it does their differences.
type gridPoint [3]float64

// ontoGrid lays points on a grid of 2^-40 of their largest extent, by a power of two so that scaling itself is exact. The
// grid is written into room where that is large enough; lo and hi are the points' bounds.
func ontoGrid(points []Point, lo, hi Point, room []gridPoint) []gridPoint {
	span := 0.0
	for k := range 3 {
		span = max(span, hi[k]-lo[k])
	}
	_, e := math.Frexp(span) // span < 2^e
	up := (gridBits - e) / 2 // in two steps, as 2^(gridBits-e) may be too large for a number
	one, two := math.Ldexp(1, up), math.Ldexp(1, gridBits-e-up)
	grid := slices.Grow(room[:0], len(points))[:len(points)]
	mid := Point{lo[0]/2 + hi[0]/2, lo[1]/2 + hi[1]/2, lo[2]/2 + hi[2]/2}
	for i := range points {
		p, q := &points[i], &grid[i]
		q[0] = math.RoundToEven((p[0] - mid[0]) * one * two)
		q[1] = math.RoundToEven((p[1] - mid[1]) * one * two)
		q[2] = math.RoundToEven((p[2] - mid[2]) * one * two)
	}
	return grid
}

// int128 is a two's complement number; products are taken modulo 2^128, which is exact for what fits.
type int128 struct{ hi, lo uint64 }

func wide(whole float64) int128 {
	x := int64(whole)
	return int128{uint64(x >> 63), uint64(x)}
}

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
	v      [3]int32  // anticlockwise from outside
	across [3]int32  // across[i] is the face beyond the edge v[i] → v[i+1]
	base   gridPoint // v[0]
	normal [3]float64
	doubt  float64 // the largest rounding error of a height
	above  []int32
	height float64
	far    int32 // the highest of above
	seen   int32 // number of the last step that visited this face
	dead   bool
	sees   bool
}

// builder makes one hull. Its lists keep their room for the next one: widths at equal numbers take thousands of small hulls.
type builder struct {
	own   []Point // the different points
	first []int   // and which of those given they are
	p     []gridPoint
	faces []face
	step  int32

	work, hidden, fresh []int32
	startOf, endOf      []int32 // by vertex: the new face whose horizon edge starts or ends there
	out                 [][3]int32
	above3              []uint8 // see countAbove
}

var builders = sync.Pool{New: func() any { return new(builder) }}

// mostKept bounds the points and the faces for which a builder keeps room.
const mostKept = 4096

func newBuilder() *builder {
	b, _ := builders.Get().(*builder)
	return b
}

// release gives the builder's room to the next hull; what it returned is not valid any more.
func (b *builder) release() {
	if cap(b.faces) <= mostKept && cap(b.p) <= mostKept && cap(b.own) <= mostKept {
		builders.Put(b)
	}
}

func (b *builder) newFace(u, v, w int32) int32 {
	n := len(b.faces)
	if n < cap(b.faces) {
		b.faces = b.faces[:n+1]
	} else { // twice as many: on a sphere each point makes some, and moving them is what takes the time
		b.faces = append(slices.Grow(b.faces, n+1), face{})
	}
	f := &b.faces[n]
	f.v, f.above, f.far, f.seen, f.dead = [3]int32{u, v, w}, f.above[:0], -1, 0, false
	pu, pv, pw := &b.p[u], &b.p[v], &b.p[w]
	e0, e1, e2 := pv[0]-pu[0], pv[1]-pu[1], pv[2]-pu[2]
	g0, g1, g2 := pw[0]-pu[0], pw[1]-pu[1], pw[2]-pu[2]
	f.base = *pu
	f.normal[0] = e1*g2 - e2*g1
	f.normal[1] = e2*g0 - e0*g2
	f.normal[2] = e0*g1 - e1*g0
	f.doubt = doubtOf(math.Sqrt((e0*e0 + e1*e1 + e2*e2) * (g0*g0 + g1*g1 + g2*g2)))
	return int32(n)
}

// doubtOf is the largest rounding error of a height above a plane of two edges, given the product of their lengths.
//
// The forward error of a 3×3 determinant is 7ε times its permanent (Shewchuk 1997, "Adaptive precision floating-point
// arithmetic", Discrete & Computational Geometry 18:305), taken as 8ε; the permanent is at most six times the product of the
// lengths of its rows, and the third row's entries are at most 2^(gridBits+1).
func doubtOf(lengths float64) float64 { return 0x1p-50 * 6 * (1 << (gridBits + 1)) * lengths }

// over is the approximate distance of a point above the face, times twice the face's area.
func (f *face) over(q *gridPoint) float64 {
	return f.normal[0]*(q[0]-f.base[0]) + f.normal[1]*(q[1]-f.base[1]) + f.normal[2]*(q[2]-f.base[2])
}

// above tells exactly whether point q lies strictly above face f.
func (b *builder) above(f *face, q int32) bool {
	h := f.over(&b.p[q])
	return h > f.doubt || h >= -f.doubt && b.orient(f.v[0], f.v[1], f.v[2], q) > 0
}

// orient is the exact sign of the volume of the tetrahedron u, v, w, q.
func (b *builder) orient(u, v, w, q int32) int {
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
func (b *builder) give(q int32, faces []int32) {
	pq := &b.p[q]
	for _, i := range faces {
		f := &b.faces[i]
		h := f.over(pq)
		if h < -f.doubt || h <= f.doubt && b.orient(f.v[0], f.v[1], f.v[2], q) <= 0 {
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

// quickhull returns the faces of the hull of b.p, or false when the points are flat on the grid. The faces are valid until
// the builder is released.
func (b *builder) quickhull() ([][3]int32, bool) {
	b.faces, b.step = b.faces[:0], 0
	s, ok := b.simplex()
	if !ok {
		return nil, false
	}
	for _, v := range [4][3]int32{{s[0], s[1], s[2]}, {s[0], s[2], s[3]}, {s[0], s[3], s[1]}, {s[1], s[3], s[2]}} {
		b.newFace(v[0], v[1], v[2])
	}
	b.faces[0].across = [3]int32{2, 3, 1}
	b.faces[1].across = [3]int32{0, 3, 2}
	b.faces[2].across = [3]int32{1, 3, 0}
	b.faces[3].across = [3]int32{2, 1, 0}
	work, hidden, fresh := append(b.work[:0], 0, 1, 2, 3), b.hidden, b.fresh
	for q := range int32(len(b.p)) {
		if q != s[0] && q != s[1] && q != s[2] && q != s[3] {
			b.give(q, work)
		}
	}
	b.startOf = slices.Grow(b.startOf[:0], len(b.p))[:len(b.p)]
	b.endOf = slices.Grow(b.endOf[:0], len(b.p))[:len(b.p)]
	for len(work) > 0 {
		i := work[len(work)-1]
		work = work[:len(work)-1]
		if b.faces[i].dead || b.faces[i].far < 0 {
			continue
		}
		apex := b.faces[i].far
		b.step++
		b.faces[i].seen, b.faces[i].sees = b.step, true
		hidden = append(hidden[:0], i) // the faces that apex lies above
		fresh = fresh[:0]
		for n := 0; n < len(hidden); n++ {
			h := hidden[n]
			for k := range 3 {
				o := b.faces[h].across[k]
				other := &b.faces[o]
				if other.seen != b.step {
					other.seen = b.step
					if other.sees = b.above(other, apex); other.sees {
						hidden = append(hidden, o)
					}
				}
				if other.sees {
					continue
				}
				u, v := b.faces[h].v[k], b.faces[h].v[(k+1)%3]
				f := b.newFace(u, v, apex)
				b.faces[f].across[0] = o
				other = &b.faces[o] // which a new face may have moved
				for j := range 3 {
					if other.v[j] == v && other.v[(j+1)%3] == u {
						other.across[j] = f
					}
				}
				b.startOf[u], b.endOf[v] = f, f
				fresh = append(fresh, f)
			}
		}
		for _, f := range fresh {
			u, v := b.faces[f].v[0], b.faces[f].v[1]
			b.faces[f].across[1] = b.startOf[v]
			b.faces[f].across[2] = b.endOf[u]
		}
		for _, h := range hidden {
			b.faces[h].dead = true
			for _, q := range b.faces[h].above {
				if q != apex {
					b.give(q, fresh)
				}
			}
		}
		work = append(work, fresh...)
	}
	b.work, b.hidden, b.fresh = work, hidden, fresh
	b.out = b.out[:0]
	for i := range b.faces {
		if !b.faces[i].dead {
			b.out = append(b.out, b.faces[i].v)
		}
	}
	return b.out, true
}

// simplex finds four points that are not in one plane, far apart, ordered so that the fourth lies below the first three.
func (b *builder) simplex() (s [4]int32, ok bool) {
	minus := func(x, y *gridPoint) gridPoint { return gridPoint{x[0] - y[0], x[1] - y[1], x[2] - y[2]} }
	cross := func(x, y gridPoint) gridPoint {
		return gridPoint{x[1]*y[2] - x[2]*y[1], x[2]*y[0] - x[0]*y[2], x[0]*y[1] - x[1]*y[0]}
	}
	squared := func(x gridPoint) float64 { return x[0]*x[0] + x[1]*x[1] + x[2]*x[2] } // it only picks the furthest
	first, top := &b.p[0], math.Inf(-1)                                               // of lowest first coordinate, as the points come sorted
	for i := range b.p {
		if m := squared(minus(&b.p[i], first)); m > top {
			s[1], top = int32(i), m
		}
	}
	e := minus(&b.p[s[1]], first)
	top = math.Inf(-1)
	for i := range b.p {
		if m := squared(cross(e, minus(&b.p[i], first))); m > top {
			s[2], top = int32(i), m
		}
	}
	n := cross(e, minus(&b.p[s[2]], first))
	top = math.Inf(-1)
	for i := range b.p {
		d := minus(&b.p[i], first)
		if m := math.Abs(n[0]*d[0] + n[1]*d[1] + n[2]*d[2]); m > top {
			s[3], top = int32(i), m
		}
	}
	switch b.orient(s[0], s[1], s[2], s[3]) {
	case 0:
		return s, false
	case 1:
		s[1], s[2] = s[2], s[1]
	}
	return s, true
}
