package hull

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// meanOfSubsets makes the hull of every subset of m.
func meanOfSubsets(t *testing.T, points []Point, m int) float64 {
	t.Helper()
	sum, n := 0.0, 0
	var choose func(from int, chosen []Point)
	choose = func(from int, chosen []Point) {
		if len(chosen) == m {
			v, _, err := Volume(chosen)
			require.NoError(t, err)
			sum, n = sum+v, n+1
			return
		}
		for i := from; i <= len(points)-(m-len(chosen)); i++ {
			choose(i+1, append(chosen, points[i]))
		}
	}
	choose(0, make([]Point, 0, m))
	return sum / float64(n)
}

func TestExpectedIsTheMeanOfAllSubsets(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 6))
	for n := 4; n <= 11; n++ {
		for _, thin := range []float64{1, 1e-4} {
			points := make([]Point, n)
			for i := range points {
				points[i] = Point{50 + 30*rng.NormFloat64(), 30 * rng.NormFloat64(), thin * rng.NormFloat64()}
			}
			for m := 4; m <= n; m++ {
				got, general, err := Expected(points, m)
				require.NoError(t, err)
				require.True(t, general)
				assert.InEpsilon(t, meanOfSubsets(t, points, m), got, 1e-9, "%d of %d", m, n)
				rng.Shuffle(n, func(i, j int) { points[i], points[j] = points[j], points[i] })
				again, _, err := Expected(points, m)
				require.NoError(t, err)
				assert.InEpsilon(t, got, again, 1e-12, "in another order")
			}
		}
	}
}

// Of a tetrahedron and a point inside, one subset of four has its whole volume and the others share it.
func TestExpectedOfATetrahedron(t *testing.T) {
	points := []Point{{0, 0, 0}, {6, 0, 0}, {0, 6, 0}, {0, 0, 6}, {1, 1.25, 1.5}} // of volume 36
	for m, want := range map[int]float64{4: 2 * 36 / 5., 5: 36} {
		got, general, err := Expected(points, m)
		require.NoError(t, err)
		assert.True(t, general)
		assert.InEpsilon(t, want, got, 1e-12)
	}
}

// A point that a face misses by a last bit is on its side, and one in the face's plane is found out.
func TestExpectedNearAPlane(t *testing.T) {
	points := []Point{{0, 0, 0}, {1, 0, 0}, {0, 1, 0}, {0, 0, 1}, {0.25, 0.25, 0}}
	_, general, err := Expected(points, 4)
	require.NoError(t, err)
	assert.False(t, general, "four in a plane")
	for _, off := range []float64{0x1p-38, -0x1p-38} { // far below what the test in numbers of 53 bits is sure of
		points[4][2] = off
		got, general, err := Expected(points, 5)
		require.NoError(t, err)
		assert.True(t, general)
		assert.InEpsilon(t, 1./6+max(0, -off)/6, got, 1e-13)
	}
}

// Points of a plane that is tilted lie beside it by what rounding leaves; they have no volume, as Solid says, and none of 1e-11.
func TestExpectedOfATiltedPlane(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 20 {
		points := make([]Point, 8)
		for i := range points {
			x, y := 20+60*rng.Float64(), 40*rng.NormFloat64()
			points[i] = Point{x, y, 0.3*x - 0.7*y + 1.1}
		}
		_, status, err := Volume(points)
		require.NoError(t, err)
		require.Equal(t, Flat, status)
		_, general, err := Expected(points, 6)
		require.NoError(t, err)
		assert.False(t, general)
	}
}

func TestExpectedElse(t *testing.T) {
	line := make([]Point, 9)
	alike := make([]Point, 9)
	for i := range line {
		line[i] = Point{float64(i), 2 * float64(i), 3}
		alike[i] = Point{1, 2, 3}
	}
	many := make([]Point, mostExpected+1)
	for i := range many {
		x := float64(i)
		many[i] = Point{x, x * x, x * x * x} // no four in a plane
	}
	for name, points := range map[string][]Point{"line": line, "alike": alike, "none": nil, "many": many, "two alike": {{0, 0, 0}, {1, 0, 0}, {0, 1, 0}, {0, 0, 1}, {0, 0, 1}}} {
		_, general, err := Expected(points, 4)
		require.NoError(t, err, name)
		assert.False(t, general, name)
	}
	for _, m := range []int{-1, 0, 3, 10} {
		_, general, err := Expected(many[:9], m)
		require.NoError(t, err)
		assert.False(t, general, m)
	}
	got, general, err := Expected(many[:mostExpected], mostExpected)
	require.NoError(t, err)
	assert.True(t, general)
	want, _, err := Volume(many[:mostExpected])
	require.NoError(t, err)
	assert.InEpsilon(t, want, got, 1e-9)
	var refused *CoordinateError
	_, _, err = Expected([]Point{{}, {1}, {0, 1}, {0, 0, math.NaN()}}, 4)
	require.ErrorAs(t, err, &refused)
	assert.Equal(t, 3, refused.Index)
}

// BenchmarkExpected holds the mean of all subsets against going through as many as are drawn.
func BenchmarkExpected(b *testing.B) {
	rng := rand.New(rand.NewPCG(3, 1))
	points := make([]Point, 12)
	for i := range points {
		points[i] = Point{50 + 15*rng.NormFloat64(), 20 * rng.NormFloat64(), 20 * rng.NormFloat64()}
	}
	b.Run("32 hulls of 6", func(b *testing.B) {
		for b.Loop() {
			for range 32 {
				if _, _, err := Volume(points[:6]); err != nil {
					b.Fatal(err)
				}
			}
		}
	})
	b.Run("all of 12", func(b *testing.B) {
		for b.Loop() {
			if _, _, err := Expected(points, 6); err != nil {
				b.Fatal(err)
			}
		}
	})
}
