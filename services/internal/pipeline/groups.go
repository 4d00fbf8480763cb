package pipeline

import (
	"context"
	"fmt"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// MaxGroupsCompared is how many groups every module takes.
const MaxGroupsCompared = 20

// GroupsQuestion asks whether groups lie apart and spread differently.
type GroupsQuestion struct {
	Condition trial.ColourCondition
	Labels    Labels // 2 to MaxGroupsCompared groups, none of them ""
	Rows      []Row
	Seed      uint64
	// Of an experiment: what a group has in a block is one unit; whether it stands at its closing size, and what matters.
	WholeUnits    bool
	Closing       bool    // only with WholeUnits; else estimates only
	ToleranceDE00 float64 // 0: the module's own
	Alpha         float64 // for the outlook; 0: the module's own
}

// CompareGroups asks the compare module and checks its answer. Errors: as MeasureOrderEffect.
func (p *Pipeline) CompareGroups(ctx context.Context, q GroupsQuestion) (*comparev1.CompareGroupsResponse, *typesv1.ModuleIdentity, error) {
	rows, err := inOrder(q.Rows)
	if err != nil {
		return nil, nil, err
	}
	header := &comparev1.CompareGroupsRequest{Part: &comparev1.CompareGroupsRequest_Header{Header: &comparev1.GroupsHeader{
		Condition: conditionMessage(q.Condition), Labels: q.Labels.message(), RowCount: int64(len(rows)), Seed: q.Seed, Exploring: !q.Closing,
		WholeUnits: q.WholeUnits, ToleranceDe00: q.ToleranceDE00, Alpha: q.Alpha,
	}}}
	return askRows(ctx, p, rows,
		func(ctx context.Context, c comparev1.CompareServiceClient) (clientStream[comparev1.CompareGroupsRequest, comparev1.CompareGroupsResponse], error) {
			return c.CompareGroups(ctx, withRows)
		}, header, func(h *hold, r *comparev1.CompareGroupsResponse) error { return h.checkGroups(q, r) })
}

func (h *hold) checkGroups(q GroupsQuestion, r *comparev1.CompareGroupsResponse) error {
	groups := len(q.Labels.Groups)
	switch {
	case r.GetSeed() != q.Seed:
		return h.blame("seed is %v; allowed: %v", r.GetSeed(), q.Seed)
	case r.GetCells() < 0 || int(r.GetCells()) > len(q.Rows) || r.GetAlone() < 0 || int(r.GetAlone()) > len(q.Rows):
		return h.blame("cells is %d and alone %d; allowed: 0 to the number of rows", r.GetCells(), r.GetAlone())
	case r.GetBlocks() < 0 || r.GetBlocks() > r.GetCells():
		return h.blame("blocks is %d; allowed: 0 to cells", r.GetBlocks())
	case len(r.GetApart()) > 0 && (r.GetPlace() != nil || r.GetSpread() != nil):
		return h.blame("place or spread is given; allowed: neither where groups stand apart")
	case len(r.GetPairs()) > groups*(groups-1)/2:
		return h.blame("pairs has %d; allowed: each two groups once", len(r.GetPairs()))
	}
	for i, g := range r.GetApart() {
		if int(g) >= groups {
			return h.blame("apart[%d] is %d; allowed: an index of a group", i, g)
		}
	}
	if err := h.checkGroupsTest("place", groups-1, q.Closing, r.GetPlace()); err != nil {
		return err
	}
	if err := h.checkGroupsTest("spread", groups-1, q.Closing, r.GetSpread()); err != nil {
		return err
	}
	seen := map[[2]uint32]bool{}
	for i, pair := range r.GetPairs() {
		two := [2]uint32{min(pair.GetGroupA(), pair.GetGroupB()), max(pair.GetGroupA(), pair.GetGroupB())}
		if two[0] == two[1] || int(two[1]) >= groups || seen[two] {
			return h.blame("pairs[%d] is of groups %d and %d; allowed: each two groups once", i, pair.GetGroupA(), pair.GetGroupB())
		}
		seen[two] = true
		for _, x := range []struct {
			what     string
			test     *comparev1.GroupsTest
			adjusted *float64
		}{{"place", pair.GetPlace(), pair.PlacePAdjusted}, {"spread", pair.GetSpread(), pair.SpreadPAdjusted}} {
			field := fmt.Sprintf("pairs[%d].%s", i, x.what)
			if err := h.checkGroupsTest(field, 1, q.Closing, x.test); err != nil {
				return err
			}
			if wanted := q.Closing && x.test != nil; wanted != (x.adjusted != nil) || x.adjusted != nil && !(*x.adjusted >= x.test.GetP()-1e-12 && *x.adjusted <= 1) {
				return h.blame("%s_p_adjusted is %v; allowed: one not below p, to 1, and none with exploring", field, x.adjusted)
			}
		}
	}
	seen = map[[2]uint32]bool{}
	for i, d := range r.GetDistances() {
		two := [2]uint32{min(d.GetGroupA(), d.GetGroupB()), max(d.GetGroupA(), d.GetGroupB())}
		if two[0] == two[1] || int(two[1]) >= groups || seen[two] || d.GetBlocks() < 1 {
			return h.blame("distances[%d] is of groups %d and %d over %d blocks; allowed: each two groups once, over 1 or more", i, d.GetGroupA(), d.GetGroupB(), d.GetBlocks())
		}
		seen[two] = true
		if !(finite(d.GetL()) && finite(d.GetA()) && finite(d.GetB()) && finite(d.GetDe00()) && d.GetDe00() >= 0) {
			return h.blame("distances[%d] has figures that aren't finite, or a de00 below 0", i)
		}
	}
	return h.checkPlaceOutlook(r.GetOutlook())
}

func (h *hold) checkGroupsTest(field string, mostDF int, closing bool, t *comparev1.GroupsTest) error {
	switch {
	case t == nil:
		return nil
	case !closing && (t.GetP() != 0 || t.GetArrangements() != 0 || t.GetExact()):
		return h.blame("%s has a p or arrangements; allowed: none with exploring", field)
	case closing && !(t.GetP() > 0 && t.GetP() <= 1 && t.GetArrangements() > 0):
		return h.blame("%s has a p of %v of %d arrangements; allowed: above 0 to 1, of 1 or more", field, t.GetP(), t.GetArrangements())
	case !(t.GetShare() >= 0 && t.GetShare() <= 1):
		return h.blame("%s.share is %v; allowed: 0 to 1", field, t.GetShare())
	case t.F != nil && !(finite(t.GetF()) && t.GetF() >= 0):
		return h.blame("%s.f is %v; allowed: 0 or above", field, t.GetF())
	case t.GetGroupDf() < 1 || int(t.GetGroupDf()) > mostDF || t.GetRestDf() < 1:
		return h.blame("%s has %d and %d degrees of freedom; allowed: 1 to %d, and 1 or above", field, t.GetGroupDf(), t.GetRestDf(), mostDF)
	}
	return nil
}

// JudgementsQuestion asks for the votes of sessions.
type JudgementsQuestion struct {
	Judgements  []*comparev1.Judgement
	BlindOnly   bool
	Comparisons int32 // made together
}

// CountJudgements asks the compare module and checks its answer. Errors: ErrNotOffered; *ModuleError; ctx.Err().
func (p *Pipeline) CountJudgements(ctx context.Context, q JudgementsQuestion) (*comparev1.CountJudgementsResponse, *typesv1.ModuleIdentity, error) {
	h, err := p.acquire(KindCompare)
	if err != nil {
		return nil, nil, err
	}
	defer h.handle.Release()
	r, err := comparev1.NewCompareServiceClient(h.handle).CountJudgements(ctx, &comparev1.CountJudgementsRequest{
		Judgements: q.Judgements, BlindOnly: q.BlindOnly, Comparisons: q.Comparisons,
	})
	switch {
	case err != nil && ctx.Err() == nil && status.Code(err) == codes.Unimplemented:
		return nil, nil, fmt.Errorf("%s module %s: %w", h.kind, h.name, ErrNotOffered)
	case err != nil:
		return nil, nil, h.failed(ctx, err)
	}
	if err := h.checkVotes(q, r); err != nil {
		return nil, nil, err
	}
	return r, h.identity(), nil
}

func (h *hold) checkVotes(q JudgementsQuestion, r *comparev1.CountJudgementsResponse) error {
	sessions := map[string]bool{}
	for _, j := range q.Judgements {
		sessions[j.GetSession()] = j.GetSession() != ""
	}
	delete(sessions, "")
	votes := int(r.GetFirst()) + int(r.GetSecond()) + int(r.GetSplit())
	switch {
	case r.GetFirst() < 0 || r.GetSecond() < 0 || r.GetSplit() < 0 || votes > len(sessions):
		return h.blame("first, second and split are %d, %d and %d; allowed: one vote for each of %d sessions", r.GetFirst(), r.GetSecond(), r.GetSplit(), len(sessions))
	case r.GetNotBlind() < 0 || r.GetWithoutSession() < 0 || int(r.GetNotBlind())+int(r.GetWithoutSession()) > len(q.Judgements):
		return h.blame("not_blind and without_session are %d and %d of %d judgements", r.GetNotBlind(), r.GetWithoutSession(), len(q.Judgements))
	case !q.BlindOnly && r.GetNotBlind() > 0:
		return h.blame("not_blind is %d; allowed: 0 unless blind ones alone count", r.GetNotBlind())
	case (r.P == nil) != (r.PAdjusted == nil):
		return h.blame("only one of p and p_adjusted is given")
	case r.P == nil && r.GetMissing() == "":
		return h.blame("missing is empty; required without a p")
	case !isShare(r.P) || !isShare(r.PAdjusted) || r.P != nil && (*r.P == 0 || *r.PAdjusted < *r.P-1e-12):
		return h.blame("p is %v and p_adjusted %v; allowed: above 0 to 1, the latter not below the former", r.GetP(), r.GetPAdjusted())
	}
	return nil
}
