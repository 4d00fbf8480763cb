// Package filter reads search filters in the language of AIP-160 into the store's predicates.
//
// Of the language there are =, AND, OR, NOT and parentheses, over the fields that a list declares. Everything
// else is refused with what could be written instead. Values never become part of a query's text.
package filter

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"go.einride.tech/aip/filtering"
	expr "google.golang.org/genproto/googleapis/api/expr/v1alpha1"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// The limits of a filter.
const (
	MaxLength      = 2000                          // characters
	MaxDepth       = store.MaxPredicateDepth       // nested parentheses, or operators
	MaxComparisons = (store.MaxPredicateNodes) / 2 // so that the operators between them fit too
)

// Parse reads a filter over fields; an empty one gives nil. Error: trial.FieldFault of field "filter".
func Parse(text string, fields []string) (*store.Predicate, error) {
	if strings.TrimSpace(text) == "" {
		return nil, nil
	}
	if length := len([]rune(text)); length > MaxLength {
		return nil, fault("has %d characters; allowed: at most %d", length, MaxLength)
	}
	// Before the parser sees it, since it goes down by recursion.
	if depth := nesting(text); depth > MaxDepth {
		return nil, fault("has parentheses %d deep; allowed: at most %d", depth, MaxDepth)
	}
	var parser filtering.Parser
	parser.Init(text)
	parsed, err := parser.Parse()
	if err != nil {
		return nil, fault("%s; allowed: for example %s = \"...\" AND NOT %s = \"...\"", unreadable(text, err), fields[0], fields[len(fields)-1])
	}
	r := reader{fields: fields}
	predicate, err := r.node(parsed.GetExpr(), 0)
	if err != nil {
		return nil, err
	}
	return &predicate, nil
}

func fault(format string, args ...any) error {
	return &trial.FieldFault{Field: "filter", Text: fmt.Sprintf(format, args...)}
}

// stop is what the parser's errors tell: where it stopped, counted from the first character that is no white space, and why.
type stop interface {
	Position() filtering.Position
	Message() string
}

// unreadable says in words where and why a text can't be read; characters are counted from 1.
func unreadable(text string, err error) string {
	var last stop
	for at := err; at != nil; at = errors.Unwrap(at) {
		if s, ok := at.(stop); ok {
			last = s
		}
	}
	if last == nil {
		return "can't be read"
	}
	offset := len(text) - len(strings.TrimLeftFunc(text, unicode.IsSpace)) + int(last.Position().Offset)
	offset = min(max(offset, 0), len(text))
	rest := strings.TrimLeftFunc(text[offset:], unicode.IsSpace)
	character := utf8.RuneCountInString(text[:len(text)-len(rest)]) + 1
	switch tail := strings.TrimSpace(rest); {
	case last.Message() == "unterminated string":
		return fmt.Sprintf("has quotes at character %d that nothing closes", character)
	case tail == "":
		return fmt.Sprintf("ends too soon, after %.40q", lastOf(text))
	case slices.Contains([]string{"AND", "OR", "NOT"}, tail):
		return fmt.Sprintf("ends too soon, after %.40q", tail)
	}
	return fmt.Sprintf("can't be read from character %d on, %.20q", character, rest)
}

// lastOf is the end of a text, as much as a person needs to find it.
func lastOf(text string) string {
	runes := []rune(strings.TrimSpace(text))
	return string(runes[max(0, len(runes)-20):])
}

// nesting counts how deep the parentheses go, those inside quotes aside.
func nesting(text string) int {
	depth, deepest := 0, 0
	var quote rune
	escaped := false
	for _, r := range text {
		switch {
		case escaped:
			escaped = false
		case quote != 0 && r == '\\':
			escaped = true
		case quote != 0:
			if r == quote {
				quote = 0
			}
		case r == '"' || r == '\'':
			quote = r
		case r == '(':
			depth++
			deepest = max(deepest, depth)
		case r == ')':
			depth--
		}
	}
	return deepest
}

type reader struct {
	fields      []string
	comparisons int
	nodes       int
}

func (r *reader) node(e *expr.Expr, depth int) (store.Predicate, error) {
	call := e.GetCallExpr()
	if call == nil {
		return store.Predicate{}, fault("has a part that compares nothing; allowed: field = \"value\", joined with AND, OR, NOT")
	}
	// The store counts the root as 1.
	if depth+1 > store.MaxPredicateDepth {
		return store.Predicate{}, fault("is nested too deeply; allowed: at most %d", MaxDepth)
	}
	if r.nodes++; r.nodes > store.MaxPredicateNodes {
		return store.Predicate{}, fault("has too many parts; allowed: at most %d", store.MaxPredicateNodes)
	}
	switch call.GetFunction() {
	case filtering.FunctionAnd:
		return r.combination("and", call.GetArgs(), depth)
	case filtering.FunctionOr:
		return r.combination("or", call.GetArgs(), depth)
	case filtering.FunctionNot:
		return r.combination("not", call.GetArgs(), depth)
	case filtering.FunctionEquals:
		return r.comparison(call.GetArgs())
	case filtering.FunctionFuzzyAnd:
		return store.Predicate{}, fault("has parts side by side; allowed: AND or OR between them, and quotes round a value of several words")
	default:
		return store.Predicate{}, fault("uses %.20q; allowed: =, AND, OR, NOT", call.GetFunction())
	}
}

func (r *reader) combination(op string, args []*expr.Expr, depth int) (store.Predicate, error) {
	if len(args) == 0 || op == "not" && len(args) != 1 {
		return store.Predicate{}, fault("has %s of nothing", strings.ToUpper(op))
	}
	parts := make([]store.Predicate, 0, len(args))
	for _, arg := range flat(args, op) {
		part, err := r.node(arg, depth+1)
		if err != nil {
			return store.Predicate{}, err
		}
		parts = append(parts, part)
	}
	return store.Predicate{Op: op, Parts: parts}, nil
}

// flat takes a chain apart: the parser gives "a AND b AND c" as pairs of pairs, as deep as the chain is long.
func flat(args []*expr.Expr, op string) []*expr.Expr {
	function := map[string]string{"and": filtering.FunctionAnd, "or": filtering.FunctionOr}[op]
	if function == "" {
		return args
	}
	var all []*expr.Expr
	for _, arg := range args {
		if call := arg.GetCallExpr(); call.GetFunction() == function {
			all = append(all, flat(call.GetArgs(), op)...)
		} else {
			all = append(all, arg)
		}
	}
	return all
}

func (r *reader) comparison(args []*expr.Expr) (store.Predicate, error) {
	if r.comparisons++; r.comparisons > MaxComparisons {
		return store.Predicate{}, fault("has more than %d comparisons", MaxComparisons)
	}
	if len(args) != 2 {
		return store.Predicate{}, fault("compares %d things; allowed: field = \"value\"", len(args))
	}
	field := args[0].GetIdentExpr().GetName()
	if !slices.Contains(r.fields, field) {
		return store.Predicate{}, fault("searches by %.40q; allowed: %s", written(args[0]), strings.Join(r.fields, ", "))
	}
	value, ok := valueOf(args[1])
	if !ok {
		return store.Predicate{}, fault("compares %s with something that is no word; allowed: a word, or text in quotes", field)
	}
	return store.Predicate{Field: field, Value: value}, nil
}

// valueOf takes text in quotes, or one bare word, which the grammar gives as a name.
func valueOf(e *expr.Expr) (string, bool) {
	switch kind := e.GetExprKind().(type) {
	case *expr.Expr_ConstExpr:
		value, ok := kind.ConstExpr.GetConstantKind().(*expr.Constant_StringValue)
		if !ok {
			return "", false
		}
		return value.StringValue, true
	case *expr.Expr_IdentExpr:
		return kind.IdentExpr.GetName(), true
	default:
		return "", false
	}
}

// written is a left side as the person wrote it, as far as it can be told.
func written(e *expr.Expr) string {
	switch kind := e.GetExprKind().(type) {
	case *expr.Expr_IdentExpr:
		return kind.IdentExpr.GetName()
	case *expr.Expr_ConstExpr:
		return kind.ConstExpr.GetStringValue()
	case *expr.Expr_SelectExpr:
		return written(kind.SelectExpr.GetOperand()) + "." + kind.SelectExpr.GetField()
	default:
		return ""
	}
}
