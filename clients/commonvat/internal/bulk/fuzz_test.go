package bulk

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// Whatever an instrument wrote: an error, or a curve of numbers.
func FuzzReadSpectrum(f *testing.F) {
	for _, seed := range []string{"400,0.1\n410,0.2\n420,0.3\n", "nm,R\n400,10\n410,11\n", "# remark\n", "", "400,NaN\n410,Inf\n", "400,1e400\n", "\xff,\x00\n", "400\n", "\"400,1"} {
		f.Add([]byte(seed), false)
		f.Add([]byte(seed), true)
	}
	f.Fuzz(func(t *testing.T, data []byte, percent bool) {
		curve, err := ReadSpectrum(data, percent)
		if err != nil {
			return
		}
		for _, v := range append([]float64{curve.GetStartNm(), curve.GetStepNm()}, curve.GetReflectance()...) {
			require.False(t, math.IsNaN(v) || math.IsInf(v, 0))
		}
	})
}
