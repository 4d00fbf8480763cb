package outlook

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestStretch(t *testing.T) {
	assert.InDelta(t, math.Sqrt(2), Stretch(2, func(x float64) float64 { return x * x }), 1e-12)
	assert.InDelta(t, 300, Stretch(3, func(x float64) float64 { return x / 100 }), 1e-9, "above 1")
	assert.InDelta(t, 1e-3, Stretch(1, func(x float64) float64 { return 1000 * x }), 1e-12)
	assert.Equal(t, math.Ldexp(1, 60), Stretch(1, func(float64) float64 { return 0 }), "out of reach")
}
