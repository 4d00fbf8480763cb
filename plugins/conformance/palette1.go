package conformance

import (
	"errors"
	"fmt"
	"math/rand/v2"

	"github.com/commonvat/commonvat/plugins/sdk"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/protobuf/proto"
)

// figuresV1 are the fields of GroupWidth of which a law can speak; "shades" is at_least at each threshold.
var figuresV1 = []string{
	"shades", "hull_volume", "hull_side", "hull_area", "dispersion", "mean_pairwise_de00", "min_pairwise_de00", "largest_hue_gap_deg",
	"effective_hues", "lightness_range", "chroma_range", "shades_at_equal_number", "hull_volume_at_equal_number", "dispersion_at_equal_number",
}

func paletteV1() *contract {
	law := func(f tableMaker) lawTrial { return tableLaw(askWidths, widthFigures, f) }
	return &contract{
		name: "commonvat.module.palette.v1", kind: sdk.KindPalette,
		method: palettev1.PaletteService_MeasureWidths_FullMethodName, clientStream: true,
		newReply: func() proto.Message { return &palettev1.MeasureWidthsResponse{} },
		plain: func(r *rand.Rand, m *module) []question {
			return []question{
				askWidths(m, tableOf(r, shape{2, 2, 1, 2, 1})),
				askWidths(m, tableOf(r, shape{1, 1, 1, 1, 1})),
				askWidths(m, tableOf(r, shape{3, 3, 2, 3, 2})),
				askWidths(m, table{groups: labelled("group ", 1)}), // groups without rows have no answer
			}
		},
		largest: func(m *module) question { return askWidths(m, bulk(m.random("largest"))) },
		tooBig: func(m *module) question {
			return askWidths(m, oversized(tableOf(m.random("too big"), shape{1, 1, 1, 2, 1}), sdk.MaxMessageBytes))
		},
		beyond: func(m *module) []refusal {
			return []refusal{{"a chunk takes more than 1 MiB", askWidths(m, oversized(tableOf(m.random("beyond"), shape{1, 1, 1, 2, 1}), 1<<20)), []string{"columns"}}}
		},
		empty: func(*module) []refusal {
			return []refusal{
				{"the stream is empty", question{}, []string{"header"}},
				{"the only message is empty", question{&palettev1.MeasureWidthsRequest{}}, []string{"header"}},
				{"the header is empty", question{widthsHeader(&palettev1.WidthsHeader{})}, []string{"condition", "labels"}},
			}
		},
		invalid: invalidWidths,
		sound:   soundWidths,
		items:   func(*describev1.DescribeResponse) []string { return figuresV1 },
		laws: map[describev1.Law]lawTrial{
			describev1.Law_LAW_MONOTONE:         law(enlarged(smallTable)),
			describev1.Law_LAW_SHIFT_INVARIANT:  law(shifted(smallTable)),
			describev1.Law_LAW_LINEAR:           law(multiplied(smallTable)),
			describev1.Law_LAW_ORDER_FREE:       law(ordered(smallTable, false, false)),
			describev1.Law_LAW_REPLICATION_FREE: law(replicated(smallTable)),
		},
		expected: []describev1.Law{describev1.Law_LAW_ORDER_FREE, describev1.Law_LAW_REPLICATION_FREE},
	}
}

// bulk is 20,000 readings of 40 cells in ten chunks.
func bulk(r *rand.Rand) table { return tableOf(r, shape{2, 2, 2, 5, 500}) }

func widthsHeader(h *palettev1.WidthsHeader) proto.Message {
	return &palettev1.MeasureWidthsRequest{Part: &palettev1.MeasureWidthsRequest_Header{Header: h}}
}

func widthsQuestion(h *palettev1.WidthsHeader, chunks []*columnsv1.ColourColumns) question {
	q := question{widthsHeader(h)}
	for _, c := range chunks {
		q = append(q, &palettev1.MeasureWidthsRequest{Part: &palettev1.MeasureWidthsRequest_Columns{Columns: c}})
	}
	return q
}

func askWidths(_ *module, t table) question {
	return widthsQuestion(&palettev1.WidthsHeader{Condition: daylight(), Labels: t.labels(), RowCount: int64(len(t.rows)), ThresholdDe00: 5, Seed: 7}, t.chunks())
}

func invalidWidths(m *module) []refusal {
	base := tableOf(m.random("invalid"), shape{2, 2, 1, 2, 1})
	header := func(spoil func(*palettev1.WidthsHeader)) question {
		q := askWidths(m, base)
		spoil(q[0].(*palettev1.MeasureWidthsRequest).GetHeader())
		return q
	}
	out := badConditions(func(c *typesv1.ColourCondition) question {
		return header(func(h *palettev1.WidthsHeader) { h.Condition = c })
	})
	for _, x := range []float64{-1, 0.05, 101} {
		out = append(out, refusal{fmt.Sprintf("threshold_de00 is %v", x), header(func(h *palettev1.WidthsHeader) { h.ThresholdDe00 = x }), []string{"threshold_de00"}})
	}
	for _, x := range []int32{-1, 10_001} {
		out = append(out, refusal{fmt.Sprintf("equal_number is %d", x), header(func(h *palettev1.WidthsHeader) { h.EqualNumber = x }), []string{"equal_number"}})
	}
	out = append(out, refusal{"labels are missing", header(func(h *palettev1.WidthsHeader) { h.Labels = nil }), []string{"labels"}})
	out = append(out, streamFaults(askWidths(m, base), &palettev1.MeasureWidthsRequest{})...)
	return append(out, columnFaults(func(t table, labels *columnsv1.Labels, n int64, chunks []*columnsv1.ColourColumns) question {
		q := askWidths(m, t)
		h := q[0].(*palettev1.MeasureWidthsRequest).GetHeader()
		h.Labels, h.RowCount = labels, n
		return widthsQuestion(h, chunks)
	}, base)...)
}

// asTable reads the table of a question back.
func asTable(labels *columnsv1.Labels, chunks func(yield func(*columnsv1.ColourColumns))) table {
	t := table{groups: labels.GetGroups(), blocks: labels.GetBlocks(), strata: labels.GetStrata(), cells: labels.GetCells()}
	chunks(func(c *columnsv1.ColourColumns) {
		for i := range c.GetReadingId() {
			t.rows = append(t.rows, row{group: int(c.GetGroup()[i]), block: int(c.GetBlock()[i]), stratum: int(c.GetStratum()[i]), cell: int(c.GetCell()[i])})
		}
	})
	return t
}

func soundWidths(_ *module, q question, a reply) error {
	h := q[0].(*palettev1.MeasureWidthsRequest).GetHeader()
	t := asTable(h.GetLabels(), func(yield func(*columnsv1.ColourColumns)) {
		for _, m := range q[1:] {
			yield(m.(*palettev1.MeasureWidthsRequest).GetColumns())
		}
	})
	got := a[0].(*palettev1.MeasureWidthsResponse)
	want := t.places()
	if len(got.GetGroups()) != len(want) {
		return fmt.Errorf("groups has %d answers for %d groups in strata", len(got.GetGroups()), len(want))
	}
	if got.GetThresholdDe00() != h.GetThresholdDe00() || got.GetSeed() != h.GetSeed() {
		return errors.New("threshold_de00 and seed are not those that were asked with")
	}
	for i, g := range got.GetGroups() {
		at := fmt.Sprintf("groups[%d]", i)
		if p := (place{int(g.GetStratum()), int(g.GetGroup())}); p != want[i] {
			return fmt.Errorf("%s is group %d in stratum %d, want group %d in stratum %d", at, p.group, p.stratum, want[i].group, want[i].stratum)
		}
		readings, cells, blocks := t.count(want[i])
		if int(g.GetReadings()) != readings || int(g.GetCells()) != cells || int(g.GetBlocks()) != blocks {
			return fmt.Errorf("%s has %d readings, %d cells, %d blocks; %d, %d, %d were sent", at, g.GetReadings(), g.GetCells(), g.GetBlocks(), readings, cells, blocks)
		}
		atThreshold := false
		for _, s := range g.GetShades() {
			if s.GetAtLeast() < 1 || s.GetAtMost() < s.GetAtLeast() || int(s.GetAtMost()) > cells {
				return fmt.Errorf("%s.shades is %d to %d of %d cells", at, s.GetAtLeast(), s.GetAtMost(), cells)
			}
			atThreshold = atThreshold || s.GetThresholdDe00() == h.GetThresholdDe00()
		}
		if !atThreshold {
			return fmt.Errorf("%s.shades has none at the threshold %v", at, h.GetThresholdDe00())
		}
		if g.GetHullStatus() == palettev1.HullStatus_HULL_STATUS_UNSPECIFIED {
			return fmt.Errorf("%s.hull_status is not specified", at)
		}
		for _, f := range groupFigures(g) {
			if f.want != nil && *f.want < 0 {
				return fmt.Errorf("%s.%s is %v, want 0 or above", at, f.item, *f.want)
			}
		}
	}
	for i, p := range got.GetPairs() {
		if p.GetGroupA() >= p.GetGroupB() || int(p.GetGroupB()) >= len(t.groups) {
			return fmt.Errorf("pairs[%d] is of groups %d and %d, want two of %d, the smaller first", i, p.GetGroupA(), p.GetGroupB(), len(t.groups))
		}
	}
	return nil
}

// groupFigures are the figures of one group.
func groupFigures(g *palettev1.GroupWidth) []comparison {
	var out []comparison
	add := func(item string, x *float64) { out = append(out, comparison{item: item, want: x}) }
	estimate := func(item string, e *palettev1.Estimate) {
		if e == nil {
			add(item, nil)
		} else {
			add(item, value(e.GetValue()))
		}
	}
	for _, s := range g.GetShades() {
		out = append(out, comparison{item: "shades", at: fmt.Sprintf("at %v", s.GetThresholdDe00()), want: value(float64(s.GetAtLeast()))})
	}
	add("hull_volume", value(g.GetHullVolume()))
	add("hull_side", value(g.GetHullSide()))
	add("hull_area", value(g.GetHullArea()))
	add("dispersion", value(g.GetDispersion()))
	add("mean_pairwise_de00", g.MeanPairwiseDe00)
	add("min_pairwise_de00", g.MinPairwiseDe00)
	add("largest_hue_gap_deg", g.LargestHueGapDeg)
	add("effective_hues", g.EffectiveHues)
	add("lightness_range", value(g.GetLightnessRange()))
	add("chroma_range", value(g.GetChromaRange()))
	estimate("shades_at_equal_number", g.GetShadesAtEqualNumber())
	estimate("hull_volume_at_equal_number", g.GetHullVolumeAtEqualNumber())
	estimate("dispersion_at_equal_number", g.GetDispersionAtEqualNumber())
	return out
}

func widthFigures(_ *module, t table, a reply) []comparison {
	var out []comparison
	for _, g := range a[0].(*palettev1.MeasureWidthsResponse).GetGroups() {
		for _, f := range groupFigures(g) {
			f.at = t.at(place{int(g.GetStratum()), int(g.GetGroup())}) + " " + f.at
			out = append(out, f)
		}
	}
	return out
}
