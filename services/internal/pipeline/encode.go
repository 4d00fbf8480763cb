package pipeline

import (
	"encoding/binary"
	"errors"
	"io"
	"math"
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

// encoder writes rows as ColourColumns are encoded, in one pass and into room that is used again: as messages, a million rows would be made three times over
// before they are on their way.
type encoder struct {
	ids     []byte
	indexes [4][]byte // group, block, stratum, cell
	figures [3][]byte // L*, a*, b*
	out     []byte
}

var encoders = sync.Pool{New: func() any { return &encoder{} }}

// columns are the packed ones, in the order of their fields from 2 on.
func (e *encoder) columns() [7][]byte {
	return [...][]byte{e.indexes[0], e.indexes[1], e.indexes[2], e.indexes[3], e.figures[0], e.figures[1], e.figures[2]}
}

// take looks at the rows of a chunk and returns the length of their encoding.
func (e *encoder) take(rows []Row) (size int) {
	e.ids = e.ids[:0]
	for i := range e.indexes {
		e.indexes[i] = e.indexes[i][:0]
	}
	for i := range e.figures {
		e.figures[i] = e.figures[i][:0]
	}
	for i := range rows {
		r := &rows[i]
		e.ids = appendID(append(e.ids, 1<<3|byte(protowire.BytesType), idText), &r.ReadingID)
		for k, x := range [...]uint32{r.Group, r.Block, r.Stratum, r.Cell} {
			e.indexes[k] = protowire.AppendVarint(e.indexes[k], uint64(x))
		}
		for k, x := range [...]float64{r.Lab.L, r.Lab.A, r.Lab.B} {
			e.figures[k] = binary.LittleEndian.AppendUint64(e.figures[k], math.Float64bits(x))
		}
	}
	size = len(e.ids)
	for _, column := range e.columns() {
		size += 1 + protowire.SizeBytes(len(column))
	}
	return size
}

// idText is the length of an id as a text.
const idText = 36

// appendID appends an id as uuid.UUID.String writes it, without a text of its own.
func appendID(b []byte, id *uuid.UUID) []byte {
	const digits = "0123456789abcdef"
	for i, x := range id {
		if i == 4 || i == 6 || i == 8 || i == 10 {
			b = append(b, '-')
		}
		b = append(b, digits[x>>4], digits[x&15])
	}
	return b
}

// colours appends the rows that were taken. It is byte by byte what the library makes of columns(rows).
func (e *encoder) colours(b []byte) []byte {
	b = append(b, e.ids...)
	for i, column := range e.columns() {
		b = protowire.AppendBytes(protowire.AppendTag(b, protowire.Number(2+i), protowire.BytesType), column)
	}
	return b
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

// sendRows sends rows in requests of at most chunkBytes whose columns are theirs; each is on its way while the rows of the next are made. An io.EOF of sendMsg
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
	return EncodedChunks(rows, ages, spectra, columnsField, func(request []byte, _ int) error { return sendMsg(encoded(request)) })
}

// EncodedChunks is ScoredChunks with the chunks encoded, by the deterministic encoding, as a field of another message. send gets each with its number of rows,
// and must not keep it.
func EncodedChunks(rows []Row, ages, spectra bool, field protowire.Number, send func(scored []byte, rows int) error) error {
	e := encoders.Get().(*encoder)
	defer encoders.Put(e)
	return cutScored(rows, ages, spectra, func(part []Row) error {
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

// cut hands rows on in runs of at most chunkBytes, by the size of a row; apart, which may be nil, tells that a row can't be in one run with those before it.
func cut(rows []Row, bytes func(*Row) int, apart func(run []Row, row *Row) bool, send func([]Row) error) error {
	for start := 0; start < len(rows); {
		size, end := frameBytes, start
		for end < len(rows) && (end == start || size+bytes(&rows[end]) <= chunkBytes && (apart == nil || !apart(rows[start:end], &rows[end]))) {
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
