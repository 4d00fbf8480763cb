package compute

import (
	"encoding/csv"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/compare"
	"github.com/commonvat/commonvat/plugins/difference"
	"github.com/commonvat/commonvat/plugins/palette"
	"github.com/commonvat/commonvat/plugins/reading"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// Every row of every table says who computed it and what else it was asked for, also one with a fault, in the last columns.
func TestEveryRowSaysWhatComputedIt(t *testing.T) {
	a2 := &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_A, Observer: typesv1.Observer_OBSERVER_CIE_1931_2_DEGREE}
	var labelled strings.Builder
	labelled.WriteString("group,block,L,a,b\n")
	for i := range 16 {
		fmt.Fprintf(&labelled, "%c,s%d,%d,%d,%d\n", 'x'+rune(i%2), i/4, 30+i, i*i%11, -i)
	}
	versions := map[string]string{difference.Name: difference.Version, reading.Name: reading.Version, palette.Name: palette.Version, compare.Name: compare.Version, "": ""}
	for name, c := range map[string]struct {
		run  func(out *strings.Builder) (int, error)
		want map[string]string // settings by module
	}{
		"differences": {func(out *strings.Builder) (int, error) {
			return Differences{Common: common, Formulas: wanted(t, "ciede2000", "cmc:2:1")}.Run(t.Context(), dial(t), strings.NewReader("L1,a1,b1,L2,a2,b2\n50,0,0,51,0,0\nno,0,0,51,0,0\n"), out)
		}, map[string]string{difference.Name: "condition D65/10"}},
		"sRGB": {func(out *strings.Builder) (int, error) {
			return Differences{Common: common, Formulas: wanted(t, "cie76"), RGBScale: 255}.Run(t.Context(), dial(t), strings.NewReader("R1,G1,B1,R2,G2,B2\n255,0,0,0,0,255\n"), out)
		}, map[string]string{difference.Name: "condition D65/2; RGB scale 255"}},
		"colours": {func(out *strings.Builder) (int, error) {
			return Colours{Common: common, Scale: Percent, Conditions: []string{"D65/10", "5500K/2"}}.Run(t.Context(), dial(t), strings.NewReader("R400,R420,R440,R460,R480,R500,R520,R540,R560,R580,R600,R620,R640,R660,R680,R700\n"+
				strings.TrimSuffix(strings.Repeat("40,", 16), ",")+"\n"), out)
		}, map[string]string{reading.Name: "condition D65/10, 5500K/2; scale percent"}},
		"palettes": {func(out *strings.Builder) (int, error) {
			return Palettes{Common: common, Condition: a2, Seed: 7, Threshold: 2.25, EqualNumber: 6, Match: true, Closing: 8}.Run(t.Context(), dial(t), strings.NewReader(labelled.String()), out, func(string) {})
		}, map[string]string{palette.Name: "condition A/2; seed 7; threshold 2.25; equal number 6", compare.Name: "condition A/2; seed 7; threshold 2.25; closing sessions 8; matched by position"}},
		"nobody asked": {func(out *strings.Builder) (int, error) {
			return Palettes{Common: common, Condition: a2}.Run(t.Context(), dial(t), strings.NewReader(labelled.String()), out, func(string) {})
		}, map[string]string{palette.Name: "condition A/2; seed 0", "": ""}},
	} {
		t.Run(name, func(t *testing.T) {
			var out strings.Builder
			_, err := c.run(&out)
			require.NoError(t, err)
			all, err := csv.NewReader(strings.NewReader(out.String())).ReadAll()
			require.NoError(t, err)
			n := len(all[0])
			assert.Equal(t, []string{"module", "module_version", "settings"}, all[0][n-3:])
			told := map[string]string{}
			for _, line := range all[1:] {
				told[line[n-3]] = line[n-1]
				assert.Equal(t, versions[line[n-3]], line[n-2])
			}
			assert.Equal(t, c.want, told)
		})
	}
}

// A table that has such columns itself is refused before anything is written, as one with a column "fault" is.
func TestProvenanceIsNotMixedUp(t *testing.T) {
	var out strings.Builder
	_, err := Differences{Common: common, Formulas: wanted(t, "cie76")}.Run(t.Context(), dial(t), strings.NewReader("L1,a1,b1,L2,a2,b2,settings\n"), &out)
	require.ErrorContains(t, err, `header has a column "settings", which what is computed needs; rename it, or leave it out with --keep`)
	assert.Empty(t, out.String())
}
