package retention

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// curves reads reflectance in percent, 360 to 740 nm by 10, by id.
func curves(t *testing.T) map[string][]float64 {
	dir := os.Getenv("COMMONVAT_MEASURED_DIR")
	if dir == "" {
		t.Skip("COMMONVAT_MEASURED_DIR is not set: the measured wool spectra are not at hand")
	}
	f, err := os.Open(filepath.Join(dir, "biodyes_spectra.csv"))
	require.NoError(t, err)
	defer func() { _ = f.Close() }()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	out := map[string][]float64{}
	for _, row := range rows[1:] {
		for _, cell := range row[1:] {
			x, err := strconv.ParseFloat(cell, 64)
			require.NoError(t, err)
			out[row[0]] = append(out[row[0]], x/100)
		}
	}
	return out
}

// What the model says of the only measured cases that are like an overdye: wool yarns of Li, Hyttinen, Räisänen, Gao & Hauta-Kasari (2023), Int. J. Network
// Dynamics and Intelligence 2(2) 100001. They are two, with parts from other yarns and unknown recipes: no proof of anything, and no fit.
func TestMeasuredOverdyes(t *testing.T) {
	of := curves(t)
	w, err := colorimetry.NewWeights(colorimetry.D65Observer10, 360, 10, 39)
	require.NoError(t, err)
	m, err := New(w, Surface{}, .9)
	require.NoError(t, err)

	// Gladiolus, and the same yarn after an exhaust bath of madder. The substrate and madder alone (a full bath) are of other yarns.
	p := Piece{Substrate: of["310"], First: of["174"], Second: of["66"], Both: of["176"]}
	model, err := m.Learn(t.Context(), []Trial{{ID: "gladiolus, madder", Pieces: []Piece{p}}}, nil)
	require.NoError(t, err)
	assert.Equal(t, NotFitted, model.Standing, "one trial is no fit")
	rules := map[Rule]float64{}
	for _, r := range model.Rules {
		rules[r.Rule] = r.MeanDE00
		t.Logf("gladiolus then madder, %s: CIEDE2000 %.2f from the measured colour", r.Rule, r.MeanDE00)
	}
	// 1.4 by another program over the same rows.
	assert.InDelta(t, 1.4, rules[RuleAdditive], .05)
	one, err := fit([]reduced{m.reduce(Trial{Pieces: []Piece{p}})}, -1, nil)
	require.NoError(t, err)
	t.Logf("its best r and s, which one case can't prove: %.3f and %.3f, cosine %.3f", one.Retention, one.Uptake, one.cosine)

	// A lichen on grey and on other yarn. On grey it came out lighter (L* 39.0 against 18.4): what a grey ground adds can't be below 0, so that no r from 0
	// on gives that, with an uptake of 1; the yarns and doses differ, and there is no grey yarn alone.
	white, grey := of["24"], of["27"]
	lower := 0
	for i := range white {
		kw, _ := colorimetry.KS(white[i])
		kg, _ := colorimetry.KS(grey[i])
		if kg < kw {
			lower++
		}
	}
	a, err := w.Lab(white)
	require.NoError(t, err)
	b, err := w.Lab(grey)
	require.NoError(t, err)
	t.Logf("lichen on grey: CIEDE2000 %.2f, L* %.1f and %.1f; K/S is below that without grey at %d of %d wavelengths", colorimetry.CIEDE2000(a, b, colorimetry.DefaultFactors), a.L, b.L, lower, len(white))
	assert.Equal(t, len(white), lower)
}
