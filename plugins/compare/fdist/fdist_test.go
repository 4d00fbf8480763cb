package fdist

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"

	"github.com/commonvat/commonvat/plugins/palette/width"
)

func TestClosedForms(t *testing.T) {
	for _, f := range []float64{0.01, 0.5, 1, 3, 10, 76, 1000} {
		for _, d := range []float64{1, 2, 3, 7, 30, 500} {
			// d1 = 2: P(F > f) = (1 + 2f/d2)^(−d2/2); d2 = 2: 1 − (1 + 2/(d1 f))^(−d1/2). Both follow from integrating the density.
			assert.InDelta(t, math.Pow(1+2*f/d, -d/2), Upper(f, 2, d), 1e-12, "F(2,%v) at %v", d, f)
			assert.InDelta(t, 1-math.Pow(1+2/(d*f), -d/2), Upper(f, d, 2), 1e-12, "F(%v,2) at %v", d, f)
			// X ~ F(a,b) has 1/X ~ F(b,a).
			assert.InDelta(t, 1, Upper(f, d, 5)+Upper(1/f, 5, d), 1e-12)
		}
	}
}

// With one degree of freedom F is the square of Student's t.
func TestSquareOfStudent(t *testing.T) {
	for _, df := range []int{1, 2, 5, 11, 40} {
		q := width.StudentQuantile(0.975, df)
		assert.InDelta(t, 0.05, Upper(q*q, 1, float64(df)), 1e-10)
	}
}

// F(3,2) = 76 has p = .01302, the value of R for the example of the order effect.
func TestPrinted(t *testing.T) {
	assert.InDelta(t, 0.01302, Upper(76, 3, 2), 5e-6)
}

func TestOutOfRange(t *testing.T) {
	assert.Equal(t, 1.0, Upper(-1, 3, 2))
	assert.Zero(t, Upper(math.Inf(1), 3, 2))
	for _, x := range [][3]float64{{math.NaN(), 1, 1}, {1, 0, 1}, {1, 1, -2}, {1, math.NaN(), 1}, {1, 1, math.Inf(1)}} {
		assert.True(t, math.IsNaN(Upper(x[0], x[1], x[2])))
	}
}
