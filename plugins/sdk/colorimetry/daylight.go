package colorimetry

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"math"
	"strconv"
	"strings"
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

// daylightParts is the part of a kelvin that an Illuminant keeps.
const daylightParts = 100

// DaylightAt gives the phase of CIE daylight of a correlated colour
// temperature from 4000 to 25000 K, rounded to a hundredth of a kelvin; others
// are refused by a *FieldError. The
// temperature is on today's scale (c2 = 1.4388e-2 m K): the daylights named
// after the older one lie at 1.4388/1.4380 of their name, D50 at 5002.78 K.
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

// DaylightChromaticity gives x and y (2 degrees) of the CIE daylight of a
// colour temperature from 4000 to 25000 K (CIE 015:2018, 4.1.2); others are
// refused by a *FieldError.
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
// between the tabulated 10 nm linearly, as the CIE says.
var daylightComponents = sync.OnceValues(func() (out [3][]float64, err error) {
	r := csv.NewReader(strings.NewReader(daylightCSV))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		return out, fmt.Errorf("embedded daylight components: %w", err)
	}
	const stepNm = 10
	if want := (tableLastNm-tableFirstNm)/stepNm + 1; len(rows) != want+1 {
		return out, fmt.Errorf("embedded daylight components: %d rows, want %d", len(rows)-1, want)
	}
	var coarse [3][]float64
	for n, row := range rows[1:] {
		if want := strconv.Itoa(tableFirstNm + n*stepNm); row[0] != want {
			return out, fmt.Errorf("embedded daylight components: row %d is for %s nm, want %s", n+1, row[0], want)
		}
		for k := range coarse {
			v, err := strconv.ParseFloat(row[k+1], 64)
			if err != nil {
				return out, fmt.Errorf("embedded daylight components: %w", err)
			}
			coarse[k] = append(coarse[k], v)
		}
	}
	for k := range out {
		out[k] = linear(coarse[k], stepNm)
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
