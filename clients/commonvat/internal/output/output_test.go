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
	g := Grid{Title: "not in CSV", Columns: []string{"text", "number", "maybe"}}
	g.Add("=SUM(A1)", -6.73, &v)
	g.Add("+1", 0.1, (*float64)(nil))
	g.Add("@x", int32(-4), 0.0)
	g.Add(`a,"b"`, math.Copysign(0, -1), true)
	require.NoError(t, WriteCSV(&b, g))
	assert.Equal(t, "text,number,maybe\n'=SUM(A1),-6.73,-12.3456789\n'+1,0.1,\n'@x,-4,0\n\"a,\"\"b\"\"\",0,yes\n", b.String())
}

func TestWriteTable(t *testing.T) {
	var b strings.Builder
	g := Grid{Title: "two", Columns: []string{"name", "mass"}}
	g.Add("wäld", 3.0)
	g.Add("indigo\x1b[31m", 12.25)
	require.NoError(t, WriteTable(&b, g))
	assert.Equal(t, "two\nname          mass\nwäld             3\nindigo [31m  12.25\n", b.String())
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
