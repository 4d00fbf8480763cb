package reflectance

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Measured dyed wool: the instrument's own CIELAB for D65/10 against ours from
// the instrument's reflectance, which it rounds to 0.01 percent. The data are
// other people's and are not part of this project.
func TestMeasuredWool(t *testing.T) {
	dir := os.Getenv("COMMONVAT_MEASURED_DIR")
	if dir == "" {
		t.Skip("COMMONVAT_MEASURED_DIR is not set: measured wool spectra are not at hand")
	}
	labs, spectra := measured(t, dir, "biodyes_lab.csv"), measured(t, dir, "biodyes_spectra.csv")
	require.Len(t, spectra, len(labs))
	var m Method
	var differences []float64
	for id, row := range spectra {
		var nm, factors []float64
		for column, text := range row {
			if digits, ok := strings.CutPrefix(column, "R"); ok {
				nm = append(nm, parse(t, digits))
				factors = append(factors, parse(t, text)/100)
			}
		}
		sort.Sort(&byWavelength{nm, factors})
		s := Spectrum{StartNm: nm[0], StepNm: nm[1] - nm[0], Reflectance: factors}
		for i, at := range nm {
			require.InDelta(t, s.StartNm+float64(i)*s.StepNm, at, 1e-6, "id %s: equal steps", id)
		}
		got, err := m.Colour(Raw{Spectrum: &s}, colorimetry.D65Observer10)
		require.NoError(t, err, "id %s", id)
		instrument, ok := labs[id]
		require.True(t, ok, "id %s", id)
		theirs := colorimetry.Lab{L: parse(t, instrument["L"]), A: parse(t, instrument["a"]), B: parse(t, instrument["b"])}
		differences = append(differences, colorimetry.CIEDE2000(theirs, got.Lab, colorimetry.DefaultFactors))
	}
	sort.Float64s(differences)
	median, worst := differences[len(differences)/2], differences[len(differences)-1]
	t.Logf("%d spectra: median dE00 %.4f, worst %.4f", len(differences), median, worst)
	require.Greater(t, len(differences), 400)
	assert.LessOrEqual(t, median, 0.05)
	assert.LessOrEqual(t, worst, 0.2)
	assert.False(t, math.IsNaN(worst))
}

func measured(t *testing.T, dir, name string) map[string]map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join(dir, name))
	require.NoError(t, err)
	defer func() { _ = f.Close() }()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	out := map[string]map[string]string{}
	for _, fields := range rows[1:] {
		row := map[string]string{}
		for i, column := range rows[0] {
			row[column] = fields[i]
		}
		out[row["id"]] = row
	}
	return out
}

func parse(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	require.NoError(t, err)
	return v
}

type byWavelength struct{ nm, factors []float64 }

func (b *byWavelength) Len() int           { return len(b.nm) }
func (b *byWavelength) Less(i, j int) bool { return b.nm[i] < b.nm[j] }
func (b *byWavelength) Swap(i, j int) {
	b.nm[i], b.nm[j] = b.nm[j], b.nm[i]
	b.factors[i], b.factors[j] = b.factors[j], b.factors[i]
}
