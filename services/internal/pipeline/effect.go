package pipeline

import (
	"context"
	"errors"
	"fmt"
	"io"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// ErrNotOffered says that the module does not answer this kind of question, as its contract lets it.
var ErrNotOffered = errors.New("the module does not answer this kind of question")

// EffectQuestion asks whether the order of two dyes changes the colour.
type EffectQuestion struct {
	Condition       trial.ColourCondition
	Labels          Labels // one group for each of Arms; strata tell repeats of the whole route apart
	Rows            []Row
	Arms            []comparev1.Arm
	ToleranceDE00   float64
	ClosingSessions int32   // 0: exploratory
	Comparisons     int32   // made together; 0 means 1
	Alpha           float64 // the p up to which order is said to matter; 0: the module's own
	Seed            uint64
}

// clientStream is what the streams of columns have in common.
type clientStream[Q, R any] interface {
	Send(*Q) error
	SendMsg(any) error
	CloseAndRecv() (*R, error)
}

// askRows asks the compare module: it sends a header and rows, which are in order, and receives the answer and has it checked.
func askRows[Q, R any, M interface {
	*Q
	proto.Message
}](ctx context.Context, p *Pipeline, rows []Row, open func(context.Context, comparev1.CompareServiceClient) (clientStream[Q, R], error), header M, check func(*hold, *R) error) (*R, *typesv1.ModuleIdentity, error) {
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
	failed := func(err error) error {
		if ctx.Err() == nil && status.Code(err) == codes.Unimplemented {
			return fmt.Errorf("%s module %s: %w", h.kind, h.name, ErrNotOffered)
		}
		return h.failed(ctx, err)
	}
	stream, err := open(streaming, comparev1.NewCompareServiceClient(h.handle))
	if err != nil {
		return nil, nil, failed(err)
	}
	if err := stream.Send(header); err != nil && !errors.Is(err, io.EOF) {
		return nil, nil, failed(err)
	}
	if err := sendRows(RowList(rows), stream.SendMsg); err != nil {
		return nil, nil, failed(err)
	}
	response, err := stream.CloseAndRecv()
	if err != nil {
		return nil, nil, failed(err)
	}
	if err := check(h, response); err != nil {
		return nil, nil, err
	}
	return response, h.identity(), nil
}

// MeasureOrderEffect asks the compare module and checks its answer. Errors: ErrNotOffered; *ModuleError; ErrTooLarge; ctx.Err().
func (p *Pipeline) MeasureOrderEffect(ctx context.Context, q EffectQuestion) (*comparev1.MeasureOrderEffectResponse, *typesv1.ModuleIdentity, error) {
	rows, err := inOrder(q.Rows)
	if err != nil {
		return nil, nil, err
	}
	header := &comparev1.MeasureOrderEffectRequest{Part: &comparev1.MeasureOrderEffectRequest_Header{Header: &comparev1.OrderEffectHeader{
		Condition: conditionMessage(q.Condition), Labels: q.Labels.message(), RowCount: int64(len(rows)), Arms: q.Arms,
		ToleranceDe00: q.ToleranceDE00, ClosingSessions: q.ClosingSessions, Comparisons: q.Comparisons, Alpha: q.Alpha, Seed: q.Seed,
	}}}
	return askRows(ctx, p, rows,
		func(ctx context.Context, c comparev1.CompareServiceClient) (clientStream[comparev1.MeasureOrderEffectRequest, comparev1.MeasureOrderEffectResponse], error) {
			return c.MeasureOrderEffect(ctx, withRows)
		}, header, func(h *hold, r *comparev1.MeasureOrderEffectResponse) error { return h.checkEffect(q, r) })
}

func (h *hold) checkEffect(q EffectQuestion, r *comparev1.MeasureOrderEffectResponse) error {
	const exploratory, notEnough = comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_EXPLORATORY, comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_NOT_ENOUGH_YET
	tested := r.GetVerdict() > notEnough
	switch {
	case r.GetVerdict() < exploratory || r.GetVerdict() > comparev1.OrderEffectVerdict_ORDER_EFFECT_VERDICT_NO_ANSWER_AT_THIS_SIZE:
		return h.wrong("verdict", r.GetVerdict(), "a known verdict")
	case r.GetSeed() != q.Seed:
		return h.wrong("seed", r.GetSeed(), q.Seed)
	case r.GetToleranceDe00() != q.ToleranceDE00:
		return h.wrong("tolerance_de00", r.GetToleranceDe00(), q.ToleranceDE00)
	case r.GetStatement() == "":
		return h.blame("statement is missing")
	case r.GetCompleteSessions() < 0 || int(r.GetCompleteSessions()) > len(q.Labels.Blocks):
		return h.wrong("complete_sessions", r.GetCompleteSessions(), "0 to the number of sessions sent")
	case r.GetUsedSessions() < 0 || r.GetUsedSessions() > r.GetCompleteSessions():
		return h.wrong("used_sessions", r.GetUsedSessions(), "0 to complete_sessions")
	case (r.GetUsedSessions() > 0) != (r.GetOverall() != nil):
		return h.blame("overall is there or missing against used_sessions, which is %d", r.GetUsedSessions())
	case r.GetVerdict() == notEnough && len(r.GetMissing()) == 0:
		return h.blame("missing is empty; required with NOT_ENOUGH_YET")
	case tested && q.ClosingSessions == 0:
		return h.wrong("verdict", r.GetVerdict(), "EXPLORATORY or NOT_ENOUGH_YET without closing_sessions")
	case tested && r.GetUsedSessions() != q.ClosingSessions:
		return h.wrong("used_sessions", r.GetUsedSessions(), q.ClosingSessions)
	case tested && (r.GetOverall().P == nil || r.GetOverall().PAdjusted == nil):
		return h.blame("overall.p or p_adjusted is missing; required with a verdict")
	case !tested && (r.GetOverall().GetP() != 0 || r.CellsDifferP != nil):
		return h.blame("a p is given without a test: the verdict is %v", r.GetVerdict())
	case r.CellsDifferP != nil && !isShare(r.CellsDifferP):
		return h.wrong("cells_differ_p", r.GetCellsDifferP(), "0 to 1")
	}
	if err := h.checkContrast("overall", r.GetOverall()); err != nil {
		return err
	}
	for i, c := range r.GetCells() {
		switch {
		case int(c.GetCell()) >= len(q.Labels.Cells):
			return h.wrong(fmt.Sprintf("cells[%d].cell", i), c.GetCell(), "an index of a cell")
		case !(finite(c.GetDe00()) && c.GetDe00() >= 0 && finite(c.GetL()) && finite(c.GetA()) && finite(c.GetB())):
			return h.blame("cells[%d] has figures that aren't finite", i)
		case !isShare(c.PAdjusted) || !tested && c.PAdjusted != nil:
			return h.wrong(fmt.Sprintf("cells[%d].p_adjusted", i), c.GetPAdjusted(), "0 to 1, and none without a verdict")
		}
	}
	for i, b := range r.GetBlanks() {
		_, known := comparev1.BlankKind_name[int32(b.GetKind())]
		switch {
		case !known || b.GetKind() == comparev1.BlankKind_BLANK_KIND_UNSPECIFIED:
			return h.wrong(fmt.Sprintf("blanks[%d].kind", i), b.GetKind(), "a known kind")
		case b.GetContrast().GetSessions() < 1:
			return h.wrong(fmt.Sprintf("blanks[%d].contrast.sessions", i), b.GetContrast().GetSessions(), "1 or above")
		case !tested && b.GetContrast().P != nil:
			return h.blame("blanks[%d] has a p without a test: the verdict is %v", i, r.GetVerdict())
		}
		if err := h.checkContrast(fmt.Sprintf("blanks[%d].contrast", i), b.GetContrast()); err != nil {
			return err
		}
	}
	if !finite(r.GetRepeatabilityMcdm()) || r.GetRepeatabilityMcdm() < 0 || !finite(r.GetMedianDe00()) || r.GetMedianDe00() < 0 || r.GetRepeats() < 0 {
		return h.blame("repeatability_mcdm, repeats or median_de00 is out of range; allowed: 0 or above")
	}
	if o := r.GetOutlook(); o != nil && !(finite(o.GetTargetDe00()) && o.GetTargetDe00() >= 0 && o.GetSessionsToFind() >= 0 && o.GetSessionsToRuleOut() >= 0) {
		return h.blame("outlook has figures out of range")
	}
	return nil
}

// isShare accepts a missing one.
func isShare(p *float64) bool { return p == nil || *p >= 0 && *p <= 1 }

func (h *hold) checkContrast(field string, c *comparev1.Contrast) error {
	switch {
	case c == nil:
		return nil
	case !finite(c.GetL()) || !finite(c.GetA()) || !finite(c.GetB()) || !finite(c.GetDe00()) || c.GetDe00() < 0 || !finite(c.GetDe00Se()) || !finite(c.GetUpperDe00()):
		return h.blame("%s has figures that aren't finite", field)
	case c.UpperDe00 != nil && c.GetUpperDe00() < c.GetDe00():
		return h.blame("%s.upper_de00 is %v; allowed: not below de00, which is %v", field, c.GetUpperDe00(), c.GetDe00())
	case !isShare(c.P) || !isShare(c.PAdjusted) || c.PAdjusted != nil && c.GetPAdjusted() < c.GetP()-1e-12:
		return h.blame("%s has p %v and p_adjusted %v; allowed: 0 to 1, the latter not below the former", field, c.GetP(), c.GetPAdjusted())
	}
	return nil
}
