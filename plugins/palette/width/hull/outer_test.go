package hull

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The area of many points is that between all pairs that have no point to their right, though most points were left out before.
func TestOuterPointsKeepTheArea(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 1))
	left := 0
	for round := range 120 {
		points := make([][2]float64, 3+rng.IntN(120))
		for i := range points {
			x, y := rng.NormFloat64(), rng.NormFloat64()
			switch r := math.Hypot(x, y); round % 6 {
			case 1: // on a circle
				x, y = x/r, y/r
			case 2: // on a lattice
				x, y = math.Round(2*x), math.Round(2*y)
			case 3: // thin
				y *= 1e-3
			case 4: // far off
				x, y = 1e6+x, -1e6+y
			case 5: // a triangle
				x, y = math.Abs(x)/(1+math.Abs(x)+math.Abs(y)), math.Abs(y)/(1+math.Abs(x)+math.Abs(y))
			}
			points[i] = [2]float64{x, y}
		}
		twice := 0.0
		for i, p := range points {
			for j, q := range points {
				x, y := q[0]-p[0], q[1]-p[1]
				edge := x != 0 || y != 0
				for k, r := range points {
					h, along := x*(r[1]-p[1])-y*(r[0]-p[0]), x*(r[0]-p[0])+y*(r[1]-p[1])
					// Of points on a line only the outermost two are an edge, and of points alike the first.
					edge = edge && h >= 0 && (h > 0 || along >= 0 && along <= x*x+y*y) && (r != p || k >= i) && (r != q || k >= j)
				}
				if edge {
					o := points[0]
					twice += (p[0]-o[0])*(q[1]-o[1]) - (p[1]-o[1])*(q[0]-o[0])
				}
			}
		}
		area, status, err := Area(points)
		require.NoError(t, err)
		require.Equal(t, Flat, status)
		require.InEpsilon(t, twice/2, area, 1e-9, "round %d", round)
		left += len(points) - len(outer(points))
	}
	assert.Greater(t, left, 1000)
}

// Points whose first coordinates ascend are made ready in another way; the volume is the same to the bit.
func TestAscendingPointsHaveTheSameVolume(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 2))
	for range 200 {
		points := make([]Point, 4+rng.IntN(100))
		for i := range points {
			points[i] = Point{float64(i) + rng.Float64(), 20 * rng.NormFloat64(), 20 * rng.NormFloat64()}
		}
		_, _, plain := ascending(points)
		require.True(t, plain)
		sorted, status, err := Volume(points)
		require.NoError(t, err)
		require.Equal(t, OK, status)
		rng.Shuffle(len(points), func(i, j int) { points[i], points[j] = points[j], points[i] })
		shuffled, err := Solid(points)
		require.NoError(t, err)
		require.Equal(t, sorted, shuffled.Volume)
	}
	many := make([]Point, mostKept+500) // with many of the same first coordinate, and some alike
	for i := range many {
		many[i] = Point{math.Round(10 * rng.NormFloat64()), math.Round(10 * rng.NormFloat64()), 10 * rng.Float64()}
		if i%7 == 0 {
			many[i][2] = 3
		}
	}
	slices.SortFunc(many, func(p, q Point) int { return slices.Compare(p[:], q[:]) })
	sorted, err := Solid(many)
	require.NoError(t, err)
	rng.Shuffle(len(many), func(i, j int) { many[i], many[j] = many[j], many[i] })
	shuffled, err := Solid(many)
	require.NoError(t, err)
	require.Equal(t, sorted.Volume, shuffled.Volume)
	require.Equal(t, sorted.Unique, shuffled.Unique)
	require.Less(t, sorted.Unique, len(many))
	for _, bad := range [][]Point{{{0, math.NaN(), 0}}, {{0, 0, 0}, {1, 0, math.Inf(1)}}, {{0, 2e90, 0}}, {{0, 0, 0}, {0, 1, 0}}, {{math.NaN(), 0, 0}}} {
		_, _, plain := ascending(bad)
		assert.False(t, plain, "%v", bad)
	}
}
