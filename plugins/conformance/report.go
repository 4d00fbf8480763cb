package conformance

import (
	"encoding/json"
	"fmt"
	"strings"
	"unicode"
)

// Outcome is what came of a step.
type Outcome string

// The outcomes. Only a failed step keeps a report from passing.
const (
	Passed   Outcome = "passed"
	Failed   Outcome = "failed"
	Excepted Outcome = "excepted"  // a law that the module says, with a reason, it doesn't keep
	NotTried Outcome = "not tried" // Reason says why
)

// Report is what a run of the suite found. Its JSON form is stable: fields may be added, none changes its name or meaning. The same
// module, suite and seed give the same report but for took_ms and stderr.
type Report struct {
	// Suite is the version of the suite; it rises when a step is added or asks for more.
	Suite string `json:"suite"`
	// Name, Version and Kind are what the module calls itself; empty when it never came to that.
	Name    string `json:"name"`
	Version string `json:"version"`
	Kind    string `json:"kind"`
	// Contracts are those that the module serves, as it says.
	Contracts []string `json:"contracts"`
	// Seed from which all generated questions were drawn.
	Seed uint64 `json:"seed"`
	// TookMs is how long the run took, in milliseconds.
	TookMs int64 `json:"took_ms"`
	// Steps in the order of the package comment, which names them.
	Steps []Step `json:"steps"`
	// Stderr is the end, at most 8 KiB, of what the module wrote on standard error: of the process in which a step failed last, if
	// one did.
	Stderr string `json:"stderr,omitempty"`
}

// Step is one thing that was asked of the module.
type Step struct {
	// Name of the step, such as "same answer" or "law symmetry".
	Name string `json:"name"`
	// Contract that it belongs to; empty for steps about the process as a whole.
	Contract string `json:"contract,omitempty"`
	// Asked says in one sentence what the module has to do.
	Asked string `json:"asked"`
	// Outcome of the step.
	Outcome Outcome `json:"outcome"`
	// Reason says what went wrong, why the step was not tried, or what a module gives as the reason of its exception. Empty or a
	// remark when the step passed.
	Reason string `json:"reason,omitempty"`
	// Counterexample of a law that was promised and isn't kept.
	Counterexample *Counterexample `json:"counterexample,omitempty"`
}

// Counterexample is a pair of questions whose answers break a law.
type Counterexample struct {
	// Of is the score, formula or figure that breaks it, with the place in the answer.
	Of string `json:"of"`
	// First and Second are the questions, each a list of request messages as protobuf JSON. Second is absent where one question is
	// enough.
	First  []json.RawMessage `json:"first"`
	Second []json.RawMessage `json:"second,omitempty"`
	// Want is what the law says of the second answer, by the first; Got is what came.
	Want string `json:"want"`
	Got  string `json:"got"`
}

// Passed tells whether no step failed and at least one passed.
func (r *Report) Passed() bool {
	passed := false
	for _, s := range r.Steps {
		if s.Outcome == Failed {
			return false
		}
		passed = passed || s.Outcome == Passed
	}
	return passed
}

// MarshalJSON adds "passed", which is Passed().
func (r *Report) MarshalJSON() ([]byte, error) {
	type fields Report
	return json.Marshal(struct {
		Passed bool `json:"passed"`
		*fields
	}{r.Passed(), (*fields)(r)})
}

// String is the report for people, of several lines. What the module wrote and called itself is made safe for a terminal.
func (r *Report) String() string {
	return strings.Map(func(c rune) rune {
		if c != '\n' && (unicode.IsControl(c) || unicode.In(c, unicode.Cf, unicode.Zl, unicode.Zp)) {
			return ' '
		}
		return c
	}, r.text())
}

func (r *Report) text() string {
	var b strings.Builder
	name := r.Name
	if name == "" {
		name = "the module"
	}
	fmt.Fprintf(&b, "%s %s", name, r.Version)
	if r.Kind != "" {
		fmt.Fprintf(&b, " (%s)", r.Kind)
	}
	count := map[Outcome]int{}
	for _, s := range r.Steps {
		count[s.Outcome]++
	}
	verdict := "does not pass"
	if r.Passed() {
		verdict = "passes"
	}
	fmt.Fprintf(&b, " %s: %d passed, %d failed, %d excepted, %d not tried, seed %d, %d ms\n",
		verdict, count[Passed], count[Failed], count[Excepted], count[NotTried], r.Seed, r.TookMs)
	contract := ""
	for _, s := range r.Steps {
		if s.Contract != contract {
			contract = s.Contract
			if contract == "" {
				b.WriteString("the process\n")
			} else {
				fmt.Fprintf(&b, "%s\n", contract)
			}
		}
		fmt.Fprintf(&b, "  %-10s %s", s.Outcome, s.Name)
		if s.Outcome == Failed {
			fmt.Fprintf(&b, "\n             asked: %s\n             found: %s", s.Asked, s.Reason)
		} else if s.Reason != "" {
			fmt.Fprintf(&b, ": %s", s.Reason)
		}
		b.WriteByte('\n')
		if c := s.Counterexample; c != nil {
			r.printQuestion(&b, "first", s.Contract, c.First)
			r.printQuestion(&b, "second", s.Contract, c.Second)
		}
	}
	if r.Stderr != "" && !r.Passed() {
		fmt.Fprintf(&b, "the module wrote at the end:\n%s\n", r.Stderr)
	}
	return b.String()
}

// printQuestion writes a question as a line of a file of cases, so that it can be asked again.
func (r *Report) printQuestion(b *strings.Builder, which, contract string, messages []json.RawMessage) {
	if len(messages) == 0 {
		return
	}
	line, err := json.Marshal(struct {
		Kind     string            `json:"kind"`
		Contract string            `json:"contract"`
		Messages []json.RawMessage `json:"messages"`
	}{r.Kind, contract, messages})
	if err == nil { // the messages are protobuf JSON
		fmt.Fprintf(b, "             %s question, as a case: %s\n", which, line)
	}
}
