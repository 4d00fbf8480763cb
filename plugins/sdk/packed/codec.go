package packed

import (
	"slices"
	"sync"

	"google.golang.org/grpc/encoding"
	wire "google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
)

const (
	// leastBytes is the size below which a message isn't worth a look.
	leastBytes = 4 << 10
	// mostDeep is how deep columns and labels lie in a message: a request holds a header, which holds labels, or scored columns, which hold colours.
	mostDeep = 2
)

// Buffers are for messages of which every byte is written anyway. gRPC's own pools clear a buffer whenever they hand it out, up to a mebibyte for a message of a
// quarter of one. It is for a module's server and for its host.
var Buffers mem.BufferPool = &buffers{}

type buffers struct{ pool sync.Pool }

// Get hands out a buffer whose content is nobody's.
func (p *buffers) Get(length int) *[]byte {
	b, ok := p.pool.Get().(*[]byte)
	if !ok {
		b = new([]byte)
	}
	*b = slices.Grow((*b)[:0], length)[:length]
	return b
}

// Put takes one back.
func (p *buffers) Put(b *[]byte) { p.pool.Put(b) }

// Codec is gRPC's own codec of protocol buffers, and quick about messages that hold columns or labels. It reads the same messages from the same bytes, and refuses what the
// other refuses.
type Codec struct{ encoding.CodecV2 }

// NewCodec makes one.
func NewCodec() Codec { return Codec{encoding.GetCodecV2(wire.Name)} }

// Unmarshal sets v to what data encodes.
func (c Codec) Unmarshal(data mem.BufferSlice, v any) error {
	m, ok := v.(proto.Message)
	if !ok || data.Len() < leastBytes {
		return c.CodecV2.Unmarshal(data, v)
	}
	buffer := data.MaterializeToBuffer(Buffers)
	defer buffer.Free()
	proto.Reset(m)
	if within(buffer.ReadOnlyData(), m.ProtoReflect(), mostDeep) {
		return nil
	}
	return proto.Unmarshal(buffer.ReadOnlyData(), m) // which begins with an empty message
}

// within reads a message that is columns or labels, or of which one field is most and holds them, and tells whether it could. The rest of it is read by the
// library. m is empty; where within fails, it is of no use.
func within(b []byte, m protoreflect.Message, deep int) bool {
	switch m := m.Interface().(type) {
	case *columnsv1.ColourColumns:
		return Read(b, m)
	case *columnsv1.Labels:
		return ReadLabels(b, m)
	}
	if deep == 0 {
		return false
	}
	for at := 0; at < len(b); {
		number, kind, n := protowire.ConsumeTag(b[at:])
		if n < 0 {
			return false
		}
		size := protowire.ConsumeFieldValue(number, kind, b[at+n:])
		if size < 0 {
			return false
		}
		if size < len(b)/2 {
			at += n + size
			continue
		}
		field := m.Descriptor().Fields().ByNumber(number)
		if kind != protowire.BytesType || field == nil || field.Message() == nil || field.IsList() || field.IsMap() {
			return false
		}
		content, rest, ok := one(b[at+n:])
		if !ok {
			return false
		}
		merge := proto.UnmarshalOptions{Merge: true}
		if merge.Unmarshal(b[:at], m.Interface()) != nil || m.Has(field) { // the library would put two of them together
			return false
		}
		inner := m.NewField(field).Message()
		if !within(content, inner, deep-1) {
			return false
		}
		m.Set(field, protoreflect.ValueOfMessage(inner))
		return merge.Unmarshal(rest, m.Interface()) == nil
	}
	return false
}
