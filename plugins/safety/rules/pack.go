package rules

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"unicode/utf8"

	"cel.dev/cel-go/cel"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// ErrPack is wrapped by the errors of [ParsePack].
var ErrPack = errors.New("rule pack")

// PackFaults is what is wrong with a pack: a line for each fault, with its place in the text and the rule's id.
type PackFaults []string

// Error implements error.
func (f PackFaults) Error() string {
	const most = 20
	more := ""
	if len(f) > most {
		more = fmt.Sprintf(" (and %d more)", len(f)-most)
	}
	return ErrPack.Error() + ": " + strings.Join(f[:min(len(f), most)], "; ") + more
}

// Unwrap gives [ErrPack].
func (PackFaults) Unwrap() error { return ErrPack }

// Severity is how grave a rule is.
type Severity string

// Severities, gravest first.
const (
	Stop    Severity = "stop"    // the step's amounts are withheld
	Caution Severity = "caution" // printed beside the step
	Note    Severity = "note"    // good to know
)

var severities = []Severity{Stop, Caution, Note}

// Override says what lifts a stop.
type Override string

// Overrides.
const (
	Never         Override = "never"
	WrittenReason Override = "written reason" // audited; only for harm to fibre
	Permission    Override = "permission"     // the coordinator's, told as a fact of the workshop; the rule itself asks for it
	Nothing       Override = ""               // nothing is withheld
)

// Rule is one rule of a pack.
type Rule struct {
	ID       string   `yaml:"id"`
	Severity Severity `yaml:"severity"`
	// Harms person, fibre, equipment or environment.
	Harms string `yaml:"harms"`
	Topic string `yaml:"topic"`
	// About is the subject: the rule is asked about only where it holds. Empty: it is the whole of When.
	About string `yaml:"about"`
	// When the rule fires.
	When     string   `yaml:"when"`
	Override Override `yaml:"override"`
	Title    string   `yaml:"title"`
	Reason   string   `yaml:"reason"`
	Do       string   `yaml:"do"`
	// Hazards are codes of the GHS or limits of exposure; HazardsConfirmed is false where they are from memory.
	Hazards          string `yaml:"hazards"`
	HazardsConfirmed bool   `yaml:"hazards_confirmed"`
	Source           string `yaml:"source"`
	// Confidence of the source: high, medium or low. A rule in doubt fires all the same.
	Confidence string `yaml:"confidence"`
	// Fires and Silent are an example each, by field, that are tried when the pack is read.
	Fires  map[string]any `yaml:"fires"`
	Silent map[string]any `yaml:"silent"`

	about, when *expression
	asks        []string // the fields of both, sorted
}

// Pack is a set of rules with a digest.
type Pack struct {
	Name    string `yaml:"name"`
	Version string `yaml:"version"`
	Rules   []Rule `yaml:"rules"`
	// Digest is the SHA-256 of the text, in hexadecimal.
	Digest string `yaml:"-"`
}

const (
	maxPackBytes = 1 << 20
	maxRules     = 1000
	maxTextRunes = 2000
	// As data.proto has them.
	maxNameRunes, maxVersionRunes = 80, 40
	// maxCost bounds each expression, in units of CEL's cost model, with 64 entries in each list and 256 bytes in each text.
	maxCost = 20_000
)

var (
	confidences = []string{"high", "medium", "low"}
	harms       = []string{"person", "fibre", "equipment", "environment"}
)

// ParsePack reads and compiles a pack. It refuses, with every fault at once: fields and words that there aren't, conditions that don't compile or
// cost too much, stops without an override, overrides of harm to persons, and rules whose examples don't do what they say; so that every stop that
// is taken has fired once. The error is a [PackFaults].
func ParsePack(text []byte) (*Pack, error) {
	if len(text) > maxPackBytes {
		return nil, PackFaults{fmt.Sprintf("%d bytes, want at most %d", len(text), maxPackBytes)}
	}
	p := &Pack{}
	if err := decode(text, p); err != nil {
		return nil, err
	}
	sum := sha256.Sum256(text)
	p.Digest = hex.EncodeToString(sum[:])
	if len(p.Rules) == 0 || len(p.Rules) > maxRules {
		return nil, PackFaults{fmt.Sprintf("%d rules, want 1 to %d", len(p.Rules), maxRules)}
	}
	env, err := environment()
	if err != nil {
		return nil, err
	}
	var faults PackFaults
	for what, most := range map[string]struct {
		text string
		n    int
	}{"name": {p.Name, maxNameRunes}, "version": {p.Version, maxVersionRunes}} {
		if n := utf8.RuneCountInString(most.text); n == 0 || n > most.n || strings.TrimSpace(most.text) != most.text {
			faults = append(faults, fmt.Sprintf("%s is %.90q, want 1 to %d characters without space around them", what, most.text, most.n))
		}
	}
	slices.Sort(faults)
	seen := map[string]bool{}
	lines := sync.OnceValue(func() []int { return linesOfRules(text) })
	for i := range p.Rules {
		r := &p.Rules[i]
		found := r.compile(env)
		if r.ID == "" || seen[r.ID] {
			found = append(found, "its id is empty or stands twice")
		}
		seen[r.ID] = true
		for _, fault := range found {
			at := fmt.Sprintf("rule %d", i+1)
			if i < len(lines()) {
				at = fmt.Sprintf("line %d", lines()[i])
			}
			faults = append(faults, fmt.Sprintf("%s, %.40s: %s", at, r.ID, fault))
		}
	}
	if len(faults) > 0 {
		return nil, faults
	}
	return p, nil
}

// linesOfRules are the lines at which the rules begin, from 1; fewer where the text has another form than a list of mappings.
func linesOfRules(text []byte) (lines []int) {
	defer func() { _ = recover() }() // as in decode; then the places are told by number
	file, err := parser.ParseBytes(text, 0)
	if err != nil || len(file.Docs) == 0 {
		return nil
	}
	top, ok := file.Docs[0].Body.(*ast.MappingNode)
	if !ok {
		return nil
	}
	for _, entry := range top.Values {
		list, ok := entry.Value.(*ast.SequenceNode)
		if entry.Key.String() != "rules" || !ok {
			continue
		}
		for _, rule := range list.Values {
			if rule.GetToken() == nil || rule.GetToken().Position == nil {
				return lines
			}
			line := rule.GetToken().Position.Line
			if m, ok := rule.(*ast.MappingNode); ok && len(m.Values) > 0 { // a mapping's own token is its first colon
				line = m.Values[0].Key.GetToken().Position.Line
			}
			lines = append(lines, line)
		}
	}
	return lines
}

func firstLine(err error) string {
	line, _, _ := strings.Cut(err.Error(), "\n")
	return line
}

// compile checks a rule and returns its faults.
func (r *Rule) compile(env *cel.Env) (faults []string) {
	fault := func(format string, args ...any) { faults = append(faults, fmt.Sprintf(format, args...)) }
	if !slices.Contains(severities, r.Severity) {
		fault("severity is %.40q, want stop, caution or note", r.Severity)
	}
	if !slices.Contains(harms, r.Harms) {
		fault("harms is %.40q, want one of %s", r.Harms, strings.Join(harms, ", "))
	}
	if !slices.Contains(confidences, r.Confidence) {
		fault("confidence is %.40q, want one of %s", r.Confidence, strings.Join(confidences, ", "))
	}
	switch {
	case r.Severity == Stop && r.Override != Never && r.Override != WrittenReason && r.Override != Permission:
		fault("override is %.40q, want never, written reason or permission", r.Override)
	case r.Severity == Stop && r.Override == WrittenReason && r.Harms != "fibre":
		fault("harms %s, and a written reason lifts only what harms fibre", r.Harms)
	case r.Severity != Stop && r.Override != Nothing:
		fault("override is %.40q, and nothing is withheld", r.Override)
	}
	for name, text := range map[string]string{"topic": r.Topic, "title": r.Title, "reason": r.Reason, "do": r.Do, "source": r.Source, "when": r.When} {
		if strings.TrimSpace(text) == "" || len([]rune(text)) > maxTextRunes {
			fault("%s has %d characters, want 1 to %d", name, len([]rune(text)), maxTextRunes)
		}
	}
	if len(faults) > 0 {
		slices.Sort(faults)
		return faults
	}
	var err error
	if r.when, err = compile(env, r.When); err != nil {
		fault("when: %v", err)
	}
	r.about = r.when
	if r.About != "" {
		if r.about, err = compile(env, r.About); err != nil {
			fault("about: %v", err)
		}
	}
	if len(faults) > 0 {
		return faults
	}
	r.asks = slices.Concat(r.about.asks, r.when.asks)
	slices.Sort(r.asks)
	r.asks = slices.Compact(r.asks)
	return append(r.example("fires", r.Fires, Yes), r.example("silent", r.Silent, No)...)
}

// example tries one of a rule's examples.
func (r *Rule) example(which string, raw map[string]any, want Answer) []string {
	facts, err := exampleFacts(raw)
	if err != nil {
		return []string{which + ": " + err.Error()}
	}
	got, missing, err := r.judge(facts, facts.sure())
	switch {
	case err != nil:
		return []string{fmt.Sprintf("%s: %v", which, err)}
	case got == Unknown:
		return []string{fmt.Sprintf("%s: the example doesn't say %s", which, strings.Join(missing, ", "))}
	case got != want:
		return []string{fmt.Sprintf("%s: the example does not do so", which)}
	}
	return nil
}

// exampleFacts reads the facts of an example.
func exampleFacts(raw map[string]any) (Facts, error) {
	facts := Facts{}
	for name, v := range raw {
		fact := Fact{}
		switch v := v.(type) {
		case bool:
			fact.Truth = &v
		case string:
			fact.Texts = []string{v}
		case []any:
			fact.Texts = []string{}
			for _, x := range v {
				s, ok := x.(string)
				if !ok {
					return nil, fmt.Errorf("%s: %v is no text", name, x)
				}
				fact.Texts = append(fact.Texts, s)
			}
		case uint64:
			fact.Number = Exactly(float64(v))
		case int64:
			fact.Number = Exactly(float64(v))
		case float64:
			fact.Number = Exactly(v)
		default:
			return nil, fmt.Errorf("%s: %v is of no type that fields have", name, v)
		}
		if err := fact.check(name); err != nil {
			return nil, err
		}
		facts[name] = fact
	}
	return facts, nil
}
