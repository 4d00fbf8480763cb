package pipeline

import (
	"context"
	"errors"
	"io"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// OrdersQuestion asks which of two orders is wider.
type OrdersQuestion struct {
	Condition       trial.ColourCondition
	Labels          Labels // exactly two groups
	Rows            []Row
	ThresholdDE00   float64
	ClosingSessions int32   // 0: exploratory
	Comparisons     int32   // made together; 0 means 1
	Alpha           float64 // the p up to which one is called wider; 0: the module's own
	MarginRatio     float64 // the ratio of spreads from which a difference matters; 0: the module's own
	Seed            uint64
}

// CompareOrders asks the compare module and checks its answer. Errors: *ModuleError; ErrTooLarge; ctx.Err().
func (p *Pipeline) CompareOrders(ctx context.Context, q OrdersQuestion) (*comparev1.CompareOrdersResponse, *typesv1.ModuleIdentity, error) {
	rows, err := inOrder(q.Rows)
	if err != nil {
		return nil, nil, err
	}
	header := &comparev1.CompareOrdersRequest{Part: &comparev1.CompareOrdersRequest_Header{Header: &comparev1.CompareHeader{
		Condition:       conditionMessage(q.Condition),
		Labels:          q.Labels.message(),
		RowCount:        int64(len(rows)),
		ThresholdDe00:   q.ThresholdDE00,
		ClosingSessions: q.ClosingSessions,
		Comparisons:     q.Comparisons,
		Alpha:           q.Alpha,
		MarginRatio:     q.MarginRatio,
		Seed:            q.Seed,
	}}}
	if err := checkHeader(header); err != nil {
		return nil, nil, err
	}
	h, err := p.acquire(KindCompare)
	if err != nil {
		return nil, nil, err
	}
	defer h.handle.Release()
	streaming, cancel := context.WithCancel(ctx) // ends the stream wherever we leave
	defer cancel()
	stream, err := comparev1.NewCompareServiceClient(h.handle).CompareOrders(streaming, withRows)
	if err != nil {
		return nil, nil, h.failed(ctx, err)
	}
	if err := stream.Send(header); err != nil && !errors.Is(err, io.EOF) {
		return nil, nil, h.failed(ctx, err)
	}
	if err := sendRows(RowList(rows), stream.SendMsg); err != nil {
		return nil, nil, h.failed(ctx, err)
	}
	response, err := stream.CloseAndRecv()
	if err != nil {
		return nil, nil, h.failed(ctx, err)
	}
	if err := h.checkOrders(q, response); err != nil {
		return nil, nil, err
	}
	return response, h.identity(), nil
}

// checkOrders sees to it that an answer is one: a verdict that was asked for, counts within what was sent, figures in their ranges, and nothing that contradicts
// the rest.
func (h *hold) checkOrders(q OrdersQuestion, r *comparev1.CompareOrdersResponse) error {
	if err := h.checkOrderCounts(q, r); err != nil {
		return err
	}
	if err := h.checkOrderTest(q, r); err != nil {
		return err
	}
	if err := h.checkOrderFigures(r); err != nil {
		return err
	}
	first, second := r.GetDispersionFirst(), r.GetDispersionSecond()
	if r.GetVerdict() == comparev1.Verdict_VERDICT_FIRST_WIDER && first <= second ||
		r.GetVerdict() == comparev1.Verdict_VERDICT_SECOND_WIDER && second <= first {
		return h.blame("verdict is %v with dispersions %v and %v", r.GetVerdict(), first, second)
	}
	for i, m := range r.GetMissing() {
		if m.GetWhat() == "" || m.GetText() == "" || m.GetCount() < 1 {
			return h.blame("missing[%d] is %q, %d, %q; allowed: what and text, and a count of at least 1", i, m.GetWhat(), m.GetCount(), m.GetText())
		}
	}
	return nil
}

// wrong blames the module for a field.
func (h *hold) wrong(field string, value, allowed any) error {
	return h.blame("%s is %v; allowed: %v", field, value, allowed)
}

// checkOrderCounts looks at what every answer has, and at how much of what was sent it speaks of.
func (h *hold) checkOrderCounts(q OrdersQuestion, r *comparev1.CompareOrdersResponse) error {
	blocks := 0
	for _, b := range q.Labels.Blocks {
		if b != "" {
			blocks++
		}
	}
	switch {
	case r.GetVerdict() <= comparev1.Verdict_VERDICT_UNSPECIFIED || r.GetVerdict() > comparev1.Verdict_VERDICT_NO_ANSWER_AT_THIS_SIZE:
		return h.wrong("verdict", r.GetVerdict(), "a known verdict")
	case r.GetSeed() != q.Seed:
		return h.wrong("seed", r.GetSeed(), q.Seed)
	case r.GetStatement() == "":
		return h.blame("statement is missing")
	case r.GetCompleteSessions() < 0 || int(r.GetCompleteSessions()) > blocks:
		return h.wrong("complete_sessions", r.GetCompleteSessions(), "0 to the number of sessions sent")
	case r.GetUsedSessions() < 0 || r.GetUsedSessions() > r.GetCompleteSessions():
		return h.wrong("used_sessions", r.GetUsedSessions(), "0 to complete_sessions")
	case r.GetMatchedCells() < 0 || int(r.GetMatchedCells()) > len(q.Rows):
		return h.wrong("matched_cells", r.GetMatchedCells(), "0 to the number of rows")
	case r.GetArrangements() < 0:
		return h.wrong("arrangements", r.GetArrangements(), "0 or above")
	case r.GetVerdict() == comparev1.Verdict_VERDICT_NOT_ENOUGH_YET && len(r.GetMissing()) == 0:
		return h.blame("missing is empty; required with NOT_ENOUGH_YET")
	case (r.MeanShadesFirst == nil) != (r.MeanShadesSecond == nil):
		return h.blame("only one of mean_shades_first and mean_shades_second is given")
	case r.MeanShadesFirst != nil && r.GetUsedSessions() == 0:
		return h.wrong("mean_shades_first", r.GetMeanShadesFirst(), "none without a complete session")
	}
	return nil
}

// checkOrderTest looks at what only a tested answer has.
func (h *hold) checkOrderTest(q OrdersQuestion, r *comparev1.CompareOrdersResponse) error {
	tested := r.GetVerdict() >= comparev1.Verdict_VERDICT_FIRST_WIDER
	switch {
	case tested && q.ClosingSessions == 0:
		return h.wrong("verdict", r.GetVerdict(), "EXPLORATORY or NOT_ENOUGH_YET without closing_sessions")
	case tested && r.GetUsedSessions() != q.ClosingSessions:
		return h.wrong("used_sessions", r.GetUsedSessions(), q.ClosingSessions)
	case tested && r.P == nil:
		return h.blame("p is missing; required with a verdict")
	case tested && r.PAdjusted == nil:
		return h.blame("p_adjusted is missing; required with a verdict")
	case tested && r.GetArrangements() == 0:
		return h.wrong("arrangements", r.GetArrangements(), "above 0 with a verdict")
	case !tested && (r.P != nil || r.PAdjusted != nil || r.HullP != nil):
		return h.blame("a p is given without a test: the verdict is %v", r.GetVerdict())
	}
	for _, f := range []struct {
		field string
		value *float64
	}{{"p", r.P}, {"p_adjusted", r.PAdjusted}, {"hull_p", r.HullP}} {
		if f.value != nil && !(*f.value >= 0 && *f.value <= 1) {
			return h.wrong(f.field, *f.value, "0 to 1")
		}
	}
	if tested && r.GetPAdjusted() < r.GetP()-1e-12 {
		return h.wrong("p_adjusted", r.GetPAdjusted(), "not below p")
	}
	return nil
}

// checkOrderFigures looks at the ranges of the estimates.
func (h *hold) checkOrderFigures(r *comparev1.CompareOrdersResponse) error {
	for _, f := range []struct {
		field string
		value float64
	}{
		{"dispersion_first", r.GetDispersionFirst()}, {"dispersion_second", r.GetDispersionSecond()},
		{"log_ratio_se", r.GetLogRatioSe()},
		{"hull_volume_first", r.GetHullVolumeFirst()}, {"hull_volume_second", r.GetHullVolumeSecond()},
		{"shades_first", float64(r.GetShadesFirst())}, {"shades_second", float64(r.GetShadesSecond())},
		{"mean_shades_first", r.GetMeanShadesFirst()}, {"mean_shades_second", r.GetMeanShadesSecond()},
	} {
		if !finite(f.value) || f.value < 0 {
			return h.wrong(f.field, f.value, "0 or above")
		}
	}
	if o := r.GetOutlook(); o != nil && !(finite(o.GetNoiseLogRatio()) && o.GetNoiseLogRatio() >= 0 && finite(o.GetTargetRatio()) && o.GetTargetRatio() >= 1 &&
		o.GetFromSessions() >= 1 && o.GetSessionsToFind() >= 0 && o.GetSessionsToRuleOut() >= 0) {
		return h.blame("outlook has figures out of range; allowed: a noise of 0 or above, a target_ratio of 1 or above, sessions of 0 or above")
	}
	if !finite(r.GetLogRatio()) {
		return h.wrong("log_ratio", r.GetLogRatio(), "a finite number")
	}
	return nil
}
