package conformance

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"

	"github.com/commonvat/commonvat/plugins/sdk"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/protobuf/proto"
)

// figuresCompare are the fields of the answer of which a law can speak; "verdict" is its number.
var figuresCompare = []string{
	"verdict", "complete_sessions", "used_sessions", "matched_cells", "dispersion_first", "dispersion_second", "log_ratio", "log_ratio_se", "p",
	"p_adjusted", "hull_volume_first", "hull_volume_second", "hull_p", "shades_first", "shades_second", "mean_shades_first", "mean_shades_second",
}

func compareV1() *contract {
	law := func(f tableMaker) lawTrial { return tableLaw(askOrders, orderFigures, f) }
	return &contract{
		name: "commonvat.module.compare.v1", kind: sdk.KindCompare,
		method: comparev1.CompareService_CompareOrders_FullMethodName, clientStream: true,
		newReply: func() proto.Message { return &comparev1.CompareOrdersResponse{} },
		plain: func(r *rand.Rand, m *module) []question {
			closing := askOrders(m, tableOf(r, shape{2, 6, 1, 3, 1}))
			ordersHeader(closing).ClosingSessions = 6
			early := askOrders(m, tableOf(r, shape{2, 3, 1, 3, 1}))
			ordersHeader(early).ClosingSessions = 8
			return []question{
				askOrders(m, tableOf(r, shape{2, 2, 1, 2, 1})), askOrders(m, tableOf(r, shape{2, 4, 2, 3, 2})), closing, early,
				askOrders(m, table{groups: labelled("group ", 2)}), // nothing dyed yet
			}
		},
		largest: func(m *module) question { return askOrders(m, bulk(m.random("largest"))) },
		tooBig: func(m *module) question {
			return askOrders(m, oversized(tableOf(m.random("too big"), shape{2, 2, 1, 2, 1}), sdk.MaxMessageBytes))
		},
		beyond: func(m *module) []refusal {
			return []refusal{{"a chunk takes more than 1 MiB", askOrders(m, oversized(tableOf(m.random("beyond"), shape{2, 2, 1, 2, 1}), 1<<20)), []string{"columns"}}}
		},
		empty: func(*module) []refusal {
			return []refusal{
				{"the stream is empty", question{}, []string{"header"}},
				{"the only message is empty", question{&comparev1.CompareOrdersRequest{}}, []string{"header"}},
				{"the header is empty", question{&comparev1.CompareOrdersRequest{Part: &comparev1.CompareOrdersRequest_Header{Header: &comparev1.CompareHeader{}}}},
					[]string{"condition", "labels"}},
			}
		},
		invalid: invalidOrders,
		sound:   soundOrders,
		items:   func(*describev1.DescribeResponse) []string { return figuresCompare },
		laws: map[describev1.Law]lawTrial{
			describev1.Law_LAW_SYMMETRY:         ordersSymmetry,
			describev1.Law_LAW_SHIFT_INVARIANT:  law(shifted(sessionsTable)),
			describev1.Law_LAW_LINEAR:           law(multiplied(sessionsTable)),
			describev1.Law_LAW_ORDER_FREE:       law(ordered(sessionsTable, true, true)),
			describev1.Law_LAW_REPLICATION_FREE: law(replicated(sessionsTable)),
		},
		expected: []describev1.Law{describev1.Law_LAW_SYMMETRY, describev1.Law_LAW_ORDER_FREE, describev1.Law_LAW_REPLICATION_FREE},
		extra:    []extraStep{furtherEffect().step(), furtherWaters().step(), furtherGroups().step(), furtherJudgements().step()},
	}
}

// sessionsTable has two orders in a few sessions, with gaps; every other one has the six sessions of a verdict.
func sessionsTable(r *rand.Rand, _ *module, size int) table {
	blocks := 6
	if size%2 == 1 {
		blocks = 1 + size/2%4
	}
	t := tableOf(r, shape{groups: 2, blocks: blocks, strata: 1 + size/7%2, cells: 2 + size/12%3, replicates: 1 + size/2%2})
	// The second order is the narrower one now and then, so that verdicts differ.
	if size%4 == 2 {
		for i, x := range t.rows {
			if x.group == 1 {
				t.rows[i].lab.A, t.rows[i].lab.B = x.lab.A/4, x.lab.B/4
			}
		}
	}
	return t.without(func(x row) bool { return x.cell > 1 && (x.cell+x.block+x.group)%4 == size%4 })
}

func ordersHeader(q question) *comparev1.CompareHeader {
	return q[0].(*comparev1.CompareOrdersRequest).GetHeader()
}

func ordersQuestion(h *comparev1.CompareHeader, chunks []*columnsv1.ColourColumns) question {
	q := question{&comparev1.CompareOrdersRequest{Part: &comparev1.CompareOrdersRequest_Header{Header: h}}}
	for _, c := range chunks {
		q = append(q, &comparev1.CompareOrdersRequest{Part: &comparev1.CompareOrdersRequest_Columns{Columns: c}})
	}
	return q
}

// askOrders asks for a verdict when the table has the six sessions that one takes, and explores otherwise.
func askOrders(_ *module, t table) question {
	h := &comparev1.CompareHeader{Condition: daylight(), Labels: t.labels(), RowCount: int64(len(t.rows)), Seed: 7}
	if len(t.blocks) == 6 {
		h.ClosingSessions = 6
	}
	return ordersQuestion(h, t.chunks())
}

func invalidOrders(m *module) []refusal {
	r := m.random("invalid")
	base := tableOf(r, shape{2, 2, 1, 2, 1})
	header := func(spoil func(*comparev1.CompareHeader)) question {
		q := askOrders(m, base)
		spoil(ordersHeader(q))
		return q
	}
	var out []refusal
	bad := func(what string, q question, names ...string) { out = append(out, refusal{what, q, names}) }
	out = append(out, badConditions(func(c *typesv1.ColourCondition) question {
		return header(func(h *comparev1.CompareHeader) { h.Condition = c })
	})...)
	bad("labels are missing", header(func(h *comparev1.CompareHeader) { h.Labels = nil }), "labels")
	bad("labels.groups has one", askOrders(m, tableOf(r, shape{1, 2, 1, 2, 1})), "groups")
	bad("labels.groups has three", askOrders(m, tableOf(r, shape{3, 2, 1, 2, 1})), "groups")
	for _, x := range []float64{-1, 0.05, 101} {
		bad(fmt.Sprintf("threshold_de00 is %v", x), header(func(h *comparev1.CompareHeader) { h.ThresholdDe00 = x }), "threshold_de00")
	}
	for _, x := range []float64{-1, 0.00001, 0.6} {
		bad(fmt.Sprintf("alpha is %v", x), header(func(h *comparev1.CompareHeader) { h.Alpha = x }), "alpha")
	}
	for _, x := range []float64{-1, 1, 11} {
		bad(fmt.Sprintf("margin_ratio is %v", x), header(func(h *comparev1.CompareHeader) { h.MarginRatio = x }), "margin_ratio")
	}
	for _, x := range []int32{-1, 5, 201} {
		bad(fmt.Sprintf("closing_sessions is %d", x), header(func(h *comparev1.CompareHeader) { h.ClosingSessions = x }), "closing_sessions")
	}
	for _, x := range []int32{-1, 1001} {
		bad(fmt.Sprintf("comparisons is %d", x), header(func(h *comparev1.CompareHeader) { h.Comparisons = x }), "comparisons")
	}
	out = append(out, streamFaults(askOrders(m, base), &comparev1.CompareOrdersRequest{})...)
	return append(out, columnFaults(func(_ table, labels *columnsv1.Labels, n int64, chunks []*columnsv1.ColourColumns) question {
		return ordersQuestion(&comparev1.CompareHeader{Condition: daylight(), Labels: labels, RowCount: n}, chunks)
	}, base)...)
}

func soundOrders(_ *module, q question, a reply) error {
	h, got := ordersHeader(q), a[0].(*comparev1.CompareOrdersResponse)
	verdict := got.GetVerdict()
	if _, ok := comparev1.Verdict_name[int32(verdict)]; !ok || verdict == comparev1.Verdict_VERDICT_UNSPECIFIED {
		return fmt.Errorf("verdict is %v, want a known one", verdict)
	}
	if got.GetStatement() == "" {
		return errors.New("statement is empty, want one sentence")
	}
	exploring := h.GetClosingSessions() == 0
	switch {
	case exploring != (verdict == comparev1.Verdict_VERDICT_EXPLORATORY):
		return fmt.Errorf("verdict is %v with closing_sessions %d", verdict, h.GetClosingSessions())
	case exploring && (got.P != nil || got.PAdjusted != nil || got.HullP != nil):
		return errors.New("an exploratory answer has a p")
	case (verdict == comparev1.Verdict_VERDICT_NOT_ENOUGH_YET) && len(got.GetMissing()) == 0:
		return errors.New("missing is empty where there is not enough yet")
	case got.GetUsedSessions() > got.GetCompleteSessions() || got.GetCompleteSessions() < 0 || got.GetUsedSessions() < 0:
		return fmt.Errorf("used_sessions is %d of %d complete ones", got.GetUsedSessions(), got.GetCompleteSessions())
	case got.GetDispersionFirst() < 0 || got.GetDispersionSecond() < 0 || got.GetHullVolumeFirst() < 0 || got.GetHullVolumeSecond() < 0:
		return errors.New("a dispersion or hull volume is below 0")
	}
	if h.GetClosingSessions() > got.GetCompleteSessions() && got.P != nil {
		return fmt.Errorf("p is there with %d of %d sessions", got.GetCompleteSessions(), h.GetClosingSessions())
	}
	for name, p := range map[string]*float64{"p": got.P, "p_adjusted": got.PAdjusted, "hull_p": got.HullP} {
		if p != nil && !(*p > 0 && *p <= 1) {
			return fmt.Errorf("%s is %v, want above 0 to 1", name, *p)
		}
	}
	return nil
}

func orderFigures(_ *module, _ table, a reply) []comparison {
	got := a[0].(*comparev1.CompareOrdersResponse)
	figures := map[string]*float64{
		"verdict": value(float64(got.GetVerdict())), "complete_sessions": value(float64(got.GetCompleteSessions())),
		"used_sessions": value(float64(got.GetUsedSessions())), "matched_cells": value(float64(got.GetMatchedCells())),
		"dispersion_first": value(got.GetDispersionFirst()), "dispersion_second": value(got.GetDispersionSecond()),
		"log_ratio": got.LogRatio, "log_ratio_se": got.LogRatioSe, "p": got.P, "p_adjusted": got.PAdjusted,
		"hull_volume_first": value(got.GetHullVolumeFirst()), "hull_volume_second": value(got.GetHullVolumeSecond()), "hull_p": got.HullP,
		"shades_first": value(float64(got.GetShadesFirst())), "shades_second": value(float64(got.GetShadesSecond())),
		"mean_shades_first": got.MeanShadesFirst, "mean_shades_second": got.MeanShadesSecond,
	}
	out := make([]comparison, 0, len(figuresCompare))
	for _, name := range figuresCompare {
		out = append(out, comparison{item: name, want: figures[name]})
	}
	return out
}

// ordersSymmetry asks with the two groups the other way round: what was said of the first is then said of the second.
func ordersSymmetry(r *rand.Rand, m *module, size int) trial {
	t := sessionsTable(r, m, size)
	second := t.clone()
	slices.Reverse(second.groups)
	for i := range second.rows {
		second.rows[i].group = 1 - second.rows[i].group
	}
	mirrored := map[string]string{
		"dispersion_first": "dispersion_second", "dispersion_second": "dispersion_first",
		"hull_volume_first": "hull_volume_second", "hull_volume_second": "hull_volume_first",
		"shades_first": "shades_second", "shades_second": "shades_first",
		"mean_shades_first": "mean_shades_second", "mean_shades_second": "mean_shades_first",
	}
	first, other := comparev1.Verdict_VERDICT_FIRST_WIDER, comparev1.Verdict_VERDICT_SECOND_WIDER
	return trial{first: askOrders(m, t), second: askOrders(m, second), compare: func(a, b reply) []comparison {
		want := orderFigures(m, t, a)
		for i, f := range want {
			if name, ok := mirrored[f.item]; ok {
				want[i].item = name
			}
			switch {
			case f.want == nil:
			case f.item == "log_ratio":
				want[i].want = value(-*f.want)
			case f.item == "verdict" && *f.want == float64(first):
				want[i].want = value(float64(other))
			case f.item == "verdict" && *f.want == float64(other):
				want[i].want = value(float64(first))
			}
		}
		return pairUp(want, orderFigures(m, second, b), false)
	}}
}
