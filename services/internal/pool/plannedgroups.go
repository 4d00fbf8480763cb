package pool

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
)

// plannedGroups answers an experiment on fibres, mordants or exhaust baths.
func (p *Pool) plannedGroups(ctx context.Context, a *asking, compared []string) error {
	e := a.experiment
	picks := a.matchedGroups()
	var all []counted
	for block, at := range a.texts.completion(picks) {
		all = append(all, counted{[]label{block}, at})
	}
	a.texts.inTime(all)
	bySession := func(of *pick) string { return a.texts.text(of.block) }
	blocks, used := closed(all, e.ClosingSessions, func(blocks map[label]bool) bool { return a.texts.joinedBy(picks, blocks, compared, bySession) })
	q := pipeline.GroupsQuestion{WholeUnits: true, Closing: used > 0, ToleranceDE00: e.ToleranceDE00, Alpha: alpha}
	sent := picks
	if q.Closing {
		sent = slices.DeleteFunc(slices.Clone(picks), func(of *pick) bool { return !blocks[of.block] })
	}
	out := &poolv1.GroupsAnswer{Groups: compared, Sessions: int32(len(all)), Standing: poolv1.Standing_STANDING_NOT_ENOUGH_YET, SpreadStanding: poolv1.Standing_STANDING_NOT_ENOUGH_YET}
	if q.Closing {
		out.Sessions = int32(used)
	}
	a.answer.Apart = out
	defer func() { a.answer.Standing, a.answer.Headline = out.GetStanding(), out.GetStatement() }()
	r := &comparev1.CompareGroupsResponse{}
	if groups := a.texts.texts(a.texts.sorted(sent, func(of *pick) label { return of.group })); len(groups) > 1 {
		var err error
		if r, err = p.askGroups(ctx, a, sent, groups, q); err != nil {
			return err
		}
		if r == nil {
			out.Statement = "Not enough yet: the compare module doesn't answer questions about groups"
			return nil
		}
		fillGroups(out, r, groups)
	}
	if q.Closing && out.GetPlace() != nil {
		a.groupsVerdict(out, used)
		a.tested("whether the groups give different colours", r.GetPlace().GetArrangements(), r.GetPlace().GetExact())
		if r.GetSpread() != nil {
			a.tested("whether some groups spread wider within a session", r.GetSpread().GetArrangements(), r.GetSpread().GetExact())
		}
		a.tellLater(len(all), used)
	} else {
		a.groupsNotYet(out, picks, all, compared)
	}
	if out.GetStanding() != poolv1.Standing_STANDING_VERDICT {
		holding := a.texts.holdingAll(picks, compared)
		out.Outlook = placeOutlook(r.GetOutlook(), "groups", "sessions", holding, int32(len(all))-holding)
	}
	return nil
}

// matchedGroups are copies of the picks of each session that are held against each other, with their recipes as cells, and no strata.
func (a *asking) matchedGroups() []*pick {
	picks := make([]*pick, len(a.picks))
	for i, of := range a.picks {
		clone := *of
		picks[i] = &clone
	}
	a.texts.recipeCells(picks, a.question.GroupBy)
	for _, of := range picks {
		of.cell, of.stratum = cell{head: a.texts.label(a.texts.text(of.stratum) + "; " + a.texts.cellText(of.cell))}, 0 // a session's pots are the same for all its yarns
	}
	return a.wholeUnits(picks)
}

// wholeUnits leaves of each block the groups of its fullest recipe, and every recipe that has all of these, so that whatever a session's pots did to one group could as
// well have come to another. The rest is left out.
func (a *asking) wholeUnits(picks []*pick) []*pick {
	held := map[label]map[cell]map[label]bool{} // groups by block and cell
	for _, of := range picks {
		if held[of.block] == nil {
			held[of.block] = map[cell]map[label]bool{}
		}
		if held[of.block][of.cell] == nil {
			held[of.block][of.cell] = map[label]bool{}
		}
		held[of.block][of.cell][of.group] = true
	}
	chosen := map[label][]label{} // groups by block
	for block, cells := range held {
		chosen[block] = a.texts.fullestGroups(cells)
	}
	return slices.DeleteFunc(picks, func(of *pick) bool {
		groups := chosen[of.block]
		if len(groups) > 1 && slices.Contains(groups, of.group) && holdsAll(held[of.block][of.cell], groups) {
			return false
		}
		a.left.piece(fmt.Sprintf("not in the comparison: no partner of another %s in the same session, or of fewer than the session's fullest recipe has", byWords(a.question.GroupBy)))
		return true
	})
}

func holdsAll(in map[label]bool, groups []label) bool {
	return !slices.ContainsFunc(groups, func(g label) bool { return !in[g] })
}

// fullestGroups are the groups of the cell of most groups; of several such, those that most cells have all of, the first by name.
func (t *texts) fullestGroups(cells map[cell]map[label]bool) []label {
	type choice struct {
		groups []label
		cells  int
	}
	byText := func(x, y label) int { return strings.Compare(t.text(x), t.text(y)) }
	var best choice
	for _, in := range cells {
		c := choice{groups: slices.SortedFunc(maps.Keys(in), byText)}
		for _, other := range cells {
			if holdsAll(other, c.groups) {
				c.cells++
			}
		}
		if cmp.Or(cmp.Compare(len(c.groups), len(best.groups)), cmp.Compare(c.cells, best.cells), slices.CompareFunc(best.groups, c.groups, byText)) > 0 {
			best = c
		}
	}
	return best.groups
}

// fillGroups writes the figures of an answer by whole units.
func fillGroups(out *poolv1.GroupsAnswer, r *comparev1.CompareGroupsResponse, groups []string) {
	share := func(t *comparev1.GroupsTest, adjusted *float64) *poolv1.GroupsShare {
		s := groupsShare(t)
		if s != nil && t.GetArrangements() > 0 {
			p := t.GetP()
			s.P, s.PAdjusted = &p, adjusted
		}
		return s
	}
	out.Cells, out.Alone = r.GetCells(), r.GetAlone()
	out.Place, out.Spread = share(r.GetPlace(), nil), share(r.GetSpread(), nil)
	for _, g := range r.GetApart() {
		out.Unjoined = append(out.Unjoined, groups[g])
	}
	type two struct{ first, second uint32 }
	pairs := map[two]*poolv1.GroupsPair{}
	for _, d := range r.GetDistances() {
		de := d.GetDe00()
		pair := &poolv1.GroupsPair{
			First: groups[d.GetGroupA()], Second: groups[d.GetGroupB()], Sessions: d.GetBlocks(), De00: &de,
			Difference: &typesv1.LabDifference{L: d.GetL(), A: d.GetA(), B: d.GetB()},
		}
		pairs[two{d.GetGroupA(), d.GetGroupB()}] = pair
		out.Pairs = append(out.Pairs, pair)
	}
	for _, x := range r.GetPairs() {
		if pair := pairs[two{x.GetGroupA(), x.GetGroupB()}]; pair != nil {
			pair.Place, pair.Spread = share(x.GetPlace(), x.PlacePAdjusted), share(x.GetSpread(), x.SpreadPAdjusted)
		}
	}
	slices.SortFunc(out.Pairs, func(x, y *poolv1.GroupsPair) int {
		return cmp.Or(strings.Compare(x.GetFirst(), y.GetFirst()), strings.Compare(x.GetSecond(), y.GetSecond()))
	})
}

// farthest says which two lie farthest apart.
func farthest(out *poolv1.GroupsAnswer) string {
	if len(out.GetPairs()) == 0 {
		return ""
	}
	far := slices.MaxFunc(out.GetPairs(), func(x, y *poolv1.GroupsPair) int { return cmp.Compare(x.GetDe00(), y.GetDe00()) })
	return fmt.Sprintf("%s and %s lie %.1f apart", far.GetFirst(), far.GetSecond(), far.GetDe00())
}

// groupsVerdict says what the tests give: whether the groups lie in different places, and, with an error of its own, whether some spread wider.
func (a *asking) groupsVerdict(out *poolv1.GroupsAnswer, used int) {
	noun := map[poolv1.GroupBy]string{
		poolv1.GroupBy_GROUP_BY_FIBRE: "fibres", poolv1.GroupBy_GROUP_BY_MORDANT: "mordants", poolv1.GroupBy_GROUP_BY_EXHAUST: "baths",
	}[a.question.GroupBy]
	verdict := func(p float64) poolv1.Standing {
		if p <= alpha {
			return poolv1.Standing_STANDING_VERDICT
		}
		return poolv1.Standing_STANDING_NO_ANSWER_AT_THIS_SIZE
	}
	sure := fmt.Sprintf("(%s, %s)", pWords(out.GetPlace().GetP()), sessionsWords(used))
	if out.Standing = verdict(out.GetPlace().GetP()); out.Standing == poolv1.Standing_STANDING_VERDICT {
		out.Statement = fmt.Sprintf("the %s give different colours %s; farthest, %s; what matters is %g", noun, sure, farthest(out), a.experiment.ToleranceDE00)
		var told []string
		for _, pair := range out.GetPairs() {
			if p := pair.GetPlace(); p != nil && p.PAdjusted != nil && p.GetPAdjusted() <= alpha {
				told = append(told, fmt.Sprintf("%s from %s (%s)", pair.GetFirst(), pair.GetSecond(), pWords(p.GetPAdjusted())))
			}
		}
		if len(out.GetGroups()) > 2 {
			out.Statement += toldApart(told, len(out.GetPairs()))
		}
	} else {
		out.Statement = fmt.Sprintf("No answer at this size: the test was made and can't tell the colours of %s apart %s", listed(out.GetGroups()), sure)
	}
	if out.GetSpread() == nil {
		out.SpreadStanding = poolv1.Standing_STANDING_NOT_ENOUGH_YET
		a.tell("whether some of the %s spread wider: that needs two recipes or more in each session, of all that it compares", noun)
		return
	}
	if out.SpreadStanding = verdict(out.GetSpread().GetP()); out.SpreadStanding == poolv1.Standing_STANDING_VERDICT {
		out.Statement += fmt.Sprintf(". Within a session some of them spread wider than others (%s)", pWords(out.GetSpread().GetP()))
	} else {
		out.Statement += fmt.Sprintf(". Whether some of them spread wider within a session: no answer at this size (%s)", pWords(out.GetSpread().GetP()))
	}
}

// groupsNotYet says what the experiment still needs.
func (a *asking) groupsNotYet(out *poolv1.GroupsAnswer, picks []*pick, all []counted, compared []string) {
	blocks := map[label]bool{}
	for _, c := range all {
		blocks[c.blocks[0]] = true
	}
	out.Missing = a.plannedMissing(len(all), picks, blocks, compared)
	switch {
	case len(out.GetMissing()) > 0:
		out.Statement = "Not enough yet: " + listed(out.GetMissing())
	case len(out.GetUnjoined()) > 0:
		out.Missing = []string{fmt.Sprintf("at least 1 session that holds %s beside the others", listed(out.GetUnjoined()))}
		out.Statement = "Not enough yet: " + out.GetMissing()[0]
	default:
		out.Missing, out.Statement = []string{colourless}, "Not enough yet: the colours do not vary at all"
	}
	if text := farthest(out); text != "" {
		out.Statement += fmt.Sprintf(". So far, over %s, %s; that is no answer yet", sessionsWords(int(out.GetSessions())), text)
	}
}
