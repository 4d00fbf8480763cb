package palette

import (
	"context"
	"fmt"
	"math"
	"runtime/debug"
	"slices"
	"testing"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	"github.com/commonvat/commonvat/plugins/palette/width"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

type row struct {
	group, block, stratum, cell string
	lab                         colorimetry.Lab
}

// stream makes the messages for rows, in chunks of the given number of rows. Labels have the order in which rows bring them.
func stream(chunk int, rows []row, change ...func(*palettev1.WidthsHeader)) []*palettev1.MeasureWidthsRequest {
	labels := &columnsv1.Labels{Blocks: []string{""}}
	at := func(list *[]string, label string) uint32 {
		if i := slices.Index(*list, label); i >= 0 {
			return uint32(i)
		}
		*list = append(*list, label)
		return uint32(len(*list) - 1)
	}
	h := &palettev1.WidthsHeader{
		Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE},
		Labels:    labels, RowCount: int64(len(rows)), Seed: 7,
	}
	out := []*palettev1.MeasureWidthsRequest{{Part: &palettev1.MeasureWidthsRequest_Header{Header: h}}}
	for start := 0; start < len(rows); start += chunk {
		c := &columnsv1.ColourColumns{}
		for i, r := range rows[start:min(start+chunk, len(rows))] {
			c.ReadingId = append(c.ReadingId, fmt.Sprintf("r%05d", start+i))
			c.Group = append(c.Group, at(&labels.Groups, r.group))
			c.Block = append(c.Block, at(&labels.Blocks, r.block))
			c.Stratum = append(c.Stratum, at(&labels.Strata, r.stratum))
			c.Cell = append(c.Cell, at(&labels.Cells, r.cell))
			c.L, c.A, c.B = append(c.L, r.lab.L), append(c.A, r.lab.A), append(c.B, r.lab.B)
		}
		out = append(out, &palettev1.MeasureWidthsRequest{Part: &palettev1.MeasureWidthsRequest_Columns{Columns: c}})
	}
	for _, f := range change {
		f(h)
	}
	return out
}

func rowsOf(group, block, stratum string, colours ...colorimetry.Lab) []row {
	var out []row
	for i, c := range colours {
		out = append(out, row{group, block, stratum, fmt.Sprintf("%s cell %d", group, i), c})
	}
	return out
}

// box is the box {40,60} x {-10,20} x {-5,35}: volume 20*30*40 = 24,000, area 30*40 = 1,200.
func box() []colorimetry.Lab {
	var out []colorimetry.Lab
	for _, l := range []float64{40, 60} {
		for _, a := range []float64{-10, 20} {
			for _, b := range []float64{-5, 35} {
				out = append(out, colorimetry.Lab{L: l, A: a, B: b})
			}
		}
	}
	return out
}

// five is a made-up palette. Its five tetrahedra cover its hull of V = 690 just twice, as those of any five points in general position
// do, so a subset of four has 2 x 690 / 5 = 276 on average. The further figures are a worked example of ours, computed apart from this code.
func five() []colorimetry.Lab {
	return []colorimetry.Lab{{L: 45, A: 35, B: 20}, {L: 47, A: 33, B: 22}, {L: 60, A: 10, B: 50}, {L: 58, A: -20, B: 25}, {L: 35, A: 5, B: -30}}
}

func greys() []colorimetry.Lab {
	var out []colorimetry.Lab
	for l := 20.0; l <= 90; l += 10 {
		out = append(out, colorimetry.Lab{L: l})
	}
	return out
}

func ask(t *testing.T, parts ...*palettev1.MeasureWidthsRequest) (*palettev1.MeasureWidthsResponse, error) {
	client := palettev1.NewPaletteServiceClient(plugintest.Dial(t, Module()))
	return moduletest.Ask(t.Context(), func(ctx context.Context) (palettev1.PaletteService_MeasureWidthsClient, error) {
		return client.MeasureWidths(ctx)
	}, parts...)
}

func TestWorkedPalettes(t *testing.T) {
	rows := rowsOf("box", "", "", box()...)
	rows = append(rows, rowsOf("five", "", "", five()...)...)
	rows = append(rows, rowsOf("greys", "", "", greys()...)...)
	got, err := ask(t, stream(6, rows, func(h *palettev1.WidthsHeader) { h.EqualNumber = 4 })...)
	require.NoError(t, err)
	require.Len(t, got.GetGroups(), 3)
	assert.Equal(t, 5.0, got.GetThresholdDe00())
	assert.Equal(t, uint64(7), got.GetSeed())
	assert.Equal(t, int64(width.DefaultSearchNodes), got.GetSearchNodeBudget())
	assert.LessOrEqual(t, got.GetSearchNodesUsed(), got.GetSearchNodeBudget())

	b := got.GetGroups()[0]
	assert.Equal(t, palettev1.HullStatus_HULL_STATUS_SOLID, b.GetHullStatus())
	assert.InDelta(t, 24000, b.GetHullVolume(), 1e-8)
	assert.InDelta(t, math.Cbrt(24000), b.GetHullSide(), 1e-9)
	assert.InDelta(t, 1200, b.GetHullArea(), 1e-9)
	// Half edges 10, 15 and 20: root of 100 + 225 + 400.
	assert.InDelta(t, math.Sqrt(725), b.GetDispersion(), 1e-9)
	assert.Equal(t, 20.0, b.GetLightnessRange())
	assert.Equal(t, []int32{8, 8, 0}, []int32{b.GetReadings(), b.GetCells(), b.GetBlocks()})
	assert.False(t, b.GetUnstable())

	f := got.GetGroups()[1]
	assert.InDelta(t, 690, f.GetHullVolume(), 1e-9)
	assert.True(t, f.GetUnstable())
	assert.InDelta(t, 33.6895, f.GetMeanPairwiseDe00(), 5e-5)
	assert.InDelta(t, 150.8025, f.GetLargestHueGapDeg(), 5e-5)
	assert.InDelta(t, 4.9131, f.GetEffectiveHues(), 5e-5)
	assert.Equal(t, int32(4), f.GetEqualNumber())
	assert.InDelta(t, 276, f.GetHullVolumeAtEqualNumber().GetValue(), 1e-9)
	assert.Zero(t, f.GetHullVolumeAtEqualNumber().GetDrawingSe(), "all 5 subsets were counted")
	assert.Nil(t, f.GetHullVolumeAtEqualNumber().Low, "no session is known")
	assert.Equal(t, []string{"5: 4 to 4", "2.5: 5 to 5", "10: 4 to 4"}, counts(f))

	g := got.GetGroups()[2]
	assert.Equal(t, palettev1.HullStatus_HULL_STATUS_LINE, g.GetHullStatus())
	assert.Zero(t, g.GetHullVolume())
	assert.Nil(t, g.LargestHueGapDeg)
	assert.Nil(t, g.EffectiveHues)
	assert.Equal(t, []string{"5: 8 to 8", "2.5: 8 to 8", "10: 4 to 4"}, counts(g))

	require.Len(t, got.GetPairs(), 3)
	for i, want := range [][2]uint32{{0, 1}, {0, 2}, {1, 2}} {
		p := got.GetPairs()[i]
		assert.Equal(t, want, [2]uint32{p.GetGroupA(), p.GetGroupB()})
		assert.Equal(t, int32(1), p.GetStrata())
	}
}

func counts(g *palettev1.GroupWidth) []string {
	var out []string
	for _, s := range g.GetShades() {
		out = append(out, fmt.Sprintf("%v: %d to %d", s.GetThresholdDe00(), s.GetAtLeast(), s.GetAtMost()))
	}
	return out
}

func TestThresholdIsNotCountedTwice(t *testing.T) {
	got, err := ask(t, stream(9, rowsOf("greys", "", "", greys()...), func(h *palettev1.WidthsHeader) { h.ThresholdDe00 = 10 })...)
	require.NoError(t, err)
	assert.Equal(t, []string{"10: 4 to 4", "2.5: 8 to 8"}, counts(got.GetGroups()[0]))
}

// Four sessions of the same four colours: whichever is left out, the rest is alike, but small differences give an interval.
func TestIntervalNeedsSessions(t *testing.T) {
	rows := func(block func(int) string) []row {
		var out []row
		for s := range 4 {
			for i, c := range five() {
				c.L += float64(s) / 4
				out = append(out, row{"x", block(s), "", fmt.Sprint("cell ", i), c})
			}
		}
		return out
	}
	got, err := ask(t, stream(100, rows(func(s int) string { return fmt.Sprint("s", s) }))...)
	require.NoError(t, err)
	x := got.GetGroups()[0]
	assert.Equal(t, []int32{20, 4}, []int32{x.GetCells(), x.GetBlocks()})
	assert.Equal(t, int32(12), x.GetEqualNumber(), "0.6 of the cells, so that a session may be left out")
	d := x.GetDispersionAtEqualNumber()
	require.NotNil(t, d.Low)
	assert.Less(t, d.GetLow(), d.GetValue())
	assert.Greater(t, d.GetHigh(), d.GetValue())
	assert.Positive(t, d.GetDrawingSe(), "2,000 of C(20,12) subsets")

	got, err = ask(t, stream(100, rows(func(int) string { return "" }))...)
	require.NoError(t, err)
	x = got.GetGroups()[0]
	assert.Equal(t, []int32{5, 0}, []int32{x.GetCells(), x.GetBlocks()}, "without sessions, readings of one cell are averaged")
	assert.Zero(t, x.GetEqualNumber())
	assert.Nil(t, x.GetShadesAtEqualNumber(), "five cells are too few")
	sixth := row{"x", "", "", "cell 6", colorimetry.Lab{L: 10, A: 5, B: -20}}
	got, err = ask(t, stream(100, append(rows(func(int) string { return "" }), sixth))...)
	require.NoError(t, err)
	x = got.GetGroups()[0]
	assert.Equal(t, []int32{6, 0, 6}, []int32{x.GetCells(), x.GetBlocks(), x.GetEqualNumber()})
	assert.Nil(t, x.GetDispersionAtEqualNumber().Low, "without sessions no interval")
}

// Labels that sort the other way round than their indexes turn signs and sides, never the answer.
func TestPairsFollowIndexes(t *testing.T) {
	wide := rowsOf("z wide", "", "yarn", box()...)
	var half []colorimetry.Lab
	for _, c := range box() {
		half = append(half, colorimetry.Lab{L: c.L / 2, A: c.A / 2, B: c.B / 2})
	}
	got, err := ask(t, stream(100, append(wide, rowsOf("a narrow", "", "yarn", half[:7]...)...))...)
	require.NoError(t, err)
	p := got.GetPairs()[0]
	assert.Equal(t, []uint32{0, 1}, []uint32{p.GetGroupA(), p.GetGroupB()})
	assert.Equal(t, []int32{8, 7}, []int32{p.GetCellsA(), p.GetCellsB()})
	assert.InDelta(t, math.Log(2), p.GetMeanLogDispersionRatio(), 0.1, "half the size, one corner missing")
	assert.GreaterOrEqual(t, p.GetMeanShadeDifference(), 0.0)

	other, err := ask(t, stream(100, append(rowsOf("a narrow", "", "yarn", half[:7]...), wide...))...)
	require.NoError(t, err)
	q := other.GetPairs()[0]
	assert.Equal(t, -p.GetMeanLogDispersionRatio(), q.GetMeanLogDispersionRatio())
	assert.Equal(t, -p.GetMeanShadeDifference(), q.GetMeanShadeDifference())
	assert.Equal(t, []int32{p.GetGainA(), p.GetGainB()}, []int32{q.GetGainB(), q.GetGainA()})
}

func TestGroupsAreSortedByStratumThenGroup(t *testing.T) {
	rows := append(rowsOf("z", "", "yarn b", box()...), rowsOf("a", "", "yarn a", box()...)...)
	rows = append(rows, rowsOf("a", "", "yarn b", greys()...)...)
	got, err := ask(t, stream(5, rows)...)
	require.NoError(t, err)
	var order [][2]uint32
	for _, g := range got.GetGroups() {
		order = append(order, [2]uint32{g.GetStratum(), g.GetGroup()})
	}
	assert.Equal(t, [][2]uint32{{0, 0}, {0, 1}, {1, 1}}, order)
	assert.Equal(t, int32(1), got.GetPairs()[0].GetStrata(), "yarn a holds one group only")
	assert.True(t, got.GetPairs()[0].GetThin())
}

func TestNoRows(t *testing.T) {
	got, err := ask(t, stream(1, nil)...)
	require.NoError(t, err)
	assert.Empty(t, got.GetGroups())
	assert.Empty(t, got.GetPairs())
}

// What an answer takes at least is what one of a single grey takes, and two groups that meet nowhere.
func TestLeastOfAnAnswer(t *testing.T) {
	grey := []colorimetry.Lab{{L: 50}}
	for threshold, counts := range map[float64]int{5: 3, 10: 2} {
		got, err := ask(t, stream(9, append(rowsOf("x", "", "y", grey...), rowsOf("z", "", "w", grey...)...), func(h *palettev1.WidthsHeader) { h.ThresholdDe00 = threshold })...)
		require.NoError(t, err)
		require.Len(t, got.GetGroups()[0].GetShades(), counts)
		assert.Equal(t, framed(got.GetGroups()[0]), leastGroup(paramsOf(&palettev1.WidthsHeader{ThresholdDe00: threshold})))
		assert.Equal(t, framed(got.GetPairs()[0]), leastPair())
		assert.LessOrEqual(t, framed(got.GetGroups()[0]), framed(got.GetGroups()[1]))
	}
}

func TestSameStreamSameBytes(t *testing.T) {
	var rows []row
	for i := range 60 {
		x := float64(i)
		rows = append(rows, row{fmt.Sprint("g", i%3), fmt.Sprint("s", i%4), fmt.Sprint("y", i%2), fmt.Sprint("c", i),
			colorimetry.Lab{L: 50 + 30*math.Sin(x), A: 40 * math.Cos(2*x), B: 40 * math.Sin(3*x)}})
	}
	first, err := ask(t, stream(60, rows)...)
	require.NoError(t, err)
	second, err := ask(t, stream(7, rows)...)
	require.NoError(t, err)
	assert.Equal(t, moduletest.Bytes(t, first), moduletest.Bytes(t, second), "and chunks make no difference")
}

func TestRefuses(t *testing.T) {
	granted := debug.SetMemoryLimit(384 << 20) // as a core sets it for 512 MiB
	defer debug.SetMemoryLimit(granted)
	header := func(change func(*palettev1.WidthsHeader)) []*palettev1.MeasureWidthsRequest {
		return stream(9, rowsOf("x", "", "", greys()...), change)
	}
	for name, c := range map[string]struct {
		parts []*palettev1.MeasureWidthsRequest
		want  map[string]string
	}{
		"empty stream":       {nil, map[string]string{"header": "is missing: the stream is empty, want a header first"}},
		"threshold":          {header(func(h *palettev1.WidthsHeader) { h.ThresholdDe00 = 0.05 }), map[string]string{"header.threshold_de00": "is 0.05, want 0.1 to 100, or 0 for 5"}},
		"threshold NaN":      {header(func(h *palettev1.WidthsHeader) { h.ThresholdDe00 = math.NaN() }), map[string]string{"header.threshold_de00": "is NaN, want 0.1 to 100, or 0 for 5"}},
		"equal number":       {header(func(h *palettev1.WidthsHeader) { h.EqualNumber = 1 }), map[string]string{"header.equal_number": "is 1, want 2 to 500, or 0 for one chosen from the data"}},
		"equal number below": {header(func(h *palettev1.WidthsHeader) { h.EqualNumber = -3 }), map[string]string{"header.equal_number": "is -3, want 2 to 500, or 0 for one chosen from the data"}},
		"everything in the header": {header(func(h *palettev1.WidthsHeader) { h.Condition, h.ThresholdDe00, h.RowCount = nil, -1, -1 }), map[string]string{
			"header.condition": "is missing, want an illuminant and an observer", "header.row_count": "is -1, want 0 to 10000000",
			"header.threshold_de00": "is -1, want 0.1 to 100, or 0 for 5"}},
		"row count":          {header(func(h *palettev1.WidthsHeader) { h.RowCount = 9 }), map[string]string{"header.row_count": "is 9, but 8 rows came"}},
		"more rows than any": {header(func(h *palettev1.WidthsHeader) { h.RowCount = 10_000_001 }), map[string]string{"header.row_count": "is 10000001, want 0 to 10000000"}},
		"many rows and a fault": {header(func(h *palettev1.WidthsHeader) { h.RowCount, h.EqualNumber = 2_097_153, 1 }), map[string]string{
			"header.equal_number": "is 1, want 2 to 500, or 0 for one chosen from the data"}},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ask(t, c.parts...)
			assert.Equal(t, c.want, moduletest.Refused(t, err))
		})
	}
}

// More rows than there is memory for are no fault of a request. They are told by the header, before a row is taken: of these, 8 would have come.
func TestTooManyRows(t *testing.T) {
	granted := debug.SetMemoryLimit(384 << 20) // as a core sets it for 512 MiB
	defer debug.SetMemoryLimit(granted)
	_, err := ask(t, stream(9, rowsOf("x", "", "", greys()...), func(h *palettev1.WidthsHeader) { h.RowCount = 2_097_153 })...)
	assert.Equal(t, map[string]string{"header.row_count": "is 2097153, want at most 2097152: this method holds all rows, and the process is granted no memory for more"}, moduletest.TooMuch(t, err))
}

// Very many groups are no fault of a request, and too much for one answer.
func TestTooManyGroups(t *testing.T) {
	var rows []row
	for i := range maxGroupsWithRows + 1 {
		rows = append(rows, row{fmt.Sprint(i), "", "", "c", colorimetry.Lab{L: 50}})
	}
	_, err := ask(t, stream(1000, rows)...)
	assert.Equal(t, map[string]string{"header.labels.groups": "has 501 groups with rows, want at most 500: every pair of groups gets an answer"}, moduletest.TooMuch(t, err))
	_, err = ask(t, stream(1000, rows[1:])...)
	assert.NoError(t, err)
}

// Colours that differ by less than a volume can tell span no body: 1e-310 is a denormal number, and its cube isn't one.
func TestVolumeTooSmallForANumberIsNotSolid(t *testing.T) {
	const d = 1e-310
	for _, c := range []struct {
		side float64
		want palettev1.HullStatus
	}{{d, palettev1.HullStatus_HULL_STATUS_FLAT}, {1e-3, palettev1.HullStatus_HULL_STATUS_SOLID}} {
		got, err := ask(t, stream(9, rowsOf("x", "", "", colorimetry.Lab{}, colorimetry.Lab{L: c.side}, colorimetry.Lab{A: c.side}, colorimetry.Lab{B: c.side}))...)
		require.NoError(t, err)
		g := got.GetGroups()[0]
		assert.Equal(t, c.want, g.GetHullStatus())
		assert.InDelta(t, c.side*c.side*c.side/6, g.GetHullVolume(), 1e-24, "a corner of a cube")
	}
}

// The context ends after the last row has come, so it is the calculation that must see it.
func TestCalculationStopsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	_, err := measure(ctx, moduletest.Feed(stream(9, rowsOf("x", "", "", greys()...)), cancel))
	assert.Equal(t, codes.Canceled, status.Code(err), "%v", err)
}

func FuzzStream(f *testing.F) {
	f.Add([]byte{0}, 50.0, 1.0, -1.0, 5.0, int32(0), int64(4))
	f.Add([]byte{3, 0, 1, 0, 2, 1, 1, 1, 3, 9, 200, 1, 0}, 20.0, 40.0, 300.0, 0.0, int32(2), int64(12))
	f.Add([]byte{1, 1, 1, 1, 1, 1, 1, 1, 255, 254, 253, 252}, math.NaN(), math.Inf(1), math.Copysign(0, -1), math.NaN(), int32(-1), int64(-1))
	f.Add([]byte("a longer run of bytes that makes rows of many kinds"), 30.0, 10.0, 10.0, 2.5, int32(4), int64(51))
	f.Fuzz(func(t *testing.T, data []byte, l, a, b, threshold float64, equal int32, rowCount int64) {
		if len(data) > 64 {
			data = data[:64] // what is fuzzed is the checking
		}
		// Every byte is a row: its bits choose the labels and what is wrong with it.
		labels := &columnsv1.Labels{Groups: []string{"x", "y"}, Blocks: []string{"", "s1", "s2"}, Strata: []string{"", "yarn"}, Cells: []string{"c0", "c1", "c2", "c3"}}
		c := &columnsv1.ColourColumns{}
		parts := []*palettev1.MeasureWidthsRequest{{Part: &palettev1.MeasureWidthsRequest_Header{Header: &palettev1.WidthsHeader{
			Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_A, Observer: typesv1.Observer_OBSERVER_CIE_1931_2_DEGREE},
			Labels:    labels, RowCount: rowCount, ThresholdDe00: threshold, EqualNumber: equal}}}}
		flush := func() {
			parts = append(parts, &palettev1.MeasureWidthsRequest{Part: &palettev1.MeasureWidthsRequest_Columns{Columns: c}})
			c = &columnsv1.ColourColumns{}
		}
		for i, x := range data {
			c.ReadingId = append(c.ReadingId, fmt.Sprintf("%03d", i-int(x>>7)*int(x&3)))
			c.Group = append(c.Group, uint32(x&1))
			c.Block = append(c.Block, uint32(x>>1&3))
			c.Stratum = append(c.Stratum, uint32(x>>3&1))
			c.Cell = append(c.Cell, uint32(x>>4&3))
			c.L = append(c.L, l+float64(x>>4))
			c.A = append(c.A, a-float64(x&15))
			if x != 0xfe {
				c.B = append(c.B, b*float64(x)/64)
			}
			switch {
			case x%16 == 9:
				flush()
			case x == 0xff:
				parts = append(parts, parts[0])
			}
		}
		if len(c.GetReadingId()) > 0 {
			flush()
		}
		got, err := measure(context.Background(), moduletest.Feed(parts, func() {}))
		if err != nil {
			moduletest.Refused(t, err)
			return
		}
		sum := int32(0)
		for _, g := range got.GetGroups() {
			sum += g.GetReadings()
			for _, s := range g.GetShades() {
				if s.GetAtLeast() < 1 || s.GetAtLeast() > s.GetAtMost() || s.GetAtMost() > g.GetCells() {
					t.Fatalf("shades %v of %d cells", s, g.GetCells())
				}
			}
		}
		if int64(sum) != rowCount {
			t.Fatalf("%d readings for %d rows", sum, rowCount)
		}
		if bad := moduletest.NotFinite(got.ProtoReflect(), "answer"); bad != "" {
			t.Fatal(bad)
		}
	})
}
