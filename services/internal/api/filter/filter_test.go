package filter_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/api/filter"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func is(field, value string) store.Predicate { return store.Predicate{Field: field, Value: value} }

func op(name string, parts ...store.Predicate) store.Predicate {
	return store.Predicate{Op: name, Parts: parts}
}

func TestParse(t *testing.T) {
	for text, want := range map[string]store.Predicate{
		`fibre = "wool"`:                        is("fibre", "wool"),
		`fibre="wool"`:                          is("fibre", "wool"),
		`fibre = wool`:                          is("fibre", "wool"),
		`title = "yellow over \"blue\""`:        is("title", `yellow over "blue"`),
		`fibre = "wool" AND owner = "ada"`:      op("and", is("fibre", "wool"), is("owner", "ada")),
		`fibre = a AND fibre = b AND fibre = c`: op("and", is("fibre", "a"), is("fibre", "b"), is("fibre", "c")),
		`fibre = a OR (fibre = b OR fibre = c)`: op("or", is("fibre", "a"), is("fibre", "b"), is("fibre", "c")),
		`fibre = "wool" OR fibre = "silk"`:      op("or", is("fibre", "wool"), is("fibre", "silk")),
		`NOT fibre = "wool"`:                    op("not", is("fibre", "wool")),
		`NOT (fibre = "a" OR fibre = "b")`:      op("not", op("or", is("fibre", "a"), is("fibre", "b"))),
		`title = "'; DROP TABLE trials; --"`:    is("title", `'; DROP TABLE trials; --`),
		// AIP-160: OR binds more tightly than AND, unlike in most languages.
		`fibre = "a" AND fibre = "b" OR fibre = "c"`: op("and", is("fibre", "a"), op("or", is("fibre", "b"), is("fibre", "c"))),
	} {
		got, err := filter.Parse(text, store.TrialSearchFields)
		require.NoError(t, err, text)
		assert.Equal(t, want, *got, text)
	}
	got, err := filter.Parse("  ", store.TrialSearchFields)
	require.NoError(t, err)
	assert.Nil(t, got)
}

func TestParseRefuses(t *testing.T) {
	for text, says := range map[string]string{
		`colour = "green"`:            `"colour"; allowed: owner`,
		`fibre.lot = "3"`:             `"fibre.lot"`,
		`fibre > "wool"`:              "allowed: =, AND, OR, NOT",
		`fibre != "wool"`:             "allowed: =, AND, OR, NOT",
		`fibre : "wool"`:              "allowed: =, AND, OR, NOT",
		`wool`:                        "compares nothing",
		`fibre = "wool" owner = "a"`:  "side by side",
		`fibre = 3`:                   "no word",
		`fibre = `:                    `ends too soon, after "fibre ="; allowed: for example owner = "..."`,
		`  fibre =`:                   `ends too soon, after "fibre ="`,
		`(fibre = "wool"`:             `ends too soon, after "(fibre = \"wool\""`,
		`fibre = "wool" AND`:          `ends too soon, after "AND"`,
		`fibre = "wool" OR `:          `ends too soon, after "OR"`,
		`NOT`:                         `ends too soon, after "NOT"`,
		`fibre = "wool`:               "has quotes at character 9 that nothing closes",
		`  title = "é" AND fibre="w`:  "has quotes at character 25 that nothing closes",
		`= wool`:                      `can't be read from character 1 on, "= wool"`,
		`fibre == wool`:               `can't be read from character 8 on, "= wool"`,
		`title = é AND (fibre = = x)`: `can't be read from character 24 on, "= x)"`,
		`fibre = wool)`:               `can't be read from character 13 on, ")"`,
		"fibre = \xff":                "can't be read from character 9 on",
		`f(fibre)`:                    "allowed: =, AND, OR, NOT",
		strings.Repeat("x", 2001):     "2001 characters; allowed: at most 2000",
		strings.Repeat("(", 17) + "x": "17 deep; allowed: at most 16",
		strings.Repeat("NOT (", 16) + "fibre = a" + strings.Repeat(")", 16): "nested too deeply",
		strings.TrimSuffix(strings.Repeat(`fibre = "a" AND `, 51), " AND "): "more than 50 comparisons",
	} {
		_, err := filter.Parse(text, store.TrialSearchFields)
		require.ErrorIs(t, err, trial.ErrInvalid, text)
		assert.ErrorContains(t, err, says, text)
		assert.ErrorContains(t, err, "filter: ", text)
	}
}

// FuzzParse: whatever is sent, there is an answer or a fault of the field, the answer has known
// fields and operators only, and it isn't larger than the limits.
func FuzzParse(f *testing.F) {
	for _, seed := range []string{
		`fibre = "wool" AND material = "weld"`, `NOT (owner = ada OR state = "begun")`, `-fibre = "x"`, `a.b.c:d`, `f(x, y) = "z"`,
		strings.Repeat("(", 16) + `fibre = "x"` + strings.Repeat(")", 16), `fibre = "\x00"`, `"fibre" = "wool"`, `NOT NOT NOT fibre = a`,
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		predicate, err := filter.Parse(text, store.TrialSearchFields)
		if err != nil {
			require.ErrorIs(t, err, trial.ErrInvalid)
			return
		}
		if predicate == nil {
			require.Empty(t, strings.TrimSpace(text))
			return
		}
		comparisons := 0
		var walk func(p store.Predicate)
		walk = func(p store.Predicate) {
			switch p.Op {
			case "":
				comparisons++
				require.Contains(t, store.TrialSearchFields, p.Field)
			case "not":
				require.Len(t, p.Parts, 1)
			default:
				require.Contains(t, []string{"and", "or"}, p.Op)
				require.NotEmpty(t, p.Parts)
			}
			for _, part := range p.Parts {
				walk(part)
			}
		}
		walk(*predicate)
		require.LessOrEqual(t, comparisons, filter.MaxComparisons)
	})
}
