package hull

import (
	"math"
	"slices"
)

// mostExpected is the most points that Expected takes, as its memory grows with their cube.
const mostExpected = 128

// Expected is the mean volume, in the cube of the coordinates' unit, of the hulls of all subsets of m of n points, 4 ≤ m ≤ n ≤ 128, without making any
// of them.
//
// The derivation is our own, and the tests hold it against enumeration. Three points are a face of a subset's hull where the subset has all three, and
// none of the points on one side of their plane. So the mean is a sum over all triples: the signed tetrahedron from the centroid to the triple, times
// the share of subsets of which it is a face seen from above less the share of which it is one seen from below. That takes Tests(n) tests of a point
// against a plane, as exact as those of Solid.
//
// general is false for other m and n, where some four of the points lie in a plane, and where Solid calls all of them flat: the subsets must then be
// measured one by one. Errors are those of Solid.
func Expected(points []Point, m int) (mean float64, general bool, err error) {
	n := len(points)
	if m < 4 || m > n || n > mostExpected {
		return 0, false, nil
	}
	if err := check(points); err != nil {
		return 0, false, err
	}
	if rank(points) < 3 { // on the grid points of a tilted plane lie beside it
		return 0, false, nil
	}
	b := newBuilder()
	defer b.release()
	lo, hi := bounds(points)
	b.p = ontoGrid(points, lo, hi, b.p)
	if !b.countAbove() {
		return 0, false, nil
	}
	var centroid Point
	for i := range points {
		for k := range 3 {
			centroid[k] += points[i][k] / float64(n)
		}
	}
	share := faceShares(n, m)
	six := 0.0
	for i := range n - 2 {
		for j := i + 1; j < n-1; j++ {
			for k, above := range b.above3[(i*n+j)*n:][:n] {
				if w := share[above] - share[n-3-int(above)]; k > j && w != 0 {
					six += w * determinant(&points[i], &points[j], &points[k], &centroid)
				}
			}
		}
	}
	return max(0, six/6), true, nil
}

// Tests is how many tests of a point against a plane Expected makes for n points: one for every four.
func Tests(n int) float64 {
	x := float64(n)
	return x * (x - 1) * (x - 2) * (x - 3) / 24
}

// faceShares gives, for each number of points on one side of a triple, 0 to n−3, the share of subsets of m of n points that hold the triple and none
// of those.
func faceShares(n, m int) []float64 {
	out := make([]float64, n-2)
	for a := range out {
		share := float64(m) * float64(m-1) * float64(m-2) / (float64(n) * float64(n-1) * float64(n-2))
		for t := range m - 3 {
			share *= float64(max(0, n-3-a-t)) / float64(n-3-t)
		}
		out[a] = share
	}
	return out
}

// countAbove counts for each i < j < k the points of the grid above their plane, from where they stand anticlockwise, in above3[(i·n+j)·n+k]. It is false where
// four lie in a plane.
//
// One test tells of four points where each lies: with l > k above i, j, k, so is j above i, k, l, while k lies below i, j, l, and i below j, k, l.
func (b *builder) countAbove() bool {
	n := len(b.p)
	b.above3 = slices.Grow(b.above3[:0], n*n*n)[:n*n*n]
	clear(b.above3)
	from := make([]gridPoint, n) // relative to the first
	long := make([]float64, n)
	for i := range n - 3 {
		for q := i + 1; q < n; q++ {
			d := gridPoint{b.p[q][0] - b.p[i][0], b.p[q][1] - b.p[i][1], b.p[q][2] - b.p[i][2]}
			from[q], long[q] = d, math.Sqrt(d[0]*d[0]+d[1]*d[1]+d[2]*d[2])
		}
		for j := i + 1; j < n-2; j++ {
			e := &from[j]
			ij := b.above3[(i*n+j)*n:][:n]
			for k := j + 1; k < n-1; k++ {
				g := &from[k]
				x, y, z := e[1]*g[2]-e[2]*g[1], e[2]*g[0]-e[0]*g[2], e[0]*g[1]-e[1]*g[0]
				doubt := doubtOf(long[j] * long[k])
				ik, jk := b.above3[(i*n+k)*n:][:n], b.above3[(j*n+k)*n:][:n]
				for l := k + 1; l < n; l++ {
					d := &from[l]
					h := x*d[0] + y*d[1] + z*d[2]
					if math.Abs(h) <= doubt {
						side := b.orient(int32(i), int32(j), int32(k), int32(l))
						if side == 0 {
							return false
						}
						h = float64(side)
					}
					below := uint8(math.Float64bits(h) >> 63) // without a branch, as it is the one as often as the other
					ij[k] += 1 - below
					ik[l] += 1 - below
					ij[l] += below
					jk[l] += below
				}
			}
		}
	}
	return true
}

// determinant is six times the signed volume of the tetrahedron from o to three points.
func determinant(p, q, r, o *Point) float64 {
	var d [3]Point
	for k := range 3 {
		d[0][k], d[1][k], d[2][k] = p[k]-o[k], q[k]-o[k], r[k]-o[k]
	}
	return d[0][0]*(d[1][1]*d[2][2]-d[1][2]*d[2][1]) +
		d[0][1]*(d[1][2]*d[2][0]-d[1][0]*d[2][2]) +
		d[0][2]*(d[1][0]*d[2][1]-d[1][1]*d[2][0])
}
