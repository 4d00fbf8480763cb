package compute

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
)

// Limits of a table. Its length has none.
const (
	maxColumns  = 5_000
	maxRowBytes = 1 << 20
)

// table reads a CSV table (RFC 4180) row by row. Lines that begin with "#" above the header are remarks.
type table struct {
	header []string
	at     map[string]int
	csv    *csv.Reader
	limit  *rowLimit
	above  int  // lines above the header
	last   int  // line of the row that was read last
	comma  bool // stands for the decimal point
}

// rowLimit ends reading where one row is too long to be one: a quotation mark that isn't closed would take in the whole file.
type rowLimit struct {
	r    io.Reader
	left int
}

var errLongRow = errors.New("a row is longer than 1 MiB, or a quotation mark isn't closed")

func (l *rowLimit) Read(b []byte) (int, error) {
	if l.left <= 0 {
		return 0, errLongRow
	}
	n, err := l.r.Read(b[:min(len(b), l.left)])
	l.left -= n
	return n, err
}

func (l *rowLimit) reset() { l.left = maxRowBytes }

func openTable(in io.Reader, c Common) (*table, error) {
	r := bufio.NewReaderSize(in, maxRowBytes)
	if start, err := r.Peek(3); err == nil && bytes.Equal(start, []byte("\ufeff")) {
		_, _ = r.Discard(3) // it was seen
	}
	t := &table{at: map[string]int{}, limit: &rowLimit{r: r}, comma: c.DecimalComma}
	for {
		start, err := r.Peek(1)
		if errors.Is(err, io.EOF) {
			return nil, fault("table", "has no header")
		}
		if err != nil {
			return nil, fault("table", "can't be read: %v", err)
		}
		if start[0] != '#' && start[0] != '\n' && start[0] != '\r' {
			break
		}
		switch _, err := r.ReadSlice('\n'); {
		case errors.Is(err, bufio.ErrBufferFull):
			return nil, fault("table", "has a remark longer than 1 MiB")
		case err != nil && !errors.Is(err, io.EOF):
			return nil, fault("table", "can't be read: %v", err)
		}
		t.above++
	}
	t.limit.reset()
	t.csv = csv.NewReader(t.limit)
	t.csv.Comma = c.Delimiter
	t.csv.FieldsPerRecord = -1
	t.csv.ReuseRecord = true
	header, err := t.csv.Read()
	if err != nil {
		return nil, fault("header", "can't be read: %v", err)
	}
	at, _ := t.csv.FieldPos(0)
	t.last = at + t.above
	if len(header) > maxColumns {
		return nil, fault("header", "has %d columns, want at most %d", len(header), maxColumns)
	}
	if len(header) == 1 && strings.ContainsAny(header[0], ",;\t|") {
		return nil, fault("header", "is one column, %.40q: --delimiter says what stands between cells", header[0])
	}
	for i, name := range header {
		if !utf8.ValidString(name) {
			return nil, fault("header", "is not UTF-8 text in column %d", i+1)
		}
		name = strings.TrimSpace(name)
		if name == "" {
			return nil, fault("header", "has no name for column %d of %d (a delimiter too many?)", i+1, len(header))
		}
		if _, twice := t.at[name]; twice {
			return nil, fault("header", "has column %q twice", name)
		}
		t.at[name] = i
		t.header = append(t.header, name)
	}
	return t, nil
}

// row is one row of the table: its line in the file, its cells, and what is wrong with it as CSV.
type row struct {
	line  int
	cells []string
	fault string
}

// next gives the next row, or io.EOF. A row that can't be read has a fault; other errors end the reading.
func (t *table) next() (row, error) {
	t.limit.reset()
	cells, err := t.csv.Read()
	var parse *csv.ParseError
	switch {
	case errors.Is(err, errLongRow):
		return row{}, fault("table", "can't be read on behind line %d: %v", t.last, errLongRow)
	case errors.As(err, &parse):
		t.last = parse.Line + t.above
		return row{line: parse.StartLine + t.above, fault: "not valid CSV: " + parse.Err.Error()}, nil
	case err != nil:
		return row{}, err
	}
	at, _ := t.csv.FieldPos(0)
	out := row{line: at + t.above}
	t.last = out.line
	if len(cells) != len(t.header) {
		out.fault = fmt.Sprintf("has %d cells, want %d as the header has", len(cells), len(t.header))
		return out, nil
	}
	out.cells = make([]string, len(cells))
	for i, c := range cells {
		if !utf8.ValidString(c) {
			out.fault = fmt.Sprintf("%s is not UTF-8 text", t.header[i])
			return out, nil
		}
		out.cells[i] = strings.TrimSpace(c)
	}
	return out, nil
}

// number reads a figure. Signs, digits, one point and an exponent are taken; words for infinity and the like are not.
func (t *table) number(r row, column string) (float64, error) {
	text := r.cells[t.at[column]]
	if text == "" {
		return 0, fault(column, "is empty, want a number")
	}
	plain := text
	if t.comma {
		if strings.Contains(text, ".") {
			return 0, fault(column, "is %.40q, want a number with a decimal comma", text)
		}
		plain = strings.ReplaceAll(text, ",", ".")
	}
	for _, c := range []byte(plain) {
		if (c < '0' || c > '9') && c != '.' && c != '-' && c != '+' && c != 'e' && c != 'E' {
			return 0, fault(column, "is %.40q, want a number", text)
		}
	}
	v, err := strconv.ParseFloat(plain, 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, fault(column, "is %.40q, want a number", text)
	}
	return v, nil
}

// numbers reads several figures into out.
func (t *table) numbers(r row, columns []string, out []float64) error {
	for i, c := range columns {
		v, err := t.number(r, c)
		if err != nil {
			return err
		}
		out[i] = v
	}
	return nil
}

// has tells whether all columns are there.
func (t *table) has(columns ...string) bool {
	return !slices.ContainsFunc(columns, func(c string) bool { _, ok := t.at[c]; return !ok })
}

// writer writes a table: the kept columns of the one that is read, then figures, then a column "fault" that says what is wrong with a row, then provenanceColumns.
type writer struct {
	csv   *csv.Writer
	from  *table
	keep  []int
	width int // figures
	by    []string
	line  []string
	bad   int
}

// FaultColumn is the column behind the figures: empty, or why the row has no figures.
const FaultColumn = "fault"

func newWriter(out io.Writer, from *table, keep, figures []string, by provenance) (*writer, error) {
	w := &writer{csv: csv.NewWriter(out), from: from, width: len(figures), by: by.cells()}
	var header []string
	for _, k := range keep {
		i, ok := from.at[k]
		if !ok {
			return nil, fault("keep", "names %.40q, want columns of the table", k)
		}
		w.keep = append(w.keep, i)
		header = append(header, output.Harmless(k))
	}
	for _, f := range slices.Concat(figures, []string{FaultColumn}, provenanceColumns) {
		if slices.Contains(header, f) {
			return nil, fault("header", "has a column %q, which what is computed needs; rename it, or leave it out with --keep", f)
		}
		header = append(header, f)
	}
	return w, w.csv.Write(header)
}

// write writes a row with its figures, or with its fault.
func (w *writer) write(r row, figures []float64, wrong string) error {
	w.line = w.line[:0]
	for _, i := range w.keep {
		text := ""
		if i < len(r.cells) {
			text = r.cells[i]
		}
		if _, err := strconv.ParseFloat(text, 64); err != nil {
			text = output.Harmless(text)
		}
		w.line = append(w.line, text)
	}
	for i := range w.width {
		text := ""
		if wrong == "" {
			text = output.Figure(figures[i], 10)
		}
		w.line = append(w.line, text)
	}
	if wrong != "" {
		w.bad++
		wrong = fmt.Sprintf("line %d: %s", r.line, output.Clean(wrong))
	}
	w.line = append(append(w.line, wrong), w.by...)
	return w.csv.Write(w.line)
}

func (w *writer) flush() error {
	w.csv.Flush()
	return w.csv.Error()
}
