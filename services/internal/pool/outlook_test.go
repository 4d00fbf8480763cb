package pool_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
)

func TestWidthsHaveAnOutlook(t *testing.T) {
	s := newShelf()
	id := experiment(s, 8)
	s.put(orderBook("", 4).Trial)
	s.put(orderBook(id, 5).Trial)
	h := open(t, s)
	h.modules.SpoilOrders(func(r *comparev1.CompareOrdersResponse) {
		r.Outlook = &comparev1.WidthOutlook{FromSessions: r.GetUsedSessions(), NoiseLogRatio: 0.2, TargetRatio: 1.25, SessionsToFind: 12, SessionsToRuleOut: 0}
	})
	assert.Equal(t, "judged by the noise between 9 sessions, and with a chance of 4 in 5: to find that one spreads 1.25 times as wide as the other, 3 more sessions with both orders; "+
		"to show that they are equally wide, if they are, more than 60 sessions in all", h.ask(t, byOrder).GetPairs()[0].GetOutlook())
	pair := h.ask(t, pool.Question{GroupBy: byOrder.GroupBy, ExperimentID: id}).GetPairs()[0]
	assert.Contains(t, pair.GetOutlook(), "7 more sessions")
	assert.Contains(t, pair.GetMissing()[0], "3 more sessions", "the closing size stands as planned")

	h.modules.SpoilOrders(func(r *comparev1.CompareOrdersResponse) {
		r.Outlook = &comparev1.WidthOutlook{FromSessions: 3, NoiseLogRatio: 0.2, TargetRatio: 0.5}
	})
	_, err := h.pool.AskPalette(t.Context(), pool.Question{GroupBy: byOrder.GroupBy, MinimumRevision: h.Revision()})
	assert.ErrorIs(t, err, pipeline.ErrModuleAnswer)
}
