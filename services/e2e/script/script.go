// Package script reads the scenarios of testdata/scenarios: what members do with the command line, and what must come of
// it. The format is told in the README there.
package script

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Script is one scenario.
type Script struct {
	Members []string // "name" or "name:role,role"
	Modules []string // names, or only "all"; empty for none
	Steps   []Step
}

// Step is one thing to do: one of Do, File and Command is set.
type Step struct {
	Line    int
	Do      string // "start" or "stop" the core
	File    string // the name of a file to be written
	Text    string // what goes into it
	Member  string // who runs the command line
	Command []string
	Expect  []Expectation
	Soon    bool // the command may be tried again until all expectations hold
	Exit    int  // the exit code expected
}

// Expectation is one line below a command.
type Expectation struct {
	Line int
	Kind string         // prints, lacks, reports, as, keep
	Text string         // what follows; of keep: the name
	Find *regexp.Regexp // of keep; it has one group
}

var (
	nameForm   = regexp.MustCompile(`^[a-z][a-z0-9-]*$`)
	fileForm   = regexp.MustCompile(`^[a-z][a-z0-9-]*\.[a-z]+$`)
	memberForm = regexp.MustCompile(`^[a-z][a-z0-9-]*(:[a-z,]+)?$`)
	valueForm  = regexp.MustCompile(`\$[a-z][a-z0-9-]*(\.[a-z]+)?`)
)

const (
	maxExit    = 7
	indent     = "  "
	textIndent = "  | "
)

// parser reads a script line by line; known are the members, and the values that have been given so far.
type parser struct {
	script   Script
	line     int
	known    map[string]bool
	running  bool
	chose    bool // modules were chosen
	used     bool // some command ran
	statedAt map[string]bool
}

// Parse refuses whatever it doesn't know, naming the line: what a scenario says must be checked.
func Parse(text string) (Script, error) {
	p := &parser{known: map[string]bool{}}
	for i, line := range strings.Split(text, "\n") {
		p.line = i + 1
		if err := p.take(line); err != nil {
			return Script{}, fmt.Errorf("line %d: %w", p.line, err)
		}
	}
	if !p.used {
		return Script{}, fmt.Errorf("line %d: no command", p.line)
	}
	for _, s := range p.script.Steps {
		if s.File != "" && s.Text == "" {
			return Script{}, fmt.Errorf("line %d: file %s has no text", s.Line, s.File)
		}
	}
	return p.script, nil
}

func (p *parser) take(line string) error {
	if strings.ContainsAny(line, "\t\r") {
		return fmt.Errorf("holds a tab or a carriage return")
	}
	if strings.TrimRight(line, " ") != line {
		return fmt.Errorf("ends with a space")
	}
	switch {
	case line == "" || strings.HasPrefix(line, "#"):
		return nil
	case strings.HasPrefix(line, textIndent) || line == strings.TrimRight(textIndent, " "):
		return p.fileText(strings.TrimPrefix(line, textIndent))
	case strings.HasPrefix(line, indent):
		return p.expectation(strings.TrimPrefix(line, indent))
	default:
		return p.directive(line)
	}
}

func (p *parser) directive(line string) error {
	if who, rest, found := strings.Cut(line, ": "); found && p.isMember(who) {
		return p.command(who, rest)
	}
	words := strings.Fields(line)
	if len(words) == 0 { // white space other than the space and the tab
		return fmt.Errorf("holds nothing but white space")
	}
	switch words[0] {
	case "members":
		if len(p.script.Members) > 0 || len(words) < 2 {
			return fmt.Errorf("members are told once, at least one")
		}
		for _, m := range words[1:] {
			if !memberForm.MatchString(m) || p.isMember(strings.Split(m, ":")[0]) {
				return fmt.Errorf("member %q is malformed or there twice; write name or name:role,role", m)
			}
			p.script.Members = append(p.script.Members, m)
		}
	case "modules":
		if p.chose || len(p.script.Steps) > 0 || len(words) < 2 {
			return fmt.Errorf("modules are told once, before everything that is done: all, none, or their names")
		}
		p.chose = true
		if words[1] != "none" {
			p.script.Modules = words[1:]
		}
		if (words[1] == "none" || words[1] == "all") && len(words) > 2 {
			return fmt.Errorf("modules %s stands alone", words[1])
		}
	case "start", "stop":
		if len(words) > 1 || p.running == (words[0] == "start") || len(p.script.Members) == 0 || !p.chose {
			return fmt.Errorf("%s stands alone, start and stop take turns, and members and modules come before", words[0])
		}
		p.running = words[0] == "start"
		p.script.Steps = append(p.script.Steps, Step{Line: p.line, Do: words[0]})
	case "file":
		if len(words) != 2 || !fileForm.MatchString(words[1]) {
			return fmt.Errorf("a file has one name, such as piece.yaml")
		}
		p.known[words[1]] = true // may be written anew
		p.script.Steps = append(p.script.Steps, Step{Line: p.line, File: words[1]})
	default:
		return fmt.Errorf("%q is neither a directive nor a member", words[0])
	}
	return nil
}

func (p *parser) isMember(name string) bool {
	return slices.ContainsFunc(p.script.Members, func(m string) bool { return strings.Split(m, ":")[0] == name })
}

func (p *parser) last() *Step {
	if len(p.script.Steps) == 0 {
		return &Step{}
	}
	return &p.script.Steps[len(p.script.Steps)-1]
}

func (p *parser) fileText(text string) error {
	if p.last().File == "" {
		return fmt.Errorf("text belongs below a file")
	}
	if err := p.values(text); err != nil {
		return err
	}
	p.last().Text += text + "\n"
	return nil
}

func (p *parser) command(member, line string) error {
	words, err := splitWords(line)
	if err != nil {
		return err
	}
	if len(p.script.Steps) == 0 {
		return fmt.Errorf("nothing was started")
	}
	if err := p.values(line); err != nil {
		return err
	}
	p.used, p.statedAt = true, map[string]bool{}
	p.script.Steps = append(p.script.Steps, Step{Line: p.line, Member: member, Command: words})
	return nil
}

func (p *parser) expectation(line string) error {
	last := p.last()
	if last.Command == nil {
		return fmt.Errorf("an expectation belongs below a command")
	}
	kind, rest, _ := strings.Cut(line, " ")
	if p.statedAt[line] || kind == "exit" && p.statedAt["exit"] {
		return fmt.Errorf("%q is there twice", line)
	}
	p.statedAt[line], p.statedAt[kind] = true, true
	e := Expectation{Line: p.line, Kind: kind, Text: rest}
	switch kind {
	case "prints", "lacks", "reports":
		if rest == "" {
			return fmt.Errorf("%s what?", kind)
		}
		if err := p.values(rest); err != nil {
			return err
		}
	case "as":
		if rest != "json" && rest != "csv" {
			return fmt.Errorf("as %q; known: json, csv", rest)
		}
	case "keep":
		name, pattern, _ := strings.Cut(rest, " ")
		find, err := regexp.Compile(pattern)
		if err != nil || find.NumSubexp() != 1 || !nameForm.MatchString(name) {
			return fmt.Errorf("keep has a name and a regular expression with one group")
		}
		p.known[name] = true
		e.Text, e.Find = name, find
	case "exit":
		code, err := strconv.Atoi(rest)
		if err != nil || code < 1 || code > maxExit {
			return fmt.Errorf("exit %q; allowed: 1 to %d (0 goes without saying)", rest, maxExit)
		}
		last.Exit = code
		return nil
	case "soon":
		if rest != "" {
			return fmt.Errorf("soon stands alone")
		}
		last.Soon = true
		return nil
	default:
		return fmt.Errorf("%q is no expectation", kind)
	}
	last.Expect = append(last.Expect, e)
	return nil
}

// Values puts what get knows in the place of each $name of a text.
func Values(text string, get func(name string) string) string {
	return valueForm.ReplaceAllStringFunc(text, func(use string) string { return get(use[1:]) })
}

// values looks whether all values that a text uses have been given.
func (p *parser) values(text string) error {
	for _, use := range valueForm.FindAllString(text, -1) {
		if !p.known[use[1:]] {
			return fmt.Errorf("%s was not given before", use)
		}
	}
	return nil
}

// splitWords splits at spaces outside of quotes, '...' or "...".
func splitWords(line string) ([]string, error) {
	var words []string
	word, quote, inside := "", rune(0), false
	for _, r := range line {
		switch {
		case quote != 0 && r == quote:
			quote = 0
		case quote == 0 && (r == '\'' || r == '"'):
			quote, inside = r, true
		case quote == 0 && r == ' ':
			if inside {
				words = append(words, word)
			}
			word, inside = "", false
		default:
			word, inside = word+string(r), true
		}
	}
	if quote != 0 {
		return nil, fmt.Errorf("a quote is left open")
	}
	if inside {
		words = append(words, word)
	}
	if len(words) == 0 {
		return nil, fmt.Errorf("no command")
	}
	return words, nil
}
