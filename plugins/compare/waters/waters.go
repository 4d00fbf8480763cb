// Package waters tells whether the water of the dye baths changes the colour, and whether that can be told from who dyed at all.
//
// # Method
//
// A recipe is everything of a cell but its water. Readings are averaged to cells of session, water and recipe; each water is described by
// its differences from a named reference, recipe by recipe.
//
// Test: a unit is a session's work in one water. A session that holds several waters is a block and its waters are exchanged within it, on the recipes
// that it holds in two of them or more. Sessions of one water are exchanged within their member, on the recipes that they hold in two waters between them. No other recipe counts:
// what one member dyed in one water and another in the other one tells of members too. Water is tested by the analysis of variance of package groups on the units.
//
// What recipes and units do to colour adds up. Both are fitted together by least squares, in each session of several waters and in each member alone, so that a unit that holds the
// deeper recipes isn't deeper for it. Where all recipes of a block stand in all of its units that is the mean over recipes. In one fit of all, what others' accidents made of a recipe
// went into all blocks alike, which passed for water where blocks hold recipes unevenly in the same way. Units that no chain of recipes joins in their block are never
// exchanged: what lies between them is not known. So neither a session's accidents nor a member's habits can pass for the water, as they do where recipes are exchanged: members
// who differ then make waters that differ.
//
// Of three waters or more every two are tested too, in the same way, with the chance of one false difference among all pairs held (groups.EveryTwo).
//
// Where no session and no member joins two waters, water and member can't be told apart, and that is the answer.
//
// Covariates of the waters (hardness, pH, iron): the number of observations is that of waters. Spearman's rank correlation with the mean
// difference from the reference, the reference itself left out, as its difference is 0 by construction; exact p up to 8 waters,
// otherwise draws; Holm.
package waters

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/commonvat/commonvat/plugins/compare/groups"
	"github.com/commonvat/commonvat/plugins/compare/orders"
	"github.com/commonvat/commonvat/plugins/palette/width"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Row is one reading of one piece.
type Row struct {
	ReadingID string // unique, not empty; rows are sorted by it
	Water     string // not empty
	Block     string // session; "" is not stated, the row is counted and left out
	Member    string // who dyed; "" is not stated: such sessions can't be exchanged
	Recipe    string // not empty; everything of the cell but the water
	Lab       colorimetry.Lab
}

// Params are what the answer depends on besides the rows. Zero stands for the default.
type Params struct {
	Reference    string // the water that others are held against; default: that of most recipes
	Closing      bool   // an experiment on this stands at its closing size: p and a verdict. Otherwise estimates only
	Alpha        float64
	Covariates   []Covariate
	Named        string  // the covariate named beforehand
	ToleranceDE  float64 // the difference that matters, for the outlook
	Permutations int     // 99 to 1e6; default 9,999
	Seed         uint64
	NoOutlook    bool // leaves it out, as for simulations
}

// Covariate is a figure of waters.
type Covariate struct {
	Name   string
	Values map[string]float64 // by water; waters without a value are left out
}

// The gates.
const (
	MinRecipes   = 6
	MinWaters    = 6   // for a covariate, beside the reference
	Inseparable  = 0.8 // |ρ| from which two covariates can't be told apart
	exactUpTo    = 8   // waters: 8! = 40,320 orders
	floorOfPairs = 2.2568
)

// Verdict is what can be said.
type Verdict string

// The verdicts.
const (
	Exploratory    Verdict = "exploratory"
	NotEnoughYet   Verdict = "not enough yet"
	CantTellApart  Verdict = "water and member can't be told apart"
	WatersDiffer   Verdict = "waters differ"
	NoAnswer       Verdict = "no answer at this size"
	mostCovariates         = 100
)

// Result is the answer. What does not exist is nil.
type Result struct {
	Params      Params
	Verdict     Verdict
	Sentence    string
	Missing     []string
	Waters      []Water // by label, the reference included
	Recipes     int     // that the test stands on: in two waters of one session, or of one member in sessions of one water each
	Sessions    int     // that hold these
	NoSession   int     // readings
	OneWater    int     // cells of recipes that their session or member has in no second water: left out of the test
	Apart       []string
	NoiseFloor  *float64     // the ΔE that two means of equal colours show on average; nil where nothing was repeated
	Test        *groups.Test // only when Closing
	Pairs       []Pair       // every two of three waters or more, by label; only with Test
	Covariates  []Correlation
	AboutWaters string // why there are no correlations, or ""
	// Outlook is for sessions that hold all waters side by side; nil where waters differ or stand apart, with few sessions or without noise.
	Outlook *groups.Outlook
}

// Water is one water against the reference.
type Water struct {
	Water             string
	Sessions, Members int
	// Recipes are those that stand side by side with the reference, in one session or with one member; where none does, those that anybody dyed in both.
	Recipes       int
	Difference    [3]float64 // mean over recipes of L*, a*, b* minus the reference, each session or member by itself
	MeanDE, MaxDE *float64   // of the recipes' CIEDE2000 to the reference; nil for the reference and without a shared recipe
}

// Correlation is a covariate over waters.
type Correlation struct {
	Name          string
	Waters        int
	Rho           float64
	P, PAdjusted  *float64 // only where waters are tested
	InseparableOf []string
}

func refuse(field, value, allowed string) error {
	return &colorimetry.FieldError{Field: field, Value: value, Allowed: allowed}
}

func (p Params) withDefaults() (Params, error) {
	if p.Alpha == 0 {
		p.Alpha = orders.DefaultAlpha
	}
	if p.Permutations == 0 {
		p.Permutations = groups.DefaultPermutations
	}
	switch {
	case !(p.Alpha >= 1e-6 && p.Alpha <= 0.5):
		return p, refuse("alpha", strconv.FormatFloat(p.Alpha, 'g', -1, 64), "0.000001 to 0.5")
	case p.Permutations < 99 || p.Permutations > 1e6:
		return p, refuse("permutations", strconv.Itoa(p.Permutations), "99 to 1000000")
	case len(p.Covariates) > mostCovariates:
		return p, refuse("covariates", strconv.Itoa(len(p.Covariates)), fmt.Sprintf("at most %d", mostCovariates))
	}
	for i, c := range p.Covariates {
		for _, w := range slices.Sorted(maps.Keys(c.Values)) {
			if x := c.Values[w]; math.IsNaN(x) || math.IsInf(x, 0) {
				return p, refuse(fmt.Sprintf("covariates[%d].values[%.60q]", i, w), strconv.FormatFloat(x, 'g', -1, 64), "a finite number")
			}
		}
	}
	return p, nil
}

type cell struct {
	session, water, recipe, member string
	sum                            [3]float64
	n                              float64
}

func (c *cell) mean() [3]float64 { return [3]float64{c.sum[0] / c.n, c.sum[1] / c.n, c.sum[2] / c.n} }

// Compare answers the question. It refuses bad rows and parameters with a *colorimetry.FieldError, for rows inside a *width.RowError,
// and otherwise fails only when ctx ends.
func Compare(ctx context.Context, rows []Row, params Params) (*Result, error) {
	p, err := params.withDefaults()
	if err != nil {
		return nil, err
	}
	r := &Result{}
	cells, err := averaged(rows, r)
	if err != nil {
		return nil, err
	}
	held, shown := sideBySide(cells), inTwo(cells)
	r.OneWater, r.Recipes, r.Sessions = len(cells)-len(held), distinct(held, recipeOf), distinct(held, sessionOf)
	points, arrangements := units(held)
	r.Apart = apart(points, shown)
	if len(r.Apart) == 0 && distinct(held, waterOf) == distinct(shown, waterOf) {
		shown = held // else all that there is, as nothing else tells of every water
	}
	if p.Reference == "" {
		p.Reference = usual(shown)
	}
	r.Params = p
	means := r.describe(cells, shown, p.Reference)
	r.NoiseFloor = noiseFloor(shown)
	if len(r.Apart) == 0 && len(r.Waters) > 1 {
		r.gate(p, points, arrangements)
	}
	if len(r.Waters) < 2 {
		r.Missing = append(r.Missing, "recipes dyed alike in a second water, each within one session")
	}
	if p.Closing && len(r.Apart) == 0 && len(r.Missing) == 0 {
		if r.Test, err = groups.Place(ctx, points, p.Permutations, p.Seed); err != nil {
			return nil, err
		}
		var names []string
		for _, w := range r.Waters {
			names = append(names, w.Water)
		}
		if r.Pairs, err = pairs(ctx, cells, shown, names, p); err != nil {
			return nil, err
		}
	}
	r.correlate(p, means)
	r.judge()
	if r.Verdict != WatersDiffer && len(r.Apart) == 0 && !p.NoOutlook {
		r.Outlook = groups.Plan(points, middle(shown), p.Alpha, p.ToleranceDE)
	}
	return r, nil
}

func averaged(rows []Row, r *Result) ([]*cell, error) {
	order, err := width.InOrder(len(rows), func(i int) (string, string, colorimetry.Lab) { return rows[i].ReadingID, rows[i].Recipe, rows[i].Lab })
	if err != nil {
		return nil, err
	}
	type key struct{ session, water, recipe string }
	at := map[key]*cell{}
	members := map[string]string{}
	var cells []*cell
	for _, i := range order {
		row := rows[i]
		bad := func(err error) error { return &width.RowError{Index: i, ReadingID: row.ReadingID, Err: err} }
		if row.Water == "" {
			return nil, bad(refuse("water", `""`, "a text that is not empty"))
		}
		if row.Block == "" {
			r.NoSession++
			continue
		}
		if m, ok := members[row.Block]; ok && m != row.Member {
			return nil, bad(refuse("member", fmt.Sprintf("%.60q", row.Member), fmt.Sprintf("that of the session's other rows, %.60q", m)))
		}
		members[row.Block] = row.Member
		k := key{row.Block, row.Water, row.Recipe}
		c := at[k]
		if c == nil {
			c = &cell{session: row.Block, water: row.Water, recipe: row.Recipe, member: row.Member}
			at[k] = c
			cells = append(cells, c)
		}
		c.n++
		for d, x := range [3]float64{row.Lab.L, row.Lab.A, row.Lab.B} {
			c.sum[d] += x
		}
	}
	slices.SortFunc(cells, func(a, b *cell) int {
		return cmp.Or(strings.Compare(a.session, b.session), strings.Compare(a.water, b.water), strings.Compare(a.recipe, b.recipe))
	})
	return cells, nil
}

// inTwo is the cells of recipes that stand in two waters or more, wherever.
func inTwo(cells []*cell) (out []*cell) {
	first, two := map[string]string{}, map[string]bool{} // by recipe
	for _, c := range cells {
		if w, known := first[c.recipe]; known && w != c.water {
			two[c.recipe] = true
		} else {
			first[c.recipe] = c.water
		}
	}
	for _, c := range cells {
		if two[c.recipe] {
			out = append(out, c)
		}
	}
	return out
}

func recipeOf(c *cell) string  { return c.recipe }
func sessionOf(c *cell) string { return c.session }
func waterOf(c *cell) string   { return c.water }

// distinct counts what cells have of one thing.
func distinct(cells []*cell, of func(*cell) string) int {
	seen := map[string]bool{}
	for _, c := range cells {
		seen[of(c)] = true
	}
	return len(seen)
}

// usual is the water of most recipes, the first by label of several.
func usual(cells []*cell) string {
	recipes := map[string]map[string]bool{}
	for _, c := range cells {
		if recipes[c.water] == nil {
			recipes[c.water] = map[string]bool{}
		}
		recipes[c.water][c.recipe] = true
	}
	best := ""
	for w, of := range recipes {
		if n := len(recipes[best]); len(of) > n || len(of) == n && w < best {
			best = w
		}
	}
	return best
}

// describe fills in the waters and returns the mean difference from the reference of the others.
func (r *Result) describe(cells, shown []*cell, reference string) map[string]float64 {
	sessions, members := map[string]map[string]bool{}, map[string]map[string]bool{}
	for _, c := range shown {
		if sessions[c.water] == nil {
			sessions[c.water], members[c.water] = map[string]bool{}, map[string]bool{}
		}
		sessions[c.water][c.session] = true
		if c.member != "" {
			members[c.water][c.member] = true
		}
	}
	means := map[string]float64{}
	for _, name := range slices.Sorted(maps.Keys(sessions)) {
		x := between(cells, shown, name, reference)
		w := Water{Water: name, Sessions: len(sessions[name]), Members: len(members[name]), Recipes: x.recipes, Difference: x.difference}
		if name == reference {
			w.Recipes = distinct(ofWaters(shown, name), recipeOf)
		}
		if name != reference && x.recipes > 0 {
			w.MeanDE, w.MaxDE = &x.meanDE, &x.mostDE
			means[name] = x.meanDE
		}
		r.Waters = append(r.Waters, w)
	}
	return means
}

func de(x, y [3]float64) float64 {
	return colorimetry.CIEDE2000(colorimetry.Lab{L: x[0], A: x[1], B: x[2]}, colorimetry.Lab{L: y[0], A: y[1], B: y[2]}, colorimetry.DefaultFactors)
}

// noiseFloor is 2.2568σ/√r, σ pooled over axes from the same recipe in the same water in several sessions, r the mean number of these.
func noiseFloor(cells []*cell) *float64 {
	type key struct{ water, recipe string }
	by := map[key][][3]float64{}
	var order []key
	for _, c := range cells {
		k := key{c.water, c.recipe}
		if by[k] == nil {
			order = append(order, k)
		}
		by[k] = append(by[k], c.mean())
	}
	ss, df, n := 0.0, 0.0, 0.0
	for _, k := range order {
		x := by[k]
		n += 1 / float64(len(x))
		var m [3]float64
		for _, v := range x {
			for d := range 3 {
				m[d] += v[d] / float64(len(x))
			}
		}
		for _, v := range x {
			for d := range 3 {
				ss += (v[d] - m[d]) * (v[d] - m[d])
			}
		}
		df += 3 * float64(len(x)-1)
	}
	if df == 0 {
		return nil
	}
	// The harmonic mean number of sessions behind a cell stands for r.
	floor := floorOfPairs * math.Sqrt(ss/df) * math.Sqrt(n/float64(len(order)))
	return &floor
}

// middle is the mean colour of the cells.
func middle(cells []*cell) (at [3]float64) {
	for _, c := range cells {
		for d, x := range c.mean() {
			at[d] += x / float64(len(cells))
		}
	}
	return at
}

// apart lists the waters of cells that can't be told from who dyed: those that no chain of sessions or members joins to the first of the points, and of those without a
// point the ones that no session holds beside another water.
func apart(points []groups.Point, cells []*cell) []string {
	var names, alone []string
	blocks := map[string][]string{}
	for _, p := range points {
		names = append(names, p.Group)
		blocks[p.Block] = append(blocks[p.Block], p.Group)
	}
	slices.Sort(names)
	names = slices.Compact(names)
	joined := map[string]bool{}
	if len(names) > 0 {
		joined[names[0]] = true
	}
	for again := true; again; {
		again = false
		for _, of := range blocks {
			if !slices.ContainsFunc(of, func(w string) bool { return joined[w] }) {
				continue
			}
			for _, w := range of {
				again = again || !joined[w]
				joined[w] = true
			}
		}
	}
	out := slices.DeleteFunc(slices.Clone(names), func(w string) bool { return joined[w] })
	inSession := map[string]string{} // a water of each
	beside := map[string]bool{}      // waters
	for _, c := range cells {
		if w, known := inSession[c.session]; known && w != c.water {
			beside[w], beside[c.water] = true, true
		}
		inSession[c.session] = c.water
	}
	for _, c := range cells {
		if !beside[c.water] && !slices.Contains(names, c.water) {
			alone = append(alone, c.water)
		}
	}
	slices.Sort(alone)
	if alone = slices.Compact(alone); len(names) == 0 && len(beside) == 0 && len(alone) > 0 {
		alone = alone[1:] // the first is what the others stand apart from
	}
	out = append(out, alone...)
	slices.Sort(out)
	return out
}

// gate says what is missing, in a dyer's words.
func (r *Result) gate(p Params, points []groups.Point, arrangements float64) {
	two := "both waters"
	if len(r.Waters) > 2 {
		two = "two of these waters"
	}
	if n := MinRecipes - r.Recipes; n > 0 {
		within := " within one session"
		if n > 1 {
			within = ", each within one session"
		}
		r.Missing = append(r.Missing, fmt.Sprintf("%d more %s dyed alike in %s%s", n, plural("recipe", n), two, within))
	}
	// The least p possible is about 2 over the number of arrangements; each session that holds two waters doubles it at least.
	if wanted := math.Log(2 / p.Alpha); arrangements < wanted-1e-9 {
		n := int(math.Ceil((wanted-arrangements)/math.Ln2 - 1e-9))
		r.Missing = append(r.Missing, fmt.Sprintf("%d more %s with %s side by side on one recipe", n, plural("session", n), two))
	}
	if len(r.Waters) < 3 || len(points) == 0 {
		return // then it is these sessions that are missing
	}
	for _, w := range r.Waters { // what no session holds beside another water, on one recipe, isn't tested
		if !slices.ContainsFunc(points, func(x groups.Point) bool { return x.Group == w.Water }) {
			r.Missing = append(r.Missing, fmt.Sprintf("a session that holds one recipe in %s and in another of these waters", w.Water))
		}
	}
}

func plural(noun string, n int) string {
	if n == 1 {
		return noun
	}
	return noun + "s"
}

func (r *Result) judge() {
	switch {
	case len(r.Apart) > 0:
		r.Verdict = CantTellApart
		r.Sentence = fmt.Sprintf("water and member can't be told apart: nobody dyed one recipe in %s and in any other of these waters; a session in one common water, such as demineralised, by each of them would help",
			strings.Join(r.Apart, " or "))
	case !r.Params.Closing:
		r.Verdict, r.Sentence = Exploratory, "exploratory, no verdict"
		if len(r.Missing) > 0 {
			r.Sentence += "; missing: " + strings.Join(r.Missing, " and ")
		}
	case len(r.Missing) > 0 || r.Test == nil:
		r.Verdict, r.Sentence = NotEnoughYet, "not enough yet: "+strings.Join(r.Missing, " and ")
		if len(r.Missing) == 0 {
			r.Sentence = "not enough yet: the colours do not vary at all"
		}
	case r.Test.P <= r.Params.Alpha:
		r.Verdict, r.Sentence = WatersDiffer, "the waters give different colours"
		var told []string
		for _, pair := range r.Pairs {
			if pair.PAdjusted != nil && *pair.PAdjusted <= r.Params.Alpha {
				told = append(told, pair.First+" from "+pair.Second)
			}
		}
		switch {
		case len(told) > 0:
			r.Sentence += "; told apart by themselves, over all pairs: " + strings.Join(told, ", ")
		case len(r.Pairs) > 0:
			r.Sentence += "; which of them from which can't be told at this size"
		}
	default:
		r.Verdict, r.Sentence = NoAnswer, "no answer at this size: the waters can't be told apart by their colours"
	}
}
