package api

import (
	"google.golang.org/grpc/encoding"
	_ "google.golang.org/grpc/encoding/proto" // the codec that is wrapped
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
)

// codec is the usual one, except that a request whose bytes are no message of its kind (text that isn't UTF-8, a message that was cut
// short) gets as far as the check, which answers INVALID_ARGUMENT as for any other malformed request. gRPC itself would answer INTERNAL: for
// a unary call before the caller is known and without a line in the log, for a stream with a line that blames the core, so that anybody
// could fill the log.
type codec struct{ encoding.CodecV2 }

func newCodec() codec { return codec{encoding.GetCodecV2("proto")} }

// The marks of messages that were not decoded: unknown fields with the highest numbers there are, which the check refuses with a reason each.
var (
	malformed = protowire.AppendVarint(protowire.AppendTag(nil, protowire.MaxValidNumber, protowire.VarintType), 1)
	tooMany   = protowire.AppendVarint(protowire.AppendTag(nil, protowire.MaxValidNumber-1, protowire.VarintType), 1)
)

// Unmarshal implements encoding.CodecV2.
func (c codec) Unmarshal(data mem.BufferSlice, into any) error {
	message, ok := into.(proto.Message)
	if !ok {
		return c.CodecV2.Unmarshal(data, into)
	}
	if data.Len() >= countFrom {
		whole := data.MaterializeToBuffer(mem.DefaultBufferPool())
		defer whole.Free()
		if count(whole.ReadOnlyData(), message.ProtoReflect().Descriptor(), maxElements) > maxElements {
			proto.Reset(message)
			message.ProtoReflect().SetUnknown(tooMany)
			return nil
		}
		data = mem.BufferSlice{whole}
	}
	if err := c.CodecV2.Unmarshal(data, into); err != nil {
		proto.Reset(message)
		message.ProtoReflect().SetUnknown(malformed)
	}
	return nil
}
