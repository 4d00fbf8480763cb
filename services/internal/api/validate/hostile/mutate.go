package hostile

import (
	"bytes"
	"math"
	"strings"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// notUTF8 stands in a string until it is on the wire, where bytes that are no UTF-8 take its place: no encoder writes them.
const notUTF8 = "\x01not-utf-8\x01"

// The values that faults are made of.
var (
	figures  = []float64{math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64, -math.MaxFloat64, 1e300, -1, math.Copysign(0, -1), math.SmallestNonzeroFloat64, 1e6, 1e6 + 1}
	integers = []int64{-1, 0, math.MaxInt64, math.MinInt64, math.MaxInt32, math.MinInt32, 10_001, 1 << 62}
	enums    = []protoreflect.EnumNumber{0, -1, 77, math.MaxInt32, math.MinInt32}
	texts    = []string{
		"", " ", "\x00", "a\x00b", notUTF8, "\u202e\u200b\ufeff", "é", "e\u0301", "%s%n%!v(BADINDEX)", "'; DROP TABLE trials; --", "../../etc/passwd", "\x1b[2J", "*", "**", `"`, `"r"`,
		`"r-1"`, "00000000-0000-0000-0000-000000000000", "ffffffff-ffff-ffff-ffff-ffffffffffff", "0190F3C4-0000-7000-8000-000000000001", "0190f3c4-0000-4000-8000-000000000001",
		"{0190f3c4-0000-7000-8000-000000000001}", "\U0010ffff", "NaN", "-1", "a.b.c", "owner", "__proto__", "server", "cvat_aaaaaaaaaaaaaaaa_", "İ", "ﬃ",
		strings.Repeat("(", 1999), strings.Repeat("NOT ", 499) + "a", strings.Repeat("a", 121), strings.Repeat("ü", 2001), strings.Repeat("x", 100_000), strings.Repeat("a=1 OR ", 280) + "a=1",
		`fibre = "` + strings.Repeat("w", 1900) + `"`, `fibre = "wool`, `no_such = 1`, `fibre > "wool" AND (`, `title : "*"`, `title:"\"; --"`,
	}
)

// site is a place in a message where a fault may be.
type site struct {
	message protoreflect.Message
	field   protoreflect.FieldDescriptor
}

// mutate makes one fault somewhere in a message.
func (m *Maker) mutate(message protoreflect.Message) {
	var sites []site
	everyMessage(message, func(inner protoreflect.Message) {
		for i := range inner.Descriptor().Fields().Len() {
			sites = append(sites, site{inner, inner.Descriptor().Fields().Get(i)})
		}
	})
	if len(sites) == 0 || m.random.IntN(20) == 0 {
		message.SetUnknown(protowire.AppendVarint(protowire.AppendTag(nil, protowire.Number(1000+m.random.IntN(1<<20)), protowire.VarintType), m.random.Uint64()))
		return
	}
	at := pick(m, sites)
	switch {
	case at.field.IsMap():
	case at.field.IsList():
		m.mutateList(at)
	case at.field.Message() != nil:
		m.mutateMessage(at)
	default:
		at.message.Set(at.field, m.bad(at.field))
	}
}

// bad is a value that is wrong in most places.
func (m *Maker) bad(fd protoreflect.FieldDescriptor) protoreflect.Value {
	switch fd.Kind() {
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(pick(m, enums))
	case protoreflect.Int32Kind, protoreflect.Sint32Kind, protoreflect.Sfixed32Kind:
		return protoreflect.ValueOfInt32(int32(pick(m, integers)))
	case protoreflect.Int64Kind, protoreflect.Sint64Kind, protoreflect.Sfixed64Kind:
		return protoreflect.ValueOfInt64(pick(m, integers))
	case protoreflect.Uint64Kind, protoreflect.Fixed64Kind:
		return protoreflect.ValueOfUint64(m.random.Uint64())
	case protoreflect.DoubleKind:
		return protoreflect.ValueOfFloat64(pick(m, figures))
	case protoreflect.StringKind:
		if m.random.IntN(3) == 0 { // another record's id, another kind's, another member's
			return protoreflect.ValueOfString(m.anyID())
		}
		return protoreflect.ValueOfString(pick(m, texts))
	default:
		return m.scalar(fd)
	}
}

// kinds are those of Known.IDs, in an order that doesn't change.
var kinds = []string{"trial", "piece", "bath", "water_source", "water_sample", "experiment", "session", "entry"}

func (m *Maker) anyID() string {
	kind := pick(m, kinds)
	if ids := m.made[kind]; len(ids) > 0 && m.random.IntN(2) == 0 {
		return pick(m, ids) // the same id twice in one request
	}
	return m.reference(kind)
}

func (m *Maker) mutateList(at site) {
	list := at.message.Mutable(at.field).List()
	if list.Len() == 0 {
		if at.field.Message() != nil {
			list.AppendMutable() // an element of nothing
		} else {
			list.Append(m.bad(at.field))
		}
		return
	}
	last := list.Get(list.Len() - 1)
	switch m.random.IntN(4) {
	case 0:
		at.message.Clear(at.field)
	case 1: // once more, with its ids
		m.again(list, last, at.field)
	case 2: // beyond most limits, once in a while beyond all
		n := 60
		if m.random.IntN(50) == 0 {
			n = 5001
		}
		for range min(n, 1+mostAdded/(1+sizeOf(last, at.field))) {
			m.again(list, last, at.field)
		}
	default:
		if at.field.Message() == nil {
			list.Set(list.Len()-1, m.bad(at.field))
		} else {
			proto.Reset(last.Message().Interface())
		}
	}
}

// mostAdded bounds what a list of long elements becomes, in bytes: beyond what a server takes, and not a gigabyte that is in memory several times before it is cut.
const mostAdded = 16 << 20

// sizeOf is about how many bytes an element has on the wire; of numbers it doesn't matter.
func sizeOf(value protoreflect.Value, fd protoreflect.FieldDescriptor) int {
	switch {
	case fd.Message() != nil:
		return proto.Size(value.Message().Interface())
	case fd.Kind() == protoreflect.StringKind:
		return len(value.String())
	case fd.Kind() == protoreflect.BytesKind:
		return len(value.Bytes())
	default:
		return 8
	}
}

func (m *Maker) again(list protoreflect.List, value protoreflect.Value, fd protoreflect.FieldDescriptor) {
	if fd.Message() != nil {
		value = protoreflect.ValueOfMessage(proto.Clone(value.Message().Interface()).ProtoReflect())
	}
	list.Append(value)
}

func (m *Maker) mutateMessage(at site) {
	switch {
	case at.message.Has(at.field) && m.random.IntN(2) == 0:
		at.message.Clear(at.field)
	case at.message.Has(at.field) && m.random.IntN(2) == 0:
		proto.Reset(at.message.Mutable(at.field).Message().Interface())
	default: // also the other choice of a oneof
		m.fill(at.message.Mutable(at.field).Message(), 4)
	}
}

// onWire puts in what no encoder writes.
func (m *Maker) onWire(body []byte, descriptor protoreflect.MessageDescriptor, limit int) []byte {
	body = bytes.ReplaceAll(body, []byte(notUTF8), []byte("\xff\xfe\xc0\xaf\xed\xa0\x80\x01\x01\xf4\x90"))
	switch m.random.IntN(60) {
	case 0: // a thousand groups, one in another
		depth := 10 + m.random.IntN(20_000)
		for range depth {
			body = protowire.AppendTag(body, 2047, protowire.StartGroupType)
		}
		if m.random.IntN(2) == 0 {
			for range depth {
				body = protowire.AppendTag(body, 2047, protowire.EndGroupType)
			}
		}
	case 1: // a varint that doesn't end
		body = append(protowire.AppendTag(body, 2046, protowire.VarintType), bytes.Repeat([]byte{0xff}, 11)...)
	case 2: // a length beyond the end
		body = protowire.AppendVarint(protowire.AppendTag(body, 1, protowire.BytesType), math.MaxUint64)
	case 3: // the same fields twice: they merge
		body = append(body, body...)
	case 4: // a known field of another wire type
		if n := descriptor.Fields().Len(); n > 0 {
			body = protowire.AppendFixed64(protowire.AppendTag(body, descriptor.Fields().Get(m.random.IntN(n)).Number(), protowire.Fixed64Type), m.random.Uint64())
		}
	case 5: // field number 0, which there isn't
		body = append(body, 0x00, 0x01)
	case 6:
		if m.random.IntN(10) == 0 {
			body = append(body, m.Endless(descriptor, limit/(1+m.random.IntN(50)))...)
		}
	}
	if len(body) > limit {
		body = body[:limit]
	}
	return body
}

// Endless is up to size bytes of one list of a message, or of a message within it, with as many empty elements as go in: two bytes
// each on the wire, and far more in memory. It is empty for a message without lists of messages.
func (m *Maker) Endless(descriptor protoreflect.MessageDescriptor, size int) []byte {
	way := lists(descriptor, nil, 3)
	if len(way) == 0 {
		return nil
	}
	chosen := pick(m, way)
	element := protowire.AppendVarint(protowire.AppendTag(nil, chosen[len(chosen)-1], protowire.BytesType), 0)
	body := bytes.Repeat(element, max(0, size-40)/len(element))
	for i := len(chosen) - 2; i >= 0; i-- {
		body = append(protowire.AppendVarint(protowire.AppendTag(nil, chosen[i], protowire.BytesType), uint64(len(body))), body...)
	}
	return body
}

// lists are the ways, in field numbers, to every list of messages in a message.
func lists(descriptor protoreflect.MessageDescriptor, above []protowire.Number, depth int) (ways [][]protowire.Number) {
	for i := range descriptor.Fields().Len() {
		fd := descriptor.Fields().Get(i)
		if fd.Message() == nil || fd.IsMap() || depth == 0 {
			continue
		}
		way := append(append([]protowire.Number{}, above...), fd.Number())
		if fd.IsList() {
			ways = append(ways, way)
		}
		ways = append(ways, lists(fd.Message(), way, depth-1)...)
	}
	return ways
}
