package packed

import (
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
	// mostDeep is how deep columns lie in a message: a request holds scored columns, which hold colours.
	mostDeep = 2
)

// Codec is gRPC's own codec of protocol buffers, and quick about messages that hold columns. It reads the same messages from the same bytes, and refuses what the
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
	buffer := data.MaterializeToBuffer(mem.DefaultBufferPool())
	defer buffer.Free()
	if within(buffer.ReadOnlyData(), m.ProtoReflect(), mostDeep) {
		return nil
	}
	return proto.Unmarshal(buffer.ReadOnlyData(), m) // which begins with an empty message
}

// within reads a message whose first field is columns or holds them, and tells whether it could.
func within(b []byte, m protoreflect.Message, deep int) bool {
	if c, ok := m.Interface().(*columnsv1.ColourColumns); ok {
		return Read(b, c)
	}
	number, kind, n := protowire.ConsumeTag(b)
	if n < 0 || kind != protowire.BytesType || deep == 0 {
		return false
	}
	field := m.Descriptor().Fields().ByNumber(number)
	if field == nil || field.Message() == nil || field.IsList() || field.IsMap() {
		return false
	}
	content, rest, ok := one(b[n:])
	if !ok {
		return false
	}
	inner := m.NewField(field).Message()
	if !within(content, inner, deep-1) {
		return false
	}
	proto.Reset(m.Interface())
	m.Set(field, protoreflect.ValueOfMessage(inner))
	return proto.UnmarshalOptions{Merge: true}.Unmarshal(rest, m.Interface()) == nil
}
