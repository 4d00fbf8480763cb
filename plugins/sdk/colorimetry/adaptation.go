package colorimetry

import (
	"fmt"
	"strings"
)

// AdaptationMethod is a chromatic adaptation transform of the von Kries type: a
// matrix to sharpened cone responses, and a factor for each of the three.
type AdaptationMethod uint8

// The transforms.
const (
	Bradford AdaptationMethod = iota + 1 // linear Bradford, as ICC profiles use it (ISO 15076-1, annex E)
	CAT02                                // of CIECAM02, CIE 159:2004
	CAT16                                // Li et al. (2017), Color Research & Application 42, 703-718; of CIECAM16, CIE 248:2022
)

var adaptationNames = [...]string{"", "Bradford", "CAT02", "CAT16"}

// String gives the name, such as "CAT16".
func (m AdaptationMethod) String() string {
	if !m.known() {
		return fmt.Sprintf("adaptation(%d)", uint8(m))
	}
	return adaptationNames[m]
}

func (m AdaptationMethod) known() bool { return m > 0 && int(m) < len(adaptationNames) }

// ParseAdaptationMethod reads the form of String.
func ParseAdaptationMethod(name string) (AdaptationMethod, error) {
	for i, n := range adaptationNames {
		if i > 0 && n == name {
			return AdaptationMethod(i), nil
		}
	}
	return 0, &FieldError{Field: "adaptation", Value: quote(name), Allowed: strings.Join(adaptationNames[1:], ", ")}
}

// The matrices from XYZ to sharpened responses.
var adaptationMatrices = [...]matrix{
	Bradford: {{0.8951, 0.2664, -0.1614}, {-0.7502, 1.7135, 0.0367}, {0.0389, -0.0685, 1.0296}},
	CAT02:    {{0.7328, 0.4296, -0.1624}, {-0.7036, 1.6975, 0.0061}, {0.0030, 0.0136, 0.9834}},
	CAT16:    {{0.401288, 0.650173, -0.051461}, {-0.250268, 1.204414, 0.045854}, {-0.002079, 0.048952, 0.953127}},
}

// Adaptation estimates the corresponding colour: what looks under another light
// as a colour does under its own. It is a model of seeing, not a measurement, so
// nothing in this package applies one unasked, and its Label must be reported with
// every result. From and to may differ in their observer too; that difference is
// then only scaled, not modelled. Only [NewAdaptation] makes one; the zero value
// gives no colour (XYZ of 0, Lab of NaN).
type Adaptation struct {
	method   AdaptationMethod
	from, to Condition
	fromXYZ  XYZ
	toXYZ    XYZ
	m        matrix
}

// NewAdaptation prepares the adaptation between two conditions, which is complete
// (D = 1). An unknown method and an invalid condition are refused by a *FieldError.
func NewAdaptation(method AdaptationMethod, from, to Condition) (*Adaptation, error) {
	if !method.known() {
		return nil, &FieldError{Field: "adaptation", Value: method.String(), Allowed: strings.Join(adaptationNames[1:], ", ")}
	}
	a := &Adaptation{method: method, from: from, to: to}
	var err error
	if a.fromXYZ, err = White(from); err != nil {
		return nil, Under("from", err)
	}
	if a.toXYZ, err = White(to); err != nil {
		return nil, Under("to", err)
	}
	a.m = adaptationMatrix(method, a.fromXYZ, a.toXYZ)
	return a, nil
}

// adaptationMatrix is M⁻¹ S M, where S takes the response of one white to that of
// the other.
func adaptationMatrix(method AdaptationMethod, from, to XYZ) matrix {
	m := adaptationMatrices[method]
	f, t := m.apply(from), m.apply(to)
	scaled := m
	for i, s := range [3]float64{t.X / f.X, t.Y / f.Y, t.Z / f.Z} {
		for k := range scaled[i] {
			scaled[i][k] *= s
		}
	}
	return m.inverse().times(scaled)
}

// Label says what was done, such as "Bradford from D65/2 to D50/2". It must be
// reported with every result.
func (a *Adaptation) Label() string {
	return a.method.String() + " from " + a.from.String() + " to " + a.to.String()
}

// To is the condition of the results.
func (a *Adaptation) To() Condition { return a.to }

// XYZ adapts tristimulus values (white Y = 100). The white of the one condition
// becomes that of the other. Very saturated colours may get a value below 0.
func (a *Adaptation) XYZ(v XYZ) XYZ { return a.m.apply(v) }

// Lab adapts a CIELAB colour of the first condition to one of the second.
func (a *Adaptation) Lab(c Lab) Lab { return a.m.apply(c.XYZ(a.fromXYZ)).Lab(a.toXYZ) }

// matrix is 3 by 3, rows first.
type matrix [3][3]float64

func (m matrix) apply(v XYZ) XYZ {
	row := func(r [3]float64) float64 { return float64(r[0]*v.X) + float64(r[1]*v.Y) + float64(r[2]*v.Z) }
	return XYZ{row(m[0]), row(m[1]), row(m[2])}
}

func (m matrix) times(o matrix) (out matrix) {
	for i := range out {
		for k := range out[i] {
			out[i][k] = float64(m[i][0]*o[0][k]) + float64(m[i][1]*o[1][k]) + float64(m[i][2]*o[2][k])
		}
	}
	return out
}

// inverse expects a matrix that has one, as all those here do.
func (m matrix) inverse() (out matrix) {
	minor := func(i, k int) float64 { // of the transposed matrix, with its sign
		r1, r2, c1, c2 := (k+1)%3, (k+2)%3, (i+1)%3, (i+2)%3
		return float64(m[r1][c1]*m[r2][c2]) - float64(m[r1][c2]*m[r2][c1])
	}
	determinant := float64(m[0][0]*minor(0, 0)) + float64(m[0][1]*minor(1, 0)) + float64(m[0][2]*minor(2, 0))
	for i := range out {
		for k := range out[i] {
			out[i][k] = minor(i, k) / determinant
		}
	}
	return out
}
