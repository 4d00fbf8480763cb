package palette

import (
	"testing"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/plugins/sdk/score"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The corners of the box {40,60} x {-10,20} x {-5,35}, worked by hand: every corner lies half a diagonal from the mean, sqrt(10² + 15² + 20²);
// the volume is 20·30·40. No two corners are closer than 5.
func TestScores(t *testing.T) {
	c := &columnsv1.ColourColumns{}
	labels := &columnsv1.Labels{Groups: []string{"box"}, Blocks: []string{""}, Strata: []string{""}}
	for i := range 8 {
		id := string(rune('a' + i))
		labels.Cells = append(labels.Cells, id)
		c.ReadingId, c.Cell = append(c.ReadingId, id), append(c.Cell, uint32(i))
		c.Group, c.Block, c.Stratum = append(c.Group, 0), append(c.Block, 0), append(c.Stratum, 0)
		c.L, c.A, c.B = append(c.L, []float64{40, 60}[i&1]), append(c.A, []float64{-10, 20}[i>>1&1]), append(c.B, []float64{-5, 35}[i>>2])
	}
	ask := func(set ...*describev1.ParameterValue) []*palettev2.ScoreValue {
		call, err := palettev2.NewPaletteServiceClient(plugintest.Dial(t, Module())).ScorePalettes(t.Context())
		require.NoError(t, err)
		require.NoError(t, call.Send(&palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Header{Header: &palettev2.ScoresHeader{
			Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE},
			Labels:    labels, RowCount: 8, Parameters: set}}}))
		require.NoError(t, call.Send(&palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Columns{Columns: &palettev2.ScoredColumns{Colours: c}}}))
		require.NoError(t, call.CloseSend())
		got, err := call.Recv()
		require.NoError(t, err)
		require.Len(t, got.GetGroups(), 1)
		require.Len(t, got.GetGroups()[0].GetScores(), 3)
		return got.GetGroups()[0].GetScores()
	}
	got := ask()
	assert.Equal(t, 8.0, got[0].GetValue())
	assert.InDelta(t, 24000, got[1].GetValue(), 1e-8)
	assert.InDelta(t, 26.92582403567252, got[2].GetValue(), 1e-12)

	got = ask(&describev1.ParameterValue{Name: "threshold_de00", Value: &describev1.ParameterValue_Number{Number: 100}})
	assert.Equal(t, 1.0, got[0].GetValue(), "no two colours are 100 apart here")
	got = ask(&describev1.ParameterValue{Name: "equal_number", Value: &describev1.ParameterValue_Number{Number: 6}})
	assert.Equal(t, "figures at equal numbers are in version 1 of the contract", got[2].GetNotComputed())
}

func TestFlatPaletteHasNoVolume(t *testing.T) {
	g := score.Group{Cells: []score.Cell{{}, {Lab: colorimetry.Lab{L: 10}}, {Lab: colorimetry.Lab{L: 20}}, {Lab: colorimetry.Lab{L: 30}}}}
	_, err := hullVolume(t.Context(), g)
	assert.Equal(t, score.NotComputed("the cells lie in a plane"), err)
}
