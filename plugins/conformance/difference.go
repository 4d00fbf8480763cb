package conformance

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/plugins/sdk"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
)

const maxPairs = 10_000 // difference.proto

func differenceV1() *contract {
	return &contract{
		name: "commonvat.module.difference.v1", kind: sdk.KindDifference,
		method:   differencev1.DifferenceService_ComputeDifferences_FullMethodName,
		newReply: func() proto.Message { return &differencev1.ComputeDifferencesResponse{} },
		prepare:  findFormulas,
		plain: func(r *rand.Rand, m *module) []question {
			var out []question
			for _, f := range m.formulas {
				for _, n := range []int{1, 3, 40} {
					out = append(out, pairs(f, n, r))
				}
			}
			return out
		},
		largest: func(m *module) question { return pairs(m.formulas[0], maxPairs, m.random("largest")) },
		tooBig: func(m *module) question {
			q := pairs(m.formulas[0], 1, m.random("too big"))
			q[0].(*differencev1.ComputeDifferencesRequest).Formula = strings.Repeat("x", sdk.MaxMessageBytes+1)
			return q
		},
		beyond: func(m *module) []refusal {
			return []refusal{{"pairs has 10,001 pairs", pairs(m.formulas[0], maxPairs+1, m.random("beyond")), []string{"pairs"}}}
		},
		empty: func(m *module) []refusal {
			return []refusal{
				{"the request is empty", question{&differencev1.ComputeDifferencesRequest{}}, []string{"condition", "formula", "pairs"}},
				{"pairs is empty", pairs(m.formulas[0], 0, nil), []string{"pairs"}},
			}
		},
		invalid: invalidPairs,
		sound:   soundDifferences,
		items:   func(d *describev1.DescribeResponse) []string { return formulas(d) },
		laws: map[describev1.Law]lawTrial{
			describev1.Law_LAW_IDENTITY:        differenceIdentity,
			describev1.Law_LAW_SYMMETRY:        differenceSymmetry,
			describev1.Law_LAW_SHIFT_INVARIANT: differenceShift,
			describev1.Law_LAW_LINEAR:          differenceLinear,
			describev1.Law_LAW_ORDER_FREE:      differenceOrder,
		},
		expected: []describev1.Law{describev1.Law_LAW_IDENTITY, describev1.Law_LAW_SYMMETRY, describev1.Law_LAW_ORDER_FREE},
	}
}

// formulas are those that the module describes as the choices of a parameter "formula", or the two words of difference.proto.
func formulas(d *describev1.DescribeResponse) []string {
	for _, p := range d.GetParameters() {
		if p.GetName() == "formula" && len(p.GetChoice().GetChoices()) > 0 {
			return p.GetChoice().GetChoices()
		}
	}
	return []string{"ciede2000", "cie76"}
}

// findFormulas asks which of the formulas are served: those not refused by name. Formulas that are described must all be.
func findFormulas(ctx context.Context, m *module) error {
	m.formulas = nil
	described := formulas(m.d)
	for _, f := range described {
		_, err := m.ask(ctx, pairs(f, 1, m.random("formula")))
		switch {
		case err == nil:
			m.formulas = append(m.formulas, f)
		case status.Code(err) != codes.InvalidArgument || !named(err, []string{"formula"}):
			return fmt.Errorf("formula %q: %w", f, err)
		}
	}
	if len(m.formulas) == 0 {
		return fmt.Errorf("it serves none of the formulas %q", described)
	}
	return nil
}

func pairs(formula string, n int, r *rand.Rand) question {
	req := &differencev1.ComputeDifferencesRequest{Condition: daylight(), Formula: formula}
	for range n {
		req.Pairs = append(req.Pairs, &differencev1.ColourPair{Reference: colour(r), Sample: colour(r)})
	}
	return question{req}
}

func invalidPairs(m *module) []refusal {
	formula := m.formulas[0]
	fresh := func() *differencev1.ComputeDifferencesRequest {
		return pairs(formula, 3, m.random("invalid"))[0].(*differencev1.ComputeDifferencesRequest)
	}
	out := badConditions(func(c *typesv1.ColourCondition) question {
		q := fresh()
		q.Condition = c
		return question{q}
	})
	bad := func(what string, spoil func(*differencev1.ComputeDifferencesRequest), names ...string) {
		q := fresh()
		spoil(q)
		out = append(out, refusal{what, question{q}, names})
	}
	bad("formula is empty", func(q *differencev1.ComputeDifferencesRequest) { q.Formula = "" }, "formula")
	bad("formula is unknown", func(q *differencev1.ComputeDifferencesRequest) { q.Formula = "no such formula" }, "formula")
	bad("pairs[1].reference is missing", func(q *differencev1.ComputeDifferencesRequest) { q.Pairs[1].Reference = nil }, "reference")
	bad("pairs[2].sample is missing", func(q *differencev1.ComputeDifferencesRequest) { q.Pairs[2].Sample = nil }, "sample")
	for _, c := range outsideLab() {
		bad("pairs[1].sample."+c.what, func(q *differencev1.ComputeDifferencesRequest) { c.spoil(q.Pairs[1].Sample) }, c.name)
	}
	for _, k := range []float64{-1, 0.05, 10.5} {
		bad(fmt.Sprintf("k_l is %v", k), func(q *differencev1.ComputeDifferencesRequest) { q.KL = k }, "k_l")
		bad(fmt.Sprintf("k_c is %v", k), func(q *differencev1.ComputeDifferencesRequest) { q.KC = k }, "k_c")
		bad(fmt.Sprintf("k_h is %v", k), func(q *differencev1.ComputeDifferencesRequest) { q.KH = k }, "k_h")
	}
	return out
}

type labFault struct {
	what, name string
	spoil      func(*typesv1.Lab)
}

// outsideLab are coordinates beyond the ranges of colour.proto.
func outsideLab() []labFault {
	return []labFault{
		{"l is -1", "l", func(x *typesv1.Lab) { x.L = -1 }},
		{"l is 151", "l", func(x *typesv1.Lab) { x.L = 151 }},
		{"a is 201", "a", func(x *typesv1.Lab) { x.A = 201 }},
		{"b is -201", "b", func(x *typesv1.Lab) { x.B = -201 }},
		{"b is 1e300", "b", func(x *typesv1.Lab) { x.B = 1e300 }},
	}
}

func soundDifferences(_ *module, q question, a reply) error {
	asked, got := q[0].(*differencev1.ComputeDifferencesRequest), a[0].(*differencev1.ComputeDifferencesResponse)
	if n, want := len(got.GetDifferences()), len(asked.GetPairs()); n != want {
		return fmt.Errorf("differences has %d figures for %d pairs", n, want)
	}
	for i, x := range got.GetDifferences() {
		if x < 0 {
			return fmt.Errorf("differences[%d] is %v, want 0 or above", i, x)
		}
	}
	if got.GetFormula() == "" {
		return errors.New("formula is empty, want the formula with its factors")
	}
	return nil
}

// differencesOf gives the figures of an answer, each placed by the name that at gives its pair.
func differencesOf(q question, a reply, at func(i int) string) []comparison {
	asked, got := q[0].(*differencev1.ComputeDifferencesRequest), a[0].(*differencev1.ComputeDifferencesResponse)
	out := make([]comparison, len(got.GetDifferences()))
	for i, x := range got.GetDifferences() {
		out[i] = comparison{item: asked.GetFormula(), at: at(i), want: value(x)}
	}
	return out
}

func pairAt(i int) string { return fmt.Sprintf("pair %d", i) }

// onePair is a pair of any two colours, of near ones, of opposite hues, or of greys, by turns.
func onePair(r *rand.Rand, m *module, size int) question {
	q := pairs(m.formulas[(size-1)%len(m.formulas)], 1, r)
	p := q[0].(*differencev1.ComputeDifferencesRequest).Pairs[0]
	switch size / len(m.formulas) % 4 {
	case 1:
		p.Sample = &typesv1.Lab{L: p.Reference.L + r.Float64(), A: p.Reference.A + r.Float64(), B: p.Reference.B - r.Float64()}
	case 2:
		p.Sample.A, p.Sample.B = -p.Reference.A, -p.Reference.B
	case 3:
		p.Reference.A, p.Reference.B = 0, 0
	}
	return q
}

// changed is a copy of a question with something done to each pair.
func changed(q question, f func(*differencev1.ColourPair)) question {
	out := q.clone()
	for _, p := range out[0].(*differencev1.ComputeDifferencesRequest).Pairs {
		f(p)
	}
	return out
}

func differenceIdentity(r *rand.Rand, m *module, size int) trial {
	q := changed(onePair(r, m, size), func(p *differencev1.ColourPair) { p.Sample = proto.CloneOf(p.Reference) })
	return trial{first: q, compare: func(a, _ reply) []comparison {
		got := differencesOf(q, a, pairAt)
		for i := range got {
			got[i].want, got[i].got = value(0), got[i].want
		}
		return got
	}}
}

func alike(first, second question, factor float64) trial {
	return trial{first: first, second: second, compare: func(a, b reply) []comparison {
		return pairUp(scaled(differencesOf(first, a, pairAt), factor), differencesOf(second, b, pairAt), false)
	}}
}

func differenceSymmetry(r *rand.Rand, m *module, size int) trial {
	q := onePair(r, m, size)
	return alike(q, changed(q, func(p *differencev1.ColourPair) { p.Reference, p.Sample = p.Sample, p.Reference }), 1)
}

func differenceShift(r *rand.Rand, m *module, size int) trial {
	q := onePair(r, m, size)
	l, a, b := 40*r.Float64()-20, 40*r.Float64()-20, 40*r.Float64()-20
	return alike(q, changed(q, func(p *differencev1.ColourPair) {
		for _, x := range []*typesv1.Lab{p.Reference, p.Sample} {
			x.L, x.A, x.B = x.L+l, x.A+a, x.B+b
		}
	}), 1)
}

func differenceLinear(r *rand.Rand, m *module, size int) trial {
	q := onePair(r, m, size)
	by := 0.5 + r.Float64()
	return alike(q, changed(q, func(p *differencev1.ColourPair) {
		for _, x := range []*typesv1.Lab{p.Reference, p.Sample} {
			x.L, x.A, x.B = x.L*by, x.A*by, x.B*by
		}
	}), by)
}

func differenceOrder(r *rand.Rand, m *module, size int) trial {
	q := pairs(m.formulas[(size-1)%len(m.formulas)], 2+size%8, r)
	second := q.clone()
	p := second[0].(*differencev1.ComputeDifferencesRequest).Pairs
	order := r.Perm(len(p))
	for i, k := range order {
		p[i] = q[0].(*differencev1.ComputeDifferencesRequest).Pairs[k]
	}
	return trial{first: q, second: second, compare: func(a, b reply) []comparison {
		return pairUp(differencesOf(q, a, pairAt), differencesOf(second, b, func(i int) string { return pairAt(order[i]) }), false)
	}}
}

// suites are the contracts of a kind that this suite knows, in rising order of version.
func suites(kind string) []*contract {
	return slices.DeleteFunc([]*contract{readingV1(), differenceV1(), paletteV1(), paletteV2(), compareV1(), overdyeV1(), bathscaleV1(), mordantV1(), safetyV1()},
		func(c *contract) bool { return c.kind != kind })
}
