package pool

import (
	"fmt"
	"slices"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// plannedVerdictPicks leaves those of an experiment on waters, fibres, mordants or exhaust baths that its verdict stands on, each session with the same recipes of all
// groups that it compares, so that whole sessions can be exchanged. Before the closing size they are those that count towards it. It returns what is compared and is there, as planned.
//
// Strata are kept, unlike in the verdict on place: what a palette module scores has a width, to which two yarns would add theirs.
func (a *asking) plannedVerdictPicks(out *Freeze) []string {
	e := a.experiment
	compared := a.plannedPicks()
	a.shown, _ = a.texts.strata(a.picks, e.Asking() == trial.AsksFibres, nil)
	strata := make(map[*reading]label, len(a.picks))
	for _, of := range a.picks {
		strata[of.reading] = of.stratum
	}
	var picks []*pick
	var all []counted
	var joins func(*pick) string
	recipes := 0
	if e.Asking() == trial.AsksWaters {
		var members map[label]string
		picks, members = a.texts.waterCells(a.picks)
		all, joins, recipes = a.texts.watersCounted(picks, members), a.texts.watersJoin(picks, members), minRecipes
	} else {
		picks = a.matchedGroups()
		for block, at := range a.texts.completion(picks) {
			all = append(all, counted{[]label{block}, at})
		}
		a.texts.inTime(all)
		joins = func(of *pick) string { return a.texts.text(of.block) }
	}
	used, n := closed(all, e.ClosingSessions, func(blocks map[label]bool) bool {
		return a.texts.joinedBy(picks, blocks, compared, joins) && recipesIn(picks, blocks, joins) >= recipes
	})
	out.Complete, out.Used, out.Closing = len(all), n, e.ClosingSessions
	unit := map[label]label{} // blocks that count as one session, by its first
	for _, c := range all {
		for _, block := range c.blocks {
			unit[block] = c.blocks[0]
		}
	}
	if n == 0 {
		out.Used = len(all)
		used = map[label]bool{}
		for block := range unit {
			used[block] = true
		}
		if len(all) >= e.ClosingSessions {
			out.NotClosed = a.notClosed(picks, used, compared, recipes-recipesIn(picks, used, joins))
		}
	}
	picks = slices.DeleteFunc(picks, func(of *pick) bool {
		if used[of.block] {
			of.block = unit[of.block]
			return false
		}
		if _, counts := unit[of.block]; counts {
			a.left.piece("of a session that became complete after the closing size")
		} else {
			a.left.piece(fmt.Sprintf("not in the comparison: no session with a partner of another %s", byWords(a.question.GroupBy)))
		}
		return true
	})
	if e.Asking() == trial.AsksWaters {
		picks = a.wholeUnits(picks)
	}
	for _, of := range picks {
		of.stratum = strata[of.reading]
	}
	a.picks = picks
	return slices.DeleteFunc(compared, func(x string) bool {
		return !slices.ContainsFunc(picks, func(of *pick) bool { return a.texts.text(of.group) == x })
	})
}

// notClosed says what sessions that are as many as the closing size lack, none of it a colour; recipes are those that they lack.
func (a *asking) notClosed(picks []*pick, blocks map[label]bool, compared []string, recipes int) string {
	lacking := a.plannedMissing(a.experiment.ClosingSessions, picks, blocks, compared)
	if recipes > 0 {
		lacking = append(lacking, recipesMissing(recipes, compared))
	}
	if len(lacking) == 0 {
		lacking = append(lacking, fmt.Sprintf("at least 1 session that holds %s beside each other", listed(compared)))
	}
	return listed(lacking)
}
