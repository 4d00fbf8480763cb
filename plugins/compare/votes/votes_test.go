package votes

import (
	"fmt"
	"math/bits"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// p by counting out all 2^n ways in which n fair coins fall.
func TestSignTestAgainstEnumeration(t *testing.T) {
	for n := 1; n <= 14; n++ {
		for k := (n + 1) / 2; k <= n; k++ {
			hits := 0
			for mask := range 1 << n {
				if c := bits.OnesCount(uint(mask)); c >= k || n-c >= k {
					hits++
				}
			}
			assert.InDelta(t, float64(hits)/float64(int(1)<<n), signTest(k, n), 1e-12, "%d of %d", k, n)
		}
	}
}

func TestOneVoteASession(t *testing.T) {
	var all []Judgement
	for s := range 6 {
		for range 5 { // five looks are one vote
			all = append(all, Judgement{Session: fmt.Sprint(s), Choice: First, Blind: true})
		}
		all = append(all, Judgement{Session: fmt.Sprint(s), Choice: Second, Blind: true})
	}
	all = append(all, Judgement{Session: "x", Choice: First, Blind: true}, Judgement{Session: "x", Choice: Second, Blind: true},
		Judgement{Choice: Second, Blind: true}, Judgement{Session: "y", Choice: Second})
	r, err := Count(all, true)
	require.NoError(t, err)
	require.NotNil(t, r.P)
	assert.InDelta(t, 2.0/64, *r.P, 1e-12)
	assert.Equal(t, Result{First: 6, Split: 1, NoSession: 1, NotBlind: 1, P: r.P}, r)
	r, err = Count(all, false)
	require.NoError(t, err)
	assert.Equal(t, 1, r.Second)
	assert.InDelta(t, 16.0/128, *r.P, 1e-12)
}

func TestTooFewAndBad(t *testing.T) {
	r, err := Count([]Judgement{{Session: "a", Choice: First}, {Session: "b"}}, false)
	require.NoError(t, err)
	assert.Nil(t, r.P)
	assert.Equal(t, "5 more sessions with a judgement for one of the two", r.Missing)
	_, err = Count([]Judgement{{Session: "a", Choice: 3}}, false)
	assert.ErrorContains(t, err, "judgements[0].choice")
}
