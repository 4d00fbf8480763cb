package compute

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/stretchr/testify/assert"
)

// Input that can't be, or that tells nothing, gets an error that names its field, or a status in words; never a silent number, and never the end of a module:
// each is asked between two lines that must be answered.
func TestBadInputFromLines(t *testing.T) {
	const bad = `"code":"InvalidArgument"`
	curve := func(nm []float64, r []any) fields {
		return fields{"any_condition": "D65/10", "curves": []any{fields{"wavelength_nm": nm, "reflectance": r}}}
	}
	wavelengths := func(i int, v float64) []float64 {
		out := nm()
		out[i] = v
		return out
	}
	pair := func(l, a any) fields {
		return fields{"condition": textile, "formula": "ciede2000", "pairs": []any{fields{"reference": lab(l, a, 0), "sample": lab(50, 0, 0)}}}
	}
	strength := func(change fields) fields {
		out := fields{"wavelength_nm": nm(), "sample": even(0.2), "reference": even(0.1), "substrate": even(0.8)}
		maps.Copy(out, change)
		return out
	}
	// n colours, or those of two groups in seven sessions.
	points := func(n int, colour func(i int) []float64) (out []any) {
		for i := range n {
			out = append(out, colour(i))
		}
		return out
	}
	alike := func(int) []float64 { return []float64{50, 1, 2} }
	onLine := func(i int) []float64 { return []float64{20 + float64(i%20), 2 * float64(i%20), -float64(i % 20)} }
	inPlane := func(i int) []float64 {
		return []float64{40 + float64(i%6) + float64(i/6%5), float64(i % 6), float64(i / 6 % 5)}
	}
	sessions := func(i int) (group, block, cell int) { return i / 70 % 2, 1 + i/10%7, i % 10 }
	oneEach := func(i int) (group, block, cell int) { return i % 2, 1 + i/2, 0 }
	closing := fields{"closing_sessions": 6}
	arms := fields{"closing_sessions": 6, "arms": []string{"ARM_FIRST_ORDER", "ARM_SECOND_ORDER"}}
	waters := fields{"closing": true, "block_members": []string{"", "m1", "m2", "m3", "m4", "m5", "m6", "m7"}}
	// A hair of difference between the groups, the same in each session: the covariance of the sessions' differences is 0.
	shifted := func(i int) []float64 { return []float64{50 + float64(i/70%2), 1 + float64(i%10), 2} }
	// Differences that vary along one line alone.
	oneAxis := func(i int) []float64 { return []float64{50 + float64(i/70%2)*(3+float64(i/10%7)), float64(i % 10), 2} }

	for name, c := range map[string]struct {
		contract, call string
		message        any
		says           []string // all of them
	}{
		"curve: NaN":                   {readingV1, "", curve(nm(), put(even(0.5), 3, "NaN")), []string{`"fault":"curve.reflectance[3] is NaN, allowed: 0 to 2"`}},
		"curve: infinite":              {readingV1, "", curve(nm(), put(even(0.5), 3, "Infinity")), []string{`curve.reflectance[3] is +Inf`}},
		"curve: below 0":               {readingV1, "", curve(nm(), put(even(0.5), 3, -0.001)), []string{`curve.reflectance[3] is -0.001, allowed: 0 to 2`}},
		"curve: above 2":               {readingV1, "", curve(nm(), put(even(0.5), 3, 2.001)), []string{`curve.reflectance[3] is 2.001, allowed: 0 to 2`}},
		"curve: a wavelength twice":    {readingV1, "", curve(wavelengths(3, 420), even(0.5)), []string{`curve.wavelength_nm[3] is 420, allowed: each wavelength once`}},
		"curve: unordered":             {readingV1, "", curve(wavelengths(3, 415), even(0.5)), []string{`curve.wavelength_nm[3] is 415, allowed: above the one before, 420`}},
		"curve: too short":             {readingV1, "", curve(nm()[:30], even(0.5)[:30]), []string{`the curve lacks 690 to 700 nm`}},
		"curve: NaN among wavelengths": {readingV1, "ComputeStrength", fields{"wavelength_nm": []any{400, "NaN"}, "sample": []any{1, 1}}, []string{bad, `wavelength_nm[1]`}},
		"strength: NaN":                {readingV1, "ComputeStrength", strength(fields{"sample": put(even(0.2), 4, "NaN")}), []string{bad, `sample[4]`, "is NaN, want 0 to 2"}},
		"strength: unlike lengths":     {readingV1, "ComputeStrength", strength(fields{"substrate": even(0.8)[1:]}), []string{bad, `substrate`, "has 30 figures"}},
		"strength: of nothing":         {readingV1, "ComputeStrength", strength(fields{"reference": even(0.8)}), []string{bad, `reference`, "want above 0"}},
		"metamerism: black":            {readingV1, "ComputeMetamerism", fields{"wavelength_nm": nm(), "first": even(0.2), "second": even(0), "reference_condition": "D65/10", "test_condition": "A/10"}, []string{bad, "X, Y and Z above 0"}},
		"levelness: four places":       {readingV1, "ComputeLevelness", fields{"condition": textile, "colours": []any{lab(1, 0, 0), lab(2, 0, 0), lab(3, 0, 0), lab(4, 0, 0)}}, []string{bad, "has 4 readings, want 5 to 1000"}},
		"dips: still a line":           {readingV1, "FitDips", fields{"dips": []int{1, 2, 3, 4}, "ks": []int{1, 2, 3, 4}}, []string{bad, "a limit can't be told without more dips"}},
		"dips: all equal":              {readingV1, "FitDips", fields{"dips": []int{2, 2, 2, 2}, "ks": []int{1, 2, 3, 4}}, []string{bad, "is 1 levels"}},
		"dips: no colour at all":       {readingV1, "FitDips", fields{"dips": []int{1, 2, 3, 4}, "ks": []int{0, 0, 0, 0}}, []string{bad, "don't level off"}},
		"curve of no surface":          {readingV1, "RecoverCurve", fields{"colour": lab(90, 150, 150), "condition": "D65/10", "wavelength_nm": nm()}, []string{bad, "no smooth reflectance curve"}},
		"adaptation: L* 300":           {readingV1, "AdaptColours", fields{"colours": []any{lab(300, 0, 0)}, "from_condition": "D65/2", "to_condition": "D65/2"}, []string{bad, "colours[0].l", "is 300, want 0 to 150"}},
		"pair: L* 300":                 {differenceV1, "", pair(300, 0), []string{bad, "pairs[0].reference.l", "is 300, want 0 to 150"}},
		"pair: NaN":                    {differenceV1, "", pair(50, "NaN"), []string{bad, "pairs[0].reference.a", "is NaN, want -200 to 200"}},
		"fastness: infinite":           {differenceV1, "GradeFastness", fields{"condition": textile, "scale": "change", "pairs": []any{fields{"reference": lab(50, 0, "-Infinity"), "sample": lab(50, 0, 0)}}}, []string{bad, "pairs[0].reference.b", "is -Inf"}},
		"blue wools all equal":         {differenceV1, "BracketBlueWool", fields{"reference_changes": []int{4, 4, 4, 4, 4, 4, 4, 4}, "changes": []int{4}}, []string{bad, "reference_changes[1]", "below the one before"}},

		"palette: NaN":              {paletteV1, "", coloured("header", nil, []any{[]any{50, "NaN", 0}}), []string{bad, "columns.a[0]", "is NaN"}},
		"palette: L* 300":           {paletteV1, "", coloured("header", nil, []any{[]any{300, 0, 0}}), []string{bad, "columns.l[0]", "is 300"}},
		"palette: of one":           {paletteV1, "", coloured("header", nil, points(1, alike)), []string{`"hull_status":"HULL_STATUS_POINT"`, `"unstable":true`}},
		"palette: all equal":        {paletteV1, "", coloured("header", nil, points(30, alike)), []string{`"hull_status":"HULL_STATUS_POINT"`}},
		"palette: a thousand alike": {paletteV1, "", coloured("header", nil, points(1000, alike)), []string{`"hull_status":"HULL_STATUS_POINT"`, `"readings":1000`, `"dispersion":0,`}},
		"palette: collinear":        {paletteV1, "", coloured("header", nil, points(20, onLine)), []string{`"hull_status":"HULL_STATUS_LINE"`}},
		"palette: coplanar":         {paletteV1, "", coloured("header", nil, points(30, inPlane)), []string{`"hull_status":"HULL_STATUS_FLAT"`}},

		"orders: NaN":                {compareV1, "", coloured("header", closing, []any{[]any{"NaN", 0, 0}, []any{50, 0, 0}}, oneEach), []string{bad, "columns.l[0]"}},
		"orders: L* 300":             {compareV1, "", coloured("header", closing, []any{[]any{50, 0, 0}, []any{300, 0, 0}}, oneEach), []string{bad, "columns.l[1]", "is 300"}},
		"orders: of one":             {compareV1, "", coloured("header", closing, points(2, onLine), oneEach), []string{"VERDICT_NOT_ENOUGH_YET", `"missing":`}},
		"orders: all equal":          {compareV1, "", coloured("header", closing, points(140, alike), sessions), []string{"VERDICT_NO_ANSWER_AT_THIS_SIZE"}},
		"orders: a thousand alike":   {compareV1, "", coloured("header", closing, points(1120, alike), sessions), []string{"VERDICT_NO_ANSWER_AT_THIS_SIZE"}},
		"orders: collinear":          {compareV1, "", coloured("header", closing, points(140, onLine), sessions), []string{`"verdict":"VERDICT_`}},
		"orders: coplanar":           {compareV1, "", coloured("header", closing, points(140, inPlane), sessions), []string{`"verdict":"VERDICT_`}},
		"effect: NaN":                {compareV1, "MeasureOrderEffect", coloured("header", arms, []any{[]any{50, 0, "NaN"}, []any{50, 0, 0}}, oneEach), []string{bad, "columns.b[0]"}},
		"effect: of one":             {compareV1, "MeasureOrderEffect", coloured("header", arms, points(2, onLine), oneEach), []string{"NOT_ENOUGH_YET"}},
		"effect: all equal":          {compareV1, "MeasureOrderEffect", coloured("header", arms, points(140, alike), sessions), []string{"NO_PRACTICAL_DIFFERENCE"}},
		"effect: no covariance":      {compareV1, "MeasureOrderEffect", coloured("header", arms, points(140, shifted), sessions), []string{`"verdict":"ORDER_EFFECT_VERDICT_`}},
		"effect: singular":           {compareV1, "MeasureOrderEffect", coloured("header", arms, points(140, oneAxis), sessions), []string{"ORDER_MATTERS"}},
		"groups: of one":             {compareV1, "CompareGroups", coloured("header", nil, points(2, onLine), oneEach), []string{`"pairs":[]`}},
		"groups: all equal":          {compareV1, "CompareGroups", coloured("header", nil, points(140, alike), sessions), []string{`"pairs":[]`}},
		"groups: alike and apart":    {compareV1, "CompareGroups", coloured("header", nil, points(140, func(i int) []float64 { return []float64{50 + float64(i/70%2), 1, 2} }), sessions), []string{`"p":0.0001`}},
		"waters: NaN":                {compareV1, "CompareWaters", coloured("header", waters, append(points(139, alike), []any{50, "NaN", 0}), sessions), []string{bad, "columns.a[139]"}},
		"waters: all equal":          {compareV1, "CompareWaters", coloured("header", waters, points(140, alike), sessions), []string{`"statement":`}},
		"waters: collinear":          {compareV1, "CompareWaters", coloured("header", waters, points(140, onLine), sessions), []string{`"statement":`}},
		"overdye: dyes of one shape": {overdyeV1, "", alikeDyes(), []string{"STANDING_CANNOT_BE_FITTED", "same shape"}},
	} {
		t.Run(name, func(t *testing.T) {
			conn := plugintest.Dial(t, ours[strings.Split(c.contract, ".")[2]]())
			line := text(t, c.message)
			for _, got := range asked(t, conn, c.contract, c.call, line, line) {
				for _, want := range c.says {
					assert.Contains(t, got, want)
				}
				if !slices.Contains(c.says, bad) {
					assert.NotContains(t, got, `"error"`)
					assert.NotContains(t, strings.ReplaceAll(got, "is NaN", ""), "NaN")
					assert.NotContains(t, got, "Infinity")
					for _, sure := range []string{"FIRST_WIDER", "SECOND_WIDER"} {
						assert.NotContains(t, got, sure)
					}
				}
				if c.call == "CompareGroups" {
					assert.NotContains(t, got, `"f":`, "nothing varies within groups")
					assert.NotContains(t, got, `"spread":`)
				}
				if c.call == "MeasureOrderEffect" {
					assert.NotContains(t, got, "hotelling_p", "no covariance to stand on")
				}
			}
		})
	}
}

// alikeDyes are five invented trials whose second dye is the first, twice as strong.
func alikeDyes() fields {
	cloth := func(dye float64) fields {
		var r []float64
		for i := range 31 {
			nm := 400 + 10*float64(i)
			k := 0.1 + dye*math.Exp(-(nm-620)*(nm-620)/7000)
			r = append(r, 1/(1+k+math.Sqrt(k*k+2*k)))
		}
		return fields{"reflectance": r}
	}
	colours := func(d float64) fields {
		return fields{"substrate": cloth(0), "first": cloth(d), "second": cloth(2 * d)}
	}
	var trials []any
	for i := range 5 {
		d := 0.5 + 0.2*float64(i)
		trials = append(trials, fields{"trial_id": fmt.Sprint("t", i), "pieces": []any{fields{"colours": colours(d), "both": cloth(2.4 * d)}}})
	}
	return fields{"condition": textile, "start_nm": 400, "step_nm": 10, "wavelength_count": 31, "overdye_class": fields{"first_dye": "a", "second_dye": "b"}, "trials": trials, "piece": colours(1)}
}
