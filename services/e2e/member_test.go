package e2e_test

import (
	"encoding/csv"
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

func (l *lab) pieceOf(member, ref string) piece {
	l.t.Helper()
	var p piece
	require.NoError(l.t, json.Unmarshal([]byte(l.does(member, "piece", "show", ref, "--output", "json")), &p))
	return p
}

func TestAMembersWay(t *testing.T) {
	l := newLab(t, "ash", "birch", "cedar")
	l.installModules()
	l.start()

	// Sign in: the token is checked and kept, for this user alone.
	settings := filepath.Join(t.TempDir(), "settings.json")
	signIn := exec.Command(program("commonvat"), "sign-in", "--server", l.address, "--token-file", l.tokens["ash"], "--config", settings)
	signIn.Env = environment()
	out, err := signIn.CombinedOutput()
	require.NoError(t, err, "%s", out)
	info, err := os.Stat(settings)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	whoami := exec.Command(program("commonvat"), "whoami", "--config", settings)
	whoami.Env = environment()
	out, err = whoami.CombinedOutput()
	require.NoError(t, err, "%s", out)
	assert.Contains(t, string(out), "ash")

	// A trial goes in, and the same file again is the same trial.
	assert.Contains(t, l.does("ash", "trial", "submit", "--check", example), "alum > weld > indigo (2 dips)")
	assert.Equal(t, exitNotFound, l.client("ash", "trial", "show", exampleID).code, "a check writes nothing")
	l.does("ash", "trial", "submit", example)
	l.does("ash", "trial", "submit", example)
	pieces := l.piecesOf("ash", exampleID)
	require.Len(t, pieces, 6)
	assert.Equal(t, "alum > weld > indigo (2 dips)", pieces["yellow first"].Route.Text)
	assert.Equal(t, "indigo > weld", pieces["blue first"].Route.Order)

	asJSON := filepath.Join(t.TempDir(), "small.json")
	require.NoError(t, os.WriteFile(asJSON, []byte(`{"title": "one strip (invented)", "pieces": [{"name": "strip", "fibre": "silk", "mass": "6 g", "balance": "0.1 g"}],
		"baths": [{"name": "pot", "purpose": "dye", "open_to_members": true, "additions": [{"material": "madder", "role": "dye", "amount": "6 g"}]}]}`), 0o600))
	var made struct {
		Trial struct {
			ID string `json:"id"`
		} `json:"trial"`
		Baths []struct {
			ID string `json:"id"`
		} `json:"baths"`
	}
	require.NoError(t, json.Unmarshal([]byte(l.does("birch", "trial", "submit", asJSON, "--output", "json")), &made))
	open := made.Baths[0].ID

	// What is seen and read later.
	hank := pieces["hank"].Code
	l.does("ash", "look", "add", "--piece", hank, "--text", "a little felted", "--at", "2026-05-20")
	l.does("ash", "reading", "add", pieces["yellow alone too"].Code, "--lab", "80.4,-6.0,50.9", "--condition", "D65/10", "--state", "dry",
		"--age-days", "8", "--instrument", "bench reader (invented)")
	shown := l.does("ash", "trial", "show", exampleID)
	assert.Contains(t, shown, "a little felted")
	assert.Contains(t, shown, "80.4")

	// A part is taken, sent into another member's open bath, and has its own route from there on.
	taken := l.does("ash", "piece", "take", hank, "--mass", "2", "--label", "traveller")
	assert.Contains(t, taken, "traveller")
	traveller := l.piecesOf("ash", exampleID)["traveller"]
	l.does("ash", "piece", "send", traveller.Code, "--bath", open)
	assert.Equal(t, "alum > madder", l.pieceOf("ash", traveller.Code).Route.Text)
	assert.Equal(t, "alum", l.pieceOf("ash", hank).Route.Text)

	// The bath's owner corrects what was in it, and the route changes in the other's trial.
	l.does("birch", "bath", "add", open, "--material", "weld", "--role", "dye", "--amount", "1 g")
	assert.Equal(t, "alum > madder+weld", l.pieceOf("ash", traveller.Code).Route.Text)

	// A piece is split: it ends, and takes no more baths.
	l.does("ash", "piece", "split", traveller.Code, "--mass", "1.0", "--mass", "1.0", "--label", "left", "--label", "right")
	assert.True(t, l.pieceOf("ash", traveller.Code).Ended)
	refused := l.client("ash", "piece", "send", traveller.Code, "--bath", open)
	assert.Equal(t, exitConflict, refused.code, refused.errors)
	assert.Contains(t, refused.errors, traveller.Code)

	// A piece is posted: its holder sees it and reads it, and nobody else does.
	left := l.piecesOf("ash", exampleID)["left"]
	assert.Equal(t, exitNotFound, l.client("cedar", "piece", "show", left.Code).code)
	l.does("ash", "piece", "post", left.Code, "--to", "cedar")
	assert.Equal(t, "alum > madder+weld", l.pieceOf("cedar", left.Code).Route.Text)
	l.does("cedar", "reading", "add", left.Code, "--lab", "41,30,20", "--condition", "D65/10", "--state", "dry", "--age-days", "9")
	assert.Equal(t, exitNotFound, l.client("birch", "piece", "show", left.Code).code)

	// Sharing and withdrawing, also out of the pool's answers.
	assert.Equal(t, exitNotFound, l.client("birch", "trial", "show", exampleID).code)
	assert.NotContains(t, l.does("birch", "trial", "list"), exampleID)
	count := func() int {
		var got struct {
			PiecesUsed   int   `json:"pieces_used"`
			PoolRevision int64 `json:"pool_revision,string"`
		}
		require.NoError(t, json.Unmarshal([]byte(l.asks("birch", "palette", "--by", "mordant", "--output", "json")), &got))
		return got.PiecesUsed
	}
	assert.Zero(t, count())
	l.does("ash", "trial", "share", exampleID, "--level", "cooperative")
	l.eventually(callWithin, "the pool counts what was shared", func() bool { return count() == 6 })
	assert.Contains(t, l.does("birch", "trial", "search", `material = "weld" AND fibre = "wool"`), exampleID)
	assert.NotContains(t, l.does("birch", "trial", "search", `material = "cochineal"`), exampleID)
	assert.Contains(t, l.does("birch", "trial", "show", exampleID), "yellow first")
	order := l.asks("birch", "palette", "--by", "order")
	assert.Contains(t, order, "weld > indigo")
	assert.NotContains(t, order, "p =", "no verdict without an experiment")
	for _, by := range []string{"water", "fibre", "mordant", "exhaust"} {
		assert.Contains(t, l.asks("birch", "palette", "--by", by), "standing:")
	}
	rows, err := csv.NewReader(strings.NewReader(l.asks("birch", "palette", "--by", "mordant", "--output", "csv"))).ReadAll()
	require.NoError(t, err)
	assert.Greater(t, len(rows), 1)
	difference := l.asks("birch", "difference", pieces["yellow first"].Code, pieces["blue first"].Code)
	// go-colorful as second opinion; it counts in hundredths.
	second := 100 * colorful.Lab(0.523, -0.214, 0.248).DistanceCIEDE2000(colorful.Lab(0.499, -0.23, 0.171))
	assert.Contains(t, difference, fmt.Sprintf(": %.3f\n", second))

	// What happened can be watched from any revision on.
	watched := l.does("birch", "watch", "--after", "0", "--count", "3", "--output", "json")
	assert.Equal(t, 3, strings.Count(strings.TrimSpace(watched), "\n")+1, watched)

	l.does("ash", "trial", "withdraw", exampleID)
	assert.Equal(t, exitNotFound, l.client("birch", "trial", "show", exampleID).code)
	l.eventually(callWithin, "the pool no longer counts what was withdrawn", func() bool { return count() == 0 })

	// Exit codes for what goes wrong.
	assert.Equal(t, exitForbidden, l.client("ash", "experiment", "create", "clients/commonvat/internal/cli/testdata/experiment.yaml").code)
	assert.Equal(t, exitForbidden, l.client("ash", "token", "issue", "birch").code)
	bad := l.client("ash", "trial", "search", "colour = \"red\"")
	assert.Equal(t, exitInvalid, bad.code)
	assert.Contains(t, bad.errors, "filter")
	assert.Equal(t, exitUsage, l.client("ash", "palette").code)

	// Nothing secret is in the core's log.
	for member, file := range l.tokens {
		token, err := os.ReadFile(file)
		require.NoError(t, err)
		assert.NotContains(t, l.log(), strings.TrimSpace(string(token)), member)
	}
	l.stop()
	assert.Equal(t, exitUnavailable, l.client("ash", "--timeout", "3s", "trial", "list").code)
	assert.Empty(t, l.modulePIDs())
}
