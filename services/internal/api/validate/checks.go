package validate

import (
	"fmt"
	"math"
	"regexp"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// shown is a value as a fault shows it: quoted, and cut short where it is long.
func shown(text string) string {
	const most = 40
	if utf8.RuneCountInString(text) > most {
		return fmt.Sprintf("%q...", string([]rune(text)[:most]))
	}
	return fmt.Sprintf("%q", text)
}

// text is a string of least to most characters without control characters (line breaks and tabs aside).
func text(least, most int) check {
	return func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		checkText(w, p, m.Get(fd).String(), least, most)
	}
}

func checkText(w *walk, p *path, value string, least, most int) bool {
	length := utf8.RuneCountInString(value)
	switch {
	case length == 0 && least > 0:
		w.fault(p, "is required; allowed: %d to %d characters", least, most)
	case length < least || length > most:
		w.fault(p, "has %d characters; allowed: %d to %d", length, least, most)
	case least > 0 && strings.TrimSpace(value) == "":
		w.fault(p, "%s is blank; allowed: %d to %d characters", shown(value), least, most)
	case strings.ContainsFunc(value, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }):
		w.fault(p, "%s has control characters; allowed: printable characters", shown(value))
	default:
		return true
	}
	return false
}

// name is text in lower case without spaces at its ends, as dyestuffs and fibres are named, so that one thing has one name.
func name(least, most int) check {
	return func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		checkName(w, p, m.Get(fd).String(), least, most)
	}
}

func checkName(w *walk, p *path, value string, least, most int) bool {
	switch {
	case !checkText(w, p, value, least, most):
	case value != strings.ToLower(value) || value != strings.TrimSpace(value):
		w.fault(p, "%s must be in lower case, without spaces at its ends", shown(value))
	default:
		return true
	}
	return false
}

var (
	memberID  = regexp.MustCompile(`^[a-z][a-z0-9-]{1,31}$`)
	pieceCode = regexp.MustCompile(`^[0-9A-Za-z-]{1,20}$`)
	tokenID   = regexp.MustCompile(`^[a-z2-7]{16}$`)
	// Of modules, as the catalog has them.
	moduleDigest = regexp.MustCompile(`^[0-9a-f]{64}$`)
	moduleNames  = regexp.MustCompile(`^[a-z][a-z0-9]{0,39}$|^[a-z](?:-?[a-z0-9]){1,39}$`)
)

// validUUID reports whether value has the form of RFC 9562, section 4, in lower case, and isn't the nil UUID. It stands for an
// expression that would take most of the time of a check.
func validUUID(value string) bool {
	if len(value) != 36 {
		return false
	}
	for i := range len(value) {
		c := value[i]
		switch i {
		case 8, 13, 18, 23:
			if c != '-' {
				return false
			}
		default:
			if (c < '0' || c > '9') && (c < 'a' || c > 'f') {
				return false
			}
		}
	}
	return value != "00000000-0000-0000-0000-000000000000"
}

const uuidRange = "allowed: a UUID of 36 characters in lower case"

func checkUUID(w *walk, p *path, value string, required bool) bool {
	switch {
	case value == "" && required:
		w.fault(p, "is required; %s", uuidRange)
	case value == "" || validUUID(value):
		return value != ""
	default:
		w.fault(p, "%s is not an id; %s", shown(value), uuidRange)
	}
	return false
}

// newID is the id that the client chose for a new record: a UUID of version 7, once in a request.
func newID(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
	value := m.Get(fd).String()
	if !checkUUID(w, p, value, true) {
		return
	}
	if value[14] != '7' {
		w.fault(p, "%s is a UUID of version %c; allowed: version 7, so that ids are in the order of time", shown(value), value[14])
		return
	}
	if before, ok := w.chosen[value]; ok {
		w.fault(p, "%s is already the id of %s; allowed: each id once", shown(value), before)
		return
	}
	if w.chosen == nil {
		w.chosen = make(map[string]string)
	}
	w.chosen[value] = p.String()
}

// reference names a record that is there already, or another of the request.
func reference(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
	checkUUID(w, p, m.Get(fd).String(), true)
}

// maybeReference is a reference that may be empty.
func maybeReference(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
	checkUUID(w, p, m.Get(fd).String(), false)
}

// empty is a string that must not be given here.
func empty(why string) check {
	return func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		if m.Has(fd) {
			w.fault(p, "must be empty: %s", why)
		}
	}
}

// matching is a string of a form that is told in words.
// size is how many bytes a field of bytes has.
func size(least, most int) check {
	return func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		if n := len(m.Get(fd).Bytes()); n < least || n > most {
			w.fault(p, "has %d bytes; allowed: %d to %d", n, least, most)
		}
	}
}

func matching(form *regexp.Regexp, allowed string) check {
	return func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		value := m.Get(fd).String()
		switch {
		case value == "":
			w.fault(p, "is required; allowed: %s", allowed)
		case !form.MatchString(value):
			w.fault(p, "%s is malformed; allowed: %s", shown(value), allowed)
		}
	}
}

var member = matching(memberID, `2 to 32 of a-z, 0-9 and "-", beginning with a letter`)

// maybeMember is a member's id that may be empty.
func maybeMember(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
	if m.Get(fd).String() != "" {
		member(w, p, m, fd)
	}
}

// pieceName is a piece's UUID or its short code.
func pieceName(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
	value := m.Get(fd).String()
	switch {
	case value == "":
		w.fault(p, "is required; allowed: a piece's UUID or its short code")
	case !validUUID(value) && !pieceCode.MatchString(value):
		w.fault(p, "%s is malformed; allowed: a piece's UUID or its short code", shown(value))
	}
}

// maybePieceName is a piece's UUID or its short code, or empty.
func maybePieceName(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
	if m.Get(fd).String() != "" {
		pieceName(w, p, m, fd)
	}
}

// oneOf is a string that is one of a few words, or empty.
func oneOf(words ...string) check {
	return func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		value := m.Get(fd).String()
		for _, word := range words {
			if value == word || value == "" {
				return
			}
		}
		w.fault(p, "%s is unknown; allowed: %s, or empty", shown(value), strings.Join(words, ", "))
	}
}

// finite tells NaN and infinities, which are refused everywhere.
func finite(w *walk, p *path, value float64, allowed string) bool {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		w.fault(p, "%v is not a number; allowed: %s", value, allowed)
		return false
	}
	return true
}

// number is a figure from least to most. An optional field may be absent; any other counts as 0 when absent.
func number(least, most float64) check {
	allowed := fmt.Sprintf("%s to %s", figure(least), figure(most))
	return figureCheck(allowed, func(v float64) bool { return v >= least && v <= most })
}

// above is a figure above least, at most most.
func above(least, most float64) check {
	allowed := fmt.Sprintf("above %s, at most %s", figure(least), figure(most))
	return figureCheck(allowed, func(v float64) bool { return v > least && v <= most })
}

// numberOrZero is a figure from least to most, or 0 for the default.
func numberOrZero(least, most float64) check {
	allowed := fmt.Sprintf("%s to %s, or 0 for the default", figure(least), figure(most))
	return figureCheck(allowed, func(v float64) bool { return v == 0 || v >= least && v <= most })
}

// amongNumbers is one of a few figures.
func amongNumbers(numbers ...float64) check {
	words := make([]string, len(numbers))
	for i, n := range numbers {
		words[i] = figure(n)
	}
	return figureCheck(strings.Join(words, ", "), func(v float64) bool {
		for _, n := range numbers {
			if v == n {
				return true
			}
		}
		return false
	})
}

func figureCheck(allowed string, in func(float64) bool) check {
	return func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		if fd.HasPresence() && !m.Has(fd) {
			return
		}
		value := m.Get(fd).Float()
		if finite(w, p, value, allowed) && !in(value) {
			w.fault(p, "%s is out of range; allowed: %s", figure(value), allowed)
		}
	}
}

// figure writes a number as a person would.
func figure(v float64) string { return strings.Replace(fmt.Sprintf("%.10g", v), "e+0", "e", 1) }

// numbers is a list of least to most figures, each from low to high.
func numbers(least, most int, low, high float64) check {
	allowed := fmt.Sprintf("%s to %s", figure(low), figure(high))
	return func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		list := m.Get(fd).List()
		if !checkLength(w, p, list.Len(), least, most) {
			return
		}
		for i := range list.Len() {
			value := list.Get(i).Float()
			if finite(w, p.at(i), value, allowed) && (value < low || value > high) {
				w.fault(p.at(i), "%s is out of range; allowed: %s", figure(value), allowed)
			}
		}
	}
}

// integer is a whole number from least to most.
func integer(least, most int64) check {
	return func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		if fd.HasPresence() && !m.Has(fd) {
			return
		}
		if value := m.Get(fd).Int(); value < least || value > most {
			w.fault(p, "%d is out of range; allowed: %d to %d", value, least, most)
		}
	}
}

// pageSize: below 0 is refused; 0 means the default, and too much means the most (AIP-158).
func pageSize(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
	if value := m.Get(fd).Int(); value < 0 {
		w.fault(p, "%d is out of range; allowed: 0 for the default, or above", value)
	}
}

// enum is a known value of an enumeration; 0 is allowed and means what the enumeration says.
func enum(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
	checkEnum(w, p, m.Get(fd).Enum(), fd.Enum(), false)
}

// requiredEnum is a known value other than 0.
func requiredEnum(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
	checkEnum(w, p, m.Get(fd).Enum(), fd.Enum(), true)
}

func checkEnum(w *walk, p *path, value protoreflect.EnumNumber, descriptor protoreflect.EnumDescriptor, required bool) {
	switch {
	case required && value == 0:
		w.fault(p, "is required; allowed: %s", enumNames(descriptor, required))
	case descriptor.Values().ByNumber(value) == nil:
		w.fault(p, "%d is unknown; allowed: %s", value, enumNames(descriptor, required))
	}
}

func enumNames(descriptor protoreflect.EnumDescriptor, required bool) string {
	var names []string
	for i := range descriptor.Values().Len() {
		if value := descriptor.Values().Get(i); value.Number() != 0 || !required {
			names = append(names, string(value.Name()))
		}
	}
	return strings.Join(names, ", ")
}

// enums is a list of known values other than 0, each once.
func enums(least int) check {
	return func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		list := m.Get(fd).List()
		// Since each may be there once, there can't be more than there are values.
		if !checkLength(w, p, list.Len(), least, fd.Enum().Values().Len()-1) {
			return
		}
		seen := make(map[protoreflect.EnumNumber]bool, list.Len())
		for i := range list.Len() {
			value := list.Get(i).Enum()
			checkEnum(w, p.at(i), value, fd.Enum(), true)
			if seen[value] {
				w.fault(p.at(i), "%d is there twice; allowed: each once", value)
			}
			seen[value] = true
		}
	}
}

func checkLength(w *walk, p *path, length, least, most int) bool {
	switch {
	case length == 0 && least > 0:
		w.fault(p, "is required; allowed: %d to %d of them", least, most)
	case length < least || length > most:
		w.fault(p, "has %d of them; allowed: %d to %d", length, least, most)
	default:
		return true
	}
	return false
}

// maybe is a message that may be absent; it is checked by its own table.
func maybe(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
	if m.Has(fd) {
		below(w, p, m.Get(fd).Message(), "")
	}
}

// required is a message that must be there.
func required(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
	requiredAs("")(w, p, m, fd)
}

// requiredAs is a required message that is checked by a variant of its table.
func requiredAs(variant string) check {
	return func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		if !m.Has(fd) {
			w.fault(p, "is required")
			return
		}
		below(w, p, m.Get(fd).Message(), variant)
	}
}

// eachOnce is a list of least to most different texts, each of which the check one accepts.
func eachOnce(least, most int, one func(w *walk, p *path, value string) bool) check {
	return func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		list := m.Get(fd).List()
		if !checkLength(w, p, list.Len(), least, most) {
			return
		}
		seen := make(map[string]bool, list.Len())
		for i := range list.Len() {
			value := list.Get(i).String()
			if one(w, p.at(i), value) && seen[value] {
				w.fault(p.at(i), "%s is there twice; allowed: each once", shown(value))
			}
			seen[value] = true
		}
	}
}

func checkReference(w *walk, p *path, value string) bool { return checkUUID(w, p, value, true) }

// checkValue accepts a value that an experiment may compare.
func checkValue(w *walk, p *path, value string) bool { return checkName(w, p, value, 1, 200) }

// list is a list of least to most messages. When it is too long its elements aren't looked at.
func list(least, most int) check { return listAs(least, most, "") }

func listAs(least, most int, variant string) check {
	return func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		list := m.Get(fd).List()
		if !checkLength(w, p, list.Len(), least, most) {
			return
		}
		for i := range list.Len() {
			below(w, p.at(i), list.Get(i).Message(), variant)
		}
	}
}

// length is a list whose elements are checked elsewhere.
func length(least, most int) check {
	return func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		checkLength(w, p, m.Get(fd).List().Len(), least, most)
	}
}

func below(w *walk, p *path, m protoreflect.Message, variant string) {
	key := string(m.Descriptor().FullName())
	if variant != "" {
		key += "#" + variant
	}
	table, ok := tables[key]
	if !ok {
		w.fault(p, "can't be checked")
		return
	}
	w.message(p, m, table)
}

var (
	earliest = time.Date(1900, 1, 1, 0, 0, 0, 0, time.UTC)
	latest   = time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)
)

// instant is a google.protobuf.Timestamp between the years 1900 and 2200.
func instant(must bool) check {
	const allowed = "allowed: a time from 1900 to 2199"
	return func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		if !m.Has(fd) {
			if must {
				w.fault(p, "is required; %s", allowed)
			}
			return
		}
		stamp := m.Get(fd).Message()
		fields := stamp.Descriptor().Fields()
		seconds, nanos := stamp.Get(fields.ByName("seconds")).Int(), stamp.Get(fields.ByName("nanos")).Int()
		if nanos < 0 || nanos > 999_999_999 || seconds < earliest.Unix() || seconds >= latest.Unix() || len(stamp.GetUnknown()) > 0 {
			w.fault(p, "%d s %d ns is out of range; %s", seconds, nanos, allowed)
		}
	}
}
