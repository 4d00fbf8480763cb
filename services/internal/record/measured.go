package record

import (
	"encoding/binary"
	"fmt"
	"math"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// DecodeMeasured reads of a stored trial the ids of its readings and what they measured, and leaves the rest zero. It takes a fraction of DecodeTrial's time and
// room, which counts when the colours of a million readings are computed. It fails on bytes that are no message; what DecodeTrial refuses besides it may let pass.
func DecodeMeasured(body []byte) (*trial.Trial, error) {
	t := &trial.Trial{}
	readings, figures := 0, 0
	err := fields(body, func(f field) error {
		if f.number != 12 {
			return nil
		}
		readings++
		figures += len(f.bytes) / 8
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("decode trial: %w", err)
	}
	t.Readings = make([]trial.Reading, 0, readings)
	room := make([]float64, 0, figures) // for all curves together
	err = fields(body, func(f field) error {
		if f.number != 12 {
			return nil
		}
		t.Readings = append(t.Readings, trial.Reading{})
		r := &t.Readings[len(t.Readings)-1]
		return fields(f.bytes, func(f field) (err error) {
			switch f.number {
			case 1:
				r.ID = f.text()
			case 3:
				room, err = measuredRaw(f.bytes, &r.Raw, room)
			}
			return err
		})
	})
	if err != nil {
		return nil, fmt.Errorf("decode trial: %w", err)
	}
	return t, nil
}

// measuredRaw puts the figures of a curve at the end of room, and gives room with them.
func measuredRaw(message []byte, raw *trial.RawColour, room []float64) ([]float64, error) {
	err := fields(message, func(f field) error {
		switch f.number {
		case 1:
			raw.Spectrum, raw.Lab = &trial.Spectrum{}, nil
			from := len(room)
			err := fields(f.bytes, func(f field) error {
				switch f.number {
				case 1:
					raw.Spectrum.StartNm = f.figure()
				case 2:
					raw.Spectrum.StepNm = f.figure()
				case 3:
					var err error
					room, err = appendFigures(room, f)
					return err
				}
				return nil
			})
			if len(room) > from {
				raw.Spectrum.Reflectance = room[from:len(room):len(room)]
			}
			return err
		case 2:
			raw.Lab, raw.Spectrum = &trial.Lab{}, nil
			return fields(f.bytes, func(f field) error {
				switch f.number {
				case 1:
					raw.Lab.L = f.figure()
				case 2:
					raw.Lab.A = f.figure()
				case 3:
					raw.Lab.B = f.figure()
				}
				return nil
			})
		case 3:
			return pooledCondition(f.bytes, &raw.LabCondition)
		}
		return nil
	})
	return room, err
}

// appendFigures reads repeated doubles, packed or one by one.
func appendFigures(list []float64, f field) ([]float64, error) {
	if f.bytes == nil {
		return append(list, f.figure()), nil
	}
	if len(f.bytes)%8 != 0 {
		return list, fmt.Errorf("%d bytes of figures of 8", len(f.bytes))
	}
	for rest := f.bytes; len(rest) > 0; rest = rest[8:] {
		list = append(list, math.Float64frombits(binary.LittleEndian.Uint64(rest)))
	}
	return list, nil
}
