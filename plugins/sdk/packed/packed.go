// Package packed reads chunks of columns, and the labels of their header, off the wire in a fraction of the time that it takes to read them field by field, and
// into the same messages. It is the codec of a module's server (sdk.ServerOptions); nobody has to know of it.
//
// What is quick about it: room for a column is made once, and the ids of a chunk are parts of one text, as labels of one kind are. An id that is kept therefore
// keeps the ids of its chunk, up to a mebibyte; who keeps a few of many clones them.
package packed

import (
	"encoding/binary"
	"math"
	"unicode/utf8"

	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
)

// Wire types and lengths of the protocol buffer encoding.
const (
	varintType = 0
	bytesType  = 2
	doubleSize = 8
)

// Read sets c to what b encodes, and tells whether it could. It only takes what our own core and the usual libraries write: every column at most once and
// packed, ids together and shorter than 128 bytes, no other field. What it doesn't take may well be a good message that has to be read in the usual way; c is then of
// no use.
func Read(b []byte, c *columnsv1.ColourColumns) bool {
	seen := 0
	for len(b) > 0 {
		field, kind := int(b[0]>>3), b[0]&7
		if kind != bytesType || field < 1 || field > 8 || seen&(1<<field) != 0 {
			return false
		}
		seen |= 1 << field
		var ok bool
		if field == 1 {
			if c.ReadingId, b, ok = ids(b); !ok {
				return false
			}
			continue
		}
		var column []byte
		if column, b, ok = one(b[1:]); !ok {
			return false
		}
		switch field {
		case 2:
			c.Group, ok = indexes(column)
		case 3:
			c.Block, ok = indexes(column)
		case 4:
			c.Stratum, ok = indexes(column)
		case 5:
			c.Cell, ok = indexes(column)
		case 6:
			c.L, ok = doubles(column)
		case 7:
			c.A, ok = doubles(column)
		case 8:
			c.B, ok = doubles(column)
		}
		if !ok {
			return false
		}
	}
	return true
}

// ReadLabels sets l to what b encodes, and tells whether it could. As Read, it takes what is usual alone: the labels of a kind together, no other field.
func ReadLabels(b []byte, l *columnsv1.Labels) bool {
	lists := [...]*[]string{&l.Groups, &l.Blocks, &l.Strata, &l.Cells}
	for len(b) > 0 {
		field, kind := int(b[0]>>3), b[0]&7
		if kind != bytesType || field < 1 || field > len(lists) || *lists[field-1] != nil {
			return false
		}
		var ok bool
		if *lists[field-1], b, ok = texts(b, b[0]); !ok {
			return false
		}
	}
	return true
}

// texts takes the texts at the beginning of b, each behind the tag.
func texts(b []byte, tag byte) (out []string, rest []byte, ok bool) {
	n, end := 0, 0
	for end < len(b) && b[end] == tag {
		content, after, there := one(b[end+1:])
		if !there || !utf8.Valid(content) {
			return nil, nil, false
		}
		end = len(b) - len(after)
		n++
	}
	text := string(b[:end])
	out = make([]string, n)
	for i, at := 0, 0; i < n; i++ {
		length, size := binary.Uvarint(b[at+1:])
		at += 1 + size
		out[i] = text[at:][:length]
		at += int(length)
	}
	return out, b[end:], true
}

// one takes a length and as many bytes from b.
func one(b []byte) (content, rest []byte, ok bool) {
	n, size := binary.Uvarint(b)
	if size <= 0 || n > uint64(len(b)-size) {
		return nil, nil, false
	}
	return b[size:][:n], b[size:][n:], true
}

// ids takes the ids at the beginning of b, each behind the tag of field 1.
func ids(b []byte) (out []string, rest []byte, ok bool) {
	const tag = 1<<3 | bytesType
	n, end := 0, 0
	for end < len(b) && b[end] == tag {
		if end+2 > len(b) || b[end+1] >= 0x80 || end+2+int(b[end+1]) > len(b) {
			return nil, nil, false
		}
		end += 2 + int(b[end+1])
		n++
	}
	if !utf8.Valid(b[:end]) { // tags and lengths are ASCII, which no other character goes on after: it is each id that is held to be valid
		return nil, nil, false
	}
	text := string(b[:end])
	out = make([]string, n)
	for i, at := 0, 0; i < n; i++ {
		length := int(text[at+1])
		out[i] = text[at+2:][:length]
		at += 2 + length
	}
	return out, b[end:], true
}

// indexes reads packed varints.
func indexes(b []byte) ([]uint32, bool) {
	n := 0
	for _, x := range b {
		if x < 0x80 { // the last byte of one
			n++
		}
	}
	out := make([]uint32, n)
	for i := range out {
		if x := b[0]; x < 0x80 {
			out[i], b = uint32(x), b[1:]
			continue
		}
		x, size := binary.Uvarint(b)
		if size <= 0 || x > math.MaxUint32 {
			return nil, false
		}
		out[i], b = uint32(x), b[size:]
	}
	return out, len(b) == 0
}

// doubles reads packed doubles.
func doubles(b []byte) ([]float64, bool) {
	if len(b)%doubleSize != 0 {
		return nil, false
	}
	out := make([]float64, len(b)/doubleSize)
	for i := range out {
		out[i] = math.Float64frombits(binary.LittleEndian.Uint64(b[i*doubleSize:]))
	}
	return out, true
}
