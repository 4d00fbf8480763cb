package conformance_test

import (
	"bytes"
	"context"
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/commonvat/commonvat/plugins/conformance"
	"github.com/commonvat/commonvat/plugins/difference"
	"github.com/commonvat/commonvat/plugins/palette"
	"github.com/commonvat/commonvat/plugins/reading"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"
)

func check(t testing.TB, name string, m sdk.Module, o conformance.Options) *conformance.Report {
	t.Helper()
	if o.Patience == 0 {
		o.Patience = plugintest.Patience
	}
	folder := plugintest.Folder(t, name, m.Describe.GetVersion(), m.Describe.GetKind())
	report, err := conformance.Run(t.Context(), conformance.Target{Folder: folder}, o)
	require.NoError(t, err)
	return report
}

// goodReport is what came of trying a good module.
type goodReport struct {
	once   sync.Once
	report *conformance.Report
}

// goodReports has a place for each good module, so that it is tried once, by whichever test asks first.
var goodReports = func() map[string]*goodReport {
	all := map[string]*goodReport{}
	for name := range good() {
		all[name] = &goodReport{}
	}
	return all
}()

// fewer is how many pairs of questions each law is tried on where more would find no more: with -short, in modules that are good.
func fewer() int {
	if testing.Short() {
		return conformance.MinTrials
	}
	return 0
}

func reportOf(t *testing.T, name string) *conformance.Report {
	t.Helper()
	g := goodReports[name]
	g.once.Do(func() { g.report = check(t, name, good()[name](), conformance.Options{Trials: fewer()}) })
	require.NotNil(t, g.report, "the test that tried it has failed")
	return g.report
}

func TestGoodModulesPass(t *testing.T) {
	t.Parallel()
	for name := range good() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			report := reportOf(t, name)
			assert.True(t, report.Passed(), "%s", report)
			for _, s := range report.Steps {
				assert.NotEqual(t, conformance.NotTried, s.Outcome, s.Name)
			}
			t.Log(report)
		})
	}
	if testing.Short() { // the same way through the suite
		return
	}
	for name, module := range twins() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			report := check(t, name, module(), conformance.Options{Trials: conformance.MinTrials})
			assert.True(t, report.Passed(), "%s", report)
		})
	}
}

// waited are the faults that show only when the patience has run out.
var waited = map[string]bool{"no answer within": true, "the next question": true, "still calculates": true, "still runs": true, "no handshake": true, "signal: killed": true}

// tryBad tries a bad module and gives the steps that it failed but for those that another version of the same contract fails alike: what a busy machine makes
// late in one of them may be late in the other too. A law that the fewest trials don't find broken is tried as often as by default, which begins with the same ones.
func tryBad(t *testing.T, name string, b bad, patience time.Duration) (*conformance.Report, []conformance.Step) {
	t.Helper()
	report := check(t, name, b.good(), conformance.Options{Patience: patience, Trials: conformance.MinTrials})
	if report.Passed() && strings.HasPrefix(b.fails, "law ") {
		report = check(t, name, b.good(), conformance.Options{Patience: patience})
	}
	return report, slices.DeleteFunc(failures(report), func(s conformance.Step) bool { return s.Name == b.fails && s.Contract != b.contract })
}

// failures are the steps that failed.
func failures(report *conformance.Report) []conformance.Step {
	return slices.DeleteFunc(slices.Clone(report.Steps), func(s conformance.Step) bool { return s.Outcome != conformance.Failed })
}

// badOnes are the names of the bad modules in order; with -short one for each step, since others take the suite the same way.
func badOnes() []string {
	names := slices.Sorted(maps.Keys(badModules()))
	if !testing.Short() {
		return names
	}
	steps, all := map[string]bool{}, badModules()
	return slices.DeleteFunc(names, func(name string) bool {
		known := steps[all[name].fails]
		steps[all[name].fails] = true
		return known
	})
}

// Each bad module fails in the step that it is made for, and in no other.
func TestBadModulesFailWhereTheyShould(t *testing.T) {
	t.Parallel()
	all := badModules()
	for _, name := range badOnes() {
		b := all[name]
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			patience := conformance.DefaultPatience
			if waited[b.says] {
				patience = 3 * time.Second
			}
			report, failures := tryBad(t, name, b, patience)
			if len(failures) != 1 && patience < conformance.DefaultPatience { // a busy machine was late with something else: once more, with time enough for it
				report, failures = tryBad(t, name, b, conformance.DefaultPatience)
			}
			require.Len(t, failures, 1, "%s", report)
			assert.Equal(t, b.fails, failures[0].Name, "%s", report)
			assert.Equal(t, b.contract, failures[0].Contract)
			assert.Contains(t, failures[0].Reason, b.says)
			assert.False(t, report.Passed())
			if strings.HasPrefix(b.fails, "law ") && name != "promise-without-value" {
				c := failures[0].Counterexample
				require.NotNil(t, c)
				assert.NotEmpty(t, c.First)
				// One question is enough for these.
				assert.Equal(t, b.fails != "law identity" && b.fails != "law unknown is asked", len(c.Second) > 0)
			}
		})
	}
}

// Every step that a contract has is failed by some bad module, so that none is there for show; what looks at answers, and laws, in each contract.
func TestEveryStepHasItsBadModule(t *testing.T) {
	t.Parallel()
	bitten := map[string]bool{}
	for _, b := range badModules() {
		bitten[b.fails], bitten[b.contract+" "+b.fails] = true, true
	}
	for _, law := range conformance.TriedLaws() {
		assert.True(t, bitten[law], law)
	}
	for name := range good() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for _, s := range reportOf(t, name).Steps {
				assert.True(t, bitten[s.Name], "step %q", s.Name)
				if strings.HasPrefix(s.Name, "law ") || s.Name == "plain questions" {
					assert.True(t, bitten[s.Contract+" "+s.Name], "step %q of %s", s.Name, s.Contract)
				}
			}
		})
	}
}

func TestExceptedAndUntriedLaws(t *testing.T) {
	t.Parallel()
	report := check(t, "excepts-symmetry", twoFormulas(), conformance.Options{Trials: conformance.MinTrials})
	require.True(t, report.Passed(), "%s", report)
	outcomes := map[string]conformance.Step{}
	for _, s := range report.Steps {
		outcomes[s.Name] = s
	}
	assert.Equal(t, conformance.Excepted, outcomes["law symmetry"].Outcome)
	assert.Equal(t, "ciede2000: The reference weighs more.", strings.Split(outcomes["law symmetry"].Reason, "; ")[1])
	assert.Equal(t, conformance.Passed, outcomes["law linear"].Outcome)
	assert.Equal(t, "but for ciede2000: It is no metric.", outcomes["law linear"].Reason)

	report = check(t, "promises-untried", reading.Module(), conformance.Options{Trials: conformance.MinTrials})
	require.True(t, report.Passed(), "%s", report)
	at := slices.IndexFunc(report.Steps, func(s conformance.Step) bool { return s.Name == "law unknown never clears" })
	require.GreaterOrEqual(t, at, 0)
	assert.Equal(t, conformance.NotTried, report.Steps[at].Outcome)
	assert.Contains(t, report.Steps[at].Reason, "no trial")
}

func TestContractNewerThanTheSuiteIsNotTried(t *testing.T) {
	t.Parallel()
	report := check(t, "one-newer-contract", firstVersion(), conformance.Options{Trials: 24})
	require.True(t, report.Passed(), "%s", report)
	i := slices.IndexFunc(report.Steps, func(s conformance.Step) bool { return s.Contract == "commonvat.module.palette.v7" })
	require.GreaterOrEqual(t, i, 0)
	assert.Equal(t, conformance.NotTried, report.Steps[i].Outcome)
	assert.Equal(t, "commonvat.module.palette.v7 is newer than what this side knows (commonvat.module.palette.v1, commonvat.module.palette.v2): upgrade Commonvat",
		report.Steps[i].Reason)
}

// The same seed finds the same, and what a report shows as a counterexample can be asked again.
func TestCounterexampleIsARequest(t *testing.T) {
	t.Parallel()
	name := "not-symmetric"
	once := failures(check(t, name, twoFormulas(), conformance.Options{Seed: 5, Trials: conformance.MinTrials}))
	again := failures(check(t, name, twoFormulas(), conformance.Options{Seed: 5, Trials: conformance.MinTrials}))
	assert.Equal(t, once, again)
	other := failures(check(t, name, twoFormulas(), conformance.Options{Seed: 6, Trials: conformance.MinTrials}))
	assert.NotEqual(t, once[0].Counterexample.First, other[0].Counterexample.First)

	c := once[0].Counterexample
	require.Len(t, c.First, 1)
	var first, second differencev1.ComputeDifferencesRequest
	require.NoError(t, protojson.Unmarshal(c.First[0], &first))
	require.NoError(t, protojson.Unmarshal(c.Second[0], &second))
	require.Len(t, first.GetPairs(), 1)
	assert.Equal(t, first.GetPairs()[0].GetReference().GetL(), second.GetPairs()[0].GetSample().GetL())
}

func TestReportInJSON(t *testing.T) {
	t.Parallel()
	report := check(t, "not-symmetric", twoFormulas(), conformance.Options{Trials: conformance.MinTrials})
	text, err := json.Marshal(report)
	require.NoError(t, err)
	var fields map[string]any
	require.NoError(t, json.Unmarshal(text, &fields))
	assert.Equal(t, false, fields["passed"])
	assert.Equal(t, "not-symmetric", fields["name"])
	assert.Equal(t, "difference", fields["kind"])
	assert.Equal(t, []any{"commonvat.module.difference.v1"}, fields["contracts"])
	for _, name := range []string{"suite", "version", "seed", "took_ms", "steps"} {
		assert.Contains(t, fields, name)
	}
	var back conformance.Report
	require.NoError(t, json.Unmarshal(text, &back))
	twice, err := json.Marshal(&back)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(text, twice))

	people := report.String()
	assert.Contains(t, people, "not-symmetric 0.1.0 (difference) does not pass")
	assert.Contains(t, people, "failed     law symmetry")
	assert.Contains(t, people, `first question, as a case: {"kind":"difference","contract":"commonvat.module.difference.v1","messages":[{"condition":`)
}

// What a stranger's module writes can't command the terminal of who reads its report.
func TestReportIsSafeForATerminal(t *testing.T) {
	report := conformance.Report{Name: "mine\x1b[2J", Stderr: "one\ntwo\r\x1b]0;title\x07 \u202ethree", Steps: []conformance.Step{{Name: "start", Outcome: conformance.Failed, Reason: "\x9b31m"}}}
	assert.NotRegexp(t, "[\x00-\x09\x0b-\x1f\u0080-\u009f\u202e]", report.String())
	assert.Contains(t, report.String(), "one\ntwo")
}

func TestStandardErrorOfTheFailedProcess(t *testing.T) {
	t.Parallel()
	assert.Contains(t, check(t, "dies-of-nan", twoFormulas(), conformance.Options{Trials: conformance.MinTrials}).Stderr, "the pot boiled over")
	assert.Contains(t, check(t, "ends-at-once", twoFormulas(), conformance.Options{}).Stderr, "the pot boiled over")
}

func TestTargetsAndOptions(t *testing.T) {
	folder := plugintest.Folder(t, difference.Name, difference.Version, sdk.KindDifference)
	executable := filepath.Join(folder, sdk.ExecutablePrefix+difference.Name)
	empty, spoilt := t.TempDir(), t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(spoilt, "module.json"), []byte(`{"name": "Pot"}`), 0o600))
	for name, tc := range map[string]struct {
		target  conformance.Target
		options conformance.Options
		says    string
	}{
		"nothing":           {says: "either an executable or a folder"},
		"both":              {target: conformance.Target{Folder: folder, Executable: executable}, says: "either an executable or a folder"},
		"no such program":   {target: conformance.Target{Executable: executable + "x"}, says: "no such file"},
		"a folder as one":   {target: conformance.Target{Executable: folder}, says: "no regular file"},
		"no manifest":       {target: conformance.Target{Folder: empty}, says: "module.json"},
		"spoilt manifest":   {target: conformance.Target{Folder: spoilt}, says: `name is "Pot"`},
		"too many trials":   {target: conformance.Target{Folder: folder}, options: conformance.Options{Trials: 10_001}, says: "trials is 10001, want 24 to 10000"},
		"negative patience": {target: conformance.Target{Folder: folder}, options: conformance.Options{Patience: -1}, says: "patience is -1ns"},
		"no folder":         {target: conformance.Target{Folder: folder}, options: conformance.Options{TempDir: filepath.Join(empty, "none")}, says: "folder for sockets"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := conformance.Run(t.Context(), tc.target, tc.options)
			assert.ErrorContains(t, err, tc.says)
		})
	}
	t.Run("executable alone", func(t *testing.T) {
		require.NoError(t, os.Remove(filepath.Join(folder, "module.json")))
		report, err := conformance.Run(t.Context(), conformance.Target{Executable: executable, Args: []string{"--quiet"}}, conformance.Options{Trials: 24, Patience: plugintest.Patience})
		require.NoError(t, err)
		assert.True(t, report.Passed(), "%s", report)
	})
}

func TestRunEndsWithItsContext(t *testing.T) {
	temp, err := os.MkdirTemp("", "cf")
	require.NoError(t, err)
	t.Cleanup(func() { _ = os.RemoveAll(temp) })
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	folder := plugintest.Folder(t, palette.Name, palette.Version, sdk.KindPalette)
	_, err = conformance.Run(ctx, conformance.Target{Folder: folder}, conformance.Options{TempDir: temp, Trials: conformance.MaxTrials})
	assert.ErrorIs(t, err, context.DeadlineExceeded)
	left, err := os.ReadDir(temp)
	require.NoError(t, err)
	assert.Empty(t, left)
}

func BenchmarkSuite(b *testing.B) {
	for _, name := range []string{difference.Name, palette.Name} { // one call a question, and a stream
		module := good()[name]
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if r := check(b, name, module(), conformance.Options{}); !r.Passed() {
					b.Fatal(r)
				}
			}
		})
	}
}
