package waters

import (
	"context"
	"maps"
	"slices"

	"github.com/commonvat/commonvat/plugins/compare/groups"
)

// Pair is two of three waters or more against each other.
type Pair struct {
	First, Second string
	Recipes       int        // dyed in both side by side, or, where none was, by anybody
	Difference    [3]float64 // mean over these of L*, a*, b* of the first minus the second
	MeanDE        *float64   // of these recipes' CIEDE2000; nil without one
	// P is nil where no session and no member joins the two. PAdjusted is held over all pairs, see groups.EveryTwo, with what can't be tested as
	// not found.
	P, PAdjusted *float64
}

// pairs tests every two of the waters as if only those had been dyed in, and every set of them that groups.EveryTwo asks for. It is nil of two waters. What two waters of which
// nothing stands side by side look like is told of the cells shown.
func pairs(ctx context.Context, cells, shown []*cell, names []string, p Params) ([]Pair, error) {
	if len(names) < 3 {
		return nil, nil
	}
	twos, err := groups.EveryTwo(names, func(of []string) (*groups.Test, error) {
		points, _ := units(sideBySide(ofWaters(cells, of...)))
		return groups.PlaceOfJoined(ctx, points, p.Permutations, p.Seed)
	})
	if err != nil {
		return nil, err
	}
	out := make([]Pair, len(twos))
	for i, two := range twos {
		out[i] = Pair{First: two.First, Second: two.Second}
		if two.Test != nil {
			out[i].P, out[i].PAdjusted = &two.Test.P, &two.Adjusted
		}
		d := between(cells, shown, two.First, two.Second)
		out[i].Recipes, out[i].Difference = d.recipes, d.difference
		if d.recipes > 0 {
			out[i].MeanDE = &d.meanDE
		}
	}
	return out, nil
}

// between is how two waters differ over the recipes that stand side by side in them, each place by itself: what its dyer does otherwise than others
// is then in both of its means and not in their difference. Where nothing of the two stands side by side, it is over the cells shown, of
// recipes that anybody dyed in both, as nothing else tells of them.
func between(cells, shown []*cell, first, second string) (x apartness) {
	of := sideBySide(ofWaters(cells, first, second))
	placeOf := placing(of)
	if len(of) == 0 {
		of, placeOf = ofWaters(shown, first, second), func(c *cell) place { return place{recipe: c.recipe} }
	}
	places := map[place]*[2]total{}
	var order []place
	for _, c := range of {
		k := placeOf(c)
		if places[k] == nil {
			places[k] = &[2]total{}
			order = append(order, k)
		}
		which := 0
		if c.water == second {
			which = 1
		}
		places[k][which].add(c.mean(), 1)
	}
	recipes := map[string]*[2]total{}
	for _, k := range order {
		a, b := &places[k][0], &places[k][1]
		if a.n == 0 || b.n == 0 {
			continue
		}
		if recipes[k.recipe] == nil {
			recipes[k.recipe] = &[2]total{}
		}
		weight := a.n * b.n / (a.n + b.n) // of a difference of two means of like cells
		recipes[k.recipe][0].add(a.mean(), weight)
		recipes[k.recipe][1].add(b.mean(), weight)
	}
	x.recipes = len(recipes)
	for _, recipe := range slices.Sorted(maps.Keys(recipes)) {
		a, b := recipes[recipe][0].mean(), recipes[recipe][1].mean()
		for d := range 3 {
			x.difference[d] += (a[d] - b[d]) / float64(len(recipes))
		}
		e := de(b, a)
		x.meanDE += e / float64(len(recipes))
		x.mostDE = max(x.mostDE, e)
	}
	return x
}

// total is weighted colours added up, L*, a*, b*.
type total struct {
	sum [3]float64
	n   float64
}

func (t *total) add(colour [3]float64, weight float64) {
	t.n += weight
	for d, x := range colour {
		t.sum[d] += weight * x
	}
}

func (t *total) mean() [3]float64 { return [3]float64{t.sum[0] / t.n, t.sum[1] / t.n, t.sum[2] / t.n} }

func ofWaters(cells []*cell, names ...string) []*cell {
	return slices.DeleteFunc(slices.Clone(cells), func(c *cell) bool { return !slices.Contains(names, c.water) })
}

// apartness is how two waters differ over the recipes that both have.
type apartness struct {
	recipes        int
	difference     [3]float64 // mean of the first minus the second
	meanDE, mostDE float64
}
