package sqlite

import (
	"fmt"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// compareField compiles one comparison, or refuses a field or value that it doesn't know.
type compareField func(c *searchCompiler, field, value string) error

// compileSearch turns a predicate into a condition, on trials t with compareTrial and on baths b with compareBath. Only
// texts of this file get into the SQL; what the caller gave is bound.
func compileSearch(where *store.Predicate, compare compareField) (condition string, args []any, err error) {
	if where == nil {
		return "1", nil, nil
	}
	c := searchCompiler{compare: compare}
	if err := c.compile(where, 1); err != nil {
		return "", nil, err
	}
	return c.text.String(), c.args, nil
}

type searchCompiler struct {
	compare compareField
	text    strings.Builder
	args    []any
	nodes   int
}

func searchFault(format string, args ...any) error {
	return &trial.FieldFault{Field: "filter", Text: fmt.Sprintf(format, args...)}
}

func (c *searchCompiler) compile(p *store.Predicate, depth int) error {
	if depth > store.MaxPredicateDepth {
		return searchFault("nested deeper than %d", store.MaxPredicateDepth)
	}
	if c.nodes++; c.nodes > store.MaxPredicateNodes {
		return searchFault("has more than %d conditions", store.MaxPredicateNodes)
	}
	switch p.Op {
	case "":
		if len(p.Parts) > 0 {
			return searchFault("a comparison has no parts")
		}
		return c.compare(c, p.Field, p.Value)
	case "and", "or":
		if len(p.Parts) == 0 {
			return searchFault("%q needs at least one part", p.Op)
		}
		return c.join(p.Parts, map[string]string{"and": " AND ", "or": " OR "}[p.Op], depth)
	case "not":
		if len(p.Parts) != 1 {
			return searchFault("\"not\" needs exactly one part, has %d", len(p.Parts))
		}
		c.text.WriteString("NOT ")
		return c.join(p.Parts, "", depth)
	}
	return searchFault("%q is not one of and, or, not", p.Op)
}

func (c *searchCompiler) join(parts []store.Predicate, with string, depth int) error {
	c.text.WriteString("(")
	for i := range parts {
		if i > 0 {
			c.text.WriteString(with)
		}
		if err := c.compile(&parts[i], depth+1); err != nil {
			return err
		}
	}
	c.text.WriteString(")")
	return nil
}

func (c *searchCompiler) add(text string, args ...any) error {
	c.text.WriteString(text)
	c.args = append(c.args, args...)
	return nil
}

// numbered are the fields kept as numbers: from 1, in this order.
var numbered = map[string][]string{
	"state":   {"planned", "begun", "finished", "abandoned"},
	"sharing": {"mine", "cooperative", "public"},
}

// compareTrial compiles a comparison of trials t.
func compareTrial(c *searchCompiler, field, value string) error {
	const hasTerm = "EXISTS (SELECT 1 FROM trial_terms x WHERE x.trial = t.seq AND x.field = ? AND x.value = ?)"
	folded := fold(value)
	switch field {
	case "owner":
		return c.add("t.owner = ? COLLATE NOCASE", value)
	case "title":
		return c.add("instr(t.title_folded, ?) > 0", folded)
	case "source":
		return c.add("t.source_folded = ?", folded)
	case "state", "sharing":
		return c.number("t."+field, field, value)
	case "fibre", "material", "experiment":
		return c.add(hasTerm, field, folded)
	case "water": // by id or by name
		return c.add("("+hasTerm+" OR EXISTS (SELECT 1 FROM trial_terms x WHERE x.trial = t.seq AND x.field = ? AND x.value = "+waterOfName+"))",
			field, folded, field, folded)
	}
	return searchFault("%q is not one of %s", field, strings.Join(store.TrialSearchFields, ", "))
}

// compareBath compiles a comparison of baths b.
func compareBath(c *searchCompiler, field, value string) error {
	const hasTerm = "EXISTS (SELECT 1 FROM bath_terms x WHERE x.bath = b.seq AND x.field = ? AND x.value = ?)"
	folded := fold(value)
	switch field {
	case "owner":
		return c.add("b.owner = ? COLLATE NOCASE", value)
	case "label":
		return c.add("instr(b.label_folded, ?) > 0", folded)
	case "sharing":
		return c.number("b.sharing", field, value)
	case "open":
		n := slices.Index(yesOrNo, folded)
		if n < 0 {
			return searchFault("open %q is not one of %s", value, strings.Join(yesOrNo, ", "))
		}
		return c.add("b.open_to_members = ?", n)
	case "purpose":
		if !slices.Contains(purposeNames, folded) {
			return searchFault("purpose %q is not one of %s", value, strings.Join(purposeNames, ", "))
		}
		return c.add(hasTerm, field, folded)
	case "material":
		return c.add(hasTerm, field, folded)
	case "water": // by id or by name
		return c.add("("+hasTerm+" OR EXISTS (SELECT 1 FROM bath_terms x WHERE x.bath = b.seq AND x.field = ? AND x.value = "+waterOfName+"))",
			field, folded, field, folded)
	}
	return searchFault("%q is not one of %s", field, strings.Join(store.BathSearchFields, ", "))
}

var yesOrNo = []string{"no", "yes"}

var purposeNames = func() (names []string) {
	for purpose := trial.Scour; purpose <= trial.Rinse; purpose++ {
		names = append(names, purposes[purpose])
	}
	return names
}()

// waterOfName is the id of the water source of a name, as text.
const waterOfName = `(
  SELECT lower(substr(hex(w.id), 1, 8) || '-' || substr(hex(w.id), 9, 4) || '-' || substr(hex(w.id), 13, 4) || '-' ||
    substr(hex(w.id), 17, 4) || '-' || substr(hex(w.id), 21)) FROM water_sources w WHERE w.name_folded = ?)`

// number compares a column with the place of a name among those that the field knows.
func (c *searchCompiler) number(column, field, value string) error {
	n := slices.Index(numbered[field], fold(value))
	if n < 0 {
		return searchFault("%s %q is not one of %s", field, value, strings.Join(numbered[field], ", "))
	}
	return c.add(column+" = ?", n+1)
}
