package palette

import (
	"cmp"
	"errors"
	"slices"
	"sync"

	"github.com/commonvat/commonvat/plugins/palette/width"
	"github.com/commonvat/commonvat/plugins/palette/width/hull"
	"github.com/commonvat/commonvat/plugins/sdk"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
)

// errTooLong ends the work on an answer that no message holds.
var errTooLong = errors.New("the answer is too long for a message")

// answer is put together while it is measured, up to what a message holds. It is a width.Taker.
type answer struct {
	group, stratum map[string]uint32 // indexes of labels

	mu      sync.Mutex
	message *palettev1.MeasureWidthsResponse
	bytes   int // of its groups and pairs
}

var _ width.Taker = (*answer)(nil)

// newAnswer makes room for the pairs of so many groups.
func newAnswer(labels *columnsv1.Labels, groups int) *answer {
	return &answer{
		group: indexes(labels.GetGroups()), stratum: indexes(labels.GetStrata()),
		message: &palettev1.MeasureWidthsResponse{Pairs: make([]*palettev1.PairWidth, pairsOf(groups))},
	}
}

// indexes finds labels again.
func indexes(labels []string) map[string]uint32 {
	out := make(map[string]uint32, len(labels))
	for i, l := range labels {
		out[l] = uint32(i)
	}
	return out
}

// Group implements width.Taker.
func (a *answer) Group(stratum string, g *width.GroupWidth) error {
	out := groupWidth(g, a.group[g.Group], a.stratum[stratum])
	// The budget is that of each count, so this is what the costliest count took of it.
	used := 0
	for _, c := range g.Shades {
		used = max(used, c.SearchNodes)
	}
	if g.Rarefied != nil {
		used = max(used, g.Rarefied.SearchNodes)
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.message.Groups = append(a.message.Groups, out)
	a.message.SearchNodesUsed = max(a.message.SearchNodesUsed, int64(used))
	return a.add(out)
}

// Pair implements width.Taker.
func (a *answer) Pair(place int, p *width.Pair) error {
	out := pairWidth(p, a.group[p.First], a.group[p.Second])
	a.mu.Lock()
	defer a.mu.Unlock()
	a.message.Pairs[place] = out
	return a.add(out)
}

func (a *answer) add(m proto.Message) error {
	if a.bytes += framed(m); a.bytes > sdk.MaxMessageBytes {
		return errTooLong
	}
	return nil
}

// framed is the size of a message in a list.
func framed(m proto.Message) int { return protowire.SizeTag(1) + protowire.SizeBytes(proto.Size(m)) }

// finish adds what was measured with, and sorts.
func (a *answer) finish(p width.Params) error {
	out := a.message
	out.SearchNodeBudget, out.ThresholdDe00, out.Seed = int64(p.SearchNodes), p.ThresholdDE, p.Seed
	slices.SortFunc(out.Groups, func(a, b *palettev1.GroupWidth) int {
		return cmp.Or(cmp.Compare(a.GetStratum(), b.GetStratum()), cmp.Compare(a.GetGroup(), b.GetGroup()))
	})
	slices.SortFunc(out.Pairs, func(a, b *palettev1.PairWidth) int {
		return cmp.Or(cmp.Compare(a.GetGroupA(), b.GetGroupA()), cmp.Compare(a.GetGroupB(), b.GetGroupB()))
	})
	if proto.Size(out) > sdk.MaxMessageBytes {
		return errTooLong
	}
	return nil
}

// leastGroup is what a group in a stratum takes of an answer at least: one of a single cell.
func leastGroup(p width.Params) int {
	g := &palettev1.GroupWidth{Readings: 1, Cells: 1, HullStatus: palettev1.HullStatus_HULL_STATUS_POINT, Unstable: true}
	for range 1 + len(p.ReportThresholdDE) {
		g.Shades = append(g.Shades, &palettev1.ShadeCount{ThresholdDe00: p.ThresholdDE, AtLeast: 1, AtMost: 1})
	}
	return framed(g)
}

// leastPair is what two groups take at least: two that meet nowhere.
func leastPair() int { return framed(&palettev1.PairWidth{GroupB: 1, Thin: true}) }

var hullStatus = map[hull.Status]palettev1.HullStatus{
	hull.OK:     palettev1.HullStatus_HULL_STATUS_SOLID,
	hull.Flat:   palettev1.HullStatus_HULL_STATUS_FLAT,
	hull.Line:   palettev1.HullStatus_HULL_STATUS_LINE,
	hull.Single: palettev1.HullStatus_HULL_STATUS_POINT,
	hull.Empty:  palettev1.HullStatus_HULL_STATUS_EMPTY,
}

// bodyOf tells what body the colours of a hull span. One whose volume is too small for a number is flat, as far as anybody can tell.
func bodyOf(h width.HullWidth) palettev1.HullStatus {
	if h.Status == hull.OK && h.Volume == 0 {
		return palettev1.HullStatus_HULL_STATUS_FLAT
	}
	return hullStatus[h.Status]
}

func groupWidth(g *width.GroupWidth, group, stratum uint32) *palettev1.GroupWidth {
	out := &palettev1.GroupWidth{
		Group: group, Stratum: stratum,
		Readings: int32(g.Readings), Cells: int32(g.Cells), Blocks: int32(g.Blocks),
		HullStatus: bodyOf(g.Hull), HullVolume: g.Hull.Volume, HullSide: g.Hull.Side, HullArea: g.Hull.AreaAB,
		LightnessRange: g.LightnessSpan, ChromaRange: g.ChromaSpan, Unstable: g.Hull.Unstable,
	}
	for _, s := range g.Shades {
		out.Shades = append(out.Shades, &palettev1.ShadeCount{ThresholdDe00: s.ThresholdDE, AtLeast: int32(s.Lower), AtMost: int32(s.Upper)})
	}
	if g.Dispersion != nil {
		out.Dispersion = *g.Dispersion
	}
	if g.Pairwise != nil {
		out.MeanPairwiseDe00, out.MinPairwiseDe00 = &g.Pairwise.MeanDE, g.Pairwise.MinDE
	}
	if g.Hue != nil {
		out.LargestHueGapDeg, out.EffectiveHues = &g.Hue.LargestEmptyArc, &g.Hue.EffectiveHues
	}
	if r := g.Rarefied; r != nil {
		out.EqualNumber = int32(r.M)
		out.ShadesAtEqualNumber = estimate(&r.Shades)
		out.HullVolumeAtEqualNumber = estimate(r.Volume)
		out.DispersionAtEqualNumber = estimate(&r.Dispersion)
	}
	return out
}

func estimate(e *width.Expected) *palettev1.Estimate {
	if e == nil {
		return nil
	}
	out := &palettev1.Estimate{Value: e.Mean, DrawingSe: e.MonteCarloSE}
	if e.Interval != nil {
		out.Low, out.High = &e.Interval.Low, &e.Interval.High
	}
	return out
}

// pairWidth takes the indexes of First and Second. The calculation has them by label, the answer by index.
func pairWidth(p *width.Pair, first, second uint32) *palettev1.PairWidth {
	out := &palettev1.PairWidth{
		GroupA: first, GroupB: second, Strata: int32(len(p.Strata)),
		CellsA: int32(p.FirstCells), CellsB: int32(p.SecondCells), Thin: p.Thin,
		MeanLogDispersionRatio: p.MeanLogRatio, MeanShadeDifference: p.MeanShadeDifference,
	}
	for _, s := range p.Strata {
		// What a stratum is sure to gain: strata are never thrown together, as their colours may differ for the yarn's sake.
		out.GainNotCounted = out.GainNotCounted || s.NoGain
		out.GainA += int32(s.GainFirst.Lower)
		out.GainB += int32(s.GainSecond.Lower)
	}
	if first > second {
		out.GroupA, out.GroupB = second, first
		out.CellsA, out.CellsB = out.CellsB, out.CellsA
		out.GainA, out.GainB = out.GainB, out.GainA
		out.MeanLogDispersionRatio, out.MeanShadeDifference = negated(p.MeanLogRatio), negated(p.MeanShadeDifference)
	}
	return out
}

func negated(x *float64) *float64 {
	if x == nil {
		return nil
	}
	// Subtracting from 0 gives no negative zero.
	y := 0 - *x
	return &y
}
