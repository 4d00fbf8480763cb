package pool

import (
	"context"
	"fmt"
	"slices"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
)

// minRecipes is the least with which waters are compared; compare modules have the same gate.
const minRecipes = 6

// plannedWaters answers an experiment on waters.
func (p *Pool) plannedWaters(ctx context.Context, a *asking, compared []string) error {
	e := a.experiment
	picks, members := a.texts.waterCells(a.picks)
	all := a.texts.watersCounted(picks, members)
	// Whoever dyed in two waters joins them too, in sessions of one water each.
	joins := a.texts.watersJoin(picks, members)
	blocks, used := closed(all, e.ClosingSessions, func(blocks map[label]bool) bool {
		return a.texts.joinedBy(picks, blocks, compared, joins) && recipesIn(picks, blocks, joins) >= minRecipes
	})
	q := pipeline.WatersQuestion{Closing: used > 0, NamedCovariate: figureName(e.WaterFigure), ToleranceDE00: e.ToleranceDE00, Alpha: alpha}
	sent := picks
	if q.Closing {
		sent = slices.DeleteFunc(slices.Clone(picks), func(of *pick) bool { return !blocks[of.block] })
	}
	if slices.ContainsFunc(sent, func(of *pick) bool { return a.texts.text(of.group) == compared[0] }) {
		q.Reference = compared[0]
	}
	out := &poolv1.WatersAnswer{}
	r := &comparev1.CompareWatersResponse{}
	if len(sent) > 0 {
		var err error
		if out, r, err = p.askWaters(ctx, a, sent, members, q); err != nil {
			return err
		}
		if out == nil {
			a.answer.Standing, a.answer.Headline = poolv1.Standing_STANDING_NOT_ENOUGH_YET, "Not enough yet: the compare module doesn't answer questions about waters"
			return nil
		}
	}
	a.answer.Waters = out
	defer func() { a.answer.Standing, a.answer.Headline = out.GetStanding(), out.GetStatement() }()
	if name := figureName(e.WaterFigure); name != "" && q.Closing && !slices.ContainsFunc(out.GetFigures(), func(f *poolv1.WaterFigureAnswer) bool { return f.GetFigure() == name && f.P != nil }) {
		a.tell("how the colours go with the %s of the waters: 7 of these waters or more need a sample with it", name)
	}
	sure := fmt.Sprintf("(%s, %s)", pWords(r.GetP()), sessionsWords(used))
	switch {
	case r.GetVerdict() == comparev1.WatersVerdict_WATERS_VERDICT_DIFFER:
		out.Standing = poolv1.Standing_STANDING_VERDICT
		out.Statement = fmt.Sprintf("the waters give different colours %s; %s; what matters is %g", sure, waterEstimates(out), e.ToleranceDE00) + watersTold(out)
	case r.P != nil:
		out.Standing = poolv1.Standing_STANDING_NO_ANSWER_AT_THIS_SIZE
		out.Statement = fmt.Sprintf("No answer at this size: the test was made and can't tell the colours of %s apart %s", listed(compared), sure)
	default:
		p.watersNotYet(a, out, r, picks, all, compared, joins)
	}
	if r.P != nil {
		a.tested("whether the waters give different colours", r.GetArrangements(), r.GetExact())
		a.tellLater(len(all), used)
	}
	if out.GetStanding() != poolv1.Standing_STANDING_VERDICT {
		holding := a.texts.holdingAll(picks, compared)
		out.Outlook = placeOutlook(r.GetOutlook(), "waters", "sessions or members", holding, int32(len(all))-holding)
	}
	return nil
}

// watersTold says which of three waters or more differ from which.
func watersTold(out *poolv1.WatersAnswer) string {
	var told []string
	for _, x := range out.GetPairs() {
		if x.PAdjusted != nil && x.GetPAdjusted() <= alpha {
			told = append(told, fmt.Sprintf("%s from %s (%.1f apart, %s)", x.GetFirst(), x.GetSecond(), x.GetMeanDe00(), pWords(x.GetPAdjusted())))
		}
	}
	return toldApart(told, len(out.GetPairs()))
}

// toldApart says which of so many pairs are told apart; nothing where there are none, since all of two are their only pair.
func toldApart(told []string, pairs int) string {
	switch {
	case pairs == 0:
		return ""
	case len(told) == 0:
		return "; which of them from which can't be told at this size"
	}
	return "; told apart by themselves, over all pairs: " + listed(told)
}

// watersNotYet says what an experiment on waters still needs.
func (p *Pool) watersNotYet(a *asking, out *poolv1.WatersAnswer, r *comparev1.CompareWatersResponse, picks []*pick, all []counted, compared []string, joins func(*pick) string) {
	out.Standing = poolv1.Standing_STANDING_NOT_ENOUGH_YET
	blocks := map[label]bool{}
	for _, c := range all {
		for _, b := range c.blocks {
			blocks[b] = true
		}
	}
	out.Missing = a.plannedMissing(len(all), picks, blocks, compared)
	if n := minRecipes - recipesIn(picks, blocks, joins); n > 0 {
		out.Missing = append(out.Missing, recipesMissing(n, compared))
	}
	switch {
	case len(out.GetApart()) > 0:
		out.Missing = append(out.Missing, watersJoined)
	case len(out.GetMissing()) == 0 && !a.texts.joinedBy(picks, blocks, compared, joins):
		out.Missing = append(out.Missing, fmt.Sprintf("at least 1 session that holds %s beside each other", listed(compared)))
	case len(out.GetMissing()) == 0:
		out.Missing = append(out.Missing, r.GetMissing()...)
	}
	switch {
	case len(out.GetApart()) > 0:
		out.Statement = waterOrMember(out)
	case len(out.GetMissing()) == 0:
		out.Missing, out.Statement = []string{colourless}, "Not enough yet: the colours do not vary at all"
	default:
		out.Statement = "Not enough yet: " + listed(out.GetMissing())
	}
	if len(waterDifferences(out)) > 0 && len(out.GetApart()) == 0 {
		out.Statement += ". So far, " + waterEstimates(out) + "; that is no answer yet"
	}
}

// colourless is what is missing where every reading of a question has one colour.
const colourless = "colours that differ at all: every reading is the same, as of an instrument that saw no piece"

// recipesMissing says how many recipes an experiment on waters still needs.
func recipesMissing(n int, compared []string) string {
	in := "both waters"
	if len(compared) > 2 {
		in = "two of these waters"
	}
	within := " within one session"
	if n > 1 {
		within = ", each within one session"
	}
	return fmt.Sprintf("%d more %s dyed alike in %s%s", n, plural("recipe", n), in, within)
}

// recipesIn counts the recipes that blocks hold in two waters or more, of those alone that joins says to stand beside each other: others tell of who dyed, too.
func recipesIn(picks []*pick, blocks map[label]bool, joins func(*pick) string) int {
	recipes := map[cell]bool{}
	for _, of := range besideAnother(slices.DeleteFunc(slices.Clone(picks), func(of *pick) bool { return !blocks[of.block] }), joins) {
		recipes[of.cell] = true
	}
	return len(recipes)
}

// besideAnother are the picks whose key is that of a pick of another group, too.
func besideAnother[K comparable](picks []*pick, key func(*pick) K) []*pick {
	groups, several := map[K]label{}, map[K]bool{}
	for _, of := range picks {
		k := key(of)
		if other, ok := groups[k]; ok && other != of.group {
			several[k] = true
		}
		groups[k] = of.group
	}
	return slices.DeleteFunc(slices.Clone(picks), func(of *pick) bool { return !several[key(of)] })
}

// watersJoin names what joins the water of a pick to others: a recipe in its session, or of its member where sessions have one water each. A session that holds
// waters on unlike recipes alone tells nothing of them, as package waters of the compare module has it.
func (t *texts) watersJoin(picks []*pick, members map[label]string) func(*pick) string {
	waters := groupsIn(picks)
	return func(of *pick) string {
		recipe := ", recipe " + t.cellText(of.cell)
		if m := members[of.block]; m != "" && len(waters[of.block]) == 1 {
			return "member " + m + recipe
		}
		return "session " + t.text(of.block) + recipe
	}
}

// watersCounted are what counts as a session, by when it first did: a session that holds a recipe in two waters, or two sessions of one member, of one water
// each, that hold a recipe in two waters between them. So each of them doubles the arrangements at least, among which chance is counted.
func (t *texts) watersCounted(picks []*pick, members map[label]string) []counted {
	var all []counted
	for block, at := range t.completion(picks) {
		all = append(all, counted{[]label{block}, at})
	}
	waters := groupsIn(picks)
	type place struct {
		member string
		cell   cell
	}
	type seen struct {
		block, water label
		at           int64
	}
	first := map[place]map[label]seen{} // by block
	for _, of := range picks {
		m := members[of.block]
		if m == "" || len(waters[of.block]) != 1 {
			continue
		}
		at := place{m, of.cell}
		if first[at] == nil {
			first[at] = map[label]seen{}
		}
		if old, ok := first[at][of.block]; !ok || of.row.firstRead < old.at {
			first[at][of.block] = seen{of.block, of.group, of.row.firstRead}
		}
	}
	var pairs []counted
	for _, of := range first {
		for _, x := range of {
			for _, y := range of {
				if t.text(x.block) < t.text(y.block) && x.water != y.water {
					pairs = append(pairs, counted{[]label{x.block, y.block}, max(x.at, y.at)})
				}
			}
		}
	}
	t.inTime(pairs)
	paired := map[label]bool{}
	for _, c := range pairs {
		if !paired[c.blocks[0]] && !paired[c.blocks[1]] {
			paired[c.blocks[0]], paired[c.blocks[1]] = true, true
			all = append(all, c)
		}
	}
	t.inTime(all)
	return all
}
