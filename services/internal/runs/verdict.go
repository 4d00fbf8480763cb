package runs

import (
	"context"
	"fmt"
	"math"
	"slices"

	"google.golang.org/protobuf/proto"

	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/runs/frozen"
	"github.com/commonvat/commonvat/services/internal/runs/permute"
	"github.com/commonvat/commonvat/services/internal/store"
)

const (
	// testPart is where the progress of permuting is kept.
	testPart = 0
	// relabellingsInACall is how many arrangements are asked for at a time.
	relabellingsInACall = 2_000
	// minSessions is the least from which orders can be ranked: 2/2^6 is the first p below 0.05.
	minSessions = 6
	// alpha and margin are those of the pool's own verdicts.
	alpha  = 0.05
	margin = 1.10
)

// tests permutes the two orders of an experiment within its sessions, when it is at its closing size. A score that stays when all colours are moved alike is
// tested on colours with each order's mean taken off: else swaps would mix two clouds that lie apart, and find nothing. The others are swapped as they are, which
// only describes.
func (s *scoring) tests(ctx context.Context) error {
	c := s.run.GetColumns()
	if s.run.GetQuestion().GetExperimentId() == "" || c.GetClosingSessions() == 0 || c.GetUsedSessions() < c.GetClosingSessions() || c.GetErasedRows() > 0 || len(s.columns.Labels.Groups) != 2 {
		return nil
	}
	units := pipeline.Units(s.columns.Rows)
	parts := make([]permute.Unit, len(units))
	for i, u := range units {
		parts[i] = permute.Unit{Group: u.Group, Block: u.Block}
	}
	swaps := permute.New(parts, 0, 1, func(block uint32) bool { return s.columns.Labels.Blocks[block] != "" }, s.run.GetSeed())
	progress, err := s.testProgress(ctx)
	if err != nil {
		return err
	}
	aligned, canAlign := frozen.Aligned(s.columns.Rows)
	rounds := []testRound{{aligned: true, rows: aligned}, {rows: s.columns.Rows}}
	for i, score := range s.described.GetScores() {
		round := &rounds[1]
		if promises(s.described, describev1.Law_LAW_SHIFT_INVARIANT, score.GetName()) {
			round = &rounds[0]
		}
		round.scores, round.places = append(round.scores, score.GetName()), append(round.places, i)
	}
	if !canAlign {
		for _, i := range rounds[0].places {
			progress.Tests[i].NotTested = "with the orders' means taken off, a colour would leave the range of L*"
		}
		rounds = rounds[1:]
	}
	rounds = slices.DeleteFunc(rounds, func(t testRound) bool { return len(t.scores) == 0 })
	m := swaps.Arrangements()
	s.result.RelabellingsAll = int32(len(rounds) * m)
	for int(progress.GetDone()) < len(rounds)*m {
		done := int(progress.GetDone())
		if err := s.permute(ctx, rounds[done/m], swaps, done%m, progress); err != nil {
			return err
		}
		s.result.RelabellingsDone = progress.GetDone()
		body, err := deterministic.Marshal(progress)
		if err != nil {
			return err
		}
		if err := s.keep(ctx, store.RunPart{Module: s.index, Part: testPart, Body: body}); err != nil {
			return err
		}
	}
	s.result.Tests = s.judged(progress, swaps, func(i int) bool {
		return len(rounds) > 0 && rounds[0].aligned && slices.Contains(rounds[0].places, i)
	})
	return nil
}

// testRound is the scores that are permuted on the same rows.
type testRound struct {
	aligned bool
	rows    []pipeline.Row
	scores  []string
	places  []int // among the module's scores
}

func (s *scoring) testProgress(ctx context.Context) (*catalogv1.FrozenTests, error) {
	parts, err := s.Store.RunScores(ctx, s.run.GetId(), s.index)
	if err != nil {
		return nil, err
	}
	out := &catalogv1.FrozenTests{}
	if len(parts) > 0 && parts[0].Part == testPart {
		if err := proto.Unmarshal(parts[0].Body, out); err != nil {
			return nil, fmt.Errorf("decode tests of run %s: %w", s.run.GetId(), err)
		}
	}
	if len(out.GetTests()) != len(s.described.GetScores()) {
		out = &catalogv1.FrozenTests{}
		for range s.described.GetScores() {
			out.Tests = append(out.Tests, &catalogv1.FrozenTest{})
		}
	}
	return out, nil
}

// permute asks for the next arrangements of a round, after those that are done, and counts them in.
func (s *scoring) permute(ctx context.Context, round testRound, swaps *permute.Swaps, done int, progress *catalogv1.FrozenTests) error {
	n := min(relabellingsInACall, swaps.Arrangements()-done)
	var found [][]float64 // by arrangement, then score of the round; NaN where there is none
	var whys []string
	question := s.asked(s.columns.Labels, round.rows)
	question.Scores, question.Relabellings = round.scores, n
	question.Relabel = func(i int) []uint32 { return swaps.Group(done + i) }
	question.Each = func(_ int, groups []*palettev2.GroupScores) error {
		row := make([]float64, len(round.scores))
		for k := range row {
			d := between(groups, k)
			row[k] = d.difference
			if d.why != "" {
				row[k], whys[k] = math.NaN(), d.why
			}
		}
		found = append(found, row)
		return nil
	}
	var got *pipeline.Scores
	err := s.patiently(ctx, func() (err error) {
		found, whys = nil, make([]string, len(round.scores))
		got, err = s.Scorer.ScorePalettes(ctx, s.run.GetModules()[s.index].GetName(), question)
		return err
	})
	if err != nil {
		return err
	}
	for k, place := range round.places {
		test, seen := progress.GetTests()[place], between(got.Groups, k)
		test.Seen, test.First, test.Second = seen.difference, seen.first, seen.second
		switch {
		case seen.why != "":
			test.Seen, test.NotTested = 0, "not computed: "+seen.why
			continue
		case whys[k] != "":
			test.NotTested = "not computed in every arrangement: " + whys[k]
		}
		for _, row := range found {
			if !math.IsNaN(row[k]) && permute.AsFar(row[k], seen.difference) {
				test.AsFar++
			}
		}
	}
	progress.Done += int32(n)
	return nil
}

// apart is how far two orders lie apart by one score.
type apart struct {
	difference, first, second float64 // means over strata
	why                       string  // why there is none
}

// between takes the mean over the strata that hold both groups.
func between(groups []*palettev2.GroupScores, score int) (out apart) {
	strata := 0.0
	for i := 1; i < len(groups); i++ {
		a, b := groups[i-1], groups[i]
		if a.GetStratum() != b.GetStratum() || a.GetGroup() != 0 || b.GetGroup() != 1 {
			continue
		}
		x, y := a.GetScores()[score], b.GetScores()[score]
		for _, v := range []*palettev2.ScoreValue{x, y} {
			if v.GetNotComputed() != "" {
				return apart{why: v.GetNotComputed()}
			}
		}
		strata++
		out.first, out.second = out.first+x.GetValue(), out.second+y.GetValue()
	}
	if strata == 0 {
		return apart{why: "no stratum holds both orders"}
	}
	out.first, out.second = out.first/strata, out.second/strata
	out.difference = out.first - out.second
	if !finite(out.difference) {
		return apart{why: "its difference is no number"}
	}
	return out
}

// promises tells whether a module promises a law of one of its scores.
func promises(described *describev1.DescribeResponse, law describev1.Law, score string) bool {
	return slices.ContainsFunc(described.GetLaws(), func(p *describev1.LawPromise) bool {
		return p.GetLaw() == law && (len(p.GetOf()) == 0 || slices.Contains(p.GetOf(), score))
	})
}

// judged makes of the counts what they say.
func (s *scoring) judged(progress *catalogv1.FrozenTests, swaps *permute.Swaps, aligned func(score int) bool) (out []*catalogv1.ScoreTest) {
	groups := s.columns.Labels.Groups
	var leading []*catalogv1.ScoreTest
	var ps []float64
	for i, t := range progress.GetTests() {
		test := &catalogv1.ScoreTest{
			Score: s.described.GetScores()[i].GetName(), First: groups[0], Second: groups[1], Difference: t.GetSeen(), Arrangements: int32(swaps.Arrangements()),
			Enumerated: swaps.Enumerated(), AsFar: t.GetAsFar(), Aligned: aligned(i), NotTested: t.GetNotTested(), Standing: poolv1.Standing_STANDING_EXPLORATORY,
		}
		if swaps.Sessions() < minSessions {
			test.Standing, test.NotTested = poolv1.Standing_STANDING_NOT_ENOUGH_YET, fmt.Sprintf("%d sessions hold both orders; %d are needed", swaps.Sessions(), minSessions)
		}
		if test.GetNotTested() != "" {
			test.AsFar = 0
			test.Statement = fmt.Sprintf("By %s: no test, %s", test.GetScore(), test.GetNotTested())
		} else {
			p := permute.P(int(test.GetAsFar()), int(test.GetArrangements()))
			test.P = &p
			if test.GetAligned() {
				leading, ps = append(leading, test), append(ps, p)
			}
		}
		out = append(out, test)
	}
	for i, p := range permute.Holm(ps) {
		leading[i].PAdjusted = &p
	}
	for i, test := range out {
		if test.P != nil {
			t := progress.GetTests()[i]
			s.state(test, s.described.GetScores()[i], t.GetFirst(), t.GetSecond(), swaps.Sessions())
		}
	}
	return out
}

// state puts a test into a sentence, and says who is wider.
func (s *scoring) state(t *catalogv1.ScoreTest, score *describev1.Score, first, second float64, sessions int) {
	name := "By " + t.GetScore() + " of " + s.result.GetModule().GetName()
	sure := fmt.Sprintf("(p = %.4f, %d sessions)", t.GetP(), sessions)
	if t.PAdjusted == nil {
		t.Statement = fmt.Sprintf("%s, which only describes, %s and %s differ by %.3g %s", name, t.GetFirst(), t.GetSecond(), t.GetDifference(), sure)
		return
	}
	sure = fmt.Sprintf("(p = %.4f, %d sessions)", t.GetPAdjusted(), sessions)
	if t.GetPAdjusted() > alpha {
		t.Standing = poolv1.Standing_STANDING_NO_ANSWER_AT_THIS_SIZE
		t.Statement = fmt.Sprintf("%s, no answer at this size: the test was made and can't tell whether %s or %s is wider %s", name, t.GetFirst(), t.GetSecond(), sure)
		return
	}
	t.Standing = poolv1.Standing_STANDING_VERDICT
	if !(first > 0 && second > 0) {
		t.Statement = fmt.Sprintf("%s, %s and %s differ, in no proportion that can be given %s", name, t.GetFirst(), t.GetSecond(), sure)
		return
	}
	ratio := max(first/second, second/first)
	if ratio < margin {
		t.Statement = fmt.Sprintf("%s, %s and %s differ by too little to matter, %.2f times %s", name, t.GetFirst(), t.GetSecond(), ratio, sure)
		return
	}
	wide, narrow := t.GetFirst(), t.GetSecond()
	t.Wider = "first"
	if (t.GetDifference() > 0) != score.GetHigherIsWider() {
		t.Wider, wide, narrow = "second", narrow, wide
	}
	t.Statement = fmt.Sprintf("%s, %s gives the wider palette than %s, %.2f times %s", name, wide, narrow, ratio, sure)
}
