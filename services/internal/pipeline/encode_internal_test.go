package pipeline

import (
	"errors"
	"io"
	"math"
	"strconv"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// manyRows have indexes of one to five bytes, and some ages and spectra on two grids.
func manyRows(n int) (rows []Row) {
	for i := range n {
		r := Row{
			ReadingID: uuid.NewSHA1(uuid.Nil, strconv.AppendInt(nil, int64(i), 10)), Group: uint32(i % 3), Block: uint32(i), Stratum: uint32(i * i), Cell: math.MaxUint32 - uint32(i),
			Lab: trial.Lab{L: float64(i) / 7, A: -float64(i), B: math.Copysign(0, -1)}, AgeDays: float64(i%5 - 1),
		}
		if i%3 > 0 {
			r.Spectrum = &trial.Spectrum{StartNm: 400, StepNm: float64(5 * (1 + i/1000%2)), Reflectance: make([]float64, 31)}
		}
		rows = append(rows, r)
	}
	return rows
}

// What is sent and kept is byte by byte what the library makes of the messages, by its deterministic encoding.
func TestRowsAreEncodedAsTheLibraryDoes(t *testing.T) {
	rows := manyRows(20_000)
	for _, with := range [][2]bool{{false, false}, {true, false}, {false, true}, {true, true}} {
		var want [][]byte
		require.NoError(t, ScoredChunks(rows, with[0], with[1], func(c *palettev2.ScoredColumns) error {
			body, err := (proto.MarshalOptions{Deterministic: true}).Marshal(&palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Columns{Columns: c}})
			want = append(want, body)
			assert.LessOrEqual(t, proto.Size(c.GetColours()), chunkBytes)
			return err
		}))
		require.Greater(t, len(want), 1)
		sum, at := 0, 0
		require.NoError(t, EncodedChunks(rows, with[0], with[1], columnsField, func(scored []byte, n int) error {
			require.Equal(t, want[at], scored)
			sum, at = sum+n, at+1
			return nil
		}))
		assert.Equal(t, []int{len(want), len(rows)}, []int{at, sum})
	}

	sent := 0
	require.NoError(t, sendRows(RowList(rows), func(m any) error {
		body := *m.(encoded).bytes
		assert.LessOrEqual(t, len(body), sentBytes)
		got := &palettev1.MeasureWidthsRequest{}
		require.NoError(t, proto.Unmarshal(body, got))
		n := len(got.GetColumns().GetReadingId())
		require.True(t, proto.Equal(columns(rows[sent:sent+n]), got.GetColumns()))
		require.Empty(t, got.ProtoReflect().GetUnknown())
		sent += n
		return nil
	}))
	assert.Equal(t, len(rows), sent)
}

func TestSendingEndsWithItsStream(t *testing.T) {
	rows := manyRows(20_000)
	sent := 0
	require.NoError(t, sendRows(RowList(rows), func(any) error { sent++; return io.EOF }), "the stream's status tells why")
	assert.Equal(t, 1, sent)
	gone := errors.New("gone")
	require.ErrorIs(t, sendRows(RowList(rows), func(any) error { return gone }), gone)
	require.ErrorIs(t, sendScored(rows, true, true, func(any) error { return gone }), gone)
}
