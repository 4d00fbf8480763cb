// Package document reads small YAML and JSON documents strictly: every key
// must be known and stand once; anchors, aliases, tags and merges are refused;
// size, depth and number of values are limited; every fault names its line.
package document

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"sort"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// Limits of a document.
const (
	MaxBytes  = 4 << 20
	MaxDepth  = 16
	MaxValues = 500_000
)

// Kind is the sort of a value.
type Kind int

// The kinds of values.
const (
	Null Kind = iota
	Scalar
	Mapping
	Sequence
)

// Node is one value of a document.
type Node struct {
	Line    int // from 1
	Kind    Kind
	Text    string // of a scalar, as written
	Quoted  bool   // a scalar that stood in quotes, or as a text block
	Keys    []Key  // of a mapping
	Items   []*Node
	claimed map[string]bool
}

// Key is one key of a mapping with its value.
type Key struct {
	Name  string
	Line  int
	Value *Node
}

// Fault is one fault of a document.
type Fault struct {
	Line int    // 0 when it isn't of one line
	Path string // for example pieces[2].mass
	Text string
}

func (f Fault) String() string {
	var b strings.Builder
	if f.Line > 0 {
		fmt.Fprintf(&b, "line %d: ", f.Line)
	}
	if f.Path != "" {
		b.WriteString(f.Path + ": ")
	}
	b.WriteString(f.Text)
	return b.String()
}

// Error is all the faults of a document, in order of lines.
type Error struct{ Faults []Fault }

// Error implements error: one fault a line.
func (e *Error) Error() string { return strings.Join(e.Lines(), "\n") }

// Lines gives each fault as one line of text.
func (e *Error) Lines() []string {
	lines := make([]string, len(e.Faults))
	for i, f := range e.Faults {
		lines[i] = f.String()
	}
	return lines
}

func fault(line int, format string, args ...any) error {
	return &Error{Faults: []Fault{{Line: line, Text: fmt.Sprintf(format, args...)}}}
}

// Parse reads one document. What begins with "{" is read as JSON, all else as YAML. Errors are *Error.
func Parse(data []byte) (*Node, error) {
	if len(data) > MaxBytes {
		return nil, fault(0, "the document has %d bytes; allowed: at most %d", len(data), MaxBytes)
	}
	if !utf8.Valid(data) {
		return nil, fault(0, "the document is not UTF-8 text")
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	for i, c := range data {
		if c < 0x20 && c != '\n' && c != '\r' && c != '\t' || c == 0x7f {
			return nil, fault(1+bytes.Count(data[:i], []byte("\n")), "control character 0x%02x", c)
		}
	}
	if len(bytes.TrimSpace(data)) == 0 {
		return nil, fault(0, "the document is empty")
	}
	if bytes.TrimSpace(data)[0] == '{' {
		return parseJSON(data)
	}
	return parseYAML(data)
}

type counter struct{ values int }

func (c *counter) step(line, depth int) error {
	c.values++
	if c.values > MaxValues {
		return fault(line, "more than %d values", MaxValues)
	}
	if depth > MaxDepth {
		return fault(line, "nested deeper than %d levels", MaxDepth)
	}
	return nil
}

func parseJSON(data []byte) (*Node, error) {
	d := json.NewDecoder(bytes.NewReader(data))
	d.UseNumber()
	j := &jsonReader{d: d, data: data}
	n, err := j.value(1)
	if err == nil {
		if _, extra := d.Token(); !errors.Is(extra, io.EOF) {
			err = fault(j.line(), "more follows after the end of the document")
		}
	}
	if err != nil {
		var e *Error
		if errors.As(err, &e) {
			return nil, err
		}
		return nil, fault(j.line(), "not valid JSON: %v", err)
	}
	return n, nil
}

type jsonReader struct {
	d    *json.Decoder
	data []byte
	counter
	at, seen int // line counting goes on from where it was
}

func (j *jsonReader) line() int {
	off := min(int(j.d.InputOffset()), len(j.data))
	j.seen += bytes.Count(j.data[j.at:off], []byte("\n"))
	j.at = off
	return j.seen + 1
}

func (j *jsonReader) value(depth int) (*Node, error) {
	t, err := j.d.Token()
	if err != nil {
		return nil, err
	}
	n := &Node{Line: j.line()}
	if err := j.step(n.Line, depth); err != nil {
		return nil, err
	}
	switch v := t.(type) {
	case json.Delim:
		if v == '{' {
			n.Kind = Mapping
			for j.d.More() {
				k, err := j.d.Token()
				if err != nil {
					return nil, err
				}
				name, _ := k.(string)
				line := j.line()
				for _, have := range n.Keys {
					if have.Name == name {
						return nil, fault(line, "key %q stands twice", name)
					}
				}
				child, err := j.value(depth + 1)
				if err != nil {
					return nil, err
				}
				n.Keys = append(n.Keys, Key{Name: name, Line: line, Value: child})
			}
		} else {
			n.Kind = Sequence
			for j.d.More() {
				child, err := j.value(depth + 1)
				if err != nil {
					return nil, err
				}
				n.Items = append(n.Items, child)
			}
		}
		_, err := j.d.Token()
		return n, err
	case string:
		n.Kind, n.Text, n.Quoted = Scalar, v, true
	case json.Number:
		n.Kind, n.Text = Scalar, v.String()
	case bool:
		n.Kind, n.Text = Scalar, fmt.Sprint(v)
	}
	return n, nil
}

func parseYAML(data []byte) (n *Node, err error) {
	if err := shallow(data); err != nil {
		return nil, err
	}
	defer func() {
		if r := recover(); r != nil { // the reader of YAML is not ours; a fault of it is a fault of the file
			n, err = nil, fault(0, "not valid YAML")
		}
	}()
	file, err := parser.ParseBytes(data, 0)
	if err != nil {
		return nil, fault(0, "not valid YAML: %s", oneLine(err.Error()))
	}
	var body ast.Node
	for _, doc := range file.Docs {
		if doc.Body == nil {
			continue
		}
		if body != nil {
			return nil, fault(line(doc.Body), "more than one document in the file")
		}
		body = doc.Body
	}
	if body == nil {
		return nil, fault(0, "the document is empty")
	}
	var c counter
	return c.convert(body, 1)
}

// shallow refuses nesting that would be costly to read, before it is read.
func shallow(data []byte) error {
	depth := 0
	for number, text := range bytes.Split(data, []byte("\n")) {
		rest, marks := text, 0
		for {
			trimmed := bytes.TrimLeft(rest, " \t\r")
			if len(rest)-len(trimmed) > 200 {
				return fault(number+1, "indented deeper than 200 columns")
			}
			rest = trimmed
			if len(rest) < 2 || !strings.ContainsRune("-?:", rune(rest[0])) || rest[1] != ' ' && rest[1] != '\t' {
				break
			}
			rest = rest[1:]
			if marks++; marks > MaxDepth {
				return fault(number+1, "nested deeper than %d levels", MaxDepth)
			}
		}
		if bytes.HasPrefix(rest, []byte("#")) {
			continue
		}
		if bytes.Count(rest, []byte("!"))+bytes.Count(rest, []byte("&")) > 100 {
			return fault(number+1, "more than 100 of the characters ! and & in one line")
		}
		for _, c := range rest {
			switch c {
			case '[', '{':
				if depth++; depth > 2*MaxDepth {
					return fault(number+1, "more than %d brackets are open", 2*MaxDepth)
				}
			case ']', '}':
				depth = max(0, depth-1)
			}
		}
	}
	return nil
}

func oneLine(s string) string {
	s, _, _ = strings.Cut(s, "\n")
	if r := []rune(s); len(r) > 200 {
		s = string(r[:200]) + "..."
	}
	return s
}

func line(n ast.Node) int {
	if t := n.GetToken(); t != nil && t.Position != nil {
		return t.Position.Line
	}
	return 0
}

func (c *counter) convert(y ast.Node, depth int) (*Node, error) {
	n := &Node{Line: line(y)}
	if err := c.step(n.Line, depth); err != nil {
		return nil, err
	}
	switch v := y.(type) {
	case *ast.NullNode:
	case *ast.MappingNode:
		return n, c.pairs(n, v.Values, depth)
	case *ast.MappingValueNode:
		return n, c.pairs(n, []*ast.MappingValueNode{v}, depth)
	case *ast.SequenceNode:
		n.Kind = Sequence
		for _, item := range v.Values {
			child, err := c.convert(item, depth+1)
			if err != nil {
				return nil, err
			}
			n.Items = append(n.Items, child)
		}
	case *ast.StringNode:
		n.Kind, n.Text = Scalar, v.Value
		n.Quoted = v.Token != nil && (v.Token.Type.String() == "SingleQuote" || v.Token.Type.String() == "DoubleQuote")
	case *ast.LiteralNode:
		n.Kind, n.Text, n.Quoted = Scalar, v.Value.Value, true
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		n.Kind, n.Text = Scalar, y.GetToken().Value
	case *ast.AnchorNode, *ast.AliasNode, *ast.MergeKeyNode:
		return nil, fault(n.Line, "anchors, aliases and merges are not used in these files")
	case *ast.TagNode:
		return nil, fault(n.Line, "tags are not used in these files")
	default:
		return nil, fault(n.Line, "this kind of YAML value is not used in these files")
	}
	return n, nil
}

func (c *counter) pairs(n *Node, values []*ast.MappingValueNode, depth int) error {
	n.Kind = Mapping
	seen := make(map[string]bool, len(values))
	for _, pair := range values {
		key, err := c.convert(pair.Key, depth+1)
		if err != nil {
			return err
		}
		if key.Kind != Scalar {
			return fault(key.Line, "a key must be a word")
		}
		if seen[key.Text] {
			return fault(key.Line, "key %q stands twice", key.Text)
		}
		seen[key.Text] = true
		child, err := c.convert(pair.Value, depth+1)
		if err != nil {
			return err
		}
		n.Keys = append(n.Keys, Key{Name: key.Text, Line: key.Line, Value: child})
	}
	return nil
}

// Faults collects the faults of a document while it is read.
type Faults struct{ list []Fault }

// Add takes down a fault.
func (f *Faults) Add(line int, path, format string, args ...any) {
	f.list = append(f.list, Fault{Line: line, Path: path, Text: fmt.Sprintf(format, args...)})
}

// Err gives all faults in order of lines, or nil. At most 100 are given.
func (f *Faults) Err() error {
	if len(f.list) == 0 {
		return nil
	}
	sort.SliceStable(f.list, func(i, j int) bool { return f.list[i].Line < f.list[j].Line })
	list := f.list
	if len(list) > 100 {
		list = append(list[:100:100], Fault{Text: fmt.Sprintf("and %d faults more", len(f.list)-100)})
	}
	return &Error{Faults: list}
}
