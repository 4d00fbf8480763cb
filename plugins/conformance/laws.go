package conformance

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	"google.golang.org/protobuf/encoding/protojson"
)

// defaultTolerance holds where a promise gives none.
const defaultTolerance = 1e-9

// maxTolerance is the widest that a promise may ask for.
const maxTolerance = 0.01

// lawTrial makes one trial of a law; size rises from 1 over the trials, so that what fails first is short.
type lawTrial func(r *rand.Rand, m *module, size int) trial

// trial is two questions and what the law says of their answers. Second is nil where one question is enough; its answer is then nil
// as well. Where it hangs on the answer to the first, then makes it of that.
type trial struct {
	first, second question
	then          func(first reply) question
	compare       func(first, second reply) []comparison
}

// comparison is one figure of the second answer and what it should be by the first. Nil stands for "no value".
type comparison struct {
	item, at  string
	want, got *float64
	atLeast   bool // got may be above want
}

// holds within the tolerance, as a part of the larger of the two, but of no less than 1.
func (c comparison) holds(tolerance float64) bool {
	switch {
	case c.want == nil:
		return c.atLeast || c.got == nil
	case c.got == nil:
		return false
	}
	w, g := *c.want, *c.got
	room := tolerance * max(1, math.Abs(w), math.Abs(g))
	if c.atLeast {
		return g >= w-room
	}
	return math.Abs(g-w) <= room
}

// lawBroken is the error of a law that was promised and isn't kept.
type lawBroken struct{ example *Counterexample }

func (e *lawBroken) Error() string {
	return fmt.Sprintf("%s: want %s, got %s", e.example.Of, e.example.Want, e.example.Got)
}

// lawName is "symmetry" of LAW_SYMMETRY.
func lawName(l describev1.Law) string {
	name, ok := describev1.Law_name[int32(l)]
	if !ok {
		return fmt.Sprint(int32(l))
	}
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(name, "LAW_")), "_", " ")
}

// lawSays says each law in a sentence, for whoever reads the report.
var lawSays = map[describev1.Law]string{
	describev1.Law_LAW_IDENTITY:             "a colour held against itself differs by 0",
	describev1.Law_LAW_SYMMETRY:             "the difference, or the verdict, is the same both ways",
	describev1.Law_LAW_MONOTONE:             "one more cell in a group makes no figure smaller",
	describev1.Law_LAW_SHIFT_INVARIANT:      "all colours moved alike in L*, a*, b* change no figure",
	describev1.Law_LAW_LINEAR:               "colours, or masses, times a factor give figures times that factor",
	describev1.Law_LAW_UNKNOWN_NEVER_CLEARS: "a fact that isn't told takes no finding away and makes none milder",
	describev1.Law_LAW_ORDER_FREE:           "the order in which things are listed changes nothing",
	describev1.Law_LAW_REPLICATION_FREE:     "every row twice changes nothing",
	describev1.Law_LAW_REFUSED_NEVER_CHOSEN: "what is refused is in nothing that is chosen",
	describev1.Law_LAW_UNKNOWN_IS_ASKED:     "what isn't known is asked for, and nothing is chosen before it is told",
}

// checkDeclared reports every fault in the laws that a description promises and excepts. A law that is expected has to be promised or
// excepted for each item of each contract that this suite knows.
func checkDeclared(d *describev1.DescribeResponse) error {
	var faults []error
	known := map[string]bool{}
	var served []*contract
	for _, c := range suites(d.GetKind()) {
		if slices.Contains(d.GetContracts(), c.name) {
			served = append(served, c)
			for _, item := range c.items(d) {
				known[item] = true
			}
		}
	}
	if len(served) == 0 {
		return nil // told by the step "contracts"
	}
	check := func(where string, law describev1.Law, of []string) {
		if _, ok := describev1.Law_name[int32(law)]; !ok || law == describev1.Law_LAW_UNSPECIFIED {
			faults = append(faults, fmt.Errorf("%s.law is %v, want one of the laws of describe.proto", where, law))
		}
		for i, item := range of {
			if !known[item] {
				names := slices.Sorted(maps.Keys(known))
				faults = append(faults, fmt.Errorf("%s.of[%d] is %q, want one of %q", where, i, short(item, 60), names))
			}
		}
	}
	for i, p := range d.GetLaws() {
		where := fmt.Sprintf("laws[%d]", i)
		check(where, p.GetLaw(), p.GetOf())
		if t := p.GetRelativeTolerance(); !(t >= 0 && t <= maxTolerance) {
			faults = append(faults, fmt.Errorf("%s.relative_tolerance is %v, want 0 to %v", where, t, maxTolerance))
		}
	}
	for i, e := range d.GetLawExceptions() {
		where := fmt.Sprintf("law_exceptions[%d]", i)
		check(where, e.GetLaw(), e.GetOf())
		if strings.TrimSpace(e.GetReason()) == "" {
			faults = append(faults, fmt.Errorf("%s.reason is empty, want a sentence", where))
		}
	}
	for _, c := range served {
		for _, n := range slices.Sorted(maps.Keys(describev1.Law_name)) {
			faults = append(faults, checkLaw(c, d, describev1.Law(n))...)
		}
	}
	return errors.Join(faults...)
}

func checkLaw(c *contract, d *describev1.DescribeResponse, law describev1.Law) (faults []error) {
	promised, excepted := declared(c, d, law)
	var both, neither []string
	items := c.items(d)
	for _, item := range items {
		_, is := promised[item]
		_, isNot := excepted[item]
		if is && isNot {
			both = append(both, item)
		}
		if !is && !isNot && slices.Contains(c.expected, law) {
			neither = append(neither, item)
		}
	}
	of := func(list []string) string {
		if len(list) == len(items) {
			return ""
		}
		return " of " + strings.Join(list, ", ")
	}
	if len(both) > 0 {
		faults = append(faults, fmt.Errorf("law %s%s is promised and excepted", lawName(law), of(both)))
	}
	if len(neither) > 0 {
		faults = append(faults, fmt.Errorf("law %s%s is expected of %s: want it in laws, or in law_exceptions with a reason", lawName(law), of(neither), c.name))
	}
	return faults
}

// declared gives the tolerance of each promised item and the reason of each excepted one.
func declared(c *contract, d *describev1.DescribeResponse, law describev1.Law) (promised map[string]float64, excepted map[string]string) {
	promised, excepted = map[string]float64{}, map[string]string{}
	items := c.items(d)
	each := func(of []string, f func(item string)) {
		for _, item := range items {
			if len(of) == 0 || slices.Contains(of, item) {
				f(item)
			}
		}
	}
	for _, p := range d.GetLaws() {
		if p.GetLaw() == law {
			tolerance := p.GetRelativeTolerance()
			if !(tolerance > 0 && tolerance <= maxTolerance) {
				tolerance = defaultTolerance
			}
			each(p.GetOf(), func(item string) { promised[item] = tolerance })
		}
	}
	for _, e := range d.GetLawExceptions() {
		if e.GetLaw() == law {
			each(e.GetOf(), func(item string) { excepted[item] = e.GetReason() })
		}
	}
	return promised, excepted
}

// laws tries every law that the module declares for this contract, in the order of their numbers.
func (r *run) laws(ctx context.Context, m *module, same bool) {
	numbers := slices.Sorted(maps.Keys(describev1.Law_name))
	for _, n := range numbers {
		law := describev1.Law(n)
		promised, excepted := declared(m.c, m.d, law)
		if len(promised)+len(excepted) == 0 {
			continue
		}
		name, asked := "law "+lawName(law), fmt.Sprintf("%s; tried on %d pairs of generated questions", lawSays[law], r.options.Trials)
		try := m.c.laws[law]
		switch {
		case len(promised) == 0:
			r.step(name, m.c.name, asked, func() error { return &outcomeError{Excepted, reasons(excepted)} })
		case try == nil:
			r.skip(name, m.c.name, asked, "this suite has no trial of the law for this contract")
		case !same:
			r.skip(name, m.c.name, asked, "answers to one question differ, so that nothing can be said of two")
		default:
			r.step(name, m.c.name, asked, func() error {
				if err := r.keeps(ctx, m, law, try, promised); err != nil {
					return err
				}
				if len(excepted) > 0 {
					return &outcomeError{Passed, "but for " + reasons(excepted)}
				}
				return nil
			})
		}
	}
}

func reasons(excepted map[string]string) string {
	var by []string
	for _, item := range slices.Sorted(maps.Keys(excepted)) {
		text := excepted[item]
		if item != "" {
			text = item + ": " + text
		}
		by = append(by, text)
	}
	return short(strings.Join(by, "; "), 1000)
}

func (r *run) keeps(ctx context.Context, m *module, law describev1.Law, try lawTrial, promised map[string]float64) error {
	source := m.random("law " + lawName(law))
	seen := map[string]bool{}
	for n := range r.options.Trials {
		t := try(source, m, n+1)
		first, err := m.ask(ctx, t.first)
		if err != nil {
			return fmt.Errorf("trial %d: %w", n+1, err)
		}
		if err := m.checked(t.first, first); err != nil {
			return fmt.Errorf("trial %d: %w", n+1, err)
		}
		if t.then != nil {
			t.second = t.then(first)
		}
		var second reply
		if t.second != nil {
			if second, err = m.ask(ctx, t.second); err != nil {
				return fmt.Errorf("trial %d: %w", n+1, err)
			}
			if err := m.checked(t.second, second); err != nil {
				return fmt.Errorf("trial %d: %w", n+1, err)
			}
		}
		for _, c := range t.compare(first, second) {
			tolerance, ok := promised[c.item]
			if !ok {
				continue
			}
			seen[c.item] = seen[c.item] || c.want != nil
			if !c.holds(tolerance) {
				return &lawBroken{&Counterexample{
					Of: strings.TrimSpace(c.item + " " + c.at), First: printed(t.first), Second: printed(t.second),
					Want: figure(c.want, c.atLeast), Got: figure(c.got, false),
				}}
			}
		}
	}
	for item := range promised {
		if !seen[item] {
			return fmt.Errorf("%s has no value in any of %d answers, so that the promise could not be tried", item, r.options.Trials)
		}
	}
	return nil
}

func figure(x *float64, atLeast bool) string {
	switch {
	case x == nil:
		return "no value"
	case atLeast:
		return fmt.Sprintf("%v or more", *x)
	}
	return fmt.Sprint(*x)
}

// maxPrinted bounds a message of a counterexample in a report.
const maxPrinted = 16 << 10

func printed(q question) []json.RawMessage {
	var out []json.RawMessage
	for _, m := range q {
		b, err := protojson.MarshalOptions{UseProtoNames: true}.Marshal(m)
		if err != nil || len(b) > maxPrinted {
			b, _ = json.Marshal(fmt.Sprintf("a %s of %d bytes, which the seed gives again", m.ProtoReflect().Descriptor().Name(), len(b)))
		}
		// protojson spaces its output at random, so that nobody relies on its bytes.
		var tight bytes.Buffer
		if json.Compact(&tight, b) == nil {
			b = tight.Bytes()
		}
		out = append(out, b)
	}
	return out
}

func value(x float64) *float64 { return &x }

// pairUp compares the figures of two answers that bear the same item and place. What the second lacks is compared with no value.
func pairUp(first, second []comparison, atLeast bool) []comparison {
	type key struct{ item, at string }
	other := map[key]*float64{}
	for _, f := range second {
		other[key{f.item, f.at}] = f.want
	}
	out := make([]comparison, len(first))
	for i, f := range first {
		out[i] = comparison{item: f.item, at: f.at, want: f.want, got: other[key{f.item, f.at}], atLeast: atLeast}
	}
	return out
}

// scaled multiplies every figure.
func scaled(figures []comparison, by float64) []comparison {
	out := slices.Clone(figures)
	for i, f := range out {
		if f.want != nil {
			out[i].want = value(*f.want * by)
		}
	}
	return out
}
