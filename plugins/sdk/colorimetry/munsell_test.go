package colorimetry

import (
	"math"
	"sort"
	"strconv"
	"strings"
	"testing"

	"github.com/lucasb-eyer/go-colorful"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// munsellHue is 0 to 100, 0 being 10RP.
func munsellHue(t *testing.T, name string) float64 {
	families := []string{"R", "YR", "Y", "GY", "G", "BG", "B", "PB", "P", "RP"}
	family := strings.TrimLeft(name, "0123456789.")
	step, err := strconv.ParseFloat(strings.TrimSuffix(name, family), 64)
	require.NoError(t, err)
	for i, f := range families {
		if f == family {
			return math.Mod(float64(10*i)+step, 100)
		}
	}
	t.Fatalf("no hue %q", name)
	return 0
}

// The Munsell renotation: colours in even steps of hue, value and chroma, as people saw them. CIELAB must give them in the same order, and the
// arithmetic must be that of go-colorful.
func TestMunsellRenotation(t *testing.T) {
	white := XYZ{98.07, 100, 118.22} // illuminant C, 2 degrees, CIE 015
	rows := publishedRows(t, "munsell_renotation_real.csv")
	require.Len(t, rows, 2734)
	type key struct{ value, chroma float64 }
	type hue struct{ munsell, cielab float64 }
	rings := map[key][]hue{}
	lightness := map[float64]float64{}
	worst := 0.0
	for _, r := range rows {
		x, y, Y := r.number(t, "x"), r.number(t, "y"), 0.975*r.number(t, "Y")
		v := fromXYY(x, y, Y)
		c := v.Lab(white)
		l, a, b := colorful.XyzToLabWhiteRef(v.X/100, v.Y/100, v.Z/100, [3]float64{white.X / 100, white.Y / 100, white.Z / 100})
		// go-colorful has the join of the two parts as decimals.
		worst = max(worst, CIE76(Lab{100 * l, 100 * a, 100 * b}, c))
		k := key{r.number(t, "value"), r.number(t, "chroma")}
		rings[k] = append(rings[k], hue{munsellHue(t, r["hue"]), c.LCh().H})
		lightness[k.value] = c.L
	}
	t.Logf("largest deviation from go-colorful %.2g", worst)
	assert.Less(t, worst, 1e-6)

	// Value steps: L* is ten times the value to 0.8, and rises with it (ASTM D1535 gives Y of value 5 as 19.27 %, L* 51.0).
	for value, l := range lightness {
		if value >= 1 {
			assert.InDelta(t, 10*value, l, 1.5, "%v", value)
		}
	}
	values := make([]float64, 0, len(lightness))
	for v := range lightness {
		values = append(values, v)
	}
	sort.Float64s(values)
	for i := 1; i < len(values); i++ {
		assert.Greater(t, lightness[values[i]], lightness[values[i-1]])
	}

	// Hue order: around every ring of one value and chroma the CIELAB hue rises with the Munsell hue, once around.
	turned, neighbours := 0, 0
	for k, ring := range rings {
		if len(ring) < 3 || k.chroma < 4 || k.value < 2 {
			continue
		}
		sort.Slice(ring, func(i, j int) bool { return ring[i].munsell < ring[j].munsell })
		around := 0.0
		for i := range ring {
			next := ring[(i+1)%len(ring)]
			d := math.Mod(next.cielab-ring[i].cielab+540, 360) - 180
			if i == len(ring)-1 && len(ring) < 40 { // not a whole ring: the last step closes it
				continue
			}
			neighbours++
			if d <= 0 {
				turned++
				t.Logf("value %v chroma %v: %v is followed by %v", k.value, k.chroma, ring[i], next)
			}
			around += d
		}
		if len(ring) == 40 {
			assert.InDelta(t, 360, around, 1e-6, "%v", k)
		}
	}
	t.Logf("%d neighbours, %d out of order", neighbours, turned)
	assert.Zero(t, turned)
}
