package catalog

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// Whatever two versions are, one order holds between them both ways.
func FuzzCompareVersions(f *testing.F) {
	f.Add("1.0.0-alpha.1", "1.0.0")
	f.Add("", "999999999999999999999999.0.0")
	f.Add("1.0.0-01", "1..0+x")
	f.Add("\xff", "-")
	f.Fuzz(func(t *testing.T, a, b string) {
		require.Equal(t, compareVersions(a, b), -compareVersions(b, a))
		require.Zero(t, compareVersions(a, a))
	})
}
