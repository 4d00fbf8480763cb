package rescale_test

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/bathscale/rescale"
)

// A supplier's clearing bath for 500 g (10 g of thiourea dioxide, 8 L), made for 20 g.
func TestTo(t *testing.T) {
	from, to := rescale.Size{FibreG: 500, VolumeL: 8}, rescale.Size{FibreG: 20, VolumeL: 0.32}
	got, err := rescale.To(from, to, []rescale.Figure{
		{"thiourea dioxide", 10, rescale.ByMass}, {"water", 8, rescale.ByVolume}, {"minutes to heat", 40, rescale.ByNeither},
	})
	require.NoError(t, err)
	assert.InDelta(t, 0.4, got[0].Value, 1e-12)
	assert.InDelta(t, 0.32, got[1].Value, 1e-12)
	assert.True(t, math.IsNaN(got[2].Value))
	assert.NotEmpty(t, got[2].Remark)
	text := strings.Join(rescale.Remarks(from, to, true), "\n")
	assert.Contains(t, text, "surface")
	assert.NotContains(t, text, "liquor ratio", "it stays 16")
	assert.Contains(t, strings.Join(rescale.Remarks(from, rescale.Size{FibreG: 500, VolumeL: 20}, false), "\n"), "from 16 to 40 mL/g")
	assert.Empty(t, rescale.Remarks(from, from, true))
	for _, bad := range []rescale.Size{{0, 1}, {1, -1}, {math.NaN(), 1}, {1, math.NaN()}, {1, math.Inf(1)}} {
		_, err := rescale.To(from, bad, nil)
		assert.ErrorIs(t, err, rescale.ErrInput)
	}
	// Nothing is made up of a volume that nobody took down; what goes by mass goes all the same.
	got, err = rescale.To(rescale.Size{FibreG: 500}, rescale.Size{FibreG: 20}, []rescale.Figure{{"alum", 50, rescale.ByMass}, {"soda ash", 20, rescale.ByVolume}})
	require.NoError(t, err)
	assert.InDelta(t, 2, got[0].Value, 1e-12)
	assert.True(t, math.IsNaN(got[1].Value))
	assert.Contains(t, got[1].Remark, "isn't known")
	assert.Contains(t, strings.Join(rescale.Remarks(rescale.Size{FibreG: 500}, rescale.Size{FibreG: 20}, true), "\n"), "isn't known")
	_, err = rescale.To(from, to, []rescale.Figure{{"x", math.NaN(), rescale.ByMass}})
	assert.ErrorIs(t, err, rescale.ErrInput)
	_, err = rescale.To(from, to, []rescale.Figure{{"x", 1, 7}})
	assert.ErrorIs(t, err, rescale.ErrInput)
}
