package score

import (
	"testing"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	"github.com/commonvat/commonvat/plugins/sdk/columns"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// More units come than there is room for at first, in labels that differ in one of four places; each row finds its own, in the order of first rows. Worked by hand:
// row i of the second round has L* 10 above that of the first, so a unit's mean lies 5 above it.
func TestRowsFindTheirUnits(t *testing.T) {
	const many = 5000
	of := func(i int) columns.Row {
		at := [4]uint32{}
		at[i%4] = uint32(1 + i/4)
		return columns.Row{Group: at[0], Block: at[1], Stratum: at[2], Cell: at[3], Lab: colorimetry.Lab{L: float64(i % 100)}}
	}
	tab := &table{}
	tab.expect(3)
	for round := range 2 {
		for i := range many {
			r := of(i)
			r.Lab.L += float64(10 * round)
			tab.add(r)
		}
	}
	require.Len(t, tab.units, many)
	for i, u := range tab.units {
		want := of(i)
		require.Equal(t, unitKey{want.Group, want.Block, want.Stratum, want.Cell}, u.key)
		require.Equal(t, 2, u.n)
	}
	labels := make([]string, many)
	for i := range labels {
		labels[i] = string(rune('a' + i)) // ascending, each once
	}
	tab.finish(&columnsv1.Labels{Groups: labels, Blocks: labels, Strata: labels, Cells: labels})
	buckets, cells := tab.buckets(tab.own()), 0
	for _, b := range buckets {
		for _, c := range b.cells {
			assert.Equal(t, 2, c.Readings)
			cells++
		}
	}
	assert.Equal(t, many, cells)
	assert.Equal(t, [2]uint32{}, [2]uint32{buckets[0].stratum, buckets[0].group})
	assert.InDelta(t, 3+5, buckets[0].cells[0].Lab.L, 1e-12, "of row 3 of each round: the first block comes first, and the first cell that is there is 1")
}
