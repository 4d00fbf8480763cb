package compare

import (
	"context"
	"fmt"
	"math"

	"github.com/commonvat/commonvat/plugins/compare/effect"
	"github.com/commonvat/commonvat/plugins/compare/groups"
	"github.com/commonvat/commonvat/plugins/compare/orders"
	"github.com/commonvat/commonvat/plugins/compare/votes"
	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	"github.com/commonvat/commonvat/plugins/sdk/columns"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	"google.golang.org/grpc"
)

// maxJudgements is that of the contract.
const maxJudgements = 100_000

// CompareGroups takes the whole stream, then answers.
func (*Server) CompareGroups(stream grpc.ClientStreamingServer[comparev1.CompareGroupsRequest, comparev1.CompareGroupsResponse]) error {
	answer, err := compareGroups(stream.Context(), stream.Recv)
	if err != nil {
		return err
	}
	return stream.SendAndClose(answer)
}

func compareGroups(ctx context.Context, recv func() (*comparev1.CompareGroupsRequest, error)) (*comparev1.CompareGroupsResponse, error) {
	sums, header, err := groupSums(recv)
	if err != nil {
		return nil, err
	}
	ctx, span := sdk.StartSpan(ctx, "compare groups")
	defer span.End()
	l := header.GetLabels()
	var cells []groups.UnitCell
	for _, s := range sums {
		if l.GetBlocks()[s.block] == "" {
			continue // a cell of no known session is exchangeable with nothing
		}
		block, stratum, cell := l.GetBlocks()[s.block], l.GetStrata()[s.stratum], l.GetCells()[s.cell]
		if header.GetWholeUnits() { // all strata of a session were in the same pots
			cell = fmt.Sprintf("%q %q", stratum, cell)
		} else {
			block = fmt.Sprintf("%q %q", block, stratum)
		}
		cells = append(cells, groups.UnitCell{
			Group: l.GetGroups()[s.group], Block: block, Cell: cell, Lab: colorimetry.Lab{L: s.l / s.n, A: s.a / s.n, B: s.b / s.n},
		})
	}
	result, err := testGroups(ctx, cells, header)
	if err != nil {
		return nil, wire.Failed("header", err)
	}
	out := groupsAnswer(result, header)
	out.Alone += int32(len(sums) - len(cells))
	return out, nil
}

// groupSum holds sums over the readings of one group, block, stratum and cell.
type groupSum struct {
	groupKey
	l, a, b, n float64
}

type groupKey struct{ group, block, stratum, cell uint32 }

// groupSums takes the stream. The sums are in the order of reading ids, in which rows come.
func groupSums(recv func() (*comparev1.CompareGroupsRequest, error)) (sums []groupSum, header *comparev1.GroupsHeader, err error) {
	at := map[groupKey]int{}
	header, err = columns.Receive(recv, checkGroupsHeader, func(_ *comparev1.GroupsHeader, r columns.Row) {
		k := groupKey{r.Group, r.Block, r.Stratum, r.Cell}
		i, ok := at[k]
		if !ok {
			i = len(sums)
			at[k] = i
			sums = append(sums, groupSum{groupKey: k})
		}
		s := &sums[i]
		s.l, s.a, s.b, s.n = s.l+r.Lab.L, s.a+r.Lab.A, s.b+r.Lab.B, s.n+1
	})
	return sums, header, err
}

// testGroups tests units or cells, as the header says; of cells there are no distances and no outlook.
func testGroups(ctx context.Context, cells []groups.UnitCell, h *comparev1.GroupsHeader) (*groups.UnitResult, error) {
	permutations := 0
	if h.GetExploring() {
		permutations = groups.EstimatesOnly
	}
	if h.GetWholeUnits() {
		return groups.CompareUnits(ctx, cells, groups.UnitParams{Permutations: permutations, Seed: h.GetSeed(), Alpha: h.GetAlpha(), ToleranceDE: h.GetToleranceDe00()})
	}
	single := make([]groups.Cell, len(cells))
	for i, c := range cells {
		single[i] = groups.Cell{Group: c.Group, Block: c.Block, Lab: c.Lab}
	}
	r, err := groups.Compare(ctx, single, permutations, h.GetSeed())
	if err != nil {
		return nil, err
	}
	return &groups.UnitResult{Result: *r}, nil
}

// groupsAnswer is a result as a message.
func groupsAnswer(r *groups.UnitResult, header *comparev1.GroupsHeader) *comparev1.CompareGroupsResponse {
	index := indexes(header.GetLabels().GetGroups())
	out := &comparev1.CompareGroupsResponse{
		Cells: int32(r.Cells), Blocks: int32(r.Blocks), Alone: int32(r.Alone),
		Place: groupsTest(r.Place), Spread: groupsTest(r.Spread), Seed: header.GetSeed(), Outlook: placeOutlook(r.Outlook),
	}
	for _, g := range r.Apart {
		out.Apart = append(out.Apart, index[g])
	}
	for _, p := range r.Pairs {
		pair := &comparev1.GroupsPair{GroupA: index[p.First], GroupB: index[p.Second], Place: groupsTest(p.Place), Spread: groupsTest(p.Spread)}
		if p.Place != nil && !header.GetExploring() {
			pair.PlacePAdjusted = &p.PlaceAdjusted
		}
		if p.Spread != nil && !header.GetExploring() {
			pair.SpreadPAdjusted = &p.SpreadAdjusted
		}
		out.Pairs = append(out.Pairs, pair)
	}
	for _, d := range r.Distances {
		out.Distances = append(out.Distances, &comparev1.GroupsDistance{
			GroupA: index[d.First], GroupB: index[d.Second], Blocks: int32(d.Blocks), L: d.Difference[0], A: d.Difference[1], B: d.Difference[2], De00: d.DE,
		})
	}
	return out
}

func placeOutlook(o *groups.Outlook) *comparev1.PlaceOutlook {
	if o == nil {
		return nil
	}
	return &comparev1.PlaceOutlook{
		FromSessions: int32(o.From), NoiseL: o.Noise[0], NoiseA: o.Noise[1], NoiseB: o.Noise[2], TargetDe00: o.TargetDE, SessionsToFind: int32(o.ToFind),
	}
}

func checkGroupsHeader(h *comparev1.GroupsHeader, v *sdk.Violations) {
	labels := h.GetLabels().GetGroups()
	if n := len(labels); h.GetLabels() != nil && (n < 2 || n > maxTestedGroups) {
		v.Add("header.labels.groups", "has %d labels, want 2 to %d", n, maxTestedGroups)
	}
	for i, g := range labels {
		if g == "" {
			v.Add(fmt.Sprintf("header.labels.groups[%d]", i), `is "", want a text that is not empty`)
		}
	}
	wire.OrDefault(v, "header.tolerance_de00", h.GetToleranceDe00(), effect.DefaultToleranceDE, minTolerance, maxTolerance)
	wire.OrDefault(v, "header.alpha", h.GetAlpha(), orders.DefaultAlpha, minAlpha, maxAlpha)
}

// maxTestedGroups bounds the pairs, each of which is a test of up to 2^16 arrangements; the contract allows modules more.
const maxTestedGroups = 20

// finite gives the address of a number, nil of one that is infinite or none.
func finite(x float64) *float64 {
	if math.IsInf(x, 0) || math.IsNaN(x) {
		return nil
	}
	return &x
}

func groupsTest(t *groups.Test) *comparev1.GroupsTest {
	if t == nil {
		return nil
	}
	return &comparev1.GroupsTest{
		F: finite(t.F), GroupDf: int32(t.GroupDF), RestDf: int32(t.RestDF), P: t.P, Arrangements: int64(t.Arrangements), Exact: t.Enumerated, Share: t.Share,
	}
}

var choices = map[comparev1.Choice]votes.Choice{
	comparev1.Choice_CHOICE_NEITHER: votes.Neither, comparev1.Choice_CHOICE_FIRST: votes.First, comparev1.Choice_CHOICE_SECOND: votes.Second,
}

// CountJudgements counts the votes of sessions.
func (*Server) CountJudgements(_ context.Context, request *comparev1.CountJudgementsRequest) (*comparev1.CountJudgementsResponse, error) {
	var v sdk.Violations
	if n := len(request.GetJudgements()); n > maxJudgements {
		v.Add("judgements", "has %d, want at most %d", n, maxJudgements)
		return nil, v.Err()
	}
	if n := request.GetComparisons(); n < 0 || n > maxComparisons {
		v.Add("comparisons", "is %d, want 0 to %d", n, maxComparisons)
	}
	judgements := make([]votes.Judgement, len(request.GetJudgements()))
	for i, j := range request.GetJudgements() {
		choice, known := choices[j.GetChoice()]
		if !known {
			v.Add(fmt.Sprintf("judgements[%d].choice", i), "is %v, want CHOICE_NEITHER, CHOICE_FIRST or CHOICE_SECOND", j.GetChoice())
			break
		}
		judgements[i] = votes.Judgement{Session: j.GetSession(), Choice: choice, Blind: j.GetBlind()}
	}
	if err := v.Err(); err != nil {
		return nil, err
	}
	r, err := votes.Count(judgements, request.GetBlindOnly())
	if err != nil {
		return nil, wire.Failed("", err)
	}
	out := &comparev1.CountJudgementsResponse{
		First: int32(r.First), Second: int32(r.Second), Split: int32(r.Split), WithoutSession: int32(r.NoSession), NotBlind: int32(r.NotBlind),
		P: r.P, Missing: r.Missing,
	}
	if r.P != nil {
		adjusted := min(1, *r.P*float64(max(1, request.GetComparisons())))
		out.PAdjusted = &adjusted
	}
	return out, nil
}
