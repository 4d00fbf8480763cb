package sdk

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
)

// Number describes a parameter that is a number from low to high.
func Number(name, summary, unit string, standard, low, high float64) *describev1.Parameter {
	return &describev1.Parameter{Name: name, Summary: summary, Value: &describev1.Parameter_Number{Number: &describev1.NumberParameter{
		Unit: unit, DefaultValue: standard, Minimum: &low, Maximum: &high}}}
}

// Choice describes a parameter that is one of several words; the first is the default.
func Choice(name, summary string, words ...string) *describev1.Parameter {
	c := &describev1.ChoiceParameter{Choices: words}
	if len(words) > 0 {
		c.DefaultValue = words[0]
	}
	return &describev1.Parameter{Name: name, Summary: summary, Value: &describev1.Parameter_Choice{Choice: c}}
}

// Values are the values of a module's parameters in one request: those set, the others by default.
type Values struct {
	numbers map[string]float64
	choices map[string]string
}

// Number is the value of a parameter described as a number. It panics when there is none of that name, which is a fault of the module.
func (v Values) Number(name string) float64 {
	x, ok := v.numbers[name]
	if !ok {
		panic(fmt.Sprintf("the module describes no number %q", name))
	}
	return x
}

// Choice is the value of a parameter described as a choice. It panics when there is none of that name, which is a fault of the module.
func (v Values) Choice(name string) string {
	w, ok := v.choices[name]
	if !ok {
		panic(fmt.Sprintf("the module describes no choice %q", name))
	}
	return w
}

// CheckValues gives the values of the parameters described, with those that a request sets, and notes in faults every value that isn't
// described, is set twice or lies outside of its range; field is the path of set.
func CheckValues(faults *Violations, field string, described []*describev1.Parameter, set []*describev1.ParameterValue) Values {
	out := Values{numbers: map[string]float64{}, choices: map[string]string{}}
	byName := map[string]*describev1.Parameter{}
	var names []string
	for _, p := range described {
		byName[p.GetName()] = p
		names = append(names, p.GetName())
		if n := p.GetNumber(); n != nil {
			out.numbers[p.GetName()] = n.GetDefaultValue()
		} else {
			out.choices[p.GetName()] = p.GetChoice().GetDefaultValue()
		}
	}
	seen := map[string]bool{}
	for i, s := range set {
		at := fmt.Sprintf("%s[%d]", field, i)
		p := byName[s.GetName()]
		switch {
		case p == nil && len(names) == 0:
			faults.Add(at+".name", "is %.60q, but the module has no parameters", s.GetName())
			continue
		case p == nil:
			faults.Add(at+".name", "is %.60q, want one of %s", s.GetName(), strings.Join(names, ", "))
			continue
		case seen[s.GetName()]:
			faults.Add(at+".name", "is %.60q, which is set before: want each once", s.GetName())
			continue
		}
		seen[s.GetName()] = true
		switch value := s.GetValue().(type) {
		case *describev1.ParameterValue_Number:
			n := p.GetNumber()
			if n == nil {
				faults.Add(at+".number", "is set, but %s is one of %s", s.GetName(), strings.Join(p.GetChoice().GetChoices(), ", "))
				continue
			}
			checkSet(faults, at+".number", n, value.Number)
			out.numbers[s.GetName()] = value.Number
		case *describev1.ParameterValue_Choice:
			c := p.GetChoice()
			if c == nil {
				faults.Add(at+".choice", "is set, but %s is a number", s.GetName())
				continue
			}
			if !slices.Contains(c.GetChoices(), value.Choice) {
				faults.Add(at+".choice", "is %.60q, want one of %s", value.Choice, strings.Join(c.GetChoices(), ", "))
			}
			out.choices[s.GetName()] = value.Choice
		default:
			faults.Add(at+".value", "is missing, want a number or a choice")
		}
	}
	return out
}

func checkSet(faults *Violations, field string, n *describev1.NumberParameter, x float64) {
	low, high := -math.MaxFloat64, math.MaxFloat64
	if n.Minimum != nil {
		low = n.GetMinimum()
	}
	if n.Maximum != nil {
		high = n.GetMaximum()
	}
	text := strconv.FormatFloat(x, 'g', -1, 64)
	switch {
	case !(x >= low && x <= high):
		faults.Add(field, "is %s, want %s to %s", text, strconv.FormatFloat(low, 'g', -1, 64), strconv.FormatFloat(high, 'g', -1, 64))
	case n.GetWhole() && x != math.Trunc(x):
		faults.Add(field, "is %s, want a whole number", text)
	}
}
