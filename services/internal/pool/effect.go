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
	"github.com/commonvat/commonvat/services/internal/trial"
)

// DefaultToleranceDE00 is the difference that matters where no experiment names another.
const DefaultToleranceDE00 = 2.0

// repeatsApart is how far repeats may lie from each other, in their mean distance from their mean: for noise alike in all directions the 95th percentile of the
// difference of two is 3.9534σ and that mean 1.5958σ (both by the χ distribution with 3 degrees of freedom).
const repeatsApart = 2.5

// effect says whether the order of a dye pair changes the colour, over the same matched pieces as their widths, and writes it beside them. closing
// is 0 without an experiment.
func (p *Pool) effect(ctx context.Context, a *asking, pair *poolv1.PairAnswer, matched []*pick, groups []string, closing int32, tolerance float64) error {
	e := a.effectPicks(matched, groups)
	labels, rows := a.texts.tableBy(e.picks, e.groups, e.done)
	response, identity, err := p.pipeline.MeasureOrderEffect(ctx, pipeline.EffectQuestion{
		Condition: a.question.Condition, Labels: labels, Rows: rows.list(), Arms: e.arms,
		ToleranceDE00: tolerance, ClosingSessions: closing, Comparisons: 1, Alpha: alpha, Seed: a.question.Seed,
	})
	if errors.Is(err, pipeline.ErrNotOffered) {
		a.tell("whether the order changes the colour: %s", err)
		return nil
	}
	if err != nil {
		return err
	}
	a.modules = append(a.modules, identity)
	out := e.answer(a, response, closing, tolerance)
	if o := response.GetOverall(); o != nil && o.P != nil {
		a.tested("whether the order changes the colour", o.GetArrangements(), o.GetExact())
	}
	if mcdm := out.GetRepeatabilityMcdm(); a.question.ThresholdDE00 < repeatsApart*mcdm {
		a.tell("how many shades a dyer would see: repeats of the whole route lie %.1f from their mean, so that repeats of one colour can count as shades of %g; repeats alone lie %.1f or more apart about once in 20 times",
			mcdm, a.question.ThresholdDE00, repeatsApart*mcdm)
	}
	out.Statement = effectStatement(pair, out)
	if out.GetVerdict() != poolv1.EffectVerdict_EFFECT_VERDICT_ORDER_MATTERS {
		out.Outlook = outlookWords(response, pair, tolerance)
	}
	pair.Effect = out
	return nil
}

// effectPicks is what a question about an order's effect is asked of.
type effectPicks struct {
	picks  []*pick
	words  map[label]string // what a dyer calls each cell
	done   map[label]int64  // when each block was complete, of the matched pieces alone
	arms   []comparev1.Arm
	groups []string // of the arms
}

// effectPicks are the matched pieces of two orders and those that stand beside them, such as blanks.
func (a *asking) effectPicks(matched []*pick, groups []string) *effectPicks {
	e := &effectPicks{
		words: map[label]string{}, arms: []comparev1.Arm{comparev1.Arm_ARM_FIRST_ORDER, comparev1.Arm_ARM_SECOND_ORDER}, groups: slices.Clone(groups),
	}
	for _, of := range matched {
		// A cell is a recipe read in one way; strata tell repeats of the whole route apart there.
		clone := *of
		clone.cell = cell{head: a.texts.label(a.texts.text(of.stratum) + "; " + a.texts.cellText(of.cell))}
		e.picks = append(e.picks, &clone)
		if _, ok := e.words[clone.cell.head]; !ok {
			e.words[clone.cell.head] = a.now.cellWords(of)
		}
	}
	e.done = a.texts.completion(e.picks)
	for _, beside := range a.arms(e.picks, groups) {
		if !slices.Contains(e.arms, beside.arm) {
			e.arms, e.groups = append(e.arms, beside.arm), append(e.groups, beside.arm.String())
		}
		beside.group = a.texts.label(beside.arm.String())
		e.picks = append(e.picks, beside.pick)
	}
	a.texts.repeats(e.picks)
	return e
}

// answer carries what the module said, in the words of dyers.
func (e *effectPicks) answer(a *asking, response *comparev1.MeasureOrderEffectResponse, closing int32, tolerance float64) *poolv1.OrderEffect {
	out := &poolv1.OrderEffect{
		Verdict: poolv1.EffectVerdict(response.GetVerdict()), Sessions: response.GetUsedSessions(), ToleranceDe00: tolerance,
		CellsDifferP: response.CellsDifferP, Missing: response.GetMissing(), MedianDe00: response.MedianDe00,
		RepeatabilityMcdm: response.RepeatabilityMcdm, Repeats: response.GetRepeats(),
	}
	first, second, _ := strings.Cut(e.groups[0], " > ")
	if n := int(max(closing, minSessions) - response.GetCompleteSessions()); n > 0 && len(out.Missing) > 0 {
		out.Missing = []string{sessionsMissing(n, first+" and "+second)}
	}
	for _, b := range response.GetBlanks() {
		c := b.GetContrast()
		out.Blanks = append(out.Blanks, &poolv1.BlankEffect{
			What: blankWords(b.GetKind(), first, second), Sessions: c.GetSessions(), De00: c.GetDe00(), UpperDe00: c.UpperDe00, P: c.P, PAdjusted: c.PAdjusted,
			Difference: &typesv1.LabDifference{L: c.GetL(), A: c.GetA(), B: c.GetB()},
		})
	}
	if o := response.GetOverall(); o != nil {
		de := o.GetDe00()
		out.De00, out.UpperDe00, out.P, out.PAdjusted = &de, o.UpperDe00, o.P, o.PAdjusted
		out.Difference = &typesv1.LabDifference{L: o.GetL(), A: o.GetA(), B: o.GetB()}
	}
	cells := a.texts.sorted(e.picks, func(p *pick) label { return p.cell.head })
	for _, c := range response.GetCells() {
		out.Cells = append(out.Cells, &poolv1.CellEffect{
			Cell: e.words[cells[c.GetCell()]], Sessions: c.GetSessions(), De00: c.GetDe00(), PAdjusted: c.PAdjusted,
			Difference: &typesv1.LabDifference{L: c.GetL(), A: c.GetA(), B: c.GetB()},
		})
	}
	return out
}

// blankWords says what a blank arm tells; first is A, second B.
func blankWords(kind comparev1.BlankKind, first, second string) string {
	switch kind {
	case comparev1.BlankKind_BLANK_KIND_BATH_ALONE_ON_A:
		return fmt.Sprintf("what the bath of %s without its dye does to %s", second, first)
	case comparev1.BlankKind_BLANK_KIND_COLOUR_OF_B_ON_A:
		return fmt.Sprintf("what the colour of %s adds to %s", second, first)
	case comparev1.BlankKind_BLANK_KIND_BATH_ALONE_ON_B:
		return fmt.Sprintf("what the bath of %s without its dye does to %s", first, second)
	}
	return fmt.Sprintf("what the colour of %s adds to %s", first, second)
}

// wordsOfDepth has nothing for a depth that is not stated.
var wordsOfDepth = map[trial.Depth]string{trial.Pale: "pale", trial.Medium: "medium", trial.Deep: "deep"}

// cellWords names a cell of an order question for a dyer: "wool, lot w, alum, weld pale, indigo deep, Mill well".
func (s *snapshot) cellWords(p *pick) string {
	parts := []string{p.row.yarn.form.Value()}
	if lot := p.row.yarn.lot.Value(); lot != "" {
		parts = append(parts, "lot "+lot)
	}
	parts = append(parts, p.row.route.mordant.Value())
	for _, i := range orderOf(p.row, true) {
		c := p.row.route.colour[i]
		text := c.name
		if d := wordsOfDepth[c.depth]; d != "" {
			text += " " + d
		}
		if c.exhaust != "fresh bath" && c.exhaust != notStated {
			text += " (" + c.exhaust + ")"
		}
		parts = append(parts, text)
	}
	if p.row.route.waterKnown {
		parts = append(parts, s.waterWords(p.row.route.water()))
	}
	return strings.Join(parts, ", ")
}

// effectStatement puts an order effect into a sentence.
func effectStatement(pair *poolv1.PairAnswer, e *poolv1.OrderEffect) string {
	first, second := pair.GetFirst(), pair.GetSecond()
	over := sessionsWords(int(e.GetSessions()))
	sure := fmt.Sprintf("(%s, %s)", pWords(e.GetPAdjusted()), over)
	switch e.GetVerdict() {
	case poolv1.EffectVerdict_EFFECT_VERDICT_EXPLORATORY:
		if e.De00 == nil {
			return exploratory + "no session holds both orders of pieces that are otherwise alike"
		}
		return exploratory + fmt.Sprintf("the colours of %s and %s lie %.1f apart on average over %s; what matters is %g", first, second, e.GetDe00(), over, e.GetToleranceDe00())
	case poolv1.EffectVerdict_EFFECT_VERDICT_NOT_ENOUGH_YET:
		return "not enough yet: " + listed(e.GetMissing())
	case poolv1.EffectVerdict_EFFECT_VERDICT_ORDER_MATTERS:
		return fmt.Sprintf("order matters: %s and %s lie %.1f apart %s; what matters is %g", first, second, e.GetDe00(), sure, e.GetToleranceDe00())
	case poolv1.EffectVerdict_EFFECT_VERDICT_DEPENDS_ON_CELL:
		var named []string
		for _, c := range e.GetCells() {
			if c.PAdjusted != nil && c.GetPAdjusted() <= alpha && c.GetDe00() >= e.GetToleranceDe00() {
				named = append(named, fmt.Sprintf("%s (%.1f apart, %s)", c.GetCell(), c.GetDe00(), pWords(c.GetPAdjusted())))
			}
		}
		return "it depends on the piece whether order matters; it does for " + listed(named)
	case poolv1.EffectVerdict_EFFECT_VERDICT_DETECTABLE_BUT_SMALL:
		return fmt.Sprintf("detectable but small: %s and %s lie %.1f apart %s, and less than %g by a bound of 95 %%", first, second, e.GetDe00(), sure, e.GetToleranceDe00())
	case poolv1.EffectVerdict_EFFECT_VERDICT_NO_PRACTICAL_DIFFERENCE:
		return fmt.Sprintf("no practical difference: on average %s and %s lie less than %g apart, by a bound of 95 %% (%s)", first, second, e.GetToleranceDe00(), over)
	}
	if c := againstAverage(e); c != nil {
		return fmt.Sprintf("no answer at this size: on average %s and %s lie less than %g apart, by a bound of 95 %% (%s), but %s by itself %.1f", first, second, e.GetToleranceDe00(), over, c.GetCell(), c.GetDe00())
	}
	return fmt.Sprintf("no answer at this size: %s can't tell whether %s and %s lie %g apart", over, first, second, e.GetToleranceDe00())
}

// againstAverage is the piece that looks farthest apart of those for which "no practical difference", true of the average, isn't said (package effect of the
// compare module); nil where that isn't the reason.
func againstAverage(e *poolv1.OrderEffect) (cell *poolv1.CellEffect) {
	if e.UpperDe00 == nil || e.GetUpperDe00() >= e.GetToleranceDe00() || e.CellsDifferP != nil && e.GetCellsDifferP() <= alpha {
		return nil
	}
	for _, c := range e.GetCells() {
		if c.GetSessions() >= minSessions && c.GetDe00() >= e.GetToleranceDe00() && (cell == nil || c.GetDe00() > cell.GetDe00()) {
			cell = c
		}
	}
	return cell
}

// moreSessions says how many sessions it takes beyond those that there are.
func moreSessions(all, have int32) string {
	switch n := int(all) - int(have); {
	case all == 0:
		return "more than 60 sessions in all"
	case n <= 0:
		return "no more sessions than there are"
	default:
		return fmt.Sprintf("%d more %s", n, plural("session", n))
	}
}

// widthOutlook says how many more sessions it may take to tell which order is wider.
func widthOutlook(r *comparev1.CompareOrdersResponse) string {
	o := r.GetOutlook()
	if o == nil {
		return ""
	}
	return fmt.Sprintf("judged by the noise between %s, and with a chance of 4 in 5: to find that one spreads %.2f times as wide as the other, %s with both orders; to show that they are equally wide, if they are, %s",
		sessionsWords(int(o.GetFromSessions())), o.GetTargetRatio(), moreSessions(o.GetSessionsToFind(), r.GetCompleteSessions()), moreSessions(o.GetSessionsToRuleOut(), r.GetCompleteSessions()))
}

// outlookWords says how many more sessions it may take.
func outlookWords(r *comparev1.MeasureOrderEffectResponse, pair *poolv1.PairAnswer, tolerance float64) string {
	o := r.GetOutlook()
	if o == nil {
		return ""
	}
	more := func(all int32) string { return moreSessions(all, r.GetCompleteSessions()) }
	return fmt.Sprintf("judged by the noise between %s, and with a chance of 4 in 5: to find that %s and %s lie %.1f apart, %s with both orders; to show that it makes less than %g, if it makes none, %s",
		sessionsWords(int(o.GetFromSessions())), pair.GetFirst(), pair.GetSecond(), o.GetTargetDe00(), more(o.GetSessionsToFind()), tolerance, more(o.GetSessionsToRuleOut()))
}
