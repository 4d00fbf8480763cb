// Package reading serves the module reading-reflectance: the contract commonvat.module.reading.v1 over the calculation of package
// reflectance.
package reading

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/reading/reflectance"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	readingv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/reading/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/status"
)

// Name and Version are also in the module's manifest.
const (
	Name    = "reading-reflectance"
	Version = "0.1.0"
)

// Limits of reading.proto and colour.proto.
const (
	maxRaw     = 2000
	minStartNm = 300
	maxStartNm = 830
	minFigures = 8
	maxFigures = 200

	maxWavelengths = 5000
)

var (
	conditions = []colorimetry.Condition{colorimetry.D65Observer10, colorimetry.D65Observer2, colorimetry.AObserver10}
	stepsNm    = []float64{5, 10, 20}
)

// Module is what the executable serves.
func Module() sdk.Module {
	return sdk.Module{
		Describe: Describe(),
		Register: func(s *grpc.Server) { readingv1.RegisterReadingServiceServer(s, NewServer()) },
	}
}

// Describe tells the method. It has no parameters: the condition is asked for with each request.
func Describe() *describev1.DescribeResponse {
	return &describev1.DescribeResponse{
		Name: Name, Version: Version, Kind: sdk.KindReading,
		Contracts: []string{"commonvat.module.reading.v1"},
		Summary: "Reflectance spectra (steps of 5, 10 or 20 nm that cover 400 to 700 nm), and curves at other wavelengths, to XYZ and CIELAB under D65, A, D50, FL2, FL7, FL11 " +
			"or daylight for 2 or 10 degrees, without bandpass correction, and to K/S at the reflectance minimum. CIELAB values pass through under their own condition alone. " +
			"Also strength, metamerism, levelness, dip curves, curves of colours, and adaptation.",
		Sources: []*describev1.Source{
			{Citation: "ASTM E2022, Standard Practice for Calculation of Weighting Factors for Tristimulus Integration", Identifier: "ASTM E2022",
				UsedFor: "weights by Lagrange interpolation"},
			{Citation: "ASTM E308, Standard Practice for Computing the Colors of Objects by Using the CIE System", Identifier: "ASTM E308", //nolint:misspell // a title as published
				UsedFor: "weights of wavelengths that were not measured, added to the end weights"},
			{Citation: "ISO/CIE 11664-4, Colorimetry - Part 4: CIE 1976 L*a*b* colour space", Identifier: "ISO/CIE 11664-4", UsedFor: "XYZ to CIELAB"},
			{Citation: "Kubelka, P. & Munk, F. (1931), Ein Beitrag zur Optik der Farbanstriche, Zeitschrift für technische Physik 12, 593-601",
				UsedFor: "K/S = (1-R)^2 / 2R"},
			{Citation: "CIE 015:2018, Colorimetry, 4th edition", Identifier: "CIE 015:2018", UsedFor: "daylight, and the special metamerism index (9.2)"},
			{Citation: "Chong, T. F., Li, S. Y. & Yeung, K. W. (1992), Journal of the Society of Dyers and Colourists 108 (from memory)", UsedFor: "relative unlevelness index and its grades"},
			{Citation: "Burns, S. A. (2017), arXiv:1710.05732", UsedFor: "the smoothest curve of a colour"},
			{Citation: "IEC 61966-2-1, Default RGB colour space - sRGB", Identifier: "IEC 61966-2-1", UsedFor: "sRGB"},
		},
		Author: "The Commonvat Authors",
		Laws:   []*describev1.LawPromise{{Law: describev1.Law_LAW_ORDER_FREE}},
	}
}

// Server answers the contract. It may be used by many calls at once.
type Server struct {
	readingv1.UnimplementedReadingServiceServer
	method reflectance.Method
}

// NewServer makes a server.
func NewServer() *Server { return &Server{} }

var _ readingv1.ReadingServiceServer = (*Server)(nil)

// ComputeColours answers each measurement with a colour or with its own fault.
func (s *Server) ComputeColours(ctx context.Context, req *readingv1.ComputeColoursRequest) (*readingv1.ComputeColoursResponse, error) {
	wanted, err := checked(req)
	if err != nil {
		return nil, err
	}
	out := &readingv1.ComputeColoursResponse{}
	add := func(in reflectance.Raw, err error) error {
		if err := ctx.Err(); err != nil {
			return status.FromContextError(err).Err()
		}
		c := &readingv1.ComputedColour{}
		if err == nil {
			c, err = s.colour(in, wanted)
		}
		if err != nil {
			c = &readingv1.ComputedColour{Fault: err.Error()}
		}
		out.Colours = append(out.Colours, c)
		return nil
	}
	for _, raw := range req.GetRaw() {
		if err := add(rawOf(raw)); err != nil {
			return nil, err
		}
	}
	for _, c := range req.GetCurves() {
		if err := add(curveOf(c)); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// checked refuses what is wrong with the request as a whole.
func checked(req *readingv1.ComputeColoursRequest) (colorimetry.Condition, error) {
	var v sdk.Violations
	var wanted colorimetry.Condition
	if text := req.GetAnyCondition(); text != "" {
		var err error
		if wanted, err = colorimetry.ParseCondition(text); err != nil {
			v.Add("any_condition", "is %.40q: %v", text, err)
		}
		if req.GetCondition() != nil {
			v.Add("condition", "is present, want it absent beside any_condition")
		}
	} else {
		wanted = wire.Condition(&v, "condition", req.GetCondition())
		if v.Len() == 0 && !slices.Contains(conditions, wanted) {
			v.Add("condition", "is %v, want %s", wanted, names(conditions))
		}
	}
	switch raw, curves := len(req.GetRaw()), len(req.GetCurves()); {
	case raw > 0 && curves > 0:
		v.Add("curves", "has %d beside %d of raw, want one of both", curves, raw)
	case curves > maxRaw:
		v.Add("curves", "has %d curves, want 1 to %d", curves, maxRaw)
	case curves == 0 && (raw == 0 || raw > maxRaw):
		v.Add("raw", "has %d measurements, want 1 to %d", raw, maxRaw)
	}
	return wanted, v.Err()
}

// colour gives one answer; its error is the measurement's fault.
func (s *Server) colour(in reflectance.Raw, wanted colorimetry.Condition) (*readingv1.ComputedColour, error) {
	c, err := s.method.Colour(in, wanted)
	var mismatch *reflectance.ConditionError
	if errors.As(err, &mismatch) {
		return nil, &colorimetry.FieldError{Field: "lab_condition", Value: mismatch.Stated.String(),
			Allowed: fmt.Sprintf("%v, the condition asked for; a colour is never adapted silently", mismatch.Wanted)}
	}
	if err != nil {
		return nil, err
	}
	// A curve of a few strong bands is within its own range and yet no colour that the contract can carry.
	if err := c.Lab.Validate(); err != nil {
		var of *colorimetry.FieldError
		if errors.As(err, &of) {
			return nil, &colorimetry.FieldError{Field: measured(in) + "reflectance", Value: fmt.Sprintf("a curve of %s* %s", of.Field, of.Value),
				Allowed: fmt.Sprintf("curves of %s* %s", of.Field, of.Allowed)}
		}
		return nil, err
	}
	out := &readingv1.ComputedColour{Lab: &typesv1.Lab{L: c.Lab.L, A: c.Lab.A, B: c.Lab.B}}
	if c.XYZ != nil {
		out.Xyz = &readingv1.XYZ{X: c.XYZ.X, Y: c.XYZ.Y, Z: c.XYZ.Z}
	}
	if c.Strength != nil {
		out.StrengthKs, out.StrengthNm = &c.Strength.KS, c.Strength.WavelengthNm
		out.StrengthClipped, out.StrengthSaturated = c.Strength.Clipped, c.Strength.Saturated
	}
	return out, nil
}

// measured is the path of what was measured.
func measured(in reflectance.Raw) string {
	switch {
	case in.Spectrum != nil:
		return "spectrum."
	case in.Curve != nil:
		return "curve."
	}
	return "lab."
}

// curveOf converts a curve; the calculation refuses what the contract does.
func curveOf(c *readingv1.Curve) (reflectance.Raw, error) {
	if n := len(c.GetWavelengthNm()); n > maxWavelengths {
		return reflectance.Raw{}, &colorimetry.FieldError{Field: "curve.wavelength_nm", Value: fmt.Sprintf("%d wavelengths", n), Allowed: fmt.Sprintf("2 to %d", maxWavelengths)}
	}
	return reflectance.Raw{Curve: &colorimetry.Curve{WavelengthsNm: c.GetWavelengthNm(), Reflectance: c.GetReflectance()}}, nil
}

// rawOf converts one measurement and refuses what the contract does and the calculation would not.
func rawOf(raw *typesv1.RawColour) (reflectance.Raw, error) {
	refuse := func(field, value, allowed string) (reflectance.Raw, error) {
		return reflectance.Raw{}, &colorimetry.FieldError{Field: field, Value: value, Allowed: allowed}
	}
	switch value := raw.GetValue().(type) {
	case *typesv1.RawColour_Spectrum:
		s := value.Spectrum
		switch n := len(s.GetReflectance()); {
		case raw.GetLabCondition() != nil:
			return refuse("lab_condition", "present", "absent with spectrum")
		case !(s.GetStartNm() >= minStartNm && s.GetStartNm() <= maxStartNm):
			return refuse("spectrum.start_nm", wire.Number(s.GetStartNm()), fmt.Sprintf("%d to %d", minStartNm, maxStartNm))
		case !slices.Contains(stepsNm, s.GetStepNm()):
			return refuse("spectrum.step_nm", wire.Number(s.GetStepNm()), "5, 10, 20")
		case n < minFigures || n > maxFigures:
			return refuse("spectrum.reflectance", fmt.Sprintf("%d figures", n), fmt.Sprintf("%d to %d figures", minFigures, maxFigures))
		}
		return reflectance.Raw{Spectrum: &reflectance.Spectrum{StartNm: s.GetStartNm(), StepNm: s.GetStepNm(), Reflectance: s.GetReflectance()}}, nil
	case *typesv1.RawColour_Lab:
		var v sdk.Violations
		stated := wire.Condition(&v, "lab_condition", raw.GetLabCondition())
		lab := wire.Lab(&v, "lab", value.Lab)
		if err := v.Err(); err != nil {
			return reflectance.Raw{}, errors.New(status.Convert(err).Message())
		}
		return reflectance.Raw{Lab: &reflectance.StatedLab{Lab: lab, Condition: stated}}, nil
	}
	return refuse("value", "missing", "one of spectrum, lab")
}

func names(conditions []colorimetry.Condition) string {
	out := make([]string, len(conditions))
	for i, c := range conditions {
		out[i] = c.String()
	}
	return strings.Join(out, ", ")
}
