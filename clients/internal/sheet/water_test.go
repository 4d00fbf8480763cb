package sheet_test

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/clients/internal/sheet"
	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

// What is wanted of the water stands beside its hardness on every form of the page: by which shares of which waters, or by what it lacks.
func TestWantedWater(t *testing.T) {
	s := aSheet()
	wanted := 110.0
	s.Plan.Waters = []*benchpb.PlanWater{{Name: "well", Parts: 3}, {Name: "rain", Parts: 1}}
	s.Water.WantedMgPerL, s.Water.WantedShares = &wanted, []float64{0.625, 0.375}
	const shares, advice = "110 mg/L are wanted: take 62.5 % well and 37.5 % rain instead of the parts that the plan tells", "110 mg/L take 0.2 g/L of something (invented)"
	page := sheet.Of(sheet.Apply(s, healthy))
	assert.Equal(t, []string{"Water: 100 to 120 mg/L calcium carbonate", shares}, page.Water)
	s.Water.Remarks = []string{advice}
	page = sheet.Of(sheet.Apply(s, healthy))
	assert.Equal(t, advice, page.Water[2])
	paper, err := sheet.PaperNamed("letter")
	require.NoError(t, err)
	var web, print bytes.Buffer
	require.NoError(t, sheet.WriteHTML(&web, page, paper))
	require.NoError(t, sheet.WritePDF(&print, page, paper))
	printed := words(textOf(t, print.Bytes()))
	for _, want := range []string{shares, advice} {
		assert.Contains(t, words(text(t, s, healthy)), want)
		assert.Contains(t, web.String(), want)
		assert.Contains(t, printed, want)
	}

	s.Water.WantedShares, s.Water.HighMgPerL = nil, nil
	assert.Equal(t, []string{"Water: 100 mg/L calcium carbonate or more; how much more isn't known", "110 mg/L are wanted", advice}, sheet.Of(s).Water)
	s.Water = nil
	assert.Empty(t, sheet.Of(s).Water)
}
