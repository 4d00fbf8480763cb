package palette

import (
	"context"
	"fmt"

	"github.com/commonvat/commonvat/plugins/palette/width"
	"github.com/commonvat/commonvat/plugins/sdk/score"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
)

// scores serves palette.v2 beside version 1: figures of all cells of a group, without equal numbers, which version 1 has.
func scores(parameters []*describev1.Parameter) score.Method {
	plain := func(f func(context.Context, score.Group) (float64, error)) func(context.Context, score.Group) (float64, error) {
		return func(ctx context.Context, g score.Group) (float64, error) {
			if g.Number("equal_number") != 0 {
				return 0, score.NotComputed("figures at equal numbers are in version 1 of the contract")
			}
			return f(ctx, g)
		}
	}
	return score.Method{
		Name: Name, Version: Version, Parameters: parameters,
		Scores: []score.Score{
			{Name: "distinct_shades", Summary: "Cells that are pairwise at least the threshold apart, at most; no value where only bounds are known.", Unit: "1",
				HigherIsWider: true, LeastCells: 1, Of: plain(distinctShades)},
			{Name: "hull_volume", Summary: "Volume of the convex hull of the cells; no value when they lie in a plane.", Unit: "cubic CIELAB units",
				HigherIsWider: true, LeastCells: 4, Of: plain(hullVolume)},
			{Name: "dispersion", Summary: "Root mean square distance of the cells from their mean.", Unit: "CIELAB units",
				HigherIsWider: true, LeastCells: 2, Of: plain(dispersion)},
		},
	}
}

func distinctShades(ctx context.Context, g score.Group) (float64, error) {
	n, err := width.DistinctShades(ctx, g.Colours(), g.Number("threshold_de00"), width.DefaultSearchNodes)
	if err != nil {
		return 0, err
	}
	if n.Lower != n.Upper {
		return 0, score.NotComputed(fmt.Sprintf("between %d and %d", n.Lower, n.Upper))
	}
	return float64(n.Lower), nil
}

func hullVolume(_ context.Context, g score.Group) (float64, error) {
	h, err := width.Hull(g.Colours())
	if err == nil && h.Volume == 0 {
		err = score.NotComputed("the cells lie in a plane")
	}
	return h.Volume, err
}

func dispersion(_ context.Context, g score.Group) (float64, error) {
	d, ok := width.Dispersion(g.Colours())
	if !ok {
		return 0, score.NotComputed("fewer than 2 cells")
	}
	return d, nil
}
