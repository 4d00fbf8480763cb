package pool

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
)

// recipeBut is everything of a piece but what groups are told apart by, its layers in their order.
func recipeBut(by poolv1.GroupBy, r *row) string {
	var parts []string
	if by != poolv1.GroupBy_GROUP_BY_FIBRE {
		parts = append(parts, r.yarn.form.Value(), "lot "+r.yarn.lot.Value())
	}
	around := r.route.around.Value()
	if by == poolv1.GroupBy_GROUP_BY_MORDANT { // which begins with the mordants
		around = strings.TrimPrefix(around, r.route.mordant.Value())
	} else {
		parts = append(parts, r.route.mordantPlace.Value())
	}
	parts = append(parts, around)
	for _, c := range r.route.colour {
		layer := fmt.Sprintf("%s vat=%t depth=%d", c.name, c.vat, c.depth)
		if by != poolv1.GroupBy_GROUP_BY_EXHAUST {
			layer += " " + c.exhaust
		}
		if by != poolv1.GroupBy_GROUP_BY_WATER {
			layer += " water=" + c.water
		}
		parts = append(parts, layer)
	}
	return strings.Join(parts, "; ")
}

// recipeCells makes cells of picks by all that groups aren't told apart by.
func (t *texts) recipeCells(picks []*pick, by poolv1.GroupBy) {
	recipe := func(r *row) string { return recipeBut(by, r) }
	if by != poolv1.GroupBy_GROUP_BY_EXHAUST {
		t.assignCellsBy(picks, false, recipe)
		return
	}
	for _, of := range picks { // an exhaust bath delivers less by its nature
		of.cell = cell{head: t.label(recipe(of.row))}
	}
}

// alikeBut copies the picks that can be compared within their session: those of which it has another group with the same recipe, read in the same way.
// Their cells are named by everything but what distinguishes the groups.
func (a *asking) alikeBut(by poolv1.GroupBy) []*pick {
	// What isn't stated of a recipe may differ from group to group.
	picks := slices.DeleteFunc(slices.Clone(a.picks), func(of *pick) bool {
		return !groupStated(by, of.row) || of.block == 0 || of.row.route.hidden || by != poolv1.GroupBy_GROUP_BY_FIBRE && of.row.yarn.lot.Value() == ""
	})
	several := a.texts.several(picks) // most sessions of a large question hold one group
	picks = slices.DeleteFunc(picks, func(of *pick) bool { return !several[of.block] })
	for i, of := range picks {
		clone := *of
		picks[i] = &clone
	}
	a.texts.recipeCells(picks, by)
	type place struct {
		block, stratum label
		cell           cell
	}
	held := map[place]map[label]bool{}
	for _, of := range picks {
		at := place{of.block, of.stratum, of.cell}
		if held[at] == nil {
			held[at] = map[label]bool{}
		}
		held[at][of.group] = true
	}
	return slices.DeleteFunc(picks, func(of *pick) bool { return len(held[place{of.block, of.stratum, of.cell}]) < 2 })
}

// sideBySide is what a session has to hold for groups to be told apart in it.
var sideBySide = map[poolv1.GroupBy]string{
	poolv1.GroupBy_GROUP_BY_WATER:   "a session with pieces dyed in two waters, of one yarn, mordanted and dyed alike",
	poolv1.GroupBy_GROUP_BY_FIBRE:   "a session with pieces of two fibres, mordanted and dyed alike",
	poolv1.GroupBy_GROUP_BY_MORDANT: "a session with pieces of two mordants, of one yarn and dyed alike",
	poolv1.GroupBy_GROUP_BY_EXHAUST: "a session with pieces of a fresh bath and of an exhaust bath, of one yarn, mordanted and dyed alike",
}

// apart says whether the groups lie in different places among the colours and whether they spread differently, both within sessions, by the pieces
// that alikeBut leaves.
func (p *Pool) apart(ctx context.Context, a *asking, picks []*pick) error {
	by := a.question.GroupBy
	out := &poolv1.GroupsAnswer{Standing: poolv1.Standing_STANDING_NOT_ENOUGH_YET}
	a.answer.Apart = out
	out.Groups = a.texts.texts(a.texts.sorted(picks, func(of *pick) label { return of.group }))
	need := sideBySide[by]
	if len(out.Groups) < 2 {
		out.Missing = []string{need}
		out.Statement = "Not enough yet: no session holds two groups of pieces that are otherwise alike"
		return nil
	}
	if len(out.Groups) > pipeline.MaxGroupsCompared {
		a.tell("how far the %d groups lie apart within sessions: at most %d are held against each other; a filter makes them fewer", len(out.Groups), pipeline.MaxGroupsCompared)
		a.answer.Apart = nil
		return nil
	}
	// Place is asked recipe by recipe, spread over the recipes of a session.
	byRecipe, bySession := make([]*pick, len(picks)), make([]*pick, len(picks))
	for i, of := range picks {
		one, other := *of, *of
		one.stratum = a.texts.label(a.texts.text(of.stratum) + "; " + a.texts.cellText(of.cell))
		byRecipe[i], bySession[i] = &one, &other
	}
	places, err := p.askGroups(ctx, a, byRecipe, out.GetGroups(), pipeline.GroupsQuestion{})
	if err != nil || places == nil {
		return err
	}
	spreads, err := p.askGroups(ctx, a, bySession, out.GetGroups(), pipeline.GroupsQuestion{})
	if err != nil || spreads == nil {
		return err
	}
	sessions := map[label]bool{}
	for _, of := range picks {
		sessions[of.block] = true
	}
	out.Cells, out.Sessions, out.Alone = places.GetCells(), int32(len(sessions)), places.GetAlone()
	out.Place, out.Spread = groupsShare(places.GetPlace()), groupsShare(spreads.GetSpread())
	for _, g := range places.GetApart() {
		out.Unjoined = append(out.Unjoined, out.GetGroups()[g])
	}
	type two struct{ first, second uint32 }
	spreadOf := map[two]*comparev1.GroupsTest{}
	for _, pair := range spreads.GetPairs() {
		spreadOf[two{pair.GetGroupA(), pair.GetGroupB()}] = pair.GetSpread()
	}
	for _, pair := range places.GetPairs() {
		out.Pairs = append(out.Pairs, &poolv1.GroupsPair{
			First: out.GetGroups()[pair.GetGroupA()], Second: out.GetGroups()[pair.GetGroupB()],
			Place: groupsShare(pair.GetPlace()), Spread: groupsShare(spreadOf[two{pair.GetGroupA(), pair.GetGroupB()}]),
		})
	}
	slices.SortFunc(out.Pairs, func(x, y *poolv1.GroupsPair) int {
		return cmp.Or(strings.Compare(x.GetFirst(), y.GetFirst()), strings.Compare(x.GetSecond(), y.GetSecond()))
	})
	a.apartWords(out, need)
	return nil
}

// askGroups asks q of picks. It is nil where the module can't be asked; that is told.
func (p *Pool) askGroups(ctx context.Context, a *asking, picks []*pick, groups []string, q pipeline.GroupsQuestion) (*comparev1.CompareGroupsResponse, error) {
	q.Condition, q.Seed = a.question.Condition, a.question.Seed
	labels, rows := a.texts.table(picks, groups)
	q.Labels, q.Rows = labels, rows.list()
	r, identity, err := p.pipeline.CompareGroups(ctx, q)
	if errors.Is(err, pipeline.ErrNotOffered) || errors.Is(err, pipeline.ErrTooLarge) {
		a.answer.Apart = nil
		a.tell("how far the groups lie apart within sessions: %s", err)
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	a.modules = append(a.modules, identity)
	return r, nil
}

func groupsShare(t *comparev1.GroupsTest) *poolv1.GroupsShare {
	if t == nil {
		return nil
	}
	return &poolv1.GroupsShare{Share: t.GetShare(), F: t.F, GroupDf: t.GetGroupDf(), RestDf: t.GetRestDf()}
}

// apartWords puts the figures into a sentence.
func (a *asking) apartWords(out *poolv1.GroupsAnswer, need string) {
	over := sessionsWords(int(out.GetSessions()))
	switch {
	case len(out.GetUnjoined()) > 0:
		out.Missing = append(out.Missing, fmt.Sprintf("at least 1 session that holds %s beside %s, of pieces that are otherwise alike", listed(out.GetUnjoined()), out.GetGroups()[0]))
		out.Statement = fmt.Sprintf("Not enough yet: no chain of sessions joins %s to the other groups", listed(out.GetUnjoined()))
	case out.GetPlace() == nil:
		out.Missing = append(out.Missing, "another session like it: "+need)
		out.Statement = fmt.Sprintf("Not enough yet: %s can't tell how far the groups lie apart", over)
	default:
		out.Standing = poolv1.Standing_STANDING_EXPLORATORY
		out.Statement = exploratory + fmt.Sprintf("over %s of pieces that are otherwise alike, %.0f %% of how colours differ lies between the groups (chance alone gives about %.0f %%)",
			over, 100*out.GetPlace().GetShare(), 100*byChance(out.GetPlace()))
		if s := out.GetSpread(); s != nil {
			out.Statement += fmt.Sprintf("; of how widely they spread, %.0f %% (by chance %.0f %%)", 100*s.GetShare(), 100*byChance(s))
		}
	}
}

// byChance is the mean of the share where there is no difference.
func byChance(s *poolv1.GroupsShare) float64 {
	return float64(s.GetGroupDf()) / float64(s.GetGroupDf()+s.GetRestDf())
}
