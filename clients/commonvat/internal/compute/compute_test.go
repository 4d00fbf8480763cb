package compute

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/commonvat/commonvat/plugins/compare"
	"github.com/commonvat/commonvat/plugins/difference"
	"github.com/commonvat/commonvat/plugins/palette"
	"github.com/commonvat/commonvat/plugins/reading"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
)

// dial serves the real modules in this process.
func dial(t testing.TB) Conn {
	open := map[string]grpc.ClientConnInterface{}
	for kind, module := range map[string]func() sdk.Module{sdk.KindDifference: difference.Module, sdk.KindReading: reading.Module,
		sdk.KindPalette: palette.Module, sdk.KindCompare: compare.Module} {
		open[kind] = plugintest.Dial(t, module())
	}
	return func(_ context.Context, kind string) (grpc.ClientConnInterface, error) { return open[kind], nil }
}

var common = Common{Delimiter: ',', Timeout: time.Minute}

// rows reads what was written, by column.
func rows(t testing.TB, text string) []map[string]string {
	all, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	require.NoError(t, err)
	require.NotEmpty(t, all)
	var out []map[string]string
	for _, line := range all[1:] {
		row := map[string]string{}
		for i, name := range all[0] {
			row[name] = line[i]
		}
		out = append(out, row)
	}
	return out
}

func number(t testing.TB, text string) float64 {
	v, err := strconv.ParseFloat(text, 64)
	require.NoError(t, err)
	return v
}

func wanted(t testing.TB, texts ...string) (out []Wanted) {
	for _, text := range texts {
		w, err := ParseFormula(text)
		require.NoError(t, err)
		out = append(out, w)
	}
	return out
}

// Rows 1 and 17 of Sharma, Wu & Dalal (2005), Table 1, and rows with faults between them.
func TestDifferences(t *testing.T) {
	in := "\ufeff# invented, but for the colours\nid,L1,a1,b1,L2,a2,b2\n" +
		"first,50,2.6772,-79.7751,50,0,-82.7485\n" +
		"light,300,0,0,50,0,0\n" +
		"word,50,x,0,50,0,0\n" +
		"inf,50,Inf,0,50,0,0\n" +
		"nan,50,NaN,0,50,0,0\n" +
		"hex,0x10,1,0,50,0,0\n" +
		"short,1,2\n" +
		"two,50,0,-201,151,0,0\n" +
		"'quote,50,\"0,0\n" + // takes in the rest of this line and the next
		"=1+1,50,2.5,0,73,25,-18\n"
	var out bytes.Buffer
	d := Differences{Common: common, Formulas: wanted(t, "ciede2000", "cie76", "cmc:2:1")}
	bad, err := d.Run(t.Context(), dial(t), strings.NewReader(in), &out)
	require.NoError(t, err)
	got := rows(t, out.String())
	assert.Equal(t, "2.0425", fmt.Sprintf("%.4f", number(t, got[0]["ciede2000"])))
	assert.Equal(t, "4.001063284", got[0]["cie76"]) // 10 significant digits of the root of 2.6772² + 2.9734²
	assert.InDelta(t, colorimetry.CMC(colorimetry.Lab{L: 50, A: 2.6772, B: -79.7751}, colorimetry.Lab{L: 50, B: -82.7485}, 2, 1), number(t, got[0]["cmc:2:1"]), 1e-9)
	assert.Empty(t, got[0]["fault"])
	for i, want := range []string{
		"line 4: L1 is 300, allowed: 0 to 150", `line 5: a1 is "x", want a number`, `line 6: a1 is "Inf", want a number`, `line 7: a1 is "NaN", want a number`,
		`line 8: L1 is "0x10", want a number`, "line 9: has 3 cells, want 7 as the header has", "line 10: b1 is -201, allowed: -200 to 200; L2 is 151, allowed: 0 to 150",
	} {
		assert.Equal(t, want, got[i+1]["fault"])
		assert.Empty(t, got[i+1]["ciede2000"])
	}
	assert.Contains(t, got[8]["fault"], "line 11: not valid CSV")
	assert.Equal(t, 8, bad)
	assert.Len(t, got, 9)

	// The row behind the open quotation mark, by itself.
	out.Reset()
	bad, err = d.Run(t.Context(), dial(t), strings.NewReader("id;L1;a1;b1;L2;a2;b2\n=1+1;50;2.5;0;73;25;-18\n"), &out)
	assert.ErrorContains(t, err, `header is one column, "id;L1;a1;b1;L2;a2;b2": --delimiter says what stands between cells`)
	assert.Zero(t, bad)
	d.Delimiter, d.Keep = ';', []string{"id"}
	out.Reset()
	_, err = d.Run(t.Context(), dial(t), strings.NewReader("id;L1;a1;b1;L2;a2;b2\n=1+1;50;2.5;0;73;25;-18\n"), &out)
	require.NoError(t, err)
	got = rows(t, out.String())
	assert.Equal(t, "'=1+1", got[0]["id"], "no formula for a spreadsheet")
	assert.InDelta(t, 27.1492, number(t, got[0]["ciede2000"]), 0.00005)
	assert.NotContains(t, got[0], "L1")

	// Decimal commas in, points out.
	d.DecimalComma, d.Keep = true, nil
	out.Reset()
	bad, err = d.Run(t.Context(), dial(t), strings.NewReader("L1;a1;b1;L2;a2;b2\n50;2,5;0;73;25;-18\n50;2.5;0;73;25;-18\n"), &out)
	require.NoError(t, err)
	assert.Equal(t, 1, bad)
	got = rows(t, out.String())
	assert.InDelta(t, 27.1492, number(t, got[0]["ciede2000"]), 0.00005)
	assert.Equal(t, `line 3: a1 is "2.5", want a number with a decimal comma`, got[1]["fault"])
}

// The same pair in three ways: red and blue of sRGB have the CIELAB colours 53.24, 80.09, 67.20 and 32.30, 79.19, -107.86 (from memory).
func TestDifferencesOfOtherCoordinates(t *testing.T) {
	run := func(d Differences, in string) map[string]string {
		var out bytes.Buffer
		d.Common, d.Formulas = common, wanted(t, "cie76")
		_, err := d.Run(t.Context(), dial(t), strings.NewReader(in), &out)
		require.NoError(t, err)
		return rows(t, out.String())[0]
	}
	want := math.Sqrt(math.Pow(53.24-32.30, 2) + math.Pow(80.09-79.19, 2) + math.Pow(67.20+107.86, 2))
	assert.InDelta(t, want, number(t, run(Differences{RGBScale: 255}, "R1,G1,B1,R2,G2,B2\n255,0,0,0,0,255\n")["cie76"]), 0.02)
	assert.InDelta(t, want, number(t, run(Differences{RGBScale: 1}, "R1,G1,B1,R2,G2,B2\n1,0,0,0,0,1\n")["cie76"]), 0.02)
	// Chroma 10 a quarter turn apart.
	assert.InDelta(t, math.Sqrt(200), number(t, run(Differences{}, "L1,C1,h1,L2,C2,h2\n50,10,0,50,10,90\n")["cie76"]), 1e-8)
	assert.Equal(t, "line 2: h2 is 361, allowed: 0 to 360", run(Differences{}, "L1,C1,h1,L2,C2,h2\n50,10,0,50,10,361\n")["fault"])
	assert.Equal(t, "line 2: B2 is 256, allowed: 0 to 255", run(Differences{RGBScale: 255}, "R1,G1,B1,R2,G2,B2\n255,0,0,0,0,256\n")["fault"])
}

func TestDifferencesRefuse(t *testing.T) {
	d50 := &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}
	for _, c := range []struct {
		d    Differences
		in   string
		says string
	}{
		{Differences{}, "", "table has no header"},
		{Differences{}, "# only a remark\n", "table has no header"},
		{Differences{}, "a,b\n1,2\n", "header has no pairs of colours, want columns L1,a1,b1,L2,a2,b2 or L1,C1,h1,L2,C2,h2 or R1,G1,B1,R2,G2,B2, in these letters"},
		{Differences{}, "L1,a1,b1,L2,a2\n", "; it lacks b2"},
		{Differences{}, "L1,C1,H1,L2,C2,H2\n", "; it lacks h1, h2"},
		{Differences{}, "l1,A1,B1,l2,A2,B2\n", "; it lacks L1, a1, b1, L2, a2, b2"},
		{Differences{}, "r1,g1,b1,r2,g2,b2\n", "; it lacks R1, G1, B1, R2, G2, B2"},
		{Differences{}, "L1\ta1\tb1\tL2\ta2\tb2\n", "--delimiter says"},
		{Differences{}, "L1,a1,a1\n", `header has column "a1" twice`},
		{Differences{}, "L1,,a1\n", "header has no name for column 2"},
		{Differences{}, "L1,a1,b1,L2,a2,b2,\n", "header has no name for column 7 of 7 (a delimiter too many?)"},
		{Differences{}, "\xff\n", "header is not UTF-8 text"},
		{Differences{}, "L1,a1,b1,L2,a2,b2,C1,h1,C2,h2\n", "header has colours as L*a*b* and as lightness, C and hue: leave the columns of one"},
		{Differences{}, "R1,G1,B1,R2,G2,B2\n", "--rgb-scale is needed"},
		{Differences{RGBScale: 100}, "R1,G1,B1,R2,G2,B2\n", "--rgb-scale is needed"},
		{Differences{RGBScale: 1, Condition: d50}, "R1,G1,B1,R2,G2,B2\n", "condition is another than D65/2"},
		{Differences{}, "L1,a1,b1,L2,a2,b2,ciede2000\n", `header has a column "ciede2000"`},
		{Differences{}, "L1,a1,b1,L2,a2,b2,fault\n", `header has a column "fault"`},
		{Differences{Formulas: wanted(t, "cie76", "cie76")}, "L1,a1,b1,L2,a2,b2\n", "formula has cie76 twice"},
		{Differences{Common: Common{Keep: []string{"x"}}}, "L1,a1,b1,L2,a2,b2\n", `keep names "x"`},
		{Differences{}, "L1,a1,b1,L2,a2,b2\n\"" + strings.Repeat("x,\n", 1<<20), "can't be read on behind line 1: a row is longer than 1 MiB, or a quotation mark isn't closed"},
		{Differences{}, "# a remark\n\nL1,a1,b1,L2,a2,b2\n1,1,1,1,1,1\n\n1,1\n" + strings.Repeat("x", 1<<21), "can't be read on behind line 6: "},
		{Differences{}, strings.Repeat("x,", maxColumns) + "y\n", "header has 5001 columns"},
		{Differences{Formulas: wanted(t, "cie1976")}, "L1,a1,b1,L2,a2,b2\n1,1,1,1,1,1\n", "cie1976"},
		{Differences{Formulas: wanted(t, "cie76:2")}, "L1,a1,b1,L2,a2,b2\n1,1,1,1,1,1\n", "--formula cie76:2: k_l is 2, want 0 or 1"},
	} {
		c.d.Delimiter, c.d.Timeout = ',', time.Minute
		if c.d.Formulas == nil {
			c.d.Formulas = wanted(t, "ciede2000")
		}
		_, err := c.d.Run(t.Context(), dial(t), strings.NewReader(c.in), io.Discard)
		assert.ErrorContains(t, err, c.says)
	}
	_, err := Differences{Common: common, Formulas: wanted(t, "ciede2000")}.Run(t.Context(), dial(t), iotest.ErrReader(errors.New("is a directory")), io.Discard)
	assert.EqualError(t, err, "table can't be read: is a directory")
	assert.Equal(t, []Wanted{{Name: "cmc:2", Formula: "cmc", KL: 2}}, wanted(t, " cmc:2"), "as after a comma")
	for _, bad := range []string{"", ":2", "cmc:x", "cmc:0", "cmc:-1", "cmc:NaN", "cmc:1:1:1:1"} {
		_, err := ParseFormula(bad)
		assert.ErrorContains(t, err, "formula is", bad)
	}
}

// A grey of 18.42 percent is L* 50.0016 under every light: Y 18.42.
func TestColours(t *testing.T) {
	header, grey, red := "id", "grey", "red"
	for nm := 400; nm <= 700; nm += 10 {
		header += fmt.Sprintf(",R%d", nm)
		grey += ",18.42"
		red += map[bool]string{true: ",60", false: ",4"}[nm > 590]
	}
	var out bytes.Buffer
	c := Colours{Common: common, Conditions: []string{"D65/10", "A/10", "5500K/2"}, Scale: Percent}
	bad, err := c.Run(t.Context(), dial(t), strings.NewReader(header+",note\n"+grey+",x\n"+red+",y\n"), &out)
	require.NoError(t, err)
	assert.Zero(t, bad)
	got := rows(t, out.String())
	for _, condition := range c.Conditions {
		assert.Equal(t, "18.42", got[0]["Y "+condition])
		assert.InDelta(t, 50.00161, number(t, got[0]["L "+condition]), 1e-5)
		assert.InDelta(t, 0, number(t, got[0]["a "+condition]), 1e-9)
	}
	assert.Greater(t, number(t, got[1]["a A/10"]), 20.0)
	assert.Equal(t, "11.52", got[1]["KS"]) // (1-0.04)²/0.08
	assert.Equal(t, "400", got[1]["KS_nm"])
	assert.Equal(t, []string{"0", "0"}, []string{got[1]["KS_clipped"], got[1]["KS_saturated"]})
	assert.Equal(t, "y", got[1]["note"])
	assert.NotContains(t, got[0], "R400")

	one := func(scale Scale, cells string) string {
		out.Reset()
		_, err := Colours{Common: common, Conditions: []string{"D65/10"}, Scale: scale}.Run(t.Context(), dial(t), strings.NewReader(header+"\nx"+cells+"\n"), &out)
		require.NoError(t, err)
		return rows(t, out.String())[0]["fault"]
	}
	all := func(v string) string { return strings.Repeat(","+v, 31) }
	assert.Contains(t, one(Percent, all("0.5")), "may be a factor or at most one percent")
	assert.Contains(t, one(Factor, all("50")), "is no factor (0 to 2): is it percent?")
	assert.Equal(t, "line 2: R400 is -0.1, allowed: 0 to 2", one(Factor, all("-0.1")))
	assert.Equal(t, "line 2: R700 is 250, allowed: 0 to 200", one(Percent, strings.Repeat(",25", 30)+",250"), "as it stands in the table")
	assert.Contains(t, one(Percent, all("")), "R400 is empty, want a number")
	assert.Empty(t, one(Factor, all("0.5")))
	assert.Empty(t, one(Factor, all("0")), "black")
	black := rows(t, out.String())[0] // (1-0.005)²/0.01, which no strength of a dye is
	assert.Equal(t, []string{"99.0025", "1", "1"}, []string{black["KS"], black["KS_clipped"], black["KS_saturated"]})
	assert.Empty(t, one(Factor, all("0.02")))
	deep := rows(t, out.String())[0] // (1-0.02)²/0.04
	assert.Equal(t, []string{"24.01", "0", "1"}, []string{deep["KS"], deep["KS_clipped"], deep["KS_saturated"]})

	for _, c := range []struct {
		scale     Scale
		condition string
		in, says  string
	}{
		{"", "D65/10", header, "--scale is needed"},
		{Percent, "E/10", header, `--condition has "E/10"`},
		{Percent, "D65/10", "id,R400,R400\n", "twice"},
		{Percent, "D65/10", "id,R410,R400\n", "header has R400 behind R410, want wavelengths that rise"},
		{Percent, "D65/10", "id,R400,R400.0\n", "header has R400.0 behind R400"},
		{Percent, "D65/10", "id,R400\n", "header has 1 columns of wavelengths"},
	} {
		_, err := Colours{Common: common, Conditions: []string{c.condition}, Scale: c.scale}.Run(t.Context(), dial(t), strings.NewReader(c.in), io.Discard)
		assert.ErrorContains(t, err, c.says)
	}
	// Wavelengths that can't be used are those of every row: the whole table is refused, and nothing is written.
	for in, says := range map[string]string{
		"R400,R410,R500,R700\n9,9,9,9\n":                           "the curve lacks 410 to 500 nm",
		strings.Join(strings.Split(header, ",")[3:28], ",") + "\n": "the curve lacks 400 to 420 nm and 660 to 700 nm",
	} {
		out.Reset()
		_, err = Colours{Common: common, Conditions: []string{"D65/10"}, Scale: Percent}.Run(t.Context(), dial(t), strings.NewReader(in), &out)
		assert.ErrorContains(t, err, "header has columns of wavelengths that can't be used: ")
		assert.ErrorContains(t, err, says)
		assert.Empty(t, out.String())
	}
}

// The box {40,60} x {-10,20} x {-5,35} has volume 24,000 and area 1,200, by hand.
func TestPalettes(t *testing.T) {
	var in strings.Builder
	in.WriteString("group,block,L,a,b\n")
	for _, l := range []int{40, 60} {
		for _, a := range []int{-10, 20} {
			for _, b := range []int{-5, 35} {
				fmt.Fprintf(&in, "box,,%d,%d,%d\n", l, a, b)
			}
		}
	}
	in.WriteString("greys,,50,0,0\ngreys,,60,0,0\n,,50,0,0\nbox,,300,0,0\nbox,,1\n")
	condition := &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}
	var out bytes.Buffer
	var said []string
	p := Palettes{Common: common, Condition: condition}
	bad, err := p.Run(t.Context(), dial(t), strings.NewReader(in.String()), &out, func(s string) { said = append(said, s) })
	require.NoError(t, err)
	assert.Equal(t, 3, bad)
	assert.Equal(t, []string{"line 12: group is empty, want a name", "line 13: L is 300, allowed: 0 to 150", "line 14: has 3 cells, want 5 as the header has"}, said)
	find := func(what, group, measure string) map[string]string {
		for _, r := range rows(t, out.String()) {
			if r["what"] == what && r["group"] == group && r["measure"] == measure {
				return r
			}
		}
		t.Fatalf("no %s %s %s in\n%s", what, group, measure, out.String())
		return nil
	}
	assert.InDelta(t, 24000, number(t, find("group", "box", "hull volume")["value"]), 1e-4)
	assert.InDelta(t, 1200, number(t, find("group", "box", "hull area")["value"]), 1e-6)
	assert.Equal(t, "hull is solid", find("group", "box", "hull volume")["note"])
	assert.Equal(t, "hull is line; unstable: fewer than 8 cells", find("group", "greys", "hull volume")["note"])
	assert.Equal(t, "2", find("group", "greys", "shades at 5")["value"])
	assert.Equal(t, "thin: compared at fewer than 6 cells", find("pair", "box", "strata of both")["note"])
	assert.Contains(t, find("verdict", "", "verdict")["note"], "not asked: without a column cell")

	// Eight invented sessions in which one order spreads the same four recipes half as far again.
	in.Reset()
	in.WriteString("group,block,cell,L,a,b\n")
	for s := range 8 {
		for g, name := range []string{"blue first", "blue last"} {
			wide := 1 + 0.5*float64(g)
			for c := range 4 {
				off := 0.3 * math.Sin(float64(7*s+3*c+g))
				fmt.Fprintf(&in, "%s,s%d,recipe %d,%g,%g,%g\n", name, s, c, 50+wide*8*(float64(c)-1.5)+off, wide*10*(float64(c%2)-.5), wide*10*(float64(c/2)-.5)-off)
			}
		}
	}
	for closing, verdict := range map[int32]string{8: "second wider", 0: "exploratory", 20: "not enough yet"} {
		out.Reset()
		p.Closing = closing
		_, err = p.Run(t.Context(), dial(t), strings.NewReader(in.String()), &out, func(string) {})
		require.NoError(t, err)
		assert.Contains(t, find("verdict", "blue first", "verdict")["note"], verdict)
		if closing == 8 {
			assert.Equal(t, "0.0078125", find("verdict", "blue first", "p")["value"]) // 2 of 2^8 arrangements
			assert.Equal(t, "for the number of pairs compared together: 1", find("verdict", "blue first", "p adjusted")["note"])
		} else {
			assert.NotContains(t, out.String(), "p adjusted")
		}
		if closing == 20 { // in the words of the table, whose groups may be anything
			assert.Equal(t, "12 more sessions holding both blue first and blue last", find("verdict", "blue first", "missing sessions")["note"])
			assert.NotContains(t, strings.ReplaceAll(out.String(), compare.Name, "the module"), "orders")
		}
	}
	for bad, says := range map[string]string{"group,L,a,b\n": "header lacks block", "group,block,L,a,b\n": "no row that can be used", "": "no header"} {
		_, err := p.Run(t.Context(), dial(t), strings.NewReader(bad), io.Discard, func(string) {})
		assert.ErrorContains(t, err, says)
	}
}

// Palettes that have no width, or none that can be told, get words and not silent numbers.
func TestPalettesWithoutWidth(t *testing.T) {
	condition := &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}
	palette := func(n int, colour func(i int) [3]float64) string {
		var in strings.Builder
		in.WriteString("group,block,cell,L,a,b\n")
		for i := range n {
			c := colour(i)
			for _, g := range []string{"x", "y"} {
				fmt.Fprintf(&in, "%s,s%d,c%d,%v,%v,%v\n", g, i%7, i, c[0], c[1], c[2])
			}
		}
		return in.String()
	}
	for name, c := range map[string]struct {
		in, hull string
	}{
		"one":              {palette(1, func(int) [3]float64 { return [3]float64{50, 1, 2} }), "hull is point"},
		"all equal":        {palette(30, func(int) [3]float64 { return [3]float64{50, 1, 2} }), "hull is point"},
		"a thousand alike": {palette(1000, func(int) [3]float64 { return [3]float64{50, 1, 2} }), "hull is point"},
		"on a line":        {palette(30, func(i int) [3]float64 { return [3]float64{20 + float64(i), float64(2 * i), -float64(i)} }), "hull is line"},
		"in a plane":       {palette(30, func(i int) [3]float64 { return [3]float64{50, float64(i % 6), float64(i / 6)} }), "hull is flat"},
		"in a tilted plane": {palette(30, func(i int) [3]float64 {
			return [3]float64{40 + float64(i%6) + float64(i/6), float64(i % 6), float64(i / 6)}
		}), "hull is flat"},
		"greys":             {palette(30, func(i int) [3]float64 { return [3]float64{20 + float64(i), 0, 0} }), "hull is line"},
		"nothing but black": {palette(10, func(int) [3]float64 { return [3]float64{} }), "hull is point"},
		"at the very limits": {palette(8, func(i int) [3]float64 {
			return [3]float64{150 * float64(i&1), 400*float64(i>>1&1) - 200, 400*float64(i>>2) - 200}
		}), "hull is solid"},
	} {
		t.Run(name, func(t *testing.T) {
			var out bytes.Buffer
			bad, err := Palettes{Common: common, Condition: condition, Closing: 6}.Run(t.Context(), dial(t), strings.NewReader(c.in), &out, func(string) {})
			require.NoError(t, err)
			assert.Zero(t, bad)
			assert.NotContains(t, out.String(), "NaN")
			assert.NotContains(t, out.String(), "Inf")
			verdicts, hulls := 0, 0
			for _, r := range rows(t, out.String()) {
				if r["what"] == "verdict" && r["measure"] == "verdict" {
					verdicts++
					assert.NotContains(t, r["note"], "wider")
				}
				if r["measure"] == "hull volume" {
					hulls++
					assert.Contains(t, r["note"], c.hull)
					if c.hull != "hull is solid" {
						assert.Equal(t, "0", r["value"])
					}
				}
			}
			assert.Equal(t, 1, verdicts)
			assert.Equal(t, 2, hulls)
		})
	}
}

// A table of any length takes no more memory: what is live after 20,000 and after 200,000 rows is alike.
func TestTablesAreNotKept(t *testing.T) {
	live := func(n int) uint64 {
		d := Differences{Common: common, Formulas: wanted(t, "cie76")}
		var most uint64
		d.Progress = func(done int) {
			if done%10000 == 0 {
				var m runtime.MemStats
				runtime.GC()
				runtime.ReadMemStats(&m)
				most = max(most, m.HeapAlloc)
			}
		}
		in := io.MultiReader(strings.NewReader("L1,a1,b1,L2,a2,b2\n"), io.LimitReader(&repeat{text: "50,1,2,51,2,3\n"}, int64(14*n)))
		bad, err := d.Run(t.Context(), dial(t), in, io.Discard)
		require.NoError(t, err)
		require.Zero(t, bad)
		return most
	}
	few, many := live(20_000), live(200_000)
	t.Logf("%d and %d bytes", few, many)
	assert.Less(t, many, few+12<<20) // the rows kept would be over 30 MiB
}

type repeat struct {
	text string
	at   int
}

func (r *repeat) Read(b []byte) (int, error) {
	n := 0
	for n < len(b) {
		c := copy(b[n:], r.text[r.at:])
		n += c
		r.at = (r.at + c) % len(r.text)
	}
	return n, nil
}

func FuzzTables(f *testing.F) {
	f.Add([]byte("L1,a1,b1,L2,a2,b2\n50,2.6772,-79.7751,50,0,-82.7485\n"))
	f.Add([]byte("\ufeff#x\n\"L1\",a1,b1,L2,a2,b2\r\n\"5\"\"0\",1e308,-1e308,+.5,,\n"))
	f.Add([]byte("R1,G1,B1,R2,G2,B2\n255,0,0,0,0,255\n"))
	f.Add([]byte("R400,R420,R440,R460,R480,R500,R520,R540,R560,R580,R600,R620,R640,R660,R680,R700\n9,9,9,9,9,9,9,9,9,9,9,9,9,9,9,9\n"))
	f.Add([]byte("group,block,cell,L,a,b\nx,s,c,50,0,0\ny,s,c,60,1,1\n"))
	f.Add([]byte("group,block,L,a,b\n\"x\n,s\",s,50,0,0\n"))
	conn := dial(f)
	condition := &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}
	f.Fuzz(func(t *testing.T, in []byte) {
		check := func(out *bytes.Buffer, bad int, err error, figures ...string) {
			if err != nil {
				return
			}
			faults := 0
			for _, r := range rows(t, out.String()) {
				for _, name := range figures {
					if (r["fault"] == "") != (r[name] != "") {
						t.Fatalf("a row with neither or both of %s and fault: %v", name, r)
					}
				}
				if r["fault"] != "" {
					faults++
				}
			}
			if faults != bad {
				t.Fatalf("%d faults, told %d", faults, bad)
			}
		}
		var out bytes.Buffer
		bad, err := Differences{Common: common, RGBScale: 255, Formulas: wanted(t, "ciede2000", "cmc:2:1")}.Run(t.Context(), conn, bytes.NewReader(in), &out)
		check(&out, bad, err, "ciede2000", "cmc:2:1")
		for _, scale := range []Scale{Percent, Factor} {
			out.Reset()
			bad, err = Colours{Common: common, Conditions: []string{"D65/10"}, Scale: scale}.Run(t.Context(), conn, bytes.NewReader(in), &out)
			check(&out, bad, err, "L", "KS")
		}
		out.Reset()
		if _, err = (Palettes{Common: common, Condition: condition, Match: true}).Run(t.Context(), conn, bytes.NewReader(in), &out, func(string) {}); err == nil {
			rows(t, out.String())
		}
	})
}

func FuzzParseFormula(f *testing.F) {
	for _, seed := range []string{"cmc:2:1", " ciede2000", ":", "x:1e308:0.1:5", "x:nan"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		w, err := ParseFormula(text)
		if err != nil {
			return
		}
		if w.Name != strings.TrimSpace(text) || w.Formula == "" || !(w.KL >= 0 && w.KC >= 0 && w.KH >= 0) {
			t.Fatalf("%q gives %+v", text, w)
		}
	})
}
