package colorimetry

import (
	_ "embed"
	"fmt"
	"math"
	"sync"
)

//go:embed cie_daylight_10nm.csv
var daylightCSV string

// The colour temperatures for which the CIE defines daylight, in kelvins (CIE
// 015:2018, 4.1.2).
const (
	MinDaylightK = 4000
	MaxDaylightK = 25000
)

// daylightParts is how many steps of an Illuminant make a kelvin.
const daylightParts = 100

// DaylightAt gives the phase of CIE daylight of a correlated colour
// temperature from 4000 to 25000 K, rounded to a hundredth of a kelvin; other
// temperatures are refused by a *FieldError.
//
// The temperature is on today's scale (c2 = 1.4388e-2 m K). D50, D65 and the other
// named daylights got their names on the older one (1.4380e-2), so they lie at
// 1.4388/1.4380 times their name: D50 at 5002.78 K.
func DaylightAt(kelvin float64) (Illuminant, error) {
	if err := checkRange("colour_temperature_k", kelvin, MinDaylightK, MaxDaylightK); err != nil {
		return 0, err
	}
	return Illuminant(math.Round(kelvin * daylightParts)), nil
}

// Daylight tells whether the illuminant is a phase of daylight that DaylightAt
// made, and its colour temperature. The tabulated D65 and D50 are not.
func (i Illuminant) Daylight() (kelvin float64, ok bool) {
	if i < MinDaylightK*daylightParts || i > MaxDaylightK*daylightParts {
		return 0, false
	}
	return float64(i) / daylightParts, true
}

// DaylightChromaticity gives the chromaticity x, y (2 degrees) of the CIE daylight
// of a colour temperature from 4000 to 25000 K (CIE 015:2018, 4.1.2). Other
// temperatures are refused by a *FieldError.
func DaylightChromaticity(kelvin float64) (x, y float64, err error) {
	if err := checkRange("colour_temperature_k", kelvin, MinDaylightK, MaxDaylightK); err != nil {
		return 0, 0, err
	}
	t := 1 / kelvin
	if kelvin <= 7000 {
		x = float64((float64((float64(-4.6070e9*t)+2.9678e6)*t)+0.09911e3)*t) + 0.244063
	} else {
		x = float64((float64((float64(-2.0064e9*t)+1.9018e6)*t)+0.24748e3)*t) + 0.237040
	}
	return x, float64((float64(-3.000*x)+2.870)*x) - 0.275, nil
}

// daylightComponents are S0, S1 and S2 at every nanometre from 360 to 830,
// interpolated linearly between the tabulated 10 nm, as the CIE defines them.
var daylightComponents = sync.OnceValues(func() (out [3][]float64, err error) {
	const stepNm = 10
	columns, err := readColumns(daylightCSV, stepNm)
	if err != nil {
		return out, fmt.Errorf("embedded daylight components: %w", err)
	}
	for k, name := range []string{"S0", "S1", "S2"} {
		coarse := columns[name]
		if want := (tableLastNm-tableFirstNm)/stepNm + 1; len(coarse) != want {
			return out, fmt.Errorf("embedded daylight components: column %s has %d figures, want %d", name, len(coarse), want)
		}
		out[k] = linear(coarse, stepNm)
	}
	return out, nil
})

// daylightPower is the relative spectral power at every nanometre from 360 to
// 830, 100 at 560 nm: S0 + M1 S1 + M2 S2 with M1 and M2 rounded to three
// decimals (CIE 015:2018, 4.1.2).
func daylightPower(kelvin float64) ([]float64, error) {
	x, y, err := DaylightChromaticity(kelvin)
	if err != nil {
		return nil, err
	}
	s, err := daylightComponents()
	if err != nil {
		return nil, err
	}
	m := 0.0241 + float64(0.2562*x) - float64(0.7341*y)
	m1 := math.Round(1000*(-1.3515-float64(1.7703*x)+float64(5.9114*y))/m) / 1000
	m2 := math.Round(1000*(0.0300-float64(31.4424*x)+float64(30.0717*y))/m) / 1000
	out := make([]float64, nmCount)
	for i := range out {
		out[i] = s[0][i] + float64(m1*s[1][i]) + float64(m2*s[2][i])
	}
	return out, nil
}
