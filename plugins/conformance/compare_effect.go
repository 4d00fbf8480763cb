package conformance

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"

	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/protobuf/proto"
)

// effectQuestion asks of a table with one group an arm, in their order; strata of a table of one are pot-mates and not repeats.
func effectQuestion(t table, closing int32) question {
	h := &comparev1.OrderEffectHeader{Condition: daylight(), Labels: t.labels(), RowCount: int64(len(t.rows)), ToleranceDe00: 2, ClosingSessions: closing, Seed: 7}
	for i := range t.groups {
		h.Arms = append(h.Arms, comparev1.Arm(i+1))
	}
	return effectStream(h, t.chunks())
}

func effectStream(h *comparev1.OrderEffectHeader, chunks []*columnsv1.ColourColumns) question {
	q := question{&comparev1.MeasureOrderEffectRequest{Part: &comparev1.MeasureOrderEffectRequest_Header{Header: h}}}
	for _, c := range chunks {
		q = append(q, &comparev1.MeasureOrderEffectRequest{Part: &comparev1.MeasureOrderEffectRequest_Columns{Columns: c}})
	}
	return q
}

func furtherEffect() further {
	return further{
		name: "order effect", asked: "say soundly whether order changes the colour, or leave it UNIMPLEMENTED",
		method: comparev1.CompareService_MeasureOrderEffect_FullMethodName, clientStream: true,
		newReply: func() proto.Message { return &comparev1.MeasureOrderEffectResponse{} },
		plain: func(r *rand.Rand) []question {
			return []question{
				effectQuestion(tableOf(r, shape{2, 2, 1, 2, 1}), 0), effectQuestion(tableOf(r, shape{6, 6, 2, 2, 1}), 6), effectQuestion(tableOf(r, shape{4, 2, 1, 1, 2}), 8),
				effectQuestion(table{groups: labelled("group ", 2)}, 0), // nothing dyed yet
			}
		},
		invalid: invalidEffect, sound: soundEffect,
	}
}

func invalidEffect(r *rand.Rand) []refusal {
	base := tableOf(r, shape{2, 2, 1, 2, 1})
	header := func(spoil func(*comparev1.OrderEffectHeader)) question {
		q := effectQuestion(base.clone(), 0)
		spoil(q[0].(*comparev1.MeasureOrderEffectRequest).GetHeader())
		return q
	}
	out := badConditions(func(c *typesv1.ColourCondition) question {
		return header(func(h *comparev1.OrderEffectHeader) { h.Condition = c })
	})
	bad := func(what, name string, spoil func(*comparev1.OrderEffectHeader)) {
		out = append(out, refusal{what, header(spoil), []string{name}})
	}
	bad("labels are missing", "labels", func(h *comparev1.OrderEffectHeader) { h.Labels = nil })
	bad("arms lacks one", "arms", func(h *comparev1.OrderEffectHeader) { h.Arms = h.Arms[1:] })
	bad("arms names one twice", "arms", func(h *comparev1.OrderEffectHeader) { h.Arms[1] = h.Arms[0] })
	bad("arms has an unknown one", "arms", func(h *comparev1.OrderEffectHeader) { h.Arms[1] = 9 })
	for _, x := range []float64{-1, 101} {
		bad(fmt.Sprintf("tolerance_de00 is %v", x), "tolerance_de00", func(h *comparev1.OrderEffectHeader) { h.ToleranceDe00 = x })
		bad(fmt.Sprintf("alpha is %v", x), "alpha", func(h *comparev1.OrderEffectHeader) { h.Alpha = x })
	}
	for _, x := range []int32{-1, 5, 201} {
		bad(fmt.Sprintf("closing_sessions is %d", x), "closing_sessions", func(h *comparev1.OrderEffectHeader) { h.ClosingSessions = x })
	}
	for _, x := range []int32{-1, 1001} {
		bad(fmt.Sprintf("comparisons is %d", x), "comparisons", func(h *comparev1.OrderEffectHeader) { h.Comparisons = x })
	}
	out = append(out, streamFaults(effectQuestion(base, 0), &comparev1.MeasureOrderEffectRequest{})...)
	return append(out, columnFaults(func(t table, labels *columnsv1.Labels, n int64, chunks []*columnsv1.ColourColumns) question {
		q := effectQuestion(t, 0)
		h := q[0].(*comparev1.MeasureOrderEffectRequest).GetHeader()
		h.Labels, h.RowCount = labels, n
		return effectStream(h, chunks)
	}, base)...)
}

// armDifference is the mean over sessions of the mean over cells of the first group minus the second in L*, a*, b*, of a question whose every session and cell
// holds both; sessions is how many there are.
func armDifference(chunks []*columnsv1.ColourColumns) (d [3]float64, sessions int) {
	type key struct{ block, cell, group uint32 }
	sums := map[key]*[4]float64{}
	cells := map[uint32]map[uint32]bool{}
	for _, c := range chunks {
		for i := range c.GetReadingId() {
			k := key{c.GetBlock()[i], c.GetCell()[i], c.GetGroup()[i]}
			if sums[k] == nil {
				sums[k] = &[4]float64{}
			}
			for j, x := range [4]float64{c.GetL()[i], c.GetA()[i], c.GetB()[i], 1} {
				sums[k][j] += x
			}
			if cells[k.block] == nil {
				cells[k.block] = map[uint32]bool{}
			}
			cells[k.block][k.cell] = true
		}
	}
	for block, in := range cells {
		for cell := range in {
			x, y := sums[key{block, cell, 0}], sums[key{block, cell, 1}]
			for j := range d {
				d[j] += (x[j]/x[3] - y[j]/y[3]) / float64(len(in)) / float64(len(cells))
			}
		}
	}
	return d, len(cells)
}

func soundEffect(q question, a reply) error {
	h, got := q[0].(*comparev1.MeasureOrderEffectRequest).GetHeader(), a[0].(*comparev1.MeasureOrderEffectResponse)
	var chunks []*columnsv1.ColourColumns
	for _, m := range q[1:] {
		chunks = append(chunks, m.(*comparev1.MeasureOrderEffectRequest).GetColumns())
	}
	want, sessions := armDifference(chunks)
	closing := int(h.GetClosingSessions())
	tested := closing > 0 && sessions >= closing
	verdict, overall := got.GetVerdict(), got.GetOverall()
	_, known := comparev1.OrderEffectVerdict_name[int32(verdict)]
	exploratory, notEnough := comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_EXPLORATORY, comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_NOT_ENOUGH_YET
	switch {
	case !known || verdict == comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_UNSPECIFIED:
		return fmt.Errorf("verdict is %v, want a known one", verdict)
	case got.GetStatement() == "":
		return errors.New("statement is empty, want one sentence")
	case got.GetSeed() != h.GetSeed() || got.GetToleranceDe00() != h.GetToleranceDe00():
		return errors.New("seed and tolerance_de00 are not those that were asked with")
	case (closing == 0) != (verdict == exploratory):
		return fmt.Errorf("verdict is %v with closing_sessions %d", verdict, closing)
	case closing > 0 && !tested && verdict != notEnough:
		return fmt.Errorf("verdict is %v with %d of %d sessions", verdict, sessions, closing)
	case verdict == notEnough && len(got.GetMissing()) == 0:
		return errors.New("missing is empty where there is not enough yet")
	case int(got.GetCompleteSessions()) != sessions:
		return fmt.Errorf("complete_sessions is %d, want %d", got.GetCompleteSessions(), sessions)
	case (sessions > 0) != (overall != nil):
		return fmt.Errorf("overall is there or missing with %d complete sessions", sessions)
	case !tested && (overall.GetP() != 0 || overall.GetPAdjusted() != 0 || got.CellsDifferP != nil):
		return errors.New("a p is there without a verdict")
	case tested && (overall.P == nil || overall.PAdjusted == nil):
		return errors.New("overall.p or p_adjusted is missing with a verdict")
	}
	if overall == nil {
		return nil
	}
	for i, x := range [3]float64{overall.GetL(), overall.GetA(), overall.GetB()} {
		if math.Abs(x-want[i]) > 1e-6 {
			return fmt.Errorf("overall is %v, %v, %v, want the mean difference %v", overall.GetL(), overall.GetA(), overall.GetB(), want)
		}
	}
	if err := soundContrast("overall", overall, tested); err != nil {
		return err
	}
	for i, b := range got.GetBlanks() {
		if _, known := comparev1.BlankKind_name[int32(b.GetKind())]; !known || b.GetKind() == 0 || b.GetContrast().GetSessions() < 1 {
			return fmt.Errorf("blanks[%d] is of no known kind, or of no session", i)
		}
		if err := soundContrast(fmt.Sprintf("blanks[%d]", i), b.GetContrast(), tested); err != nil {
			return err
		}
	}
	if want := map[int]int{6: 4, 4: 0, 2: 0}[len(h.GetArms())]; len(got.GetBlanks()) != want {
		return fmt.Errorf("blanks has %d contrasts, want %d of %d arms", len(got.GetBlanks()), want, len(h.GetArms()))
	}
	for i, c := range got.GetCells() {
		if int(c.GetCell()) >= len(h.GetLabels().GetCells()) || c.GetSessions() < 1 || int(c.GetSessions()) > sessions || c.GetDe00() < 0 {
			return fmt.Errorf("cells[%d] names no cell, or its figures are out of range", i)
		}
		if c.PAdjusted != nil && (!tested || !(c.GetPAdjusted() > 0 && c.GetPAdjusted() <= 1)) {
			return fmt.Errorf("cells[%d].p_adjusted is %v, want above 0 to 1, and only with a verdict", i, c.GetPAdjusted())
		}
	}
	if (got.RepeatabilityMcdm != nil) != (len(h.GetLabels().GetStrata()) > 1) {
		return fmt.Errorf("repeatability_mcdm is there or missing against %d strata", len(h.GetLabels().GetStrata()))
	}
	return nil
}

func soundContrast(field string, c *comparev1.Contrast, tested bool) error {
	switch {
	case c.GetDe00() < 0 || c.UpperDe00 != nil && c.GetUpperDe00() < c.GetDe00():
		return fmt.Errorf("%s.de00 is %v and upper_de00 %v, want 0 or above, the latter not below the former", field, c.GetDe00(), c.GetUpperDe00())
	case c.P != nil && (!tested || !(c.GetP() > 0 && c.GetP() <= 1) || c.PAdjusted != nil && c.GetPAdjusted() < c.GetP()-1e-12):
		return fmt.Errorf("%s.p is %v and p_adjusted %v, want above 0 to 1, and only with a verdict", field, c.GetP(), c.GetPAdjusted())
	}
	return nil
}
