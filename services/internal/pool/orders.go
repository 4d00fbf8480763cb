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

// The groups of the question by role, over several dye pairs.
const (
	vatFirst = "vat first"
	vatLast  = "vat last"
)

// dyePair is two dyes of which both orders are in the pool; first is the alphabetically smaller, or the experiment's A.
type dyePair struct{ first, second string }

func (d dyePair) orders() []string {
	return []string{d.first + " > " + d.second, d.second + " > " + d.first}
}

func (d dyePair) String() string { return d.first + " and " + d.second }

func pairOf(p *pick) dyePair {
	dyes := p.row.route.dyes()
	return dyePair{dyes[0], dyes[1]}
}

// answerOrders answers which order is wider without an experiment: estimates per dye pair, and by role over pairs with a vat.
func (p *Pool) answerOrders(ctx context.Context, a *asking) error {
	a.answer.Standing = poolv1.Standing_STANDING_NOT_ENOUGH_YET
	both := map[dyePair]map[string]bool{}
	for _, pick := range a.picks {
		d := pairOf(pick)
		if both[d] == nil {
			both[d] = map[string]bool{}
		}
		both[d][a.texts.text(pick.group)] = true
	}
	var pairs []dyePair
	for d, orders := range both {
		if len(orders) == 2 {
			pairs = append(pairs, d)
		}
	}
	slices.SortFunc(pairs, func(x, y dyePair) int { return strings.Compare(x.String(), y.String()) })
	a.picks = slices.DeleteFunc(a.picks, func(pick *pick) bool {
		if len(both[pairOf(pick)]) == 2 {
			return false
		}
		a.left.piece("only one order of its two dyes is in the pool")
		return true
	})
	a.answer.PiecesUsed, a.answer.ReadingsUsed = int32(len(a.picks)), int32(len(a.picks))
	if len(pairs) == 0 {
		a.answer.Headline = "Not enough yet: the pool holds no two dyes that were dyed in both orders, so it can't tell which order gives the wider palette"
		a.tell("which order is wider: that needs pieces with two colour layers, in both orders of the same two dyes, with their whole history stated")
		return nil
	}
	if err := p.orderWidths(ctx, a); err != nil {
		return err
	}
	byPair := func(pick *pick) string { return pairOf(pick).String() }
	for _, d := range pairs {
		var mine []*pick
		for _, pick := range a.picks {
			if pairOf(pick) == d {
				mine = append(mine, pick)
			}
		}
		if err := p.explore(ctx, a, twoOrders{picks: mine, groups: d.orders(), prefix: byPair, what: d.String(), left: a.left}); err != nil {
			return err
		}
	}
	if err := p.byRole(ctx, a, pairs); err != nil {
		return err
	}
	a.headlineOrders()
	return nil
}

// orderWidths writes the palettes of the orders, by fibre and yarn like any other palettes.
func (p *Pool) orderWidths(ctx context.Context, a *asking) error {
	a.shown, a.mixed = a.texts.strata(a.picks, false, nil)
	a.texts.assignCells(a.picks, true)
	labels, rows := a.texts.table(a.picks, nil)
	_, err := p.widths(ctx, a, labels, rows)
	return err
}

// twoOrders are pieces of two orders that are to be compared.
type twoOrders struct {
	picks  []*pick
	groups []string           // the orders
	prefix func(*pick) string // of a stratum
	what   string             // was dyed in both orders, in a sentence
	left   *leftOut           // counts what has no partner
}

// explore compares two orders without a test and adds the pair to the answer.
func (p *Pool) explore(ctx context.Context, a *asking, o twoOrders) error {
	groups, what := o.groups, o.what
	a.texts.strata(o.picks, false, o.prefix)
	a.texts.assignCells(o.picks, true)
	matched := unmatched(o.picks, o.left)
	out := &poolv1.PairAnswer{First: groups[0], Second: groups[1], Standing: poolv1.Standing_STANDING_EXPLORATORY}
	a.answer.Pairs = append(a.answer.Pairs, out)
	if len(matched) == 0 {
		out.Standing, out.Thin = poolv1.Standing_STANDING_NOT_ENOUGH_YET, true
		out.Missing = []string{fmt.Sprintf("a session with %s in both orders, of pieces alike in fibre, mordants, water and depths", what)}
		out.Statement = fmt.Sprintf("Not enough yet: no session holds %s in both orders of pieces that are otherwise alike", what)
		return p.judgements(ctx, a, out, groups, nil)
	}
	labels, rows := a.texts.table(matched, groups)
	response, identity, err := p.pipeline.CompareOrders(ctx, pipeline.OrdersQuestion{
		Condition: a.question.Condition, Labels: labels, Rows: rows.list(), ThresholdDE00: a.question.ThresholdDE00, MarginRatio: marginRatio, Seed: a.question.Seed,
	})
	if err != nil {
		return err
	}
	a.modules = append(a.modules, identity)
	fillPair(out, response, matched, a.texts.label(groups[0]))
	out.Thin = out.GetSessions() < minSessions
	out.Missing = []string{fmt.Sprintf("for a verdict: an experiment on %s, of %d sessions or more", what, minSessions)}
	if out.GetSessions() == 0 {
		out.Standing = poolv1.Standing_STANDING_NOT_ENOUGH_YET
		out.Missing = append(out.Missing, fmt.Sprintf("the sessions of the pieces with %s in both orders, as none is told", what))
	}
	out.Statement, out.Outlook = orderStatement(out), widthOutlook(response)
	a.tellMordantPlace(matched, groups)
	if groups[0] == vatFirst {
		return nil // dye pairs have colours of their own: what order does to them is asked of each
	}
	if err := p.effect(ctx, a, out, matched, groups, 0, DefaultToleranceDE00); err != nil {
		return err
	}
	return p.judgements(ctx, a, out, groups, nil)
}

// minSessions is the least from which orders can be ranked (2/2^6 is the first p below 0.05).
const minSessions = 6

// fillPair carries the figures of a comparison of picks of two groups; one is the first.
func fillPair(out *poolv1.PairAnswer, r *comparev1.CompareOrdersResponse, picks []*pick, one label) {
	out.Sessions = r.GetUsedSessions()
	if r.LogRatio != nil {
		ratio := math.Exp(r.GetLogRatio())
		out.WidthRatio = &ratio
	}
	if r.MeanShadesFirst != nil && r.MeanShadesSecond != nil {
		shades := r.GetMeanShadesFirst() - r.GetMeanShadesSecond()
		out.ShadeDifference = &shades
	}
	type place struct {
		block, stratum label
		cell           cell
	}
	first, second, strata := map[place]bool{}, map[place]bool{}, map[label]bool{}
	for _, p := range picks {
		strata[p.stratum] = true
		if p.group == one {
			first[place{p.block, p.stratum, p.cell}] = true
		} else {
			second[place{p.block, p.stratum, p.cell}] = true
		}
	}
	out.CellsFirst, out.CellsSecond, out.Strata = int32(len(first)), int32(len(second)), int32(len(strata))
}

// orderStatement says what the estimates of two orders look like; Wider is set where they point one way.
func orderStatement(pair *poolv1.PairAnswer) string {
	over := sessionsWords(int(pair.GetSessions()))
	if pair.GetSessions() == 0 {
		over = "no known session"
	}
	end := ""
	if pair.GetThin() {
		end = tooThin
	}
	if pair.WidthRatio == nil {
		return exploratory + fmt.Sprintf("the spread of %s and %s can't be put in proportion over %s%s", pair.GetFirst(), pair.GetSecond(), over, end)
	}
	ratio, shades := pair.GetWidthRatio(), pair.GetShadeDifference()
	switch {
	case ratio < marginRatio && ratio > 1/marginRatio:
		return exploratory + fmt.Sprintf("%s and %s spread about as wide (ratio %.2f over %s)%s", pair.GetFirst(), pair.GetSecond(), ratio, over, end)
	case ratio > 1 && shades < 0 || ratio < 1 && shades > 0:
		return exploratory + fmt.Sprintf("between %s and %s the measures disagree: spread in the ratio %.2f, and %+.0f shades, over %s%s",
			pair.GetFirst(), pair.GetSecond(), ratio, shades, over, end)
	case ratio > 1:
		pair.Wider = "first"
		return exploratory + fmt.Sprintf("%s spreads wider than %s (ratio %.2f over %s)%s", pair.GetFirst(), pair.GetSecond(), ratio, over, end)
	}
	pair.Wider = "second"
	return exploratory + fmt.Sprintf("%s spreads wider than %s (ratio %.2f over %s)%s", pair.GetSecond(), pair.GetFirst(), 1/ratio, over, end)
}

func sessionsWords(n int) string {
	if n == 1 {
		return "1 session"
	}
	return fmt.Sprintf("%d sessions", n)
}

// tellMordantPlace names the places of the mordants where they differ between two orders.
func (a *asking) tellMordantPlace(picks []*pick, groups []string) {
	places := map[label][]string{}
	for _, p := range picks {
		places[p.group] = append(places[p.group], p.row.route.mordantPlace.Value())
	}
	first, second := sorted(places[a.texts.label(groups[0])]), sorted(places[a.texts.label(groups[1])])
	if !slices.Equal(first, second) {
		a.tell("whether it is the order or the place of the mordant: in %s it is %s, in %s %s",
			groups[0], strings.Join(first, " or "), groups[1], strings.Join(second, " or "))
	}
}

// byRole pools dye pairs of which exactly one dye is a vat dye, when there are several: vat first against vat last, each pair aligned by
// itself.
func (p *Pool) byRole(ctx context.Context, a *asking, pairs []dyePair) error {
	roles := map[dyePair]map[string]bool{}
	role := func(pick *pick) string {
		first, last := pick.row.route.colour[0].vat, pick.row.route.colour[1].vat
		switch {
		case first && !last:
			return vatFirst
		case last && !first:
			return vatLast
		}
		return ""
	}
	for _, pick := range a.picks {
		if roles[pairOf(pick)] == nil {
			roles[pairOf(pick)] = map[string]bool{}
		}
		roles[pairOf(pick)][role(pick)] = true
	}
	with := slices.DeleteFunc(slices.Clone(pairs), func(d dyePair) bool {
		return len(roles[d]) != 2 || !roles[d][vatFirst] || !roles[d][vatLast]
	})
	if len(with) < 2 {
		return nil
	}
	var picks []*pick
	for _, pick := range a.picks {
		if slices.Contains(with, pairOf(pick)) {
			copied := *pick
			copied.group = a.texts.label(role(pick))
			picks = append(picks, &copied)
		}
	}
	names := make([]string, len(with))
	for i, d := range with {
		names[i] = d.String()
	}
	prefix := func(pick *pick) string { return pairOf(pick).String() }
	return p.explore(ctx, a, twoOrders{
		picks: picks, groups: []string{vatFirst, vatLast}, prefix: prefix, what: "a vat (" + strings.Join(names, "; ") + ")", left: newLeftOut(),
	})
}

// headlineOrders says which orders look wider.
func (a *asking) headlineOrders() {
	var solid, thin []string
	for _, pair := range a.answer.GetPairs() {
		if pair.GetStanding() != poolv1.Standing_STANDING_EXPLORATORY {
			continue
		}
		a.answer.Standing = poolv1.Standing_STANDING_EXPLORATORY
		text := strings.TrimPrefix(pair.GetStatement(), exploratory)
		if pair.GetThin() {
			thin = append(thin, text)
		} else {
			solid = append(solid, text)
		}
	}
	switch {
	case len(solid) > 0:
		a.answer.Headline = exploratory + strings.Join(solid, "; ")
	case len(thin) > 0:
		a.answer.Headline = exploratory + strings.Join(thin, "; ")
	default:
		texts := make([]string, 0, len(a.answer.GetPairs()))
		for _, pair := range a.answer.GetPairs() {
			texts = append(texts, strings.Join(pair.GetMissing(), ", "))
		}
		a.answer.Headline = "Not enough yet: " + strings.Join(texts, "; ")
	}
}
