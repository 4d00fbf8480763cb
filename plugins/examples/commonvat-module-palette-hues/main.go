// Command commonvat-module-palette-hues is a worked example: a palette score that weighs hues by their chroma.
package main

import (
	"context"
	"math"

	"github.com/commonvat/commonvat/plugins/sdk/score"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
)

func main() { score.Serve(method) }

var method = score.Method{
	Name: "palette-hues", Version: "0.1.0", Author: "The Commonvat Authors",
	Summary: "The module's own method: 1 less the length of the mean chroma vector over the mean chroma; 0 for one hue, 1 for hues in balance.",
	Scores: []score.Score{{Name: "hue_spread", Summary: "How evenly hues surround grey, weighted by chroma.", Unit: "1",
		HigherIsWider: true, LeastCells: 2, Of: hueSpread}},
	Laws: []*describev1.LawPromise{score.Law(describev1.Law_LAW_ORDER_FREE), score.Law(describev1.Law_LAW_REPLICATION_FREE)},
}

func hueSpread(_ context.Context, g score.Group) (float64, error) {
	var a, b, chroma float64
	for _, c := range g.Colours() {
		a, b, chroma = a+c.A, b+c.B, chroma+math.Hypot(c.A, c.B)
	}
	if chroma == 0 {
		return 0, score.NotComputed("all cells are grey")
	}
	return max(0, 1-math.Hypot(a, b)/chroma), nil
}
