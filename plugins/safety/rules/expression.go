package rules

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/ast"
	"cel.dev/cel-go/common/cost"
	"cel.dev/cel-go/common/operators"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"
	"cel.dev/cel-go/common/types/traits"
)

// expression is a compiled condition with the fields that it asks.
type expression struct {
	program cel.Program
	// asks are the fields, sorted.
	asks []string
	// limits are the figures that each field of a figure is held against, ascending: between them the answer doesn't change.
	limits map[string][]float64
}

// environment declares the fields and two functions: any_of(set, list) and all_of(set, list).
var environment = sync.OnceValues(func() (*cel.Env, error) {
	options := []cel.EnvOption{cel.ClearMacros()}
	for name, f := range fields {
		var t *cel.Type
		switch f.Kind {
		case Truth:
			t = cel.BoolType
		case Word, Text:
			t = cel.StringType
		case Words, Texts:
			t = cel.ListType(cel.StringType)
		case Number:
			t = cel.DoubleType
		default:
			return nil, fmt.Errorf("field %s is of kind %q", name, f.Kind)
		}
		options = append(options, cel.Variable(name, t))
	}
	list := cel.ListType(cel.StringType)
	for name, all := range map[string]bool{"any_of": false, "all_of": true} {
		options = append(options, cel.Function(name, cel.Overload(name+"_list_list", []*cel.Type{list, list}, cel.BoolType, cel.BinaryBinding(contains(all)))))
	}
	env, err := cel.NewCustomEnv(append([]cel.EnvOption{cel.StdLib()}, options...)...)
	if err != nil {
		return nil, fmt.Errorf("fields of safety rules: %w", err)
	}
	return env, nil
})

// contains tells whether all, or any, of a list are in a set.
func contains(all bool) func(set, of ref.Val) ref.Val {
	return func(set, of ref.Val) ref.Val {
		have, ok := set.(traits.Lister)
		want, ok2 := of.(traits.Lister)
		if !ok || !ok2 {
			return types.MaybeNoSuchOverloadErr(set)
		}
		for it := want.Iterator(); it.HasNext() == types.True; {
			in := have.Contains(it.Next()) == types.True
			if in != all {
				return types.Bool(in)
			}
		}
		return types.Bool(all)
	}
}

// sizes tells CEL's cost model how large lists and texts may be.
type sizes struct{}

const (
	mostEntries = 64
	mostBytes   = 256
	// maxPlaces bounds how often an expression is asked about one step, when all its figures are wide.
	maxPlaces = 1000
)

func (sizes) EstimateSize(node cost.AstNode) *cost.SizeEstimate {
	most := uint64(mostEntries)
	if node.Type() != nil && node.Type().Kind() == types.StringKind {
		most = mostBytes
	}
	return &cost.SizeEstimate{Min: 0, Max: most}
}

func (sizes) EstimateCallCost(function, _ string, _ *cost.AstNode, _ []cost.AstNode) *cost.CallEstimate {
	if function == "any_of" || function == "all_of" {
		return &cost.CallEstimate{CostEstimate: cost.Estimate{Min: 1, Max: mostEntries * mostEntries}}
	}
	return nil
}

// compile checks and compiles a condition.
func compile(env *cel.Env, text string) (*expression, error) {
	checked, issues := env.Compile(text)
	if err := issues.Err(); err != nil {
		return nil, errors.New(strings.TrimPrefix(firstLine(err), "ERROR: <input>:")) // line and column of the expression stay
	}
	if checked.OutputType() != cel.BoolType {
		return nil, fmt.Errorf("gives %s, want yes or no", checked.OutputType())
	}
	estimate, err := env.EstimateCost(checked, sizes{})
	if err != nil {
		return nil, err
	}
	if estimate.Max > maxCost {
		return nil, fmt.Errorf("costs up to %d, want at most %d", estimate.Max, maxCost)
	}
	program, err := env.Program(checked, cel.EvalOptions(cel.OptPartialEval), cel.CostLimit(maxCost))
	if err != nil {
		return nil, err
	}
	e := &expression{program: program, limits: map[string][]float64{}}
	var faults []string
	compared := map[string]int{} // how often each figure is held against a literal, and so stands where it may
	stands := map[string]int{}
	ast.PreOrderVisit(checked.NativeRep().Expr(), ast.NewExprVisitor(func(node ast.Expr) {
		if node.Kind() == ast.IdentKind || node.Kind() == ast.SelectKind {
			if name := fieldOf(node); name != "" {
				e.asks = append(e.asks, name)
				stands[name]++
			}
		}
		if node.Kind() == ast.CallKind {
			faults = append(faults, wrongWords(node.AsCall())...)
			if name, limit, ok := limitOf(node.AsCall()); ok {
				e.limits[name] = append(e.limits[name], limit)
				compared[name]++
			}
		}
	}))
	// The checker resolves a dotted name into one variable and leaves the tree as it was written: the reference map knows which.
	for _, reference := range checked.NativeRep().ReferenceMap() {
		if _, ok := fields[reference.Name]; ok {
			e.asks = append(e.asks, reference.Name)
		}
	}
	slices.Sort(e.asks)
	e.asks = slices.Compact(e.asks)
	numbers, places := 0, 1
	for _, name := range e.asks {
		if fields[name].Kind != Number {
			continue
		}
		numbers++
		if stands[name] != compared[name] {
			faults = append(faults, fmt.Sprintf("%s has to be held against a figure each time, by <, <=, >, >=, == or !=", name))
		}
		slices.Sort(e.limits[name])
		e.limits[name] = slices.Compact(e.limits[name])
		places *= 2*len(e.limits[name]) + 3
	}
	if numbers > 4 {
		faults = append(faults, fmt.Sprintf("asks %d figures, want at most 4", numbers))
	}
	if places > maxPlaces {
		faults = append(faults, fmt.Sprintf("its figures have up to %d places between their limits, want at most %d", places, maxPlaces))
	}
	if len(faults) > 0 {
		slices.Sort(faults)
		return nil, errors.New(strings.Join(slices.Compact(faults), ", "))
	}
	return e, nil
}

// fieldOf is the field that an identifier or a chain of selections names, or nothing.
func fieldOf(node ast.Expr) string {
	switch node.Kind() {
	case ast.IdentKind:
		if _, ok := fields[node.AsIdent()]; ok {
			return node.AsIdent()
		}
	case ast.SelectKind:
		s := node.AsSelect()
		if name := dotted(s.Operand()); name != "" {
			if _, ok := fields[name+"."+s.FieldName()]; ok {
				return name + "." + s.FieldName()
			}
		}
	}
	return ""
}

func dotted(node ast.Expr) string {
	switch node.Kind() {
	case ast.IdentKind:
		return node.AsIdent()
	case ast.SelectKind:
		if name := dotted(node.AsSelect().Operand()); name != "" {
			return name + "." + node.AsSelect().FieldName()
		}
	}
	return ""
}

// limitOf is the field and the figure of a comparison of both, either way round.
func limitOf(call ast.CallExpr) (field string, limit float64, ok bool) {
	switch call.FunctionName() {
	case operators.Less, operators.LessEquals, operators.Greater, operators.GreaterEquals, operators.Equals, operators.NotEquals:
	default:
		return "", 0, false
	}
	args := call.Args()
	for i, arg := range args {
		name := fieldOf(arg)
		if fields[name].Kind != Number || args[1-i].Kind() != ast.LiteralKind {
			continue
		}
		switch v := args[1-i].AsLiteral().(type) {
		case types.Double:
			return name, float64(v), true
		case types.Int:
			return name, float64(v), true
		}
	}
	return "", 0, false
}

// wrongWords are texts that are held against a field which never has them.
func wrongWords(call ast.CallExpr) (faults []string) {
	switch call.FunctionName() {
	case operators.Equals, operators.NotEquals, operators.In, "any_of", "all_of":
	default:
		return nil
	}
	args := call.Args()
	for i, arg := range args {
		f, ok := fields[fieldOf(arg)]
		if !ok || f.Allowed == nil {
			continue
		}
		for _, word := range texts(args[1-i]) {
			if !slices.Contains(f.Allowed, word) {
				faults = append(faults, fmt.Sprintf("%s is never %q", f.Name, word))
			}
		}
	}
	return faults
}

// texts are the literal texts of a node: one, or those of a list.
func texts(node ast.Expr) (out []string) {
	switch node.Kind() {
	case ast.LiteralKind:
		if s, ok := node.AsLiteral().(types.String); ok {
			out = append(out, string(s))
		}
	case ast.ListKind:
		for _, e := range node.AsList().Elements() {
			out = append(out, texts(e)...)
		}
	}
	return out
}
