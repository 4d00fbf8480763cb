// Package hull measures the convex hull of points in space and in the plane.
//
// # Method
//
// Solid is quickhull (Barber, Dobkin & Huhdanpaa 1996, "The quickhull algorithm for convex hulls", ACM TOMS 22:469) on
// whole numbers: the points are laid on a grid of 2^-40 of their largest extent, on which the test "is this point above
// that face" is exact in 128-bit arithmetic. A floating-point filter answers nearly all tests; only the doubtful ones are
// done exactly. No tolerance is left to choose, so lattices, cospherical points and thin slabs need no special case: a
// point in a face's own plane is simply not above it.
//
// The volume is then summed from the given coordinates, as signed tetrahedra from the centroid of the vertices.
//
// # Special cases
//
// Points of rank below 3 have volume 0 and a status that says what they are: flat, line, point or empty. The rank counts
// singular values of the centred points above 1e-9 of the largest.
//
// # Accuracy
//
// Laying on the grid moves a point by at most 2^-41 of the extent (4.5e-13), which can only decide which of two nearly
// coplanar faces is named. Volumes of the analytic solids in the tests agree to 1e-12 of their value.
package hull

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Point is one point; for colours the coordinates are L*, a*, b*.
type Point [3]float64

// Status says what the points span.
type Status string

// The statuses, from nothing to a body with volume.
const (
	Empty  Status = "empty" // no points
	Single Status = "point" // all points coincide
	Line   Status = "line"  // rank 1
	Flat   Status = "flat"  // rank 2: in the plane, a body with area; in space, volume 0
	OK     Status = "ok"    // rank 3
)

// RankTolerance is the share of the largest singular value below which a singular value counts as zero.
const RankTolerance = 1e-9

// MaxCoordinate is the largest absolute coordinate accepted, so that no product overflows.
const MaxCoordinate = 1e90

// Body is a convex hull in space.
type Body struct {
	Status Status
	// Volume in the cube of the coordinates' unit; 0 unless Status is OK.
	Volume float64
	// Vertices are indices into the given points, ascending; of coinciding points the first is named. Nil unless Status is OK.
	Vertices []int
	// Faces are triangles of indices into the given points, anticlockwise seen from outside. A flat side may be several triangles.
	Faces [][3]int
	// Unique counts the different points.
	Unique int
}

// CoordinateError refuses a coordinate that is no finite number or is too large.
type CoordinateError struct {
	Index int // which point
	Axis  int // 0, 1 or 2
	Value float64
}

// Error names the point, the axis, the value and the allowed range.
func (e *CoordinateError) Error() string {
	return fmt.Sprintf("point %d: coordinate %d is %v, allowed are finite numbers from %g to %g", e.Index, e.Axis, e.Value, -MaxCoordinate, MaxCoordinate)
}

func check(points []Point) error {
	for i, p := range points {
		for k, x := range p {
			if math.IsNaN(x) || math.Abs(x) > MaxCoordinate {
				return &CoordinateError{Index: i, Axis: k, Value: x}
			}
		}
	}
	return nil
}

// Solid is the convex hull of points in space. Only a coordinate that is not finite, or beyond MaxCoordinate, is an error.
// The answer does not depend on the order of the points, apart from the names of vertices and faces.
func Solid(points []Point) (Body, error) {
	b := newBuilder()
	defer b.release()
	body := Body{}
	var faces [][3]int32
	var err error
	if body.Status, faces, err = b.solid(points); err != nil {
		return Body{}, err
	}
	body.Unique = len(b.own)
	if body.Status != OK {
		return body, nil
	}
	body.Volume = volume(b.own, faces)
	used := make([]bool, len(b.own))
	body.Faces = make([][3]int, len(faces))
	for i, f := range faces {
		for k, v := range f {
			used[v] = true
			body.Faces[i][k] = b.first[v]
		}
	}
	for v, u := range used {
		if u {
			body.Vertices = append(body.Vertices, b.first[v])
		}
	}
	slices.Sort(body.Vertices)
	return body, nil
}

// Volume is the volume that Solid gives, 0 unless the status is OK, without naming vertices and faces.
func Volume(points []Point) (float64, Status, error) {
	b := newBuilder()
	defer b.release()
	status, faces, err := b.solid(points)
	if err != nil || status != OK {
		return 0, status, err
	}
	return volume(b.own, faces), OK, nil
}

// solid gives the faces as indices into b.own, valid until the builder is released.
func (b *builder) solid(points []Point) (Status, [][3]int32, error) {
	b.first, b.own = b.first[:0], b.own[:0]
	lo, hi, plain := ascending(points)
	if plain {
		b.own = append(b.own, points...)
		for i := range points {
			b.first = append(b.first, i)
		}
	} else {
		if err := check(points); err != nil {
			return Empty, nil, err
		}
		b.first = unique(points, b.first)
		for _, f := range b.first {
			b.own = append(b.own, points[f])
		}
		lo, hi = bounds(b.own)
	}
	if status := statusOf(rank(b.own), len(b.own)); status != OK {
		return status, nil, nil
	}
	b.p = ontoGrid(b.own, lo, hi, b.p)
	faces, ok := b.quickhull()
	if !ok { // flat on the grid: cannot be, as the rank test is coarser than the grid
		return Flat, nil, nil
	}
	return OK, faces, nil
}

func statusOf(rank, n int) Status {
	switch {
	case n == 0:
		return Empty
	case rank == 0:
		return Single
	case rank == 1:
		return Line
	case rank == 2:
		return Flat
	}
	return OK
}

// unique returns the index of the first of each set of coinciding points, in ascending order of coordinates, in room where that is
// large enough.
func unique(points []Point, room []int) []int {
	idx := room[:0]
	for i := range points {
		idx = append(idx, i)
	}
	order := func(i, j int) int {
		for k := range 3 {
			if points[i][k] != points[j][k] {
				if points[i][k] < points[j][k] {
					return -1
				}
				return 1
			}
		}
		return i - j
	}
	switch {
	case slices.IsSortedFunc(idx, order):
	case len(idx) <= mostKept:
		slices.SortFunc(idx, order)
	default: // with the first coordinate at hand, or looking for it takes most of the time
		type placed struct {
			x  float64
			at int
		}
		far := make([]placed, len(idx))
		for i := range idx {
			far[i] = placed{points[i][0], i}
		}
		slices.SortFunc(far, func(p, q placed) int {
			if p.x != q.x {
				if p.x < q.x {
					return -1
				}
				return 1
			}
			return order(p.at, q.at)
		})
		for i, p := range far {
			idx[i] = p.at
		}
	}
	return slices.CompactFunc(idx, func(i, j int) bool { return points[i] == points[j] })
}

// rank counts the singular values of the centred points above RankTolerance of the largest, by one-sided Jacobi rotations
// (Hestenes 1958), which keep small singular values accurate where eigenvalues of the covariance would lose them.
func rank(points []Point) int {
	if len(points) < 2 {
		return 0
	}
	if plainlySolid(points) {
		return 3
	}
	lo, hi := bounds(points)
	span := 0.0
	for k := range 3 {
		span = max(span, hi[k]-lo[k])
	}
	if span == 0 {
		return 0
	}
	// Columns relative to the middle and scaled to about 1, then centred.
	var col [3][]float64
	for k := range 3 {
		col[k] = make([]float64, len(points))
		mean := 0.0
		for i, p := range points {
			col[k][i] = (p[k] - (lo[k]/2 + hi[k]/2)) / span
			mean += col[k][i]
		}
		mean /= float64(len(points))
		for i := range col[k] {
			col[k][i] -= mean
		}
	}
	const sweeps = 30
	for range sweeps {
		turned := false
		for _, pq := range [3][2]int{{0, 1}, {0, 2}, {1, 2}} {
			u, v := col[pq[0]], col[pq[1]]
			var uu, vv, uv float64
			for i := range u {
				uu += u[i] * u[i]
				vv += v[i] * v[i]
				uv += u[i] * v[i]
			}
			if uv == 0 || math.Abs(uv) <= 1e-15*math.Sqrt(uu*vv) {
				continue
			}
			turned = true
			zeta := (vv - uu) / (2 * uv)
			t := math.Copysign(1, zeta) / (math.Abs(zeta) + math.Hypot(1, zeta))
			c := 1 / math.Hypot(1, t)
			s := c * t
			for i := range u {
				u[i], v[i] = c*u[i]-s*v[i], s*u[i]+c*v[i]
			}
		}
		if !turned {
			break
		}
	}
	var sv [3]float64
	for k := range 3 {
		for _, x := range col[k] { // at most about 1, so no square overflows
			sv[k] += x * x
		}
		sv[k] = math.Sqrt(sv[k])
	}
	largest := max(sv[0], sv[1], sv[2])
	r := 0
	for _, s := range sv {
		if s > RankTolerance*largest {
			r++
		}
	}
	return r
}

// plainlySolid spares the rotations where there is no doubt. Of the squared singular values λ1 ≥ λ2 ≥ λ3 of the centred points, T is the
// sum and D the product: λ1·λ2 ≤ T²/4 and λ1 ≤ T, so λ3/λ1 ≥ 4D/T³. Above 1e-6 that is so far above the tolerance squared, 1e-18,
// and above what rounding does to D, about n·1e-16·T³, that there is no doubt for up to 1e8 points. Squares that overflow or vanish
// leave it to the rotations.
func plainlySolid(points []Point) bool {
	o := points[0] // differences from a point of their own lose nothing to where the points lie
	var x, y, z float64
	for i := range points {
		p := &points[i]
		x += p[0] - o[0]
		y += p[1] - o[1]
		z += p[2] - o[2]
	}
	n := float64(len(points))
	x, y, z = x/n, y/n, z/n
	var xx, yy, zz, xy, xz, yz float64
	for i := range points {
		p := &points[i]
		u, v, w := p[0]-o[0]-x, p[1]-o[1]-y, p[2]-o[2]-z
		xx += u * u
		yy += v * v
		zz += w * w
		xy += u * v
		xz += u * w
		yz += v * w
	}
	t := xx + yy + zz
	d := xx*(yy*zz-yz*yz) - xy*(xy*zz-yz*xz) + xz*(xy*yz-yy*xz)
	return n <= 1e8 && t > 1e-60 && 4*d > 1e-6*t*t*t
}

// ascending tells of points whose first coordinates ascend, as those of colours sorted by lightness do, that they are all different and none is refused,
// and what bounds gives.
func ascending(points []Point) (lo, hi Point, yes bool) {
	if len(points) == 0 {
		return lo, hi, false
	}
	lo, hi = points[0], points[0]
	zero := lo[0] - lo[0] // stays 0 while all are finite
	for i := range points {
		p := &points[i]
		if i > 0 && !(p[0] > hi[0]) {
			return lo, hi, false
		}
		hi[0] = p[0]
		zero += (p[1] - p[1]) + (p[2] - p[2])
		for k := 1; k < 3; k++ {
			if p[k] < lo[k] {
				lo[k] = p[k]
			}
			if p[k] > hi[k] {
				hi[k] = p[k]
			}
		}
	}
	yes = zero == 0
	for k := range 3 {
		yes = yes && lo[k] >= -MaxCoordinate && hi[k] <= MaxCoordinate
	}
	return lo, hi, yes
}

// plainlyFlat is the same in the plane, where λ2/λ1 ≥ λ1·λ2/T².
func plainlyFlat(points [][2]float64) bool {
	if len(points) == 0 {
		return false
	}
	o := points[0]
	var x, y float64
	for i := range points {
		x += points[i][0] - o[0]
		y += points[i][1] - o[1]
	}
	n := float64(len(points))
	x, y = x/n, y/n
	var xx, yy, xy float64
	for i := range points {
		u, v := points[i][0]-o[0]-x, points[i][1]-o[1]-y
		xx += u * u
		yy += v * v
		xy += u * v
	}
	t := xx + yy
	return n <= 1e8 && t > 1e-60 && t < 1e60 && xx*yy-xy*xy > 1e-6*t*t // what isn't finite is in no range
}

func bounds(points []Point) (lo, hi Point) {
	if len(points) == 0 {
		return lo, hi
	}
	lo, hi = points[0], points[0]
	for _, p := range points[1:] {
		for k, x := range p {
			lo[k] = min(lo[k], x)
			hi[k] = max(hi[k], x)
		}
	}
	return lo, hi
}

// volume sums signed tetrahedra from the centroid of the vertices.
func volume(points []Point, faces [][3]int32) float64 {
	var c Point
	for _, f := range faces {
		for _, v := range f {
			for k := range 3 {
				c[k] += points[v][k] / (3 * float64(len(faces)))
			}
		}
	}
	six := 0.0
	for _, f := range faces {
		six += determinant(&points[f[0]], &points[f[1]], &points[f[2]], &c)
	}
	return max(0, six/6)
}

// outer leaves out most points that are inside the hull by more than rounding: those well inside the octagon of the points that are farthest along the
// axes and the diagonals.
func outer(points [][2]float64) []Point {
	const ways = 8
	along := [ways][2]float64{{1, 0}, {1, 1}, {0, 1}, {-1, 1}, {-1, 0}, {-1, -1}, {0, -1}, {1, -1}}
	var corner [ways][2]float64
	for k, d := range along {
		top := math.Inf(-1)
		for i := range points {
			if m := d[0]*points[i][0] + d[1]*points[i][1]; m > top {
				corner[k], top = points[i], m
			}
		}
	}
	span := corner[0][0] - corner[4][0] + corner[2][1] - corner[6][1]
	var edge, from [ways][2]float64
	var margin [ways]float64
	edges := 0
	for k := range corner {
		p, q := corner[k], corner[(k+1)%ways]
		if p != q {
			x, y := q[0]-p[0], q[1]-p[1]
			edge[edges], from[edges], margin[edges] = [2]float64{x, y}, p, 1e-9*span*(math.Abs(x)+math.Abs(y))
			edges++
		}
	}
	var out []Point
	for i := range points {
		p := &points[i]
		inside := true
		for k := range edges {
			inside = inside && edge[k][0]*(p[1]-from[k][1])-edge[k][1]*(p[0]-from[k][0]) > margin[k]
		}
		if !inside {
			out = append(out, Point{p[0], p[1], 0})
		}
	}
	return out
}

// Area is the area of the convex hull of points in the plane, by Andrew's monotone chain (Andrew 1979, Information
// Processing Letters 9:216), without points that are well inside. The status is Flat for a body with area; otherwise the area is 0.
func Area(points [][2]float64) (float64, Status, error) {
	var space []Point
	if plainlyFlat(points) {
		space = outer(points)
	} else {
		for _, p := range points {
			space = append(space, Point{p[0], p[1], 0})
		}
		if err := check(space); err != nil {
			return 0, Empty, err
		}
		if status := statusOf(rank(space), len(space)); status != Flat {
			return 0, status, nil
		}
	}
	slices.SortFunc(space, func(p, q Point) int {
		if p[0] != q[0] {
			if p[0] < q[0] {
				return -1
			}
			return 1
		}
		return cmp.Compare(p[1], q[1])
	})
	space = slices.Compact(space)
	cross := func(o, a, b Point) float64 { return (a[0]-o[0])*(b[1]-o[1]) - (a[1]-o[1])*(b[0]-o[0]) }
	var ring []Point
	half := func(base int, p Point) {
		for len(ring) >= base+2 && cross(ring[len(ring)-2], ring[len(ring)-1], p) <= 0 {
			ring = ring[:len(ring)-1]
		}
		ring = append(ring, p)
	}
	for _, p := range space {
		half(0, p)
	}
	base := len(ring) - 1
	for i := len(space) - 2; i >= 0; i-- {
		half(base, space[i])
	}
	twice := 0.0
	for i := 2; i < len(ring); i++ {
		twice += cross(ring[0], ring[i-1], ring[i])
	}
	return max(0, twice/2), Flat, nil
}
