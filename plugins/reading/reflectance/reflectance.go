// Package reflectance turns a raw reading into a colour under a wanted
// condition.
//
// A spectrum becomes CIELAB by weights in the manner of ASTM E2022 and E308
// (package colorimetry) and gives the strength K/S beside it. A CIELAB value
// passes through, but only under the condition that it states: it is never
// adapted silently.
//
// Everything a caller may get wrong comes back as *colorimetry.FieldError,
// naming field, value and allowed range, or as *ConditionError.
package reflectance

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"sync"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Spectrum is a reflectance curve measured at equal steps.
type Spectrum struct {
	StartNm float64 // wavelength of the first factor, at most 400
	StepNm  float64 // 0.1 to 20; the standard's own are 1, 5, 10 and 20
	// Reflectance holds factors, not percent: 0 to 1, with fluorescence up to
	// 2. They must reach 700 nm.
	Reflectance []float64
}

// StatedLab is a CIELAB value with the condition that its source states.
type StatedLab struct {
	Lab       colorimetry.Lab
	Condition colorimetry.Condition
}

// Raw is a reading as it came: exactly one of the three is set.
type Raw struct {
	Spectrum *Spectrum
	Curve    *colorimetry.Curve // at wavelengths that need not be equally far apart
	Lab      *StatedLab
}

// Colour is what a reading becomes.
type Colour struct {
	Lab       colorimetry.Lab
	Condition colorimetry.Condition // always the wanted one
	// Both are nil unless the reading was a spectrum or curve.
	XYZ      *colorimetry.XYZ
	Strength *colorimetry.Strength
}

// ConditionError tells that a CIELAB value was stated under another condition
// than the wanted one.
type ConditionError struct{ Stated, Wanted colorimetry.Condition }

// Error names both conditions.
func (e *ConditionError) Error() string {
	return fmt.Sprintf("stated %v, wanted %v: never adapted silently", e.Stated, e.Wanted)
}

// Method computes colours and keeps the weights it has derived. The zero value
// is ready; it may be used by many goroutines at once.
type Method struct {
	mu      sync.RWMutex
	weights map[string]*colorimetry.Weights // by condition and wavelengths
}

// Grids come from callers, so the number kept is bounded. Weights are cheap to
// derive again.
const maxGrids = 64

// Colour gives the colour of a reading under the wanted condition.
//
// Errors: *ConditionError when a CIELAB value is stated under another
// condition; otherwise *colorimetry.FieldError, with the path of the field
// ("wanted.illuminant", "spectrum.reflectance[3]", "lab.a").
func (m *Method) Colour(raw Raw, wanted colorimetry.Condition) (Colour, error) {
	if err := wanted.Validate(); err != nil {
		return Colour{}, colorimetry.Under("wanted", err)
	}
	given := 0
	for _, is := range []bool{raw.Spectrum != nil, raw.Curve != nil, raw.Lab != nil} {
		if is {
			given++
		}
	}
	switch {
	case given != 1:
		value := "empty"
		if given > 1 {
			value = "several"
		}
		return Colour{}, &colorimetry.FieldError{Field: "reading", Value: value, Allowed: "one of spectrum, curve, lab"}
	case raw.Spectrum != nil:
		c, err := m.fromSpectrum(raw.Spectrum, wanted)
		return c, colorimetry.Under("spectrum", err)
	case raw.Curve != nil:
		c, err := m.fromCurve(*raw.Curve, wanted)
		return c, colorimetry.Under("curve", err)
	}
	c, err := fromLab(raw.Lab, wanted)
	var mismatch *ConditionError
	if errors.As(err, &mismatch) {
		return Colour{}, err
	}
	return c, colorimetry.Under("lab", err)
}

func fromLab(stated *StatedLab, wanted colorimetry.Condition) (Colour, error) {
	if err := stated.Condition.Validate(); err != nil {
		return Colour{}, colorimetry.Under("condition", err)
	}
	if err := stated.Lab.Validate(); err != nil {
		return Colour{}, err
	}
	if stated.Condition != wanted {
		return Colour{}, &ConditionError{Stated: stated.Condition, Wanted: wanted}
	}
	return Colour{Lab: stated.Lab, Condition: wanted}, nil
}

func (m *Method) fromSpectrum(s *Spectrum, wanted colorimetry.Condition) (Colour, error) {
	n := len(s.Reflectance)
	w, err := m.weightsFor(fmt.Sprintf("%v %v+%v*%d", wanted, s.StartNm, s.StepNm, n), func() (*colorimetry.Weights, error) {
		return colorimetry.NewWeights(wanted, s.StartNm, s.StepNm, n)
	})
	if err != nil {
		var fe *colorimetry.FieldError
		if errors.As(err, &fe) && fe.Field == "count" {
			return Colour{}, &colorimetry.FieldError{Field: "reflectance", Value: fe.Value + " samples", Allowed: fe.Allowed}
		}
		return Colour{}, err
	}
	nm := make([]float64, n)
	for i := range nm {
		nm[i], _ = w.At(i)
	}
	return colour(w, colorimetry.Curve{WavelengthsNm: nm, Reflectance: s.Reflectance})
}

func (m *Method) fromCurve(c colorimetry.Curve, wanted colorimetry.Condition) (Colour, error) {
	if err := c.Validate(); err != nil {
		return Colour{}, err
	}
	key := make([]byte, 0, 8*len(c.WavelengthsNm)+16)
	key = fmt.Append(key, wanted, " ")
	for _, nm := range c.WavelengthsNm {
		key = binary.LittleEndian.AppendUint64(key, math.Float64bits(nm))
	}
	w, err := m.weightsFor(string(key), func() (*colorimetry.Weights, error) { return colorimetry.NewWeightsAt(wanted, c.WavelengthsNm) })
	if err != nil {
		return Colour{}, err
	}
	return colour(w, c)
}

func colour(w *colorimetry.Weights, c colorimetry.Curve) (Colour, error) {
	xyz, err := w.XYZ(c.Reflectance)
	if err != nil {
		return Colour{}, err
	}
	strength, err := colorimetry.MeasuredStrength(c)
	if err != nil {
		return Colour{}, err
	}
	return Colour{Lab: xyz.Lab(w.White()), Condition: w.Condition(), XYZ: &xyz, Strength: &strength}, nil
}

func (m *Method) weightsFor(key string, derive func() (*colorimetry.Weights, error)) (*colorimetry.Weights, error) {
	m.mu.RLock()
	w := m.weights[key]
	m.mu.RUnlock()
	if w != nil {
		return w, nil
	}
	w, err := derive()
	if err != nil {
		return nil, err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.weights == nil || len(m.weights) >= maxGrids {
		m.weights = make(map[string]*colorimetry.Weights)
	}
	m.weights[key] = w
	return w, nil
}
