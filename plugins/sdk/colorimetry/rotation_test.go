package colorimetry

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestRotationFollowsItsFormula(t *testing.T) {
	worst := 0.0
	for i := range 720_000 {
		h := float64(i) * math.Pi / 360_000
		sin, cos := math.Sincos(h)
		worst = max(worst, math.Abs(rotation(cos, sin)-rotationByAngle(h)))
	}
	assert.Less(t, worst, 2e-13)
	t.Logf("largest deviation %.2g", worst)
}

func TestRotationJumpsAtZeroHue(t *testing.T) {
	// Just below 360 degrees the exponent is (85/25)^2, just above 0 nothing is left.
	require.InDelta(t, math.Sin(math.Pi/3*math.Exp(-11.56)), rotation(1, -1e-9), 2e-13)
	assert.Zero(t, rotation(1, 1e-9))
	assert.Zero(t, rotation(1, 0))
	assert.Zero(t, rotation(1, -1e-13), "within 1e-10 degrees of 360 counts as 0")
	assert.Less(t, rotation(-1, 0), 1e-6)
	for _, beyond := range []float64{1 + 1e-15, -1 - 1e-15} { // rounded unit vectors
		assert.Less(t, rotation(beyond, -1e-9), 2e-5)
	}
}
