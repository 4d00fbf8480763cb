package width

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// largePool is a question of a large cooperative: 200 groups over so many yarns, sessions of 25 pieces that hold five recipes of five
// groups each, with the noise of pots. Colours, sessions and recipes are invented.
func largePool(n, strata int) []Row {
	const groups, recipes = 200, 40
	rng := rand.New(rand.NewPCG(3, 4))
	centre := make([]colorimetry.Lab, groups*recipes)
	for i := range centre {
		centre[i] = colorimetry.Lab{L: 25 + 60*rng.Float64(), A: 70*rng.Float64() - 35, B: 80*rng.Float64() - 30}
	}
	noise := func() float64 { return 1.5 * rng.NormFloat64() }
	rows := make([]Row, 0, n)
	for session := 0; len(rows) < n; session++ {
		first, stratum := 5*rng.IntN(groups/5), fmt.Sprint("yarn ", rng.IntN(strata))
		block := fmt.Sprintf("session %07d", session)
		for k := 0; k < 25 && len(rows) < n; k++ {
			group, recipe := first+k%5, rng.IntN(recipes)
			c := centre[group*recipes+recipe]
			rows = append(rows, Row{ReadingID: fmt.Sprintf("%09d", len(rows)), Group: fmt.Sprint("group ", group), Block: block, Stratum: stratum,
				Cell: fmt.Sprint("recipe ", recipe), Lab: colorimetry.Lab{L: c.L + noise(), A: c.A + noise(), B: c.B + noise()}})
		}
	}
	return rows
}

// BenchmarkPool measures a palette question of 1e4 to 1e6 readings in 200 groups, over five yarns and over one.
func BenchmarkPool(b *testing.B) {
	for _, strata := range []int{5, 1} {
		for _, n := range []int{10_000, 100_000, 1_000_000} {
			b.Run(fmt.Sprintf("%d yarns/%d", strata, n), func(b *testing.B) {
				rows := largePool(n, strata)
				for b.Loop() {
					_, err := Measure(context.Background(), rows, Params{Seed: 1, Interval: true})
					require.NoError(b, err)
				}
			})
		}
	}
}
