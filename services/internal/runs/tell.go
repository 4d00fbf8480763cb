package runs

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"

	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// The bounds of what a comparison lists, and of the groups in one stratum of which every pair is looked at.
const (
	maxListed       = 200
	maxGroupsPaired = 2_000
)

// moduleOf finds a module of a run by its name, which field of a request tells; empty for the only one.
func moduleOf(run *catalogv1.Run, field, name string) (int, error) {
	if name == "" && len(run.GetModules()) == 1 {
		return 0, nil
	}
	at := slices.IndexFunc(run.GetModules(), func(m *catalogv1.RunModule) bool { return m.GetName() == name })
	if at < 0 {
		var names []string
		for _, m := range run.GetModules() {
			names = append(names, m.GetName())
		}
		is := "is left out"
		if name != "" {
			is = fmt.Sprintf("is %.80q", name)
		}
		return 0, &trial.FieldFault{Field: field, Text: fmt.Sprintf("%s; run %s has %s", is, run.GetId(), strings.Join(names, ", "))}
	}
	return at, nil
}

// Scores is a page of what a module said, after a stratum and group; more tells that there is another. Errors: trial.ErrNotFound; trial.ErrInvalid for a module
// that the run doesn't have; trial.ErrConflict for one that hasn't begun.
func (r *Runs) Scores(ctx context.Context, id trial.ID, module string, skip, limit int) (page *catalogv1.GetRunScoresResponse, more bool, err error) {
	run, err := r.Get(ctx, id)
	if err != nil {
		return nil, false, err
	}
	at, err := moduleOf(run, "module", module)
	if err != nil {
		return nil, false, err
	}
	if at >= len(run.GetResults()) {
		return nil, false, fmt.Errorf("%w: run %s hasn't asked %s yet", trial.ErrConflict, id, run.GetModules()[at].GetName())
	}
	all, err := r.told.of(run.GetResults()[at], func() (*catalogv1.FrozenPart, error) { return r.allScores(ctx, id, at) })
	if err != nil {
		return nil, false, err
	}
	out := &catalogv1.GetRunScoresResponse{Module: run.GetResults()[at].GetModule(), Described: run.GetResults()[at].GetDescribed()}
	from, to := min(skip, len(all.GetGroups())), min(skip+limit, len(all.GetGroups()))
	for i := from; i < to; i++ {
		g := all.GetGroups()[i]
		out.Groups = append(out.Groups, &poolv1.GroupScore{Group: g.GetGroup(), Stratum: all.GetShown()[i], Figures: g.GetFigures()})
	}
	return out, to < len(all.GetGroups()), nil
}

// lastTold keeps the scores that were told last, so that the pages of a large run aren't put together from the beginning each time. Only scores of modules that are
// done are kept, by their checksum: what is taken back changes it.
type lastTold struct {
	mu  sync.Mutex
	sum string
	all *catalogv1.FrozenPart // never changed
}

func (l *lastTold) of(result *catalogv1.RunResult, read func() (*catalogv1.FrozenPart, error)) (*catalogv1.FrozenPart, error) {
	sum := result.GetScoresSha256()
	if sum == "" {
		return read()
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.sum != sum {
		all, err := read()
		if err != nil {
			return nil, err
		}
		l.sum, l.all = sum, all
	}
	return l.all, nil
}

// side is one of two scores that are held against each other.
type side struct {
	run    *catalogv1.Run
	module int
	score  int
	named  *catalogv1.RunScore
	values map[[2]string]float64 // by stratum and group, so that wider is higher
	shown  map[string]string
	sign   float64
}

func (r *Runs) side(ctx context.Context, field string, s *catalogv1.RunScore) (*side, error) {
	run, err := r.Get(ctx, s.GetRunId())
	if err != nil {
		return nil, err
	}
	out := &side{run: run, values: map[[2]string]float64{}, shown: map[string]string{}, sign: 1}
	if out.module, err = moduleOf(run, field+".module", s.GetModule()); err != nil {
		return nil, err
	}
	name := run.GetModules()[out.module].GetName()
	if out.module >= len(run.GetResults()) || run.GetResults()[out.module].GetScoresSha256() == "" {
		return nil, fmt.Errorf("%w: run %s isn't done with %s", trial.ErrConflict, run.GetId(), name)
	}
	result := run.GetResults()[out.module]
	if s.GetScore() != "" {
		out.score = slices.IndexFunc(result.GetDescribed(), func(d *poolv1.ScoreDescription) bool { return d.GetName() == s.GetScore() })
	}
	if out.score < 0 || len(result.GetDescribed()) == 0 {
		var names []string
		for _, d := range result.GetDescribed() {
			names = append(names, d.GetName())
		}
		return nil, &trial.FieldFault{Field: field + ".score", Text: fmt.Sprintf("is %.80q; allowed for %s: %s", s.GetScore(), name, strings.Join(names, ", "))}
	}
	described := result.GetDescribed()[out.score]
	if !described.GetHigherIsWider() {
		out.sign = -1
	}
	out.named = &catalogv1.RunScore{RunId: run.GetId(), Module: name, Score: described.GetName()}
	all, err := r.allScores(ctx, run.GetId(), out.module)
	if err != nil {
		return nil, err
	}
	for i, g := range all.GetGroups() {
		out.shown[g.GetStratum()] = all.GetShown()[i]
		if f := g.GetFigures()[out.score]; f.Value != nil {
			out.values[[2]string{g.GetStratum(), g.GetGroup()}] = f.GetValue()
		}
	}
	return out, nil
}

// Compare holds one score against another. Errors: trial.ErrNotFound; trial.ErrInvalid; trial.ErrConflict for what isn't scored.
func (r *Runs) Compare(ctx context.Context, request *catalogv1.CompareRunsRequest) (*catalogv1.CompareRunsResponse, error) {
	first, err := r.side(ctx, "first", request.GetFirst())
	if err != nil {
		return nil, err
	}
	second, err := r.side(ctx, "second", request.GetSecond())
	if err != nil {
		return nil, err
	}
	out := &catalogv1.CompareRunsResponse{
		First: first.named, Second: second.named,
		SameColumns: first.run.GetColumns().GetSha256() == second.run.GetColumns().GetSha256(),
	}
	groups := map[string][]string{} // by stratum
	for place := range first.values {
		if _, both := second.values[place]; both {
			groups[place[0]] = append(groups[place[0]], place[1])
			out.Groups++
		} else {
			out.GroupsByOneAlone++
		}
	}
	out.GroupsByOneAlone += int32(len(second.values)) - out.GetGroups()
	strata := make([]string, 0, len(groups))
	for stratum := range groups {
		strata = append(strata, stratum)
	}
	slices.Sort(strata)
	c := comparing{first, second, out}
	for _, stratum := range strata {
		slices.Sort(groups[stratum])
		c.stratum(stratum, groups[stratum])
	}
	c.largestChange()
	c.verdict()
	c.finish()
	return out, nil
}

type comparing struct {
	first, second *side
	out           *catalogv1.CompareRunsResponse
}

// tied reports whether two values can't be told apart: sums in another order may differ in their last bits.
func tied(a, b float64) bool { return math.Abs(a-b) <= 1e-9*max(1, math.Abs(a), math.Abs(b)) }

// apartBy is how far two values are apart, as a part of the larger of their sizes.
func apartBy(a, b float64) float64 { return math.Abs(a-b) / max(math.Abs(a), math.Abs(b)) }

func (c *comparing) stratum(stratum string, groups []string) {
	shown := c.first.shown[stratum]
	value := func(s *side, i int) float64 { return s.values[[2]string{stratum, groups[i]}] }
	if len(groups) > maxGroupsPaired {
		c.out.CannotTell = append(c.out.CannotTell, fmt.Sprintf("the rankings of %s: %d groups are more than the %d of which every pair is looked at", shown, len(groups), maxGroupsPaired))
		return
	}
	for i := range groups {
		for k := i + 1; k < len(groups); k++ {
			c.out.Pairs++
			a, b := value(c.first, i), value(c.first, k)
			x, y := value(c.second, i), value(c.second, k)
			if tied(a, b) || tied(x, y) {
				continue
			}
			c.out.PairsToldApart++
			if (c.first.sign*(a-b) > 0) == (c.second.sign*(x-y) > 0) {
				continue
			}
			c.out.PairsFlipped++
			flip := &catalogv1.Flip{Stratum: shown, WiderByFirst: groups[i], WiderBySecond: groups[k], MarginByFirst: apartBy(a, b), MarginBySecond: apartBy(x, y)}
			if c.first.sign*(a-b) < 0 {
				flip.WiderByFirst, flip.WiderBySecond = groups[k], groups[i]
			}
			if c.out.Flips = append(c.out.Flips, flip); len(c.out.Flips) >= 16*maxListed {
				c.out.Flips = largestFlips(c.out.GetFlips())
			}
		}
	}
	rank := func(s *side) []int32 {
		out := make([]int32, len(groups))
		for i := range groups {
			out[i] = 1
			for k := range groups {
				if a, b := value(s, i), value(s, k); s.sign*(b-a) > 0 && !tied(a, b) {
					out[i]++
				}
			}
		}
		return out
	}
	before, after := rank(c.first), rank(c.second)
	for i, group := range groups {
		if before[i] != after[i] {
			c.out.Moved = append(c.out.Moved, &catalogv1.RankedGroup{
				Stratum: shown, Group: group, FirstValue: value(c.first, i), SecondValue: value(c.second, i), FirstRank: before[i], SecondRank: after[i],
			})
		}
	}
}

// largestFlips are those with the largest margins: the smaller of a flip's two says how much of a flip it is.
func largestFlips(flips []*catalogv1.Flip) []*catalogv1.Flip {
	slices.SortStableFunc(flips, func(a, b *catalogv1.Flip) int {
		return cmp.Compare(min(b.GetMarginByFirst(), b.GetMarginBySecond()), min(a.GetMarginByFirst(), a.GetMarginBySecond()))
	})
	return flips[:min(len(flips), maxListed)]
}

// largestChange is only of scores that are meant to be the same.
func (c *comparing) largestChange() {
	a := c.first.run.GetResults()[c.first.module].GetDescribed()[c.first.score]
	b := c.second.run.GetResults()[c.second.module].GetDescribed()[c.second.score]
	if a.GetName() != b.GetName() || a.GetUnit() != b.GetUnit() {
		return
	}
	largest := 0.0
	for place, value := range c.first.values {
		if other, both := c.second.values[place]; both {
			largest = max(largest, math.Abs(value-other))
		}
	}
	c.out.LargestChange = &largest
}

// verdict holds the tests of two scores against each other, for each two groups.
func (c *comparing) verdict() {
	a, b := c.first.tests(), c.second.tests()
	switch {
	case len(a) == 0 && len(b) == 0:
		return
	case len(a) == 0 || len(b) == 0:
		c.out.CannotTell = append(c.out.CannotTell, "whether the verdict flips: one of the two scores has none")
		return
	}
	for _, x := range a {
		for _, y := range b {
			if x.GetFirst() != y.GetFirst() || x.GetSecond() != y.GetSecond() {
				continue
			}
			c.out.Verdicts = append(c.out.Verdicts, &catalogv1.VerdictChange{
				Group: x.GetFirst(), OtherGroup: x.GetSecond(), FirstStatement: x.GetStatement(), SecondStatement: y.GetStatement(),
				Flips: x.GetStanding() != y.GetStanding() || widerName(x) != widerName(y),
			})
		}
	}
	if n := max(len(a), len(b)); len(c.out.GetVerdicts()) < n {
		c.out.CannotTell = append(c.out.CannotTell, fmt.Sprintf("whether %d of %d verdicts flip: one of the two scores has none on those groups", n-len(c.out.GetVerdicts()), n))
	}
	if len(c.out.GetVerdicts()) == 1 && len(a) == 1 && len(b) == 1 {
		c.out.Verdict = c.out.GetVerdicts()[0]
	}
}

// tests are those of the side's score.
func (s *side) tests() (out []*catalogv1.ScoreTest) {
	for _, t := range s.run.GetResults()[s.module].GetTests() {
		if t.GetScore() == s.named.GetScore() {
			out = append(out, t)
		}
	}
	return out
}

func widerName(t *catalogv1.ScoreTest) string {
	return map[string]string{"first": t.GetFirst(), "second": t.GetSecond()}[t.GetWider()]
}

func (c *comparing) finish() {
	out := c.out
	out.Flips = largestFlips(out.GetFlips())
	slices.SortStableFunc(out.Moved, func(a, b *catalogv1.RankedGroup) int {
		return cmp.Compare(moves(b), moves(a))
	})
	out.Moved = out.GetMoved()[:min(len(out.GetMoved()), maxListed)]
	if !out.GetSameColumns() {
		out.CannotTell = append(out.CannotTell, "how much of it is the method: the two were scored from different columns")
	}
	switch {
	case out.GetGroups() == 0:
		out.Statement = "Nothing to compare: no group in a stratum has a value by both scores"
	case out.GetPairsToldApart() == 0:
		out.Statement = fmt.Sprintf("No ranking to compare: of %d groups no two of one stratum are told apart by both scores", out.GetGroups())
	case out.GetPairsFlipped() == 0:
		out.Statement = fmt.Sprintf("No ranking flips: all %d pairs of groups that both scores tell apart stand the same way round", out.GetPairsToldApart())
	default:
		worst := out.GetFlips()[0]
		out.Statement = fmt.Sprintf("%d of %d pairs of groups flip; most of all %s and %s on %s, by %.0f %% and %.0f %%", out.GetPairsFlipped(), out.GetPairsToldApart(),
			worst.GetWiderByFirst(), worst.GetWiderBySecond(), worst.GetStratum(), 100*worst.GetMarginByFirst(), 100*worst.GetMarginBySecond())
	}
	flipped := 0
	for _, v := range out.GetVerdicts() {
		if v.GetFlips() {
			flipped++
		}
	}
	switch n := len(out.GetVerdicts()); {
	case n == 1 && flipped == 1:
		out.Statement += ". The verdict flips"
	case n > 1:
		out.Statement += fmt.Sprintf(". %d of %d verdicts flip", flipped, n)
	}
}

func moves(g *catalogv1.RankedGroup) int32 {
	d := g.GetFirstRank() - g.GetSecondRank()
	return max(d, -d)
}
