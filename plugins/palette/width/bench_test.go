package width

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// BenchmarkSmallPool is the size of a small cooperative's question: three groups in one stratum, ten sessions, ten recipes
// each, with the noise of pots.
func BenchmarkSmallPool(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	var rows []Row
	for group := range 3 {
		for recipe := range 10 {
			centre := colorimetry.Lab{L: 40 + 40*rng.Float64(), A: 60*rng.Float64() - 35, B: 80*rng.Float64() - 30}
			for session := range 10 {
				rows = append(rows, Row{
					ReadingID: fmt.Sprintf("%d-%02d-%02d", group, recipe, session), Group: fmt.Sprint(group),
					Block: fmt.Sprint("session ", session), Cell: fmt.Sprint("recipe ", recipe),
					Lab: colorimetry.Lab{L: centre.L + 1.5*rng.NormFloat64(), A: centre.A + 1.5*rng.NormFloat64(), B: centre.B + 1.5*rng.NormFloat64()},
				})
			}
		}
	}
	for b.Loop() {
		_, err := Measure(context.Background(), rows, Params{Seed: 1, Interval: true})
		require.NoError(b, err)
	}
}
