package rules

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"
)

// Answer is yes, no, or unknown.
type Answer int

// Answers.
const (
	No Answer = iota
	Yes
	Unknown
)

// Interval is a figure with the bounds between which it lies.
type Interval struct{ Low, Likely, High float64 }

// Exactly is a figure without bounds of its own.
func Exactly(v float64) *Interval { return &Interval{v, v, v} }

// Fact is what is known of a field. Exactly one of Truth, Texts and Number is set.
type Fact struct {
	Truth *bool
	// Texts of a word or text are one, of words and texts any number; an empty list says that there are none.
	Texts  []string
	Number *Interval
	// Doubtful is true of what somebody believes and nobody checked.
	Doubtful bool
}

// Facts by field; a field that isn't there is unknown.
type Facts map[string]Fact

// Check reports the first fact, by name, that is none.
func (f Facts) Check() error {
	names := make([]string, 0, len(f))
	for name := range f {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		if err := f[name].check(name); err != nil {
			return err
		}
	}
	return nil
}

func (f Fact) check(name string) error {
	field, ok := fields[name]
	if !ok {
		return fmt.Errorf("%.60q is no field", name)
	}
	wrong := func(what string) error { return fmt.Errorf("%s is %s, want %s", name, what, field.Kind) }
	switch field.Kind {
	case Truth:
		if f.Truth == nil || f.Texts != nil || f.Number != nil {
			return wrong("no yes or no")
		}
	case Number:
		n := f.Number
		if n == nil || f.Truth != nil || f.Texts != nil {
			return wrong("no figure")
		}
		if !(n.Low <= n.Likely && n.Likely <= n.High && n.Low >= field.Low && n.High <= field.High) || math.IsInf(n.Low, 0) || math.IsInf(n.High, 0) {
			return fmt.Errorf("%s is %g (%g to %g), want %g to %g in %s, low to high", name, n.Likely, n.Low, n.High, field.Low, field.High, field.Unit)
		}
	default:
		if f.Truth != nil || f.Number != nil || f.Texts == nil {
			return wrong("no text")
		}
		if (field.Kind == Word || field.Kind == Text) && len(f.Texts) != 1 {
			return fmt.Errorf("%s has %d texts, want 1", name, len(f.Texts))
		}
		if len(f.Texts) > mostEntries {
			return fmt.Errorf("%s has %d texts, want at most %d", name, len(f.Texts), mostEntries)
		}
		for _, text := range f.Texts {
			if field.Allowed != nil && !slices.Contains(field.Allowed, text) {
				return fmt.Errorf("%s is %.60q, want one of %s", name, text, strings.Join(field.Allowed, ", "))
			}
			if len(text) > mostBytes {
				return fmt.Errorf("%s has a text of %d bytes, want at most %d", name, len(text), mostBytes)
			}
		}
	}
	return nil
}

// Finding is a rule that fired, or that can't be judged before something is known.
type Finding struct {
	Rule *Rule
	// Answer is Yes or Unknown.
	Answer Answer
	// Missing are the fields to be answered, sorted; of Unknown findings.
	Missing []string
}

// Judge holds facts against every rule. Findings are sorted by severity, stops first, then by id, so that the order of a pack's rules doesn't matter.
func (p *Pack) Judge(facts Facts) ([]Finding, error) {
	var found []Finding
	sure := facts.sure()
	for i := range p.Rules {
		r := &p.Rules[i]
		answer, missing, err := r.judge(facts, sure)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", r.ID, err)
		}
		if answer != No {
			found = append(found, Finding{r, answer, missing})
		}
	}
	slices.SortFunc(found, func(a, b Finding) int { return gravestFirst(a.Rule, b.Rule) })
	return found, nil
}

func gravestFirst(a, b *Rule) int {
	return cmp.Or(cmp.Compare(slices.Index(severities, a.Severity), slices.Index(severities, b.Severity)), strings.Compare(a.ID, b.ID))
}

// sure are the facts without the doubtful ones; the facts themselves where none is.
func (f Facts) sure() Facts {
	doubtful := 0
	for _, fact := range f {
		if fact.Doubtful {
			doubtful++
		}
	}
	if doubtful == 0 {
		return f
	}
	sure := make(Facts, len(f)-doubtful)
	for name, fact := range f {
		if !fact.Doubtful {
			sure[name] = fact
		}
	}
	return sure
}

// judge asks a rule's subject, then its condition. Doubtful facts may make it fire; when they alone keep it silent, they count as unknown.
func (r *Rule) judge(facts, sure Facts) (Answer, []string, error) {
	answer, missing, err := r.at(facts)
	if err != nil || answer == Yes || len(sure) == len(facts) {
		return answer, missing, err
	}
	return r.at(sure)
}

func (r *Rule) at(facts Facts) (Answer, []string, error) {
	about, asked, err := r.about.ask(facts)
	if err != nil || about == No {
		return No, nil, err
	}
	answer, missing, err := r.when.ask(facts)
	if err != nil || answer == No {
		return No, nil, err
	}
	if about == Unknown { // what else it asks matters once it is about this: of a dyestuff that nobody knows, first of which kind it is
		return Unknown, asked, nil
	}
	return answer, missing, nil
}

// ask evaluates an expression at the ends of each figure's interval, at every limit within it, and between those: nowhere else can its answer differ. Yes when
// any of them is, else unknown when any is.
func (e *expression) ask(facts Facts) (Answer, []string, error) {
	vars := map[string]any{}
	var unknown []*cel.AttributePatternType
	var wide []string
	var places [][]float64
	all := 1
	for _, name := range e.asks {
		f, ok := facts[name]
		switch {
		case !ok:
			unknown = append(unknown, cel.AttributePattern(name))
		case f.Truth != nil:
			vars[name] = *f.Truth
		case f.Number != nil:
			vars[name] = f.Number.Likely
			if f.Number.Low != f.Number.High {
				wide, places = append(wide, name), append(places, f.Number.places(e.limits[name]))
				all *= len(places[len(places)-1])
			}
		case fields[name].Kind == Word || fields[name].Kind == Text:
			vars[name] = f.Texts[0]
		default:
			vars[name] = f.Texts
		}
	}
	answer, missing := No, []string(nil)
	for place := range all {
		for k, name := range wide {
			vars[name] = places[k][place%len(places[k])]
			place /= len(places[k])
		}
		input, err := cel.PartialVars(vars, unknown...)
		if err != nil {
			return No, nil, err
		}
		out, _, err := e.program.Eval(input)
		if err != nil {
			return No, nil, err
		}
		switch {
		case out == types.True:
			return Yes, nil, nil
		case types.IsUnknown(out):
			answer = Unknown
			missing = append(missing, asked(out)...)
		}
	}
	slices.Sort(missing)
	return answer, slices.Compact(missing), nil
}

// places are the ends of an interval, the limits within it, which are ascending, and a figure between each two of these.
func (n *Interval) places(limits []float64) []float64 {
	out := []float64{n.Low}
	to := func(next float64) {
		last := out[len(out)-1]
		if middle := last + (next-last)/2; middle > last && middle < next {
			out = append(out, middle)
		}
		out = append(out, next)
	}
	for _, limit := range limits {
		if limit > n.Low && limit < n.High {
			to(limit)
		}
	}
	to(n.High)
	return out
}

// asked are the fields on which an unknown result hangs.
func asked(out ref.Val) (names []string) {
	u, ok := out.(*types.Unknown)
	if !ok {
		return nil
	}
	for _, id := range u.IDs() {
		trails, _ := u.GetAttributeTrails(id)
		for _, trail := range trails {
			names = append(names, trail.Variable())
		}
	}
	return names
}
