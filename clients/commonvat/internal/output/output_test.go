package output

import (
	"math"
	"strings"
	"testing"

	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestWriteCSV(t *testing.T) {
	var b strings.Builder
	v := -12.3456789012345
	g := Grid{Title: "not in CSV", Below: "nor this", Columns: []string{"text", "number", "maybe"}}
	g.Add("=SUM(A1)", -6.73, &v)
	g.Add("+1", 0.1, (*float64)(nil))
	g.Add("@x", int32(-4), 0.0)
	g.Add(`a,"b"`, math.Copysign(0, -1), true)
	g.Add("", Measure("-3"), nil)
	require.NoError(t, WriteCSV(&b, g))
	assert.Equal(t, "text,number,maybe\n'=SUM(A1),-6.73,-12.3456789\n'+1,0.1,\n'@x,-4,0\n\"a,\"\"b\"\"\",0,yes\n,-3,\n", b.String())
}

func TestWriteTable(t *testing.T) {
	var b strings.Builder
	g := Grid{Title: "two", Columns: []string{"name", "lot", "mass", "share", "never"}, Below: "no more"}
	g.Add("wäld", "", 3.0, Measure("2 of 8"), nil)
	g.Add("indigo\x1b[31m", "", 12.25, Measure("11"), (*float64)(nil))
	require.NoError(t, WriteTable(&b, g))
	assert.Equal(t, "two\nname          mass   share\nwäld             3  2 of 8\nindigo [31m  12.25      11\nno more\n", b.String())

	b.Reset()
	require.NoError(t, WriteTable(&b, Grid{Columns: []string{"name", "mass"}}))
	assert.Equal(t, "name  mass\n", b.String(), "without rows the columns still say what would be there")
}

func TestWriteJSON(t *testing.T) {
	var b strings.Builder
	require.NoError(t, WriteJSON(&b, &typesv1.Spectrum{StartNm: 400, StepNm: 10}))
	assert.Equal(t, "{\n  \"start_nm\": 400,\n  \"step_nm\": 10\n}\n", b.String())
}

func TestParseFormat(t *testing.T) {
	_, err := ParseFormat("yaml")
	assert.ErrorContains(t, err, "table, json, csv")
}

// What a column means is told where it stands; a column that is left out isn't spoken of.
func TestNotesAreOfColumnsThatStand(t *testing.T) {
	g := Grid{Columns: []string{"pair", "ratio", "apart"}, Notes: []Note{{"ratio", "first to second"}, {"apart", "first less second"}}}
	g.Add(1, nil, 0.5)
	var b strings.Builder
	require.NoError(t, WriteTable(&b, g))
	assert.Contains(t, b.String(), "\napart: first less second\n")
	assert.NotContains(t, b.String(), "ratio")
	g.Rows, g.Below = nil, "two of them"
	g.Add(1, 1.5, nil)
	b.Reset()
	require.NoError(t, WriteTable(&b, g))
	assert.Contains(t, b.String(), "\ntwo of them; ratio: first to second\n")
	g.Rows, g.Below = nil, ""
	g.Add(1, nil, nil)
	b.Reset()
	require.NoError(t, WriteTable(&b, g))
	assert.Equal(t, "pair\n   1\n", b.String())
}
