package bulk

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// Limits of a table.
const (
	MaxTableBytes = 64 << 20
	maxColumns    = 2_000
	maxCell       = 4_000
)

// Fault is a row that can't be imported. Line is where it begins in the file, from 1.
type Fault struct {
	Line   int
	Key    string
	Reason string
}

type record struct {
	line  int
	cells []string
}

type table struct {
	columns map[string]int
	header  []string
	records []record
	faults  []Fault
}

// readTable reads a CSV table (RFC 4180). Lines that begin with "#" before the header are remarks.
// Rows that can't be read become faults; a fault of the header is an error.
func readTable(data []byte, delimiter rune) (*table, error) {
	if len(data) > MaxTableBytes {
		return nil, fmt.Errorf("the table has %d bytes; allowed: at most %d", len(data), MaxTableBytes)
	}
	if !utf8.Valid(data) {
		return nil, errors.New("the table is not UTF-8 text")
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	skipped := 0
	for len(data) > 0 {
		line, rest, _ := bytes.Cut(data, []byte("\n"))
		if t := bytes.TrimSpace(line); len(t) > 0 && t[0] != '#' {
			break
		}
		data = rest
		skipped++
	}
	r := csv.NewReader(bytes.NewReader(data))
	r.Comma = delimiter
	r.FieldsPerRecord = -1
	header, err := r.Read()
	if errors.Is(err, io.EOF) {
		return nil, errors.New("the table has no header")
	}
	if err != nil {
		return nil, fmt.Errorf("the header can't be read: %w", err)
	}
	if len(header) > maxColumns {
		return nil, fmt.Errorf("the table has %d columns; allowed: at most %d", len(header), maxColumns)
	}
	t := &table{columns: map[string]int{}, header: make([]string, len(header))}
	for i, name := range header {
		name = strings.TrimSpace(name)
		if _, twice := t.columns[name]; twice {
			return nil, fmt.Errorf("column %q stands twice in the header", name)
		}
		if name == "" {
			return nil, fmt.Errorf("column %d has no name in the header", i+1)
		}
		t.columns[name], t.header[i] = i, name
	}
	for {
		cells, err := r.Read()
		if errors.Is(err, io.EOF) {
			return t, nil
		}
		var parse *csv.ParseError
		switch {
		case errors.As(err, &parse):
			t.faults = append(t.faults, Fault{Line: parse.StartLine + skipped, Reason: "not valid CSV: " + parse.Err.Error()})
			continue
		case err != nil:
			return nil, fmt.Errorf("read the table: %w", err)
		}
		at, _ := r.FieldPos(0)
		rec := record{line: at + skipped, cells: cells}
		if len(cells) != len(header) {
			t.faults = append(t.faults, Fault{Line: rec.line, Reason: fmt.Sprintf("has %d cells; the header has %d", len(cells), len(header))})
			continue
		}
		if reason := checkCells(t.header, cells); reason != "" {
			t.faults = append(t.faults, Fault{Line: rec.line, Reason: reason})
			continue
		}
		t.records = append(t.records, rec)
	}
}

func checkCells(header, cells []string) string {
	for i, c := range cells {
		if len(c) > maxCell {
			return fmt.Sprintf("%s: %d bytes; allowed: at most %d", header[i], len(c), maxCell)
		}
		for _, r := range c {
			if r < 0x20 && r != '\t' && r != '\n' && r != '\r' || r == 0x7f {
				return fmt.Sprintf("%s: control character 0x%02x", header[i], r)
			}
		}
		cells[i] = strings.TrimSpace(c)
	}
	return ""
}

// merge adds the columns of another table to each row, matched by the columns of the join.
// Rows without a partner, and rows that have several, become faults.
func (t *table) merge(other *table, j *join) error {
	mine, ok := t.columns[j.column]
	if !ok {
		return fmt.Errorf("the table has no column %q to join by", j.column)
	}
	theirs, ok := other.columns[j.with]
	if !ok {
		return fmt.Errorf("the joined table has no column %q", j.with)
	}
	var taken []int
	for i, name := range other.header {
		if i == theirs {
			continue
		}
		if _, twice := t.columns[name]; twice {
			return fmt.Errorf("column %q is in both tables", name)
		}
		t.columns[name] = len(t.header)
		t.header = append(t.header, name)
		taken = append(taken, i)
	}
	byKey := map[string][]record{}
	for _, r := range other.records {
		byKey[r.cells[theirs]] = append(byKey[r.cells[theirs]], r)
	}
	for _, f := range other.faults {
		t.faults = append(t.faults, Fault{Reason: fmt.Sprintf("joined table, line %d: %s", f.Line, f.Reason)})
	}
	kept := t.records[:0]
	for _, r := range t.records {
		partners := byKey[r.cells[mine]]
		if len(partners) != 1 {
			t.faults = append(t.faults, Fault{Line: r.line, Key: r.cells[mine], Reason: fmt.Sprintf("%s: the joined table has %d rows for %q; wanted: 1", j.column, len(partners), r.cells[mine])})
			continue
		}
		for _, i := range taken {
			r.cells = append(r.cells, partners[0].cells[i])
		}
		kept = append(kept, r)
	}
	t.records = kept
	return nil
}
