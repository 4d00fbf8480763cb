package pool

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
)

// experimentPicks leaves the picks that are of an experiment's two orders and of a session.
func (a *asking) experimentPicks() (d dyePair, orders []string) {
	d = dyePair{a.experiment.FirstDye, a.experiment.SecondDye}
	orders = d.orders()
	a.picks = slices.DeleteFunc(a.picks, func(pick *pick) bool {
		switch {
		case !slices.Contains(orders, a.texts.text(pick.group)):
			a.left.piece("other dyes than the experiment's")
		case pick.block == 0:
			a.left.piece("no session known")
		default:
			return false
		}
		return true
	})
	return d, orders
}

// answerExperiment answers an experiment on orders: a verdict with p at its closing size, estimates so far and what is missing before it.
func (p *Pool) answerExperiment(ctx context.Context, a *asking) error {
	e := a.experiment
	d, groups := a.experimentPicks()
	a.answer.PiecesUsed, a.answer.ReadingsUsed = int32(len(a.picks)), int32(len(a.picks))
	pair := &poolv1.PairAnswer{First: groups[0], Second: groups[1]}
	a.answer.Pairs = append(a.answer.Pairs, pair)
	defer func() { a.answer.Standing = pair.Standing }()
	if len(a.picks) == 0 {
		pair.Standing, pair.Thin = poolv1.Standing_STANDING_NOT_ENOUGH_YET, true
		a.missing(pair, e.ClosingSessions, d)
		return nil
	}
	if err := p.orderWidths(ctx, a); err != nil {
		return err
	}
	a.texts.strata(a.picks, false, func(*pick) string { return d.String() })
	a.texts.assignCells(a.picks, true)
	matched := unmatched(a.picks, a.left)
	if len(matched) == 0 {
		pair.Standing, pair.Thin = poolv1.Standing_STANDING_NOT_ENOUGH_YET, true
		a.missing(pair, e.ClosingSessions, d)
		return nil
	}
	labels, rows := a.texts.table(matched, groups)
	response, identity, err := p.pipeline.CompareOrders(ctx, pipeline.OrdersQuestion{
		Condition: a.question.Condition, Labels: labels, Rows: rows.list(), ThresholdDE00: a.question.ThresholdDE00,
		ClosingSessions: int32(e.ClosingSessions), Comparisons: 1, Alpha: alpha, MarginRatio: marginRatio, Seed: a.question.Seed,
	})
	if err != nil {
		return err
	}
	a.modules = append(a.modules, identity)
	fillPair(pair, response, matched, a.texts.label(groups[0]))
	a.tellMordantPlace(matched, groups)
	if err := p.effect(ctx, a, pair, matched, groups, int32(e.ClosingSessions), e.ToleranceDE00); err != nil {
		return err
	}
	var closed []string // the sessions of the verdict
	if int(response.GetCompleteSessions()) >= e.ClosingSessions && len(labels.Blocks) >= e.ClosingSessions {
		closed = labels.Blocks[:e.ClosingSessions]
	}
	if err := p.judgements(ctx, a, pair, groups, closed); err != nil {
		return err
	}
	if response.GetVerdict() <= comparev1.Verdict_VERDICT_NOT_ENOUGH_YET {
		a.notEnoughYet(pair, response, d)
	} else {
		a.verdict(pair, response)
	}
	return nil
}

// notEnoughYet says what an experiment lacks before its closing size.
func (a *asking) notEnoughYet(pair *poolv1.PairAnswer, response *comparev1.CompareOrdersResponse, d dyePair) {
	pair.Standing, pair.Outlook = poolv1.Standing_STANDING_NOT_ENOUGH_YET, widthOutlook(response)
	pair.Sessions = response.GetCompleteSessions()
	pair.Thin = pair.GetSessions() < minSessions
	lacking := a.experiment.ClosingSessions - int(response.GetCompleteSessions())
	var sessions []string // what is said of them, which is said of lacking otherwise
	for _, m := range response.GetMissing() {
		switch n := int(m.GetCount()); m.GetWhat() {
		case "sessions":
			sessions = append(sessions, m.GetText())
		case "cells":
			pair.Missing = append(pair.Missing, fmt.Sprintf("%d more %s dyed in both orders", n, plural("recipe", n)))
		default: // what else a module may want is told in its own words
			pair.Missing = append(pair.Missing, m.GetText())
		}
	}
	if lacking <= 0 && len(pair.GetMissing()) == 0 {
		pair.Missing = sessions
	}
	a.missing(pair, lacking, d)
}

// verdict writes the verdict of an experiment at its closing size.
func (a *asking) verdict(pair *poolv1.PairAnswer, response *comparev1.CompareOrdersResponse) {
	pair.P, pair.PAdjusted = response.P, response.PAdjusted
	a.tested("which order is wider", response.GetArrangements(), response.GetExact())
	pair.Standing = poolv1.Standing_STANDING_VERDICT
	pair.Statement = verdictWords(pair, response)
	switch response.GetVerdict() {
	case comparev1.Verdict_VERDICT_FIRST_WIDER:
		pair.Wider = "first"
	case comparev1.Verdict_VERDICT_SECOND_WIDER:
		pair.Wider = "second"
	case comparev1.Verdict_VERDICT_NO_ANSWER_AT_THIS_SIZE:
		pair.Standing, pair.Outlook = poolv1.Standing_STANDING_NO_ANSWER_AT_THIS_SIZE, widthOutlook(response)
	}
	a.answer.Headline = pair.Statement
	if said := pair.GetEffect().GetStatement(); said != "" {
		a.answer.Headline += ". Colour: " + said
	}
	if extra := response.GetCompleteSessions() - response.GetUsedSessions(); extra > 0 {
		a.tell("more than was planned: %s came after the closing size of %d and are not in the verdict", sessionsWords(int(extra)), a.experiment.ClosingSessions)
	}
}

// missing says what an experiment still needs, with the estimates so far.
func (a *asking) missing(pair *poolv1.PairAnswer, sessions int, d dyePair) {
	if sessions > 0 {
		pair.Missing = slices.Insert(pair.Missing, 0, sessionsMissing(sessions, d.String()))
	}
	text := "Not enough yet: " + listed(pair.GetMissing())
	if pair.WidthRatio != nil {
		text += fmt.Sprintf(". So far, over %s, the colours of %s spread %.2f times as wide as those of %s; that is no answer yet",
			sessionsWords(int(pair.GetSessions())), pair.GetFirst(), pair.GetWidthRatio(), pair.GetSecond())
	}
	pair.Statement, a.answer.Headline = text, text
}

// sessionsMissing says how many sessions with both orders of two dyes are missing.
func sessionsMissing(n int, dyes string) string {
	return fmt.Sprintf("%d more %s with %s in both orders", n, plural("session", n), dyes)
}

func plural(noun string, n int) string {
	if n == 1 {
		return noun
	}
	return noun + "s"
}

// verdictWords puts a verdict into a sentence.
func verdictWords(pair *poolv1.PairAnswer, r *comparev1.CompareOrdersResponse) string {
	sure := fmt.Sprintf("(%s, %s)", pWords(r.GetPAdjusted()), sessionsWords(int(r.GetUsedSessions())))
	ratio := "in no proportion that can be given"
	if r.LogRatio != nil {
		ratio = fmt.Sprintf("%.2f times as wide", math.Exp(r.GetLogRatio()))
	}
	switch r.GetVerdict() {
	case comparev1.Verdict_VERDICT_FIRST_WIDER:
		return fmt.Sprintf("%s gives the wider palette: its colours spread %s as those of %s %s", pair.GetFirst(), ratio, pair.GetSecond(), sure)
	case comparev1.Verdict_VERDICT_SECOND_WIDER:
		if r.LogRatio != nil {
			ratio = fmt.Sprintf("%.2f times as wide", math.Exp(-r.GetLogRatio()))
		}
		return fmt.Sprintf("%s gives the wider palette: its colours spread %s as those of %s %s", pair.GetSecond(), ratio, pair.GetFirst(), sure)
	case comparev1.Verdict_VERDICT_EQUALLY_WIDE:
		return fmt.Sprintf("%s and %s give equally wide palettes, within 10 %% %s", pair.GetFirst(), pair.GetSecond(), sure)
	case comparev1.Verdict_VERDICT_DETECTABLE_BUT_SMALL:
		return fmt.Sprintf("%s and %s differ in width, and by too little to matter: the first spreads %s %s", pair.GetFirst(), pair.GetSecond(), ratio, sure)
	}
	if why := strings.TrimPrefix(r.GetStatement(), "no answer at this size: "); r.GetPAdjusted() <= alpha && why != "" { // by chance seldom, and something else speaks against it
		return fmt.Sprintf("No answer at this size: %s %s", why, sure)
	}
	return fmt.Sprintf("No answer at this size: the test was made and can't tell whether %s or %s is wider %s", pair.GetFirst(), pair.GetSecond(), sure)
}

func pWords(p float64) string {
	if p < 0.001 {
		return "p < 0.001"
	}
	return fmt.Sprintf("p = %.3f", p)
}
