package piececode

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// By hand: value 0 is "3333" with sum 0, check "3"; value 1 has weight 2, so
// the check is 17-2 = 15, "X"; 17 is "3343" with weight 3, check 14, "W".
func TestEncodeByHand(t *testing.T) {
	for n, want := range map[uint64]string{0: "33333", 1: "3334X", 17: "3343W", 83521: "333333", 83522: "33334X"} {
		assert.Equal(t, want, Encode(n), "code of %d", n)
	}
}

func TestCodesAreUniqueValidAndSorted(t *testing.T) {
	seen := map[string]bool{}
	last := ""
	for n := range uint64(90_000) {
		code := Encode(n)
		require.True(t, Valid(code), "code %s of %d", code, n)
		require.False(t, seen[code], "code %s of %d was given before", code, n)
		seen[code] = true
		if len(code) == len(last) {
			require.Less(t, last, code)
		}
		last = code
	}
	require.Len(t, Encode(1<<60-1), 16)
	require.True(t, Valid(Encode(1<<60-1)))
}

// Every single wrong sign and every exchange of two signs is noticed.
func TestSlipsAreNoticed(t *testing.T) {
	for n := uint64(0); n < 200_000_000; n = n*3 + 7 {
		code := Encode(n)
		for i := range code {
			for _, sign := range []byte(Alphabet) {
				if sign != code[i] {
					assert.False(t, Valid(code[:i]+string(sign)+code[i+1:]), "%s with %c at %d", code, sign, i)
				}
			}
			for j := range i {
				if code[i] != code[j] {
					swapped := []byte(code)
					swapped[i], swapped[j] = swapped[j], swapped[i]
					assert.False(t, Valid(string(swapped)), "%s with %d and %d exchanged", code, i, j)
				}
			}
		}
	}
}

func TestNormalise(t *testing.T) {
	assert.Equal(t, "3334X", Normalise(" 33-34x "))
	for _, bad := range []string{"", "3333", "33334", "O3333", strings.Repeat("3", 17), "é3333"} {
		assert.False(t, Valid(bad), bad)
	}
}
