package pool

import (
	"context"
	"errors"
	"fmt"
	"slices"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// judgedWords name the qualities, in the order in which they are told.
var judgedWords = []struct {
	quality trial.JudgedQuality
	word    string
}{{trial.Yellower, "yellower"}, {trial.Deeper, "deeper"}, {trial.Duller, "duller"}}

// judgements says what eyes said of matched pieces of two orders held side by side, one vote a session. closed are the sessions of an experiment at its closing
// size, which alone give p; for an experiment only blind judgements count.
func (p *Pool) judgements(ctx context.Context, a *asking, pair *poolv1.PairAnswer, groups []string, closed []string) error {
	if groups[0] == vatFirst {
		return nil // each dye pair is asked by itself
	}
	of := map[trial.JudgedQuality][]*comparev1.Judgement{}
	for _, c := range a.now.ordered() {
		for _, j := range c.judged {
			if choice, block := a.judged(c, j, groups, closed); choice != 0 {
				quality := trial.JudgedQuality(j.quality)
				of[quality] = append(of[quality], &comparev1.Judgement{Session: block, Choice: choice, Blind: j.blind})
			}
		}
	}
	for _, q := range judgedWords {
		list := of[q.quality]
		if len(list) == 0 {
			continue
		}
		r, identity, err := p.pipeline.CountJudgements(ctx, pipeline.JudgementsQuestion{Judgements: list, BlindOnly: a.experiment != nil, Comparisons: int32(len(of))})
		if errors.Is(err, pipeline.ErrNotOffered) {
			a.tell("what was judged by eye: %s", err)
			return nil
		}
		if err != nil {
			return err
		}
		a.modules = append(a.modules, identity)
		out := &poolv1.JudgementVotes{
			Quality: q.word, First: r.GetFirst(), Second: r.GetSecond(), Split: r.GetSplit(), NotBlind: r.GetNotBlind(),
			Judgements: int32(len(list)) - r.GetNotBlind() - r.GetWithoutSession(),
		}
		if n := minSessions - int(r.GetFirst()+r.GetSecond()); r.GetMissing() != "" && n > 0 {
			blind := ""
			if a.experiment != nil {
				blind = ", seen blind"
			}
			out.Missing = append(out.Missing, fmt.Sprintf("%d more %s in which one of the two is called %s%s", n, plural("session", n), q.word, blind))
		}
		if closed != nil {
			out.P, out.PAdjusted = r.P, r.PAdjusted
		}
		out.Statement = votesStatement(pair, out)
		pair.Judgements = append(pair.Judgements, out)
	}
	return nil
}

// judged gives the choice between the two orders and the block, or 0 for a judgement that isn't of the question; what is of its dyes and can't be used is
// counted.
func (a *asking) judged(c *chunk, j judged, groups, closed []string) (comparev1.Choice, string) {
	first, second := &c.rows[j.first], &c.rows[j.second]
	if first.route.kind != orderTwoColours || second.route.kind != orderTwoColours {
		return 0, ""
	}
	orders := [2]string{first.route.order.Value(), second.route.order.Value()}
	if !slices.Contains(groups, orders[0]) || !slices.Contains(groups, orders[1]) {
		return 0, ""
	}
	if a.experiment != nil && (first.session.experiment != a.experiment.ID || second.session.experiment != a.experiment.ID) {
		return 0, ""
	}
	if !a.fits(c, first) || !a.fits(c, second) {
		return 0, ""
	}
	if why := j.aside.reason(); why != "" {
		a.left.judgement(why)
		return 0, ""
	}
	block := a.now.blockOf(first.session.id)
	x, y := &pick{chunk: c, row: first}, &pick{chunk: c, row: second}
	switch {
	case orders[0] == orders[1]:
		a.left.judgement("both pieces of the same order")
		return 0, ""
	case first.session.id == "" || second.session.id == "" || block != a.now.blockOf(second.session.id):
		a.left.judgement("pieces of no known session, or of two")
		return 0, ""
	case orderKey(first) != orderKey(second) || !agree(figures(x, true), figures(y, true)):
		a.left.judgement("of pieces that aren't alike but for the order")
		return 0, ""
	case closed != nil && !slices.Contains(closed, block):
		a.left.judgement("of a session that is not in the verdict")
		return 0, ""
	}
	switch trial.JudgedChoice(j.choice) {
	case trial.ChoseNeither:
		return comparev1.Choice_CHOICE_NEITHER, block
	case trial.ChoseFirst:
		if orders[0] == groups[0] {
			return comparev1.Choice_CHOICE_FIRST, block
		}
		return comparev1.Choice_CHOICE_SECOND, block
	}
	if orders[1] == groups[0] {
		return comparev1.Choice_CHOICE_FIRST, block
	}
	return comparev1.Choice_CHOICE_SECOND, block
}

// fits tells whether a piece is one that a filter asks about: some reading of it is, or it has none and the piece itself is.
func (a *asking) fits(c *chunk, r *row) bool {
	readings := c.readingsOf(r)
	if len(readings) == 0 {
		return match(a.question.Where, subject{a.now, c, r, &reading{manner: &manner{instrument: sym("")}}})
	}
	for i := range readings {
		if match(a.question.Where, subject{a.now, c, r, &readings[i]}) {
			return true
		}
	}
	return false
}

// votesStatement puts votes into a sentence.
func votesStatement(pair *poolv1.PairAnswer, v *poolv1.JudgementVotes) string {
	text := fmt.Sprintf("by eye %s was called %s in %s, %s in %d", pair.GetFirst(), v.GetQuality(), sessionsWords(int(v.GetFirst())), pair.GetSecond(), v.GetSecond())
	if v.GetSplit() > 0 {
		text += fmt.Sprintf(", and neither in %d", v.GetSplit())
	}
	if v.PAdjusted == nil {
		return exploratory + text
	}
	return fmt.Sprintf("%s (%s)", text, pWords(v.GetPAdjusted()))
}
