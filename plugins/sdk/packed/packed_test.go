package packed

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/proto"

	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

func some(rows int) *columnsv1.ColourColumns {
	c := &columnsv1.ColourColumns{}
	for i := range rows {
		c.ReadingId = append(c.ReadingId, fmt.Sprintf("%0*d", 1+i%40, i))
		c.Group, c.Block, c.Stratum, c.Cell = append(c.Group, uint32(i%3)), append(c.Block, uint32(i)), append(c.Stratum, uint32(i*i)), append(c.Cell, math.MaxUint32-uint32(i))
		c.L, c.A, c.B = append(c.L, float64(i)/7), append(c.A, math.Inf(1)), append(c.B, -float64(i))
	}
	return c
}

// What is read is what the usual codec reads, from every message that holds columns; the library is the check.
func TestCodecReadsWhatTheLibraryReads(t *testing.T) {
	colours := some(1000)
	scored := &palettev2.ScoredColumns{Colours: colours, AgeDays: []float64{1, -1}, Spectra: &palettev2.SpectrumColumns{StartNm: 400, Known: []bool{true}}}
	for name, m := range map[string]proto.Message{
		"widths":  &palettev1.MeasureWidthsRequest{Part: &palettev1.MeasureWidthsRequest_Columns{Columns: colours}},
		"scores":  &palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Columns{Columns: &palettev2.ScoredColumns{Colours: colours}}},
		"beside":  &palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Columns{Columns: scored}},
		"compare": &comparev1.CompareWatersRequest{Part: &comparev1.CompareWatersRequest_Columns{Columns: colours}},
		"header": &palettev1.MeasureWidthsRequest{Part: &palettev1.MeasureWidthsRequest_Header{Header: &palettev1.WidthsHeader{
			Condition: &typesv1.ColourCondition{Illuminant: 1}, Labels: &columnsv1.Labels{Groups: []string{"", "x"}, Blocks: []string{""}, Strata: []string{"ü", strings.Repeat("y", 300)}, Cells: colours.GetReadingId()},
			Seed: 7}}},
	} {
		body, err := proto.Marshal(m)
		require.NoError(t, err)
		require.Greater(t, len(body), leastBytes)
		got := m.ProtoReflect().New().Interface()
		assert.True(t, within(body, got.ProtoReflect(), mostDeep), "%s is read quickly", name)
		used := m.ProtoReflect().New().Interface()
		require.NoError(t, proto.Unmarshal(body, used))
		for range 2 { // into a message that holds something, too
			require.NoError(t, NewCodec().Unmarshal(mem.BufferSlice{mem.SliceBuffer(body[:5]), mem.SliceBuffer(body[5:])}, used))
			assert.True(t, proto.Equal(m, used), name)
		}
		assert.Error(t, NewCodec().Unmarshal(mem.BufferSlice{mem.SliceBuffer(body[:len(body)-1])}, used), name)
	}
}

// What isn't read quickly is left to the library, whatever it makes of it.
func TestReadRefuses(t *testing.T) {
	packed := func(tag byte, content ...byte) []byte { return append([]byte{tag, byte(len(content))}, content...) }
	for name, b := range map[string][]byte{
		"an index not packed":        {2 << 3, 1},
		"a column in two parts":      append(packed(2<<3|2, 1), packed(2<<3|2, 2)...),
		"ids in two parts":           append(append(packed(1<<3|2, 'a'), packed(2<<3|2, 1)...), packed(1<<3|2, 'b')...),
		"an unknown field":           packed(9<<3|2, 1),
		"a long tag":                 {0x92, 0x80, 0, 1, 1},
		"an id that isn't text":      packed(1<<3|2, 0xff),
		"a long id":                  append([]byte{1<<3 | 2, 0x80, 1}, make([]byte, 128)...),
		"an id that is cut":          {1<<3 | 2, 5, 'a'},
		"an id without its length":   {1<<3 | 2},
		"an index that is cut":       packed(2<<3|2, 0x80),
		"an index too large":         packed(2<<3|2, 0xff, 0xff, 0xff, 0xff, 0x1f),
		"an index without an end":    packed(2<<3|2, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 0x80, 1),
		"a double that is cut":       packed(6<<3|2, 1, 2, 3),
		"a column longer than it is": {2<<3 | 2, 200, 1},
		"a length without an end":    {2<<3 | 2, 0x80},
	} {
		assert.False(t, Read(b, &columnsv1.ColourColumns{}), name)
	}
}

func TestReadLabelsRefuses(t *testing.T) {
	for name, b := range map[string][]byte{
		"groups in two parts":        {1<<3 | 2, 1, 'a', 2<<3 | 2, 0, 1<<3 | 2, 1, 'b'},
		"an unknown field":           {5<<3 | 2, 1, 'a'},
		"a number":                   {1 << 3, 1},
		"a label that isn't text":    {1<<3 | 2, 1, 0xff},
		"a text cut within a letter": {1<<3 | 2, 1, 0xc3, 1<<3 | 2, 1, 0xbc},
		"a label that is cut":        {1<<3 | 2, 5, 'a'},
		"a label without its length": {1<<3 | 2},
		"a long tag":                 {0x8a, 0x80, 0, 1, 'a'},
	} {
		assert.False(t, ReadLabels(b, &columnsv1.Labels{}), name)
	}
}

// Fields that come twice, and the other one of a oneof before or behind, are put together as the library puts them.
func TestCodecPutsPartsTogether(t *testing.T) {
	large := &palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Columns{Columns: &palettev2.ScoredColumns{Colours: some(500)}}}
	for name, beside := range map[string]*palettev2.ScorePalettesRequest{
		"the same field": {Part: &palettev2.ScorePalettesRequest_Columns{Columns: &palettev2.ScoredColumns{Colours: some(3), AgeDays: []float64{1}}}},
		"another one":    {Part: &palettev2.ScorePalettesRequest_Header{Header: &palettev2.ScoresHeader{Seed: 3}}},
		"nothing":        {},
	} {
		for _, order := range [][]proto.Message{{large, beside}, {beside, large}, {large, large}} {
			var body []byte
			for _, m := range order {
				var err error
				body, err = proto.MarshalOptions{}.MarshalAppend(body, m)
				require.NoError(t, err)
			}
			want, got := &palettev2.ScorePalettesRequest{}, &palettev2.ScorePalettesRequest{}
			require.NoError(t, proto.Unmarshal(body, want))
			require.NoError(t, NewCodec().Unmarshal(mem.BufferSlice{mem.SliceBuffer(body)}, got))
			assert.True(t, proto.Equal(want, got), name)
		}
	}
}

// Whatever request is read quickly is what the library reads.
func FuzzWithin(f *testing.F) {
	labels := &columnsv1.Labels{Groups: []string{"a", "b"}, Strata: []string{""}, Cells: []string{"c", strings.Repeat("d", 200)}}
	for _, m := range []*palettev2.ScorePalettesRequest{
		{Part: &palettev2.ScorePalettesRequest_Header{Header: &palettev2.ScoresHeader{Labels: labels, Seed: 2, Scores: []string{"s"}}}},
		{Part: &palettev2.ScorePalettesRequest_Columns{Columns: &palettev2.ScoredColumns{Colours: some(9), AgeDays: []float64{3}}}},
		{Part: &palettev2.ScorePalettesRequest_Relabelling{Relabelling: &palettev2.Relabelling{Group: []uint32{1, 0}}}},
	} {
		body, err := proto.Marshal(m)
		require.NoError(f, err)
		f.Add(body)
		f.Add(append(body, body...))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		got, want := &palettev2.ScorePalettesRequest{}, &palettev2.ScorePalettesRequest{}
		if !within(b, got.ProtoReflect(), mostDeep) {
			return
		}
		require.NoError(t, proto.Unmarshal(b, want))
		again, err := proto.MarshalOptions{Deterministic: true}.Marshal(got) // compares doubles that are no number, too
		require.NoError(t, err)
		expected, err := proto.MarshalOptions{Deterministic: true}.Marshal(want)
		require.NoError(t, err)
		require.Equal(t, expected, again)
	})
}

// Whatever is read quickly is what the library reads.
func FuzzRead(f *testing.F) {
	for _, rows := range []int{0, 1, 2, 50} {
		body, err := proto.Marshal(some(rows))
		require.NoError(f, err)
		f.Add(body)
	}
	f.Add([]byte{2<<3 | 2, 3, 0x80, 0, 1})
	f.Fuzz(func(t *testing.T, b []byte) {
		got, want := &columnsv1.ColourColumns{}, &columnsv1.ColourColumns{}
		if !Read(b, got) {
			return
		}
		require.NoError(t, proto.Unmarshal(b, want))
		require.Equal(t, want.GetReadingId(), got.GetReadingId())
		again, err := proto.Marshal(got) // compares doubles that are no number, too
		require.NoError(t, err)
		expected, err := proto.Marshal(want)
		require.NoError(t, err)
		require.Equal(t, expected, again)
	})
}
