package catalog

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// TestVersionPrecedence takes its order from Semantic Versioning 2.0.0, item 11, examples.
func TestVersionPrecedence(t *testing.T) {
	order := []string{
		"1.0.0-alpha", "1.0.0-alpha.1", "1.0.0-alpha.beta", "1.0.0-beta", "1.0.0-beta.2", "1.0.0-beta.11", "1.0.0-rc.1",
		"1.0.0", "2.0.0", "2.1.0", "2.1.1", "2.10.0",
	}
	for i, a := range order {
		for j, b := range order {
			got := compareVersions(a, b)
			switch {
			case i < j:
				assert.Negative(t, got, "%s %s", a, b)
			case i > j:
				assert.Positive(t, got, "%s %s", a, b)
			default:
				assert.Zero(t, got)
			}
		}
	}
	assert.Zero(t, compareVersions("1.0.0+20130313144700", "1.0.0+exp.sha.5114f85"), "item 10: build metadata does not count")
}

func TestBackoffDoublesUpToItsLimit(t *testing.T) {
	const first, limit = 100 * time.Millisecond, time.Second
	for n, want := range map[int]time.Duration{1: first, 2: 2 * first, 3: 4 * first, 4: 8 * first, 5: limit, 50: limit, 1 << 20: limit} {
		for range 20 {
			got := backoff(first, limit, n)
			assert.GreaterOrEqual(t, got, want/2, n)
			assert.LessOrEqual(t, got, want, n)
		}
	}
}
