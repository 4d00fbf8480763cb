package rules

import (
	"bytes"
	"fmt"
	"regexp"
	"strings"

	"github.com/goccy/go-yaml"
)

// The bounds of a pack's form. The YAML library takes a time that grows with the square of the depth and of the marks in a row, minutes for some
// hundred kilobytes of brackets, and falls over some texts: what no pack needs is refused before it is read.
const (
	maxLineBytes = 8 << 10
	maxLines     = 20_000
	maxDepth     = 32  // of brackets and braces
	maxIndent    = 64  // spaces before a line's first mark
	maxMarks     = 3   // "-", "?", tags, anchors and aliases at the beginning of a line
	maxWords     = 200 // of a line, that begin with "!", "&" or "*" or end with ":"
)

// aliasForm finds anchors and aliases, by which a few lines can stand for any number, and what looks like them. CEL has "&&" and "*" with space around them.
var aliasForm = regexp.MustCompile(`(^|[\s\[\]{},:])[&*][A-Za-z0-9_]`)

// formFault says why a text isn't even tried to be read, or nothing. It is no YAML parser: it counts more than there is, never less.
func formFault(text []byte) string {
	depth, at := 0, 0
	for line := range bytes.Lines(text) {
		at++
		if at > maxLines {
			return fmt.Sprintf("more than %d lines", maxLines)
		}
		if len(line) > maxLineBytes {
			return fmt.Sprintf("line %d: %d bytes, want at most %d", at, len(line), maxLineBytes)
		}
		if aliasForm.Match(line) {
			return fmt.Sprintf("line %d: anchors and aliases of YAML aren't read", at)
		}
		rest := bytes.TrimLeft(line, " ")
		if indent := len(line) - len(rest); indent > maxIndent && len(bytes.TrimSpace(rest)) > 0 {
			return fmt.Sprintf("line %d: begins with %d spaces, want at most %d", at, indent, maxIndent)
		}
		for _, c := range rest {
			switch c {
			case '[', '{':
				depth++
			case ']', '}':
				depth = max(0, depth-1)
			}
			if depth > maxDepth {
				return fmt.Sprintf("line %d: more than %d brackets are open", at, maxDepth)
			}
		}
		marks, words, leading := 0, 0, true
		for word := range strings.FieldsSeq(string(rest)) {
			mark := word == "-" || word == "?" || strings.ContainsAny(word[:1], "!&*")
			if leading = leading && mark; leading {
				marks++
			}
			if mark || strings.HasSuffix(word, ":") {
				words++
			}
		}
		if marks > maxMarks || words > maxWords {
			return fmt.Sprintf("line %d: has %d marks of YAML at its beginning and %d in all, want at most %d and %d", at, marks, words, maxMarks, maxWords)
		}
	}
	return ""
}

// decode reads the YAML of a pack into p. Some texts make the library panic: they are no packs.
func decode(text []byte, p *Pack) (err error) {
	defer func() {
		if recover() != nil {
			err = PackFaults{"it can't be read as YAML"}
		}
	}()
	if fault := formFault(text); fault != "" {
		return PackFaults{fault}
	}
	if err := yaml.NewDecoder(bytes.NewReader(text), yaml.Strict()).Decode(p); err != nil {
		return PackFaults{firstLine(err)} // it begins with line and column
	}
	return nil
}
