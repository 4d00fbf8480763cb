package ids

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The example of RFC 9562, appendix A.6.
const example = "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"

func TestCheck(t *testing.T) {
	require.NoError(t, Check(example))
	for _, bad := range []string{"", "x", "017F22E2-79B0-7CC3-98C4-DC0C0C07398F",
		"{017f22e2-79b0-7cc3-98c4-dc0c0c07398f}",
		"2489e9ad-2ee2-4e00-8ec9-32d5f69181c0"} { // RFC 9562, appendix A.4 sort: version 4
		assert.Error(t, Check(bad), bad)
	}
	id, err := New()
	require.NoError(t, err)
	assert.NoError(t, Check(id))
}

func TestDerive(t *testing.T) {
	a := Derive(example, "piece", "w1")
	assert.NoError(t, Check(a))
	assert.Equal(t, a, Derive(example, "piece", "w1"))
	assert.Equal(t, example[:13], a[:13], "time of the seed")
	assert.NotEqual(t, a, Derive(example, "piece", "w2"))
	assert.NotEqual(t, Derive(example, "ab", "c"), Derive(example, "a", "bc"))
	assert.True(t, Is(a))
	assert.False(t, Is("weld"))
}
