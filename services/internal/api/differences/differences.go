// Package differences says in a dyer's words what differs between two versions of a record: "title", "2 readings added",
// "routes of 3 pieces changed". It tells the owner what changed since they read it, and the history what each version did.
//
// Nothing of a record is passed over: a field that has no words of its own is told by its name. What is left out on purpose stands in
// bookkeeping, with the reason.
package differences

import (
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// bookkeeping are the fields that aren't told, with the reason.
var bookkeeping = map[protoreflect.FullName]string{}

func init() {
	for _, record := range []protoreflect.FullName{"Trial", "Bath", "WaterSource", "Experiment"} {
		name := "commonvat.lab.v1." + record + "."
		bookkeeping[name+"id"] = "two versions of a record have one id"
		bookkeeping[name+"create_time"] = "when a record was first kept never changes"
		bookkeeping[name+"update_time"] = "moves with every change"
		bookkeeping[name+"revision"] = "moves with every change"
		bookkeeping[name+"etag"] = "moves with every change"
	}
	bookkeeping["commonvat.lab.v1.Piece.last_position"] = "follows from the immersions, which are told"
	bookkeeping["commonvat.types.v1.Sharing.since"] = "moves with the level, which is told"
}

// Between lists what differs from before to after, two records of the same kind; nothing when they say the same. The lines are in
// the order of the record's fields.
func Between(before, after proto.Message) []string {
	a, b := before.ProtoReflect(), after.ProtoReflect()
	if a.Descriptor() != b.Descriptor() {
		return []string{"the kind of record"}
	}
	var lines []string
	fields := a.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		if bookkeeping[fd.FullName()] != "" || same(fd, a, b) {
			continue
		}
		lines = append(lines, field(fd, a, b)...)
	}
	return lines
}

// same compares one field of two messages, bookkeeping below it aside.
func same(fd protoreflect.FieldDescriptor, a, b protoreflect.Message) bool {
	if a.Has(fd) != b.Has(fd) {
		return false
	}
	x, y := a.Get(fd), b.Get(fd)
	if !fd.IsList() {
		return sameValue(fd, x, y)
	}
	if x.List().Len() != y.List().Len() {
		return false
	}
	for i := range x.List().Len() {
		if !sameValue(fd, x.List().Get(i), y.List().Get(i)) {
			return false
		}
	}
	return true
}

func sameValue(fd protoreflect.FieldDescriptor, x, y protoreflect.Value) bool {
	if fd.Message() == nil {
		return x.Equal(y)
	}
	a, b := x.Message(), y.Message()
	fields := fd.Message().Fields()
	for i := range fields.Len() {
		if inner := fields.Get(i); bookkeeping[inner.FullName()] == "" && !same(inner, a, b) {
			return false
		}
	}
	return string(a.GetUnknown()) == string(b.GetUnknown())
}

// field tells of one field that differs.
func field(fd protoreflect.FieldDescriptor, a, b protoreflect.Message) []string {
	name := fd.FullName()
	if list, ok := lists[name]; ok {
		return list.between(a.Get(fd).List(), b.Get(fd).List())
	}
	if say := sentences[name.Name()]; say != nil {
		return []string{say(fd, a, b)}
	}
	return []string{plain(fd)}
}

// plain is a field's name as it is spoken.
func plain(fd protoreflect.FieldDescriptor) string {
	if words := spoken[fd.Name()]; words != "" {
		return words
	}
	return strings.ReplaceAll(string(fd.Name()), "_", " ")
}

// spoken are fields whose names aren't what a dyer says.
var spoken = map[protoreflect.Name]string{
	"blank_of":         "what it is the blank of",
	"water_parts":      "water",
	"tolerance_de00":   "tolerance",
	"import_source":    "source of the import",
	"warnings":         "notes of what looked odd",
	"common":           "whether every member can get it",
	"begun":            "begin",
	"session_id":       "session",
	"weighing_basis":   "weighing",
	"experiment_id":    "experiment",
	"asks":             "what it asks",
	"water_source_ids": "waters compared",
	"values":           "values compared",
	"water_figure":     "figure of the waters",
}

// sentences are fields that are told with what became of them.
var sentences = map[protoreflect.Name]func(fd protoreflect.FieldDescriptor, a, b protoreflect.Message) string{
	"state": func(fd protoreflect.FieldDescriptor, _, b protoreflect.Message) string {
		value := fd.Enum().Values().ByNumber(b.Get(fd).Enum())
		if value == nil {
			return "state"
		}
		return "state: " + strings.ToLower(strings.TrimPrefix(string(value.Name()), "TRIAL_STATE_"))
	},
	"sharing":                   sharing,
	"delete_time":               either("deleted", "undeleted"),
	"open_to_members":           either("opened to members", "closed to members"),
	"place_shown":               either("place shown to members", "place no longer shown to members"),
	"contents_not_stated":       either("contents said not to be known", "contents no longer said not to be known"),
	"exhaust_number_not_stated": either("number of the exhaust bath said not to be known", "number of the exhaust bath no longer said not to be known"),
	"exhaust_not_stated":        either("whether fresh or exhaust said not to be known", "whether fresh or exhaust no longer said not to be known"),
}

func either(there, gone string) func(protoreflect.FieldDescriptor, protoreflect.Message, protoreflect.Message) string {
	return func(fd protoreflect.FieldDescriptor, a, b protoreflect.Message) string {
		switch {
		case a.Has(fd) && b.Has(fd):
			return plain(fd)
		case b.Has(fd):
			return there
		default:
			return gone
		}
	}
}

func sharing(fd protoreflect.FieldDescriptor, a, b protoreflect.Message) string {
	before, _ := a.Get(fd).Message().Interface().(*typesv1.Sharing)
	after, _ := b.Get(fd).Message().Interface().(*typesv1.Sharing)
	switch {
	case before.GetLevel() == after.GetLevel() && before.GetLicence() != after.GetLicence():
		return "licence"
	case before.GetLevel() == after.GetLevel():
		return "sharing"
	}
	switch after.GetLevel() {
	case typesv1.SharingLevel_SHARING_LEVEL_COOPERATIVE:
		return "shared with the cooperative"
	case typesv1.SharingLevel_SHARING_LEVEL_PUBLIC:
		return "shared with the public"
	case typesv1.SharingLevel_SHARING_LEVEL_MINE, typesv1.SharingLevel_SHARING_LEVEL_UNSPECIFIED:
		return "shared with nobody"
	default:
		return "sharing"
	}
}

// count is "1 reading", "2 readings".
func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
