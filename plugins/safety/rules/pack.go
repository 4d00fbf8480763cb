package rules

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"

	"cel.dev/cel-go/cel"
	"github.com/goccy/go-yaml"
)

// ErrPack is wrapped by the errors of [ParsePack].
var ErrPack = errors.New("rule pack")

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
	maxPackBytes = 2 << 20
	maxRules     = 1000
	maxTextRunes = 2000
	// maxCost bounds each expression, in units of CEL's cost model, with 64 entries in each list and 256 bytes in each text.
	maxCost = 20_000
)

var (
	confidences = []string{"high", "medium", "low"}
	harms       = []string{"person", "fibre", "equipment", "environment"}
)

// ParsePack reads and compiles a pack. It refuses, with every fault at once: fields and words that there aren't, conditions that don't compile or
// cost too much, stops without an override, overrides of harm to persons, and rules whose examples don't do what they say.
func ParsePack(text []byte) (*Pack, error) {
	if len(text) > maxPackBytes {
		return nil, fmt.Errorf("%w: %d bytes, want at most %d", ErrPack, len(text), maxPackBytes)
	}
	p := &Pack{}
	if err := yaml.NewDecoder(bytes.NewReader(text), yaml.Strict()).Decode(p); err != nil {
		return nil, fmt.Errorf("%w: %s", ErrPack, firstLine(err))
	}
	sum := sha256.Sum256(text)
	p.Digest = hex.EncodeToString(sum[:])
	if len(p.Rules) == 0 || len(p.Rules) > maxRules {
		return nil, fmt.Errorf("%w: %d rules, want 1 to %d", ErrPack, len(p.Rules), maxRules)
	}
	env, err := environment()
	if err != nil {
		return nil, err
	}
	var faults []string
	if p.Name == "" || p.Version == "" {
		faults = append(faults, "name or version is missing")
	}
	seen := map[string]bool{}
	for i := range p.Rules {
		r := &p.Rules[i]
		if r.ID == "" || seen[r.ID] {
			faults = append(faults, fmt.Sprintf("rule %d: id %.40q is empty or stands twice", i+1, r.ID))
		}
		seen[r.ID] = true
		for _, fault := range r.compile(env) {
			faults = append(faults, fmt.Sprintf("%.40s: %s", r.ID, fault))
		}
	}
	if len(faults) > 0 {
		const most = 20
		more := ""
		if len(faults) > most {
			more = fmt.Sprintf(" (and %d more)", len(faults)-most)
			faults = faults[:most]
		}
		return nil, fmt.Errorf("%w: %s%s", ErrPack, strings.Join(faults, "; "), more)
	}
	return p, nil
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
	about := r.About
	if about == "" {
		about = r.When
	}
	if r.about, err = compile(env, about); err != nil {
		fault("about: %v", err)
	}
	if len(faults) > 0 {
		return faults
	}
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
