package api

import (
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// The bound of what a request holds, as messages and elements of lists. An empty element takes two bytes on the wire and up to 350
// in memory, so that a request of MaxReceiveBytes could become more than a gigabyte, before anybody knows who sent it: gRPC reads a
// call's message first. The bound leaves room for far more than the tables of package validate allow in one trial with its baths.
const (
	maxElements = 250_000
	// countFrom is the size below which a request can't have so many that it matters.
	countFrom = 64 << 10
)

// count counts the messages and elements of lists in an encoded message, and stops beyond most. Bytes that are no message end it:
// reading them finds that too. Numbers don't count, since they are no larger in memory than four times what they were.
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
