package colorimetry

import (
	"errors"
	"fmt"
	"strconv"
)

// FieldError says which input was refused, what it was and what is allowed.
// Every refusal of user data by this package and by the calculations built on
// it is a *FieldError, possibly wrapped.
type FieldError struct {
	Field   string // path of the field, such as "pairs[3].sample.L"
	Value   string // the refused value as text
	Allowed string // the allowed values, such as "0 to 2"
}

// Error gives field, value and allowed range in one line.
func (e *FieldError) Error() string {
	return fmt.Sprintf("%s is %s, allowed: %s", e.Field, e.Value, e.Allowed)
}

// Under puts parent in front of the field's path of a *FieldError: "L" under
// "pairs[3].sample" becomes "pairs[3].sample.L". Other errors come back
// wrapped with the parent's name, nil as nil.
func Under(parent string, err error) error {
	if err == nil {
		return nil
	}
	var fe *FieldError
	if errors.As(err, &fe) {
		return &FieldError{Field: parent + "." + fe.Field, Value: fe.Value, Allowed: fe.Allowed}
	}
	return fmt.Errorf("%s: %w", parent, err)
}

// number prints a value for an error: as short as reads back the same.
func number(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

// checkRange refuses NaN, infinities and values outside low to high.
func checkRange(field string, v, low, high float64) error {
	if v >= low && v <= high {
		return nil
	}
	return &FieldError{Field: field, Value: number(v), Allowed: number(low) + " to " + number(high)}
}
