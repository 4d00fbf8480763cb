package archive

import (
	"encoding/csv"
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestCells(t *testing.T) {
	minus, age := -12.3, int32(8)
	for _, c := range []struct {
		value any
		want  string
	}{
		{nil, ""}, {"", ""}, {"weld", "weld"}, {"=1+1", "'=1+1"}, {"+1", "'+1"}, {"-12.3", "'-12.3"}, {"@x", "'@x"}, {"\tx", "'\tx"}, {"\rx", "'\rx"},
		{" =x", " =x"}, {"a=b", "a=b"}, {-12.3, "-12.3"}, {&minus, "-12.3"}, {(*float64)(nil), ""}, {1e-7, "0.0000001"}, {1e21, "1000000000000000000000"},
		{1.0 / 3, "0.3333333333333333"}, {math.NaN(), "NaN"}, {math.Inf(-1), "'-Inf"}, {-3, "-3"}, {int32(-3), "-3"}, {&age, "8"}, {(*int32)(nil), ""}, {true, "yes"}, {false, "no"},
	} {
		assert.Equal(t, c.want, cell(c.value), "%#v", c.value)
	}
	// RFC 4180 section 2, rules 5 to 7, with its own examples.
	for text, want := range map[string]string{"aaa": "aaa", "b\r\nbb": "\"b\r\nbb\"", "b\"bb": `"b""bb"`, "a,b": `"a,b"`, " a": `" a"`, "a\rb": "\"a\rb\""} {
		assert.Equal(t, want, field(text))
	}
}

// Whatever text stands in a record: a reader of RFC 4180 gets it back whole, and no spreadsheet takes it for a formula.
func FuzzTextCells(f *testing.F) {
	for _, seed := range []string{"", "weld", "=1+1", "+", "-12.3", "@SUM(A1)", "\t=x", "\r=x", "\n", "a,\"b\"\r\nc", "'", "\x00=", "“=”", " =x"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		shown := cell(text)
		if shown != text {
			assert.Equal(t, "'"+text, shown)
		}
		if shown != "" {
			assert.NotContains(t, "=+-@\t\r\n", shown[:1])
		}
		rows, err := csv.NewReader(strings.NewReader("x," + field(shown) + "\r\n")).ReadAll()
		require.NoError(t, err)
		require.Len(t, rows, 1)
		require.Len(t, rows[0], 2)
		assert.Equal(t, strings.ReplaceAll(shown, "\r\n", "\n"), rows[0][1], "the reader takes CRLF in quotes for LF")
	})
}

func FuzzFigureCells(f *testing.F) {
	for _, seed := range []float64{0, -12.3, 1e-300, math.MaxFloat64, math.NaN(), math.Inf(1), math.Copysign(0, -1)} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, v float64) {
		shown := cell(v)
		back, err := strconv.ParseFloat(shown, 64)
		if math.IsNaN(v) || math.IsInf(v, 0) {
			assert.NotContains(t, "=+-@", shown[:1])
			return
		}
		require.NoError(t, err)
		assert.Equal(t, math.Float64bits(v), math.Float64bits(back), "to the last bit")
	})
}
