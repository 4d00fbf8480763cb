package bulk

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/document"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// ReadSpectrum reads one reflectance curve: a line for each wavelength with the wavelength in nm and the reflectance,
// in factors or in percent. One line of headings may stand above; lines that begin with "#" are remarks.
func ReadSpectrum(data []byte, percent bool) (*typesv1.Spectrum, error) {
	if len(data) > 1<<20 {
		return nil, errors.New("more than 1 MiB")
	}
	r := csv.NewReader(bytes.NewReader(data))
	r.Comment, r.FieldsPerRecord, r.TrimLeadingSpace = '#', 2, true
	var nm []float64
	out := &typesv1.Spectrum{}
	for first := true; ; first = false {
		cells, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("not valid CSV: %w", err)
		}
		line, _ := r.FieldPos(0)
		w, ok := document.Decimal(strings.TrimSpace(cells[0]))
		read := document.Decimal
		if percent {
			read = document.Hundredth
		}
		v, ok2 := read(strings.TrimSpace(cells[1]))
		if first && !ok && !ok2 {
			continue
		}
		if !ok || !ok2 {
			return nil, fmt.Errorf("line %d: two decimal numbers are wanted: wavelength in nm, reflectance", line)
		}
		if v < 0 || v > 2 {
			return nil, fmt.Errorf("line %d: reflectance %g is out of range: 0 to 2, 1 being the white reference (see --percent)", line, v)
		}
		nm = append(nm, w)
		out.Reflectance = append(out.Reflectance, v)
	}
	if len(nm) < 8 || len(nm) > 200 {
		return nil, fmt.Errorf("%d wavelengths; allowed: 8 to 200", len(nm))
	}
	if percent {
		if err := surelyPercent(out.Reflectance); err != nil {
			return nil, err
		}
	}
	out.StartNm, out.StepNm = nm[0], nm[1]-nm[0]
	for i, w := range nm {
		if math.Abs(w-(nm[0]+float64(i)*out.StepNm)) > 1e-6 || out.StepNm <= 0 {
			return nil, fmt.Errorf("wavelengths must rise in equal steps; %g nm doesn't follow", w)
		}
	}
	return out, nil
}

// surelyPercent refuses factors that were told in percent and reach no more than one percent: as percent the piece would be blacker than any dyed one, and
// factors with the wrong flag look the same.
func surelyPercent(factors []float64) error {
	if largest := slices.Max(factors); largest > 0 && largest <= 0.01 {
		return fmt.Errorf("reflectance reaches %.10g percent, which might be a factor: it can't be told; if the piece is so black, enter factors", 100*largest)
	}
	return nil
}
