package compare

import (
	"context"
	"fmt"
	"math"
	"slices"
	"testing"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

type row struct {
	group, block, cell int
	lab                colorimetry.Lab
}

// stream makes the messages for rows of two orders over so many sessions, in chunks of the given number of rows.
func stream(chunk, sessions int, rows []row, change ...func(*comparev1.CompareHeader)) []*comparev1.CompareOrdersRequest {
	labels := &columnsv1.Labels{Groups: []string{"vat last", "vat first"}, Blocks: []string{""}, Strata: []string{"weld and woad"},
		Cells: []string{"pale", "medium", "deep"}}
	for s := range sessions {
		labels.Blocks = append(labels.Blocks, fmt.Sprint("s", s+1))
	}
	h := &comparev1.CompareHeader{
		Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE},
		Labels:    labels, RowCount: int64(len(rows)), Seed: 11,
	}
	for _, f := range change {
		f(h)
	}
	out := []*comparev1.CompareOrdersRequest{{Part: &comparev1.CompareOrdersRequest_Header{Header: h}}}
	for start := 0; start < len(rows); start += chunk {
		c := &columnsv1.ColourColumns{}
		for i, r := range rows[start:min(start+chunk, len(rows))] {
			c.ReadingId = append(c.ReadingId, fmt.Sprintf("r%05d", start+i))
			c.Group, c.Block = append(c.Group, uint32(r.group)), append(c.Block, uint32(r.block))
			c.Stratum, c.Cell = append(c.Stratum, 0), append(c.Cell, uint32(r.cell))
			c.L, c.A, c.B = append(c.L, r.lab.L), append(c.A, r.lab.A), append(c.B, r.lab.B)
		}
		out = append(out, &comparev1.CompareOrdersRequest{Part: &comparev1.CompareOrdersRequest_Columns{Columns: c}})
	}
	return out
}

// sessions holds two cells of both orders in each session, invented: vat last at L* 50 +- 20, vat first at 50 +- 2, with some noise
// of the pots. Any swap of a session, short of swapping all, brings the two spreads nearer to each other, so of the 2^B arrangements
// only the observed one and its mirror image are as extreme: p = 2/2^B.
func sessions(n int) []row {
	var out []row
	for s := range n {
		noise := 0.3 * math.Sin(float64(s))
		for cell, sign := range []float64{-1, 1} {
			out = append(out,
				row{0, s + 1, cell, colorimetry.Lab{L: 50 + 20*sign + noise, A: 5}},
				row{1, s + 1, cell, colorimetry.Lab{L: 50 + 2*sign - noise, A: -5}})
		}
	}
	return out
}

func closing(n int32) func(*comparev1.CompareHeader) {
	return func(h *comparev1.CompareHeader) { h.ClosingSessions = n }
}

func ask(t *testing.T, parts ...*comparev1.CompareOrdersRequest) (*comparev1.CompareOrdersResponse, error) {
	client := comparev1.NewCompareServiceClient(plugintest.Dial(t, Module()))
	return moduletest.Ask(t.Context(), func(ctx context.Context) (comparev1.CompareService_CompareOrdersClient, error) {
		return client.CompareOrders(ctx)
	}, parts...)
}

func TestExactP(t *testing.T) {
	for _, b := range []int{6, 8, 10} {
		got, err := ask(t, stream(5, b, sessions(b), closing(int32(b)))...)
		require.NoError(t, err)
		assert.Equal(t, comparev1.Verdict_VERDICT_FIRST_WIDER, got.GetVerdict(), got.GetStatement())
		assert.Equal(t, 2/math.Exp2(float64(b)), got.GetP())
		assert.Equal(t, got.GetP(), got.GetPAdjusted(), "one comparison")
		assert.Equal(t, int64(1)<<b, got.GetArrangements())
		assert.True(t, got.GetExact())
		assert.Equal(t, []int32{int32(b), int32(b), int32(2 * b)}, []int32{got.GetCompleteSessions(), got.GetUsedSessions(), got.GetMatchedCells()})
		assert.InDelta(t, 20, got.GetDispersionFirst(), 0.05)
		assert.InDelta(t, 2, got.GetDispersionSecond(), 0.05)
		assert.InDelta(t, math.Log(got.GetDispersionFirst()/got.GetDispersionSecond()), got.GetLogRatio(), 1e-12)
		assert.NotNil(t, got.LogRatioSe)
		assert.NotNil(t, got.HullP)
		assert.Equal(t, 2.0, got.GetMeanShadesFirst(), "two colours 40 apart in each session")
		assert.Equal(t, 1.0, got.GetMeanShadesSecond(), "two colours 4 apart in each session")
		assert.Empty(t, got.GetUnmatched())
		assert.Contains(t, got.GetStatement(), "vat last is wider")
		assert.Equal(t, uint64(11), got.GetSeed())
	}
}

func TestTheOtherOrder(t *testing.T) {
	got, err := ask(t, stream(5, 6, sessions(6), closing(6), func(h *comparev1.CompareHeader) { slices.Reverse(h.GetLabels().Groups) })...)
	require.NoError(t, err)
	assert.Contains(t, got.GetStatement(), "vat first is wider", "the label went with the index")

	rows := sessions(6)
	for i := range rows {
		rows[i].group = 1 - rows[i].group
	}
	got, err = ask(t, stream(5, 6, rows, closing(6))...)
	require.NoError(t, err)
	assert.Equal(t, comparev1.Verdict_VERDICT_SECOND_WIDER, got.GetVerdict())
	assert.Negative(t, got.GetLogRatio())
}

func TestManySessionsAreDrawn(t *testing.T) {
	got, err := ask(t, stream(50, 20, sessions(20), closing(20))...)
	require.NoError(t, err)
	assert.False(t, got.GetExact())
	assert.Equal(t, int64(9999), got.GetArrangements())
	// Phipson & Smyth (2010): (b+1)/(M+1), here with b the draws of one of 2 among 2^20 arrangements.
	assert.LessOrEqual(t, got.GetP(), 3.0/10000)
	assert.GreaterOrEqual(t, got.GetP(), 1.0/10000)
}

func TestExploratoryHasNoP(t *testing.T) {
	got, err := ask(t, stream(5, 8, sessions(8))...)
	require.NoError(t, err)
	assert.Equal(t, comparev1.Verdict_VERDICT_EXPLORATORY, got.GetVerdict())
	assert.Nil(t, got.P)
	assert.Nil(t, got.PAdjusted)
	assert.Nil(t, got.HullP)
	assert.Zero(t, got.GetArrangements())
	assert.NotNil(t, got.LogRatio)
	assert.Contains(t, got.GetStatement(), "exploratory")
}

func TestNotEnoughYet(t *testing.T) {
	got, err := ask(t, stream(5, 5, sessions(5), closing(8))...)
	require.NoError(t, err)
	assert.Equal(t, comparev1.Verdict_VERDICT_NOT_ENOUGH_YET, got.GetVerdict())
	require.Len(t, got.GetMissing(), 1)
	assert.Equal(t, "sessions", got.GetMissing()[0].GetWhat())
	assert.Equal(t, int32(3), got.GetMissing()[0].GetCount())
	assert.Contains(t, got.GetStatement(), "not enough yet: 3 more sessions")
	assert.Nil(t, got.P)

	// One recipe only: its spread is the noise between sessions.
	rows := slices.DeleteFunc(sessions(6), func(r row) bool { return r.cell == 1 })
	got, err = ask(t, stream(5, 6, rows, closing(6))...)
	require.NoError(t, err)
	assert.Equal(t, comparev1.Verdict_VERDICT_NOT_ENOUGH_YET, got.GetVerdict())
	require.Len(t, got.GetMissing(), 1)
	assert.Equal(t, "cells", got.GetMissing()[0].GetWhat())
	assert.Equal(t, int32(1), got.GetMissing()[0].GetCount())
	assert.NotEmpty(t, got.GetMissing()[0].GetText())
}

// The first complete sessions in the order of labels.blocks count, not those whose label sorts first.
func TestFirstSessionsInTheOrderOfLabels(t *testing.T) {
	rows := sessions(8)
	for i := range rows {
		if rows[i].block > 6 && rows[i].group == 0 {
			rows[i].lab.L = 50 // the last two sessions would narrow the first order
		}
	}
	got, err := ask(t, stream(50, 8, rows, closing(6), func(h *comparev1.CompareHeader) { slices.Reverse(h.GetLabels().Blocks[1:]) })...)
	require.NoError(t, err)
	assert.Equal(t, int32(8), got.GetCompleteSessions())
	assert.Equal(t, int32(6), got.GetUsedSessions())
	assert.InDelta(t, 20, got.GetDispersionFirst(), 0.05)
	assert.Equal(t, 2/64.0, got.GetP())
}

func TestUnmatchedCellsAreNamed(t *testing.T) {
	rows := append(sessions(6), row{0, 1, 2, colorimetry.Lab{L: 30}}, row{1, 0, 2, colorimetry.Lab{L: 31}})
	got, err := ask(t, stream(50, 6, rows, closing(6))...)
	require.NoError(t, err)
	assert.Equal(t, comparev1.Verdict_VERDICT_FIRST_WIDER, got.GetVerdict())
	assert.ElementsMatch(t, []string{
		"deep, vat last, session s1: no partner in this session",
		"deep, vat first, no session: session not stated",
	}, got.GetUnmatched())
}

func TestSeveralComparisons(t *testing.T) {
	got, err := ask(t, stream(50, 8, sessions(8), closing(8), func(h *comparev1.CompareHeader) { h.Comparisons = 3 })...)
	require.NoError(t, err)
	assert.Equal(t, 2/256.0, got.GetP())
	assert.InDelta(t, 3*2/256.0, got.GetPAdjusted(), 1e-15, "Holm 1979: the smallest of three is multiplied by three")
}

func TestNoRows(t *testing.T) {
	got, err := ask(t, stream(1, 0, nil)...)
	require.NoError(t, err)
	assert.Equal(t, comparev1.Verdict_VERDICT_EXPLORATORY, got.GetVerdict())
	assert.NotEmpty(t, got.GetStatement())
	assert.Nil(t, got.LogRatio)
}

func TestSameStreamSameBytes(t *testing.T) {
	for _, b := range []int{7, 18} { // counted out, drawn
		first, err := ask(t, stream(100, b, sessions(b), closing(int32(b)))...)
		require.NoError(t, err)
		second, err := ask(t, stream(3, b, sessions(b), closing(int32(b)))...)
		require.NoError(t, err)
		assert.Equal(t, moduletest.Bytes(t, first), moduletest.Bytes(t, second), "and chunks make no difference")
	}
}

func TestRefuses(t *testing.T) {
	header := func(change func(*comparev1.CompareHeader)) []*comparev1.CompareOrdersRequest {
		return stream(50, 6, sessions(6), change)
	}
	for name, c := range map[string]struct {
		parts []*comparev1.CompareOrdersRequest
		want  map[string]string
	}{
		"empty stream": {nil, map[string]string{"header": "is missing: the stream is empty, want a header first"}},
		"one group": {header(func(h *comparev1.CompareHeader) { h.Labels.Groups = []string{"a"} }),
			map[string]string{"header.labels.groups": "has 1 labels, want exactly 2"}},
		"three groups": {header(func(h *comparev1.CompareHeader) { h.Labels.Groups = []string{"a", "b", "c"} }),
			map[string]string{"header.labels.groups": "has 3 labels, want exactly 2"}},
		"group not stated": {header(func(h *comparev1.CompareHeader) { h.Labels.Groups[1] = "" }),
			map[string]string{"header.labels.groups[1]": `is "", want a text that is not empty`}},
		"figures": {header(func(h *comparev1.CompareHeader) {
			h.ThresholdDe00, h.Alpha, h.MarginRatio, h.ClosingSessions, h.Comparisons = 101, math.NaN(), 1, 5, 1001
		}), map[string]string{
			"header.threshold_de00":   "is 101, want 0.1 to 100, or 0 for 5",
			"header.alpha":            "is NaN, want 0.0001 to 0.5, or 0 for 0.05",
			"header.margin_ratio":     "is 1, want 1.001 to 10, or 0 for 1.1",
			"header.closing_sessions": "is 5, want 6 to 200, or 0 for an exploratory question",
			"header.comparisons":      "is 1001, want 0 to 1000"}},
		"negative": {header(func(h *comparev1.CompareHeader) { h.ClosingSessions, h.Comparisons, h.Alpha = -1, -1, -0.05 }), map[string]string{
			"header.closing_sessions": "is -1, want 6 to 200, or 0 for an exploratory question",
			"header.comparisons":      "is -1, want 0 to 1000",
			"header.alpha":            "is -0.05, want 0.0001 to 0.5, or 0 for 0.05"}},
		"everything missing": {[]*comparev1.CompareOrdersRequest{{Part: &comparev1.CompareOrdersRequest_Header{Header: &comparev1.CompareHeader{}}}}, map[string]string{
			"header.condition": "is missing, want an illuminant and an observer",
			"header.labels":    "is missing, want groups, blocks, strata and cells"}},
		"row count": {header(func(h *comparev1.CompareHeader) { h.RowCount++ }), map[string]string{"header.row_count": "is 25, but 24 rows came"}},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ask(t, c.parts...)
			assert.Equal(t, c.want, moduletest.Refused(t, err))
		})
	}
}

// The context ends after the last row has come, so it is the calculation that must see it.
func TestCalculationStopsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	_, err := compareOrders(ctx, moduletest.Feed(stream(50, 16, sessions(16), closing(16)), cancel))
	assert.Equal(t, codes.Canceled, status.Code(err), "%v", err)
}

func FuzzStream(f *testing.F) {
	f.Add([]byte{0}, 50.0, 1.0, -1.0, 0.0, 0.0, int32(0), int32(0), int64(1))
	f.Add([]byte("session after session, six of them or more"), 20.0, 1.0, 0.5, 0.05, 1.1, int32(6), int32(2), int64(42))
	f.Add([]byte{0, 1, 4, 5, 8, 9, 12, 13, 16, 17, 20, 21, 24, 25, 33, 34}, 40.0, 2.0, 1.0, 0.5, 10.0, int32(6), int32(1), int64(16))
	f.Add([]byte{255, 254, 128, 127}, math.NaN(), math.Inf(-1), 1e300, math.NaN(), -1.0, int32(-1), int32(-1), int64(-1))
	f.Fuzz(func(t *testing.T, data []byte, l, a, b, alpha, margin float64, closing, comparisons int32, rowCount int64) {
		if len(data) > 64 {
			data = data[:64]
		}
		var rows []row
		wrong := -1
		for i, x := range data {
			rows = append(rows, row{int(x & 1), int(x >> 2 & 7), int(x >> 1 & 3), colorimetry.Lab{L: l + float64(x>>3), A: a * float64(x&7), B: b - float64(i)}})
			if x == 0xff {
				wrong = i
			}
		}
		parts := stream(11, 7, rows, func(h *comparev1.CompareHeader) {
			h.Alpha, h.MarginRatio, h.ClosingSessions, h.Comparisons, h.RowCount = alpha, margin, closing, comparisons, rowCount
		})
		if wrong >= 0 {
			parts = slices.Insert(parts, 1+wrong%len(parts), parts[wrong%len(parts)], &comparev1.CompareOrdersRequest{})
		}
		got, err := compareOrders(context.Background(), moduletest.Feed(parts, func() {}))
		if err != nil {
			moduletest.Refused(t, err)
			return
		}
		if got.GetVerdict() == comparev1.Verdict_VERDICT_UNSPECIFIED || got.GetStatement() == "" {
			t.Fatalf("no verdict: %v", got)
		}
		if (got.P != nil) != (got.GetVerdict() > comparev1.Verdict_VERDICT_NOT_ENOUGH_YET) {
			t.Fatalf("p %v with verdict %v", got.GetP(), got.GetVerdict())
		}
		if got.GetVerdict() == comparev1.Verdict_VERDICT_NOT_ENOUGH_YET && len(got.GetMissing()) == 0 {
			t.Fatal("nothing is missing, and yet not enough")
		}
		if bad := moduletest.NotFinite(got.ProtoReflect(), "answer"); bad != "" {
			t.Fatal(bad)
		}
	})
}
