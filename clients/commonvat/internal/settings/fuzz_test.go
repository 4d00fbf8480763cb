package settings

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Whatever the settings file and the token's file hold: an error, or settings that come back as they were, and a token that can stand in a header.
func FuzzSettings(f *testing.F) {
	for _, seed := range []string{`{}`, `{"server":"localhost:1"}`, `{"no_such":1}`, `null`, `[]`, ``, "\xff", "cvat_x_y\n", "a b", "a\x00b", strings.Repeat("x", 1025)} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if s, err := parse(data); err == nil {
			text, err := json.Marshal(s)
			require.NoError(t, err)
			back, err := parse(text)
			require.NoError(t, err)
			require.Equal(t, s, back)
		}
		if token, err := ReadToken(data); err == nil {
			require.NotEmpty(t, token)
			require.NotContains(t, token, "\n")
		}
	})
}
