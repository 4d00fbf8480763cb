package pool

import (
	"context"
	"fmt"
	"maps"
	"math"
	"math/bits"
	"slices"
	"strings"
	"sync"

	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
)

// marginRatio is the ratio of spreads from which one palette is called wider than another: a margin of 10 %, a decision and no measurement.
const marginRatio = 1.10

// answerGroups answers for water, fibre, mordant and exhaust: estimates only.
func (p *Pool) answerGroups(ctx context.Context, a *asking) error {
	a.answer.Standing = poolv1.Standing_STANDING_NOT_ENOUGH_YET
	if len(a.picks) == 0 {
		a.answer.Headline = "Not enough yet: the pool holds no readings that fit the question"
		return nil
	}
	by := a.question.GroupBy
	a.shown, a.mixed = a.texts.strata(a.picks, by == poolv1.GroupBy_GROUP_BY_FIBRE, nil)
	var side sync.WaitGroup
	side.Go(func() { a.unknown = a.unknowns() }) // which wants no cells
	a.texts.assignCells(a.picks, false)
	labels, rows := a.texts.table(a.picks, nil)
	side.Wait()
	// All that is wanted of the pieces besides is taken now, so that they can go once the palette modules have them: of a large question they take much room.
	stated, lotlessPicks, alike := a.statedGroups(), a.lotless(), a.alikeBut(by)
	if err := p.checkLength(ctx, a, stated); err != nil {
		return err
	}
	inSessions := a.sessionsHeld()
	if by != poolv1.GroupBy_GROUP_BY_WATER {
		a.picks = nil
	}
	response, err := p.widths(ctx, a, labels, rows)
	if err != nil {
		return err
	}
	if err := p.scores(ctx, a, labels, rows); err != nil {
		return err
	}
	sessions := len(labels.Blocks)
	if labels.Blocks[0] == "" {
		sessions--
	}
	lotless, err := p.lotlessPairs(ctx, a, lotlessPicks)
	if err != nil {
		return err
	}
	var readApart map[uint32][]*palettev1.GroupWidth // palettes of each fibre, where fibres were read in several ways
	if by == poolv1.GroupBy_GROUP_BY_FIBRE && len(labels.Strata) > 1 {
		readApart = map[uint32][]*palettev1.GroupWidth{}
		for _, g := range response.GetGroups() {
			readApart[g.GetGroup()] = append(readApart[g.GetGroup()], g)
		}
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
			ShadeDifference: pair.MeanShadeDifference, Thin: pair.GetThin() || onLotless, Sessions: inSessions.either(first, second),
		}
		if pair.MeanLogDispersionRatio != nil {
			ratio := math.Exp(pair.GetMeanLogDispersionRatio())
			out.WidthRatio = &ratio
		}
		held := a.held(out)
		if onLotless {
			held = "over pieces whose yarn isn't stated, so yarns may differ"
		}
		switch {
		case !out.GetThin():
		case readApart != nil:
			out.Missing = a.fibresMissing(out, readApart[pair.GetGroupA()], readApart[pair.GetGroupB()], labels.Strata)
		default:
			out.Missing = a.thinMissing(out, len(labels.Strata), onLotless)
		}
		a.judge(out, held)
		a.answer.Pairs = append(a.answer.Pairs, out)
	}
	if apart > 0 {
		beside := "on one yarn, read alike"
		if by == poolv1.GroupBy_GROUP_BY_FIBRE {
			beside = "read alike"
		}
		a.tell("%d of %d pairs of groups stand nowhere side by side %s, with at least 2 cells of each", apart, pairs, beside)
	}
	if sessions > 0 {
		a.tell("no verdict is given here: that needs an experiment that asks this, at its closing size")
	}
	a.headlineGroups(stated, sessions)
	if err := p.apart(ctx, a, alike); err != nil {
		return err
	}
	if by == poolv1.GroupBy_GROUP_BY_WATER {
		return p.waters(ctx, a)
	}
	return nil
}

// statedGroups tells of each group whether the record says that pieces are of it.
func (a *asking) statedGroups() map[string]bool {
	stated := map[label]bool{}
	for _, pick := range a.picks {
		stated[pick.group] = groupStated(a.question.GroupBy, pick.row)
	}
	out := make(map[string]bool, len(stated))
	for group, is := range stated {
		out[a.texts.text(group)] = is
	}
	return out
}

// sessionsHeld are the sessions that hold pieces of each group, a bit a session.
type sessionsHeld map[string][]uint64

func (a *asking) sessionsHeld() sessionsHeld {
	place, of := map[label]int{}, map[label][]uint64{}
	for i, pick := range a.picks {
		if pick.block == 0 || i > 0 && pick.block == a.picks[i-1].block && pick.group == a.picks[i-1].group { // as most of a trial
			continue
		}
		at, known := place[pick.block]
		if !known {
			at = len(place)
			place[pick.block] = at
		}
		own := of[pick.group]
		for len(own) <= at/64 {
			own = append(own, 0)
		}
		own[at/64] |= 1 << (at % 64)
		of[pick.group] = own
	}
	out := make(sessionsHeld, len(of))
	for group, own := range of {
		out[a.texts.text(group)] = own
	}
	return out
}

// either counts the sessions that hold pieces of one group or the other.
func (h sessionsHeld) either(first, second string) (n int32) {
	more, fewer := h[first], h[second]
	if len(fewer) > len(more) {
		more, fewer = fewer, more
	}
	for i, word := range more {
		if i < len(fewer) {
			word |= fewer[i]
		}
		n += int32(bits.OnesCount64(word))
	}
	return n
}

// lotless are copies of the pieces whose yarn isn't stated, with those of all groups in the same strata.
func (a *asking) lotless() []*pick {
	shared := map[label]label{} // strata of a group's own: that of all groups together
	for of, text := range a.shown {
		if text != of {
			shared[a.texts.label(of)] = a.texts.label(text)
		}
	}
	var picks []*pick
	for _, of := range a.picks {
		if stratum, alone := shared[of.stratum]; alone {
			clone := *of
			clone.stratum = stratum
			picks = append(picks, &clone)
		}
	}
	return picks
}

// lotlessPairs compares the groups among the pieces whose yarn isn't stated. Those may be on different yarns, so the result is used only for
// groups that have no known yarn in common, and always counts as thin.
func (p *Pool) lotlessPairs(ctx context.Context, a *asking, picks []*pick) (map[[2]string]*palettev1.PairWidth, error) {
	out := map[[2]string]*palettev1.PairWidth{}
	if len(picks) == 0 {
		return out, nil
	}
	labels, rows := a.texts.table(picks, nil)
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
	// sessionless stands in its place in a headline that could have no verdict in any case.
	sessionless = "Exploratory, no verdict as no sessions are known: "
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
		pair.Statement = exploratory + fmt.Sprintf("%s and %s spread about as wide (ratio %.2f %s)%s", first, second, ratio, held, thin)
	case ratio > 1 && shades < 0 || ratio < 1 && shades > 0:
		pair.Statement = exploratory + fmt.Sprintf("between %s and %s the measures disagree: spread in the ratio %.2f, and %+.1f shades at equal numbers %s%s", first, second, ratio, shades, held, thin)
	case ratio > 1:
		pair.Wider = "first"
		pair.Statement = exploratory + fmt.Sprintf("%s spread wider than %s (ratio %.2f %s)%s", first, second, ratio, held, thin)
	default:
		pair.Wider = "second"
		pair.Statement = exploratory + fmt.Sprintf("%s spread wider than %s (ratio %.2f %s)%s", second, first, 1/ratio, held, thin)
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

// The least that a comparison of palettes isn't thin with, where there are several strata.
const (
	fullStrata       = 3
	fullCells  int32 = 6
)

// thinMissing says what a thin comparison of two groups wants.
func (a *asking) thinMissing(pair *poolv1.PairAnswer, strata int, onLotless bool) []string {
	if onLotless {
		return []string{"pieces of both groups on a yarn whose lot is stated"}
	}
	var out []string
	if n := fullStrata - int(pair.GetStrata()); strata > 1 && n > 0 {
		out = append(out, fmt.Sprintf("%d more %s with %d pieces or more of each group, of other recipes or from other sessions", n, plural("yarn", n), max(2, a.question.EqualNumber)))
	}
	return append(out, a.morePieces(pair, pair.GetCellsFirst(), pair.GetCellsSecond(), fullCells)...)
}

// fibresMissing says what a thin comparison of two fibres that were read in several ways lacks. It never asks for readings in further ways: where enough
// of both was read in one way, a question about that way alone is no longer thin. first and second are the palettes of each fibre by way of reading;
// they share one way at least.
func (a *asking) fibresMissing(pair *poolv1.PairAnswer, first, second []*palettev1.GroupWidth, ways []string) []string {
	var way string
	var cellsFirst, cellsSecond int32
	for _, x := range first {
		for _, y := range second {
			if x.GetStratum() == y.GetStratum() && (way == "" || min(x.GetCells(), y.GetCells()) > min(cellsFirst, cellsSecond)) {
				way, cellsFirst, cellsSecond = a.shown[ways[x.GetStratum()]], x.GetCells(), y.GetCells()
			}
		}
	}
	want := max(fullCells, a.question.EqualNumber)
	more := a.morePieces(pair, cellsFirst, cellsSecond, want)
	for i := range more {
		more[i] += ", read alike (" + way + ")"
	}
	return append(more, "a question about what was read alike ("+way+"), which a filter by instrument or state keeps to")
}

// morePieces says how many pieces of either group are missing to so many.
func (a *asking) morePieces(pair *poolv1.PairAnswer, first, second, want int32) (out []string) {
	for _, of := range []struct {
		group string
		cells int32
	}{{pair.GetFirst(), first}, {pair.GetSecond(), second}} {
		n := int(want - of.cells)
		pieces := said(a.question.GroupBy, of.group)
		switch {
		case n == 1:
			out = append(out, "1 more piece"+strings.TrimPrefix(pieces, "pieces")+", of another recipe or from another session")
		case n > 1:
			out = append(out, fmt.Sprintf("%d more %s, of other recipes or from other sessions", n, pieces))
		}
	}
	return out
}

// pluralStrata are the plurals of alikeIn.
var pluralStrata = map[string]string{"yarn": "yarns", "way of reading": "ways of reading", "yarn and way of reading": "yarns and ways of reading"}

// alikeIn is what strata differ in.
func (a *asking) alikeIn() string {
	switch {
	case a.question.GroupBy == poolv1.GroupBy_GROUP_BY_FIBRE:
		return "way of reading"
	case a.mixed:
		return "yarn and way of reading"
	}
	return "yarn"
}

// held says over what a pair was held alike.
func (a *asking) held(pair *poolv1.PairAnswer) string {
	noun := a.alikeIn()
	switch {
	case a.question.GroupBy == poolv1.GroupBy_GROUP_BY_FIBRE && !a.mixed:
		return "with all read alike"
	case pair.GetStrata() == 1:
		return "over 1 " + noun
	}
	return fmt.Sprintf("over %d %s", pair.GetStrata(), pluralStrata[noun])
}

// headlineGroups says which group looks widest, if one does: in pairs that aren't thin it is wider than at least one other and narrower than none.
// Otherwise it says what the comparison with the most data shows.
func (a *asking) headlineGroups(stated map[string]bool, sessions int) {
	known := 0
	for _, ok := range stated {
		if ok {
			known++
		}
	}
	pairs := a.answer.GetPairs()
	switch {
	case known == 0:
		a.answer.Headline = fmt.Sprintf("Not enough yet: the pieces fall into no group whose %s is stated; two are needed", byWords(a.question.GroupBy))
		return
	case known == 1:
		a.answer.Headline = fmt.Sprintf("Not enough yet: the pieces fall into 1 group whose %s is stated; two are needed", byWords(a.question.GroupBy))
		return
	case len(pairs) == 0 && a.question.GroupBy == poolv1.GroupBy_GROUP_BY_FIBRE:
		a.answer.Headline = "Not enough yet: no two fibres stand side by side, read alike, with at least 2 cells of each"
		return
	case len(pairs) == 0:
		a.answer.Headline = "Not enough yet: no two groups stand side by side on the same yarn, read alike, with at least 2 cells of each"
		return
	}
	a.answer.Standing = poolv1.Standing_STANDING_EXPLORATORY
	start := exploratory
	if sessions == 0 {
		start = sessionless
	}
	solid := slices.DeleteFunc(slices.Clone(pairs), (*poolv1.PairAnswer).GetThin)
	best, won := widest(solid)
	switch {
	case len(solid) == 0:
		a.answer.Headline = start + "no group can be called widest, as every comparison here is too thin to lean on" + fullest(pairs)
	case best == "":
		a.answer.Headline = start + "no group comes out widest" + fullest(solid)
	default:
		texts := make([]string, 0, len(won))
		for _, pair := range won {
			other, ratio := pair.GetSecond(), pair.GetWidthRatio()
			if pair.GetWider() == "second" {
				other, ratio = pair.GetFirst(), 1/ratio
			}
			texts = append(texts, fmt.Sprintf("%s (ratio %.2f %s)", said(a.question.GroupBy, other), ratio, a.held(pair)))
		}
		a.answer.Headline = start + said(a.question.GroupBy, best)
		switch rest := known - 1 - len(won); rest {
		case 0:
			a.answer.Headline += " spread widest, ahead of " + listed(texts)
		case 1:
			a.answer.Headline += " spread wider than " + listed(texts) + ". 1 other group is about as wide or too thin to rank"
		default:
			a.answer.Headline += " spread wider than " + listed(texts) + fmt.Sprintf(". %d other groups are about as wide or too thin to rank", rest)
		}
	}
}

// widest finds the group that is wider than most others and narrower than none, with the pairs that say so; "" when there is none.
func widest(pairs []*poolv1.PairAnswer) (best string, won []*poolv1.PairAnswer) {
	wins, losses := map[string][]*poolv1.PairAnswer{}, map[string]int{}
	for _, pair := range pairs {
		switch pair.GetWider() {
		case "first":
			wins[pair.GetFirst()] = append(wins[pair.GetFirst()], pair)
			losses[pair.GetSecond()]++
		case "second":
			wins[pair.GetSecond()] = append(wins[pair.GetSecond()], pair)
			losses[pair.GetFirst()]++
		}
	}
	for _, group := range slices.Sorted(maps.Keys(wins)) {
		if losses[group] == 0 && len(wins[group]) > len(won) {
			best, won = group, wins[group]
		}
	}
	return best, won
}

// fullest says what the comparison with the most behind it shows, thin as it may be; "" when there is none.
func fullest(pairs []*poolv1.PairAnswer) string {
	var best *poolv1.PairAnswer
	for _, pair := range pairs {
		if pair.WidthRatio == nil {
			continue
		}
		if best == nil || pair.GetStrata() > best.GetStrata() || pair.GetStrata() == best.GetStrata() &&
			min(pair.GetCellsFirst(), pair.GetCellsSecond()) > min(best.GetCellsFirst(), best.GetCellsSecond()) {
			best = pair
		}
	}
	if best == nil {
		return ""
	}
	which := "The comparison: "
	if len(pairs) > 1 {
		which = fmt.Sprintf("The fullest of %d comparisons: ", len(pairs))
	}
	return ". " + which + strings.TrimPrefix(strings.TrimSuffix(best.GetStatement(), tooThin), exploratory)
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
