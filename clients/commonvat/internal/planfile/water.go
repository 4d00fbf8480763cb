package planfile

import (
	"regexp"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/document"
	benchv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

// The hardness units; the grain alone is a mass, and grains per gallon are of two gallons.
var hardnessUnits = map[string]benchv1.HardnessScale{
	"mg/L": benchv1.HardnessScale_HARDNESS_SCALE_MG_PER_L, "mg/l": benchv1.HardnessScale_HARDNESS_SCALE_MG_PER_L, "ppm": benchv1.HardnessScale_HARDNESS_SCALE_MG_PER_L,
	"mmol/L": benchv1.HardnessScale_HARDNESS_SCALE_MMOL_PER_L, "mmol/l": benchv1.HardnessScale_HARDNESS_SCALE_MMOL_PER_L,
	"°dH": benchv1.HardnessScale_HARDNESS_SCALE_GERMAN_DEGREE, "°f": benchv1.HardnessScale_HARDNESS_SCALE_FRENCH_DEGREE, "°e": benchv1.HardnessScale_HARDNESS_SCALE_ENGLISH_DEGREE,
	"US gpg": benchv1.HardnessScale_HARDNESS_SCALE_GRAIN_PER_US_GALLON,
}

var hardnessForm = regexp.MustCompile(`^([0-9]+(?:\.[0-9]+)?) ?(.+)$`)

func (r *reader) water(f *document.Fields) *benchv1.PlanWater {
	w := &benchv1.PlanWater{Name: f.Text("name"), Parts: 1}
	if w.GetName() == "" {
		f.Fault("name", "is required")
	}
	if v := f.Number("parts"); v != nil {
		w.Parts = *v
	}
	if text := f.Text("hardness"); text != "" && text != "not known" {
		if v, scale, ok := hardness(f, "hardness", text); ok {
			w.Hardness, w.Scale = &v, scale
		}
	}
	w.CalciumMgPerL, w.MagnesiumMgPerL = ion(f, "calcium"), ion(f, "magnesium")
	f.Close()
	return w
}

// hardness reads a figure with its unit.
func hardness(f *document.Fields, key, text string) (v float64, scale benchv1.HardnessScale, known bool) {
	m := hardnessForm.FindStringSubmatch(text)
	ok := m != nil
	if ok {
		v, ok = document.Decimal(m[1])
	}
	if ok {
		scale, known = hardnessUnits[m[2]]
	}
	switch {
	case known:
	case ok && (strings.Contains(strings.ToLower(m[2]), "grain") || m[2] == "gpg"):
		f.Fault(key, "%.40q doesn't say of which gallon: write US gpg for grains per US gallon, or °e for grains per imperial gallon", text)
	default:
		f.Fault(key, "%.40q must be a figure with one of the units mg/L, mmol/L, °dH, °f, °e, US gpg; or \"not known\"", text)
	}
	return v, scale, known
}

func wantedHardness(f *document.Fields) *benchv1.WantedHardness {
	text := f.Text("wanted_hardness")
	if text == "" {
		return nil
	}
	v, scale, _ := hardness(f, "wanted_hardness", text)
	return &benchv1.WantedHardness{Value: v, Scale: scale}
}

// ion reads milligrams of an ion in a litre, as an analysis of the water prints them.
func ion(f *document.Fields, key string) *float64 {
	text := f.Text(key)
	if text == "" {
		return nil
	}
	m := hardnessForm.FindStringSubmatch(text)
	if m == nil || m[2] != "mg/L" && m[2] != "mg/l" {
		f.Fault(key, "%.40q must be a figure in mg/L of the ion itself", text)
		return nil
	}
	v, _ := document.Decimal(m[1])
	return &v
}
