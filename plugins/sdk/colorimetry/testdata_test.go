package colorimetry

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// publishedRows reads a table of testdata/colour: rows by column name. Each
// file names its source in its header.
func publishedRows(t testing.TB, name string) []publishedRow {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "..", "testdata", "colour", name))
	require.NoError(t, err)
	defer func() { _ = f.Close() }()
	r := csv.NewReader(f)
	r.Comment = '#'
	all, err := r.ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(all), 1)
	var rows []publishedRow
	for _, fields := range all[1:] {
		row := publishedRow{}
		for i, name := range all[0] {
			row[name] = fields[i]
		}
		rows = append(rows, row)
	}
	return rows
}

type publishedRow map[string]string

func (r publishedRow) number(t testing.TB, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(r[column], 64)
	require.NoError(t, err, column)
	return v
}

func (r publishedRow) condition(t testing.TB) Condition {
	t.Helper()
	c, err := ParseCondition(r["illuminant"] + "/" + r["observer_deg"])
	require.NoError(t, err)
	return c
}
