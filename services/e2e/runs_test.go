package e2e_test

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
)

var runIDForm = regexp.MustCompile(`(?m)^([0-9a-f-]{36}) `)

// runOf makes a run and returns its id.
func (l *lab) runOf(member string, args ...string) string {
	l.t.Helper()
	out := l.does(member, append([]string{"run", "create", "--title", "by width", "--by", "fibre"}, args...)...)
	found := runIDForm.FindStringSubmatch(out)
	require.NotNil(l.t, found, out)
	return found[1]
}

// freeze stops the palette module where it is, so that whoever calls it waits.
func (l *lab) freeze(member string) int {
	l.t.Helper()
	for _, m := range l.modulesOf(member) {
		if m.Kind == "palette" && m.PID > 0 {
			plugintest.Freeze(l.t, m.PID)
			return m.PID
		}
	}
	l.t.Fatal("no palette module runs")
	return 0
}

// runThatWaits makes a run whose module is frozen before it has scored, and gives the module's process too. On a very busy machine the check of health may end the
// module before the run is seen to wait for it: then it is tried again.
func (l *lab) runThatWaits(member string) (id string, pid int) {
	l.t.Helper()
	for range 10 {
		l.asks(member, "palette", "--by", "fibre")
		pid = l.freeze(member)
		id = l.runOf(member, "--module", "palette-width")
		l.eventually(callWithin, "the run scores", func() bool {
			shown := l.does(member, "run", "show", id, "--output", "json")
			return strings.Contains(shown, "RUN_STATE_SCORING") || strings.Contains(shown, "RUN_STATE_DONE")
		})
		if syscall.Kill(pid, 0) == nil {
			return id, pid
		}
	}
	l.t.Fatal("no run waits for a frozen module")
	return "", 0
}

// A run whose module is killed goes on with the next process of it; one whose core is killed is interrupted when the core is there again, and goes on when it is
// resumed. Both end with the same bytes as one that nothing happened to.
func TestARunSurvivesItsModuleAndItsCore(t *testing.T) {
	l := newLab(t, "ash:researcher")
	l.installModules()
	l.start()
	l.does("ash", "trial", "submit", example)
	l.does("ash", "trial", "share", exampleID, "--level", "cooperative")
	l.asks("ash", "palette", "--by", "fibre")
	sum := func(id string) string {
		var run struct {
			State   string `json:"state"`
			Results []struct {
				Sum string `json:"scores_sha256"`
			} `json:"results"`
		}
		require.NoError(t, json.Unmarshal([]byte(l.does("ash", "run", "show", id, "--output", "json")), &run))
		require.Equal(t, "RUN_STATE_DONE", run.State)
		return run.Results[0].Sum
	}
	whole := l.runOf("ash", "--module", "palette-width", "--wait")

	first, pid := l.runThatWaits("ash")
	if err := syscall.Kill(pid, syscall.SIGKILL); !errors.Is(err, syscall.ESRCH) { // the check of health may have ended it meanwhile, which is as good
		require.NoError(t, err)
	}
	l.does("ash", "run", "watch", first)
	assert.Equal(t, sum(whole), sum(first))

	var second string
	var a answer
	for range 10 { // on a very busy machine the module may come back, and the run be done, before the core is killed
		second, _ = l.runThatWaits("ash")
		l.kill()
		l.start()
		if a = l.client("ash", "run", "watch", second); a.code != 0 {
			break
		}
	}
	assert.Equal(t, exitConflict, a.code)
	assert.Contains(t, a.out, "interrupted")
	assert.Contains(t, a.out, "the core ended")
	l.asks("ash", "palette", "--by", "fibre")
	l.does("ash", "run", "resume", second)
	l.does("ash", "run", "watch", second)
	assert.Equal(t, sum(whole), sum(second))
	l.stop()
	assert.Empty(t, l.modulePIDs())
}

// What an author gets at home by `module try` from the exported pool is what the core's own run of the same module says.
func TestThePoolAtHomeScoresAlike(t *testing.T) {
	l := newLab(t, "ash:researcher")
	l.installModules()
	hues := filepath.Join(built, "examples", "commonvat-module-palette-hues")
	l.tool("commonvatd", "module", "install", hues, "--data", l.data)
	l.start()
	l.does("ash", "trial", "submit", example)
	l.does("ash", "trial", "share", exampleID, "--level", "cooperative")
	l.asks("ash", "palette", "--by", "fibre") // of the module of its kind that was installed first
	id := l.runOf("ash", "--module", "palette-hues", "--wait")
	var run struct {
		Groups []struct {
			Figures []struct {
				Value float64 `json:"value"`
			} `json:"figures"`
		} `json:"groups"`
	}
	require.NoError(t, json.Unmarshal([]byte(l.does("ash", "run", "scores", id, "--output", "json")), &run))
	folder := t.TempDir()
	l.does("ash", "pool", "export", "--by", "fibre", folder)
	l.stop()

	text, err := os.ReadFile(filepath.Join(folder, "pool.jsonl"))
	require.NoError(t, err)
	assert.NotContains(t, string(text), exampleID)
	var tried struct {
		Answers []struct {
			Groups []struct {
				Scores []struct {
					Value float64 `json:"value"`
				} `json:"scores"`
			} `json:"groups"`
		} `json:"answers"`
	}
	require.NoError(t, json.Unmarshal([]byte(l.does("ash", "module", "try", hues, filepath.Join(folder, "pool.jsonl"))), &tried))
	require.Len(t, tried.Answers, 1)
	require.NotEmpty(t, run.Groups)
	require.Len(t, tried.Answers[0].Groups, len(run.Groups))
	var here, home []float64
	for i := range run.Groups {
		here, home = append(here, run.Groups[i].Figures[0].Value), append(home, tried.Answers[0].Groups[i].Scores[0].Value)
	}
	// The cells come in another order, and sums with them.
	for _, value := range here {
		assert.Condition(t, func() bool {
			for _, other := range home {
				if d := value - other; d < 1e-9 && d > -1e-9 {
					return true
				}
			}
			return false
		}, "%v is not among %v", value, home)
	}
}

// The invented cooperative's experiment, by a way of its own: the module for verdicts permutes by itself, and a run has the core permute what the palette module
// scores. Both swap the orders of whole sessions with each order's mean taken off, so the dispersion's p is the same, and so is who is wider: 2 of 128
// arrangements of 7 sessions.
func TestARunAgreesWithTheVerdictOfAnExperiment(t *testing.T) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*callWithin)
	defer cancel()
	l := newLab(t)
	out, err := demo(ctx, t, l.data, "--once").CombinedOutput()
	require.NoError(t, err, "%s", out)
	l.tokens["dock"] = filepath.Join(l.data, "demo-tokens", "dock.token")
	l.start()
	experiment := regexp.MustCompile(`(?m)^([0-9a-f-]{36}),Weld and indigo`).FindStringSubmatch(l.does("dock", "experiment", "list", "--output", "csv"))
	require.NotNil(t, experiment)
	var verdict struct {
		Pairs []struct {
			First, Wider string
			P            float64
		}
	}
	require.NoError(t, json.Unmarshal([]byte(l.asks("dock", "palette", "--by", "order", "--experiment", experiment[1], "--output", "json")), &verdict))
	require.Len(t, verdict.Pairs, 1)
	var run struct {
		Results []struct {
			Tests []struct {
				Score, First, Wider string
				P                   float64
				Arrangements        int
			}
		}
	}
	require.NoError(t, json.Unmarshal([]byte(l.does("dock", "run", "create", "--title", "the same question", "--by", "order", "--experiment", experiment[1],
		"--module", "palette-width", "--wait", "--output", "json")), &run))
	require.Len(t, run.Results, 1)
	seen := false
	for _, test := range run.Results[0].Tests {
		if test.Score == "dispersion" {
			seen = true
			assert.Equal(t, verdict.Pairs[0].P, test.P)
			assert.InDelta(t, 2.0/128, test.P, 1e-15)
			assert.Equal(t, 127, test.Arrangements)
			assert.Equal(t, []string{verdict.Pairs[0].First, verdict.Pairs[0].Wider}, []string{test.First, test.Wider})
		}
	}
	assert.True(t, seen)
	l.stop()
}

// experimentRun is what the tests look at of a run over an experiment.
type experimentRun struct {
	ID      string
	Columns struct {
		Sha256           string
		Sessions, Strata int
	}
	Results []struct {
		Sum   string `json:"scores_sha256"`
		Tests []struct {
			Score, First, Second, Standing string
			P                              *float64
			Arrangements                   int
		}
	}
}

// runTwice has an experiment scored by the palette module twice, by what it asks told and untold, and holds all that is told of it the second time against the first, byte by byte.
func (l *lab) runTwice(member, experiment, by string) experimentRun {
	l.t.Helper()
	var all [2]experimentRun
	var scores [2]string
	for i, more := range [][]string{{"--by", by}, nil} {
		text := l.does(member, append([]string{"run", "create", "--title", "by width", "--experiment", experiment, "--module", "palette-width", "--wait", "--output", "json"}, more...)...)
		require.NoError(l.t, json.Unmarshal([]byte(text), &all[i]), text)
		scores[i] = l.does(member, "run", "scores", all[i].ID, "--output", "json")
	}
	assert.Equal(l.t, all[0].Columns, all[1].Columns)
	assert.Equal(l.t, scores[0], scores[1])
	require.Len(l.t, all[0].Results, 1)
	assert.Equal(l.t, all[0].Results, all[1].Results)
	assert.NotEmpty(l.t, all[0].Results[0].Sum)
	return all[0]
}
