package pipelinetest

import (
	"cmp"
	"context"
	"slices"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
)

// SpoilEffect changes the answers of the compare module about order effects.
func (m *Modules) SpoilEffect(f func(*comparev1.MeasureOrderEffectResponse)) {
	set(m, &m.spoilEffect, f)
}

// LackEffect makes the compare module one that does not answer about order effects and waters.
func (m *Modules) LackEffect() { set(m, &m.lackEffect, true) }

// thrown is a stream with its rows thrown together.
type thrown struct {
	blocks, cells map[uint32]bool
	sum           map[uint32][4]float64 // by group: L*, a*, b* and how many
}

func together(chunks []*columnsv1.ColourColumns) *thrown {
	r := &thrown{blocks: map[uint32]bool{}, cells: map[uint32]bool{}, sum: map[uint32][4]float64{}}
	for _, c := range chunks {
		for i, g := range c.GetGroup() {
			s := r.sum[g]
			r.sum[g] = [4]float64{s[0] + c.GetL()[i], s[1] + c.GetA()[i], s[2] + c.GetB()[i], s[3] + 1}
			r.blocks[c.GetBlock()[i]], r.cells[c.GetCell()[i]] = true, true
		}
	}
	return r
}

// difference is the mean of group a minus that of group b.
func (r *thrown) difference(a, b uint32) (d [3]float64) {
	x, y := r.sum[a], r.sum[b]
	for i := range d {
		d[i] = x[i]/x[3] - y[i]/y[3]
	}
	return d
}

// MeasureOrderEffect gives the difference of the means, and at the closing size p = 0.01 without a test.
func (s compare) MeasureOrderEffect(stream grpc.ClientStreamingServer[comparev1.MeasureOrderEffectRequest, comparev1.MeasureOrderEffectResponse]) error {
	header, chunks, err := rowsOf(stream.Recv)
	if err != nil {
		return err
	}
	in := together(chunks)
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	s.m.effects = append(s.m.effects, Received{Effect: header, Labels: header.GetLabels(), Chunks: chunks})
	if s.m.lackEffect {
		return status.Error(codes.Unimplemented, "not here")
	}
	sessions := int32(0)
	for b := range in.blocks {
		if header.GetLabels().GetBlocks()[b] != "" {
			sessions++
		}
	}
	d := in.difference(0, 1)
	out := &comparev1.MeasureOrderEffectResponse{
		Verdict: comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_EXPLORATORY, Statement: "as the test has it", Seed: header.GetSeed(),
		ToleranceDe00: header.GetToleranceDe00(), CompleteSessions: sessions, UsedSessions: sessions,
	}
	if sessions > 0 {
		out.Overall = &comparev1.Contrast{Sessions: sessions, L: d[0], A: d[1], B: d[2], De00: 3}
		for c := range header.GetLabels().GetCells() {
			out.Cells = append(out.Cells, &comparev1.CellEffect{Cell: uint32(c), Sessions: sessions, L: d[0], A: d[1], B: d[2], De00: 3})
		}
	}
	group := map[comparev1.Arm]uint32{}
	for g, arm := range header.GetArms() {
		group[arm] = uint32(g)
	}
	for kind, arms := range map[comparev1.BlankKind][2]comparev1.Arm{
		comparev1.BlankKind_BLANK_KIND_BATH_ALONE_ON_A: {comparev1.Arm_ARM_BLANK_AFTER_A, comparev1.Arm_ARM_ALONE_A},
		comparev1.BlankKind_BLANK_KIND_BATH_ALONE_ON_B: {comparev1.Arm_ARM_BLANK_AFTER_B, comparev1.Arm_ARM_ALONE_B},
	} {
		blank, held := group[arms[0]]
		alone, too := group[arms[1]]
		if held && too && sessions > 0 {
			d := in.difference(blank, alone)
			out.Blanks = append(out.Blanks, &comparev1.BlankContrast{Kind: kind, Contrast: &comparev1.Contrast{Sessions: 1, L: d[0], A: d[1], B: d[2], De00: 1}})
		}
	}
	slices.SortFunc(out.Blanks, func(a, b *comparev1.BlankContrast) int { return cmp.Compare(a.GetKind(), b.GetKind()) })
	switch closing := header.GetClosingSessions(); {
	case closing == 0:
	case sessions < closing:
		out.Verdict, out.Missing = comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_NOT_ENOUGH_YET, []string{"more sessions"}
	default:
		p := 0.01
		out.Verdict, out.UsedSessions, out.Overall.P, out.Overall.PAdjusted = comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_ORDER_MATTERS, closing, &p, &p
	}
	if s.m.spoilEffect != nil {
		s.m.spoilEffect(out)
	}
	return stream.SendAndClose(out)
}

// CompareWaters gives the differences of the means from the reference, or the first water, and says that they differ at closing size.
func (s compare) CompareWaters(stream grpc.ClientStreamingServer[comparev1.CompareWatersRequest, comparev1.CompareWatersResponse]) error {
	header, chunks, err := rowsOf(stream.Recv)
	if err != nil {
		return err
	}
	in := together(chunks)
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	s.m.waters = append(s.m.waters, Received{Waters: header, Labels: header.GetLabels(), Chunks: chunks})
	if s.m.lackEffect {
		return status.Error(codes.Unimplemented, "not here")
	}
	out := &comparev1.CompareWatersResponse{
		Verdict: comparev1.WatersVerdict_WATERS_VERDICT_EXPLORATORY, Statement: "as the test has it", Seed: header.GetSeed(),
		Recipes: int32(len(in.cells)), Sessions: int32(len(in.blocks)),
	}
	out.Reference = uint32(max(0, slices.Index(header.GetLabels().GetGroups(), header.GetReference())))
	for w := range header.GetLabels().GetGroups() {
		x := &comparev1.WaterEffect{Water: uint32(w), Recipes: int32(len(in.cells))}
		if uint32(w) != out.GetReference() {
			d, de := in.difference(uint32(w), out.GetReference()), 3.0
			x.L, x.A, x.B, x.MeanDe00, x.MaxDe00 = d[0], d[1], d[2], &de, &de
		}
		out.Waters = append(out.Waters, x)
	}
	if header.GetClosing() {
		p := 0.01
		out.Verdict, out.P, out.Arrangements = comparev1.WatersVerdict_WATERS_VERDICT_DIFFER, &p, 64
	}
	for _, c := range header.GetCovariates() {
		x := &comparev1.WaterCorrelation{Name: c.GetName(), Waters: int32(len(c.GetWater())), Rho: 0.5}
		if header.GetClosing() && c.GetName() == header.GetNamedCovariate() {
			p := 0.02
			x.P, x.PAdjusted = &p, &p
		}
		out.Correlations = append(out.Correlations, x)
	}
	if s.m.spoilWaters != nil {
		s.m.spoilWaters(out)
	}
	return stream.SendAndClose(out)
}

// CompareGroups says that half of the squares lie between the groups, of which there is nothing to say with one, with p = 0.01 unless it is exploring.
func (s compare) CompareGroups(stream grpc.ClientStreamingServer[comparev1.CompareGroupsRequest, comparev1.CompareGroupsResponse]) error {
	header, chunks, err := rowsOf(stream.Recv)
	if err != nil {
		return err
	}
	in := together(chunks)
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	s.m.groups = append(s.m.groups, Received{Groups: header, Labels: header.GetLabels(), Chunks: chunks})
	if s.m.lackEffect {
		return status.Error(codes.Unimplemented, "not here")
	}
	k := len(header.GetLabels().GetGroups())
	test := func() *comparev1.GroupsTest {
		f := 3.0
		out := &comparev1.GroupsTest{F: &f, GroupDf: int32(k - 1), RestDf: 4, Share: 0.5}
		if !header.GetExploring() {
			out.P, out.Arrangements = 0.01, 64
		}
		return out
	}
	out := &comparev1.CompareGroupsResponse{Cells: int32(header.GetRowCount()), Blocks: int32(len(in.blocks)), Place: test(), Spread: test(), Seed: header.GetSeed()}
	for a := range k {
		for b := a + 1; b < k && k > 2; b++ {
			pair := &comparev1.GroupsPair{GroupA: uint32(a), GroupB: uint32(b), Place: test(), Spread: test()}
			pair.Place.GroupDf, pair.Spread.GroupDf = 1, 1
			if !header.GetExploring() {
				p := 0.03
				pair.PlacePAdjusted, pair.SpreadPAdjusted = &p, &p
			}
			out.Pairs = append(out.Pairs, pair)
		}
		for b := a + 1; b < k && header.GetWholeUnits(); b++ {
			d := in.difference(uint32(a), uint32(b))
			out.Distances = append(out.Distances, &comparev1.GroupsDistance{GroupA: uint32(a), GroupB: uint32(b), Blocks: int32(len(in.blocks)), L: d[0], A: d[1], B: d[2], De00: float64(a + b)})
		}
	}
	if s.m.spoilGroups != nil {
		s.m.spoilGroups(out)
	}
	return stream.SendAndClose(out)
}

// CountJudgements counts judgements, and gives p = 0.02 for six or more.
func (s compare) CountJudgements(_ context.Context, r *comparev1.CountJudgementsRequest) (*comparev1.CountJudgementsResponse, error) {
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	s.m.judgements = append(s.m.judgements, proto.CloneOf(r))
	if s.m.lackEffect {
		return nil, status.Error(codes.Unimplemented, "not here")
	}
	out := &comparev1.CountJudgementsResponse{}
	for _, j := range r.GetJudgements() {
		switch {
		case r.GetBlindOnly() && !j.GetBlind():
			out.NotBlind++
		case j.GetChoice() == comparev1.Choice_CHOICE_FIRST:
			out.First++
		case j.GetChoice() == comparev1.Choice_CHOICE_SECOND:
			out.Second++
		default:
			out.Split++
		}
	}
	if n := 6 - out.GetFirst() - out.GetSecond(); n > 0 {
		out.Missing = "more judgements"
	} else {
		p, adjusted := 0.02, min(1, 0.02*float64(max(1, r.GetComparisons())))
		out.P, out.PAdjusted = &p, &adjusted
	}
	if s.m.spoilJudgements != nil {
		s.m.spoilJudgements(out)
	}
	return out, nil
}

// SpoilWaters changes the answers about waters.
func (m *Modules) SpoilWaters(f func(*comparev1.CompareWatersResponse)) { set(m, &m.spoilWaters, f) }

// Waters lists the streams about waters.
func (m *Modules) Waters() []Received { return listed(m, &m.waters) }

// SpoilGroups changes the answers about groups.
func (m *Modules) SpoilGroups(f func(*comparev1.CompareGroupsResponse)) { set(m, &m.spoilGroups, f) }

// SpoilJudgements changes the counts of judgements.
func (m *Modules) SpoilJudgements(f func(*comparev1.CountJudgementsResponse)) {
	set(m, &m.spoilJudgements, f)
}

// Effects lists the streams about order effects.
func (m *Modules) Effects() []Received { return listed(m, &m.effects) }

// Groups lists the streams about groups.
func (m *Modules) Groups() []Received { return listed(m, &m.groups) }

// Judgements lists what was asked to be counted.
func (m *Modules) Judgements() []*comparev1.CountJudgementsRequest { return listed(m, &m.judgements) }
