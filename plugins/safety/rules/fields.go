package rules

import (
	"bytes"
	_ "embed" // the fields that there are
	"fmt"
	"slices"

	"github.com/goccy/go-yaml"
)

// Kind is the type of a field.
type Kind string

// Types of fields.
const (
	Truth  Kind = "truth"  // yes or no
	Word   Kind = "word"   // one of a closed list
	Words  Kind = "words"  // some of a closed list
	Text   Kind = "text"   // any text
	Texts  Kind = "texts"  // any texts
	Number Kind = "number" // a figure in the field's unit
)

// About says whose answer a field is.
type About string

// What fields are about.
const (
	Plan     About = "plan"     // told by the plan or derived from it
	Workshop About = "workshop" // answered once for a workshop
	Person   About = "person"   // about a member's health: asked beside the step, answered on the member's own machine, sent nowhere
)

// Field is something that rules may ask.
type Field struct {
	Name string `yaml:"name"`
	Kind Kind   `yaml:"kind"`
	// Unit of a number.
	Unit string `yaml:"unit"`
	// Allowed words, sorted; for words of open lists nil.
	Allowed []string `yaml:"allowed"`
	About   About    `yaml:"about"`
	// Asks is the question that a member answers.
	Asks string `yaml:"asks"`
	// Low and High of a number.
	Low  float64 `yaml:"low"`
	High float64 `yaml:"high"`
}

//go:embed fields.yaml
var fieldsText []byte

var fields = mustFields()

func mustFields() map[string]Field {
	var list []Field
	if err := yaml.NewDecoder(bytes.NewReader(fieldsText), yaml.Strict()).Decode(&list); err != nil {
		panic(fmt.Sprintf("fields of safety rules: %v", err)) // a test reads them
	}
	out := make(map[string]Field, len(list))
	for _, f := range list {
		slices.Sort(f.Allowed)
		out[f.Name] = f
	}
	return out
}

// FieldNamed finds a field.
func FieldNamed(name string) (Field, bool) {
	f, ok := fields[name]
	return f, ok
}

// FieldNames returns the names of all fields, sorted.
func FieldNames() []string {
	all := make([]string, 0, len(fields))
	for name := range fields {
		all = append(all, name)
	}
	slices.Sort(all)
	return all
}
