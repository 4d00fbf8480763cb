package pool

import (
	"crypto/sha256"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Cells are numbered as the plain sorted list of their texts is: heads may begin with each other, digests with the same bytes, and depths 10 stands before 2.
func TestCellsAreNumberedInTheOrderOfTheirTexts(t *testing.T) {
	routes := make([]routeDigest, 6)
	for i := range routes {
		whole := sha256.Sum256([]byte{byte(i)})
		routes[i] = routeDigest(whole[:])
		if i > 2 { // alike at the start
			copy(routes[i][:8], routes[0][:8])
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		names := newTexts()
		heads := []string{"wool; lot a; ", "wool; lot b; ", "silk; lot ; "}
		if rapid.Bool().Draw(t, "nested") {
			heads = append(heads, "wool; lot a; b; ", "wool", "wool; birch")
		}
		picks := make([]*pick, rapid.IntRange(1, 60).Draw(t, "picks"))
		var texts []string
		whole := rapid.Bool().Draw(t, "routes")
		for i := range picks {
			c := cell{head: names.label(rapid.SampledFrom(heads).Draw(t, "head"))}
			if whole {
				c.route = rapid.SampledFrom(routes).Draw(t, "route")
			}
			if n := rapid.Uint32Range(1, 12).Draw(t, "depths"); n > 1 {
				c.depths = n
			}
			picks[i] = &pick{cell: c}
			texts = append(texts, names.cellText(c))
		}
		plain := sorted(texts)
		of, cells := names.numberCells(picks)
		require.Equal(t, len(plain), cells)
		for i, number := range of {
			require.Equal(t, slices.Index(plain, texts[i]), int(number))
		}
	})
}

func TestCellNames(t *testing.T) {
	assert.Empty(t, cellNames(0))
	assert.Equal(t, []string{"cell 1", "cell 2", "cell 3"}, cellNames(3))
	for _, n := range []int{9, 10, 99, 100, 1001} {
		names := cellNames(n)
		require.Len(t, names, n)
		assert.Len(t, slices.Compact(slices.Clone(names)), n)
		assert.True(t, slices.IsSorted(names), "so that nobody needs to sort them")
		for i, name := range names {
			of, err := strconv.Atoi(strings.TrimPrefix(name, "cell "))
			require.NoError(t, err)
			require.Equal(t, i+1, of)
		}
	}
}

// A label stands for one text, and the text of nothing is label 0.
func TestLabels(t *testing.T) {
	names := newTexts()
	made := 0
	of := memo(names, func(n int) string { made++; return strings.Repeat("x", n) })
	assert.Equal(t, label(0), of(0))
	assert.Equal(t, of(3), of(3))
	assert.Equal(t, names.label("xxx"), of(3))
	assert.Equal(t, "xxx", names.text(of(3)))
	assert.Equal(t, 2, made, "each text is made once")
}
