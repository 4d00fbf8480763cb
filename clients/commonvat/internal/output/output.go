// Package output writes answers: as tables to read, as CSV that is safe to open
// in a spreadsheet, and as JSON with the field names of the interface.
package output

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
)

// Format is how answers are written.
type Format string

// The formats.
const (
	Table Format = "table"
	JSON  Format = "json"
	CSV   Format = "csv"
)

// ParseFormat reads the name of a format.
func ParseFormat(text string) (Format, error) {
	switch f := Format(text); f {
	case Table, JSON, CSV:
		return f, nil
	}
	return "", fmt.Errorf("%q is not a format; allowed: table, json, csv", text)
}

// Measure is a figure that is already written as it shall stand; it goes to the right like other figures.
type Measure string

// Note says what a column of a table means.
type Note struct{ Column, Text string }

// Grid is rows under named columns. Cells are string, Measure, float64, *float64, int, int32, int64 or bool;
// nil and a nil *float64 are empty cells.
type Grid struct {
	Title   string // a line above a table; not in CSV
	Below   string // a line below it; not in CSV
	Notes   []Note // told there too, where their columns stand
	Columns []string
	Rows    [][]any
}

// Add adds a row.
func (g *Grid) Add(cells ...any) { g.Rows = append(g.Rows, cells) }

// Figure writes a number with at most digits significant digits.
func Figure(v float64, digits int) string {
	if v == 0 || math.IsNaN(v) {
		return strconv.FormatFloat(math.Abs(v), 'f', -1, 64)
	}
	return strconv.FormatFloat(v, 'g', digits, 64)
}

func cell(c any, digits int) (text string, number bool) {
	switch v := c.(type) {
	case nil:
		return "", false
	case string:
		return v, false
	case Measure:
		return string(v), true
	case float64:
		return Figure(v, digits), true
	case *float64:
		if v == nil {
			return "", true
		}
		return Figure(*v, digits), true
	case bool:
		if v {
			return "yes", false
		}
		return "no", false
	default:
		return fmt.Sprint(v), true
	}
}

// WriteTable writes a grid to be read by people: columns aligned, numbers to the right, 5 significant digits.
// Columns in which no row has anything are left out.
func WriteTable(w io.Writer, g Grid) error {
	var b strings.Builder
	if g.Title != "" {
		b.WriteString(Clean(g.Title) + "\n")
	}
	texts := make([][]string, 0, len(g.Rows)+1)
	right := make([]bool, len(g.Columns))
	widths := make([]int, len(g.Columns))
	texts = append(texts, g.Columns)
	for _, row := range g.Rows {
		line := make([]string, len(g.Columns))
		for i := range line {
			text, number := cell(row[i], 5)
			line[i] = Clean(text)
			right[i] = right[i] || number
		}
		texts = append(texts, line)
	}
	filled := make([]bool, len(g.Columns))
	for i := range filled {
		filled[i] = len(g.Rows) == 0 || slices.ContainsFunc(texts[1:], func(line []string) bool { return line[i] != "" })
	}
	for _, line := range texts {
		for i, text := range line {
			widths[i] = max(widths[i], utf8.RuneCountInString(text))
		}
	}
	for _, line := range texts {
		var out strings.Builder
		for i, text := range line {
			if !filled[i] {
				continue
			}
			pad := strings.Repeat(" ", widths[i]-utf8.RuneCountInString(text))
			if right[i] {
				out.WriteString(pad + text + "  ")
			} else {
				out.WriteString(text + pad + "  ")
			}
		}
		b.WriteString(strings.TrimRight(out.String(), " ") + "\n")
	}
	below := []string{g.Below}
	for _, n := range g.Notes {
		if i := slices.Index(g.Columns, n.Column); i >= 0 && filled[i] {
			below = append(below, n.Column+": "+n.Text)
		}
	}
	if text := strings.TrimPrefix(strings.Join(below, "; "), "; "); text != "" {
		b.WriteString(Clean(text) + "\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// Clean makes text safe to show in a terminal: control and formatting characters become spaces.
func Clean(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.In(r, unicode.Cf, unicode.Zl, unicode.Zp) {
			return ' '
		}
		return r
	}, s)
}

// WriteCSV writes a grid as CSV (RFC 4180) with a header: 10 significant digits; text that a spreadsheet
// could take for a formula has an apostrophe before it.
func WriteCSV(w io.Writer, g Grid) error {
	c := csv.NewWriter(w)
	if err := c.Write(g.Columns); err != nil {
		return err
	}
	for _, row := range g.Rows {
		line := make([]string, len(row))
		for i := range row {
			text, number := cell(row[i], 10)
			if !number {
				text = Harmless(text)
			}
			line[i] = text
		}
		if err := c.Write(line); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

// Harmless puts an apostrophe before text that begins like a formula.
func Harmless(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r\n", rune(s[0])) {
		return "'" + s
	}
	return s
}

var names = protojson.MarshalOptions{UseProtoNames: true}

// WriteJSON writes a message with the field names of the interface, indented.
func WriteJSON(w io.Writer, m proto.Message) error { return writeJSON(w, m, true) }

// WriteJSONLine writes a message in one line.
func WriteJSONLine(w io.Writer, m proto.Message) error { return writeJSON(w, m, false) }

func writeJSON(w io.Writer, m proto.Message, indent bool) error {
	raw, err := names.Marshal(m)
	if err != nil {
		return fmt.Errorf("write JSON: %w", err)
	}
	var b, compact bytes.Buffer
	if err := json.Compact(&compact, raw); err != nil { // the library varies its white space on purpose
		return fmt.Errorf("write JSON: %w", err)
	}
	b = compact
	if indent {
		b = bytes.Buffer{}
		if err := json.Indent(&b, compact.Bytes(), "", "  "); err != nil {
			return fmt.Errorf("write JSON: %w", err)
		}
	}
	b.WriteByte('\n')
	_, err = w.Write(b.Bytes())
	return err
}
