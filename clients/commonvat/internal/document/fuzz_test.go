package document

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// Whatever a file holds, as JSON or YAML: an error or a tree, and never an anchor that unfolds without end.
func FuzzParse(f *testing.F) {
	for _, seed := range []string{
		"a: 1\nb: [x, y]\n", `{"a":[1,2,{"b":null}]}`, `{"a":1,"a":2}`, "a: &x [*x]\n", "a: &x [1,1]\nb: &y [*x,*x]\nc: [*y,*y]\n", "[[[[[[[[", "{", "", "\xff", "a: !!binary x\n", "- - - -\n", "a: 1e999\n",
		"---\na: 1\n---\nb: 2\n", "\ta: 1\n",
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		node, err := Parse(data)
		require.True(t, err != nil || node != nil)
		if v, ok := Decimal(string(data)); ok {
			require.False(t, math.IsNaN(v) || math.IsInf(v, 0))
		}
		_, _ = Hundredth(string(data))
	})
}
