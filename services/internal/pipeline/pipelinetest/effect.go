package pipelinetest

import (
	"errors"
	"io"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
)

// SpoilEffect changes the answers of the compare module about order effects.
func (m *Modules) SpoilEffect(f func(*comparev1.MeasureOrderEffectResponse)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.spoilEffect = f
}

// LackEffect makes the compare module one that does not answer about order effects and waters.
func (m *Modules) LackEffect() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.lackEffect = true
}

// received is a stream with its rows thrown together.
type received struct {
	blocks, cells map[uint32]bool
	sum           map[uint32][4]float64 // by group: L*, a*, b* and how many
}

func newReceived() *received {
	return &received{blocks: map[uint32]bool{}, cells: map[uint32]bool{}, sum: map[uint32][4]float64{}}
}

func (r *received) add(c *columnsv1.ColourColumns) {
	for i, g := range c.GetGroup() {
		s := r.sum[g]
		r.sum[g] = [4]float64{s[0] + c.GetL()[i], s[1] + c.GetA()[i], s[2] + c.GetB()[i], s[3] + 1}
		r.blocks[c.GetBlock()[i]], r.cells[c.GetCell()[i]] = true, true
	}
}

// difference is the mean of group a minus that of group b.
func (r *received) difference(a, b uint32) (d [3]float64) {
	x, y := r.sum[a], r.sum[b]
	for i := range d {
		d[i] = x[i]/x[3] - y[i]/y[3]
	}
	return d
}

// MeasureOrderEffect gives the difference of the means, and at the closing size p = 0.01 without a test.
func (s compare) MeasureOrderEffect(stream grpc.ClientStreamingServer[comparev1.MeasureOrderEffectRequest, comparev1.MeasureOrderEffectResponse]) error {
	in, header := newReceived(), (*comparev1.OrderEffectHeader)(nil)
	for {
		r, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		if r.GetHeader() != nil {
			header = r.GetHeader()
		}
		in.add(r.GetColumns())
	}
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
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

// CompareWaters gives the differences of the means from the first water.
func (s compare) CompareWaters(stream grpc.ClientStreamingServer[comparev1.CompareWatersRequest, comparev1.CompareWatersResponse]) error {
	in, header := newReceived(), (*comparev1.WatersHeader)(nil)
	for {
		r, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		if r.GetHeader() != nil {
			header = r.GetHeader()
		}
		in.add(r.GetColumns())
	}
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	if s.m.lackEffect {
		return status.Error(codes.Unimplemented, "not here")
	}
	out := &comparev1.CompareWatersResponse{
		Verdict: comparev1.WatersVerdict_WATERS_VERDICT_EXPLORATORY, Statement: "as the test has it", Seed: header.GetSeed(),
		Recipes: int32(len(in.cells)), Sessions: int32(len(in.blocks)),
	}
	for w := range header.GetLabels().GetGroups() {
		x := &comparev1.WaterEffect{Water: uint32(w), Recipes: int32(len(in.cells))}
		if w > 0 {
			d, de := in.difference(uint32(w), 0), 3.0
			x.L, x.A, x.B, x.MeanDe00, x.MaxDe00 = d[0], d[1], d[2], &de, &de
		}
		out.Waters = append(out.Waters, x)
	}
	return stream.SendAndClose(out)
}
