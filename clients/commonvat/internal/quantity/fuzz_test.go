package quantity

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// Whatever is typed for an amount, a density, a temperature or a time: an error, or a finite number.
func FuzzQuantity(f *testing.F) {
	for _, seed := range []string{"3 g", "1 lb 2 oz", "1e999 g", "NaN g", "-0", "½ l", "70 F", "70", "2026-03-01 14:30", "2026-02-30", "14:30", "+02:00", "Z", "", "\xff", "0x1p9 g", "1,5 g", "about 3 g", "a handful", "12 °Tw", "1.06 kg/L"} {
		f.Add(seed, "+01:00")
	}
	f.Add("2026-03-01", "+99:99")
	f.Fuzz(func(t *testing.T, text, offset string) {
		for kind := range Kind(4) {
			if a, err := Amount(text, kind, "g"); err == nil {
				require.False(t, math.IsNaN(a.GetValue()) || math.IsInf(a.GetValue(), 0), text)
				_ = ShowAmount(a)
			}
		}
		if v, err := Celsius(text); err == nil {
			require.False(t, math.IsNaN(v) || math.IsInf(v, 0), text)
		}
		if v, err := Density(text); err == nil {
			require.True(t, v >= 0.5 && v <= 3, text)
		}
		if c, err := Time(text, offset); err == nil {
			require.True(t, c.GetTime().IsValid(), text)
			_ = ShowTime(c)
		}
		_, _ = Offset(text)
	})
}
