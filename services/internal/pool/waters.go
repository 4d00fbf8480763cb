package pool

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
)

// waterRecipe is everything of a piece but its water, its layers in their order.
func waterRecipe(r *row) string {
	parts := []string{r.yarn.form.Value(), "lot " + r.yarn.lot.Value(), r.route.around.Value(), r.route.mordantPlace.Value()}
	for _, c := range r.route.colour {
		parts = append(parts, fmt.Sprintf("%s vat=%t depth=%d %s", c.name, c.vat, c.depth, c.exhaust))
	}
	return strings.Join(parts, "; ")
}

// waterCells copies picks with their recipes as cells, read in one way, and no strata: a session's pots are the same for all its yarns. It also tells who
// dyed in each block, "" where several did.
func (t *texts) waterCells(of []*pick) (picks []*pick, members map[label]string) {
	picks, members = make([]*pick, len(of)), map[label]string{}
	for i, p := range of {
		clone := *p
		picks[i] = &clone
	}
	t.assignCellsBy(picks, false, waterRecipe)
	for _, p := range picks {
		p.cell, p.stratum = cell{head: t.label(t.text(p.stratum) + "; " + t.cellText(p.cell))}, 0
		m := p.chunk.member.Value()
		if other, ok := members[p.block]; ok && other != m {
			m = "" // sessions tied together, of several members
		}
		members[p.block] = m
	}
	return picks, members
}

// waters says what the waters do to the colour of pieces that are otherwise alike: estimates only.
func (p *Pool) waters(ctx context.Context, a *asking) error {
	var known []*pick
	for _, of := range a.picks {
		// What isn't stated of a recipe may differ from water to water.
		if of.row.route.waterKnown && !of.row.route.hidden && of.row.yarn.lot.Value() != "" {
			known = append(known, of)
		}
	}
	if len(known) == 0 {
		a.answer.Waters = &poolv1.WatersAnswer{Standing: poolv1.Standing_STANDING_NOT_ENOUGH_YET,
			Statement: "Not enough yet: no piece has its water, its yarn lot and its whole history stated", Missing: []string{"pieces of which the water, the yarn lot and every bath are stated"}}
		return nil
	}
	picks, members := a.texts.waterCells(known)
	out, r, err := p.askWaters(ctx, a, picks, members, pipeline.WatersQuestion{})
	if err != nil || out == nil {
		return err
	}
	a.answer.Waters = out
	out.Standing, out.Missing = poolv1.Standing_STANDING_EXPLORATORY, r.GetMissing()
	holding := a.texts.holdingAll(picks, waterNames(out))
	out.Outlook = placeOutlook(r.GetOutlook(), "waters", "sessions or members", holding, r.GetSessions()-holding)
	differences := waterDifferences(out)
	switch {
	case len(out.GetApart()) > 0:
		out.Standing = poolv1.Standing_STANDING_NOT_ENOUGH_YET
		out.Statement, out.Missing = waterOrMember(out), append(out.Missing, watersJoined)
	case len(differences) == 0:
		out.Standing = poolv1.Standing_STANDING_NOT_ENOUGH_YET
		out.Statement = "Not enough yet: no recipe was dyed alike in two waters"
		if len(out.GetMissing()) == 0 {
			out.Missing = []string{sideBySide[poolv1.GroupBy_GROUP_BY_WATER]}
		}
	default:
		out.Statement = exploratory + waterEstimates(out)
		if len(out.GetMissing()) > 0 {
			out.Statement += "; missing for more: " + listed(out.GetMissing())
		}
	}
	return nil
}

// watersJoined is what is missing where water and member can't be told apart.
const watersJoined = "sessions of one member in several of these waters, on one recipe, or of all in a common one"

func waterOrMember(out *poolv1.WatersAnswer) string {
	return fmt.Sprintf("Water and member can't be told apart: nobody dyed one recipe in %s and in any other of these waters; a session by each of them in one common water, such as demineralised, would help", strings.Join(out.GetApart(), " or "))
}

func waterNames(out *poolv1.WatersAnswer) (names []string) {
	for _, x := range out.GetWaters() {
		names = append(names, x.GetWater())
	}
	return names
}

// waterDifferences says how far each water lies from the reference.
func waterDifferences(out *poolv1.WatersAnswer) (texts []string) {
	for _, x := range out.GetWaters() {
		if x.MeanDe00 != nil {
			texts = append(texts, fmt.Sprintf("%s %.1f (%d %s)", x.GetWater(), x.GetMeanDe00(), x.GetRecipes(), plural("recipe", int(x.GetRecipes()))))
		}
	}
	return texts
}

func waterEstimates(out *poolv1.WatersAnswer) string {
	text := "mean difference of colour from " + out.GetReference() + ": " + listed(waterDifferences(out))
	if out.NoiseFloorDe00 != nil {
		text += fmt.Sprintf("; noise alone would make about %.1f", out.GetNoiseFloorDe00())
	}
	return text
}

// askWaters asks q of picks and writes the figures of the answer. Both are nil where the module can't be asked; that is told.
func (p *Pool) askWaters(ctx context.Context, a *asking, picks []*pick, members map[label]string, q pipeline.WatersQuestion) (*poolv1.WatersAnswer, *comparev1.CompareWatersResponse, error) {
	labels, rows := a.texts.table(picks, nil)
	q.Condition, q.Seed, q.Labels, q.Rows = a.question.Condition, a.question.Seed, labels, rows.list()
	for _, b := range labels.Blocks {
		q.Members = append(q.Members, members[a.texts.label(b)])
	}
	var err error
	if q.Covariates, err = p.waterFigures(ctx, a.texts, picks, labels.Groups); err != nil {
		return nil, nil, err
	}
	if named := q.NamedCovariate; !slices.ContainsFunc(q.Covariates, func(c *comparev1.WaterCovariate) bool { return c.GetName() == named }) {
		q.NamedCovariate = ""
	}
	r, identity, err := p.pipeline.CompareWaters(ctx, q)
	switch {
	case errors.Is(err, pipeline.ErrNotOffered), errors.Is(err, pipeline.ErrTooLarge):
		a.tell("what the waters do to the colour: %s", err)
		return nil, nil, nil
	case err != nil:
		return nil, nil, err
	}
	a.modules = append(a.modules, identity)
	out := &poolv1.WatersAnswer{Recipes: r.GetRecipes(), Sessions: r.GetSessions(), NoiseFloorDe00: r.NoiseFloorDe00, P: r.P, AboutFigures: r.GetAboutCorrelations()}
	for _, w := range r.GetApart() {
		out.Apart = append(out.Apart, labels.Groups[w])
	}
	for _, w := range r.GetWaters() {
		x := &poolv1.WaterAnswer{Water: labels.Groups[w.GetWater()], Sessions: w.GetSessions(), Members: w.GetMembers(), Recipes: w.GetRecipes(), MeanDe00: w.MeanDe00, MaxDe00: w.MaxDe00}
		if w.MeanDe00 != nil {
			x.Difference = &typesv1.LabDifference{L: w.GetL(), A: w.GetA(), B: w.GetB()}
		}
		out.Waters = append(out.Waters, x)
	}
	if len(out.Waters) > 0 {
		out.Reference = labels.Groups[r.GetReference()]
	}
	for _, x := range r.GetPairs() {
		pair := &poolv1.WatersPair{First: labels.Groups[x.GetWaterA()], Second: labels.Groups[x.GetWaterB()], Recipes: x.GetRecipes(), MeanDe00: x.MeanDe00, P: x.P, PAdjusted: x.PAdjusted}
		if x.MeanDe00 != nil {
			pair.Difference = &typesv1.LabDifference{L: x.GetL(), A: x.GetA(), B: x.GetB()}
		}
		out.Pairs = append(out.Pairs, pair)
	}
	for _, c := range r.GetCorrelations() {
		out.Figures = append(out.Figures, &poolv1.WaterFigureAnswer{Figure: c.GetName(), Waters: c.GetWaters(), Rho: c.GetRho(), P: c.P, InseparableFrom: c.GetInseparableFrom()})
	}
	return out, r, nil
}

// placeOutlook says how many more sessions it may take to find that waters or groups lie apart. Of those that count, have hold all of them and some don't; within
// are what the noise was seen in.
func placeOutlook(o *comparev1.PlaceOutlook, what, within string, have, some int32) string {
	if o == nil {
		return ""
	}
	text := fmt.Sprintf("judged by the noise within %d %s, and with a chance of 4 in 5: to find that the farthest two of the %s lie %.1f apart, %s that hold all of them",
		o.GetFromSessions(), within, what, o.GetTargetDe00(), moreSessions(o.GetSessionsToFind(), have))
	if some > 0 && o.GetSessionsToFind() > have {
		text += fmt.Sprintf(", or fewer, as %d %s only some", some, map[bool]string{true: "holds", false: "hold"}[some == 1])
	}
	return text
}
