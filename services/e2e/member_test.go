package e2e_test

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/lucasb-eyer/go-colorful"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const example = "testdata/examples/two-orders.yaml"
const exampleID = "019df400-0000-7000-8000-000000000001"

// piece is what the tests need of a piece in the client's JSON.
type piece struct {
	ID     string `json:"id"`
	Code   string `json:"code"`
	Label  string `json:"label"`
	Holder string `json:"holder"`
	Ended  bool   `json:"ended"`
	Route  struct {
		Text  string `json:"text"`
		Order string `json:"order"`
	} `json:"route"`
}

func (l *lab) piecesOf(member, trial string) map[string]piece {
	l.t.Helper()
	var shown struct {
		Pieces []piece `json:"pieces"`
	}
	require.NoError(l.t, json.Unmarshal([]byte(l.does(member, "trial", "show", trial, "--output", "json")), &shown))
	byLabel := map[string]piece{}
	for _, p := range shown.Pieces {
		byLabel[p.Label] = p
	}
	return byLabel
}

func TestSignInKeepsTheTokenForThisUserAlone(t *testing.T) {
	l := newLab(t, "ash")
	l.start()
	settings := filepath.Join(t.TempDir(), "settings.json")
	run := func(args ...string) (string, int) {
		ctx, cancel := context.WithTimeout(t.Context(), callWithin)
		defer cancel()
		cmd := exec.CommandContext(ctx, program("commonvat"), append(args, "--config", settings)...)
		cmd.Env = environment()
		out, _ := cmd.CombinedOutput() // the exit code tells
		return string(out), cmd.ProcessState.ExitCode()
	}
	wrong := filepath.Join(t.TempDir(), "wrong.token")
	token, err := os.ReadFile(l.tokens["ash"])
	require.NoError(t, err)
	last := len(strings.TrimSpace(string(token))) - 1
	changed := string(token[:last]) + string('a'+(token[last]-'a'+1)%6) // another letter or figure
	require.NotEqual(t, string(token), changed)
	require.NoError(t, os.WriteFile(wrong, []byte(changed), 0o600))
	out, code := run("sign-in", "--server", l.address, "--token-file", wrong)
	assert.Equal(t, exitForbidden, code, out)
	assert.NotContains(t, out, changed)
	assert.NoFileExists(t, settings)

	out, code = run("sign-in", "--server", l.address, "--token-file", l.tokens["ash"])
	require.Zero(t, code, out)
	info, err := os.Stat(settings)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	out, code = run("whoami")
	require.Zero(t, code, out)
	assert.Contains(t, out, "ash")

	require.NoError(t, os.Chmod(settings, 0o644))
	out, code = run("whoami")
	assert.NotZero(t, code, "a token that others can read is refused")
	assert.Contains(t, out, "chmod 600")
	l.stop()
	l.hasNoTokenInLog()
}

func TestDifferenceAgainstASecondOpinion(t *testing.T) {
	l := newLab(t, "ash")
	l.installModules("reading-reflectance", "difference-deltae")
	l.start()
	l.does("ash", "trial", "submit", example)
	pieces := l.piecesOf("ash", exampleID)
	difference := l.asks("ash", "difference", pieces["yellow first"].Code, pieces["blue first"].Code)
	// go-colorful as second opinion; it counts in hundredths.
	second := 100 * colorful.Lab(0.523, -0.214, 0.248).DistanceCIEDE2000(colorful.Lab(0.499, -0.23, 0.171))
	assert.Contains(t, difference, fmt.Sprintf(": %.3f\n", second))
	l.stop()
}

// What another member shares is told to whoever is watching, while they watch; what isn't theirs to see is not.
func TestWatchTellsWhatHappens(t *testing.T) {
	l := newLab(t, "ash", "birch")
	l.start()
	l.does("ash", "trial", "submit", example)
	ctx, cancel := context.WithTimeout(t.Context(), callWithin)
	defer cancel()
	watching := exec.CommandContext(ctx, program("commonvat"), "watch", "--after", "1", "--output", "json")
	watching.Env = environment("HOME="+l.data, "COMMONVAT_SERVER="+l.address, "COMMONVAT_TOKEN_FILE="+l.tokens["birch"])
	output, err := watching.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, watching.Start())
	lines := bufio.NewScanner(output)
	next := func() (change struct {
		Kind     string `json:"kind"`
		RecordID string `json:"record_id"`
		ByMember string `json:"by_member"`
	}) {
		require.True(t, lines.Scan(), "the watch goes on")
		require.NoError(t, json.Unmarshal(lines.Bytes(), &change), lines.Text())
		return change
	}
	seen := func(kind, id string) { // baths of the trial are told too
		for {
			change := next()
			if change.Kind == "CHANGE_KIND_WITHDRAWN" {
				assert.Empty(t, change.ByMember, "which record to forget, and nothing else")
			} else {
				assert.Equal(t, "ash", change.ByMember)
			}
			assert.NotEqual(t, "CHANGE_KIND_CREATED", change.Kind, "before it was shared")
			if change.RecordID == id && change.Kind == kind {
				return
			}
		}
	}
	l.does("ash", "trial", "share", exampleID, "--level", "cooperative")
	seen("CHANGE_KIND_SHARED", exampleID)
	l.does("ash", "look", "add", "--piece", l.piecesOf("ash", exampleID)["hank"].Code, "--text", "a little felted")
	seen("CHANGE_KIND_CHANGED", exampleID)
	l.does("ash", "trial", "withdraw", exampleID)
	seen("CHANGE_KIND_WITHDRAWN", exampleID)

	// Ctrl-C ends it, and whoever watches doesn't hold up the end of the core.
	require.NoError(t, watching.Process.Signal(os.Interrupt))
	for lines.Scan() {
	}
	_ = watching.Wait()
	assert.Contains(t, []int{0, 130}, watching.ProcessState.ExitCode())
	l.stop()
}
