package api

import (
	"google.golang.org/grpc/encoding"
	_ "google.golang.org/grpc/encoding/proto" // the codec that is wrapped
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
)

// codec is the usual one, except that a request whose bytes are no message of its kind (text that isn't UTF-8,
// a cut message) gets as far as the check. gRPC itself would answer INTERNAL, of one call before the caller is known and without a
// line in the log, of a stream with a line that tells of a fault of ours, which anybody could fill the log with; so the caller is
// told INVALID_ARGUMENT like for any other malformed request.
type codec struct{ encoding.CodecV2 }

func newCodec() codec { return codec{encoding.GetCodecV2("proto")} }

// What stands in a message that wasn't read: unknown fields with the highest numbers there are. The check refuses them.
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
