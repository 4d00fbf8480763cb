// Package words turns the interface's enumerations into the words that people
// write and read: BATH_PURPOSE_DYE is "dye", PIECE_STATE_UNSPECIFIED is "not stated".
package words

import (
	"fmt"
	"strings"

	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// NotStated is the word for the value 0 of every enumeration.
const NotStated = "not stated"

func prefix(d protoreflect.EnumDescriptor) string {
	if zero := d.Values().ByNumber(0); zero != nil {
		return strings.TrimSuffix(string(zero.Name()), "UNSPECIFIED")
	}
	return ""
}

func word(d protoreflect.EnumDescriptor, v protoreflect.EnumValueDescriptor) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(string(v.Name()), prefix(d))), "_", " ")
}

// Show gives the word for a value.
func Show(e protoreflect.Enum) string {
	d := e.Descriptor()
	v := d.Values().ByNumber(e.Number())
	switch {
	case v == nil:
		return fmt.Sprintf("unknown (%d)", e.Number())
	case e.Number() == 0:
		return NotStated
	}
	return word(d, v)
}

// Parse reads a word; the value 0 has none. Hyphens and underscores stand for spaces.
func Parse[E interface {
	protoreflect.Enum
	~int32
}](text string) (E, error) {
	var none E
	d := none.Descriptor()
	clean := strings.NewReplacer("-", " ", "_", " ").Replace(strings.ToLower(strings.TrimSpace(text)))
	var known []string
	for i := range d.Values().Len() {
		v := d.Values().Get(i)
		if v.Number() == 0 {
			continue
		}
		w := word(d, v)
		if w == clean {
			return E(v.Number()), nil
		}
		known = append(known, w)
	}
	if clean == "" {
		return none, fmt.Errorf("no word is given; allowed: %s", strings.Join(known, ", "))
	}
	return none, fmt.Errorf("%q is not known; allowed: %s", text, strings.Join(known, ", "))
}

var conditions = []struct {
	word       string
	illuminant typesv1.Illuminant
	observer   typesv1.Observer
}{
	{"D65/10", typesv1.Illuminant_ILLUMINANT_D65, typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE},
	{"D65/2", typesv1.Illuminant_ILLUMINANT_D65, typesv1.Observer_OBSERVER_CIE_1931_2_DEGREE},
	{"A/10", typesv1.Illuminant_ILLUMINANT_A, typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE},
	{"A/2", typesv1.Illuminant_ILLUMINANT_A, typesv1.Observer_OBSERVER_CIE_1931_2_DEGREE},
}

// Condition reads "D65/10": an illuminant and an observer's angle in degrees.
func Condition(text string) (*typesv1.ColourCondition, error) {
	for _, c := range conditions {
		if strings.EqualFold(c.word, strings.TrimRight(strings.TrimSpace(text), "°")) {
			return &typesv1.ColourCondition{Illuminant: c.illuminant, Observer: c.observer}, nil
		}
	}
	return nil, fmt.Errorf("%q is not a condition known here; allowed: D65/10, D65/2, A/10, A/2", text)
}

// ShowCondition writes a condition; "" when absent.
func ShowCondition(c *typesv1.ColourCondition) string {
	if c == nil {
		return ""
	}
	for _, k := range conditions {
		if k.illuminant == c.GetIlluminant() && k.observer == c.GetObserver() {
			return k.word
		}
	}
	return Show(c.GetIlluminant()) + "/" + Show(c.GetObserver())
}
