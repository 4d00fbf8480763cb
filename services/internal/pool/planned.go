package pool

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// alpha is the p up to which an experiment's test says that something is there.
const alpha = 0.05

// tested tells a test that gave p.
func (a *asking) tested(what string, arrangements int64, exact bool) {
	a.answer.Tests = append(a.answer.Tests, &poolv1.TestMade{What: what, Arrangements: arrangements, Exact: exact})
}

// holdingAll counts the sessions that hold all groups side by side, in recipes that the session has in two of them.
func (t *texts) holdingAll(picks []*pick, groups []string) (n int32) {
	type place struct {
		block label
		cell  cell
	}
	counting := besideAnother(picks, func(of *pick) place { return place{of.block, of.cell} })
	for block, in := range groupsIn(counting) {
		if block != 0 && !slices.ContainsFunc(groups, func(g string) bool { return !in[t.label(g)] }) {
			n++
		}
	}
	return n
}

// groupsIn lists the groups of each block.
func groupsIn(picks []*pick) map[label]map[label]bool {
	out := map[label]map[label]bool{}
	for _, of := range picks {
		if out[of.block] == nil {
			out[of.block] = map[label]bool{}
		}
		out[of.block][of.group] = true
	}
	return out
}

// answerPlanned answers an experiment on waters, fibres, mordants or exhaust baths: a verdict with p at its closing size, estimates so far and what is
// missing before it.
func (p *Pool) answerPlanned(ctx context.Context, a *asking) error {
	compared := a.plannedPicks()
	a.answer.PiecesUsed, a.answer.ReadingsUsed = int32(len(a.picks)), int32(len(a.picks))
	if len(a.picks) > 0 {
		a.shown, a.mixed = a.texts.strata(a.picks, a.question.GroupBy == poolv1.GroupBy_GROUP_BY_FIBRE, nil)
		a.texts.assignCells(a.picks, false)
		labels, rows := a.texts.table(a.picks, nil)
		if _, err := p.widths(ctx, a, labels, rows); err != nil {
			return err
		}
	}
	if a.experiment.Asking() == trial.AsksWaters {
		return p.plannedWaters(ctx, a, compared)
	}
	return p.plannedGroups(ctx, a, compared)
}

// plannedPicks leaves the picks that an experiment counts, under the names of what it compares, which it returns as planned.
func (a *asking) plannedPicks() (compared []string) {
	e := a.experiment
	by := a.question.GroupBy
	compared = slices.Clone(e.Values)
	for _, id := range e.WaterSourceIDs {
		compared = append(compared, a.now.waterWords(id+":100"))
	}
	a.picks = slices.DeleteFunc(a.picks, func(of *pick) bool {
		group := a.texts.text(of.group)
		at := slices.IndexFunc(compared, func(x string) bool { return strings.EqualFold(x, group) })
		reason := ""
		switch {
		case !groupStated(by, of.row):
			reason = byWords(by) + " not stated, wholly or in part"
		case at < 0:
			reason = fmt.Sprintf("another %s than the experiment's", byWords(by))
		case of.row.route.hidden:
			reason = "history not stated, so what else differs isn't known"
		case by != poolv1.GroupBy_GROUP_BY_FIBRE && of.row.yarn.lot.Value() == "":
			reason = yarnNotStated + ": an experiment counts only what is stated"
		}
		if reason != "" {
			a.left.piece(reason)
			return true
		}
		of.group = a.texts.label(compared[at])
		return false
	})
	return compared
}

// counted is one that counts as a session towards the closing size: the blocks that make it, and when they first did.
type counted struct {
	blocks []label
	at     int64
}

// inTime sorts what counts by when it did.
func (t *texts) inTime(all []counted) {
	slices.SortFunc(all, func(x, y counted) int {
		return cmp.Or(cmp.Compare(x.at, y.at), slices.Compare(t.texts(x.blocks), t.texts(y.blocks)))
	})
}

// closed are the first sessions up to the closing size, and more only while enough, which looks at the design alone and at no colour, isn't met by them;
// none where it never is.
func closed(all []counted, closing int, enough func(blocks map[label]bool) bool) (blocks map[label]bool, n int) {
	blocks = map[label]bool{}
	for i, c := range all {
		for _, b := range c.blocks {
			blocks[b] = true
		}
		if i+1 >= closing && enough(blocks) {
			return blocks, i + 1
		}
	}
	return nil, 0
}

// joinedBy tells whether sessions join all that is compared: each value stands beside another in some session, and no part of them is without a
// chain of sessions to the rest.
func (t *texts) joinedBy(picks []*pick, blocks map[label]bool, compared []string, key func(*pick) string) bool {
	sets := disjoint{}
	first := map[string]string{}
	for _, of := range picks {
		if !blocks[of.block] {
			continue
		}
		if other, ok := first[key(of)]; ok {
			sets.join(other, t.text(of.group))
		} else {
			first[key(of)] = t.text(of.group)
		}
	}
	for _, x := range compared {
		if sets.find(x) != sets.find(compared[0]) {
			return false
		}
	}
	return true
}

// plannedMissing says what an experiment still needs of sessions: how many, and what stands in fewest of those that count.
func (a *asking) plannedMissing(have int, picks []*pick, blocks map[label]bool, compared []string) []string {
	var out []string
	two := fmt.Sprintf("%s of %s", twoAtLeast(len(compared)), listed(compared))
	if len(compared) == 2 {
		two = listed(compared)
	}
	if lacking := a.experiment.ClosingSessions - have; lacking > 0 {
		out = append(out, fmt.Sprintf("%d more %s with pieces in %s that are otherwise alike", lacking, plural("session", lacking), two))
	}
	in := map[label]bool{} // groups
	for _, of := range picks {
		if blocks[of.block] {
			in[of.group] = true
		}
	}
	var none []string
	for _, x := range compared {
		if !in[a.texts.label(x)] {
			none = append(none, x)
		}
	}
	if len(none) > 0 && len(none) < len(compared) {
		out = append(out, fmt.Sprintf("at least 1 session that holds %s beside the others", listed(none)))
	}
	return out
}

func twoAtLeast(n int) string {
	if n == 2 {
		return "both"
	}
	return "at least two"
}

// tellLater says how many sessions came after those of a verdict.
func (a *asking) tellLater(all, used int) {
	if extra := all - used; extra > 0 {
		a.tell("more than was planned: %s came after those of the verdict and are not in it", sessionsWords(extra))
	}
	if more := used - a.experiment.ClosingSessions; more > 0 {
		a.tell("the closing size of %d was passed by %s, as the first of them could tell nothing whatever their colours", a.experiment.ClosingSessions, sessionsWords(more))
	}
}
