// Package wire turns messages that several kinds of module share into the types of the calculations, conditions and colours, and
// reports every fault of theirs by its field. The stream of columns is in package sdk/columns.
package wire

import (
	"context"
	"errors"
	"strconv"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// Condition gives the condition of a message and notes in v what is missing or unknown in it; field is its path.
func Condition(v *sdk.Violations, field string, c *typesv1.ColourCondition) colorimetry.Condition {
	if c == nil {
		v.Add(field, "is missing, want an illuminant and an observer")
		return colorimetry.Condition{}
	}
	var out colorimetry.Condition
	switch c.GetIlluminant() {
	case typesv1.Illuminant_ILLUMINANT_D65:
		out.Illuminant = colorimetry.D65
	case typesv1.Illuminant_ILLUMINANT_A:
		out.Illuminant = colorimetry.A
	default:
		v.Add(field+".illuminant", "is %v, want ILLUMINANT_D65 or ILLUMINANT_A", c.GetIlluminant())
	}
	switch c.GetObserver() {
	case typesv1.Observer_OBSERVER_CIE_1931_2_DEGREE:
		out.Observer = colorimetry.Observer2
	case typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE:
		out.Observer = colorimetry.Observer10
	default:
		v.Add(field+".observer", "is %v, want OBSERVER_CIE_1931_2_DEGREE or OBSERVER_CIE_1964_10_DEGREE", c.GetObserver())
	}
	return out
}

// Lab gives the colour of a message and notes in v every coordinate that is NaN or outside of its range; field is its path.
func Lab(v *sdk.Violations, field string, m *typesv1.Lab) colorimetry.Lab {
	if m == nil {
		v.Add(field, "is missing, want l, a and b")
		return colorimetry.Lab{}
	}
	within(v, field+".l", m.GetL(), 0, colorimetry.MaxLightness)
	within(v, field+".a", m.GetA(), -colorimetry.MaxAB, colorimetry.MaxAB)
	within(v, field+".b", m.GetB(), -colorimetry.MaxAB, colorimetry.MaxAB)
	return colorimetry.Lab{L: m.GetL(), A: m.GetA(), B: m.GetB()}
}

// OrDefault gives x, or what the contract says that 0 stands for, and notes in v when x is neither 0 nor from low to high.
func OrDefault(v *sdk.Violations, field string, x, standsFor, low, high float64) float64 {
	if x == 0 {
		return standsFor
	}
	if !(x >= low && x <= high) {
		v.Add(field, "is %s, want %s to %s, or 0 for %s", Number(x), Number(low), Number(high), Number(standsFor))
	}
	return x
}

// within notes in v when x is NaN or not from low to high.
func within(v *sdk.Violations, field string, x, low, high float64) {
	if !(x >= low && x <= high) {
		v.Add(field, "is %s, want %s to %s", Number(x), Number(low), Number(high))
	}
}

// Number prints a value for an error, as short as reads back the same.
func Number(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

// Failed is the status of an error of a calculation whose input was checked before: that of its context, when that ended first;
// InvalidArgument with the field below parent, when the calculation is stricter than the contract; otherwise Internal.
func Failed(parent string, err error) error {
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return status.FromContextError(err).Err()
	}
	var refused *colorimetry.FieldError
	if errors.As(err, &refused) {
		var v sdk.Violations
		v.Add(parent+"."+refused.Field, "is %s, want %s", refused.Value, refused.Allowed)
		return v.Err()
	}
	return status.Error(codes.Internal, err.Error())
}
