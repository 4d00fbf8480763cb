package pipeline

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/encoding"
	wire "google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/sdk/packed"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
)

// Numbers of the fields that hold rows.
const (
	columnsField = 2 // of every request that takes rows in a stream: columns
	coloursField = 1 // of ScoredColumns: colours
)

// idText is the length of an id as a text, and idBytes with what stands before it.
const (
	idText  = 36
	idBytes = 2 + idText
)

// extent is how many bytes rows take as ColourColumns: each of the columns group, block, stratum and cell, and all together.
type extent struct {
	indexes [4]int
	all     int
}

func extentOf(rows []Row) (e extent) {
	for i := range rows {
		r := &rows[i]
		e.indexes[0] += protowire.SizeVarint(uint64(r.Group))
		e.indexes[1] += protowire.SizeVarint(uint64(r.Block))
		e.indexes[2] += protowire.SizeVarint(uint64(r.Stratum))
		e.indexes[3] += protowire.SizeVarint(uint64(r.Cell))
	}
	e.all = idBytes*len(rows) + 3*(1+protowire.SizeBytes(8*len(rows)))
	for _, size := range e.indexes {
		e.all += 1 + protowire.SizeBytes(size)
	}
	return e
}

// appendColours appends rows as ColourColumns are encoded, each byte once: as messages, a million rows would be made three times over before they are on their way.
// It is byte by byte what the library makes of columns(rows).
func appendColours(b []byte, rows []Row, e extent) []byte {
	b = slices.Grow(b, e.all)
	column := func(size int) []byte {
		b = b[:len(b)+size]
		return b[len(b)-size:]
	}
	ids := column(idBytes * len(rows))
	var indexes [4][]byte
	for k, size := range e.indexes {
		b = head(b, protowire.Number(2+k), size)
		indexes[k] = column(size)
	}
	var figures [3][]byte
	for k := range figures {
		b = head(b, protowire.Number(6+k), 8*len(rows))
		figures[k] = column(8 * len(rows))
	}
	for i := range rows {
		r := &rows[i]
		putID((*[idBytes]byte)(ids[idBytes*i:]), &r.ReadingID)
		for k, x := range [...]uint32{r.Group, r.Block, r.Stratum, r.Cell} {
			rest := indexes[k]
			for ; x >= 0x80; x >>= 7 {
				rest[0], rest = byte(x)|0x80, rest[1:]
			}
			rest[0], indexes[k] = byte(x), rest[1:]
		}
		for k, x := range [...]float64{r.Lab.L, r.Lab.A, r.Lab.B} {
			binary.LittleEndian.PutUint64(figures[k][8*i:], math.Float64bits(x))
		}
	}
	return b
}

// pairs are the two hexadecimal digits of each byte.
var pairs = func() (out [256][2]byte) {
	for i := range out {
		copy(out[i][:], fmt.Sprintf("%02x", i))
	}
	return out
}()

// putID writes the field of an id, with its text as uuid.UUID.String writes it.
func putID(b *[idBytes]byte, id *uuid.UUID) {
	b[0], b[1] = 1<<3|byte(protowire.BytesType), idText
	b[10], b[15], b[20], b[25] = '-', '-', '-', '-'
	for i, at := range [...]int{2, 4, 6, 8, 11, 13, 16, 18, 21, 23, 26, 28, 30, 32, 34, 36} {
		b[at], b[at+1] = pairs[id[i]][0], pairs[id[i]][1]
	}
}

// head appends what stands before a message of a size in the field of another one.
func head(b []byte, field protowire.Number, size int) []byte {
	return protowire.AppendVarint(protowire.AppendTag(b, field, protowire.BytesType), uint64(size))
}

// encoded is a request that is encoded already. rowCodec sends it, which gives the bytes back to packed.Buffers.
type encoded struct{ bytes *[]byte }

// withRows is the option of every call that rows are sent in.
var withRows = grpc.ForceCodecV2(rowCodec{encoding.GetCodecV2(wire.Name)})

// rowCodec is gRPC's own codec of protocol buffers, and hands encoded requests on without another copy.
type rowCodec struct{ encoding.CodecV2 }

// Marshal gives the bytes of v.
func (c rowCodec) Marshal(v any) (mem.BufferSlice, error) {
	if e, ok := v.(encoded); ok {
		return mem.BufferSlice{mem.NewBuffer(e.bytes, packed.Buffers)}, nil
	}
	return c.CodecV2.Marshal(v)
}

// sendRows sends rows in requests of at most sentBytes whose columns are theirs; each is on its way while the rows of the next are made. An io.EOF of sendMsg
// ends it without an error: the stream's own status then tells why.
func sendRows(rows Rows, sendMsg func(any) error) error {
	part := make([]Row, 0, min(chunkRows, rows.Len()))
	var err error
	send := func() bool {
		e := extentOf(part)
		request := packed.Buffers.Get(0)
		*request = appendColours(head(*request, columnsField, e.all), part, e)
		part, err = part[:0], sendMsg(encoded{request})
		return err == nil
	}
	for row := range rows.All() {
		if part = append(part, row); len(part) == chunkRows && !send() {
			break
		}
	}
	if err == nil && len(part) > 0 {
		send()
	}
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

// sendScored sends rows with what is asked for beside them, as sendRows does.
func sendScored(rows []Row, ages, spectra bool, sendMsg func(any) error) error {
	return cutScored(rows, sentBytes, ages, spectra, func(part []Row) (err error) {
		request := packed.Buffers.Get(0)
		if *request, err = appendScored(*request, columnsField, part, ages, spectra); err != nil {
			return err
		}
		return sendMsg(encoded{request})
	})
}

// EncodedChunks is ScoredChunks with the chunks encoded, by the deterministic encoding, as a field of another message. send gets each with its number of rows,
// and must not keep it.
func EncodedChunks(rows []Row, ages, spectra bool, field protowire.Number, send func(scored []byte, rows int) error) error {
	chunk := packed.Buffers.Get(0)
	defer packed.Buffers.Put(chunk)
	return cutScored(rows, chunkBytes, ages, spectra, func(part []Row) (err error) {
		if *chunk, err = appendScored((*chunk)[:0], field, part, ages, spectra); err != nil {
			return err
		}
		return send(*chunk, len(part))
	})
}

// appendScored appends rows as ScoredColumns in a field of another message.
func appendScored(b []byte, field protowire.Number, part []Row, ages, spectra bool) ([]byte, error) {
	var more []byte
	if ages || spectra {
		var err error
		if more, err = (proto.MarshalOptions{Deterministic: true}).Marshal(beside(part, ages, spectra)); err != nil {
			return b, err
		}
	}
	e := extentOf(part)
	b = head(b, field, 1+protowire.SizeBytes(e.all)+len(more))
	return append(appendColours(head(b, coloursField, e.all), part, e), more...), nil
}

// beside are the columns beside the colours.
func beside(part []Row, ages, spectra bool) *palettev2.ScoredColumns {
	out := &palettev2.ScoredColumns{}
	if ages {
		out.AgeDays = make([]float64, len(part))
		for i, r := range part {
			out.AgeDays[i] = r.AgeDays
		}
	}
	if spectra {
		s := &palettev2.SpectrumColumns{StartNm: 400, StepNm: 10, Count: 31, Known: make([]bool, len(part))}
		for i, r := range part {
			one, ok := within(r.Spectrum)
			if s.Known[i] = ok; ok {
				s.StartNm, s.StepNm, s.Count = one.StartNm, one.StepNm, int32(len(one.Reflectance))
				s.Reflectance = append(s.Reflectance, one.Reflectance...)
			}
		}
		out.Spectra = s
	}
	return out
}

// cut hands rows on in runs of at most so many bytes, by the size of a row; apart, which may be nil, tells that a row can't be in one run with those before it.
func cut(rows []Row, most int, bytes func(*Row) int, apart func(run []Row, row *Row) bool, send func([]Row) error) error {
	for start := 0; start < len(rows); {
		size, end := frameBytes, start
		for end < len(rows) && (end == start || size+bytes(&rows[end]) <= most && (apart == nil || !apart(rows[start:end], &rows[end]))) {
			size += bytes(&rows[end])
			end++
		}
		if err := send(rows[start:end]); err != nil {
			if errors.Is(err, io.EOF) {
				return nil
			}
			return err
		}
		start = end
	}
	return nil
}
