package pool

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// Lists that are kept in one list, what follows on the same but once, read as they were added. The second opinion is the plain lists.
func TestListsInOneListReadAsTheyWereAdded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		unknown := math.NaN()
		figure := rapid.SampledFrom([]float64{unknown, 1, 2})
		var list []delivered
		var spans []span
		var plain [][]delivered
		for range rapid.IntRange(1, 120).Draw(t, "lists") {
			more := make([]delivered, rapid.IntRange(0, 3).Draw(t, "long"))
			for i := range more {
				more[i] = delivered{figure.Draw(t, "percent"), unknown, figure.Draw(t, "grams")}
			}
			var at span
			list, at = added(list, more, sameDepth)
			spans, plain = append(spans, at), append(plain, more)
		}
		for i, at := range spans {
			// NaN isn't itself, and prints as itself
			require.Equal(t, fmt.Sprint(plain[i]), fmt.Sprint(list[at.from:at.to]))
		}
	})
	list, _ := added(nil, []entryID{{1}, {2}}, same)
	list, at := added(list, []entryID{{2}}, same)
	assert.Len(t, list, 2, "kept once")
	assert.Equal(t, span{1, 2}, at)
}

// The routes of a trial's rows are those of each row by itself, and rows with the same one share it.
func TestRoutesOfATrialAreKeptOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		shared := newDictionary()
		list := newRouteList(shared)
		layer := rapid.Custom(func(t *rapid.T) trial.Layer {
			return trial.Layer{
				Purposes:      []trial.Purpose{rapid.SampledFrom([]trial.Purpose{trial.DyeBath, trial.Vat, trial.MordantBath}).Draw(t, "purpose")},
				Materials:     []trial.LayerMaterial{{Material: rapid.SampledFrom([]string{"weld", "madder"}).Draw(t, "material"), Role: trial.Dye}},
				IntendedDepth: rapid.SampledFrom([]trial.Depth{trial.DepthUnstated, trial.Pale}).Draw(t, "depth"),
				Water:         rapid.SampledFrom([]string{"", "mill:100"}).Draw(t, "water"),
			}
		})
		given := rapid.SliceOfN(rapid.SliceOfN(layer, 0, 3), 1, 20).Draw(t, "routes")
		for _, layers := range given {
			list.add(&trial.Route{Layers: layers}, false)
		}
		listed := list.listed()
		require.Len(t, listed, len(given))
		of := map[string]*route{} // by all that tells them apart
		for i, layers := range given {
			r := trial.Route{Layers: layers}
			words, colour := newRoute(&r, false, shared)
			require.Equal(t, words.routeWords, listed[i].routeWords)
			require.Equal(t, len(colour), len(listed[i].colour))
			for k := range colour {
				require.Same(t, colour[k], listed[i].colour[k])
			}
			key := string(appendKey(nil, &r, false))
			if of[key] != nil {
				require.Same(t, of[key], listed[i])
			}
			of[key] = listed[i]
		}
		different := map[*route]bool{}
		for _, r := range of {
			different[r] = true
		}
		require.Len(t, different, len(of))
	})
}
