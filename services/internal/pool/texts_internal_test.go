package pool

import (
	"cmp"
	"crypto/sha256"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
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

// Every piece is worked on once, with those of its bucket alone and in their order, however many processors share the buckets.
func TestWithin(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	rapid.Check(t, func(t *rapid.T) {
		runtime.GOMAXPROCS(rapid.IntRange(1, 5).Draw(t, "processors"))
		n := rapid.IntRange(1, 12).Draw(t, "buckets")
		buckets := rapid.SliceOfN(rapid.IntRange(0, n-1), 0, 60).Draw(t, "of")
		picks := make([]*pick, len(buckets))
		for i, bucket := range buckets {
			picks[i] = &pick{block: label(bucket)}
		}
		var mu sync.Mutex
		met := map[label][]uint32{}
		places := newTexts().within(picks, n, func(p *pick) (bucket uint32, high, low uint64) { return uint32(p.block), 7, 9 }, func(of []place) {
			mu.Lock()
			defer mu.Unlock()
			for _, at := range of {
				require.Equal(t, of[0].of.block, at.of.block)
				require.Same(t, picks[at.at], at.of)
				require.Equal(t, [2]uint64{7, 9}, [2]uint64{at.high, at.low})
				met[at.of.block] = append(met[at.of.block], at.at)
			}
		})
		require.Len(t, places, len(picks))
		all := 0
		for bucket, of := range met {
			require.True(t, slices.IsSorted(of), "bucket %d", bucket)
			all += len(of)
		}
		require.Equal(t, len(picks), all)
		require.True(t, slices.IsSortedFunc(places, func(a, b place) int { return cmp.Compare(a.of.block, b.of.block) }))
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
