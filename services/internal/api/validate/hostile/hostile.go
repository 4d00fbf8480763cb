// Package hostile makes messages for tests out of descriptors: requests that are nearly right, with a few faults where a
// fault can hurt. Nearly right matters: of random bytes hardly any gets past the first check, and the checks behind it,
// the domain and the store stay untried.
//
// Everything comes from a seed, so that what went wrong can be made again.
package hostile

import (
	"fmt"
	"math/rand/v2"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
)

// Known is what there is already: a request may refer to it, to its caller's own or to others'. All may be empty.
type Known struct {
	// IDs of records by kind: trial, piece, bath, water_source, water_sample, experiment, session, entry.
	IDs map[string][]string
	// Members, Etags, Codes of pieces, public parts of Tokens, and PageTokens.
	Members, Etags, Codes, Tokens, PageTokens []string
	// Examples are good requests by their message's name, of which copies with other ids are made: some are right only if a lot hangs
	// together.
	Examples map[protoreflect.FullName]proto.Message
	// EtagOf gives the present etag of a record, or "". It may be nil.
	EtagOf func(id string) string
}

// Maker makes messages. It is for one goroutine.
type Maker struct {
	random *rand.Rand
	known  Known
	made   map[string][]string // ids of the message that is being made
}

// New gives a maker; the same arguments give the same messages.
func New(seed, stream uint64, known Known) *Maker {
	return &Maker{random: rand.New(rand.NewPCG(seed, stream)), known: known}
}

// empty is a new message of the generated type. It panics for a descriptor whose Go type isn't linked in.
func empty(descriptor protoreflect.MessageDescriptor) proto.Message {
	kind, err := protoregistry.GlobalTypes.FindMessageByName(descriptor.FullName())
	if err != nil {
		panic(err)
	}
	return kind.New().Interface()
}

// Good is a message that is mostly right: ids are UUIDs of version 7, references lead somewhere, enums are known, figures are small.
func (m *Maker) Good(descriptor protoreflect.MessageDescriptor) proto.Message {
	m.made = map[string][]string{}
	if example := m.known.Examples[descriptor.FullName()]; example != nil && m.random.IntN(2) == 0 {
		return m.copied(example)
	}
	message := empty(descriptor)
	m.fill(message.ProtoReflect(), 0)
	return message
}

// Hostile is a good message with one to three faults.
func (m *Maker) Hostile(descriptor protoreflect.MessageDescriptor) proto.Message {
	message := m.Good(descriptor)
	for range 1 + m.random.IntN(3) {
		m.mutate(message.ProtoReflect())
	}
	return message
}

// Wire is a hostile message as bytes, sometimes with what no encoder writes: text that isn't UTF-8, fields nobody knows, groups a
// thousand deep, endless lists, a varint that doesn't end. It is no longer than limit bytes, and seldom longer than 64 KiB.
func (m *Maker) Wire(descriptor protoreflect.MessageDescriptor, limit int) []byte {
	body, err := proto.Marshal(m.Hostile(descriptor))
	if err != nil {
		panic(err) // mutations keep strings valid: what isn't UTF-8 is put in below
	}
	return m.onWire(body, descriptor, limit)
}

// Broken is a good message cut short or with some bits turned.
func (m *Maker) Broken(descriptor protoreflect.MessageDescriptor) []byte {
	body, err := proto.Marshal(m.Good(descriptor))
	if err != nil {
		panic(err)
	}
	if len(body) == 0 {
		return []byte{byte(m.random.Uint32())}
	}
	if m.random.IntN(2) == 0 {
		return body[:m.random.IntN(len(body))]
	}
	for range 1 + m.random.IntN(4) {
		body[m.random.IntN(len(body))] ^= 1 << m.random.IntN(8)
	}
	return body
}

// Noise is up to 300 random bytes.
func (m *Maker) Noise() []byte {
	noise := make([]byte, m.random.IntN(301))
	for i := range noise {
		noise[i] = byte(m.random.Uint32())
	}
	return noise
}

// copied is an example whose own ids are fresh ones, also where it refers to them.
func (m *Maker) copied(example proto.Message) proto.Message {
	message := proto.Clone(example)
	fresh := map[string]string{}
	renew := func(inner protoreflect.Message, name protoreflect.Name) {
		if fd := field(inner, name); fd != nil && inner.Get(fd).String() != "" {
			fresh[inner.Get(fd).String()] = m.ID()
		}
	}
	renew(message.ProtoReflect(), "request_id")
	everyMessage(message.ProtoReflect(), func(inner protoreflect.Message) {
		if inner.Descriptor() != message.ProtoReflect().Descriptor() {
			renew(inner, "id")
		}
	})
	everyMessage(message.ProtoReflect(), func(inner protoreflect.Message) {
		for i := range inner.Descriptor().Fields().Len() {
			fd := inner.Descriptor().Fields().Get(i)
			if fd.Kind() != protoreflect.StringKind || fd.IsList() {
				continue
			}
			if id, ok := fresh[inner.Get(fd).String()]; ok {
				inner.Set(fd, protoreflect.ValueOfString(id))
			}
		}
	})
	return message
}

// outputOnly are fields that only the core fills in; a client that sends them is ignored.
var outputOnly = map[protoreflect.Name]bool{
	"owner": true, "create_time": true, "update_time": true, "delete_time": true, "revision": true, "warnings": true, "route": true, "superseded": true,
	"record_time": true, "recorded_by": true, "code": true, "holder": true, "ended": true, "corrections": true, "trial_id": true, "import_source": true,
	"mass_before": true, "label_before": true, "fibre_before": true, "last_position": true, "since": true,
}

// seldom are fields that a good message has now and then only: with them it is right in few of all cases.
var seldom = map[protoreflect.Name]int{
	"corrects": 8, "origin": 4, "validate_only": 6, "page_token": 6, "deleted": 4, "minimum_revision": 8, "abandoned_reason": 4, "blank_of": 4,
	"experiment_id": 4, "session_id": 3, "sessions": 2, "piece_corrections": 4, "etag": 2, "after_position": 4, "filter": 2, "update": 3, "bath_id": 1,
}

// fill sets the fields of a message to good values.
func (m *Maker) fill(message protoreflect.Message, depth int) {
	descriptor := message.Descriptor()
	if special, ok := specials[descriptor.FullName()]; ok {
		special(m, message)
		return
	}
	request := depth == 0
	entry := strings.HasPrefix(string(descriptor.FullName()), "commonvat.lab.v1.Import") && !request
	for i := range descriptor.Fields().Len() {
		fd := descriptor.Fields().Get(i)
		name := fd.Name()
		switch {
		case outputOnly[name] && !request, depth > 6:
			continue
		case request && name == "experiment_id" && descriptor.Name() != "AskPaletteRequest": // what the request is about
			message.Set(fd, m.scalar(fd))
		case m.random.IntN(max(1, seldom[name])) != 0:
			continue
		case fd.ContainingOneof() != nil && !fd.HasOptionalKeyword() && message.WhichOneof(fd.ContainingOneof()) != nil:
			continue
		case fd.IsList():
			list := message.Mutable(fd).List()
			for range m.length(name) {
				if fd.Message() != nil {
					m.fill(list.AppendMutable().Message(), depth+1)
				} else {
					list.Append(m.scalar(fd))
				}
			}
		case fd.Message() != nil:
			if fd.IsMap() {
				continue
			}
			if optional[name] && !request && m.random.IntN(3) > 0 {
				continue
			}
			m.fill(message.Mutable(fd).Message(), depth+1)
		default:
			message.Set(fd, m.scalar(fd))
		}
	}
	if entry {
		m.withinImport(message)
	}
	if settle, ok := settled[descriptor.FullName()]; ok {
		settle(m, message)
	}
}

// optional are messages within messages that may stay out.
var optional = map[protoreflect.Name]bool{"at": true, "entered": true, "left": true, "begun": true, "taken": true, "liquor": true, "sharing": true}

// length is how many elements a good list has.
func (m *Maker) length(name protoreflect.Name) int {
	switch name {
	case "composition", "purposes", "arms", "roles", "rows":
		return 1
	case "water_parts":
		return m.random.IntN(2)
	default:
		return m.random.IntN(3)
	}
}

// withinImport takes out of an import's row what the core chooses.
func (m *Maker) withinImport(message protoreflect.Message) {
	everyMessage(message, func(inner protoreflect.Message) {
		switch inner.Descriptor().Name() {
		case "Addition", "Reading":
			for _, name := range []protoreflect.Name{"id", "piece_id", "corrects", "after_position"} {
				if fd := inner.Descriptor().Fields().ByName(name); fd != nil {
					inner.Clear(fd)
				}
			}
		}
	})
}

// everyMessage calls visit for every message within a message, and for it.
func everyMessage(message protoreflect.Message, visit func(protoreflect.Message)) {
	visit(message)
	message.Range(func(fd protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		switch {
		case fd.Message() == nil || fd.IsMap():
		case fd.IsList():
			for i := range value.List().Len() {
				everyMessage(value.List().Get(i).Message(), visit)
			}
		default:
			everyMessage(value.Message(), visit)
		}
		return true
	})
}

// kindOf tells what kind of record a field's id is of.
func kindOf(fd protoreflect.FieldDescriptor) string {
	name := string(fd.Name())
	if name == "id" || name == "record_id" || name == "entry_id" {
		switch message := fd.Parent().Name(); message {
		case "Trial", "Piece", "Bath", "Experiment", "Session":
			return strings.ToLower(string(message))
		case "WaterSource":
			return "water_source"
		case "WaterSample":
			return "water_sample"
		case "GetVersionRequest", "ListVersionsRequest":
			return "trial"
		default:
			return "entry"
		}
	}
	name = strings.TrimSuffix(name, "_id")
	return strings.TrimPrefix(strings.TrimPrefix(name, "parent_"), "corrected_")
}

// ID is a fresh UUID of version 7 (RFC 9562, section 5.7), out of the seed.
func (m *Maker) ID() string {
	const begin = 0x0190f3c40000 // milliseconds: the middle of 2024
	high, low := m.random.Uint64(), m.random.Uint64()
	return fmt.Sprintf("%08x-%04x-7%03x-8%03x-%012x", uint64(begin)>>16+high>>48, high>>32&0xffff, high&0xfff, low>>48&0xfff, low&0xffffffffffff)
}

// reference is an id of a kind: of this message's own, of what there is, or of nothing.
func (m *Maker) reference(kind string) string {
	made, known := m.made[kind], m.known.IDs[kind]
	switch {
	case len(made) > 0 && m.random.IntN(4) > 0:
		return pick(m, made)
	case len(known) > 0:
		return pick(m, known)
	case len(made) > 0:
		return pick(m, made)
	default:
		return m.ID()
	}
}

func pick[T any](m *Maker, from []T) T {
	if len(from) == 0 {
		var zero T
		return zero
	}
	return from[m.random.IntN(len(from))]
}
