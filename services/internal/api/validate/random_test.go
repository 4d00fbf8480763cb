package validate

import (
	"math"
	"math/rand/v2"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
)

// dynamic is a new message of the generated type.
func dynamic(descriptor protoreflect.MessageDescriptor) proto.Message {
	kind, err := protoregistry.GlobalTypes.FindMessageByName(descriptor.FullName())
	if err != nil {
		panic(err)
	}
	return kind.New().Interface()
}

// fill sets random fields to values good and bad.
func fill(m protoreflect.Message, random *rand.Rand, depth int) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		if random.IntN(4) == 0 || depth > 8 {
			continue
		}
		switch {
		case fd.IsList():
			list := m.Mutable(fd).List()
			for range random.IntN(4) {
				if fd.Message() != nil {
					fill(list.AppendMutable().Message(), random, depth+1)
				} else {
					list.Append(scalar(fd, random))
				}
			}
		case fd.Message() != nil:
			fill(m.Mutable(fd).Message(), random, depth+1)
		default:
			m.Set(fd, scalar(fd, random))
		}
	}
}

func scalar(fd protoreflect.FieldDescriptor, random *rand.Rand) protoreflect.Value {
	integers := []int64{0, 1, 7, -1, 51, math.MaxInt32, math.MinInt32}
	switch fd.Kind() {
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(random.IntN(2) == 0)
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(protoreflect.EnumNumber(random.IntN(9) - 1))
	case protoreflect.Int32Kind:
		return protoreflect.ValueOfInt32(int32(integers[random.IntN(len(integers))]))
	case protoreflect.Int64Kind:
		return protoreflect.ValueOfInt64(integers[random.IntN(len(integers))])
	case protoreflect.Uint64Kind:
		return protoreflect.ValueOfUint64(random.Uint64())
	case protoreflect.DoubleKind:
		figures := []float64{0, 1, -1, 0.5, 100, 450, 1e300, math.NaN(), math.Inf(1), math.Inf(-1), math.SmallestNonzeroFloat64}
		return protoreflect.ValueOfFloat64(figures[random.IntN(len(figures))])
	case protoreflect.BytesKind:
		return protoreflect.ValueOfBytes(make([]byte, random.IntN(3)*random.IntN(300)))
	default:
		texts := []string{"", "wool", "Wool", " ", "a\x00b", id1, id2, "0190f3c4-0000-4000-8000-000000000001", "ada", "üüü", string(make([]byte, 300))}
		return protoreflect.ValueOfString(texts[random.IntN(len(texts))])
	}
}
