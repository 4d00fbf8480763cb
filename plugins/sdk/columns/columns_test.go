package columns

import (
	"fmt"
	"math"
	"testing"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

type (
	request = palettev1.MeasureWidthsRequest
	header  = palettev1.WidthsHeader
)

func goodHeader() *header {
	return &header{
		Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE},
		Labels: &columnsv1.Labels{Groups: []string{"g0", "g1"}, Blocks: []string{"", "s1"}, Strata: []string{""},
			Cells: []string{"c0", "c1", "c2"}},
		RowCount: 3,
	}
}

func goodColumns() *columnsv1.ColourColumns {
	return &columnsv1.ColourColumns{
		ReadingId: []string{"r1", "r2", "r3"},
		Group:     []uint32{0, 1, 1}, Block: []uint32{0, 1, 1}, Stratum: []uint32{0, 0, 0}, Cell: []uint32{0, 1, 2},
		L: []float64{0, 150, 50}, A: []float64{-200, 200, 0}, B: []float64{200, -200, 0},
	}
}

func head(h *header) *request {
	return &request{Part: &palettev1.MeasureWidthsRequest_Header{Header: h}}
}

func cols(c *columnsv1.ColourColumns) *request {
	return &request{Part: &palettev1.MeasureWidthsRequest_Columns{Columns: c}}
}

func one(id string) *columnsv1.ColourColumns {
	return &columnsv1.ColourColumns{ReadingId: []string{id}, Group: []uint32{0}, Block: []uint32{0}, Stratum: []uint32{0}, Cell: []uint32{0},
		L: []float64{1}, A: []float64{2}, B: []float64{3}}
}

func receive(parts ...*request) ([]Row, error) {
	var rows []Row
	_, err := Receive(moduletest.Feed(parts, func() {}), func(*header, *sdk.Violations) {}, func(_ *header, r Row) { rows = append(rows, r) })
	return rows, err
}

func TestReceive(t *testing.T) {
	rows, err := receive(head(goodHeader()), cols(goodColumns()))
	require.NoError(t, err)
	assert.Equal(t, []Row{
		{"r1", 0, 0, 0, 0, colorimetry.Lab{L: 0, A: -200, B: 200}},
		{"r2", 1, 1, 0, 1, colorimetry.Lab{L: 150, A: 200, B: -200}},
		{"r3", 1, 1, 0, 2, colorimetry.Lab{L: 50}},
	}, rows)

	h := goodHeader()
	h.RowCount = 2
	rows, err = receive(head(h), cols(one("a")), cols(one("b")))
	require.NoError(t, err)
	assert.Len(t, rows, 2)

	rows, err = receive(head(&header{Condition: h.GetCondition(), Labels: &columnsv1.Labels{}}))
	require.NoError(t, err, "no rows at all are sound")
	assert.Empty(t, rows)
}

func TestReceiveRefuses(t *testing.T) {
	withHeader := func(change func(*header)) []*request {
		h := goodHeader()
		change(h)
		return []*request{head(h), cols(goodColumns())}
	}
	withColumns := func(change func(*columnsv1.ColourColumns)) []*request {
		c := goodColumns()
		change(c)
		return []*request{head(goodHeader()), cols(c)}
	}
	many := func(n int) []string {
		out := make([]string, n)
		for i := range out {
			out[i] = fmt.Sprint("label ", i)
		}
		return out
	}
	big := make([]byte, MaxChunkBytes)
	for i := range big {
		big[i] = 'z'
	}
	for name, c := range map[string]struct {
		parts []*request
		want  map[string]string // field to a part of its description
	}{
		"nothing":       {nil, map[string]string{"header": "stream is empty"}},
		"no part":       {[]*request{{}}, map[string]string{"header": "missing from the first message"}},
		"columns first": {[]*request{cols(goodColumns()), head(goodHeader())}, map[string]string{"header": "missing from the first message"}},
		"empty header": {[]*request{head(&header{})}, map[string]string{
			"header.condition": "missing", "header.labels": "missing"}},
		"condition not stated": {withHeader(func(h *header) { h.Condition = &typesv1.ColourCondition{Observer: 77} }), map[string]string{
			"header.condition.illuminant": "is ILLUMINANT_UNSPECIFIED, want ILLUMINANT_D65 or ILLUMINANT_A",
			"header.condition.observer":   "is 77, want"}},
		"negative row count": {withHeader(func(h *header) { h.RowCount = -1 }), map[string]string{"header.row_count": "is -1, want 0 to 10000000"}},
		"large row count":    {withHeader(func(h *header) { h.RowCount = MaxRows + 1 }), map[string]string{"header.row_count": "is 10000001"}},
		"labels twice": {withHeader(func(h *header) { h.Labels.Groups = []string{"x", "y", "x"}; h.Labels.Strata = []string{"", ""} }), map[string]string{
			"header.labels.groups[2]": `is "x", as is [0]`, "header.labels.strata[1]": `is "", as is [0]`}},
		"blocks not stated": {withHeader(func(h *header) { h.Labels.Blocks = []string{"s1", ""} }), map[string]string{
			"header.labels.blocks[1]": "which only blocks[0] may be"}},
		"cell not stated": {withHeader(func(h *header) { h.Labels.Cells[1] = "" }), map[string]string{"header.labels.cells[1]": "want a text"}},
		"many groups":     {withHeader(func(h *header) { h.Labels.Groups = many(MaxGroups + 1) }), map[string]string{"header.labels.groups": "has 10001 labels, want at most 10000"}},
		"many blocks":     {withHeader(func(h *header) { h.Labels.Blocks = many(MaxBlocks + 1) }), map[string]string{"header.labels.blocks": "has 100001 labels"}},
		"two headers": {[]*request{head(goodHeader()), cols(goodColumns()), head(goodHeader())}, map[string]string{
			"header": "comes again after 3 rows"}},
		"empty part":  {[]*request{head(goodHeader()), {}, cols(goodColumns())}, map[string]string{"part": "is empty after 0 rows"}},
		"empty chunk": {[]*request{head(goodHeader()), cols(goodColumns()), cols(&columnsv1.ColourColumns{})}, map[string]string{"columns.reading_id": "is empty after 3 rows"}},
		"large chunk": {withColumns(func(c *columnsv1.ColourColumns) { c.ReadingId[2] = string(big) }), map[string]string{
			"columns": "want at most 1048576"}},
		"fewer rows": {withHeader(func(h *header) { h.RowCount = 5 }), map[string]string{"header.row_count": "is 5, but 3 rows came"}},
		"more rows":  {withHeader(func(h *header) { h.RowCount = 2 }), map[string]string{"header.row_count": "is 2, but at least 3 rows came"}},
		"unequal columns": {withColumns(func(c *columnsv1.ColourColumns) { c.Group = c.Group[:2]; c.B = nil }), map[string]string{
			"columns.group": "has 2 rows from row 0 on, want 3", "columns.b": "has 0 rows from row 0 on, want 3"}},
		"longer columns":  {withColumns(func(c *columnsv1.ColourColumns) { c.L = append(c.L, 1) }), map[string]string{"columns.l": "has 4 rows"}},
		"id twice":        {withColumns(func(c *columnsv1.ColourColumns) { c.ReadingId[1] = "r1" }), map[string]string{"columns.reading_id[1]": `of row 1 (reading "r1") comes twice`}},
		"ids not sorted":  {withColumns(func(c *columnsv1.ColourColumns) { c.ReadingId[1] = "r0" }), map[string]string{"columns.reading_id[1]": `comes after "r1"`}},
		"id empty":        {withColumns(func(c *columnsv1.ColourColumns) { c.ReadingId[0] = "" }), map[string]string{"columns.reading_id[0]": "is empty"}},
		"ids over chunks": {[]*request{head(goodHeader()), cols(one("b")), cols(one("b")), cols(one("a"))}, map[string]string{"columns.reading_id[0]": "of row"}},
		"indexes": {withColumns(func(c *columnsv1.ColourColumns) {
			c.Group[0], c.Block[1], c.Stratum[2], c.Cell[2] = 2, 9, 1, math.MaxUint32
		}), map[string]string{
			"columns.group[0]":   `of row 0 (reading "r1") is 2, want 0 to 1`,
			"columns.block[1]":   "is 9, want 0 to 1",
			"columns.stratum[2]": "is 1, want 0 to 0",
			"columns.cell[2]":    "is 4294967295, want 0 to 2"}},
		"no label": {withHeader(func(h *header) { h.Labels.Strata = nil }), map[string]string{
			"columns.stratum[0]": "no label for it", "columns.stratum[1]": "no label for it", "columns.stratum[2]": "no label for it"}},
		"colours": {withColumns(func(c *columnsv1.ColourColumns) {
			c.L[0], c.L[1], c.A[1], c.B[2] = math.NaN(), -0.5, math.Inf(1), -200.1
		}), map[string]string{
			"columns.l[0]": "is NaN, want 0 to 150", "columns.l[1]": "is -0.5, want 0 to 150", "columns.a[1]": "is +Inf, want -200 to 200",
			"columns.b[2]": `of row 2 (reading "r3") is -200.1`}},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := receive(c.parts...)
			got := moduletest.Refused(t, err)
			for field, text := range c.want {
				assert.Contains(t, got[field], text, "%s of %v", field, got)
			}
			assert.Len(t, got, len(c.want), "%v", got)
		})
	}
}

func TestRowsAreCountedOverChunks(t *testing.T) {
	bad := one("c")
	bad.A[0] = 1e9
	_, err := receive(head(goodHeader()), cols(one("a")), cols(one("b")), cols(bad))
	assert.Contains(t, moduletest.Refused(t, err)["columns.a[0]"], `of row 2 (reading "c") is 1e+09`)
}

// A stream that never ends in itself must end in a refusal.
func TestEndlessStreams(t *testing.T) {
	for name, part := range map[string]*request{"headers": head(goodHeader()), "empty chunks": cols(&columnsv1.ColourColumns{}), "rows": cols(one("a"))} {
		t.Run(name, func(t *testing.T) {
			first := true
			_, err := Receive(func() (*request, error) {
				if first {
					first = false
					return head(goodHeader()), nil
				}
				return part, nil
			}, func(*header, *sdk.Violations) {}, func(*header, Row) {})
			moduletest.Refused(t, err)
		})
	}
}

func TestReceiveGivesOtherErrorsBack(t *testing.T) {
	broken := status.Error(codes.Canceled, "gone")
	for _, after := range []int{0, 1} {
		n := 0
		_, err := Receive(func() (*request, error) {
			if n++; n > after {
				return nil, broken
			}
			return head(goodHeader()), nil
		}, func(*header, *sdk.Violations) {}, func(*header, Row) {})
		assert.Equal(t, broken, err)
	}
}
