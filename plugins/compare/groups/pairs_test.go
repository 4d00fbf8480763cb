package groups

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// By hand from the levels of Ryan, Einot, Gabriel and Welsch: of four groups a set of two is held against alpha·2/4, sets of three and four against alpha.
func TestEverySetAboveAPairMustDiffer(t *testing.T) {
	p := map[string]float64{"ab": 0.01, "ac": 0.02, "ad": 0.001, "bc": 0.3, "bd": 0.002, "cd": 0.6, "abc": 0.03, "abd": 0.004, "acd": 0.04, "bcd": 0.2, "abcd": 0.001}
	var asked []string
	got, err := EveryTwo([]string{"a", "b", "c", "d"}, func(of []string) (*Test, error) {
		asked = append(asked, strings.Join(of, ""))
		return &Test{P: p[strings.Join(of, "")]}, nil
	})
	require.NoError(t, err)
	assert.Len(t, asked, len(p), "every set once")
	want := map[string]float64{"ab": 0.03, "ac": 0.04, "ad": 0.04, "bc": 0.6, "bd": 0.2, "cd": 1}
	for _, x := range got {
		assert.InDelta(t, want[x.First+x.Second], x.Adjusted, 1e-12, x.First+x.Second)
		assert.Equal(t, p[x.First+x.Second], x.Test.P)
	}
	// What can't be tested can't be found, and takes those with it that it is a set above.
	got, err = EveryTwo([]string{"a", "b", "c"}, func(of []string) (*Test, error) {
		if len(of) == 3 {
			return nil, nil
		}
		return &Test{P: 0.01}, nil
	})
	require.NoError(t, err)
	for _, x := range got {
		assert.Equal(t, 1.0, x.Adjusted)
	}
}

// Estimates have no p to adjust: of six groups 15 pairs are looked at, for place and for spread, and none of the 42 larger sets.
func TestEstimatesOfPairsLookAtPairsAlone(t *testing.T) {
	asked := 0
	look := func(of []string) (*Test, error) {
		asked++
		require.Len(t, of, 2)
		return &Test{F: 3}, nil
	}
	got, err := pairs([]string{"a", "b", "c", "d", "e", "f"}, EstimatesOnly, look, look)
	require.NoError(t, err)
	assert.Len(t, got, 15)
	assert.Equal(t, 2*15, asked)
	assert.Equal(t, 3.0, got[14].Spread.F)
}

// Of seven groups there are 21 pairs. Holm by hand: .001·21, .002·20, and 1 for what isn't tested.
func TestManyGroupsAreAdjustedByHolm(t *testing.T) {
	got, err := EveryTwo([]string{"a", "b", "c", "d", "e", "f", "g"}, func(of []string) (*Test, error) {
		require.Len(t, of, 2)
		switch strings.Join(of, "") {
		case "ab":
			return &Test{P: 0.001}, nil
		case "ac":
			return &Test{P: 0.002}, nil
		case "ad":
			return nil, nil
		}
		return &Test{P: 0.9}, nil
	})
	require.NoError(t, err)
	require.Len(t, got, 21)
	assert.InDelta(t, 0.021, got[0].Adjusted, 1e-12)
	assert.InDelta(t, 0.04, got[1].Adjusted, 1e-12)
	assert.Equal(t, 1.0, got[2].Adjusted)
	assert.Equal(t, 1.0, got[3].Adjusted)
}

// a stands beside b, b beside c, c beside d: sets such as a, b and d are asked by those that blocks join, or a and b could never be told apart.
func TestAChainOfGroups(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1))
	at := map[string]float64{"a": 0, "b": 12, "c": 12, "d": 24}
	var points []Point
	for i, two := range []string{"ab", "bc", "cd"} {
		for s := range 7 {
			for _, g := range strings.Split(two, "") {
				points = append(points, Point{g, fmt.Sprint(i, s), [3]float64{at[g] + rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}})
			}
		}
	}
	got, err := EveryTwo([]string{"a", "b", "c", "d"}, func(of []string) (*Test, error) {
		return PlaceOfJoined(context.Background(), only(points, of), 999, 1)
	})
	require.NoError(t, err)
	told := map[string]bool{}
	for _, x := range got {
		told[x.First+x.Second] = x.Test != nil && x.Adjusted <= 0.05
	}
	assert.Equal(t, map[string]bool{"ab": true, "ac": false, "ad": false, "bc": false, "bd": false, "cd": true}, told)
}
