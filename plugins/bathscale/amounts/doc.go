// Package amounts is the arithmetic of a dyer's baths: fibre as weighed to grams of every material, to the litres around them, and to how
// sure each figure is.
//
// Masses are in grams, volumes in millilitres or litres as the names say, temperatures in degrees Celsius, and shares in percent. A
// percentage on the weight of fibre (% WOF) is a mass per hundred grams of fibre in its reference state (see [Reference]).
// All figures are computed in full precision; only what is shown to be weighed is rounded, to the step of the balance, and what that
// rounding makes of the percentage is told as an interval.
//
// The formulas are common practice and have no single source; where a figure of this package comes from a publication it is named beside it.
package amounts

import "errors"

// ErrInput is wrapped by every error of this package: an argument that is outside its range, or arguments that contradict each other.
var ErrInput = errors.New("bath arithmetic")
