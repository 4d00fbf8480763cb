package sqlite

import (
	"fmt"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// compileSearch turns a predicate into a condition on trials t. Only texts of
// this file get into the SQL; what the caller gave is bound.
func compileSearch(where *store.Predicate) (condition string, args []any, err error) {
	if where == nil {
		return "1", nil, nil
	}
	c := searchCompiler{}
	if err := c.compile(where, 1); err != nil {
		return "", nil, err
	}
	return c.text.String(), c.args, nil
}

type searchCompiler struct {
	text  strings.Builder
	args  []any
	nodes int
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
		return c.compare(p.Field, p.Value)
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

const hasTerm = "EXISTS (SELECT 1 FROM trial_terms x WHERE x.trial = t.seq AND x.field = ? AND x.value = ?)"

func (c *searchCompiler) compare(field, value string) error {
	folded := fold(value)
	switch field {
	case "owner":
		return c.add("t.owner = ? COLLATE NOCASE", value)
	case "title":
		return c.add("instr(t.title_folded, ?) > 0", folded)
	case "source":
		return c.add("t.source_folded = ?", folded)
	case "state", "sharing":
		n := slices.Index(numbered[field], folded)
		if n < 0 {
			return searchFault("%s %q is not one of %s", field, value, strings.Join(numbered[field], ", "))
		}
		return c.add("t."+field+" = ?", n+1)
	case "fibre", "material", "experiment":
		return c.add(hasTerm, field, folded)
	case "water": // by id or by name
		return c.add("("+hasTerm+` OR EXISTS (SELECT 1 FROM trial_terms x WHERE x.trial = t.seq AND x.field = ? AND x.value = (
  SELECT lower(substr(hex(w.id), 1, 8) || '-' || substr(hex(w.id), 9, 4) || '-' || substr(hex(w.id), 13, 4) || '-' ||
    substr(hex(w.id), 17, 4) || '-' || substr(hex(w.id), 21)) FROM water_sources w WHERE w.name_folded = ?)))`,
			field, folded, field, folded)
	}
	return searchFault("%q is not one of %s", field, strings.Join(store.TrialSearchFields, ", "))
}
