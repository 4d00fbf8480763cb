package cli

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
)

// What tables leave out when there is much. Everything is in JSON and CSV, and with --all.
const (
	manyGroups   = 20 // palettes above which those of a single cell are left out
	manyPalettes = 60 // palettes above which the fullest are shown
	manyPairs    = 40 // pairs above which those are shown that tell most
)

// writeGroups writes how wide the palettes are, and what those lack that have no width at equal numbers.
func writeGroups(b *strings.Builder, groups []*poolv1.GroupAnswer, all bool) error {
	grid := output.Grid{Title: "palettes", Columns: []string{"group", "stratum", "pieces", "cells", "sessions", "shades", "at equal number", "95 % interval",
		"hull side", "dispersion", "hue gap", ""}, Notes: []output.Note{{Column: "95 % interval", Text: "approximate"}}}
	var missing []string
	of := map[string][]string{} // palettes, by what is missing
	shown, single, fewer := shownGroups(groups, all)
	palettes := map[string]int{} // of each group
	for _, x := range shown {
		palettes[x.GetGroup()]++
	}
	for _, x := range shown {
		var equal, interval, gap output.Measure
		mark := ""
		switch {
		case x.ShadesAtEqualNumber != nil:
			equal = output.Measure(fmt.Sprintf("%s of %d", output.Figure(x.GetShadesAtEqualNumber(), 3), x.GetEqualNumber()))
		case x.GetMissing() != "":
			equal = "not enough yet"
			if of[x.GetMissing()] == nil {
				missing = append(missing, x.GetMissing())
			}
			name := x.GetGroup()
			if palettes[name] > 1 { // which of its yarns
				name += " (" + x.GetStratum() + ")"
			}
			of[x.GetMissing()] = append(of[x.GetMissing()], name)
		}
		if x.ShadesLow != nil && x.ShadesHigh != nil {
			interval = output.Measure(output.Figure(x.GetShadesLow(), 3) + " to " + output.Figure(x.GetShadesHigh(), 3))
		}
		if x.GetUnstable() {
			mark = "unstable"
		}
		shades := fmt.Sprint(x.GetShadesAtLeast())
		if x.GetShadesAtMost() != x.GetShadesAtLeast() {
			shades += " to " + fmt.Sprint(x.GetShadesAtMost())
		}
		if x.LargestHueGapDeg != nil {
			gap = output.Measure(fmt.Sprintf("%.0f deg", x.GetLargestHueGapDeg()))
		}
		side, spread := output.Measure("none"), output.Measure("") // of few or flat colours there is no body, of one no spread
		if x.GetHullSide() > 0 {
			side = output.Measure(fmt.Sprintf("%.1f", x.GetHullSide()))
		}
		if x.GetCells() > 1 {
			spread = output.Measure(fmt.Sprintf("%.1f", x.GetDispersion()))
		}
		grid.Add(x.GetGroup(), x.GetStratum(), x.GetPieces(), x.GetCells(), x.GetSessions(), output.Measure(shades), equal, interval, side, spread, gap, mark)
	}
	if err := output.WriteTable(b, grid); err != nil {
		return err
	}
	if single > 0 {
		fmt.Fprintf(b, "and %s of a single cell (--all shows them)\n", counted(int32(single), "groups"))
	}
	if fewer > 0 {
		fmt.Fprintf(b, "and %s that hold no more cells than these (--all shows them)\n", counted(int32(fewer), "palettes"))
	}
	for _, m := range missing {
		named := of[m]
		if more := len(named) - namedPalettes; more > 0 {
			named = append(slices.Clone(named[:namedPalettes]), counted(int32(more), "other palettes"))
		}
		fmt.Fprintf(b, "  missing for equal numbers in %s: %s\n", output.Clean(strings.Join(named, ", ")), output.Clean(m))
	}
	return nil
}

// namedPalettes is how many palettes are named that lack the same.
const namedPalettes = 4

// shownGroups leaves out groups where there are many: those of a single cell first, then those with the fewest cells.
func shownGroups(groups []*poolv1.GroupAnswer, all bool) (shown []*poolv1.GroupAnswer, single, fewer int) {
	if all || len(groups) <= manyGroups {
		return groups, 0, 0
	}
	for _, x := range groups {
		if x.GetCells() < 2 {
			single++
		} else {
			shown = append(shown, x)
		}
	}
	if fewer = len(shown) - manyPalettes; fewer <= 0 {
		return shown, single, 0
	}
	slices.SortStableFunc(shown, func(a, b *poolv1.GroupAnswer) int { return cmp.Compare(b.GetCells(), a.GetCells()) })
	return shown[:manyPalettes], single, fewer
}

// shownPairs gives the places of the pairs to show, and how many are left out. Where there are many, pairs that aren't thin come first, and among them
// those whose widths differ most.
func shownPairs(pairs []*poolv1.PairAnswer, all bool) (places []int, more int) {
	for i := range pairs {
		places = append(places, i)
	}
	if more = len(pairs) - manyPairs; all || more <= 0 {
		return places, 0
	}
	apart := func(x *poolv1.PairAnswer) float64 {
		if x.WidthRatio == nil {
			return -1
		}
		return math.Abs(math.Log(x.GetWidthRatio()))
	}
	thin := func(x *poolv1.PairAnswer) int {
		if x.GetThin() {
			return 1
		}
		return 0
	}
	slices.SortStableFunc(places, func(i, k int) int {
		a, b := pairs[i], pairs[k]
		return cmp.Or(cmp.Compare(thin(a), thin(b)), cmp.Compare(apart(b), apart(a)))
	})
	return places[:manyPairs], more
}

// writePairs writes the comparisons: their figures in a table, then what each says and what it lacks, repeating nothing.
func writePairs(b *strings.Builder, r *poolv1.AskPaletteResponse, all bool) error {
	pairs := r.GetPairs()
	places, more := shownPairs(pairs, all)
	if len(pairs) == 0 {
		return nil
	}
	b.WriteString("\n")
	grid := output.Grid{Title: "compared like with like", Columns: []string{"pair", "first", "second", "width ratio", "shades apart", "p", "p adjusted",
		"sessions", "strata", "cells", "standing", ""},
		Notes: []output.Note{{Column: "width ratio", Text: "first to second"}, {Column: "shades apart", Text: "first less second"}}}
	if more > 0 {
		grid.Below = fmt.Sprintf("here are those that aren't thin first, each time the furthest apart first; %s more with --all", counted(int32(more), "pairs"))
	}
	for _, i := range places {
		x := pairs[i]
		mark := ""
		if x.GetThin() {
			mark = "thin"
		}
		grid.Add(i+1, x.GetFirst(), x.GetSecond(), figure(x.WidthRatio), figure(x.ShadeDifference), figure(x.P), figure(x.PAdjusted), x.GetSessions(), x.GetStrata(),
			output.Measure(fmt.Sprintf("%d : %d", x.GetCellsFirst(), x.GetCellsSecond())), words.Show(x.GetStanding()), mark)
	}
	if err := output.WriteTable(b, grid); err != nil {
		return err
	}
	for _, i := range places {
		x := pairs[i]
		if s := x.GetStatement(); s != "" && s != r.GetHeadline() { // a single pair's is the headline
			fmt.Fprintf(b, "  pair %d: %s\n", i+1, output.Clean(s))
		}
		if x.GetOutlook() != "" {
			fmt.Fprintf(b, "  pair %d: %s\n", i+1, output.Clean(x.GetOutlook()))
		}
	}
	var missing []string
	of := map[string][]string{}
	for _, i := range places {
		x := pairs[i]
		for _, m := range x.GetMissing() {
			if of[m] == nil {
				missing = append(missing, m)
			}
			of[m] = append(of[m], fmt.Sprint(i+1))
		}
	}
	for _, m := range missing {
		where := ""
		switch {
		case len(of[m]) < len(places):
			where = " in pair " + strings.Join(of[m], ", ")
		case len(places) > 1:
			where = " in every pair"
		}
		fmt.Fprintf(b, "  missing%s: %s\n", where, output.Clean(m))
	}
	return nil
}

// writeScores writes what other methods say, a table for each; of many palettes those of most cells.
func writeScores(b *strings.Builder, r *poolv1.AskPaletteResponse, all bool) error {
	type palette struct{ group, stratum string }
	cells := map[palette]int32{}
	for _, x := range r.GetGroups() {
		cells[palette{x.GetGroup(), x.GetStratum()}] = x.GetCells()
	}
	for _, m := range r.GetScores() {
		if m.GetFault() != "" {
			fmt.Fprintf(b, "\nanother method gave no answer: %s\n", output.Clean(m.GetFault()))
			continue
		}
		b.WriteString("\n")
		grid := output.Grid{Title: fmt.Sprintf("by %s %s, which changes nothing above", m.GetModule().GetName(), m.GetModule().GetVersion()), Columns: []string{"group", "stratum"}}
		for _, d := range m.GetDescribed() {
			grid.Columns = append(grid.Columns, d.GetName())
		}
		groups := m.GetGroups()
		fewer := len(groups) - manyPalettes
		if fewer > 0 && !all {
			groups = slices.Clone(groups)
			slices.SortStableFunc(groups, func(a, b *poolv1.GroupScore) int {
				return cmp.Compare(cells[palette{b.GetGroup(), b.GetStratum()}], cells[palette{a.GetGroup(), a.GetStratum()}])
			})
			groups = groups[:manyPalettes]
			grid.Below = fmt.Sprintf("and %s that hold no more cells than these (--all shows them)", counted(int32(fewer), "palettes"))
		}
		for _, group := range groups {
			row := []any{group.GetGroup(), group.GetStratum()}
			for _, f := range group.GetFigures() {
				row = append(row, figure(f.Value))
			}
			grid.Add(row...)
		}
		if err := output.WriteTable(b, grid); err != nil {
			return err
		}
	}
	return nil
}
