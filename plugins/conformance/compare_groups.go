package conformance

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"

	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/protobuf/proto"
)

func groupsQuestion(t table, exploring bool) question {
	return groupsStream(&comparev1.GroupsHeader{Condition: daylight(), Labels: t.labels(), RowCount: int64(len(t.rows)), Seed: 7, Exploring: exploring}, t.chunks())
}

func groupsStream(h *comparev1.GroupsHeader, chunks []*columnsv1.ColourColumns) question {
	q := question{&comparev1.CompareGroupsRequest{Part: &comparev1.CompareGroupsRequest_Header{Header: h}}}
	for _, c := range chunks {
		q = append(q, &comparev1.CompareGroupsRequest{Part: &comparev1.CompareGroupsRequest_Columns{Columns: c}})
	}
	return q
}

func furtherGroups() further {
	return further{
		name: "groups", asked: "test groups soundly for place and spread within blocks, or leave it UNIMPLEMENTED",
		method: comparev1.CompareService_CompareGroups_FullMethodName, clientStream: true,
		newReply: func() proto.Message { return &comparev1.CompareGroupsResponse{} },
		plain: func(r *rand.Rand) []question {
			// The third group stands in sessions of its own, two of its cells beside each other.
			apart := tableOf(r, shape{3, 4, 1, 2, 1}).without(func(x row) bool { return (x.group == 2) != (x.block > 1) })
			units, planned := groupsQuestion(tableOf(r, shape{3, 4, 1, 3, 1}), true), groupsQuestion(tableOf(r, shape{2, 6, 2, 2, 2}), false)
			for _, q := range []question{units, planned} {
				q[0].(*comparev1.CompareGroupsRequest).GetHeader().WholeUnits = true
			}
			return []question{
				units, planned, groupsQuestion(tableOf(r, shape{2, 3, 1, 2, 1}), false), groupsQuestion(tableOf(r, shape{3, 4, 2, 2, 2}), true), groupsQuestion(tableOf(r, shape{4, 3, 1, 1, 1}), false),
				groupsQuestion(apart, false), groupsQuestion(table{groups: labelled("group ", 2)}, true),
			}
		},
		invalid: invalidGroups, sound: soundGroups,
	}
}

func invalidGroups(r *rand.Rand) []refusal {
	base := tableOf(r, shape{2, 2, 1, 2, 1})
	header := func(spoil func(*comparev1.GroupsHeader)) question {
		q := groupsQuestion(base.clone(), false)
		spoil(q[0].(*comparev1.CompareGroupsRequest).GetHeader())
		return q
	}
	out := badConditions(func(c *typesv1.ColourCondition) question {
		return header(func(h *comparev1.GroupsHeader) { h.Condition = c })
	})
	out = append(out,
		refusal{"labels are missing", header(func(h *comparev1.GroupsHeader) { h.Labels = nil }), []string{"labels"}},
		refusal{`labels.groups[0] is ""`, header(func(h *comparev1.GroupsHeader) { h.Labels.Groups[0] = "" }), []string{"groups"}},
		refusal{"labels.groups has one", groupsQuestion(tableOf(r, shape{1, 2, 1, 2, 1}), false), []string{"groups"}})
	out = append(out, streamFaults(groupsQuestion(base, false), &comparev1.CompareGroupsRequest{})...)
	return append(out, columnFaults(func(_ table, labels *columnsv1.Labels, n int64, chunks []*columnsv1.ColourColumns) question {
		return groupsStream(&comparev1.GroupsHeader{Condition: daylight(), Labels: labels, RowCount: n}, chunks)
	}, base)...)
}

func soundGroups(q question, a reply) error {
	h, got := q[0].(*comparev1.CompareGroupsRequest).GetHeader(), a[0].(*comparev1.CompareGroupsResponse)
	k := len(h.GetLabels().GetGroups())
	joined := map[uint32]map[uint32]bool{} // groups by block
	for _, m := range q[1:] {
		c := m.(*comparev1.CompareGroupsRequest).GetColumns()
		for i, b := range c.GetBlock() {
			if joined[b] == nil {
				joined[b] = map[uint32]bool{}
			}
			joined[b][c.GetGroup()[i]] = true
		}
	}
	whole := len(joined) > 0 // every block holds every group
	for _, in := range joined {
		whole = whole && len(in) == k
	}
	switch {
	case got.GetSeed() != h.GetSeed():
		return errors.New("seed is not that which was asked with")
	case got.GetCells() < 0 || int64(got.GetCells()) > h.GetRowCount() || got.GetBlocks() < 0 || got.GetAlone() < 0:
		return fmt.Errorf("cells is %d, blocks %d, alone %d of %d rows", got.GetCells(), got.GetBlocks(), got.GetAlone(), h.GetRowCount())
	case len(got.GetApart()) > 0 && (got.GetPlace() != nil || got.GetSpread() != nil):
		return errors.New("place or spread is there where groups stand apart")
	case whole && len(got.GetApart()) > 0:
		return errors.New("apart names groups that stand in every block")
	case !whole && len(joined) > 0 && len(got.GetApart()) == 0:
		return errors.New("apart is empty, where no chain of blocks joins a group to the first")
	case whole && got.GetPlace() == nil:
		return errors.New("place is missing")
	case len(got.GetPairs()) != 0 && len(got.GetPairs()) != k*(k-1)/2 || whole && k > 2 && len(got.GetPairs()) == 0:
		return fmt.Errorf("pairs has %d, want each two of %d groups once", len(got.GetPairs()), k)
	}
	if err := soundUnits(h, got, whole); err != nil {
		return err
	}
	if err := soundGroupsTest("place", got.GetPlace(), k-1, h.GetExploring()); err != nil {
		return err
	}
	if err := soundGroupsTest("spread", got.GetSpread(), k-1, h.GetExploring()); err != nil {
		return err
	}
	seen := map[[2]uint32]bool{}
	for i, p := range got.GetPairs() {
		at := fmt.Sprintf("pairs[%d]", i)
		two := [2]uint32{min(p.GetGroupA(), p.GetGroupB()), max(p.GetGroupA(), p.GetGroupB())}
		if two[0] == two[1] || int(two[1]) >= k || seen[two] {
			return fmt.Errorf("%s is of groups %d and %d, want each two once", at, p.GetGroupA(), p.GetGroupB())
		}
		seen[two] = true
		if err := soundGroupsTest(at+".place", p.GetPlace(), 1, h.GetExploring()); err != nil {
			return err
		}
		if err := soundGroupsTest(at+".spread", p.GetSpread(), 1, h.GetExploring()); err != nil {
			return err
		}
		for _, x := range []struct {
			test     *comparev1.GroupsTest
			adjusted *float64
		}{{p.GetPlace(), p.PlacePAdjusted}, {p.GetSpread(), p.SpreadPAdjusted}} {
			if x.adjusted != nil && (h.GetExploring() || x.test == nil || *x.adjusted < x.test.GetP()-1e-12 || *x.adjusted > 1) {
				return fmt.Errorf("%s has an adjusted p of %v, want one not below p, and none with exploring", at, *x.adjusted)
			}
		}
	}
	return nil
}

// soundUnits holds what only whole units have.
func soundUnits(h *comparev1.GroupsHeader, got *comparev1.CompareGroupsResponse, whole bool) error {
	k, blocks := len(h.GetLabels().GetGroups()), len(h.GetLabels().GetBlocks())
	switch {
	case !h.GetWholeUnits():
		if len(got.GetDistances()) > 0 || got.GetOutlook() != nil {
			return errors.New("distances or outlook is there without whole_units")
		}
		return nil
	case !whole:
		return nil
	case int(got.GetPlace().GetRestDf()) != (blocks-1)*(k-1):
		return fmt.Errorf("place.rest_df is %d, want %d of %d groups with a unit each in %d blocks", got.GetPlace().GetRestDf(), (blocks-1)*(k-1), k, blocks)
	case len(got.GetDistances()) != k*(k-1)/2:
		return fmt.Errorf("distances has %d, want each two of %d groups once", len(got.GetDistances()), k)
	}
	for i, d := range got.GetDistances() {
		if int(d.GetBlocks()) != blocks || d.GetDe00() < 0 || d.GetGroupA() == d.GetGroupB() {
			return fmt.Errorf("distances[%d] is %v of %d blocks, want 0 or above of two groups in %d", i, d.GetDe00(), d.GetBlocks(), blocks)
		}
	}
	if o := got.GetOutlook(); o != nil && (o.GetTargetDe00() <= 0 || o.GetSessionsToFind() < 0) {
		return fmt.Errorf("outlook is of a target of %v and %d sessions, want above 0, and 0 or above", o.GetTargetDe00(), o.GetSessionsToFind())
	}
	return nil
}

func soundGroupsTest(field string, t *comparev1.GroupsTest, most int, exploring bool) error {
	if t == nil {
		return nil
	}
	between, rest := float64(t.GetGroupDf()), float64(t.GetRestDf())
	switch {
	case between < 1 || int(between) > most || rest < 1:
		return fmt.Errorf("%s has %v and %v degrees of freedom, want 1 to %d, and 1 or above", field, between, rest, most)
	case exploring && (t.GetP() != 0 || t.GetArrangements() != 0):
		return fmt.Errorf("%s has a p of %v, want none with exploring", field, t.GetP())
	case !exploring && (!(t.GetP() > 0 && t.GetP() <= 1) || t.GetArrangements() < 1):
		return fmt.Errorf("%s.p is %v of %d arrangements, want above 0 to 1", field, t.GetP(), t.GetArrangements())
	case !(t.GetShare() >= 0 && t.GetShare() <= 1):
		return fmt.Errorf("%s.share is %v, want 0 to 1", field, t.GetShare())
	case t.F != nil && math.Abs(t.GetShare()-t.GetF()*between/(t.GetF()*between+rest)) > 1e-6:
		return fmt.Errorf("%s.share is %v, which F %v on %v and %v degrees of freedom doesn't give", field, t.GetShare(), t.GetF(), between, rest)
	}
	return nil
}

func furtherJudgements() further {
	choose := func(r *rand.Rand, n, sessions int) *comparev1.CountJudgementsRequest {
		q := &comparev1.CountJudgementsRequest{}
		for range n {
			j := &comparev1.Judgement{Choice: comparev1.Choice(1 + r.IntN(3)), Blind: r.IntN(3) > 0}
			if s := r.IntN(sessions + 1); s > 0 {
				j.Session = fmt.Sprintf("session %d", s)
			}
			q.Judgements = append(q.Judgements, j)
		}
		return q
	}
	return further{
		name: "judgements", asked: "count judgements by eye, one vote a session, or leave it UNIMPLEMENTED",
		method: comparev1.CompareService_CountJudgements_FullMethodName, newReply: func() proto.Message { return &comparev1.CountJudgementsResponse{} },
		plain: func(r *rand.Rand) []question {
			blind, many := choose(r, 60, 12), choose(r, 200, 30)
			blind.BlindOnly, many.Comparisons = true, 3
			return []question{{choose(r, 5, 3)}, {choose(r, 40, 9)}, {blind}, {many}, {&comparev1.CountJudgementsRequest{}}}
		},
		invalid: func(r *rand.Rand) []refusal {
			bad := func(what, name string, spoil func(*comparev1.CountJudgementsRequest)) refusal {
				q := choose(r, 5, 3)
				spoil(q)
				return refusal{what, question{q}, []string{name}}
			}
			return []refusal{
				bad("choice is unspecified", "choice", func(q *comparev1.CountJudgementsRequest) { q.Judgements[1].Choice = 0 }),
				bad("choice is 9", "choice", func(q *comparev1.CountJudgementsRequest) { q.Judgements[1].Choice = 9 }),
				bad("comparisons is -1", "comparisons", func(q *comparev1.CountJudgementsRequest) { q.Comparisons = -1 }),
				bad("comparisons is 1001", "comparisons", func(q *comparev1.CountJudgementsRequest) { q.Comparisons = 1001 }),
			}
		},
		sound: soundVotes,
	}
}

// soundVotes counts the votes too.
func soundVotes(q question, a reply) error {
	asked, got := q[0].(*comparev1.CountJudgementsRequest), a[0].(*comparev1.CountJudgementsResponse)
	var want comparev1.CountJudgementsResponse
	balance := map[string]int{}
	for _, j := range asked.GetJudgements() {
		switch {
		case asked.GetBlindOnly() && !j.GetBlind():
			want.NotBlind++
		case j.GetSession() == "":
			want.WithoutSession++
		default:
			balance[j.GetSession()] += map[comparev1.Choice]int{comparev1.Choice_CHOICE_FIRST: 1, comparev1.Choice_CHOICE_SECOND: -1}[j.GetChoice()]
		}
	}
	for _, b := range balance {
		switch {
		case b > 0:
			want.First++
		case b < 0:
			want.Second++
		default:
			want.Split++
		}
	}
	votes := int(want.GetFirst() + want.GetSecond())
	switch {
	case got.GetFirst() != want.GetFirst() || got.GetSecond() != want.GetSecond() || got.GetSplit() != want.GetSplit():
		return fmt.Errorf("first, second and split are %d, %d and %d, want %d, %d and %d", got.GetFirst(), got.GetSecond(), got.GetSplit(), want.GetFirst(), want.GetSecond(), want.GetSplit())
	case got.GetNotBlind() != want.GetNotBlind() || got.GetWithoutSession() != want.GetWithoutSession():
		return fmt.Errorf("not_blind and without_session are %d and %d, want %d and %d", got.GetNotBlind(), got.GetWithoutSession(), want.GetNotBlind(), want.GetWithoutSession())
	case votes < 6 && (got.P != nil || got.GetMissing() == ""):
		return fmt.Errorf("p is there, or missing is empty, with %d votes", votes)
	case votes < 6:
		return nil
	case got.P == nil || got.PAdjusted == nil:
		return fmt.Errorf("p or p_adjusted is missing with %d votes", votes)
	}
	// The exact two-sided sign test, by the terms of (1/2 + 1/2)^votes.
	term, tail := math.Ldexp(1, -votes), 0.0
	for i := 0; i <= votes; i++ {
		if i >= int(max(want.GetFirst(), want.GetSecond())) {
			tail += term
		}
		term *= float64(votes-i) / float64(i+1)
	}
	p := min(1, 2*tail)
	adjusted := min(1, p*float64(max(1, asked.GetComparisons())))
	if math.Abs(got.GetP()-p) > 1e-9 || math.Abs(got.GetPAdjusted()-adjusted) > 1e-9 {
		return fmt.Errorf("p is %v and p_adjusted %v, want %v and %v by the sign test", got.GetP(), got.GetPAdjusted(), p, adjusted)
	}
	return nil
}
