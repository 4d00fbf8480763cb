package e2e_test

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/e2e/script"
)

const (
	scenarios  = root + "/testdata/scenarios"
	soonWithin = 2 * time.Minute
)

func TestScenarios(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(scenarios, "*.txt"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) {
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			s, err := script.Parse(string(text))
			require.NoError(t, err, file)
			runScript(t, s)
		})
	}
}

// runScript does the steps with a core of its own, ends it, and looks that nothing secret was logged and nothing is left running.
func runScript(t *testing.T, s script.Script) {
	l := newLab(t, s.Members...)
	if len(s.Modules) == 1 && s.Modules[0] == "all" {
		l.installModules()
	} else if len(s.Modules) > 0 {
		l.installModules(s.Modules...)
	}
	folder, values, running := t.TempDir(), map[string]string{}, false
	for _, step := range s.Steps {
		switch {
		case step.Do == "start":
			l.start()
			running = true
		case step.Do == "stop":
			l.stop()
			running = false
		case step.File != "":
			path := filepath.Join(folder, step.File)
			require.NoError(t, os.WriteFile(path, []byte(put(values, step.Text)), 0o600))
			values[step.File] = path
		default:
			l.command(step, values)
		}
	}
	if running {
		l.stop()
	}
	assert.Empty(t, l.modulePIDs())
	l.hasNoTokenInLog()
}

// command runs one command until its expectations hold: once, or with "soon" for a while.
func (l *lab) command(s script.Step, values map[string]string) {
	l.t.Helper()
	words := make([]string, len(s.Command))
	for i, word := range s.Command {
		words[i] = put(values, word)
	}
	var a answer
	try := func() error {
		a = l.client(s.Member, words...)
		return check(s, a, values)
	}
	err := try()
	for deadline := time.Now().Add(soonWithin); err != nil && s.Soon && time.Now().Before(deadline); err = try() {
		time.Sleep(20 * time.Millisecond)
	}
	require.NoError(l.t, err, "line %d: commonvat %s\n%s%s", s.Line, strings.Join(words, " "), a.out, a.errors)
}

// check compares an answer with what was expected, and keeps the values to be kept.
func check(s script.Step, a answer, values map[string]string) error {
	var faults []error
	fault := func(e script.Expectation, format string, args ...any) {
		faults = append(faults, fmt.Errorf("line %d: "+format, append([]any{e.Line}, args...)...))
	}
	if a.code != s.Exit {
		faults = append(faults, fmt.Errorf("line %d: exit %d, not %d", s.Line, a.code, s.Exit))
	}
	for _, e := range s.Expect {
		text := put(values, e.Text)
		switch e.Kind {
		case "prints":
			if !strings.Contains(a.out, text) {
				fault(e, "does not print %q", text)
			}
		case "lacks":
			if strings.Contains(a.out, text) {
				fault(e, "prints %q", text)
			}
		case "reports":
			if !strings.Contains(a.errors, text) {
				fault(e, "does not report %q", text)
			}
		case "as":
			if err := parses(e.Text, a.out); err != nil {
				fault(e, "is no %s: %w", e.Text, err)
			}
		case "keep":
			found := e.Find.FindStringSubmatch(a.out)
			if found == nil {
				fault(e, "nothing printed is like %s", e.Find)
				continue
			}
			values[e.Text] = found[1]
		}
	}
	return errors.Join(faults...)
}

func parses(format, text string) error {
	if format == "json" {
		return json.Unmarshal([]byte(text), &map[string]any{})
	}
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err == nil && len(rows) < 2 {
		err = errors.New("no row below the header")
	}
	return err
}

// put puts values in the place of their names, all of which are known by then.
func put(values map[string]string, text string) string {
	return script.Values(text, func(name string) string { return values[name] })
}

// hasNoTokenInLog looks for the members' tokens in what the core logged, at its most talkative level.
func (l *lab) hasNoTokenInLog() {
	l.t.Helper()
	log := l.log()
	assert.Contains(l.t, log, `"msg":"call"`)
	for member, file := range l.tokens {
		token, err := os.ReadFile(file)
		require.NoError(l.t, err)
		assert.NotContains(l.t, log, strings.TrimSpace(string(token)), "the token of %s", member)
	}
}

func TestScriptExpectationsCanFail(t *testing.T) {
	s, err := script.Parse("members ash\nmodules none\nstart\nash: piece show 'a b' \"c\"\n  exit 3\n  prints one\n  lacks two\n  reports three\n  as json\n  keep id <(.)>\n")
	require.NoError(t, err)
	step := s.Steps[1]
	assert.Equal(t, []string{"piece", "show", "a b", "c"}, step.Command)
	err = check(step, answer{code: 1, out: "two"}, map[string]string{})
	require.Error(t, err)
	for _, fault := range []string{"exit 1, not 3", `print "one"`, `prints "two"`, `report "three"`, "no json", "nothing printed is like"} {
		require.ErrorContains(t, err, fault)
	}
	values := map[string]string{}
	require.NoError(t, check(step, answer{code: 3, out: `{"one":"<1>"}`, errors: "three"}, values))
	assert.Equal(t, "1", values["id"])
	require.Error(t, parses("csv", "id,name\n"))
	require.Error(t, parses("csv", "id,name\n1\n"))
	require.NoError(t, parses("csv", "id,name\n1,2\n"))
}
