package waters

import (
	"context"
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
	held := func(of ...string) []*cell {
		return sideBySide(slices.DeleteFunc(slices.Clone(cells), func(c *cell) bool { return !slices.Contains(of, c.water) }))
	}
	twos, err := groups.EveryTwo(names, func(of []string) (*groups.Test, error) {
		points, _ := units(held(of...))
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
		of := held(two.First, two.Second)
		if len(of) == 0 {
			of = shown
		}
		d := between(byRecipe(of), two.First, two.Second)
		out[i].Recipes, out[i].Difference = d.recipes, d.difference
		if d.recipes > 0 {
			out[i].MeanDE = &d.meanDE
		}
	}
	return out, nil
}

// recipeIn is a recipe in a water.
type recipeIn struct{ water, recipe string }

// byRecipe adds up the cells of each recipe in each water, with their number.
func byRecipe(cells []*cell) map[recipeIn]*[4]float64 {
	sums := map[recipeIn]*[4]float64{}
	for _, c := range cells {
		k := recipeIn{c.water, c.recipe}
		if sums[k] == nil {
			sums[k] = &[4]float64{}
		}
		for d, x := range c.mean() {
			sums[k][d] += x
		}
		sums[k][3]++
	}
	return sums
}

// apartness is how two waters differ over the recipes that both have.
type apartness struct {
	recipes        int
	difference     [3]float64 // mean of the first minus the second
	meanDE, mostDE float64
}

func between(sums map[recipeIn]*[4]float64, first, second string) (x apartness) {
	var recipes []string
	for k := range sums {
		if k.water == first && sums[recipeIn{second, k.recipe}] != nil {
			recipes = append(recipes, k.recipe)
		}
	}
	slices.Sort(recipes)
	x.recipes = len(recipes)
	for _, recipe := range recipes {
		a, b := meanOf(sums[recipeIn{first, recipe}]), meanOf(sums[recipeIn{second, recipe}])
		for d := range 3 {
			x.difference[d] += (a[d] - b[d]) / float64(len(recipes))
		}
		e := de(b, a)
		x.meanDE += e / float64(len(recipes))
		x.mostDE = max(x.mostDE, e)
	}
	return x
}
