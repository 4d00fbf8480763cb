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
	// minSessions is the least from which groups can be ranked: 2/2^6 is the first p below 0.05.
	minSessions = 6
	// alpha and margin are those of the pool's own verdicts.
	alpha  = 0.05
	margin = 1.10
)

// tests permutes every two groups that an experiment compares within the sessions that hold both, when it is at its closing size. A score that stays when all
// colours are moved alike is tested on colours with each group's mean taken off: else swaps would mix two clouds that lie apart, and find nothing. The others are
// swapped as they are, which only describes.
func (s *scoring) tests(ctx context.Context) error {
	c := s.run.GetColumns()
	if s.run.GetQuestion().GetExperimentId() == "" || c.GetClosingSessions() == 0 || c.GetUsedSessions() < c.GetClosingSessions() || c.GetNotClosed() != "" || c.GetErasedRows() > 0 {
		return nil
	}
	pairs := s.pairs()
	if len(pairs) == 0 {
		return nil
	}
	progress, err := s.testProgress(ctx, len(pairs))
	if err != nil {
		return err
	}
	rounds := s.rounds(pairs, progress)
	all := 0
	for _, round := range rounds {
		all += round.swaps.Arrangements()
	}
	s.result.RelabellingsAll = int32(all)
	before := 0 // arrangements of the rounds that are over
	for _, round := range rounds {
		m := round.swaps.Arrangements()
		var rows []pipeline.Row
		for done := int(progress.GetDone()) - before; done < m; done = int(progress.GetDone()) - before {
			if rows == nil {
				if rows = s.rowsOf(round.pair); round.aligned {
					rows, _ = frozen.Aligned(rows)
				}
			}
			if err := s.permute(ctx, round, rows, done, progress); err != nil {
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
		before += m
	}
	s.result.RelabellingsDone = progress.GetDone()
	s.result.Tests = s.judged(pairs, progress)
	return nil
}

// pair is two groups that are swapped.
type pair struct {
	first, second uint32
	blocks        map[uint32]bool // sessions that hold both
	swaps         *permute.Swaps
	leads         []bool // by score: it is tested on aligned colours, so that it can lead to a verdict
}

// pairs are every two groups that some session holds both of, in the order of the labels.
func (s *scoring) pairs() (out []*pair) {
	labels := s.columns.Labels
	held := make([]map[uint32]bool, len(labels.Groups)) // sessions of each group
	for i := range held {
		held[i] = map[uint32]bool{}
	}
	for i := range s.columns.Rows {
		if r := &s.columns.Rows[i]; labels.Blocks[r.Block] != "" {
			held[r.Group][r.Block] = true
		}
	}
	for i := range held {
		for k := i + 1; k < len(held); k++ {
			p := &pair{first: uint32(i), second: uint32(k), blocks: map[uint32]bool{}, leads: make([]bool, len(s.described.GetScores()))}
			for block := range held[i] {
				if held[k][block] {
					p.blocks[block] = true
				}
			}
			if len(p.blocks) == 0 {
				continue
			}
			units := pipeline.Units(s.rowsOf(p))
			parts := make([]permute.Unit, len(units))
			for n, u := range units {
				parts[n] = permute.Unit{Group: u.Group, Block: u.Block}
			}
			p.swaps = permute.New(parts, p.first, p.second, func(uint32) bool { return true }, s.run.GetSeed())
			out = append(out, p)
		}
	}
	return out
}

// rowsOf are the rows of a pair's two groups in the sessions that hold both.
func (s *scoring) rowsOf(p *pair) (out []pipeline.Row) {
	for i := range s.columns.Rows {
		if r := &s.columns.Rows[i]; (r.Group == p.first || r.Group == p.second) && p.blocks[r.Block] {
			out = append(out, *r)
		}
	}
	return out
}

// testRound is the scores that are permuted on the same rows.
type testRound struct {
	*pair
	aligned bool
	scores  []string
	places  []int // among the tests
}

// rounds are what is to be permuted, for each pair its aligned scores first. Where colours can't be aligned the tests say so.
func (s *scoring) rounds(pairs []*pair, progress *catalogv1.FrozenTests) (out []testRound) {
	for n, p := range pairs {
		rounds := [2]testRound{{pair: p, aligned: true}, {pair: p}}
		for i, score := range s.described.GetScores() {
			round := &rounds[1]
			if promises(s.described, describev1.Law_LAW_SHIFT_INVARIANT, score.GetName()) {
				round = &rounds[0]
			}
			round.scores, round.places = append(round.scores, score.GetName()), append(round.places, n*len(s.described.GetScores())+i)
			p.leads[i] = round.aligned
		}
		if _, can := frozen.Aligned(s.rowsOf(p)); !can {
			for _, i := range rounds[0].places {
				progress.Tests[i].NotTested = "with the groups' means taken off, a colour would leave the range of L*"
			}
			clear(p.leads)
			rounds[0].scores = nil
		}
		for _, round := range rounds {
			if len(round.scores) > 0 {
				out = append(out, round)
			}
		}
	}
	return out
}

// testProgress is how far the tests are; nothing of what was kept counts when it is of other tests.
func (s *scoring) testProgress(ctx context.Context, pairs int) (*catalogv1.FrozenTests, error) {
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
	if n := pairs * len(s.described.GetScores()); len(out.GetTests()) != n {
		out = &catalogv1.FrozenTests{}
		for range n {
			out.Tests = append(out.Tests, &catalogv1.FrozenTest{})
		}
	}
	return out, nil
}

// permute asks for the next arrangements of a round, after those that are done, and counts them in.
func (s *scoring) permute(ctx context.Context, round testRound, rows []pipeline.Row, done int, progress *catalogv1.FrozenTests) error {
	n := min(relabellingsInACall, round.swaps.Arrangements()-done)
	var found [][]float64 // by arrangement, then score of the round; NaN where there is none
	var whys []string
	question := s.asked(s.columns.Labels, rows)
	question.Scores, question.Relabellings = round.scores, n
	question.Relabel = func(i int) []uint32 { return round.swaps.Group(done + i) }
	question.Each = func(_ int, groups []*palettev2.GroupScores) error {
		row := make([]float64, len(round.scores))
		for k := range row {
			d := round.between(groups, k)
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
		test, seen := progress.GetTests()[place], round.between(got.Groups, k)
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

// apart is how far two groups lie apart by one score.
type apart struct {
	difference, first, second float64 // means over strata
	why                       string  // why there is none
}

// between takes the mean over the strata that hold both groups.
func (p *pair) between(groups []*palettev2.GroupScores, score int) (out apart) {
	strata := 0.0
	for i := 1; i < len(groups); i++ {
		a, b := groups[i-1], groups[i]
		if a.GetStratum() != b.GetStratum() || a.GetGroup() != p.first || b.GetGroup() != p.second {
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
		return apart{why: "no stratum holds both"}
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
func (s *scoring) judged(pairs []*pair, progress *catalogv1.FrozenTests) (out []*catalogv1.ScoreTest) {
	groups, scores := s.columns.Labels.Groups, s.described.GetScores()
	var leading []*catalogv1.ScoreTest
	var ps []float64
	for i, t := range progress.GetTests() {
		pair, score := pairs[i/len(scores)], i%len(scores)
		test := &catalogv1.ScoreTest{
			Score: scores[score].GetName(), First: groups[pair.first], Second: groups[pair.second], Difference: t.GetSeen(), Arrangements: int32(pair.swaps.Arrangements()),
			Enumerated: pair.swaps.Enumerated(), AsFar: t.GetAsFar(), Aligned: pair.leads[score], NotTested: t.GetNotTested(), Standing: poolv1.Standing_STANDING_EXPLORATORY,
		}
		if pair.swaps.Sessions() < minSessions {
			test.Standing, test.NotTested = poolv1.Standing_STANDING_NOT_ENOUGH_YET, fmt.Sprintf("%d sessions hold both; %d are needed", pair.swaps.Sessions(), minSessions)
		}
		if test.GetNotTested() != "" {
			test.AsFar = 0
			test.Statement = fmt.Sprintf("By %s, %s and %s: no test, %s", test.GetScore(), test.GetFirst(), test.GetSecond(), test.GetNotTested())
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
			s.state(test, scores[i%len(scores)], t.GetFirst(), t.GetSecond(), pairs[i/len(scores)].swaps.Sessions())
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
