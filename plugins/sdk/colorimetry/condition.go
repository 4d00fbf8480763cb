package colorimetry

import (
	"fmt"
	"strconv"
	"strings"
)

// Illuminant is a CIE illuminant: one of the tabulated ones below, or a phase of
// daylight that DaylightAt makes. The zero value is no illuminant and is refused
// wherever one is needed.
type Illuminant uint32

// The illuminants whose tables are embedded.
const (
	D65  Illuminant = iota + 1 // average daylight, ISO/CIE 11664-2
	A                          // tungsten light at about 2856 K, ISO/CIE 11664-2
	D50                        // warm daylight, CIE 015
	FL2                        // cool white fluorescent, CIE 015
	FL7                        // broad-band daylight fluorescent, CIE 015
	FL11                       // narrow-band fluorescent of 4000 K, CIE 015
)

var illuminantNames = [...]string{"", "D65", "A", "D50", "FL2", "FL7", "FL11"}

// String gives the CIE name, such as "D65", or the colour temperature of a
// phase of daylight, such as "5500K".
func (i Illuminant) String() string {
	if k, ok := i.Daylight(); ok {
		return number(k) + "K"
	}
	if !i.tabulated() {
		return fmt.Sprintf("illuminant(%d)", uint32(i))
	}
	return illuminantNames[i]
}

func (i Illuminant) tabulated() bool { return i > 0 && int64(i) < int64(len(illuminantNames)) }

// allowedIlluminants is the range that a refusal names.
func allowedIlluminants() string {
	return strings.Join(illuminantNames[1:], ", ") + ", or daylight from 4000K to 25000K"
}

// ParseIlluminant reads a CIE name in capitals, such as "D65", or a phase of
// daylight by its colour temperature, such as "5500K" or "5002.78K".
func ParseIlluminant(name string) (Illuminant, error) {
	for i, n := range illuminantNames {
		if i > 0 && n == name {
			return Illuminant(i), nil
		}
	}
	if kelvin, found := strings.CutSuffix(name, "K"); found {
		// Only the spelling of String is taken, so that one light has one name.
		if k, err := strconv.ParseFloat(kelvin, 64); err == nil && number(k) == kelvin {
			if i, err := DaylightAt(k); err == nil && i.String() == name {
				return i, nil
			}
		}
	}
	return 0, &FieldError{Field: "illuminant", Value: quote(name), Allowed: allowedIlluminants()}
}

// Observer is a CIE standard observer, named by its field in degrees. The zero
// value is no observer and is refused wherever one is needed.
type Observer uint8

// The two standard observers of ISO/CIE 11664-1.
const (
	Observer2  Observer = 2  // CIE 1931, 2 degrees
	Observer10 Observer = 10 // CIE 1964, 10 degrees
)

// String gives the field in degrees: "2" or "10".
func (o Observer) String() string { return fmt.Sprint(uint8(o)) }

// ParseObserver reads "2" or "10".
func ParseObserver(degrees string) (Observer, error) {
	switch degrees {
	case "2":
		return Observer2, nil
	case "10":
		return Observer10, nil
	}
	return 0, &FieldError{Field: "observer", Value: quote(degrees), Allowed: "2, 10"}
}

// Condition is the light and the observer that a CIELAB value was computed for.
// Two values may be compared only when their conditions are equal (==). Geometry,
// specular mode and instrument are not here: they belong to the reading, not to
// the arithmetic.
type Condition struct {
	Illuminant Illuminant
	Observer   Observer
}

// The conditions asked for most. D65/10 is usual for textiles, D65/2 for
// photographs and screens; A/10 shows how a colour changes under lamp light.
var (
	D65Observer10 = Condition{D65, Observer10}
	D65Observer2  = Condition{D65, Observer2}
	AObserver10   = Condition{A, Observer10}
)

// String gives illuminant and observer, such as "D65/10".
func (c Condition) String() string { return c.Illuminant.String() + "/" + c.Observer.String() }

// Validate refuses a condition whose illuminant or observer is missing or
// unknown.
func (c Condition) Validate() error {
	if _, daylight := c.Illuminant.Daylight(); !daylight && !c.Illuminant.tabulated() {
		return &FieldError{Field: "illuminant", Value: c.Illuminant.String(), Allowed: allowedIlluminants()}
	}
	if c.Observer != Observer2 && c.Observer != Observer10 {
		return &FieldError{Field: "observer", Value: c.Observer.String(), Allowed: "2, 10"}
	}
	return nil
}

// ParseCondition reads the form that String writes, such as "D65/10".
func ParseCondition(text string) (Condition, error) {
	illuminant, observer, found := strings.Cut(text, "/")
	if !found {
		return Condition{}, &FieldError{Field: "condition", Value: quote(text), Allowed: "illuminant/observer, such as D65/10"}
	}
	i, err := ParseIlluminant(illuminant)
	if err != nil {
		return Condition{}, err
	}
	o, err := ParseObserver(observer)
	if err != nil {
		return Condition{}, err
	}
	return Condition{i, o}, nil
}

// MarshalText writes the form of String and refuses an invalid condition.
func (c Condition) MarshalText() ([]byte, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	return []byte(c.String()), nil
}

// UnmarshalText reads the form of String.
func (c *Condition) UnmarshalText(text []byte) error {
	parsed, err := ParseCondition(string(text))
	if err != nil {
		return err
	}
	*c = parsed
	return nil
}

// quote prints a piece of user text for an error, cut to a readable length.
func quote(text string) string { return fmt.Sprintf("%.40q", text) }
