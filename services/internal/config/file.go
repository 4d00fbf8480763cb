package config

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// MaxFileBytes and maxDepth bound a file: it is small, and its keys lie at most three deep.
const (
	MaxFileBytes = 64 << 10
	maxDepth     = 4
)

// entry is one value of a file.
type entry struct {
	name string // dotted
	text string
	line int // from 1
}

// fileFault is a fault of the file's form.
type fileFault struct {
	line int // 0 when it isn't of one line
	key  string
	text string
}

func readFile(path string) ([]byte, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer func() { _ = file.Close() }()
	info, err := file.Stat()
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is no regular file", path)
	}
	data, err := io.ReadAll(io.LimitReader(file, MaxFileBytes+1))
	if err == nil && len(data) > MaxFileBytes {
		err = fmt.Errorf("%s has more than %d bytes", path, MaxFileBytes)
	}
	return data, err
}

// parse reads a file into its values, in their order. Anchors, aliases, tags, lists and keys that stand twice are refused.
func parse(data []byte) (entries []entry, faults []fileFault) {
	whole := func(format string, args ...any) ([]entry, []fileFault) {
		return nil, []fileFault{{text: fmt.Sprintf(format, args...)}}
	}
	if !utf8.Valid(data) {
		return whole("is not UTF-8 text")
	}
	if line := tooDeep(data); line > 0 {
		return nil, []fileFault{{line: line, text: "nested too deep"}}
	}
	defer func() {
		if recover() != nil { // the reader of YAML is not ours; a fault of it is a fault of the file
			entries, faults = whole("is not valid YAML")
		}
	}()
	file, err := parser.ParseBytes(data, 0)
	if err != nil {
		text, _, _ := strings.Cut(err.Error(), "\n")
		return whole("is not valid YAML: %s", text)
	}
	p := &reader{}
	documents := 0
	for _, doc := range file.Docs {
		if doc.Body == nil || doc.Body.Type() == ast.CommentType || doc.Body.Type() == ast.CommentGroupType {
			continue
		}
		if documents++; documents > 1 {
			p.fault(doc.Body, "", "a second document; allowed: one")
			break
		}
		p.read(doc.Body, "", 0)
	}
	return p.entries, p.faults
}

// tooDeep finds the first line whose indentation or brackets are beyond what any valid file has, before they are costly to read.
func tooDeep(data []byte) int {
	open := 0
	for i, line := range bytes.Split(data, []byte("\n")) {
		open += bytes.Count(line, []byte("{")) + bytes.Count(line, []byte("["))
		if open > 64 || len(line)-len(bytes.TrimLeft(line, " \t-?:!&")) > 64 {
			return i + 1
		}
	}
	return 0
}

type reader struct {
	entries []entry
	faults  []fileFault
}

func (r *reader) fault(node ast.Node, key, format string, args ...any) {
	r.faults = append(r.faults, fileFault{line: lineOf(node), key: key, text: fmt.Sprintf(format, args...)})
}

func lineOf(node ast.Node) int {
	if t := node.GetToken(); t != nil && t.Position != nil {
		return t.Position.Line
	}
	return 0
}

func (r *reader) read(node ast.Node, name string, depth int) {
	if depth > maxDepth {
		r.fault(node, name, "nested too deep")
		return
	}
	switch v := node.(type) {
	case *ast.MappingNode:
		for _, pair := range v.Values {
			r.pair(pair, name, depth)
		}
	case *ast.MappingValueNode:
		r.pair(v, name, depth)
	case *ast.StringNode:
		r.scalar(node, name, v.Value)
	case *ast.LiteralNode:
		r.scalar(node, name, v.Value.Value)
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		r.scalar(node, name, node.GetToken().Value)
	case *ast.NullNode:
		r.fault(node, name, "nothing stands there; leave the key out for the default, or write \"\" for empty")
	default:
		r.fault(node, name, "a %s, which isn't used in this file; allowed: keys with texts, numbers, true or false", strings.ToLower(node.Type().String()))
	}
}

func (r *reader) scalar(node ast.Node, name, value string) {
	if name == "" {
		r.fault(node, "", "a lone value; allowed: keys with values")
		return
	}
	r.entries = append(r.entries, entry{name: name, text: value, line: lineOf(node)})
}

func (r *reader) pair(pair *ast.MappingValueNode, name string, depth int) {
	word, ok := pair.Key.(*ast.StringNode)
	if !ok {
		r.fault(pair.Key, name, "a key that is no plain word")
		return
	}
	full := word.Value
	if strings.Contains(full, ".") {
		r.fault(pair.Key, full, "a key with a dot; write %s: and the rest indented below it", full[:strings.IndexByte(full, '.')])
		return
	}
	if name != "" {
		full = name + "." + full
	}
	r.read(pair.Value, full, depth+1)
}
