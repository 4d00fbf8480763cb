package pool

import (
	"context"
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
)

// Whoever gave up isn't reckoned for: counting which groups meet may take 100 million looks.
func TestCountingPairsEndsWithItsCaller(t *testing.T) {
	a := &asking{question: Question{GroupBy: poolv1.GroupBy_GROUP_BY_MORDANT}, texts: newTexts(), shown: map[string]string{}}
	stated := map[string]bool{}
	for i := range 40 { // of which each two meet, on a yarn of their own
		group, yarn := fmt.Sprint("mordant ", i), fmt.Sprint("yarn ", i/2)
		stated[group], a.shown[yarn] = true, yarn
		for head := range label(2) {
			a.picks = append(a.picks, &pick{group: a.texts.label(group), stratum: a.texts.label(yarn), cell: cell{head: head}})
		}
	}
	p := &Pool{maxAnswer: 20_000} // less than 780 pairs would take, and more than these 20
	require.NoError(t, p.checkLength(t.Context(), a, stated))
	gone, giveUp := context.WithCancel(t.Context())
	giveUp()
	assert.ErrorIs(t, p.checkLength(gone, a, stated), context.Canceled)
	p.maxAnswer = 200_000 // as long as all pairs would take: nothing is counted, so nobody waits
	assert.NoError(t, p.checkLength(gone, a, stated))
}
