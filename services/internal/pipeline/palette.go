package pipeline

import (
	"context"
	"errors"
	"io"
	"math"
	"slices"

	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// WidthsQuestion asks how wide palettes are.
type WidthsQuestion struct {
	Condition     trial.ColourCondition
	Labels        Labels
	Rows          Rows
	ThresholdDE00 float64 // 0.1 to 100
	EqualNumber   int32   // 0: chosen from the data
	Seed          uint64
}

// MeasureWidths asks the palette module and checks its answer. Errors: *ModuleError; ErrTooLarge; ctx.Err().
func (p *Pipeline) MeasureWidths(ctx context.Context, q WidthsQuestion) (*palettev1.MeasureWidthsResponse, *typesv1.ModuleIdentity, error) {
	if err := checkOrder(q.Rows); err != nil {
		return nil, nil, err
	}
	header := &palettev1.MeasureWidthsRequest{Part: &palettev1.MeasureWidthsRequest_Header{Header: &palettev1.WidthsHeader{
		Condition:     conditionMessage(q.Condition),
		Labels:        q.Labels.message(),
		RowCount:      int64(q.Rows.Len()),
		ThresholdDe00: q.ThresholdDE00,
		EqualNumber:   q.EqualNumber,
		Seed:          q.Seed,
	}}}
	if err := checkHeader(header); err != nil {
		return nil, nil, err
	}
	h, err := p.acquireServing(KindPalette, WidthsContract)
	if err != nil {
		return nil, nil, err
	}
	defer h.handle.Release()
	streaming, cancel := context.WithCancel(ctx) // ends the stream wherever we leave
	defer cancel()
	stream, err := palettev1.NewPaletteServiceClient(h.handle).MeasureWidths(streaming, withRows)
	if err != nil {
		return nil, nil, h.failed(ctx, err)
	}
	if err := stream.Send(header); err != nil && !errors.Is(err, io.EOF) {
		return nil, nil, h.failed(ctx, err)
	}
	if err := sendRows(q.Rows, stream.SendMsg); err != nil {
		return nil, nil, h.failed(ctx, err)
	}
	if err := stream.CloseSend(); err != nil {
		return nil, nil, h.failed(ctx, err)
	}
	asked := counted(q) // while the module works
	response, err := stream.CloseAndRecv()
	if err != nil {
		return nil, nil, h.failed(ctx, err)
	}
	if err := h.checkWidths(q, asked, response); err != nil {
		return nil, nil, err
	}
	return response, h.identity(), nil
}

// sent counts what a stratum's group was sent.
type sent struct {
	readings int32
	cells    int32
	blocks   int32    // named ones
	pairs    []uint64 // while it is counted: block and cell of each row
}

// counted counts what every group was sent, by stratum and group.
func counted(q WidthsQuestion) map[[2]uint32]*sent {
	asked := map[[2]uint32]*sent{}
	var last [2]uint32
	var s *sent
	for row := range q.Rows.All() {
		if place := [2]uint32{row.Stratum, row.Group}; s == nil || place != last {
			if s = asked[place]; s == nil {
				s = &sent{}
				asked[place] = s
			}
			last = place
		}
		s.readings++
		s.pairs = append(s.pairs, uint64(row.Block)<<32|uint64(row.Cell))
	}
	for _, s := range asked {
		slices.Sort(s.pairs)
		for i, pair := range s.pairs {
			if i == 0 || pair != s.pairs[i-1] {
				s.cells++
			}
			if block := pair >> 32; (i == 0 || block != s.pairs[i-1]>>32) && q.Labels.Blocks[block] != "" {
				s.blocks++
			}
		}
		s.pairs = nil
	}
	return asked
}

func (h *hold) checkWidths(q WidthsQuestion, asked map[[2]uint32]*sent, r *palettev1.MeasureWidthsResponse) error {
	if r.GetThresholdDe00() != q.ThresholdDE00 {
		return h.blame("threshold_de00 is %v; asked was %v", r.GetThresholdDe00(), q.ThresholdDE00)
	}
	if r.GetSeed() != q.Seed {
		return h.blame("seed is %d; asked was %d", r.GetSeed(), q.Seed)
	}
	if r.GetSearchNodesUsed() < 0 || r.GetSearchNodeBudget() < 0 {
		return h.blame("search_nodes_used is %d of %d; allowed: 0 or above", r.GetSearchNodesUsed(), r.GetSearchNodeBudget())
	}
	if len(r.GetGroups()) != len(asked) {
		return h.blame("groups has %d answers for %d groups in strata", len(r.GetGroups()), len(asked))
	}
	var last *palettev1.GroupWidth
	for i, g := range r.GetGroups() {
		s := asked[[2]uint32{g.GetStratum(), g.GetGroup()}]
		if s == nil {
			return h.blame("groups[%d] names group %d in stratum %d, of which no row was sent", i, g.GetGroup(), g.GetStratum())
		}
		if last != nil && (g.GetStratum() < last.GetStratum() || g.GetStratum() == last.GetStratum() && g.GetGroup() <= last.GetGroup()) {
			return h.blame("groups[%d] is out of order or doubled: stratum %d, group %d", i, g.GetStratum(), g.GetGroup())
		}
		last = g
		if err := h.checkGroup(i, g, s, q.ThresholdDE00); err != nil {
			return err
		}
	}
	return h.checkPairs(q, r.GetPairs())
}

func (h *hold) checkGroup(i int, g *palettev1.GroupWidth, s *sent, threshold float64) error {
	at := func(field string, value any, allowed any) error {
		return h.blame("groups[%d].%s is %v; allowed: %v", i, field, value, allowed)
	}
	switch {
	case g.GetReadings() != s.readings:
		return at("readings", g.GetReadings(), s.readings)
	case g.GetCells() != s.cells:
		return at("cells", g.GetCells(), s.cells)
	case g.GetBlocks() != s.blocks:
		return at("blocks", g.GetBlocks(), s.blocks)
	case g.GetHullStatus() <= palettev1.HullStatus_HULL_STATUS_UNSPECIFIED || g.GetHullStatus() > palettev1.HullStatus_HULL_STATUS_EMPTY:
		return at("hull_status", g.GetHullStatus(), "a known status")
	case g.GetEqualNumber() < 0 || g.GetEqualNumber() > g.GetCells():
		return at("equal_number", g.GetEqualNumber(), "0 to the number of cells")
	case g.LargestHueGapDeg != nil && !(g.GetLargestHueGapDeg() >= 0 && g.GetLargestHueGapDeg() <= 360):
		return at("largest_hue_gap_deg", g.GetLargestHueGapDeg(), "0 to 360")
	case g.EffectiveHues != nil && !(g.GetEffectiveHues() >= 1-1e-9 && g.GetEffectiveHues() <= 36+1e-9):
		return at("effective_hues", g.GetEffectiveHues(), "1 to 36")
	}
	figures := []struct {
		field string
		value float64
	}{
		{"hull_volume", g.GetHullVolume()}, {"hull_side", g.GetHullSide()}, {"hull_area", g.GetHullArea()}, {"dispersion", g.GetDispersion()},
		{"mean_pairwise_de00", g.GetMeanPairwiseDe00()}, {"min_pairwise_de00", g.GetMinPairwiseDe00()},
		{"lightness_range", g.GetLightnessRange()}, {"chroma_range", g.GetChromaRange()},
	}
	for _, f := range figures {
		if !finite(f.value) || f.value < 0 {
			return at(f.field, f.value, "0 or above")
		}
	}
	atThreshold := false
	for k, c := range g.GetShades() {
		if !finite(c.GetThresholdDe00()) || c.GetAtLeast() < 1 || c.GetAtLeast() > c.GetAtMost() || c.GetAtMost() > g.GetCells() {
			return h.blame("groups[%d].shades[%d] is %d to %d at threshold %v; allowed: at_least 1 or above, at_most not below it and at most %d cells",
				i, k, c.GetAtLeast(), c.GetAtMost(), c.GetThresholdDe00(), g.GetCells())
		}
		atThreshold = atThreshold || c.GetThresholdDe00() == threshold
	}
	if !atThreshold {
		return h.blame("groups[%d].shades has none at the threshold %v", i, threshold)
	}
	for _, e := range []struct {
		field string
		value *palettev1.Estimate
	}{
		{"shades_at_equal_number", g.GetShadesAtEqualNumber()},
		{"hull_volume_at_equal_number", g.GetHullVolumeAtEqualNumber()},
		{"dispersion_at_equal_number", g.GetDispersionAtEqualNumber()},
	} {
		if err := h.checkEstimate(i, e.field, e.value, g.GetEqualNumber()); err != nil {
			return err
		}
	}
	if g.GetEqualNumber() > 0 && g.GetShadesAtEqualNumber() == nil {
		return h.blame("groups[%d].shades_at_equal_number is missing; required with equal_number %d", i, g.GetEqualNumber())
	}
	return nil
}

func (h *hold) checkEstimate(i int, field string, e *palettev1.Estimate, equalNumber int32) error {
	switch {
	case e == nil:
		return nil
	case equalNumber == 0:
		return h.blame("groups[%d].%s is there without an equal_number", i, field)
	case !finite(e.GetValue()) || e.GetValue() < 0 || !finite(e.GetDrawingSe()) || e.GetDrawingSe() < 0:
		return h.blame("groups[%d].%s is %v with a drawing error of %v; allowed: 0 or above", i, field, e.GetValue(), e.GetDrawingSe())
	case (e.Low == nil) != (e.High == nil):
		return h.blame("groups[%d].%s has one end of its interval only", i, field)
	case e.Low != nil && !(finite(e.GetLow()) && finite(e.GetHigh()) && e.GetLow() <= e.GetHigh()):
		return h.blame("groups[%d].%s has the interval %v to %v; allowed: low not above high", i, field, e.GetLow(), e.GetHigh())
	}
	return nil
}

func (h *hold) checkPairs(q WidthsQuestion, pairs []*palettev1.PairWidth) error {
	groups := uint32(len(q.Labels.Groups))
	var last *palettev1.PairWidth
	for i, p := range pairs {
		switch {
		case p.GetGroupA() >= p.GetGroupB() || p.GetGroupB() >= groups:
			return h.blame("pairs[%d] names groups %d and %d; allowed: two of 0 to %d, the smaller first", i, p.GetGroupA(), p.GetGroupB(), groups-1)
		case last != nil && (p.GetGroupA() < last.GetGroupA() || p.GetGroupA() == last.GetGroupA() && p.GetGroupB() <= last.GetGroupB()):
			return h.blame("pairs[%d] is out of order or doubled", i)
		case p.GetStrata() < 0 || int(p.GetStrata()) > len(q.Labels.Strata):
			return h.blame("pairs[%d].strata is %d; allowed: 0 to %d", i, p.GetStrata(), len(q.Labels.Strata))
		case p.GetCellsA() < 0 || p.GetCellsB() < 0 || int(max(p.GetCellsA(), p.GetCellsB())) > q.Rows.Len():
			return h.blame("pairs[%d] has %d and %d cells; allowed: 0 to %d", i, p.GetCellsA(), p.GetCellsB(), q.Rows.Len())
		case p.MeanLogDispersionRatio != nil && !finite(p.GetMeanLogDispersionRatio()):
			return h.blame("pairs[%d].mean_log_dispersion_ratio is %v; allowed: a finite number", i, p.GetMeanLogDispersionRatio())
		case p.MeanShadeDifference != nil && !(math.Abs(p.GetMeanShadeDifference()) <= float64(q.Rows.Len())):
			return h.blame("pairs[%d].mean_shade_difference is %v; allowed: at most %d either way", i, p.GetMeanShadeDifference(), q.Rows.Len())
		case p.GetStrata() == 0 && (p.MeanLogDispersionRatio != nil || p.MeanShadeDifference != nil):
			return h.blame("pairs[%d] has an estimate over no stratum", i)
		case p.GetGainA() < 0 || p.GetGainB() < 0:
			return h.blame("pairs[%d] has gains of %d and %d; allowed: 0 or above", i, p.GetGainA(), p.GetGainB())
		}
		last = p
	}
	return nil
}
