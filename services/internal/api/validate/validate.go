// Package validate checks what comes in, before anything is done with it: one table of
// checks per message, from the comments of the .proto files. All faults of a request are found at once,
// each with its field, the value and the allowed range.
//
// What a request refers to (is there such a piece, was that bath open?) is the domain's to check.
package validate

import (
	"fmt"
	"strconv"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// maxFaults bounds the faults that are listed; a request with more is told how many more there are.
const maxFaults = 100

// Message checks a request, or a row of an import. The error is trial.Faults, with every fault. A
// message that has no table is refused too.
func Message(message proto.Message) error {
	m := message.ProtoReflect()
	table, ok := tables[string(m.Descriptor().FullName())]
	if !ok {
		return trial.Faults{{Field: string(m.Descriptor().FullName()), Text: "can't be checked"}}
	}
	w := &walk{}
	w.message(nil, m, table)
	if len(w.faults) == 0 {
		return nil
	}
	if w.more > 0 {
		w.faults = append(w.faults, &trial.FieldFault{Field: "", Text: fmt.Sprintf("and %d more faults", w.more)})
	}
	return w.faults
}

// walk is one pass over one message.
type walk struct {
	faults trial.Faults
	more   int
	chosen map[string]string // ids that the client chose for new records, with where they stood
}

func (w *walk) fault(p *path, format string, args ...any) {
	if len(w.faults) >= maxFaults {
		w.more++
		return
	}
	w.faults = append(w.faults, &trial.FieldFault{Field: p.String(), Text: fmt.Sprintf(format, args...)})
}

func (w *walk) message(p *path, m protoreflect.Message, table *compiled) {
	// An unknown field comes from a client newer than this core. To drop it would be to
	// keep half of what the member said.
	if unknown := m.GetUnknown(); len(unknown) > 0 {
		w.fault(p, "has fields that this core doesn't know, or is malformed (%d bytes)", len(unknown))
	}
	for _, f := range table.fields {
		f.check(w, &path{parent: p, name: string(f.descriptor.Name()), index: noIndex}, m, f.descriptor)
	}
	if table.whole != nil {
		table.whole(w, p, m)
	}
}

const noIndex = -1

// path is where a field stands; the text is made only when there is a fault.
type path struct {
	parent *path
	name   string
	index  int
}

// at is the path of an element of a repeated field.
func (p *path) at(i int) *path { return &path{parent: p.parent, name: p.name, index: i} }

// of is the path of a field below p.
func (p *path) of(name string) *path { return &path{parent: p, name: name, index: noIndex} }

// String gives "trial.pieces[2].mass.value".
func (p *path) String() string {
	if p == nil {
		return ""
	}
	text := p.name
	if p.index != noIndex {
		text += "[" + strconv.Itoa(p.index) + "]"
	}
	if above := p.parent.String(); above != "" {
		return above + "." + text
	}
	return text
}

// check examines one field of a message.
type check func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor)

// rules is what a message's table says: a check or a stated reason for each field, and what concerns several fields.
type rules struct {
	fields map[protoreflect.Name]check
	// unchecked fields with the reason why nothing is wrong with any value.
	unchecked map[protoreflect.Name]string
	whole     func(w *walk, p *path, m protoreflect.Message)
}

// compiled is a table with its descriptors looked up.
type compiled struct {
	fields []compiledField
	whole  func(w *walk, p *path, m protoreflect.Message)
}

type compiledField struct {
	descriptor protoreflect.FieldDescriptor
	check      check
}

// tables are the compiled tables by message name, or by "message name#variant" where a message
// is checked otherwise in another place.
var tables = map[string]*compiled{}

// compile looks up the fields of a table. Wrong names in a table are found by any test, since they stop the program at its start.
func compile(descriptor protoreflect.MessageDescriptor, r rules) *compiled {
	c := &compiled{whole: r.whole}
	for i := range descriptor.Fields().Len() {
		fd := descriptor.Fields().Get(i)
		if check, ok := r.fields[fd.Name()]; ok {
			c.fields = append(c.fields, compiledField{fd, check})
		}
	}
	if len(c.fields) != len(r.fields) {
		panic(fmt.Sprintf("validate: the table of %s names a field that isn't there", descriptor.FullName()))
	}
	return c
}
