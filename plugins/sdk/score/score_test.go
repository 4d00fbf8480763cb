package score_test

import (
	"context"
	"fmt"
	"io"
	"math"
	"testing"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/plugins/sdk/score"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

type request = palettev2.ScorePalettesRequest

// method has a score for each thing that a function can do.
func method() score.Method {
	of := func(name string, least int, f func(context.Context, score.Group) (float64, error)) score.Score {
		return score.Score{Name: name, Summary: "A test.", Unit: "1", LeastCells: least, Of: f}
	}
	return score.Method{
		Name: "palette-tested", Version: "1.0.0", Author: "tests", Summary: "Tests.", Ages: true, Spectra: true,
		Parameters: []*describev1.Parameter{sdk.Number("factor", "Multiplies.", "1", 1, 0.5, 4)},
		Scores: []score.Score{
			of("lightness", 1, func(_ context.Context, g score.Group) (float64, error) {
				sum := 0.0
				for _, c := range g.Cells {
					sum += c.Lab.L
				}
				return g.Number("factor") * sum, nil
			}),
			of("age", 1, func(_ context.Context, g score.Group) (float64, error) { return g.Cells[0].AgeDays, nil }),
			of("red", 1, func(_ context.Context, g score.Group) (float64, error) {
				if g.Cells[0].Spectrum == nil {
					return 0, score.NotComputed("a reading has no spectrum")
				}
				return g.Cells[0].Spectrum.Reflectance[2], nil
			}),
			of("faulty", 1, func(context.Context, score.Group) (float64, error) { return math.NaN(), nil }),
			of("panicking", 1, func(context.Context, score.Group) (float64, error) { panic("lost") }),
			of("endless", 1, func(ctx context.Context, _ score.Group) (float64, error) { <-ctx.Done(); return 0, ctx.Err() }),
		},
	}
}

// stream has two replicates of cell c (L* 10 and 30), a cell d (L* 50), and an e in group y.
func stream(relabellings ...[]uint32) []*request {
	header := &palettev2.ScoresHeader{
		Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE},
		Labels:    &columnsv1.Labels{Groups: []string{"x", "y"}, Blocks: []string{"s"}, Strata: []string{""}, Cells: []string{"c", "d"}},
		RowCount:  4, RelabellingCount: int32(len(relabellings)), Scores: []string{"red", "age", "lightness"},
	}
	out := []*request{{Part: &palettev2.ScorePalettesRequest_Header{Header: header}}, {Part: &palettev2.ScorePalettesRequest_Columns{Columns: &palettev2.ScoredColumns{
		Colours: &columnsv1.ColourColumns{ReadingId: []string{"1", "2", "3", "4"}, Group: []uint32{0, 0, 0, 1}, Block: make([]uint32, 4), Stratum: make([]uint32, 4),
			Cell: []uint32{0, 0, 1, 0}, L: []float64{10, 30, 50, 70}, A: make([]float64, 4), B: make([]float64, 4)},
		AgeDays: []float64{8, 10, 7, -1},
		Spectra: &palettev2.SpectrumColumns{StartNm: 400, StepNm: 20, Count: 3, Known: []bool{true, true, true, false},
			Reflectance: []float64{0, 0, 0.2, 0, 0, 0.4, 0, 0, 1}},
	}}}}
	for _, r := range relabellings {
		out = append(out, &request{Part: &palettev2.ScorePalettesRequest_Relabelling{Relabelling: &palettev2.Relabelling{Group: r}}})
	}
	return out
}

func ask(t *testing.T, parts ...*request) ([]*palettev2.ScorePalettesResponse, error) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	call, err := palettev2.NewPaletteServiceClient(plugintest.Dial(t, method().Module())).ScorePalettes(ctx)
	require.NoError(t, err)
	for _, p := range parts {
		if call.Send(p) != nil {
			break // the reason shows below
		}
	}
	require.NoError(t, call.CloseSend())
	var out []*palettev2.ScorePalettesResponse
	for {
		m, err := call.Recv()
		if err == io.EOF { //nolint:errorlint // as gRPC documents it
			return out, nil
		}
		if err != nil {
			return out, err
		}
		out = append(out, m)
	}
}

func values(g *palettev2.GroupScores) (out []float64) {
	for _, s := range g.GetScores() {
		out = append(out, s.GetValue())
	}
	return out
}

func TestLabellings(t *testing.T) {
	// Units: (x, c) with two readings, (x, d), (y, c). The second labelling brings both c into y: one cell of three readings.
	got, err := ask(t, stream([]uint32{1, 0, 1}, []uint32{0, 0, 1})...)
	require.NoError(t, err)
	require.Len(t, got, 3)
	own := got[0].GetGroups()
	require.Len(t, own, 2)
	assert.InDeltaSlice(t, []float64{0.3, 9, 20 + 50}, values(own[0]), 1e-12)
	assert.Equal(t, []float64{0, -1, 70}, values(own[1]))
	assert.Equal(t, "a reading has no spectrum", own[1].GetScores()[0].GetNotComputed())

	assert.Equal(t, int32(1), got[1].GetRelabelling())
	merged := got[1].GetGroups()
	require.Len(t, merged, 2)
	assert.Equal(t, []float64{1, 7, 50}, values(merged[0]))
	assert.InDeltaSlice(t, []float64{0, -1, 110.0 / 3}, values(merged[1]), 1e-12)

	assert.Equal(t, moduletest.Bytes(t, &palettev2.ScorePalettesResponse{Groups: own}),
		moduletest.Bytes(t, &palettev2.ScorePalettesResponse{Groups: got[2].GetGroups()}), "a labelling leaves nothing behind for the next")
}

func TestRefused(t *testing.T) {
	header := func(change func(*palettev2.ScoresHeader)) []*request {
		s := stream()
		change(s[0].GetHeader())
		return s
	}
	columns := func(change func(*palettev2.ScoredColumns)) []*request {
		s := stream()
		change(s[1].GetColumns())
		return s
	}
	for field, parts := range map[string][]*request{
		"header.scores[1]":               header(func(h *palettev2.ScoresHeader) { h.Scores = []string{"age", "age"} }),
		"header.scores[0]":               header(func(h *palettev2.ScoresHeader) { h.Scores = []string{"beauty"} }),
		"header.relabelling_count":       header(func(h *palettev2.ScoresHeader) { h.RelabellingCount = 100_001 }),
		"header.parameters[0].number":    header(func(h *palettev2.ScoresHeader) { h.Parameters = set("factor", math.NaN()) }),
		"header.parameters[0].name":      header(func(h *palettev2.ScoresHeader) { h.Parameters = set("luck", 1) }),
		"header.row_count":               {stream()[0]},
		"columns.age_days":               columns(func(c *palettev2.ScoredColumns) { c.AgeDays = nil }),
		"columns.age_days[2]":            columns(func(c *palettev2.ScoredColumns) { c.AgeDays[2] = -0.5 }),
		"columns.spectra":                columns(func(c *palettev2.ScoredColumns) { c.Spectra = nil }),
		"columns.spectra.reflectance":    columns(func(c *palettev2.ScoredColumns) { c.Spectra.Count = 4 }),
		"columns.spectra.reflectance[8]": columns(func(c *palettev2.ScoredColumns) { c.Spectra.Reflectance[8] = math.Inf(1) }),
		"columns.spectra.known":          columns(func(c *palettev2.ScoredColumns) { c.Spectra.Known = c.Spectra.Known[:3] }),
		"columns.l[0]":                   columns(func(c *palettev2.ScoredColumns) { c.Colours.L[0] = 151 }),
		"relabelling.group":              stream([]uint32{0}),
		"relabelling.group[1]":           stream([]uint32{0, 2, 0}),
		"part":                           append(header(func(h *palettev2.ScoresHeader) { h.RelabellingCount = 2 }), stream([]uint32{0, 0, 0})[2], stream()[1]),
	} {
		t.Run(field, func(t *testing.T) {
			_, err := ask(t, parts...)
			assert.Contains(t, moduletest.Refused(t, err), field)
		})
	}
}

func set(name string, x float64) []*describev1.ParameterValue {
	return []*describev1.ParameterValue{{Name: name, Value: &describev1.ParameterValue_Number{Number: x}}}
}

func TestFaultsOfTheMethodAreTold(t *testing.T) {
	for name, want := range map[string]string{
		"faulty": `score faulty of group "x" is NaN`, "panicking": "module palette-tested panicked: lost",
	} {
		s := stream()
		s[0].GetHeader().Scores = []string{name}
		_, err := ask(t, s...)
		assert.Equal(t, codes.Internal, status.Code(err))
		assert.ErrorContains(t, err, want)
	}
}

// What is more than a score takes is no fault of anyone, and names the group by its place among the labels.
func TestTooMuchForAScore(t *testing.T) {
	for reason, want := range map[score.TooMuch]string{"2 cells, want at most 1": "2 cells, want at most 1", "": "the method gives no reason"} {
		m := method()
		m.Scores = []score.Score{{Name: "counted", Summary: "Cells.", Unit: "1", LeastCells: 1, Of: func(_ context.Context, g score.Group) (float64, error) {
			if g.Name == "y" {
				return 0, fmt.Errorf("in the middle of it: %w", reason)
			}
			return float64(len(g.Cells)), nil
		}}}
		call, err := palettev2.NewPaletteServiceClient(plugintest.Dial(t, m.Module())).ScorePalettes(t.Context())
		require.NoError(t, err)
		parts := stream()
		parts[0].GetHeader().Scores, parts[0].GetHeader().Parameters = nil, nil
		for _, p := range parts {
			require.NoError(t, call.Send(p))
		}
		require.NoError(t, call.CloseSend())
		_, err = call.Recv()
		assert.Equal(t, map[string]string{"header.labels.groups[1]": `is "y", which is too much for score counted: ` + want}, moduletest.TooMuch(t, err))
	}
}

func TestParameters(t *testing.T) {
	s := stream()
	s[0].GetHeader().Scores, s[0].GetHeader().Parameters = []string{"lightness"}, set("factor", 2)
	got, err := ask(t, s...)
	require.NoError(t, err)
	assert.Equal(t, []float64{140}, values(got[0].GetGroups()[0]))
}

func TestCancelledCallEnds(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	m := method()
	called := make(chan struct{})
	endless := m.Scores[5].Of
	m.Scores[5].Of = func(ctx context.Context, g score.Group) (float64, error) { close(called); return endless(ctx, g) }
	call, err := palettev2.NewPaletteServiceClient(plugintest.Dial(t, m.Module())).ScorePalettes(ctx)
	require.NoError(t, err)
	s := stream()
	s[0].GetHeader().Scores = []string{"endless"}
	for _, p := range s {
		require.NoError(t, call.Send(p))
	}
	require.NoError(t, call.CloseSend())
	<-called
	cancel()
	_, err = call.Recv()
	assert.Equal(t, codes.Canceled, status.Code(err))
}
