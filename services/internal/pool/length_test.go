package pool_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
)

// An answer that no message would hold is refused, before the palette module works on it where its length can be known, and one that just fits is given.
func TestAnAnswerThatIsTooLongIsRefusedInWords(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	session := b.session("")
	for lot := range 3 {
		for group := range 12 {
			spread(b, session, wool(fmt.Sprint("lot ", lot)), float64(1+group), 2, with(fmt.Sprint("mordant ", group)))
		}
	}
	s.put(b.Trial)
	length := proto.Size(open(t, s).ask(t, byMordant))
	const pairs = 12 * 11 / 2

	h := open(t, s, func(c *pool.Config) { c.MaxAnswerBytes = length })
	assert.Len(t, h.ask(t, byMordant).GetPairs(), pairs, "what just fits is answered")

	h = open(t, s, func(c *pool.Config) { c.MaxAnswerBytes = length - 1 })
	q := byMordant
	q.MinimumRevision = h.Revision()
	_, err := h.pool.AskPalette(t.Context(), q)
	require.ErrorIs(t, err, pipeline.ErrTooLarge)
	assert.ErrorContains(t, err, fmt.Sprintf("its answer takes %d bytes, with 36 palettes and 66 pairs of groups; allowed: 0 to %d", length, length-1))

	for what, most := range map[string]int{"pairs": length / 2, "palettes": 100} {
		h := open(t, s, func(c *pool.Config) { c.MaxAnswerBytes = most })
		_, err := h.pool.AskPalette(t.Context(), q)
		require.ErrorIs(t, err, pipeline.ErrTooLarge, what)
		assert.ErrorContains(t, err, "its answer is about 12 groups in 36 palettes and takes at least", what)
		assert.ErrorContains(t, err, fmt.Sprintf("allowed: 0 to %d, so ask for fewer with a filter", most), what)
		assert.Zero(t, len(h.modules.Widths()), what)
	}
}

// At an equal number that no palette has, no pair is in the answer, and none counts for its length before the work.
func TestPairsThatDoNotMeetAreNoLength(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	session := b.session("")
	for group := range 40 {
		spread(b, session, wool("lot"), float64(1+group), 2, with(fmt.Sprint("mordant ", group)))
	}
	s.put(b.Trial)
	meeting := byMordant
	meeting.EqualNumber = 50
	none := func(r *palettev1.MeasureWidthsResponse) {
		for _, pair := range r.GetPairs() {
			pair.Strata, pair.CellsA, pair.CellsB, pair.MeanShadeDifference, pair.MeanLogDispersionRatio = 0, 0, 0, nil, nil
		}
	}
	h := open(t, s)
	h.modules.SpoilWidths(none)
	length := proto.Size(h.ask(t, meeting))
	h = open(t, s, func(c *pool.Config) { c.MaxAnswerBytes = length })
	h.modules.SpoilWidths(none)
	assert.Empty(t, h.ask(t, meeting).GetPairs())
	meeting.EqualNumber = 0
	meeting.MinimumRevision = h.Revision()
	_, err := h.pool.AskPalette(t.Context(), meeting)
	require.ErrorIs(t, err, pipeline.ErrTooLarge)
}
