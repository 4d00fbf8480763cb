// Package columns takes the stream of labelled colours that a module of the kinds palette and compare is asked with: a header, then
// the rows as columns in chunks (columns.proto). It checks everything on the way and reports every fault by field and row, so that
// the calculation behind it sees nothing but sound rows.
//
// A handler hands over its stream, a check of the fields that only its own header has, and what is to be done with a row:
//
//	header, err := columns.Receive(stream.Recv,
//		func(h *palettev1.WidthsHeader, v *sdk.Violations) {
//			if m := h.GetEqualNumber(); m < 0 {
//				v.Add("header.equal_number", "is %d, want 0 or above", m)
//			}
//		},
//		func(h *palettev1.WidthsHeader, r columns.Row) {
//			group := h.GetLabels().GetGroups()[r.Group]
//			...
//		})
//	if err != nil {
//		return err // a status already: InvalidArgument, or that of the stream
//	}
//
// Indexes of rows lie within the labels of the header, colours within L* 0 to 150, a* and b* −200 to 200, reading ids ascend and
// come once. A block label "" is a session not stated and can only be blocks[0]; "" among groups or strata is an unstated one, which is a group or
// a stratum of its own.
package columns

import (
	"errors"
	"fmt"
	"io"
	"slices"

	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/protobuf/proto"
)

// Limits of columns.proto and of the headers.
const (
	MaxChunkBytes = 1 << 20
	MaxRows       = 10_000_000
	MaxGroups     = 10_000
	MaxBlocks     = 100_000
	MaxCells      = 1_000_000
)

// enoughViolations is where the search for faults ends: a status does not carry more.
const enoughViolations = 50

// Header is what the headers of all streams of columns have.
type Header interface {
	proto.Message
	GetCondition() *typesv1.ColourCondition
	GetLabels() *columnsv1.Labels
	GetRowCount() int64
}

// Part is one message of a stream: a header or columns.
type Part[H Header] interface {
	GetHeader() H
	GetColumns() *columnsv1.ColourColumns
}

// Row is one row whose indexes lie within the labels and whose colour is in range.
type Row struct {
	ReadingID                   string
	Group, Block, Stratum, Cell uint32
	Lab                         colorimetry.Lab
}

// Receive takes a whole stream from recv and hands each row to take, in the order of reading ids. own checks the fields that only
// this kind of header has.
//
// Any fault makes it InvalidArgument, with every fault by field and row, rows counted from 0 over the stream; after the first one take
// is not called any more. Faults of the header are told without looking at the rows. Other errors are those of recv.
func Receive[H Header, P Part[H]](recv func() (P, error), own func(H, *sdk.Violations), take func(H, Row)) (H, error) {
	var none H
	var v sdk.Violations
	first, err := recv()
	switch {
	case errors.Is(err, io.EOF):
		v.Add("header", "is missing: the stream is empty, want a header first")
		return none, v.Err()
	case err != nil:
		return none, err
	}
	header := first.GetHeader()
	if !header.ProtoReflect().IsValid() {
		v.Add("header", "is missing from the first message, want a header first")
		return none, v.Err()
	}
	checkHeader(header, &v)
	own(header, &v)
	if err := v.Err(); err != nil {
		return none, err
	}
	r := reader{labels: header.GetLabels(), want: header.GetRowCount()}
	for {
		part, err := recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return none, err
		}
		columns := part.GetColumns()
		switch {
		case columns != nil:
			r.chunk(columns, func(row Row) { take(header, row) })
		case part.GetHeader().ProtoReflect().IsValid():
			r.v.Add("header", "comes again after %d rows, want it once", r.rows)
		default:
			r.v.Add("part", "is empty after %d rows, want columns", r.rows)
		}
		if r.tooMany || r.v.Len() >= enoughViolations {
			return none, r.v.Err()
		}
	}
	if r.rows < r.want {
		r.v.Add("header.row_count", "is %d, but %d rows came", r.want, r.rows)
	}
	return header, r.v.Err()
}

func checkHeader(h Header, v *sdk.Violations) {
	wire.Condition(v, "header.condition", h.GetCondition())
	if n := h.GetRowCount(); n < 0 || n > MaxRows {
		v.Add("header.row_count", "is %d, want 0 to %d", n, MaxRows)
	}
	labels := h.GetLabels()
	if labels == nil {
		v.Add("header.labels", "is missing, want groups, blocks, strata and cells")
		return
	}
	once(v, "header.labels.groups", labels.GetGroups(), MaxGroups)
	once(v, "header.labels.blocks", labels.GetBlocks(), MaxBlocks)
	once(v, "header.labels.strata", labels.GetStrata(), MaxCells)
	once(v, "header.labels.cells", labels.GetCells(), MaxCells)
	for i, b := range labels.GetBlocks() {
		if b == "" && i > 0 {
			v.Add(fmt.Sprintf("header.labels.blocks[%d]", i), `is "", which only blocks[0] may be`)
		}
	}
	for i, c := range labels.GetCells() {
		if c == "" {
			v.Add(fmt.Sprintf("header.labels.cells[%d]", i), `is "", want a text that is not empty`)
		}
	}
}

// once notes labels that come twice, and a list that is too long.
func once(v *sdk.Violations, field string, labels []string, most int) {
	if len(labels) > most {
		v.Add(field, "has %d labels, want at most %d", len(labels), most)
		return
	}
	if ascending(labels) {
		return
	}
	seen := make(map[string]struct{}, len(labels))
	for i, l := range labels {
		before := len(seen)
		if seen[l] = struct{}{}; len(seen) > before {
			continue
		}
		v.Add(fmt.Sprintf("%s[%d]", field, i), "is %.60q, as is [%d]: want each label once", l, slices.Index(labels, l))
		if v.Len() >= enoughViolations { // each takes a search
			return
		}
	}
}

// ascending tells whether labels ascend by text, or by length and then text as those with running numbers do, so that none comes twice.
func ascending(labels []string) bool {
	byText, byLength := true, true
	for i := 1; i < len(labels) && (byText || byLength); i++ {
		a, b := labels[i-1], labels[i]
		byText = byText && a < b
		byLength = byLength && (len(a) < len(b) || len(a) == len(b) && a < b)
	}
	return byText || byLength
}

// reader checks the chunks of one stream.
type reader struct {
	v       sdk.Violations
	labels  *columnsv1.Labels
	want    int64
	rows    int64
	lastID  string
	tooMany bool
}

func (r *reader) chunk(c *columnsv1.ColourColumns, take func(Row)) {
	start := r.rows
	n := len(c.GetReadingId())
	r.rows += int64(n)
	if size := proto.Size(c); size > MaxChunkBytes {
		r.v.Add("columns", "from row %d on takes %d bytes, want at most %d", start, size, MaxChunkBytes)
	}
	if n == 0 {
		r.v.Add("columns.reading_id", "is empty after %d rows, want at least one row in each chunk", start)
	}
	if r.rows > r.want {
		r.tooMany = true
		r.v.Add("header.row_count", "is %d, but at least %d rows came", r.want, r.rows)
		return
	}
	alike := true
	for _, column := range []struct {
		name string
		n    int
	}{
		{"group", len(c.GetGroup())}, {"block", len(c.GetBlock())}, {"stratum", len(c.GetStratum())}, {"cell", len(c.GetCell())},
		{"l", len(c.GetL())}, {"a", len(c.GetA())}, {"b", len(c.GetB())},
	} {
		if column.n != n {
			alike = false
			r.v.Add("columns."+column.name, "has %d rows from row %d on, want %d as reading_id has", column.n, start, n)
		}
	}
	if !alike {
		if n > 0 {
			r.lastID = c.GetReadingId()[n-1]
		}
		return
	}
	if n > 0 && r.v.Len() == 0 && r.sound(c) {
		for i := range n {
			take(rowOf(c, i))
		}
		r.lastID = c.GetReadingId()[n-1]
		return
	}
	for i := range n {
		row := rowOf(c, i)
		r.check(start, i, row)
		if r.v.Len() == 0 {
			take(row)
		} else if r.v.Len() >= enoughViolations {
			return
		}
	}
}

// rowOf is row i of a chunk whose columns are alike in length.
func rowOf(c *columnsv1.ColourColumns, i int) Row {
	return Row{
		ReadingID: c.ReadingId[i], Group: c.Group[i], Block: c.Block[i], Stratum: c.Stratum[i], Cell: c.Cell[i],
		Lab: colorimetry.Lab{L: c.L[i], A: c.A[i], B: c.B[i]},
	}
}

// sound tells whether check would find no fault in any row, column by column, which is quicker.
func (r *reader) sound(c *columnsv1.ColourColumns) bool {
	last := r.lastID
	for _, id := range c.GetReadingId() {
		if id <= last { // "" too
			return false
		}
		last = id
	}
	for _, column := range []struct {
		indexes []uint32
		labels  []string
	}{
		{c.GetGroup(), r.labels.GetGroups()}, {c.GetBlock(), r.labels.GetBlocks()}, {c.GetStratum(), r.labels.GetStrata()}, {c.GetCell(), r.labels.GetCells()},
	} {
		most := uint32(0)
		for _, x := range column.indexes {
			most = max(most, x)
		}
		if len(column.indexes) > 0 && int(most) >= len(column.labels) {
			return false
		}
	}
	return within(c.GetL(), 0, colorimetry.MaxLightness) && within(c.GetA(), -colorimetry.MaxAB, colorimetry.MaxAB) && within(c.GetB(), -colorimetry.MaxAB, colorimetry.MaxAB)
}

// within tells whether every figure lies in a range; NaN does not.
func within(figures []float64, low, high float64) bool {
	for _, x := range figures {
		if !(x >= low && x <= high) {
			return false
		}
	}
	return true
}

// check notes the faults of row i of the chunk that begins with row start.
func (r *reader) check(start int64, i int, row Row) {
	bad := func(column, format string, args ...any) {
		r.v.Add(fmt.Sprintf("columns.%s[%d]", column, i), "of row %d (reading %.60q) %s", start+int64(i), row.ReadingID, fmt.Sprintf(format, args...))
	}
	switch {
	case row.ReadingID == "":
		bad("reading_id", "is empty")
	case row.ReadingID == r.lastID:
		bad("reading_id", "comes twice, want each id once")
	case row.ReadingID < r.lastID:
		bad("reading_id", "comes after %.60q, want ids in ascending order", r.lastID)
	}
	r.lastID = row.ReadingID
	index := func(column string, x uint32, labels []string) {
		switch n := len(labels); {
		case n == 0:
			bad(column, "is %d, but the header has no label for it", x)
		case int(x) >= n:
			bad(column, "is %d, want 0 to %d", x, n-1)
		}
	}
	index("group", row.Group, r.labels.GetGroups())
	index("block", row.Block, r.labels.GetBlocks())
	index("stratum", row.Stratum, r.labels.GetStrata())
	index("cell", row.Cell, r.labels.GetCells())
	coordinate := func(column string, x, low, high float64) {
		if !(x >= low && x <= high) {
			bad(column, "is %s, want %s to %s", wire.Number(x), wire.Number(low), wire.Number(high))
		}
	}
	coordinate("l", row.Lab.L, 0, colorimetry.MaxLightness)
	coordinate("a", row.Lab.A, -colorimetry.MaxAB, colorimetry.MaxAB)
	coordinate("b", row.Lab.B, -colorimetry.MaxAB, colorimetry.MaxAB)
}
