package reading

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"

	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	readingv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/reading/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// Limits of derived.proto.
const (
	maxPlaces    = 1000
	maxRecovered = 200
	maxColours   = 10_000
	maxDips      = 1000
)

// ComputeStrength measures the piece, and holds it against the reference where there is one.
func (*Server) ComputeStrength(_ context.Context, req *readingv1.ComputeStrengthRequest) (*readingv1.ComputeStrengthResponse, error) {
	var v sdk.Violations
	nm := req.GetWavelengthNm()
	lists := []list{{"sample", req.GetSample()}}
	relative := len(req.GetReference()) > 0 || len(req.GetSubstrate()) > 0
	if relative {
		lists = append(lists, list{"reference", req.GetReference()}, list{"substrate", req.GetSubstrate()})
	}
	checkCurves(&v, nm, lists)
	var seen colorimetry.Condition
	if req.GetCondition() != "" {
		seen = namedCondition(&v, "condition", req.GetCondition())
	}
	if err := v.Err(); err != nil {
		return nil, err
	}
	s, err := colorimetry.MeasuredStrength(colorimetry.Curve{WavelengthsNm: nm, Reflectance: req.GetSample()})
	if err != nil {
		return nil, refused(err)
	}
	out := &readingv1.ComputeStrengthResponse{Ks: s.KS, KsNm: s.WavelengthNm, KsClipped: s.Clipped, Saturated: s.Saturated}
	if req.GetCondition() != "" {
		w, err := colorimetry.NewWeightsAt(seen, nm)
		if err != nil {
			return nil, refused(err)
		}
		depth, err := colorimetry.SummedDepth(w, req.GetSample())
		if err != nil {
			return nil, refused(err)
		}
		out.SummedDepth = &depth
	}
	if relative {
		r, err := colorimetry.ComputeRelativeStrength(nm, req.GetSample(), req.GetReference(), req.GetSubstrate())
		if err != nil {
			return nil, refused(err)
		}
		out.Relative = &readingv1.RelativeStrength{Percent: r.Percent, Cosine: r.Cosine, Comparable: r.Comparable, Clipped: int32(r.Clipped)}
	}
	return out, nil
}

// ComputeMetamerism answers with the index of the two pieces.
func (*Server) ComputeMetamerism(_ context.Context, req *readingv1.ComputeMetamerismRequest) (*readingv1.ComputeMetamerismResponse, error) {
	var v sdk.Violations
	nm := req.GetWavelengthNm()
	checkCurves(&v, nm, []list{{"first", req.GetFirst()}, {"second", req.GetSecond()}})
	reference := namedCondition(&v, "reference_condition", req.GetReferenceCondition())
	test := namedCondition(&v, "test_condition", req.GetTestCondition())
	formula := colorimetry.FormulaCIEDE2000
	if req.GetFormula() != "" {
		var err error
		if formula, err = colorimetry.ParseFormula(req.GetFormula()); err != nil {
			note(&v, err)
		}
	}
	if err := v.Err(); err != nil {
		return nil, err
	}
	var weights [2]*colorimetry.Weights
	for i, c := range []colorimetry.Condition{reference, test} {
		var err error
		if weights[i], err = colorimetry.NewWeightsAt(c, nm); err != nil {
			return nil, refused(err)
		}
	}
	m, err := colorimetry.SpecialMetamerism(req.GetFirst(), req.GetSecond(), weights[0], weights[1], formula)
	if err != nil {
		return nil, refused(err)
	}
	if math.IsNaN(m.Index) || math.IsInf(m.Index, 0) {
		v.Add("second", "reflects too little under %v to be corrected to first", reference)
		return nil, v.Err()
	}
	return &readingv1.ComputeMetamerismResponse{Index: m.Index, Difference: m.Difference, Formula: m.Formula.Printed(colorimetry.DefaultFactors)}, nil
}

// ComputeLevelness answers from curves or from colours.
func (*Server) ComputeLevelness(_ context.Context, req *readingv1.ComputeLevelnessRequest) (*readingv1.ComputeLevelnessResponse, error) {
	var v sdk.Violations
	curves, colours := len(req.GetCurves()), len(req.GetColours())
	field, n := "curves", curves
	if colours > 0 {
		field, n = "colours", colours
	}
	switch {
	case curves > 0 && colours > 0:
		v.Add("colours", "has %d beside %d of curves, want one of both", colours, curves)
	case n < colorimetry.LeastLevelnessReadings || n > maxPlaces:
		v.Add(field, "has %d readings, want %d to %d", n, colorimetry.LeastLevelnessReadings, maxPlaces)
	case colours > 0 && len(req.GetWavelengthNm()) > 0:
		v.Add("wavelength_nm", "has %d wavelengths beside colours, want none", len(req.GetWavelengthNm()))
	case curves > 0 && req.GetCondition() != nil:
		v.Add("condition", "is present beside curves, want it absent")
	}
	if err := v.Err(); err != nil {
		return nil, err
	}
	var l colorimetry.Levelness
	var err error
	if colours > 0 {
		wire.Condition(&v, "condition", req.GetCondition())
		labs := labs(&v, req.GetColours())
		if err := v.Err(); err != nil {
			return nil, err
		}
		l, err = colorimetry.LevelnessOfColours(labs)
	} else {
		lists, figures := make([]list, curves), make([][]float64, curves)
		for i, c := range req.GetCurves() {
			figures[i] = c.GetReflectance()
			lists[i] = list{fmt.Sprintf("curves[%d].reflectance", i), figures[i]}
		}
		checkCurves(&v, req.GetWavelengthNm(), lists)
		if err := v.Err(); err != nil {
			return nil, err
		}
		l, err = colorimetry.LevelnessOfCurves(req.GetWavelengthNm(), figures)
	}
	if err != nil {
		return nil, refused(err)
	}
	return &readingv1.ComputeLevelnessResponse{Index: l.Index, Grade: string(l.Grade), Readings: int32(l.Readings)}, nil
}

// FitDips answers with the curve, or says that the strengths don't tell one.
func (*Server) FitDips(_ context.Context, req *readingv1.FitDipsRequest) (*readingv1.FitDipsResponse, error) {
	var v sdk.Violations
	if n := len(req.GetAskDips()); n > maxWavelengths {
		v.Add("ask_dips", "has %d figures, want at most %d", n, maxWavelengths)
		return nil, v.Err()
	}
	for i, n := range req.GetAskDips() {
		if !(n >= 0 && n <= maxDips) {
			v.Add(fmt.Sprintf("ask_dips[%d]", i), "is %s, want 0 to %d", wire.Number(n), maxDips)
		}
	}
	if err := v.Err(); err != nil {
		return nil, err
	}
	c, err := colorimetry.FitDips(req.GetDips(), req.GetKs())
	if errors.Is(err, colorimetry.ErrNoDipCurve) {
		v.Add("ks", "can't be fitted: %v", err)
		return nil, v.Err()
	}
	if err != nil {
		return nil, refused(err)
	}
	out := &readingv1.FitDipsResponse{LimitKs: c.Limit, RatePerDip: c.Rate, DipsTo_90Percent: c.DipsTo90, RmsKs: c.RMS}
	for _, n := range req.GetAskDips() {
		out.Ks = append(out.Ks, c.At(n))
	}
	return out, nil
}

// RecoverCurve answers with a curve, or says that the colour has none.
func (*Server) RecoverCurve(_ context.Context, req *readingv1.RecoverCurveRequest) (*readingv1.RecoverCurveResponse, error) {
	var v sdk.Violations
	colour := wire.Lab(&v, "colour", req.GetColour())
	seen := namedCondition(&v, "condition", req.GetCondition())
	if n := len(req.GetWavelengthNm()); n > maxRecovered {
		v.Add("wavelength_nm", "has %d wavelengths, want at most %d", n, maxRecovered)
	}
	if err := v.Err(); err != nil {
		return nil, err
	}
	w, err := colorimetry.NewWeightsAt(seen, req.GetWavelengthNm())
	if err != nil {
		return nil, refused(err)
	}
	c, err := colorimetry.CurveFromColour(colour, w)
	if errors.Is(err, colorimetry.ErrNoCurve) {
		v.Add("colour", "is %s, %s, %s: %v", wire.Number(colour.L), wire.Number(colour.A), wire.Number(colour.B), err)
		return nil, v.Err()
	}
	if err != nil {
		return nil, refused(err)
	}
	return &readingv1.RecoverCurveResponse{Reflectance: c.Reflectance, Tag: c.Tag}, nil
}

// AdaptColours answers each colour, or none when a fault is found.
func (*Server) AdaptColours(_ context.Context, req *readingv1.AdaptColoursRequest) (*readingv1.AdaptColoursResponse, error) {
	var v sdk.Violations
	from := namedCondition(&v, "from_condition", req.GetFromCondition())
	to := namedCondition(&v, "to_condition", req.GetToCondition())
	var method colorimetry.AdaptationMethod
	if v.Len() == 0 && (from != to || req.GetMethod() != "") {
		var err error
		if method, err = colorimetry.ParseAdaptationMethod(req.GetMethod()); err != nil {
			v.Add("method", "is %.40q, want %v, %v or %v", req.GetMethod(), colorimetry.Bradford, colorimetry.CAT02, colorimetry.CAT16)
		}
	}
	if n := len(req.GetColours()); n == 0 || n > maxColours {
		v.Add("colours", "has %d colours, want 1 to %d", n, maxColours)
		return nil, v.Err()
	}
	colours := labs(&v, req.GetColours())
	if err := v.Err(); err != nil {
		return nil, err
	}
	out := &readingv1.AdaptColoursResponse{}
	if from != to {
		a, err := colorimetry.NewAdaptation(method, from, to)
		if err != nil {
			return nil, refused(err)
		}
		out.Label = a.Label()
		for i, c := range colours {
			colours[i] = a.Lab(c)
			if err := colours[i].Validate(); err != nil {
				v.Add(fmt.Sprintf("colours[%d]", i), "has no such colour under %v: %v", to, err)
			}
		}
		if err := v.Err(); err != nil {
			return nil, err
		}
	}
	for _, c := range colours {
		x := &readingv1.AdaptedColour{Lab: &typesv1.Lab{L: c.L, A: c.A, B: c.B}}
		if to == colorimetry.D65Observer2 {
			rgb, in, err := c.SRGB(to)
			if err != nil {
				return nil, refused(err)
			}
			x.Srgb = &readingv1.Srgb{R: rgb.R, G: rgb.G, B: rgb.B, InGamut: in}
		}
		out.Colours = append(out.Colours, x)
	}
	return out, nil
}

// list is a curve by its name in the contract.
type list struct {
	field   string
	figures []float64
}

// checkCurves notes what is wrong with curves that share their wavelengths: of the wavelengths, or of each curve the first fault.
func checkCurves(v *sdk.Violations, nm []float64, lists []list) {
	for _, l := range lists {
		if len(l.figures) != len(nm) {
			v.Add(l.field, "has %d figures, want one for each wavelength, %d", len(l.figures), len(nm))
			continue
		}
		err := colorimetry.Curve{WavelengthsNm: nm, Reflectance: l.figures}.Validate()
		var of *colorimetry.FieldError
		if !errors.As(err, &of) {
			continue
		}
		if at, ok := strings.CutPrefix(of.Field, "reflectance"); ok {
			v.Add(l.field+at, "is %s, want %s", of.Value, of.Allowed)
			continue
		}
		note(v, err) // of the wavelengths, the same for all
		return
	}
}

func namedCondition(v *sdk.Violations, field, text string) colorimetry.Condition {
	c, err := colorimetry.ParseCondition(text)
	if err != nil {
		v.Add(field, "is %.40q: %v", text, err)
	}
	return c
}

// labs gives the colours of messages; faults are noted as of colours.
func labs(v *sdk.Violations, in []*typesv1.Lab) []colorimetry.Lab {
	out := make([]colorimetry.Lab, len(in))
	for i, m := range in {
		out[i] = colorimetry.Lab{L: m.GetL(), A: m.GetA(), B: m.GetB()}
		if m == nil || out[i].Validate() != nil {
			wire.Lab(v, fmt.Sprintf("colours[%d]", i), m)
		}
	}
	return out
}

// note notes the refusal of a calculation under the calculation's own name of the field.
func note(v *sdk.Violations, err error) {
	var of *colorimetry.FieldError
	if errors.As(err, &of) {
		v.Add(of.Field, "is %s, want %s", of.Value, of.Allowed)
		return
	}
	v.Add("request", "can't be computed: %v", err)
}

// refused is the status of a refusal by a calculation.
func refused(err error) error {
	var of *colorimetry.FieldError
	if !errors.As(err, &of) {
		return status.Error(codes.Internal, err.Error())
	}
	var v sdk.Violations
	note(&v, err)
	return v.Err()
}
