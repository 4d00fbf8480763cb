package deltae

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Rows 1, 11 and 17 of table 1 in Sharma, Wu & Dalal (2005), Color Research &
// Application 30(1), 21-30; the whole table is checked in colorimetry.
var published = []Pair{
	{colorimetry.Lab{L: 50, A: 2.6772, B: -79.7751}, colorimetry.Lab{L: 50, A: 0, B: -82.7485}},
	{colorimetry.Lab{L: 50, A: 2.49, B: -0.001}, colorimetry.Lab{L: 50, A: -2.49, B: 0.0011}},
	{colorimetry.Lab{L: 50, A: 2.5, B: 0}, colorimetry.Lab{L: 73, A: 25, B: -18}},
}

func TestDifferences(t *testing.T) {
	got, err := Differences(Request{Condition: colorimetry.D65Observer10, Formula: CIEDE2000, Pairs: published})
	require.NoError(t, err)
	assert.InDeltaSlice(t, []float64{2.0425, 7.2195, 27.1492}, got.Differences, 0.000051)
	assert.Equal(t, colorimetry.DefaultFactors, got.Factors)
	assert.Equal(t, colorimetry.D65Observer10, got.Condition)

	textile, err := Differences(Request{Condition: colorimetry.D65Observer10, Formula: CIEDE2000,
		Factors: colorimetry.Factors{KL: 2, KC: 1, KH: 1}, Pairs: published})
	require.NoError(t, err)
	assert.Equal(t, colorimetry.Factors{KL: 2, KC: 1, KH: 1}, textile.Factors, "told with the result")
	assert.Equal(t, got.Differences[0], textile.Differences[0], "equal lightness: kL is of no consequence")
	assert.Less(t, textile.Differences[2], got.Differences[2])

	// 3-4-12-13 in CIELAB.
	flat, err := Differences(Request{Condition: colorimetry.AObserver10, Formula: CIE76, Factors: colorimetry.DefaultFactors,
		Pairs: []Pair{{colorimetry.Lab{L: 50, A: 1, B: 1}, colorimetry.Lab{L: 62, A: 4, B: 5}}}})
	require.NoError(t, err)
	assert.Equal(t, []float64{13}, flat.Differences)
	assert.Equal(t, "CIE76", flat.Printed())

	// A chroma difference of 19 from a chroma of 20 weighs 1.9 by CIE94 in graphic arts; exchanged, 39 weighs 2.755.
	arts, err := Differences(Request{Condition: colorimetry.AObserver10, Formula: "cie94_graphic_arts",
		Pairs: []Pair{{colorimetry.Lab{L: 50, A: 20}, colorimetry.Lab{L: 50, A: 39}}, {colorimetry.Lab{L: 50, A: 39}, colorimetry.Lab{L: 50, A: 20}}}})
	require.NoError(t, err)
	assert.InDeltaSlice(t, []float64{10, 19 / 2.755}, arts.Differences, 1e-12)
	cmc, err := Differences(Request{Condition: colorimetry.AObserver10, Formula: "cmc", Factors: colorimetry.Factors{KL: 2, KC: 1, KH: 1},
		Pairs: []Pair{{colorimetry.Lab{L: 50}, colorimetry.Lab{L: 52}}}})
	require.NoError(t, err)
	assert.InDelta(t, 1.8825/2.04875, cmc.Differences[0], 1e-12)
	assert.Equal(t, "CMC(2:1)", cmc.Printed())

	none, err := Differences(Request{Condition: colorimetry.AObserver10, Formula: CIE76})
	require.NoError(t, err)
	assert.Empty(t, none.Differences)
}

func TestRefusals(t *testing.T) {
	with := func(change func(*Request)) Request {
		r := Request{Condition: colorimetry.D65Observer10, Formula: CIEDE2000, Pairs: append([]Pair(nil), published...)}
		change(&r)
		return r
	}
	for _, c := range []struct {
		request Request
		want    string
	}{
		{with(func(r *Request) { r.Pairs[2].Sample.L = 300 }), "pairs[2].sample.L is 300, allowed: 0 to 150"},
		{with(func(r *Request) { r.Pairs[1].Reference.A = math.NaN() }), "pairs[1].reference.a is NaN, allowed: -200 to 200"},
		{with(func(r *Request) { r.Pairs[0].Sample.B = math.Inf(-1) }), "pairs[0].sample.b is -Inf, allowed: -200 to 200"},
		{with(func(r *Request) { r.Formula = "ciede1999" }), `formula is "ciede1999", allowed: ciede2000, cie76, cie94_textile, cie94_graphic_arts, cmc`},
		{with(func(r *Request) { r.Formula = "" }), `formula is "", allowed: ciede2000, cie76, cie94_textile, cie94_graphic_arts, cmc`},
		{with(func(r *Request) { r.Factors.KL = 2 }), "factors.kC is 0, allowed: 0.1 to 10"},
		{with(func(r *Request) { r.Factors = colorimetry.Factors{KL: math.NaN(), KC: 1, KH: 1} }), "factors.kL is NaN, allowed: 0.1 to 10"},
		{with(func(r *Request) { r.Formula, r.Factors = CIE76, colorimetry.Factors{KL: 2, KC: 1, KH: 1} }),
			"factors.kL is 2, allowed: 1: cie76 has no such factor"},
		{with(func(r *Request) { r.Condition = colorimetry.Condition{} }),
			"condition.illuminant is illuminant(0), allowed: D65, A, D50, FL2, FL7, FL11, or daylight from 4000K to 25000K"},
	} {
		got, err := Differences(c.request)
		assert.EqualError(t, err, c.want)
		assert.Zero(t, got)
		var fe *colorimetry.FieldError
		assert.ErrorAs(t, err, &fe)
	}
}
