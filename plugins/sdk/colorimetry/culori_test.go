package colorimetry

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A second opinion in another language: culori, the JavaScript library, over
// 2,000 pairs. Its lab65 has the white that sRGB has.
func TestAgainstCulori(t *testing.T) {
	folder := os.Getenv("COMMONVAT_CULORI_DIR")
	if folder == "" {
		t.Skip("COMMONVAT_CULORI_DIR is not set: it names a folder in which npm has installed culori")
	}
	node, err := exec.LookPath("node")
	require.NoError(t, err)
	library := filepath.Join(folder, "node_modules", "culori", "bundled", "culori.cjs")
	_, err = os.Stat(library)
	require.NoError(t, err)

	type question struct{ Reference, Sample [3]float64 }
	var questions []question
	var p, q []Lab
	for i, spread := range []float64{1, 0.1, 0.01, 0.001} {
		reference, sample := randomColours(500, uint64(10+i)), randomColours(500, uint64(20+i))
		for k, r := range reference {
			s := Lab{r.L + spread*(sample[k].L-r.L), r.A + spread*(sample[k].A-r.A), r.B + spread*(sample[k].B-r.B)}
			if nearJump(r, s, DefaultFactors) {
				continue
			}
			p, q = append(p, r), append(q, s)
			questions = append(questions, question{[3]float64{r.L, r.A, r.B}, [3]float64{s.L, s.A, s.B}})
		}
	}
	require.Greater(t, len(questions), 1990)
	input, err := json.Marshal(questions)
	require.NoError(t, err)
	run := exec.Command(node, filepath.Join("testdata", "culori.cjs"), library)
	run.Stdin = bytes.NewReader(input)
	run.Stderr = os.Stderr
	output, err := run.Output()
	require.NoError(t, err)
	var answers []struct {
		CIE76, Textile, Arts, CMC11, CMC21, CIEDE2000, KL2 float64
		RGB, Lab50                                         [3]float64
	}
	require.NoError(t, json.Unmarshal(output, &answers))
	require.Len(t, answers, len(questions))

	d50 := XYZ{0.3457 / 0.3585 * 100, 100, (1 - 0.3457 - 0.3585) / 0.3585 * 100} // the white that culori takes
	bradford := adaptationMatrix(Bradford, sRGBWhite, d50)
	for i, a := range answers {
		r, s := p[i], q[i]
		// Their hue differences are roots of differences, hence 1e-5 for those.
		assert.InDelta(t, a.CIE76, CIE76(r, s), 1e-9)
		assert.InDelta(t, a.CIEDE2000, CIEDE2000(r, s, DefaultFactors), 1e-9)
		assert.InDelta(t, a.KL2, CIEDE2000(r, s, Factors{2, 1, 1}), 1e-9)
		assert.InDelta(t, a.Textile, CIE94(r, s, CIE94Textile, DefaultFactors), 1e-5)
		assert.InDelta(t, a.Arts, CIE94(r, s, CIE94GraphicArts, DefaultFactors), 1e-5)
		assert.InDelta(t, a.CMC11, CMC(r, s, 1, 1), 1e-5)
		assert.InDelta(t, a.CMC21, CMC(r, s, 2, 1), 1e-5)
		rgb, _, err := r.SRGB(D65Observer2)
		require.NoError(t, err)
		for k, v := range [3]float64{rgb.R, rgb.G, rgb.B} {
			assert.InDelta(t, a.RGB[k], v, 1e-6)
		}
		lab := bradford.apply(r.XYZ(sRGBWhite)).Lab(d50)
		assert.InDelta(t, 0, CIE76(Lab{a.Lab50[0], a.Lab50[1], a.Lab50[2]}, lab), 1e-4)
	}
}
