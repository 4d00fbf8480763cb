package record

import (
	"strconv"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// chooser decides what a filled message says.
type chooser interface {
	// present tells whether a field is filled at all.
	present(protoreflect.FieldDescriptor) bool
	// length of a list.
	length(protoreflect.FieldDescriptor) int
	// number from low to high, both included.
	number(low, high int) int
	text() string
}

// everything fills every field with a value that occurs once.
type everything struct {
	next    int
	variant int // which member of a oneof
}

func (e *everything) present(protoreflect.FieldDescriptor) bool { return true }
func (e *everything) length(protoreflect.FieldDescriptor) int   { return 2 }
func (e *everything) number(low, high int) int {
	e.next++
	return low + e.next%(high-low+1)
}
func (e *everything) text() string {
	e.next++
	return "text " + strconv.Itoa(e.next)
}

// fill fills a message through its descriptor, so that a field added later is
// filled without anybody thinking of it.
func fill(message protoreflect.Message, c chooser) {
	fields := message.Descriptor().Fields()
	for i := range fields.Len() {
		field := fields.Get(i)
		if !c.present(field) {
			continue
		}
		if oneof := field.ContainingOneof(); oneof != nil && !oneof.IsSynthetic() {
			continue
		}
		fillField(message, field, c)
	}
	oneofs := message.Descriptor().Oneofs()
	for i := range oneofs.Len() {
		oneof := oneofs.Get(i)
		if oneof.IsSynthetic() {
			continue
		}
		member := c.number(0, oneof.Fields().Len()-1)
		if e, ok := c.(*everything); ok {
			member = e.variant % oneof.Fields().Len()
		}
		fillField(message, oneof.Fields().Get(member), c)
	}
	tidy(message, c)
}

func fillField(message protoreflect.Message, field protoreflect.FieldDescriptor, c chooser) {
	if field.IsList() {
		list := message.Mutable(field).List()
		for range c.length(field) {
			if field.Message() != nil {
				element := list.NewElement()
				fill(element.Message(), c)
				list.Append(element)
				continue
			}
			list.Append(scalar(field, c))
		}
		return
	}
	if field.Message() != nil {
		fill(message.Mutable(field).Message(), c)
		return
	}
	message.Set(field, scalar(field, c))
}

func scalar(field protoreflect.FieldDescriptor, c chooser) protoreflect.Value {
	switch field.Kind() {
	case protoreflect.StringKind:
		return protoreflect.ValueOfString(c.text())
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(true)
	case protoreflect.DoubleKind:
		return protoreflect.ValueOfFloat64(float64(c.number(1, 1_000_000)) / 64)
	case protoreflect.Int32Kind:
		return protoreflect.ValueOfInt32(int32(c.number(1, 100_000)))
	case protoreflect.Int64Kind:
		return protoreflect.ValueOfInt64(int64(c.number(1, 1_000_000_000)))
	case protoreflect.EnumKind:
		values := field.Enum().Values()
		return protoreflect.ValueOfEnum(values.Get(c.number(1, values.Len()-1)).Number())
	default:
		panic("a field of kind " + field.Kind().String() + ", which the test doesn't fill yet")
	}
}

// tidy mends the few places where fields of one message hang together.
func tidy(message protoreflect.Message, c chooser) {
	descriptor := message.Descriptor()
	set := func(name string, value protoreflect.Value) {
		message.Set(descriptor.Fields().ByName(protoreflect.Name(name)), value)
	}
	switch descriptor.FullName() {
	case "google.protobuf.Timestamp":
		set("seconds", protoreflect.ValueOfInt64(int64(c.number(1, 4_000_000_000))))
		set("nanos", protoreflect.ValueOfInt32(int32(c.number(0, 999_999_999))))
	case "commonvat.types.v1.Amount":
		// A figure goes with an amount that is known, and with no other.
		knowledge := message.Get(descriptor.Fields().ByName("knowledge")).Enum()
		value := descriptor.Fields().ByName("value")
		if _, all := c.(*everything); all && (knowledge == 0 || knowledge == 3) {
			set("knowledge", protoreflect.ValueOfEnum(1))
		} else if knowledge == 0 || knowledge == 3 {
			message.Clear(value)
		} else if !message.Has(value) {
			set("value", protoreflect.ValueOfFloat64(0))
		}
	case "commonvat.lab.v1.Piece":
		// A correction names the piece that it is kept with.
		id := message.Get(descriptor.Fields().ByName("id"))
		list := message.Get(descriptor.Fields().ByName("corrections")).List()
		for i := range list.Len() {
			element := list.Get(i).Message()
			element.Set(element.Descriptor().Fields().ByName("piece_id"), id)
		}
	}
}
