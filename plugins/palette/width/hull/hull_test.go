package hull

import (
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

// requireHull checks by exact rational arithmetic, independent of the grid, that no point lies above a face by more than the
// grid's step allows, that the faces close up, and Euler's V − E + F = 2 (analytic).
func requireHull(t require.TestingT, points []Point, b Body) {
	require.Equal(t, OK, b.Status)
	edges := map[[2]int]int{}
	for _, f := range b.Faces {
		for k := range 3 {
			edges[[2]int{f[k], f[(k+1)%3]}]++
		}
	}
	for e, n := range edges {
		require.Equal(t, 1, n, "edge %v used once in each direction", e)
		require.Equal(t, 1, edges[[2]int{e[1], e[0]}], "edge %v has its other side", e)
	}
	require.Equal(t, 2, len(b.Vertices)-len(edges)/2+len(b.Faces), "Euler")
	span := 0.0
	lo, hi := bounds(points)
	for k := range 3 {
		span = max(span, hi[k]-lo[k])
	}
	for _, f := range b.Faces {
		for i := range points {
			if floatHeight(points[f[0]], points[f[1]], points[f[2]], points[i]) < -span*span*span*1e-9 {
				continue // clearly below
			}
			h := exactHeight(points[f[0]], points[f[1]], points[f[2]], points[i])
			require.LessOrEqual(t, h, span*span*span*1e-11, "point %d above face %v", i, f)
		}
	}
}

func floatHeight(a, b, c, q Point) float64 {
	e, g, d := shifted([]Point{b}, scaled(a, -1))[0], shifted([]Point{c}, scaled(a, -1))[0], shifted([]Point{q}, scaled(a, -1))[0]
	return d[0]*(e[1]*g[2]-e[2]*g[1]) + d[1]*(e[2]*g[0]-e[0]*g[2]) + d[2]*(e[0]*g[1]-e[1]*g[0])
}

func exactHeight(a, b, c, q Point) float64 {
	var e, g, d [3]*big.Rat
	r := func(x float64) *big.Rat { return new(big.Rat).SetFloat64(x) }
	for k := range 3 {
		e[k] = new(big.Rat).Sub(r(b[k]), r(a[k]))
		g[k] = new(big.Rat).Sub(r(c[k]), r(a[k]))
		d[k] = new(big.Rat).Sub(r(q[k]), r(a[k]))
	}
	det := new(big.Rat)
	for k := range 3 {
		i, j := (k+1)%3, (k+2)%3
		x := new(big.Rat).Sub(new(big.Rat).Mul(e[i], g[j]), new(big.Rat).Mul(e[j], g[i]))
		det.Add(det, x.Mul(x, d[k]))
	}
	h, _ := det.Float64()
	return h
}

func box(lo, hi Point) []Point {
	var out []Point
	for i := range 8 {
		var p Point
		for k := range 3 {
			p[k] = lo[k]
			if i>>k&1 == 1 {
				p[k] = hi[k]
			}
		}
		out = append(out, p)
	}
	return out
}

func lattice(n int, step float64) []Point {
	var out []Point
	for i := range n {
		for j := range n {
			for k := range n {
				out = append(out, Point{float64(i) * step, float64(j) * step, float64(k) * step})
			}
		}
	}
	return out
}

func TestAnalyticSolids(t *testing.T) {
	thousand := slices.Repeat([]Point{{50, 10, -3}}, 1000)
	octahedron := []Point{{1, 0, 0}, {-1, 0, 0}, {0, 1, 0}, {0, -1, 0}, {0, 0, 1}, {0, 0, -1}}
	phi := math.Phi
	icosahedron := []Point{}
	for _, s := range [][2]float64{{1, 1}, {1, -1}, {-1, 1}, {-1, -1}} {
		a, c := s[0], s[1]*phi
		icosahedron = append(icosahedron, Point{0, a, c}, Point{a, c, 0}, Point{c, 0, a})
	}
	tests := []struct {
		name     string
		source   string
		points   []Point
		volume   float64
		vertices int
	}{
		{"box of Lab", "worked example computed by us", box(Point{40, -10, -5}, Point{60, 20, 35}), 24000, 8},
		{"five colours", "worked example computed by us",
			[]Point{{45, 35, 20}, {47, 33, 22}, {60, 10, 50}, {58, -20, 25}, {35, 5, -30}}, 690, 0},
		{"unit cube", "analytic", box(Point{}, Point{1, 1, 1}), 1, 8},
		{"cube of decimal lattice 0.1", "analytic", lattice(9, 0.1), 0.512, 0},
		{"cube of whole lattice", "analytic, faces exactly coplanar", lattice(11, 7), 343000, 0},
		{"octahedron", "analytic, 4/3", octahedron, 4.0 / 3, 6},
		{"tetrahedron", "analytic, 1/6", []Point{{}, {1, 0, 0}, {0, 1, 0}, {0, 0, 1}}, 1.0 / 6, 4},
		{"icosahedron of edge 2", "analytic, 5(3+√5)/12·8", icosahedron, 5 * (3 + math.Sqrt(5)) / 12 * 8, 12},
		{"thin slab of 0.01", "analytic", append(lattice2(20, 5, 50), lattice2(20, 5, 50.01)...), 95 * 95 * 0.01, 0},
		{"cube with a thousand equal points inside", "analytic", append(box(Point{40, 0, -10}, Point{60, 20, 10}), thousand...), 8000, 8},
		{"cube, each corner a thousand times", "analytic", slices.Repeat(box(Point{}, Point{2, 2, 2}), 1000), 8, 8},
		{"tiny cube far away", "analytic", box(Point{1e6, 1e6, 1e6}, Point{1e6 + 1, 1e6 + 1, 1e6 + 1}), 1, 8},
		{"huge cube", "analytic", box(Point{-1e80, -1e80, -1e80}, Point{1e80, 1e80, 1e80}), 8e240, 8},
		{"cube of 1e-90", "analytic", box(Point{}, Point{1e-90, 1e-90, 1e-90}), 1e-270, 8},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b, err := Solid(tt.points)
			require.NoError(t, err)
			assert.InEpsilon(t, tt.volume, b.Volume, 1e-12, tt.source)
			requireSameVolume(t, tt.points, b)
			if tt.vertices > 0 {
				assert.Len(t, b.Vertices, tt.vertices)
			}
			requireHull(t, tt.points, b)
		})
	}
}

// requireSameVolume: Volume is Solid without the names.
func requireSameVolume(t require.TestingT, points []Point, b Body) {
	v, status, err := Volume(points)
	require.NoError(t, err)
	require.Equal(t, b.Volume, v)
	require.Equal(t, b.Status, status)
}

func lattice2(n int, step, height float64) []Point {
	var out []Point
	for i := range n {
		for j := range n {
			out = append(out, Point{height, float64(i) * step, float64(j) * step})
		}
	}
	return out
}

// A whole-number lattice holds exactly the corners as extreme points (analytic).
func TestLatticeCornersOnly(t *testing.T) {
	points := lattice(6, 1)
	b, err := Solid(points)
	require.NoError(t, err)
	extreme := map[int]bool{}
	for _, f := range b.Faces {
		for _, v := range f {
			extreme[v] = true
		}
	}
	for i, p := range points {
		corner := (p[0] == 0 || p[0] == 5) && (p[1] == 0 || p[1] == 5) && (p[2] == 0 || p[2] == 5)
		if corner {
			assert.True(t, extreme[i], "corner %v", p)
		}
	}
}

// The whole-number points of the sphere x²+y²+z² = r² are exactly cospherical: every one is a vertex, also where more than three
// share a face (analytic). The volume of all whole-number points of a ball approaches 4πr³/3 from below.
func TestSphereLattice(t *testing.T) {
	const r2 = 2025 // 45²
	var shell, ball []Point
	for x := -45; x <= 45; x++ {
		for y := -45; y <= 45; y++ {
			for z := -45; z <= 45; z++ {
				p := Point{float64(x), float64(y), float64(z)}
				switch d := x*x + y*y + z*z; {
				case d == r2:
					shell = append(shell, p)
					ball = append(ball, p)
				case d < r2:
					ball = append(ball, p)
				}
			}
		}
	}
	b, err := Solid(shell)
	require.NoError(t, err)
	assert.Len(t, b.Vertices, len(shell))
	requireHull(t, shell, b)
	b, err = Solid(ball)
	require.NoError(t, err)
	sphere := 4 * math.Pi / 3 * 45 * 45 * 45
	assert.Less(t, b.Volume, sphere)
	assert.Greater(t, b.Volume, 0.97*sphere)
	for _, p := range shell {
		i := slices.Index(ball, p)
		assert.Contains(t, b.Vertices, i)
	}
}

func TestStatus(t *testing.T) {
	tests := []struct {
		name   string
		points []Point
		want   Status
	}{
		{"nothing", nil, Empty},
		{"one", []Point{{1, 2, 3}}, Single},
		{"a thousand equal", slices.Repeat([]Point{{50, 0.1, 0.3}}, 1000), Single},
		{"two", []Point{{1, 2, 3}, {3, 2, 1}}, Line},
		{"greys", []Point{{20, 0, 0}, {30, 0, 0}, {40, 0, 0}, {90, 0, 0}, {20, 0, 0}}, Line},
		{"slanted line of decimals", []Point{{0.1, 0.2, 0.3}, {0.2, 0.4, 0.6}, {0.3, 0.6, 0.9}, {0.7, 1.4, 2.1}, {1.1, 2.2, 3.3}}, Line},
		{"three", []Point{{1, 2, 3}, {3, 2, 1}, {0, 0, 9}}, Flat},
		{"plane", lattice2(10, 0.1, 50), Flat},
		{"slanted plane", []Point{{0, 0, 0}, {0.1, 0.1, 0.2}, {0.3, 0.1, 0.4}, {0.1, 0.7, 0.8}, {1.1, 2.3, 3.4}}, Flat},
		{"four", []Point{{}, {1, 0, 0}, {0, 1, 0}, {0, 0, 1e-6}}, OK},
		{"four within the tolerance of a plane", []Point{{}, {1, 0, 0}, {0, 1, 0}, {0, 0, 1e-10}}, Flat},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b, err := Solid(tt.points)
			require.NoError(t, err)
			assert.Equal(t, tt.want, b.Status)
			requireSameVolume(t, tt.points, b)
			if tt.want != OK {
				assert.Zero(t, b.Volume)
			} else {
				assert.Positive(t, b.Volume)
			}
		})
	}
}

func TestArea(t *testing.T) {
	square := [][2]float64{{-10, -5}, {20, -5}, {20, 35}, {-10, 35}, {0, 0}, {20, 35}, {5, -5}}
	tests := []struct {
		name   string
		points [][2]float64
		area   float64
		status Status
	}{
		{"box of Lab (worked example computed by us)", square, 1200, Flat},
		{"triangle (analytic)", [][2]float64{{0, 0}, {4, 0}, {0, 3}}, 6, Flat},
		{"line", [][2]float64{{0.1, 0.3}, {0.2, 0.6}, {0.7, 2.1}}, 0, Line},
		{"equal", [][2]float64{{1, 1}, {1, 1}}, 0, Single},
		{"nothing", nil, 0, Empty},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			area, status, err := Area(tt.points)
			require.NoError(t, err)
			assert.Equal(t, tt.status, status)
			assert.InDelta(t, tt.area, area, 1e-9)
		})
	}
}

func TestRefusesWhatIsNotFinite(t *testing.T) {
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), 1e91} {
		points := []Point{{}, {1, bad, 0}, {0, 1, 0}, {0, 0, 1}}
		_, err := Solid(points)
		var e *CoordinateError
		require.ErrorAs(t, err, &e)
		_, _, err = Volume(points)
		require.ErrorAs(t, err, &e)
		assert.Equal(t, 1, e.Index)
		assert.Equal(t, 1, e.Axis)
		_, _, err = Area([][2]float64{{0, 0}, {0, bad}})
		require.ErrorAs(t, err, &e)
		assert.Equal(t, 1, e.Index)
	}
}

// genPoints draws clouds that are often degenerate: small lattices, with repeats.
func genPoints(t *rapid.T) []Point {
	n := rapid.IntRange(1, 24).Draw(t, "n")
	size := rapid.IntRange(1, 6).Draw(t, "size")
	step := rapid.SampledFrom([]float64{1, 0.1, 0.01, 13.7}).Draw(t, "step")
	points := make([]Point, n)
	for i := range points {
		for k := range 3 {
			points[i][k] = float64(rapid.IntRange(0, size).Draw(t, "x")) * step
		}
	}
	return points
}

// Volume by another way: the sum over faces found by trying every three points (enumerated), on small whole numbers, where
// doubles are exact. Each supporting plane's polygon is measured once, as a pyramid from an inner point.
func enumeratedVolume(points []Point) float64 {
	var c Point
	for _, p := range points {
		for k := range 3 {
			c[k] += p[k] / float64(len(points))
		}
	}
	seen := map[string]bool{}
	total := 0.0
	for i := range points {
		for j := range points {
			for k := range points {
				var e, g, n Point
				for x := range 3 {
					e[x] = points[j][x] - points[i][x]
					g[x] = points[k][x] - points[i][x]
				}
				n = Point{e[1]*g[2] - e[2]*g[1], e[2]*g[0] - e[0]*g[2], e[0]*g[1] - e[1]*g[0]}
				if n == (Point{}) {
					continue
				}
				var on []int
				supporting := true
				for q := range points {
					h := 0.0
					for x := range 3 {
						h += n[x] * (points[q][x] - points[i][x])
					}
					if h > 0 {
						supporting = false
						break
					}
					if h == 0 {
						on = append(on, q)
					}
				}
				if !supporting || seen[fmt.Sprint(on)] {
					continue
				}
				seen[fmt.Sprint(on)] = true
				// Area in the plane's own two directions.
				u := scaled(e, 1/length(e))
				w := scaled(n, 1/length(n))
				v := Point{w[1]*u[2] - w[2]*u[1], w[2]*u[0] - w[0]*u[2], w[0]*u[1] - w[1]*u[0]}
				var plane [][2]float64
				for _, q := range on {
					plane = append(plane, [2]float64{dot(points[q], u), dot(points[q], v)})
				}
				area, _, _ := Area(plane)
				total += area * math.Abs(dot(points[i], w)-dot(c, w)) / 3
			}
		}
	}
	return total
}

func dot(a, b Point) float64           { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }
func length(a Point) float64           { return math.Sqrt(dot(a, a)) }
func scaled(a Point, by float64) Point { return Point{a[0] * by, a[1] * by, a[2] * by} }
func shifted(p []Point, by Point) []Point {
	out := make([]Point, len(p))
	for i := range p {
		for k := range 3 {
			out[i][k] = p[i][k] + by[k]
		}
	}
	return out
}

func TestSolidAgainstEnumeration(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 14).Draw(t, "n")
		points := make([]Point, n)
		for i := range points {
			for k := range 3 {
				points[i][k] = float64(rapid.IntRange(0, 5).Draw(t, "x"))
			}
		}
		b, err := Solid(points)
		require.NoError(t, err)
		if b.Status != OK {
			require.Zero(t, b.Volume)
			return
		}
		require.InEpsilon(t, enumeratedVolume(points), b.Volume, 1e-9)
	})
}

func TestSolidProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		points := genPoints(t)
		b, err := Solid(points)
		require.NoError(t, err)
		if b.Status == OK {
			requireHull(t, points, b)
		}
		scale := 1.0
		for _, p := range points {
			scale = max(scale, length(p))
		}
		tol := 1e-9 * scale * scale * scale
		// Order of the points (exactly), repeats (exactly), and a shift.
		mixed := slices.Clone(points)
		rand.New(rand.NewPCG(1, rapid.Uint64().Draw(t, "seed"))).Shuffle(len(mixed), func(i, j int) { mixed[i], mixed[j] = mixed[j], mixed[i] })
		m, err := Solid(mixed)
		require.NoError(t, err)
		require.Equal(t, b.Volume, m.Volume)
		require.Equal(t, b.Status, m.Status)
		d, err := Solid(append(slices.Clone(points), points...))
		require.NoError(t, err)
		require.Equal(t, b.Volume, d.Volume)
		requireSameVolume(t, points, b)
		s, err := Solid(shifted(points, Point{31.7, -12.3, 5.9}))
		require.NoError(t, err)
		require.Equal(t, b.Status, s.Status)
		require.InDelta(t, b.Volume, s.Volume, tol)
		// One more point never makes it smaller.
		more, err := Solid(append(slices.Clone(points), Point{2.5, 2.5, 2.5}))
		require.NoError(t, err)
		require.GreaterOrEqual(t, more.Volume, b.Volume-tol)
	})
}

// Rank against gonum's SVD as a second opinion.
func TestRankAgainstGonum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		points := genPoints(t)
		thin := rapid.SampledFrom([]float64{1, 1e-3, 1e-6, 1e-12, 0}).Draw(t, "thin")
		for i := range points {
			points[i][2] *= thin
			points[i] = Point{points[i][0] + points[i][2], points[i][1] - points[i][2], points[i][0] - points[i][1] + points[i][2]}
		}
		// Relative to one of them first, so that what rounding does is small against their extent, wherever they lie.
		from, mean := shifted(points, scaled(points[0], -1)), Point{}
		for _, p := range from {
			for k := range 3 {
				mean[k] += p[k] / float64(len(from))
			}
		}
		flat := []float64{}
		for _, p := range from {
			for k := range 3 {
				flat = append(flat, p[k]-mean[k])
			}
		}
		var svd mat.SVD
		require.True(t, svd.Factorize(mat.NewDense(len(points), 3, flat), mat.SVDNone))
		values := svd.Values(nil)
		want := 0
		for _, v := range values {
			if v > RankTolerance*values[0] {
				want++
			}
		}
		require.Equal(t, want, rank(points))
	})
}

// The exact test, the filter before it and big rationals agree on the sign, also for four points nearly in a plane.
func TestOrientAgainstRationals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var p [4]gridPoint
		near := rapid.Bool().Draw(t, "near")
		for i := range p {
			for k := range 3 {
				x := rapid.Int64Range(-(1<<39), 1<<39).Draw(t, "x")
				if near {
					x = x>>38*(1<<38) + rapid.Int64Range(-2, 2).Draw(t, "d")
				}
				p[i][k] = float64(x)
			}
		}
		b := &builder{p: p[:]}
		var q [4]Point
		for i := range p {
			q[i] = Point(p[i])
		}
		h := exactHeight(q[0], q[1], q[2], q[3])
		want := 0
		if h != 0 {
			want = int(math.Copysign(1, h))
		}
		require.Equal(t, want, b.orient(0, 1, 2, 3))
		f := b.newFace(0, 1, 2)
		above := b.above(&b.faces[f], 3)
		require.Equal(t, want > 0, above)
	})
}

func cloud(n int, shape string) []Point {
	rng := rand.New(rand.NewPCG(7, 7))
	out := make([]Point, n)
	for i := range out {
		p := Point{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}
		switch shape {
		case "sphere":
			p = scaled(p, 50/length(p))
		case "rounded":
			for k := range 3 {
				p[k] = math.Round(p[k]*150) / 10
			}
		default:
			p = scaled(p, 15)
		}
		out[i] = p
	}
	return out
}

func BenchmarkSolid(b *testing.B) {
	for _, c := range []struct {
		n     int
		shape string
	}{{12, "normal"}, {100, "normal"}, {500, "normal"}, {100_000, "normal"}, {100_000, "rounded"}, {100_000, "sphere"}, {1_000_000, "normal"}} {
		points := cloud(c.n, c.shape)
		b.Run(fmt.Sprintf("%s/%d", c.shape, c.n), func(b *testing.B) {
			begun := processorTime(b)
			for b.Loop() {
				if _, err := Solid(points); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64((processorTime(b)-begun).Microseconds())/1000/float64(b.N), "processor-ms/op")
		})
	}
}

// processorTime is what this process has had of the processors: what a busy machine takes away from it isn't in there.
func processorTime(b *testing.B) time.Duration {
	b.Helper()
	var r unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &r); err != nil {
		b.Fatal(err)
	}
	return time.Duration(r.Utime.Nano() + r.Stime.Nano())
}
