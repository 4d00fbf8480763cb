package cli

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// Whatever is typed for a fibre: an error, or parts that each have a name.
func FuzzParseFibre(f *testing.F) {
	for _, seed := range []string{"wool", "wool 70, silk 30", ",", "70", "wool 70 70, ", "WOOL  5", "\xff 1, \x00 2", ""} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		parts, err := parseFibre(text)
		if err != nil {
			return
		}
		require.NotEmpty(t, parts)
		for _, part := range parts {
			require.NotEmpty(t, part.GetFibre())
		}
	})
}
