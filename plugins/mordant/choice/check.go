package choice

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode/utf8"
)

// check gathers what is wrong with a table of facts.
type check struct {
	facts  *Facts
	ids    map[string]bool
	faults []string
}

func (c *check) fault(format string, args ...any) {
	c.faults = append(c.faults, fmt.Sprintf(format, args...))
}

// faults are all that is wrong with a table, in no order.
func (f *Facts) faults() []string {
	c := &check{facts: f, ids: map[string]bool{}}
	c.header()
	for _, o := range f.Options {
		c.option(o)
	}
	for _, m := range f.Modifiers {
		c.row(m.ID, m.FibreClass, m.Effect, m.Reason, m.Confidence)
		c.shifts(m.ID, m.Shifts)
		c.sources(m.ID, m.Sources)
		c.material(m.ID, Material{Material: m.Material, LowPercent: m.LowPercent, HighPercent: m.HighPercent})
	}
	c.names()
	return c.faults
}

// header is what the table says of itself, of fibres and of dyestuffs.
func (c *check) header() {
	// As data.proto has them.
	const maxName, maxVersion = 80, 40
	text := func(what, text string, most int) {
		if n := utf8.RuneCountInString(text); n == 0 || n > most || strings.TrimSpace(text) != text {
			c.fault("%s is %.90q, want 1 to %d characters without space around them", what, text, most)
		}
	}
	text("name", c.facts.Name, maxName)
	text("version", c.facts.Version, maxVersion)
	for fibre, class := range c.facts.Fibres {
		if class != "protein" && class != "cellulose" {
			c.fault("fibre %q is of class %q, want protein or cellulose", fibre, class)
		}
	}
	known := c.facts.DyeClasses()
	for dye, class := range c.facts.Dyestuffs {
		if !slices.Contains(known, class) {
			c.fault("dyestuff %q is of class %q, for which there is no option", dye, class)
		}
	}
}

func (c *check) option(o Option) {
	c.row(o.ID, o.FibreClass, o.Effect, o.Reason, o.Confidence)
	c.shifts(o.ID, o.Shifts)
	c.sources(o.ID, o.Sources)
	if len(o.DyeClasses) == 0 {
		c.fault("%s: dye_classes are missing", o.ID)
	}
	for _, s := range o.Steps {
		for _, m := range append([]Material{s}, s.With...) {
			c.material(o.ID, m)
		}
	}
	for _, fibre := range o.Fibres {
		if class := c.facts.Fibres[fibre]; class == "" || (o.FibreClass != "any" && class != o.FibreClass) {
			c.fault("%s: fibre %q is not of its class", o.ID, fibre)
		}
	}
}

// row is what options and modifiers have in common.
func (c *check) row(id, class, effect, reason, confidence string) {
	switch {
	case id == "" || c.ids[id]:
		c.fault("id %q is empty or stands twice", id)
	case class != "protein" && class != "cellulose" && class != "any":
		c.fault("%s: fibre_class is %q, want protein, cellulose or any", id, class)
	case effect == "" || reason == "":
		c.fault("%s: effect or reason is missing", id)
	case !slices.Contains(confidences, confidence):
		c.fault("%s: confidence is %q, want %s", id, confidence, strings.Join(confidences, ", "))
	}
	c.ids[id] = true
}

func (c *check) shifts(id string, wanted []string) {
	for _, s := range wanted {
		if !slices.Contains(shifts, s) {
			c.fault("%s: shift is %q, want one of %s", id, s, strings.Join(shifts, ", "))
		}
	}
}

func (c *check) sources(id string, keys []string) {
	if len(keys) == 0 {
		c.fault("%s: sources are missing", id)
	}
	for _, s := range keys {
		if c.facts.Sources[s] == "" {
			c.fault("%s: source %q is not listed", id, s)
		}
	}
}

func (c *check) material(id string, m Material) {
	bad := func(v, high float64) bool { return math.IsNaN(v) || v < 0 || v > high }
	if m.Material == "" || bad(m.LowPercent, 100) || bad(m.HighPercent, 100) || m.LowPercent > m.HighPercent {
		c.fault("%s: %q at %v to %v percent, want a name and 0 to 100, low to high", id, m.Material, m.LowPercent, m.HighPercent)
	}
	if bad(m.PerGramLow, 10) || bad(m.PerGramHigh, 10) || m.PerGramLow > m.PerGramHigh || bad(m.CeilingC, 105) {
		c.fault("%s: %q has a part per gram or a ceiling out of range", id, m.Material)
	}
}

// names are the other ones of materials, and those of their forms.
func (c *check) names() {
	materials := c.facts.materials()
	free := func(name string) bool { return name != "" && folded(name) == name && !materials[name] }
	for name, material := range c.facts.Also {
		if !free(name) || !materials[folded(material)] {
			c.fault("also: %q for %q, want a name in lower case that is no material's own, for one of an option or a modifier", name, material)
		}
	}
	seen := map[string]bool{}
	for _, form := range c.facts.Forms {
		for _, name := range append([]string{form.Name}, form.Also...) {
			if !free(name) || c.facts.Also[name] != "" || seen[name] || !materials[folded(form.Of)] {
				c.fault("forms: %q of %q, want a name in lower case that stands nowhere else, and one of an option or a modifier", name, form.Of)
			}
			seen[name] = true
		}
		if !(form.GramsLow > 0 && form.GramsLow <= form.GramsHigh && form.GramsHigh <= 10) {
			c.fault("forms: %v to %v grams of %q stand for one, want above 0 to 10, low to high", form.GramsLow, form.GramsHigh, form.Name)
		}
		c.sources("forms: "+form.Name, form.Sources)
	}
}
