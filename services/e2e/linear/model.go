package linear

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"

	"github.com/anishathalye/porcupine"
)

// Kind is what an operation does.
type Kind string

// The kinds. Update, Delete and Undelete ask with an etag.
const (
	Create   Kind = "create"
	Get      Kind = "get"
	Add      Kind = "add"
	Update   Kind = "update"
	Delete   Kind = "delete"
	Undelete Kind = "undelete"
)

// Result is how an operation was answered.
type Result string

// The results.
const (
	OK         Result = "ok"
	NotFound   Result = "not found"
	Exists     Result = "exists"      // of Create
	Stale      Result = "stale"       // the etag is of another version
	Gone       Result = "gone"        // the record is deleted; its owner may still read it
	NotDeleted Result = "not deleted" // of Undelete
	Unknown    Result = "unknown"     // there was no answer
)

// Input is what a client asks.
type Input struct {
	Record string
	Kind   Kind
	Value  string // of Create, Update; each once
	Entry  string // of Add; each once
	// Revision that the etag names; 0 for none.
	Revision int64
	Etag     string // as the core told it with that revision
}

// Output is what a client was answered.
type Output struct {
	Result Result
	// With OK, the record as the answer shows it.
	Value    string
	List     Digest // of the entries, in order
	Deleted  bool
	Revision int64
	Etag     string
}

// Digest stands for a list of entries in its order.
type Digest string

// With is the digest of a list with one more entry.
func (d Digest) With(entry string) Digest {
	sum := sha256.Sum256([]byte(string(d) + "\n" + entry))
	return Digest(hex.EncodeToString(sum[:8]))
}

// DigestOf is the digest of a list.
func DigestOf(entries []string) (d Digest) {
	for _, e := range entries {
		d = d.With(e)
	}
	return d
}

// state is a record.
type state struct {
	there, deleted bool
	value          string
	list           Digest
	// revision of the last change; when it isn't known (no answer told), a bound from below.
	revision int64
	known    bool
}

// changed is the state after a change that was answered with a revision.
func (s state) changed(out Output) (state, bool) {
	if out.Revision <= s.revision && s.revision > 0 {
		return s, false
	}
	s.revision, s.known = out.Revision, true
	return s, out.Value == s.value && out.List == s.list && out.Deleted == s.deleted
}

// Model is that of a set of records, each by itself.
func Model() porcupine.Model {
	m := porcupine.NondeterministicModel{
		Partition: func(history []porcupine.Operation) (parts [][]porcupine.Operation) {
			place := map[string]int{}
			for _, op := range history {
				record := op.Input.(Input).Record
				at, ok := place[record]
				if !ok {
					at = len(parts)
					place[record], parts = at, append(parts, nil)
				}
				parts[at] = append(parts[at], op)
			}
			return parts
		},
		Init: func() []any { return []any{state{}} },
		Step: func(from, input, output any) []any { return step(from.(state), input.(Input), output.(Output)) },
		DescribeOperation: func(input, output any) string {
			in, out := input.(Input), output.(Output)
			return fmt.Sprintf("%s %s%s @%d: %s %s @%d", in.Kind, in.Value, in.Entry, in.Revision, out.Result, out.Value, out.Revision)
		},
		DescribeState: func(s any) string { return fmt.Sprintf("%+v", s) },
	}
	return m.ToModel()
}

// step gives the states in which an operation that was answered so may leave the record.
func step(s state, in Input, out Output) []any {
	if out.Result == Unknown {
		if in.Kind == Get || refusal(s, in) != OK {
			return []any{s}
		}
		done := apply(s, in)
		done.revision, done.known = s.revision+1, false
		return []any{s, done}
	}
	if want := refusal(s, in); want != out.Result {
		return nil
	}
	switch {
	case out.Result != OK:
		return []any{s}
	case in.Kind == Get:
		if out.Value != s.value || out.List != s.list || out.Deleted != s.deleted || s.known && out.Revision != s.revision || out.Revision < s.revision {
			return nil
		}
		s.revision, s.known = out.Revision, true // from now on it is known
		return []any{s}
	}
	if next, ok := apply(s, in).changed(out); ok {
		return []any{next}
	}
	return nil
}

// refusal is how a record refuses an operation, or OK.
func refusal(s state, in Input) Result {
	switch {
	case in.Kind == Create && s.there:
		return Exists
	case in.Kind == Create:
		return OK
	case !s.there:
		return NotFound
	case in.Revision != 0 && (!s.known || in.Revision != s.revision):
		// Whoever has the etag read it, and then it is known.
		return Stale
	case in.Kind == Undelete && !s.deleted:
		return NotDeleted
	case s.deleted && in.Kind != Undelete && in.Kind != Get:
		return Gone
	}
	return OK
}

func apply(s state, in Input) state {
	switch in.Kind {
	case Create:
		s.there, s.value = true, in.Value
	case Update:
		s.value = in.Value
	case Add:
		s.list = s.list.With(in.Entry)
	case Delete:
		s.deleted = true
	case Undelete:
		s.deleted = false
	}
	return s
}
