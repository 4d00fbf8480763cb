package quantity

import (
	"testing"
	"time"

	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestAmount(t *testing.T) {
	// Factors: NIST Special Publication 811 (2008), appendix B.8.
	for _, c := range []struct {
		text string
		kind Kind
		want float64
		unit typesv1.AmountUnit
		show string
	}{
		{"3.0 g", Mass, 3, gram, "3 g"},
		{"3g", Mass, 3, gram, "3 g"},
		{"250 mg", Mass, 0.25, gram, "0.25 g"},
		{"1 oz", Mass, 28.349523125, gram, "28.34952313 g"},
		{"1 lb", Mass, 453.59237, gram, "453.59237 g"},
		{"16 oz", Mass, 453.59237, gram, "453.59237 g"},
		{"2 L", Volume, 2, litre, "2 L"},
		{"33 cl", Volume, 0.33, litre, "0.33 L"},
		{"1 US gal", Volume, 3.785411784, litre, "3.785411784 L"},
		{"128 US fl oz", Volume, 3.785411784, litre, "3.785411784 L"},
		{"8 imp pt", MassOrVolume, 4.54609, litre, "4.54609 L"},
		{"0.1 g", Mass, 0.1, gram, "0.1 g"},
	} {
		a, err := Amount(c.text, c.kind, "")
		require.NoError(t, err, c.text)
		assert.Equal(t, c.want, a.GetValue(), c.text)
		assert.Equal(t, c.unit, a.GetUnit(), c.text)
		assert.Equal(t, typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_MEASURED, a.GetKnowledge())
		assert.Equal(t, c.show, ShowAmount(a))
	}
	a, err := Amount("estimated 5 g (half a jar)", Mass, "")
	require.NoError(t, err)
	assert.Equal(t, "estimated 5 g (half a jar)", ShowAmount(a))
	a, err = Amount("not known (a handful)", Mass, "")
	require.NoError(t, err)
	assert.Nil(t, a.Value)
	assert.Equal(t, "a handful", a.GetNote())
	a, err = Amount("7.1", Mass, "g")
	require.NoError(t, err)
	assert.Equal(t, 7.1, a.GetValue())
}

func TestAmountRefused(t *testing.T) {
	for _, c := range []struct {
		text string
		kind Kind
		says string
	}{
		{"3", Mass, "no unit"}, {"2 L", Mass, "is a volume"}, {"2 g", Volume, "is a mass"},
		{"1 gal", Volume, "US gal"}, {"-3 g", Mass, "not an amount"}, {"NaN g", Mass, "not an amount"},
		{"Inf g", Mass, "not an amount"}, {"1e3 g", Mass, "not an amount"}, {"3 stone", Mass, "not a unit"},
		{"2000 kg", Mass, "more than 1,000,000"}, {"", Mass, "not an amount"}, {"a handful", Mass, "not an amount"},
	} {
		_, err := Amount(c.text, c.kind, "")
		assert.ErrorContains(t, err, c.says, c.text)
	}
}

func TestCelsius(t *testing.T) {
	for text, want := range map[string]float64{"60 C": 60, "140 F": 60, "212F": 100, "-5 °C": -5} {
		got, err := Celsius(text)
		require.NoError(t, err)
		assert.Equal(t, want, got, text)
	}
	for _, bad := range []string{"60", "60 K", "300 F", "NaN C", ""} {
		_, err := Celsius(bad)
		assert.Error(t, err, bad)
	}
}

// Degrees Twaddell by their definition, a density of 1 + 0.005 for each (common practice; exact): 200 are twice water.
func TestDensity(t *testing.T) {
	for text, want := range map[string]float64{
		"1.06 kg/L": 1.06, "1.06 g/mL": 1.06, "1060 g/L": 1.06, "1060 kg/m3": 1.06, "12 °Tw": 1.06, "12 Tw": 1.06, "0 °Tw": 1, "200°Tw": 2, "0.79 kg/l": 0.79,
	} {
		got, err := Density(text)
		require.NoError(t, err, text)
		assert.Equal(t, want, got, text)
	}
	for text, says := range map[string]string{
		"1.06": "not a density", "1060 kg/L": "out of range", "3 g": "is an amount", "2 L": "is an amount", "60 C": "not a unit of density", "12 °dH": "not a unit of density",
		"10 °Bé": "several scales", "-2 °Tw": "not a density", "NaN kg/L": "not a density", "500 °Tw": "out of range", "": "not a density", "strong": "not a density",
	} {
		_, err := Density(text)
		assert.ErrorContains(t, err, says, text)
	}
	_, err := Amount("12 Tw", Volume, "")
	assert.ErrorContains(t, err, "is a density")
	_, err = Celsius("12 °Tw")
	assert.ErrorContains(t, err, "not a temperature")
}

func TestTime(t *testing.T) {
	for _, c := range []struct {
		text, offset, want, show string
		precision                typesv1.TimePrecision
	}{
		{"2026-05", "", "2026-05-01T00:00:00Z", "2026-05", typesv1.TimePrecision_TIME_PRECISION_MONTH},
		{"2026-05-03", "", "2026-05-03T00:00:00Z", "2026-05-03", typesv1.TimePrecision_TIME_PRECISION_DAY},
		{"2026-05-03", "+02:00", "2026-05-02T22:00:00Z", "2026-05-03", typesv1.TimePrecision_TIME_PRECISION_DAY},
		{"2026-05-03 14h +02:00", "", "2026-05-03T12:00:00Z", "2026-05-03 14h +02:00", typesv1.TimePrecision_TIME_PRECISION_HOUR},
		{"2026-05-03 14:10 -05:30", "", "2026-05-03T19:40:00Z", "2026-05-03 14:10 -05:30", typesv1.TimePrecision_TIME_PRECISION_MINUTE},
		{"2026-05-03T14:10Z", "", "2026-05-03T14:10:00Z", "2026-05-03 14:10 Z", typesv1.TimePrecision_TIME_PRECISION_MINUTE},
	} {
		got, err := Time(c.text, c.offset)
		require.NoError(t, err, c.text)
		assert.Equal(t, c.want, got.GetTime().AsTime().Format(time.RFC3339), c.text)
		assert.Equal(t, c.precision, got.GetPrecision(), c.text)
		assert.Equal(t, c.show, ShowTime(got))
	}
	for _, bad := range []string{"2026-02-30", "2026-13", "2026-05-03 14:10", "2026-05-03 25:00 Z", "1899-01-01", "yesterday", "",
		"2026-05-03 14:10 +19:00", "2026-05-03 14:10 +02:75"} {
		_, err := Time(bad, "")
		assert.Error(t, err, bad)
	}
}
