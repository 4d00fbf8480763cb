package palette

import (
	"github.com/commonvat/commonvat/plugins/palette/width"
	"github.com/commonvat/commonvat/plugins/palette/width/hull"
	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
)

var hullStatus = map[hull.Status]palettev1.HullStatus{
	hull.OK:     palettev1.HullStatus_HULL_STATUS_SOLID,
	hull.Flat:   palettev1.HullStatus_HULL_STATUS_FLAT,
	hull.Line:   palettev1.HullStatus_HULL_STATUS_LINE,
	hull.Single: palettev1.HullStatus_HULL_STATUS_POINT,
	hull.Empty:  palettev1.HullStatus_HULL_STATUS_EMPTY,
}

func groupWidth(g width.GroupWidth, group, stratum uint32) *palettev1.GroupWidth {
	out := &palettev1.GroupWidth{
		Group: group, Stratum: stratum,
		Readings: int32(g.Readings), Cells: int32(g.Cells), Blocks: int32(g.Blocks),
		HullStatus: hullStatus[g.Hull.Status], HullVolume: g.Hull.Volume, HullSide: g.Hull.Side, HullArea: g.Hull.AreaAB,
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
