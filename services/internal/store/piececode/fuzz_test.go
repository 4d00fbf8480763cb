package piececode

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// Whatever stands on a label: to normalise twice is to normalise once, and of the codes that were given out each is valid.
func FuzzCode(f *testing.F) {
	for _, seed := range []string{"", "7-k 2", Encode(0), Encode(1 << 40), "ÿ", "\xff\xfe", "--------------------------------", "İ"} {
		f.Add(seed, uint64(len(seed)))
	}
	f.Fuzz(func(t *testing.T, text string, n uint64) {
		code := Normalise(text)
		_ = Valid(text)
		if Valid(code) {
			require.Equal(t, code, Normalise(code))
		}
		given := Encode(n >> 24)
		require.True(t, Valid(given), given)
		require.Equal(t, given, Normalise(given))
	})
}
