package document

import (
	"math"
	"regexp"
	"sort"
	"strconv"
	"strings"
)

// Fields reads the keys of one mapping. A key that isn't there, or has no
// value, reads as absent. Close reports the keys that nobody asked for.
type Fields struct {
	Path   string
	Line   int
	node   *Node
	faults *Faults
	asked  []string
}

// Fields begins to read a mapping; anything else is a fault, and reads as empty.
func (f *Faults) Fields(n *Node, path string) *Fields {
	if n == nil {
		return &Fields{Path: path, faults: f}
	}
	r := &Fields{Path: path, Line: n.Line, faults: f}
	if n.Kind != Mapping {
		f.Add(n.Line, path, "must be a mapping of keys to values")
		return r
	}
	r.node = n
	if n.claimed == nil {
		n.claimed = map[string]bool{}
	}
	return r
}

// PathOf is the path of a key.
func (r *Fields) PathOf(key string) string {
	if r.Path == "" {
		return key
	}
	return r.Path + "." + key
}

// Fault takes down a fault of a key, at the key's line.
func (r *Fields) Fault(key, format string, args ...any) {
	line := r.Line
	if r.node != nil {
		for _, k := range r.node.Keys {
			if k.Name == key {
				line = k.Line
			}
		}
	}
	r.faults.Add(line, r.PathOf(key), format, args...)
}

// Child gives the value of a key, or nil.
func (r *Fields) Child(key string) *Node {
	r.asked = append(r.asked, key)
	if r.node == nil {
		return nil
	}
	for _, k := range r.node.Keys {
		if k.Name == key {
			r.node.claimed[key] = true
			if k.Value.Kind == Null {
				return nil
			}
			return k.Value
		}
	}
	return nil
}

// Has tells whether a key has a value.
func (r *Fields) Has(key string) bool { return r.Child(key) != nil }

// Close reports every key that was not asked for.
func (r *Fields) Close() {
	if r.node == nil {
		return
	}
	for _, k := range r.node.Keys {
		if !r.node.claimed[k.Name] {
			known := append([]string(nil), r.asked...)
			sort.Strings(known)
			r.faults.Add(k.Line, r.PathOf(k.Name), "unknown key; known here: %s", strings.Join(compact(known), ", "))
		}
	}
}

func compact(sorted []string) []string {
	var out []string
	for _, s := range sorted {
		if len(out) == 0 || out[len(out)-1] != s {
			out = append(out, s)
		}
	}
	return out
}

// Text gives a scalar as it was written, or "".
func (r *Fields) Text(key string) string {
	n := r.Child(key)
	if n == nil {
		return ""
	}
	if n.Kind != Scalar {
		r.Fault(key, "must be one value, not a list or a mapping")
		return ""
	}
	return strings.TrimSpace(n.Text)
}

// Bool gives true or false; absent is false.
func (r *Fields) Bool(key string) bool {
	switch text := r.Text(key); text {
	case "true":
		return true
	case "false", "":
		return false
	default:
		r.Fault(key, "%q must be true or false", text)
		return false
	}
}

var decimal = regexp.MustCompile(`^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?$`)

// Decimal reads a decimal number; NaN, infinities and other bases are refused.
func Decimal(text string) (float64, bool) {
	if len(text) > 70 || !decimal.MatchString(text) {
		return 0, false
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, false
	}
	return v, true
}

// Hundredth reads a decimal number as percent: the double nearest to a hundredth of it.
func Hundredth(text string) (float64, bool) {
	v, ok := Decimal(text)
	if !ok || strings.ContainsAny(text, "eE") {
		return v / 100, ok
	}
	return Decimal(text + "e-2")
}

// Number gives a decimal number, or nil when absent.
func (r *Fields) Number(key string) *float64 {
	text := r.Text(key)
	if text == "" {
		return nil
	}
	v, ok := Decimal(text)
	if !ok {
		r.Fault(key, "%q is not a decimal number", text)
		return nil
	}
	return &v
}

// Whole gives a whole number within a range, or 0 when absent.
func (r *Fields) Whole(key string, least, most int32) int32 {
	text := r.Text(key)
	if text == "" {
		return 0
	}
	v, err := strconv.ParseInt(text, 10, 32)
	if err != nil || v < int64(least) || v > int64(most) {
		r.Fault(key, "%q must be a whole number from %d to %d", text, least, most)
		return 0
	}
	return int32(v)
}

// Numbers gives a list of numbers, each read by Decimal or Hundredth.
func (r *Fields) Numbers(key string, read func(string) (float64, bool)) []float64 {
	var out []float64
	for _, n := range r.List(key) {
		v, ok := read(strings.TrimSpace(n.Text))
		if n.Kind != Scalar || !ok {
			r.faults.Add(n.Line, r.PathOf(key), "%q is not a decimal number", n.Text)
			continue
		}
		out = append(out, v)
	}
	return out
}

// Texts gives a list of scalars; a single scalar is a list of one.
func (r *Fields) Texts(key string) []string {
	n := r.Child(key)
	if n != nil && n.Kind == Scalar {
		return []string{strings.TrimSpace(n.Text)}
	}
	var out []string
	for _, item := range r.List(key) {
		if item.Kind != Scalar {
			r.faults.Add(item.Line, r.PathOf(key), "must be a list of words")
			continue
		}
		out = append(out, strings.TrimSpace(item.Text))
	}
	return out
}

// List gives the items of a list.
func (r *Fields) List(key string) []*Node {
	n := r.Child(key)
	if n == nil {
		return nil
	}
	if n.Kind != Sequence {
		r.Fault(key, "must be a list")
		return nil
	}
	return n.Items
}

// Map gives the keys of a mapping in their order.
func (r *Fields) Map(key string) []Key {
	n := r.Child(key)
	if n == nil {
		return nil
	}
	if n.Kind != Mapping {
		r.Fault(key, "must be a mapping of keys to values")
		return nil
	}
	return n.Keys
}
