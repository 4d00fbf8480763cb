package compare

import (
	"context"
	"fmt"

	"github.com/commonvat/commonvat/plugins/compare/effect"
	"github.com/commonvat/commonvat/plugins/compare/orders"
	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/columns"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	"google.golang.org/grpc"
)

const minTolerance, maxTolerance = 1e-6, 100.0

// MeasureOrderEffect takes the whole stream, then answers.
func (*Server) MeasureOrderEffect(stream grpc.ClientStreamingServer[comparev1.MeasureOrderEffectRequest, comparev1.MeasureOrderEffectResponse]) error {
	answer, err := orderEffect(stream.Context(), stream.Recv)
	if err != nil {
		return err
	}
	return stream.SendAndClose(answer)
}

func orderEffect(ctx context.Context, recv func() (*comparev1.MeasureOrderEffectRequest, error)) (*comparev1.MeasureOrderEffectResponse, error) {
	var rows []effect.Row
	header, err := columns.Receive(recv, checkEffectHeader, func(h *comparev1.OrderEffectHeader, r columns.Row) {
		l := h.GetLabels()
		rows = append(rows, effect.Row{
			ReadingID: r.ReadingID, Arm: effect.Arm(h.GetArms()[r.Group]), Block: l.GetBlocks()[r.Block], Cell: l.GetCells()[r.Cell],
			Repeat: l.GetStrata()[r.Stratum], Lab: r.Lab,
		})
	})
	if err != nil {
		return nil, err
	}
	ctx, span := sdk.StartSpan(ctx, "measure order effect")
	defer span.End()
	r, err := effect.Measure(ctx, rows, effect.Params{
		ToleranceDE: header.GetToleranceDe00(), Alpha: header.GetAlpha(), ClosingBlocks: int(header.GetClosingSessions()),
		Comparisons: int(header.GetComparisons()), BlockOrder: stated(header.GetLabels().GetBlocks()), Seed: header.GetSeed(),
	})
	if err != nil {
		return nil, wire.Failed("header", err)
	}
	return effectResponse(r, header.GetLabels()), nil
}

// stated drops the first label if it says that no session is known.
func stated(blocks []string) []string {
	if len(blocks) > 0 && blocks[0] == "" {
		return blocks[1:]
	}
	return blocks
}

func checkEffectHeader(h *comparev1.OrderEffectHeader, v *sdk.Violations) {
	groups, arms := h.GetLabels().GetGroups(), h.GetArms()
	if h.GetLabels() != nil && len(arms) != len(groups) {
		v.Add("header.arms", "has %d, want one for each of %d groups", len(arms), len(groups))
	}
	seen := map[comparev1.Arm]bool{}
	for i, a := range arms {
		if i >= 6 {
			v.Add("header.arms", "has %d, want at most 6", len(arms))
			break
		}
		field := fmt.Sprintf("header.arms[%d]", i)
		switch {
		case a <= comparev1.Arm_ARM_UNSPECIFIED || a > comparev1.Arm_ARM_BLANK_AFTER_B:
			v.Add(field, "is %v, want a known arm", a)
		case seen[a]:
			v.Add(field, "is %v again, want each arm at most once", a)
		}
		seen[a] = true
	}
	wire.OrDefault(v, "header.tolerance_de00", h.GetToleranceDe00(), effect.DefaultToleranceDE, minTolerance, maxTolerance)
	wire.OrDefault(v, "header.alpha", h.GetAlpha(), orders.DefaultAlpha, minAlpha, maxAlpha)
	checkTest(v, h)
}

var effectVerdicts = map[effect.Verdict]comparev1.OrderEffectVerdict{
	effect.Exploratory:           comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_EXPLORATORY,
	effect.NotEnoughYet:          comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_NOT_ENOUGH_YET,
	effect.OrderMatters:          comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_ORDER_MATTERS,
	effect.DependsOnCell:         comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_DEPENDS_ON_CELL,
	effect.DetectableButSmall:    comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_DETECTABLE_BUT_SMALL,
	effect.NoPracticalDifference: comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_NO_PRACTICAL_DIFFERENCE,
	effect.NoAnswer:              comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_NO_ANSWER_AT_THIS_SIZE,
}

var blankKinds = map[effect.BlankKind]comparev1.BlankKind{
	effect.BathAloneOnA: comparev1.BlankKind_BLANK_KIND_BATH_ALONE_ON_A,
	effect.ColourOfBOnA: comparev1.BlankKind_BLANK_KIND_COLOUR_OF_B_ON_A,
	effect.BathAloneOnB: comparev1.BlankKind_BLANK_KIND_BATH_ALONE_ON_B,
	effect.ColourOfAOnB: comparev1.BlankKind_BLANK_KIND_COLOUR_OF_A_ON_B,
}

func effectResponse(r *effect.Result, labels *columnsv1.Labels) *comparev1.MeasureOrderEffectResponse {
	cells := map[string]uint32{}
	for i, l := range labels.GetCells() {
		cells[l] = uint32(i)
	}
	out := &comparev1.MeasureOrderEffectResponse{
		Verdict: effectVerdicts[r.Verdict], Statement: r.Sentence, Missing: r.Missing,
		CompleteSessions: int32(len(r.Blocks) + len(r.LaterBlocks)), UsedSessions: int32(len(r.Blocks)),
		MatchedCells: int32(r.Cells), UnmatchedCells: int32(len(r.Unmatched)), MedianDe00: r.MedianDE,
		ToleranceDe00: r.Params.ToleranceDE, Seed: r.Params.Seed,
	}
	if r.Overall != nil {
		out.Overall = contrast(r.Overall)
	}
	for _, c := range r.Cell {
		out.Cells = append(out.Cells, &comparev1.CellEffect{
			Cell: cells[c.Cell], Sessions: int32(c.Blocks), L: c.Difference[0], A: c.Difference[1], B: c.Difference[2], De00: c.DE, PAdjusted: c.PAdjusted,
		})
	}
	if t := r.CellsDiffer; t != nil {
		out.CellsDifferP, out.CellsDifferF = &t.P, finite(t.F)
	}
	if m := r.Repeat; m != nil {
		out.RepeatabilityMcdm, out.Repeats = &m.MCDM, int32(m.Repeats)
	}
	for _, b := range r.Blanks {
		out.Blanks = append(out.Blanks, &comparev1.BlankContrast{Kind: blankKinds[b.Kind], Contrast: contrast(&b.Contrast)})
	}
	if o := r.Outlook; o != nil {
		out.Outlook = &comparev1.Outlook{
			FromSessions: int32(o.From), NoiseL: o.Noise[0], NoiseA: o.Noise[1], NoiseB: o.Noise[2], TargetDe00: o.TargetDE,
			SessionsToFind: int32(o.ToFind), SessionsToRuleOut: int32(o.ToRuleOut),
		}
	}
	return out
}

func contrast(c *effect.Contrast) *comparev1.Contrast {
	out := &comparev1.Contrast{
		Sessions: int32(c.Blocks), L: c.Difference[0], A: c.Difference[1], B: c.Difference[2], De00: c.DE, De00Se: c.SE, UpperDe00: c.UpperDE,
		P: c.P, PAdjusted: c.PAdjusted, Arrangements: int64(c.Arrangements), Exact: c.Enumerated,
	}
	if h := c.Hotelling; h != nil {
		out.HotellingT2, out.HotellingP = &h.T2, &h.P
	}
	return out
}
