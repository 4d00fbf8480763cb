package pipeline

import (
	"context"
	"fmt"
	"slices"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// LayOutDays asks the bath scaling module to lay baths out over days. Errors: ErrNotOffered; those of SelectMordants.
func (p *Pipeline) LayOutDays(ctx context.Context, q *bathscalev1.LayOutDaysRequest) (*bathscalev1.LayOutDaysResponse, *typesv1.ModuleIdentity, error) {
	h, err := p.acquireFrom(KindBathscale, KindBathscale)
	if err != nil {
		return nil, nil, err
	}
	defer h.handle.Release()
	r, err := bathscalev1.NewBathscaleServiceClient(h.handle).LayOutDays(ctx, q)
	switch {
	case err != nil && ctx.Err() == nil && status.Code(err) == codes.Unimplemented:
		return nil, h.identity(), fmt.Errorf("%s module %s: %w", h.kind, h.name, ErrNotOffered)
	case err != nil:
		return nil, h.identity(), h.failed(ctx, err)
	}
	return r, h.identity(), h.checkDays(q, r)
}

// checkDays sees to it that every bath stands once, in its order and with its pieces, and that what was told is kept.
func (h *hold) checkDays(q *bathscalev1.LayOutDaysRequest, r *bathscalev1.LayOutDaysResponse) error {
	next, last := 0, int32(0)
	for i, day := range r.GetDays() {
		if day.GetDay() <= last || day.GetDay() > 3000 || (day.Minutes != nil && (!finite(day.GetMinutes()) || day.GetMinutes() < 0)) {
			return h.blame("days[%d] is day %d with %v minutes; allowed: rising days up to 3000, and a number from 0", i, day.GetDay(), day.GetMinutes())
		}
		last = day.GetDay()
		for k, task := range day.GetTasks() {
			at := fmt.Sprintf("days[%d].tasks[%d]", i, k)
			if task.GetBathId() == "" {
				if task.GetText() == "" {
					return h.blame("%s is no bath and has no text", at)
				}
				continue
			}
			if next == len(q.GetBaths()) || task.GetBathId() != q.GetBaths()[next].GetBathId() {
				return h.blame("%s.bath_id is %.40q; allowed: each bath once, in the order of work", at, task.GetBathId())
			}
			asked := q.GetBaths()[next]
			next++
			if asked.GetDay() > 0 && asked.GetDay() != day.GetDay() {
				return h.blame("%s is %.40q on day %d; allowed: %d, which was told", at, task.GetBathId(), day.GetDay(), asked.GetDay())
			}
			if !samePieces(asked.GetPieceIds(), task.GetPieceIds()) {
				return h.blame("%s.piece_ids has %d entries; allowed: the %d pieces of the bath, each once", at, len(task.GetPieceIds()), len(asked.GetPieceIds()))
			}
			var shared []string
			for _, s := range task.GetShares() {
				shared = append(shared, s.GetPieceIds()...)
			}
			if len(task.GetShares()) > 0 && !samePieces(asked.GetPieceIds(), shared) {
				return h.blame("%s.shares hold %d pieces; allowed: the %d of the bath, each once", at, len(shared), len(asked.GetPieceIds()))
			}
		}
	}
	if next != len(q.GetBaths()) {
		return h.blame("days hold %d baths; allowed: all %d", next, len(q.GetBaths()))
	}
	return nil
}

func samePieces(a, b []string) bool {
	return slices.Equal(slices.Sorted(slices.Values(a)), slices.Sorted(slices.Values(b)))
}
