package pipeline

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"sync"

	"github.com/google/uuid"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/emptypb"

	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
)

// Numbers of the fields that hold rows.
const (
	columnsField = 2 // of every request that takes rows in a stream: columns
	coloursField = 1 // of ScoredColumns: colours
)

// encoder writes rows as ColourColumns are encoded, each byte once and into room that is used again: as messages, a million rows would be made three times over
// before they are on their way.
type encoder struct {
	rows    []Row
	size    int    // of the encoding of rows
	indexes [4]int // bytes of the columns group, block, stratum and cell
	out     []byte
}

var encoders = sync.Pool{New: func() any { return &encoder{} }}

// idText is the length of an id as a text, and idBytes with what stands before it.
const (
	idText  = 36
	idBytes = 2 + idText
)

// take looks at the rows of a chunk and returns the length of their encoding.
func (e *encoder) take(rows []Row) (size int) {
	e.rows = rows
	var n [4]int
	for i := range rows {
		r := &rows[i]
		n[0] += protowire.SizeVarint(uint64(r.Group))
		n[1] += protowire.SizeVarint(uint64(r.Block))
		n[2] += protowire.SizeVarint(uint64(r.Stratum))
		n[3] += protowire.SizeVarint(uint64(r.Cell))
	}
	e.indexes = n
	e.size = idBytes*len(rows) + 3*(1+protowire.SizeBytes(8*len(rows)))
	for _, column := range n {
		e.size += 1 + protowire.SizeBytes(column)
	}
	return e.size
}

// colours appends the rows that were taken. It is byte by byte what the library makes of columns(rows).
func (e *encoder) colours(b []byte) []byte {
	b = slices.Grow(b, e.size)
	column := func(size int) []byte {
		b = b[:len(b)+size]
		return b[len(b)-size:]
	}
	ids := column(idBytes * len(e.rows))
	var indexes [4][]byte
	for k, size := range e.indexes {
		b = head(b, protowire.Number(2+k), size)
		indexes[k] = column(size)
	}
	var figures [3][]byte
	for k := range figures {
		b = head(b, protowire.Number(6+k), 8*len(e.rows))
		figures[k] = column(8 * len(e.rows))
	}
	for i := range e.rows {
		r := &e.rows[i]
		putID((*[idBytes]byte)(ids[idBytes*i:]), &r.ReadingID)
		for k, x := range [...]uint32{r.Group, r.Block, r.Stratum, r.Cell} {
			column := indexes[k]
			for ; x >= 0x80; x >>= 7 {
				column[0], column = byte(x)|0x80, column[1:]
			}
			column[0], indexes[k] = byte(x), column[1:]
		}
		binary.LittleEndian.PutUint64(figures[0][8*i:], math.Float64bits(r.Lab.L))
		binary.LittleEndian.PutUint64(figures[1][8*i:], math.Float64bits(r.Lab.A))
		binary.LittleEndian.PutUint64(figures[2][8*i:], math.Float64bits(r.Lab.B))
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

// encoded is a message that is encoded as b. gRPC copies b when it sends it.
func encoded(b []byte) *emptypb.Empty {
	m := &emptypb.Empty{}
	m.ProtoReflect().SetUnknown(b)
	return m
}

// sendRows sends rows in requests of at most sentBytes whose columns are theirs; each is on its way while the rows of the next are made. An io.EOF of sendMsg
// ends it without an error: the stream's own status then tells why.
func sendRows(rows Rows, sendMsg func(any) error) error {
	e := encoders.Get().(*encoder)
	defer encoders.Put(e)
	part := make([]Row, 0, min(chunkRows, rows.Len()))
	var err error
	send := func() bool {
		e.out = head(e.out[:0], columnsField, e.take(part))
		e.out = e.colours(e.out)
		part, err = part[:0], sendMsg(encoded(e.out))
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
	return encodedChunks(rows, sentBytes, ages, spectra, columnsField, func(request []byte, _ int) error { return sendMsg(encoded(request)) })
}

// EncodedChunks is ScoredChunks with the chunks encoded, by the deterministic encoding, as a field of another message. send gets each with its number of rows,
// and must not keep it.
func EncodedChunks(rows []Row, ages, spectra bool, field protowire.Number, send func(scored []byte, rows int) error) error {
	return encodedChunks(rows, chunkBytes, ages, spectra, field, send)
}

func encodedChunks(rows []Row, most int, ages, spectra bool, field protowire.Number, send func(scored []byte, rows int) error) error {
	e := encoders.Get().(*encoder)
	defer encoders.Put(e)
	return cutScored(rows, most, ages, spectra, func(part []Row) error {
		var more []byte
		if ages || spectra {
			var err error
			if more, err = (proto.MarshalOptions{Deterministic: true}).Marshal(beside(part, ages, spectra)); err != nil {
				return err
			}
		}
		size := e.take(part)
		e.out = head(e.out[:0], field, 1+protowire.SizeBytes(size)+len(more))
		e.out = e.colours(head(e.out, coloursField, size))
		e.out = append(e.out, more...)
		return send(e.out, len(part))
	})
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
