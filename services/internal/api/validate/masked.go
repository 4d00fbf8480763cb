package validate

import (
	"regexp"
	"slices"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
)

// The limits of an update mask and of an etag.
const (
	maxMaskPaths = 20
	maxEtag      = 100
	maxReason    = 500
)

// everything in an update mask stands for all fields that may be named there.
const everything = "*"

var maskPath = regexp.MustCompile(`^[a-z0-9_.*]{1,60}$`)

// mask is a required update mask of these fields; what else is named there is refused with those that may be.
func mask(allowed ...string) check {
	words := strings.Join(allowed, ", ") + "; or * for all of them"
	return func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		paths := maskOf(m, fd)
		if len(paths) == 0 {
			w.fault(p, "is required; allowed: %s", words)
			return
		}
		faults := len(w.faults)
		maybe(w, p, m, fd)
		if len(w.faults) > faults {
			return
		}
		for i, name := range paths {
			if name == everything && len(paths) == 1 || slices.Contains(allowed, name) {
				continue
			}
			w.fault(p.of("paths").at(i), "%s can't be changed so; allowed: %s", shown(name), words)
		}
	}
}

// maskPaths is the list in an update mask.
func maskPaths(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
	list := m.Get(fd).List()
	if !checkLength(w, p, list.Len(), 1, maxMaskPaths) {
		return
	}
	for i := range list.Len() {
		if name := list.Get(i).String(); !maskPath.MatchString(name) {
			w.fault(p.at(i), "%s is malformed; allowed: 1 to 60 of a-z, 0-9, \"_\", \".\" and \"*\"", shown(name))
		}
	}
}

// maskOf are the paths of a field that is an update mask.
func maskOf(m protoreflect.Message, fd protoreflect.FieldDescriptor) []string {
	given, _ := m.Get(fd).Message().Interface().(*fieldmaskpb.FieldMask)
	return given.GetPaths()
}

// masked is a required record of which its id and what the request's update_mask names is checked, by the variant "update" of its
// table; the rest is not looked at by anybody.
func masked(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
	if !m.Has(fd) {
		w.fault(p, "is required")
		return
	}
	named := maskOf(m, m.Descriptor().Fields().ByName("update_mask"))
	all := slices.Contains(named, everything)
	record := m.Get(fd).Message()
	table, ok := tables[string(record.Descriptor().FullName())+"#update"]
	if !ok {
		w.fault(p, "can't be checked")
		return
	}
	if unknown := record.GetUnknown(); len(unknown) > 0 {
		w.fault(p, "has fields that this core doesn't know, or is malformed (%d bytes)", len(unknown))
	}
	for _, f := range table.fields {
		name := string(f.descriptor.Name())
		if name == "id" || all || slices.Contains(named, name) {
			f.check(w, p.of(name), record, f.descriptor)
		}
	}
	if all && table.whole != nil {
		table.whole(w, p, record)
	}
}

// The etag of a record as it was read: of a change that needs it, and of one that may go without.
var etagGiven, etagMaybe = text(1, maxEtag), text(0, maxEtag)

// atLeastOne refuses a message of which none of some fields is there.
func atLeastOne(w *walk, p *path, m protoreflect.Message, names ...protoreflect.Name) {
	words := make([]string, len(names))
	for i, name := range names {
		if m.Has(m.Descriptor().Fields().ByName(name)) {
			return
		}
		words[i] = string(name)
	}
	w.fault(p, "says nothing; allowed: at least one of %s", strings.Join(words, ", "))
}
