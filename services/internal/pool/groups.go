package pool

import (
	"context"
	"fmt"
	"math"
	"strings"

	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
)

// marginRatio is the ratio of spreads from which one palette is called wider than another (METHODS: margin 10 %).
const marginRatio = 1.10

// answerGroups answers for water, fibre, mordant and exhaust: estimates only.
func (p *Pool) answerGroups(ctx context.Context, a *asking) error {
	a.answer.Standing = poolv1.Standing_STANDING_NOT_ENOUGH_YET
	if len(a.picks) == 0 {
		a.answer.Headline = "Not enough yet: the pool holds no readings that fit the question"
		return nil
	}
	by := a.question.GroupBy
	a.shown, a.mixed = strata(a.picks, by == poolv1.GroupBy_GROUP_BY_FIBRE, nil)
	assignCells(a.picks, false)
	response, labels, err := p.widths(ctx, a, a.picks)
	if err != nil {
		return err
	}
	stated := map[string]bool{}
	sessions := map[string]bool{}
	for _, pick := range a.picks {
		_, stated[pick.group] = a.now.groupOf(by, pick.row)
		sessions[pick.block] = pick.block != ""
	}
	delete(sessions, "")
	lotless, err := p.lotlessPairs(ctx, a)
	if err != nil {
		return err
	}
	pairs, apart := 0, 0
	for _, pair := range response.GetPairs() {
		first, second := labels.Groups[pair.GetGroupA()], labels.Groups[pair.GetGroupB()]
		if !stated[first] || !stated[second] || mayBeSame(first, second) {
			continue // what isn't stated may be either; it is shown and never ranked
		}
		pairs++
		onLotless := false
		if pair.GetStrata() == 0 {
			if pair, onLotless = lotless[[2]string{first, second}]; !onLotless {
				apart++
				continue
			}
		}
		out := &poolv1.PairAnswer{
			First: first, Second: second, Standing: poolv1.Standing_STANDING_EXPLORATORY,
			Strata: pair.GetStrata(), CellsFirst: pair.GetCellsA(), CellsSecond: pair.GetCellsB(),
			ShadeDifference: pair.MeanShadeDifference, Thin: pair.GetThin() || onLotless, Sessions: int32(len(sessions)),
		}
		if pair.MeanLogDispersionRatio != nil {
			ratio := math.Exp(pair.GetMeanLogDispersionRatio())
			out.WidthRatio = &ratio
		}
		held := a.held(out)
		if onLotless {
			held = "over pieces whose yarn isn't stated"
		}
		a.judge(out, held)
		a.answer.Pairs = append(a.answer.Pairs, out)
	}
	if apart > 0 {
		a.tell("%d of %d pairs of groups stand nowhere side by side on one yarn, read alike, with at least 2 cells of each", apart, pairs)
	}
	if len(sessions) > 0 {
		a.tell("no verdict is given here: that needs an experiment that asks this, at its closing size")
	}
	a.headlineGroups(stated)
	return nil
}

// lotlessPairs compares the groups among the pieces whose yarn isn't stated. They may lie on different yarns, so what comes of it is
// used only for groups that no known yarn holds both of, and always as thin.
func (p *Pool) lotlessPairs(ctx context.Context, a *asking) (map[[2]string]*palettev1.PairWidth, error) {
	var picks []*pick
	for _, of := range a.picks {
		if text := a.shown[of.stratum]; text != of.stratum {
			clone := *of
			clone.stratum = text
			picks = append(picks, &clone)
		}
	}
	out := map[[2]string]*palettev1.PairWidth{}
	if len(picks) == 0 {
		return out, nil
	}
	labels, rows := table(picks, nil)
	response, _, err := p.pipeline.MeasureWidths(ctx, pipeline.WidthsQuestion{
		Condition: a.question.Condition, Labels: labels, Rows: rows,
		ThresholdDE00: a.question.ThresholdDE00, EqualNumber: a.question.EqualNumber, Seed: a.question.Seed,
	})
	if err != nil {
		return nil, err
	}
	for _, pair := range response.GetPairs() {
		if pair.GetStrata() > 0 {
			out[[2]string{labels.Groups[pair.GetGroupA()], labels.Groups[pair.GetGroupB()]}] = pair
		}
	}
	return out, nil
}

// mayBeSame: an exhaust bath of no stated number may be any numbered one.
func mayBeSame(first, second string) bool {
	isExhaust := func(group string) bool { return strings.HasPrefix(group, "exhaust bath") }
	return isExhaust(first) && isExhaust(second) && (first == exhaustNumberless || second == exhaustNumberless)
}

const (
	exploratory = "Exploratory, no verdict: "
	tooThin     = "; too thin to lean on"
)

// judge says which of two groups looks wider by the estimates, and puts it into a sentence.
// held says over what the two were held alike.
func (a *asking) judge(pair *poolv1.PairAnswer, held string) {
	first, second := said(a.question.GroupBy, pair.GetFirst()), said(a.question.GroupBy, pair.GetSecond())
	thin := ""
	if pair.GetThin() {
		thin = tooThin
	}
	if pair.WidthRatio == nil {
		pair.Statement = exploratory + fmt.Sprintf("the spread of %s and %s can't be put in proportion %s%s", first, second, held, thin)
		return
	}
	ratio, shades := pair.GetWidthRatio(), pair.GetShadeDifference()
	switch {
	case ratio < marginRatio && ratio > 1/marginRatio:
		pair.Statement = exploratory + fmt.Sprintf("among pieces held alike, %s and %s spread about as wide (ratio %.2f %s)%s", first, second, ratio, held, thin)
	case ratio > 1 && shades < 0 || ratio < 1 && shades > 0:
		pair.Statement = exploratory + fmt.Sprintf("between %s and %s the measures disagree: spread in the ratio %.2f, and %+.1f shades at equal numbers %s%s", first, second, ratio, shades, held, thin)
	case ratio > 1:
		pair.Wider = "first"
		pair.Statement = exploratory + fmt.Sprintf("among pieces held alike, %s spread wider than %s (ratio %.2f %s)%s", first, second, ratio, held, thin)
	default:
		pair.Wider = "second"
		pair.Statement = exploratory + fmt.Sprintf("among pieces held alike, %s spread wider than %s (ratio %.2f %s)%s", second, first, 1/ratio, held, thin)
	}
}

// said names a group in a sentence.
func said(by poolv1.GroupBy, group string) string {
	switch by {
	case poolv1.GroupBy_GROUP_BY_MORDANT:
		if group == "none" {
			return "pieces without mordant"
		}
		return "pieces mordanted with " + group
	case poolv1.GroupBy_GROUP_BY_WATER:
		return "pieces dyed in " + group
	case poolv1.GroupBy_GROUP_BY_FIBRE:
		return "pieces of " + group
	case poolv1.GroupBy_GROUP_BY_EXHAUST:
		return "pieces from " + group
	}
	return group
}

// held says over what a pair was held alike.
func (a *asking) held(pair *poolv1.PairAnswer) string {
	noun := "yarn"
	switch {
	case a.question.GroupBy == poolv1.GroupBy_GROUP_BY_FIBRE && !a.mixed:
		return "with all read alike"
	case a.question.GroupBy == poolv1.GroupBy_GROUP_BY_FIBRE:
		noun = "way of reading"
	case a.mixed:
		noun = "yarn and way of reading"
	}
	if pair.GetStrata() == 1 {
		return "over 1 " + noun
	}
	plural := map[string]string{"yarn": "yarns", "way of reading": "ways of reading", "yarn and way of reading": "yarns and ways of reading"}[noun]
	return fmt.Sprintf("over %d %s", pair.GetStrata(), plural)
}

// headlineGroups says which group looks widest, if one does: wider than at least one other in pairs that aren't thin, and in none of them
// narrower.
func (a *asking) headlineGroups(stated map[string]bool) {
	known := 0
	for _, ok := range stated {
		if ok {
			known++
		}
	}
	var solid, comparable int
	wins, losses := map[string][]*poolv1.PairAnswer{}, map[string]int{}
	for _, pair := range a.answer.GetPairs() {
		comparable++
		if pair.GetThin() {
			continue
		}
		solid++
		switch pair.GetWider() {
		case "first":
			wins[pair.GetFirst()] = append(wins[pair.GetFirst()], pair)
			losses[pair.GetSecond()]++
		case "second":
			wins[pair.GetSecond()] = append(wins[pair.GetSecond()], pair)
			losses[pair.GetFirst()]++
		}
	}
	switch {
	case known < 2:
		a.answer.Headline = fmt.Sprintf("Not enough yet: the pieces fall into %d group whose %s is stated; two are needed", known, byWords(a.question.GroupBy))
		if known != 1 {
			a.answer.Headline = strings.Replace(a.answer.Headline, "0 group ", "no group ", 1)
		}
		return
	case comparable == 0:
		a.answer.Headline = "Not enough yet: no two groups stand side by side on the same yarn, read alike, with at least 2 cells of each"
		return
	}
	a.answer.Standing = poolv1.Standing_STANDING_EXPLORATORY
	best := ""
	for group, won := range wins {
		if losses[group] > 0 {
			continue
		}
		if best == "" || len(won) > len(wins[best]) || len(won) == len(wins[best]) && group < best {
			best = group
		}
	}
	switch {
	case solid == 0:
		a.answer.Headline = fmt.Sprintf("Exploratory, no verdict: all comparisons (%d) are too thin to lean on, so no group is called widest", comparable)
		if fullest := a.fullest(); fullest != nil {
			a.answer.Headline += "; the fullest of them: " + strings.TrimPrefix(strings.TrimSuffix(fullest.GetStatement(), tooThin), exploratory)
		}
	case best == "":
		a.answer.Headline = fmt.Sprintf("Exploratory, no verdict: no group comes out widest in the comparisons with enough behind them (%d)", solid)
	default:
		texts := make([]string, 0, len(wins[best]))
		for _, pair := range wins[best] {
			other, ratio := pair.GetSecond(), pair.GetWidthRatio()
			if pair.GetWider() == "second" {
				other, ratio = pair.GetFirst(), 1/ratio
			}
			texts = append(texts, fmt.Sprintf("%s (ratio %.2f %s)", said(a.question.GroupBy, other), ratio, a.held(pair)))
		}
		a.answer.Headline = fmt.Sprintf("Exploratory, no verdict: among pieces held alike, %s spread wider than %s", said(a.question.GroupBy, best), listed(texts))
		if rest := known - 1 - len(wins[best]); rest > 0 {
			a.answer.Headline += fmt.Sprintf("; %d other groups are about as wide or too thin to rank", rest)
			if rest == 1 {
				a.answer.Headline = strings.Replace(a.answer.Headline, "1 other groups are", "1 other group is", 1)
			}
		}
	}
	if noSessions := len(a.answer.GetPairs()) > 0 && a.answer.GetPairs()[0].GetSessions() == 0; noSessions {
		a.answer.Headline += "; not enough yet for a verdict: no sessions are known"
	}
}

// fullest is the comparison with the most behind it, thin as it may be.
func (a *asking) fullest() *poolv1.PairAnswer {
	var best *poolv1.PairAnswer
	for _, pair := range a.answer.GetPairs() {
		if pair.WidthRatio == nil {
			continue
		}
		if best == nil || pair.GetStrata() > best.GetStrata() || pair.GetStrata() == best.GetStrata() &&
			min(pair.GetCellsFirst(), pair.GetCellsSecond()) > min(best.GetCellsFirst(), best.GetCellsSecond()) {
			best = pair
		}
	}
	return best
}

func byWords(by poolv1.GroupBy) string {
	return map[poolv1.GroupBy]string{
		poolv1.GroupBy_GROUP_BY_ORDER: "order", poolv1.GroupBy_GROUP_BY_WATER: "water", poolv1.GroupBy_GROUP_BY_FIBRE: "fibre",
		poolv1.GroupBy_GROUP_BY_MORDANT: "mordant", poolv1.GroupBy_GROUP_BY_EXHAUST: "bath",
	}[by]
}

// listed joins texts with commas and a last "and".
func listed(texts []string) string {
	if len(texts) < 2 {
		return strings.Join(texts, "")
	}
	return strings.Join(texts[:len(texts)-1], ", ") + " and " + texts[len(texts)-1]
}
