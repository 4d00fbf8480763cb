package cli

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// partOfAnswer is one part of an answer as a table of everything in it, for CSV.
type partOfAnswer struct {
	name string
	of   func(*poolv1.AskPaletteResponse) output.Grid
}

// paletteParts are those that --part takes, in the order in which they are named.
var paletteParts = []partOfAnswer{
	{"groups", groupGrid}, {"pairs", pairGrid}, {"effects", effectGrid}, {"cells", cellGrid}, {"blanks", blankGrid}, {"judgements", judgementGrid},
	{"waters", watersGrid}, {"water-pairs", waterPairGrid}, {"water-figures", waterFigureGrid}, {"apart", apartGrid}, {"left-out", leftOutGrid}, {"scores", scoreGrid},
}

func partNames() string {
	names := make([]string, len(paletteParts))
	for i, p := range paletteParts {
		names[i] = p.name
	}
	return strings.Join(names, ", ")
}

// differenceCells are L*, a*, b* of a difference that may be absent.
func differenceCells(d *typesv1.LabDifference) []any {
	if d == nil {
		return []any{nil, nil, nil}
	}
	return []any{d.GetL(), d.GetA(), d.GetB()}
}

func effectGrid(r *poolv1.AskPaletteResponse) output.Grid {
	g := output.Grid{Title: "whether order changes the colour", Columns: []string{"first", "second", "verdict", "sessions", "difference_l", "difference_a", "difference_b", "de00",
		"upper_de00", "tolerance_de00", "median_de00", "p", "p_adjusted", "cells_differ_p", "repeatability_mcdm", "repeats", "missing", "statement", "outlook"}}
	for _, pair := range r.GetPairs() {
		e := pair.GetEffect()
		if e == nil {
			continue
		}
		row := []any{pair.GetFirst(), pair.GetSecond(), words.Show(e.GetVerdict()), e.GetSessions()}
		row = append(row, differenceCells(e.GetDifference())...)
		g.Add(append(row, maybe(e.De00), maybe(e.UpperDe00), e.GetToleranceDe00(), maybe(e.MedianDe00), maybe(e.P), maybe(e.PAdjusted), maybe(e.CellsDifferP),
			maybe(e.RepeatabilityMcdm), e.GetRepeats(), strings.Join(e.GetMissing(), "; "), e.GetStatement(), e.GetOutlook())...)
	}
	return g
}

func cellGrid(r *poolv1.AskPaletteResponse) output.Grid {
	g := output.Grid{Title: "the order by cells", Columns: []string{"first", "second", "cell", "sessions", "difference_l", "difference_a", "difference_b", "de00", "p_adjusted"}}
	for _, pair := range r.GetPairs() {
		for _, c := range pair.GetEffect().GetCells() {
			row := append([]any{pair.GetFirst(), pair.GetSecond(), c.GetCell(), c.GetSessions()}, differenceCells(c.GetDifference())...)
			g.Add(append(row, c.GetDe00(), maybe(c.PAdjusted))...)
		}
	}
	return g
}

func blankGrid(r *poolv1.AskPaletteResponse) output.Grid {
	g := output.Grid{Title: "blank arms", Columns: []string{"first", "second", "what", "sessions", "difference_l", "difference_a", "difference_b", "de00", "upper_de00", "p", "p_adjusted"}}
	for _, pair := range r.GetPairs() {
		for _, b := range pair.GetEffect().GetBlanks() {
			row := append([]any{pair.GetFirst(), pair.GetSecond(), b.GetWhat(), b.GetSessions()}, differenceCells(b.GetDifference())...)
			g.Add(append(row, b.GetDe00(), maybe(b.UpperDe00), maybe(b.P), maybe(b.PAdjusted))...)
		}
	}
	return g
}

func judgementGrid(r *poolv1.AskPaletteResponse) output.Grid {
	g := output.Grid{Title: "judged by eye", Columns: []string{"first", "second", "quality", "first_votes", "second_votes", "split", "judgements", "not_blind", "p", "p_adjusted", "missing", "statement"}}
	for _, pair := range r.GetPairs() {
		for _, j := range pair.GetJudgements() {
			g.Add(pair.GetFirst(), pair.GetSecond(), j.GetQuality(), j.GetFirst(), j.GetSecond(), j.GetSplit(), j.GetJudgements(), j.GetNotBlind(),
				maybe(j.P), maybe(j.PAdjusted), strings.Join(j.GetMissing(), "; "), j.GetStatement())
		}
	}
	return g
}

func watersGrid(r *poolv1.AskPaletteResponse) output.Grid {
	g := output.Grid{Title: "what the waters do to the colour", Columns: []string{"water", "reference", "sessions", "members", "recipes", "difference_l", "difference_a", "difference_b",
		"mean_de00", "max_de00", "p_of_all"}}
	w := r.GetWaters()
	for _, x := range w.GetWaters() {
		row := append([]any{x.GetWater(), w.GetReference(), x.GetSessions(), x.GetMembers(), x.GetRecipes()}, differenceCells(x.GetDifference())...)
		g.Add(append(row, maybe(x.MeanDe00), maybe(x.MaxDe00), maybe(w.P))...)
	}
	return g
}

func waterPairGrid(r *poolv1.AskPaletteResponse) output.Grid {
	g := output.Grid{Title: "which waters differ from which", Columns: []string{"first", "second", "recipes", "difference_l", "difference_a", "difference_b", "mean_de00", "p", "p_adjusted"}}
	for _, x := range r.GetWaters().GetPairs() {
		row := append([]any{x.GetFirst(), x.GetSecond(), x.GetRecipes()}, differenceCells(x.GetDifference())...)
		g.Add(append(row, maybe(x.MeanDe00), maybe(x.P), maybe(x.PAdjusted))...)
	}
	return g
}

func waterFigureGrid(r *poolv1.AskPaletteResponse) output.Grid {
	g := output.Grid{Title: "colours against figures of the waters", Columns: []string{"figure", "waters", "rho", "p", "inseparable_from"}}
	for _, x := range r.GetWaters().GetFigures() {
		g.Add(x.GetFigure(), x.GetWaters(), x.GetRho(), maybe(x.P), strings.Join(x.GetInseparableFrom(), ", "))
	}
	return g
}

func shareCells(s *poolv1.GroupsShare) []any {
	if s == nil {
		return []any{nil, nil, nil, nil, nil, nil}
	}
	return []any{s.GetShare(), maybe(s.F), s.GetGroupDf(), s.GetRestDf(), maybe(s.P), maybe(s.PAdjusted)}
}

func apartGrid(r *poolv1.AskPaletteResponse) output.Grid {
	g := output.Grid{Title: "how far the groups lie apart within sessions", Columns: []string{"first", "second", "place_share", "place_f", "place_group_df", "place_rest_df",
		"place_p", "place_p_adjusted", "spread_share", "spread_f", "spread_group_df", "spread_rest_df", "spread_p", "spread_p_adjusted", "sessions", "de00", "difference_l", "difference_a",
		"difference_b"}}
	x := r.GetApart()
	if x == nil {
		return g
	}
	row := func(first, second string, place, spread *poolv1.GroupsShare, more ...any) {
		g.Add(slices.Concat([]any{first, second}, shareCells(place), shareCells(spread), more)...)
	}
	row("all groups", "", x.GetPlace(), x.GetSpread(), x.GetSessions(), nil, nil, nil, nil)
	for _, pair := range x.GetPairs() {
		row(pair.GetFirst(), pair.GetSecond(), pair.GetPlace(), pair.GetSpread(), append([]any{sessionsOfPair(pair), maybe(pair.De00)}, differenceCells(pair.GetDifference())...)...)
	}
	return g
}

// shift is a difference as it is read: "-1.2, 0.4, 3".
func shift(d *typesv1.LabDifference) output.Measure {
	if d == nil {
		return ""
	}
	return output.Measure(fmt.Sprintf("%.1f, %.1f, %.1f", d.GetL(), d.GetA(), d.GetB()))
}

func lines(b *strings.Builder, lead string, texts []string) {
	for _, text := range texts {
		if text != "" {
			fmt.Fprintf(b, "  %s%s\n", lead, output.Clean(text))
		}
	}
}

// writeEffects writes whether order changes the colour, by the numbers that pairs have in the table before it.
func writeEffects(b *strings.Builder, r *poolv1.AskPaletteResponse, all bool) error {
	grid := output.Grid{Title: "whether order changes the colour", Columns: []string{"pair", "verdict", "CIEDE2000", "at most", "matters from", "L*, a*, b*", "repeatability", "p", "p adjusted", "sessions"},
		Notes: []output.Note{{Column: "L*, a*, b*", Text: "first order less second, mean over sessions"}, {Column: "at most", Text: "upper bound of CIEDE2000, approximate, 95 %"}}}
	cells := output.Grid{Title: "by cells", Columns: []string{"pair", "cell", "CIEDE2000", "L*, a*, b*", "p adjusted", "sessions"}}
	blanks := output.Grid{Title: "blank arms", Columns: []string{"pair", "what", "CIEDE2000", "at most", "L*, a*, b*", "p", "p adjusted", "sessions"}}
	for i, pair := range r.GetPairs() {
		e := pair.GetEffect()
		if e == nil {
			continue
		}
		grid.Add(i+1, words.Show(e.GetVerdict()), figure(e.De00), figure(e.UpperDe00), figure(&e.ToleranceDe00), shift(e.GetDifference()), figure(e.RepeatabilityMcdm),
			figure(e.P), figure(e.PAdjusted), e.GetSessions())
		for _, c := range e.GetCells() {
			cells.Add(i+1, c.GetCell(), figure(&c.De00), shift(c.GetDifference()), figure(c.PAdjusted), c.GetSessions())
		}
		for _, x := range e.GetBlanks() {
			blanks.Add(i+1, x.GetWhat(), figure(&x.De00), figure(x.UpperDe00), shift(x.GetDifference()), figure(x.P), figure(x.PAdjusted), x.GetSessions())
		}
	}
	if len(grid.Rows) == 0 {
		return nil
	}
	b.WriteString("\n")
	if err := output.WriteTable(b, grid); err != nil {
		return err
	}
	for i, pair := range r.GetPairs() {
		e := pair.GetEffect()
		lead := fmt.Sprintf("pair %d: ", i+1)
		lines(b, lead, []string{e.GetStatement()})
		lines(b, lead+"missing: ", e.GetMissing())
		lines(b, lead, []string{e.GetOutlook()})
	}
	if more := len(cells.Rows) - manyGroups; more > 0 && !all {
		cells.Rows = cells.Rows[:manyGroups]
		cells.Below = fmt.Sprintf("and %s (--all shows them)", counted(int32(more), "cells"))
	}
	for _, more := range []output.Grid{cells, blanks} {
		if len(more.Rows) == 0 {
			continue
		}
		if err := output.WriteTable(b, more); err != nil {
			return err
		}
	}
	return nil
}

// writeJudgements writes what eyes said.
func writeJudgements(b *strings.Builder, r *poolv1.AskPaletteResponse) error {
	grid := output.Grid{Title: "judged by eye, one vote a session", Columns: []string{"pair", "quality", "first", "second", "neither", "judgements", "not blind", "p", "p adjusted"}}
	for i, pair := range r.GetPairs() {
		for _, j := range pair.GetJudgements() {
			grid.Add(i+1, j.GetQuality(), j.GetFirst(), j.GetSecond(), j.GetSplit(), j.GetJudgements(), j.GetNotBlind(), figure(j.P), figure(j.PAdjusted))
		}
	}
	if len(grid.Rows) == 0 {
		return nil
	}
	b.WriteString("\n")
	if err := output.WriteTable(b, grid); err != nil {
		return err
	}
	for i, pair := range r.GetPairs() {
		for _, j := range pair.GetJudgements() {
			lead := fmt.Sprintf("pair %d: ", i+1)
			lines(b, lead, []string{j.GetStatement()})
			lines(b, lead+"missing: ", j.GetMissing())
		}
	}
	return nil
}

// writeWaters writes what the waters do to the colour.
func writeWaters(b *strings.Builder, w *poolv1.WatersAnswer) error {
	if w == nil {
		return nil
	}
	fmt.Fprintf(b, "\nwhat the waters do to the colour (%s)\n  %s\n", words.Show(w.GetStanding()), output.Clean(w.GetStatement()))
	lines(b, "missing: ", w.GetMissing())
	lines(b, "", []string{w.GetOutlook()})
	if len(w.GetWaters()) == 0 {
		return nil
	}
	grid := output.Grid{Columns: []string{"water", "mean CIEDE2000", "most", "L*, a*, b*", "recipes", "sessions", "members"},
		Below: fmt.Sprintf("against %s; %s side by side in two waters or more, %s", w.GetReference(), counted(w.GetRecipes(), "recipes"), counted(w.GetSessions(), "sessions"))}
	for _, x := range w.GetWaters() {
		grid.Add(x.GetWater(), figure(x.MeanDe00), figure(x.MaxDe00), shift(x.GetDifference()), x.GetRecipes(), x.GetSessions(), x.GetMembers())
	}
	if err := output.WriteTable(b, grid); err != nil {
		return err
	}
	if len(w.GetPairs()) > 0 {
		pairs := output.Grid{Columns: []string{"first", "second", "mean CIEDE2000", "L*, a*, b*", "p", "p adjusted", "recipes"}, Below: "every two by themselves",
			Notes: []output.Note{{Column: "p adjusted", Text: "over all pairs"}}}
		for _, x := range w.GetPairs() {
			pairs.Add(x.GetFirst(), x.GetSecond(), figure(x.MeanDe00), shift(x.GetDifference()), figure(x.P), figure(x.PAdjusted), x.GetRecipes())
		}
		if err := output.WriteTable(b, pairs); err != nil {
			return err
		}
	}
	lines(b, "figures of the waters: ", []string{w.GetAboutFigures()})
	figures := output.Grid{Columns: []string{"figure", "rank correlation", "p", "waters", "not told from"}, Below: "against the mean CIEDE2000 of each water, by Spearman"}
	for _, x := range w.GetFigures() {
		figures.Add(x.GetFigure(), figure(&x.Rho), figure(x.P), x.GetWaters(), strings.Join(x.GetInseparableFrom(), ", "))
	}
	if len(figures.Rows) == 0 {
		return nil
	}
	return output.WriteTable(b, figures)
}

// sessionsOfPair is nil where they aren't told.
func sessionsOfPair(pair *poolv1.GroupsPair) any {
	if pair.De00 == nil {
		return nil
	}
	return pair.GetSessions()
}

func adjusted(s *poolv1.GroupsShare) output.Measure {
	if s == nil {
		return ""
	}
	return figure(s.PAdjusted)
}

// writeApart writes how far groups lie apart within sessions; of many pairs those that lie furthest apart, or
// where that isn't told those of which most lies between the two.
func writeApart(b *strings.Builder, x *poolv1.GroupsAnswer, all bool) error {
	if x == nil {
		return nil
	}
	fmt.Fprintf(b, "\nhow far the groups lie apart within sessions (%s)\n  %s\n", words.Show(x.GetStanding()), output.Clean(x.GetStatement()))
	lines(b, "missing: ", x.GetMissing())
	lines(b, "", []string{x.GetOutlook()})
	percent := func(s *poolv1.GroupsShare) (of, chance output.Measure) {
		if s == nil {
			return "", ""
		}
		return output.Measure(fmt.Sprintf("%.0f %%", 100*s.GetShare())), output.Measure(fmt.Sprintf("%.0f %%", 100*float64(s.GetGroupDf())/float64(max(1, s.GetGroupDf()+s.GetRestDf()))))
	}
	grid := output.Grid{Columns: []string{"first", "second", "CIEDE2000", "L*, a*, b*", "sessions", "of place", "by chance", "p adjusted", "of spread", "by chance ", "p adjusted "},
		Notes: []output.Note{{Column: "of place", Text: "the part of how colours differ that lies between the groups"}, {Column: "of spread", Text: "the same of how widely they spread"}}}
	pairs := slices.DeleteFunc(slices.Clone(x.GetPairs()), func(pair *poolv1.GroupsPair) bool {
		return pair.GetPlace() == nil && pair.GetSpread() == nil && pair.De00 == nil
	})
	if more := len(pairs) - manyPairs; more > 0 && !all {
		slices.SortStableFunc(pairs, func(a, b *poolv1.GroupsPair) int {
			return cmp.Or(cmp.Compare(b.GetDe00(), a.GetDe00()), cmp.Compare(b.GetPlace().GetShare(), a.GetPlace().GetShare()))
		})
		pairs = pairs[:manyPairs]
		grid.Below = fmt.Sprintf("here are those furthest apart first, by CIEDE2000 or else by their part of place; %s more with --all", counted(more, "pairs"))
	}
	for _, pair := range pairs {
		place, placeChance := percent(pair.GetPlace())
		spread, spreadChance := percent(pair.GetSpread())
		grid.Add(pair.GetFirst(), pair.GetSecond(), figure(pair.De00), shift(pair.GetDifference()), sessionsOfPair(pair), place, placeChance, adjusted(pair.GetPlace()), spread, spreadChance, adjusted(pair.GetSpread()))
	}
	if len(grid.Rows) == 0 {
		return nil
	}
	return output.WriteTable(b, grid)
}
