package api

import (
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// The bound on how many messages and elements of lists a request holds. An empty element takes two bytes on the wire and up to 350 in
// memory, and gRPC decodes a message before anybody knows who sent it; so without a bound MaxReceiveBytes could become more than a gigabyte. It
// is far above what the tables of package validate allow in one trial with its baths.
const (
	maxElements = 250_000
	// countFrom is the size in bytes below which a request can't hold enough elements to matter.
	countFrom = 64 << 10
)

// count counts the messages and elements of lists in an encoded message, and stops beyond most. It also stops at bytes that are no message,
// which decoding will find as well. Numbers don't count, since in memory they take at most four times their bytes.
func count(body []byte, descriptor protoreflect.MessageDescriptor, most int) (n int) {
	for len(body) > 0 && n <= most {
		number, kind, size := protowire.ConsumeTag(body)
		if size < 0 {
			return n
		}
		body = body[size:]
		if kind != protowire.BytesType {
			if size = protowire.ConsumeFieldValue(number, kind, body); size < 0 {
				return n
			}
			body = body[size:]
			continue
		}
		value, size := protowire.ConsumeBytes(body)
		if size < 0 {
			return n
		}
		body = body[size:]
		field := descriptor.Fields().ByNumber(number)
		switch {
		case field == nil:
		case field.Message() != nil:
			n += 1 + count(value, field.Message(), most-n)
		case field.IsList() && !field.IsPacked():
			n++
		}
	}
	return n
}
