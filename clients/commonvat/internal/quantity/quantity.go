// Package quantity reads amounts, densities, temperatures and times as people write them,
// with the unit or the precision beside the figure, and turns them into the units of the record: grams,
// litres, kilograms to the litre, degrees Celsius, instants. Decimal figures are converted as exact fractions and rounded once.
package quantity

import (
	"errors"
	"fmt"
	"math/big"
	"regexp"
	"strconv"
	"strings"
	"time"

	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// Kind is what an amount may be.
type Kind int

// Kinds of amounts.
const (
	MassOrVolume Kind = iota
	Mass
	Volume
)

type unit struct {
	of     typesv1.AmountUnit
	factor string // exact decimal number of grams or litres
}

const (
	gram  = typesv1.AmountUnit_AMOUNT_UNIT_GRAM
	litre = typesv1.AmountUnit_AMOUNT_UNIT_LITRE
)

// The avoirdupois ounce and pound, the US and the imperial gallon, pint and
// fluid ounce are exact: NIST Special Publication 811 (2008), appendix B.8 and its footnotes.
var units = map[string]unit{
	"mg": {gram, "0.001"}, "g": {gram, "1"}, "kg": {gram, "1000"},
	"oz": {gram, "28.349523125"}, "lb": {gram, "453.59237"},
	"ml": {litre, "0.001"}, "mL": {litre, "0.001"}, "cl": {litre, "0.01"}, "cL": {litre, "0.01"},
	"dl": {litre, "0.1"}, "dL": {litre, "0.1"}, "l": {litre, "1"}, "L": {litre, "1"},
	"US gal": {litre, "3.785411784"}, "US pt": {litre, "0.473176473"}, "US fl oz": {litre, "0.0295735295625"},
	"imp gal": {litre, "4.54609"}, "imp pt": {litre, "0.56826125"}, "imp fl oz": {litre, "0.0284130625"},
}

const unitHelp = "mg, g, kg, oz, lb; ml, cl, dl, L, US gal, US pt, US fl oz, imp gal, imp pt, imp fl oz"

var (
	amountForm = regexp.MustCompile(`^(?:(measured|estimated) )?([0-9]+(?:\.[0-9]+)?|\.[0-9]+) ?([A-Za-z][A-Za-z ]*[A-Za-z]|[A-Za-z])?(?: ?\(([^()]*)\))?$`)
	unknown    = regexp.MustCompile(`^not known(?: ?\(([^()]*)\))?$`)
)

// Amount reads "3.0 g", "estimated 5 g", "not known" or "not known (a handful)". Without a word before
// it the amount was measured. bare is the unit of a figure without one; empty means that the unit
// must be written. Values run from 0 to 1,000,000 grams or litres.
func Amount(text string, kind Kind, bare string) (*typesv1.Amount, error) {
	text = strings.TrimSpace(text)
	if m := unknown.FindStringSubmatch(text); m != nil {
		return &typesv1.Amount{Knowledge: typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_NOT_KNOWN, Note: strings.TrimSpace(m[1])}, nil
	}
	m := amountForm.FindStringSubmatch(text)
	if m == nil || len(m[2]) > 30 {
		return nil, fmt.Errorf("%q is not an amount; write for example %q, %q or %q", clip(text), "3.0 g", "estimated 5 g", "not known (a handful)")
	}
	name := m[3]
	if name == "" {
		name = bare
	}
	switch name {
	case "":
		return nil, fmt.Errorf("%q has no unit; units: %s", clip(text), unitHelp)
	case "gal", "pt", "fl oz":
		return nil, fmt.Errorf("%q: a US and an imperial %s differ; write %q or %q", clip(text), name, "US "+name, "imp "+name)
	}
	u, ok := units[name]
	if !ok && name == "Tw" {
		return nil, fmt.Errorf("%q is a density; a mass or a volume is wanted, and its density beside it", clip(text))
	}
	if !ok {
		return nil, fmt.Errorf("%q is not a unit known here; units: %s", clip(name), unitHelp)
	}
	if kind == Mass && u.of != gram {
		return nil, fmt.Errorf("%q is a volume; a mass is wanted (mg, g, kg, oz, lb)", clip(text))
	}
	if kind == Volume && u.of != litre {
		return nil, fmt.Errorf("%q is a mass; a volume is wanted (ml, cl, dl, L, US gal, imp gal, ...)", clip(text))
	}
	value, err := scaled(m[2], u.factor)
	if err != nil {
		return nil, err
	}
	if value > 1e6 {
		return nil, fmt.Errorf("%q is more than 1,000,000 grams or litres", clip(text))
	}
	a := &typesv1.Amount{Knowledge: typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_MEASURED, Value: &value, Unit: u.of, Note: strings.TrimSpace(m[4])}
	if m[1] == "estimated" {
		a.Knowledge = typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_ESTIMATED
	}
	return a, nil
}

func scaled(figure, factor string) (float64, error) {
	v, ok := new(big.Rat).SetString(figure)
	f, ok2 := new(big.Rat).SetString(factor)
	if !ok || !ok2 {
		return 0, fmt.Errorf("%q is not a figure", clip(figure))
	}
	out, _ := v.Mul(v, f).Float64()
	return out, nil
}

var densityForm = regexp.MustCompile(`^([0-9]{1,5}(?:\.[0-9]{1,6})?) ?([^\s0-9.](?:.{0,20}\S)?)$`)

// Density reads "1.06 kg/L" or "12 °Tw" and gives kilograms to the litre. A degree Twaddell is a two-hundredth of the density of water above it, exactly: 1 + 0.005 Tw,
// water counting as 1 kg/L. Range: 0.5 to 3 kg/L.
func Density(text string) (kgPerL float64, err error) {
	m := densityForm.FindStringSubmatch(strings.TrimSpace(text))
	if m == nil {
		return 0, fmt.Errorf("%q is not a density; write for example %q or %q", clip(text), "1.06 kg/L", "12 °Tw")
	}
	v, ok := new(big.Rat).SetString(m[1])
	if !ok {
		return 0, fmt.Errorf("%q is not a figure", m[1])
	}
	switch m[2] {
	case "kg/L", "kg/l", "g/mL", "g/ml":
	case "g/L", "g/l", "kg/m3":
		v.Quo(v, big.NewRat(1000, 1))
	case "°Tw", "° Tw", "Tw":
		v.Mul(v, big.NewRat(5, 1000)).Add(v, big.NewRat(1, 1))
	case "°Bé", "°Be", "Bé", "Be", "° Bé", "° Be":
		return 0, fmt.Errorf("%q: hydrometers of that name have several scales; write the density in kg/L, or in °Tw", clip(text))
	default:
		if _, amount := units[m[2]]; amount {
			return 0, fmt.Errorf("%q is an amount; a density is wanted (kg/L, g/mL, g/L, °Tw)", clip(text))
		}
		return 0, fmt.Errorf("%q is not a unit of density; units: kg/L, g/mL, g/L, °Tw", clip(m[2]))
	}
	out, _ := v.Float64()
	if out < 0.5 || out > 3 {
		return 0, fmt.Errorf("%q is out of range: 0.5 to 3 kg/L", clip(text))
	}
	return out, nil
}

var temperature = regexp.MustCompile(`^(-?[0-9]{1,4}(?:\.[0-9]{1,6})?) ?(?:°|deg )?([CF])$`)

// Celsius reads "60 C" or "140 F". Fahrenheit is converted exactly: (F - 32) / 1.8.
func Celsius(text string) (float64, error) {
	m := temperature.FindStringSubmatch(strings.TrimSpace(text))
	if m == nil {
		return 0, fmt.Errorf("%q is not a temperature; write for example %q or %q", clip(text), "60 C", "140 F")
	}
	v, ok := new(big.Rat).SetString(m[1])
	if !ok {
		return 0, fmt.Errorf("%q is not a figure", m[1])
	}
	if m[2] == "F" {
		v.Sub(v, big.NewRat(32, 1)).Mul(v, big.NewRat(5, 9))
	}
	out, _ := v.Float64()
	if out < -5 || out > 130 {
		return 0, fmt.Errorf("%q is out of range: -5 to 130 C", clip(text))
	}
	return out, nil
}

var claimed = regexp.MustCompile(`^(\d{4})-(\d{2})(?:-(\d{2})(?:[ T](\d{2})(?::(\d{2})|h))?)?(?: ?(Z|[+-]\d{2}:\d{2}))?$`)

// Time reads a claimed time with the precision that it is written in: "2026-05" (a month), "2026-05-03" (a day),
// "2026-05-03 14h +02:00" (an hour), "2026-05-03 14:10 +02:00" (a minute). Hours and
// minutes need an offset from UTC, of their own or as offset ("" for none); days and months without one count as UTC.
func Time(text, offset string) (*typesv1.ClaimedTime, error) {
	m := claimed.FindStringSubmatch(strings.TrimSpace(text))
	if m == nil {
		return nil, fmt.Errorf("%q is not a time; write for example %q, %q or %q", clip(text), "2026-05-03", "2026-05-03 14h +02:00", "2026-05-03 14:10 +02:00")
	}
	out := &typesv1.ClaimedTime{}
	day, hour, minute := 1, 0, 0
	switch {
	case m[5] != "":
		out.Precision = typesv1.TimePrecision_TIME_PRECISION_MINUTE
	case m[4] != "":
		out.Precision = typesv1.TimePrecision_TIME_PRECISION_HOUR
	case m[3] != "":
		out.Precision = typesv1.TimePrecision_TIME_PRECISION_DAY
	default:
		out.Precision = typesv1.TimePrecision_TIME_PRECISION_MONTH
	}
	if m[6] == "" {
		m[6] = offset
	}
	if m[6] == "" {
		if m[4] != "" {
			return nil, fmt.Errorf("%q has no offset from UTC; add one, such as +02:00", clip(text))
		}
		m[6] = "Z"
	}
	minutes, err := Offset(m[6])
	if err != nil {
		return nil, err
	}
	year, month := number(m[1]), number(m[2])
	if m[3] != "" {
		day = number(m[3])
	}
	if m[4] != "" {
		hour = number(m[4])
	}
	if m[5] != "" {
		minute = number(m[5])
	}
	t := time.Date(year, time.Month(month), day, hour, minute, 0, 0, time.FixedZone("", minutes*60))
	if t.Year() != year || t.Month() != time.Month(month) || t.Day() != day || t.Hour() != hour || t.Minute() != minute {
		return nil, fmt.Errorf("%q is not in the calendar", clip(text))
	}
	if year < 1900 || year > 2200 {
		return nil, fmt.Errorf("%q is out of range: the years 1900 to 2200", clip(text))
	}
	out.Time = timestamppb.New(t)
	out.UtcOffsetMinutes = int32(minutes)
	return out, nil
}

func number(digits string) int {
	n, err := strconv.Atoi(digits)
	if err != nil {
		return 0
	}
	return n
}

// Offset reads "+02:00" or "Z" as minutes ahead of UTC, from -1080 to 1080.
func Offset(text string) (int, error) {
	if text == "Z" {
		return 0, nil
	}
	if len(text) != 6 || text[0] != '+' && text[0] != '-' || text[3] != ':' {
		return 0, fmt.Errorf("%q is not an offset from UTC such as +02:00", clip(text))
	}
	h, errH := strconv.Atoi(text[1:3])
	m, errM := strconv.Atoi(text[4:])
	if errors.Join(errH, errM) != nil || m < 0 || m > 59 || h*60+m > 1080 || h < 0 {
		return 0, fmt.Errorf("%q is not an offset from UTC between -18:00 and +18:00", clip(text))
	}
	if text[0] == '-' {
		return -(h*60 + m), nil
	}
	return h*60 + m, nil
}

// ShowTime writes a claimed time with no more precision than it has; "" when absent.
func ShowTime(c *typesv1.ClaimedTime) string {
	if c.GetTime() == nil {
		return ""
	}
	zone := "Z"
	if o := int(c.GetUtcOffsetMinutes()); o != 0 {
		sign := "+"
		if o < 0 {
			sign, o = "-", -o
		}
		zone = fmt.Sprintf("%s%02d:%02d", sign, o/60, o%60)
	}
	t := c.GetTime().AsTime().In(time.FixedZone("", int(c.GetUtcOffsetMinutes())*60))
	switch c.GetPrecision() {
	case typesv1.TimePrecision_TIME_PRECISION_MONTH:
		return t.Format("2006-01")
	case typesv1.TimePrecision_TIME_PRECISION_DAY:
		return t.Format("2006-01-02")
	case typesv1.TimePrecision_TIME_PRECISION_HOUR:
		return t.Format("2006-01-02 15h ") + zone
	default:
		return t.Format("2006-01-02 15:04 ") + zone
	}
}

// ShowAmount writes an amount; "" when absent.
func ShowAmount(a *typesv1.Amount) string {
	if a == nil {
		return ""
	}
	var out string
	switch {
	case a.GetKnowledge() == typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_NOT_KNOWN || a.Value == nil:
		out = "not known"
	default:
		u := map[typesv1.AmountUnit]string{gram: " g", litre: " L"}[a.GetUnit()]
		out = strconv.FormatFloat(a.GetValue(), 'g', 10, 64) + u
		if a.GetKnowledge() == typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_ESTIMATED {
			out = "estimated " + out
		}
	}
	if a.GetNote() != "" {
		out += " (" + a.GetNote() + ")"
	}
	return out
}

func clip(s string) string {
	if r := []rune(s); len(r) > 80 {
		return string(r[:80]) + "..."
	}
	return s
}
