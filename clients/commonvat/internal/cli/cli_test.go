package cli

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"flag"
	"fmt"
	"maps"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	accessv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/spf13/cobra"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/status"
)

func TestMain(m *testing.M) {
	// The thread that starts modules lives as long as the program.
	plugintest.RunWithoutLeaks(m, goleak.IgnoreTopFunction("github.com/commonvat/commonvat/plugins/sdk/host.spawn"))
}

var update = flag.Bool("update", false, "write the golden files anew")

// lookID is an entry to be corrected.
const lookID = "01970000-0000-7000-8000-0000000000c1"

const imports = "../../../../testdata/import/"

// goldenCases are command lines by the names of their files.
func goldenCases() map[string]string {
	submit := "--request-id " + request
	cases := map[string]string{
		"whoami":                "whoami",
		"whoami-json":           "whoami --output json",
		"trial-submit":          "trial submit testdata/trial.yaml",
		"trial-submit-check":    "trial submit --check testdata/trial.yaml",
		"trial-list":            "trial list",
		"trial-list-csv":        "trial list --output csv",
		"trial-list-limit":      "trial list --limit 1",
		"trial-search":          "trial search material=\"weld\" --output json",
		"trial-show":            "trial show " + trialID,
		"trial-show-csv":        "trial show --output csv " + trialID,
		"trial-show-missing":    "trial show " + pieceID,
		"trial-share":           "trial share " + trialID + " --level public --licence CC-BY-4.0 " + submit,
		"usage-share-licence":   "trial share " + trialID + " --level public",
		"usage-predict-two":     "predict K7P M2Q --second weld",
		"usage-ph":              "bath add " + bathID + " --ph 15",
		"modules-report":        "modules report hue",
		"modules-report-csv":    "modules report hue --output csv",
		"modules-report-json":   "modules report hue --output json",
		"modules-report-none":   "modules report wide@1.0.0",
		"modules-held-missing":  "modules held palette-nowhere",
		"usage-import-share":    "import testdata/spectrum.csv --mapping testdata/spectrum.csv --share public",
		"usage-flag-value":      "audit --after yesterday",
		"usage-part":            "palette --by order --output csv --part middle",
		"usage-to":              "sheet show " + planID + " --form pdf --to testdata/nowhere/sheet.pdf",
		"usage-to-folder":       "sheet show " + planID + " --to testdata",
		"input-folder":          "trial submit testdata",
		"plan-health-missing":   "plan testdata/plan.yaml --health testdata/no-health.yaml",
		"trial-withdraw":        "trial withdraw " + trialID + " " + submit,
		"trial-finish":          "trial finish " + trialID + " " + submit,
		"trial-abandon":         "trial abandon --reason moths " + trialID + " " + submit,
		"look-corrects":         "look add --piece K7P --text greener --corrects " + lookID + " --reason wrong-piece " + submit,
		"look-add":              "look add --piece K7P --text paler --at 2026-05-03 " + submit,
		"reading-add":           "reading add K7P --lab 50,-1.5,2 --condition D65/10 --state dry --age-days 8 --specular included " + submit,
		"reading-corrects":      "reading add K7P --lab 50,-1.5,2 --condition D65/10 --after 1 --corrects " + lookID + " --reason dirty-tile " + submit,
		"judgement-add":         "judgement add K7P M2Q --yellower M2Q --light north-window --blind --at 2026-05-12 " + submit,
		"judgement-grey":        "judgement add K7P M2Q --grey-scale 3.5 " + submit,
		"judgement-usage":       "judgement add K7P M2Q --deeper K8P",
		"judgement-usage-none":  "judgement add K7P M2Q",
		"reading-add-spectrum":  "reading add K7P --spectrum testdata/spectrum.csv --percent " + submit,
		"piece-show":            "piece show K7P",
		"piece-split":           "piece split K7P --mass 7.1 --mass 7.0 --label left --label right " + submit,
		"piece-take":            "piece take K7P --mass 3 --after 1 " + submit,
		"piece-send":            "piece send K7P --bath " + bathID + " --dips 2 --depth deep " + submit,
		"piece-send-corrects":   "piece send K7P --bath " + bathID + " --corrects " + lookID + " --reason wrong-pot " + submit,
		"piece-correct":         "piece correct K7P --mass 13.9 --reason tare " + submit,
		"usage-corrects":        "look add --piece K7P --text x --corrects " + lookID,
		"usage-corrects-place":  "piece send K7P --bath " + bathID + " --corrects " + bathID + " --reason x",
		"piece-post":            "piece post K7P --to bo " + submit,
		"bath-create":           "bath create testdata/bath.yaml",
		"bath-show":             "bath show " + bathID,
		"bath-list":             "bath list --output csv",
		"bath-add":              "bath add " + bathID + " --material weld --role dye --amount 1oz --exhaust 1 " + submit,
		"bath-add-check":        "bath add " + bathID + " --ph 7.2 --temperature 140F " + submit,
		"bath-corrects":         "bath add " + bathID + " --material weld --role dye --amount 31g --corrects " + lookID + " --reason misread " + submit,
		"bath-open":             "bath open " + bathID + " " + submit,
		"water-add":             "water add mill-well --kind well --hardness 212.5 --taken 2026-05 " + submit,
		"water-sample":          "water sample " + sourceID + " --ph 7.1 " + submit,
		"water-list":            "water list",
		"experiment-create":     "experiment create testdata/experiment.yaml",
		"experiment-waters":     "experiment create testdata/experiment-waters.yaml",
		"experiment-mordants":   "experiment create testdata/experiment-mordants.yaml",
		"experiment-list":       "experiment list",
		"experiment-show":       "experiment show " + sourceID + " --output json",
		"watch":                 "watch --after 7 --count 3",
		"watch-json":            "watch --after 7 --count 2 --output json",
		"watch-csv":             "watch --after 7 --count 2 --output csv",
		"watch-ahead":           "watch --after 101",
		"palette":               "palette --by order --where fibre=\"wool\" --seed 7",
		"palette-csv":           "palette --by mordant --output csv",
		"palette-csv-pairs":     "palette --by order --output csv --part pairs",
		"palette-csv-effects":   "palette --by order --output csv --part effects",
		"palette-csv-cells":     "palette --by order --output csv --part cells",
		"palette-csv-blanks":    "palette --by order --output csv --part blanks",
		"palette-csv-judged":    "palette --by order --output csv --part judgements",
		"palette-csv-waters":    "palette --by water --output csv --part waters",
		"palette-csv-apart":     "palette --by mordant --output csv --part apart",
		"palette-csv-figures":   "palette --by water --output csv --part water-figures",
		"palette-verdict":       "palette --experiment " + watersID,
		"palette-verdict-csv":   "palette --experiment " + watersID + " --output csv --part apart",
		"palette-csv-wpairs":    "palette --experiment " + watersID + " --output csv --part water-pairs",
		"experiment-show-names": "experiment show " + watersID,
		"palette-usage-by":      "palette --where fibre=\"wool\"",
		"palette-json":          "palette --by exhaust --output json",
		"status":                "status",
		"difference":            "difference K7P K8A",
		"difference-csv":        "difference K7P K8A --formula cie76 --output csv",
		"difference-factors":    "difference K7P K8A --formula cmc:2:1 --output csv",
		"predict":               "predict K7P --second indigo --depth deep --order",
		"predict-csv":           "predict --lab 75,2,50 --first weld --fibre wool --mordant alum --second indigo --output csv",
		"predict-csv-trials":    "predict K7P --second indigo --output csv --part trials",
		"predict-refused":       "predict K7P --second lac",
		"usage-predict":         "predict --second indigo",
		"import-check":          "import " + imports + "invented.csv --mapping " + imports + "invented.mapping.yaml --check --output csv",
		"import":                "import " + imports + "invented.csv --mapping " + imports + "invented.mapping.yaml --share cooperative",
		"members":               "members",
		"members-add":           "members add dora --name Dora --role member --role researcher",
		"modules":               "modules",
		"token-issue":           "token issue bo --label phone --expires 2027-01-31",
		"token-revoke":          "token revoke t1",
		"usage-format":          "trial list --output yaml",
		"usage-command":         "palete",
		"usage-flag":            "trial list --colour",
		"usage-arguments":       "trial show",
		"usage-by":              "palette --by moon",
		"usage-masses":          "piece split K7P --mass 7",
		"usage-volume":          "piece take K7P --mass 7L",
		"usage-request-id":      "piece take K7P --mass 7 --request-id 12",
		"usage-reason":          "trial abandon " + trialID,
		"input-missing-file":    "trial submit testdata/none.yaml",
		"input-missing-mapping": "import " + imports + "invented.csv --mapping testdata/none.yaml",
	}
	maps.Copy(cases, keepCases)
	maps.Copy(cases, benchCases)
	return cases
}

// Each command with its exit code, what it writes and what it asks of the core.
func TestGolden(t *testing.T) {
	for name, args := range goldenCases() {
		t.Run(name, func(t *testing.T) {
			f := startFake(t)
			r := f.run(t, "", strings.Split(args, " ")...)
			var b strings.Builder
			fmt.Fprintf(&b, "$ commonvat %s\nexit %d\n", strings.ReplaceAll(args, imports, "testdata/import/"), r.code)
			for _, part := range []struct{ name, text string }{{"stdout", r.out}, {"stderr", r.err}, {"asked", strings.Join(append(f.take(), ""), "\n")}} {
				fmt.Fprintf(&b, "--- %s\n%s", part.name, part.text)
			}
			golden := filepath.Join("testdata", "golden", name+".txt")
			if *update {
				require.NoError(t, os.MkdirAll(filepath.Dir(golden), 0o755))
				require.NoError(t, os.WriteFile(golden, []byte(b.String()), 0o644))
			}
			want, err := os.ReadFile(golden)
			require.NoError(t, err)
			assert.Equal(t, string(want), b.String())
		})
	}
}

func TestExitCodes(t *testing.T) {
	f := startFake(t)
	reused, err := status.New(codes.InvalidArgument, "request id was used with another body").WithDetails(&errdetails.ErrorInfo{Reason: "REQUEST_ID_REUSED"})
	require.NoError(t, err)
	slow, err := status.New(codes.DeadlineExceeded, "module took too long").WithDetails(&errdetails.ErrorInfo{Reason: "MODULE_TOO_SLOW"})
	require.NoError(t, err)
	for _, c := range []struct {
		fault error
		code  int
		says  string
	}{
		{nil, ExitOK, ""},
		{status.Error(codes.Internal, "x"), ExitOther, "x"},
		{status.Error(codes.NotFound, "no such trial"), ExitNotFound, "no such trial"},
		{status.Error(codes.PermissionDenied, "not yours"), ExitNotAllowed, "not yours"},
		{status.Error(codes.Unauthenticated, "token ended"), ExitNotAllowed, "sign-in"},
		{status.Error(codes.AlreadyExists, "x"), ExitConflict, "x"},
		{status.Error(codes.FailedPrecondition, "x"), ExitConflict, "x"},
		{status.Error(codes.Aborted, "x"), ExitConflict, "x"},
		{reused.Err(), ExitConflict, "another body"},
		{status.Error(codes.ResourceExhausted, "x"), ExitUnavailable, "x"},
		{status.Error(codes.DeadlineExceeded, "x"), ExitUnavailable, "--timeout"},
		{slow.Err(), ExitUnavailable, "commonvat: module took too long"},
		{badRequest("a", "b"), ExitInput, "  a: 3 is out of range: 0 to 2\n  b: 3 is out of range: 0 to 2\n"},
		{status.Error(codes.OutOfRange, "x"), ExitInput, "x"},
	} {
		if c.fault != nil {
			f.fail(c.fault)
		}
		r := f.run(t, "", "trial", "withdraw", trialID)
		assert.Equal(t, c.code, r.code, "%v", c.fault)
		assert.Contains(t, r.err, c.says)
		if c.code != ExitOK {
			assert.Empty(t, r.out, "a fault writes nothing to standard output")
		}
	}
}

func TestFieldsAreNamedAsInTheFile(t *testing.T) {
	f := startFake(t)
	f.fail(badRequest("trial.pieces[1].mass.value", "baths[0].liquor", "trial.immersions[3].exhaust"))
	r := f.run(t, "", "trial", "submit", "testdata/trial.yaml")
	assert.Equal(t, ExitInput, r.code)
	assert.Contains(t, r.err, `piece "w2", line 32: trial.pieces[1].mass.value: 3 is out of range`)
	assert.Contains(t, r.err, `bath "alum pot", line 11: baths[0].liquor`)
	assert.Contains(t, r.err, `immersion of "w2", line 37: trial.immersions[3].exhaust`)
}

func TestUnavailableIsTriedAgainWithTheSameRequest(t *testing.T) {
	f := startFake(t)
	gone := status.Error(codes.Unavailable, "going down")
	f.fail(gone, gone)
	r := f.run(t, "", "trial", "withdraw", trialID)
	require.Equal(t, ExitOK, r.code, r.err)
	asked := f.take()
	require.Len(t, asked, 3)
	assert.Equal(t, asked[0], asked[1])
	assert.Equal(t, asked[0], asked[2])

	f.fail(gone)
	r = f.run(t, "", "token", "issue", "bo")
	assert.Equal(t, ExitUnavailable, r.code, "each call makes another token, so it isn't repeated")
	assert.Len(t, f.take(), 1)

	f.fail(gone, gone, gone, gone)
	r = f.run(t, "", "trial", "finish", trialID)
	assert.Equal(t, ExitUnavailable, r.code)
	assert.Contains(t, r.err, "no answer from the core at "+f.address+": ")
	assert.Contains(t, r.err, "going down\n")
	assert.Contains(t, r.err, "--request-id ")
	none, err := status.New(codes.Unavailable, `no such module is active: "reach"`).WithDetails(&errdetails.ErrorInfo{Reason: "NO_MODULE"})
	require.NoError(t, err)
	f.fail(none.Err(), none.Err(), none.Err(), none.Err())
	r = f.run(t, "", "trial", "finish", trialID)
	assert.Equal(t, ExitUnavailable, r.code)
	assert.Equal(t, "commonvat: no such module is active: \"reach\"; see: commonvat modules\n", r.err, "it was not written")
}

func TestSameFileIsSameRequest(t *testing.T) {
	f := startFake(t)
	file := filepath.Join(t.TempDir(), "t.yaml")
	data, err := os.ReadFile("testdata/trial.yaml")
	require.NoError(t, err)
	text := strings.Replace(string(data), "id: 0197a000-0000-7000-8000-000000000001\n", "", 1)
	require.NoError(t, os.WriteFile(file, []byte(text), 0o600))

	require.Equal(t, ExitOK, f.run(t, "", "trial", "submit", file).code)
	require.Equal(t, ExitOK, f.run(t, "", "trial", "submit", file).code)
	asked := f.take()
	assert.Equal(t, asked[0], asked[1], "the id was kept beside the file")
	require.NoError(t, os.WriteFile(file, []byte(strings.Replace(text, "medium", "deep", 1)), 0o600))
	require.Equal(t, ExitOK, f.run(t, "", "trial", "submit", file).code)
	changed := f.take()[0]
	assert.NotEqual(t, asked[0][:70], changed[:70], "a changed file is another request")
	assert.Contains(t, changed, `"trial":{"id":"`+between(asked[0], `"trial":{"id":"`, `"`), "and the same trial")

	// From standard input the id is told, and can be given again.
	r := f.run(t, text, "trial", "submit", "-")
	require.Equal(t, ExitOK, r.code)
	id := strings.TrimSpace(strings.TrimPrefix(strings.Split(r.err, "\n")[0], "sent as --request-id"))
	require.Equal(t, ExitOK, f.run(t, text, "trial", "submit", "-", "--request-id", id).code)
	asked = f.take()
	assert.Equal(t, asked[0], asked[1])

	// Checking leaves nothing behind.
	other := filepath.Join(t.TempDir(), "u.yaml")
	require.NoError(t, os.WriteFile(other, []byte(text), 0o600))
	require.Equal(t, ExitOK, f.run(t, "", "trial", "submit", "--check", other).code)
	assert.NoFileExists(t, other+".sent")
}

func between(s, from, to string) string {
	_, s, _ = strings.Cut(s, from)
	s, _, _ = strings.Cut(s, to)
	return s
}

func TestSendAgainKeepsThePlace(t *testing.T) {
	f := startFake(t)
	args := []string{"piece", "send", "K7P", "--bath", bathID, "--request-id", request}
	require.Equal(t, ExitOK, f.run(t, "", args...).code)
	require.Equal(t, ExitOK, f.run(t, "", args...).code)
	var sent []string
	for _, a := range f.take() {
		if strings.HasPrefix(a, "AddEntries") {
			sent = append(sent, a)
		}
	}
	require.Len(t, sent, 2)
	assert.Equal(t, sent[0], sent[1])
	assert.Contains(t, sent[0], `"position":3`, "superseded places are free")
}

func TestTakeAgainSharesTheSame(t *testing.T) {
	f := startFake(t)
	args := []string{"piece", "take", "K7P", "--mass", "3", "--request-id", request}
	require.Equal(t, ExitOK, f.run(t, "", args...).code)
	f.further = 1
	require.Equal(t, ExitOK, f.run(t, "", args...).code)
	var sent []string
	for _, a := range f.take() {
		if strings.HasPrefix(a, "AddEntries") {
			sent = append(sent, a)
		}
	}
	require.Len(t, sent, 2)
	assert.Contains(t, sent[0], `"after_position":2`)
	assert.Equal(t, sent[0], sent[1], "though the piece went into another bath since")
	require.Equal(t, ExitOK, f.run(t, "", "piece", "take", "K7P", "--mass", "3").code)
	assert.Contains(t, strings.Join(f.take(), "\n"), `"after_position":3`)
	r := f.run(t, "", "piece", "take", "K7P", "--mass", "3", "--after", "0")
	require.Equal(t, ExitOK, r.code)
	assert.NotContains(t, strings.Join(f.take(), "\n"), "after_position", "0 is told, and is the interface's own zero")
}

// Whoever holds a posted piece may not be able to read its trial; the piece itself tells its place.
func TestPostedPieceKnowsItsPlace(t *testing.T) {
	f := startFake(t)
	f.posted = true
	require.Equal(t, ExitOK, f.run(t, "", "piece", "send", "K7P", "--bath", bathID).code)
	assert.Contains(t, strings.Join(f.take(), "\n"), `"position":3`)
}

// Every command has an example, and that is a command line that the program takes.
func TestExamples(t *testing.T) {
	root := (&app{}).root()
	left := maps.Clone(examples)
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		for _, sub := range c.Commands() {
			walk(sub)
		}
		if c.HasSubCommands() && c.Name() != "members" && c.Name() != "export" {
			return
		}
		path := strings.TrimPrefix(c.CommandPath(), "commonvat ")
		line, ok := strings.CutPrefix(strings.TrimSpace(c.Example), "commonvat ")
		if !assert.True(t, ok, "%s has no example", path) {
			return
		}
		delete(left, path)
		args := shellWords(line)
		found, rest, err := root.Find(args)
		require.NoError(t, err, line)
		assert.Equal(t, c, found, line)
		require.NoError(t, found.ParseFlags(rest), line)
		require.NoError(t, found.ValidateArgs(found.Flags().Args()), line)
	}
	walk(root)
	assert.Empty(t, left, "examples of no command")
}

// shellWords takes a command line apart as a shell does, as far as the examples need it.
func shellWords(line string) []string {
	var out []string
	for _, m := range regexp.MustCompile(`'([^']*)'|"([^"]*)"|(\S+)`).FindAllStringSubmatch(line, -1) {
		out = append(out, m[1]+m[2]+m[3])
	}
	return out
}

// Long tables are cut on screen, warnings never; baths of one name are told apart.
func TestLongTrial(t *testing.T) {
	trial := &labv1.Trial{Title: "long", Warnings: make([]*labv1.Warning, 70)}
	for i := range 70 {
		trial.Readings = append(trial.Readings, &labv1.Reading{Id: fmt.Sprintf("r%d.", i)})
		trial.Warnings[i] = &labv1.Warning{Text: fmt.Sprintf("odd %d.", i)}
	}
	trial.Immersions = []*labv1.Immersion{{BathId: "0001-aaaaaa"}, {BathId: "0002-bbbbbb"}, {BathId: "0003"}}
	baths := []*labv1.Bath{{Id: "0001-aaaaaa", Label: "vat"}, {Id: "0002-bbbbbb", Label: "vat"}, {Id: "0003", Label: "weld pot"}}
	assert.Equal(t, "", exhaustIn(nil, 0), "unknown is not fresh")
	assert.Equal(t, "2", exhaustIn(nil, 2))
	assert.Equal(t, "fresh", exhaustIn(baths[0], 0))
	assert.Equal(t, "not stated", exhaustIn(&labv1.Bath{ExhaustNotStated: true}, 0))
	assert.Equal(t, "number not stated", exhaustIn(&labv1.Bath{ExhaustNumberNotStated: true}, 0))
	for _, all := range []bool{false, true} {
		var out bytes.Buffer
		a := &app{Surroundings: Surroundings{Out: &out, Err: &out}, format: "table"}
		require.NoError(t, a.showTrial(trial, trial, baths, all))
		assert.Contains(t, out.String(), "r59.")
		assert.Equal(t, all, strings.Contains(out.String(), "r60."))
		assert.Equal(t, !all, strings.Contains(out.String(), "and 10 more (trial show --all has them)\n"))
		assert.Contains(t, out.String(), "odd 69.")
		assert.Regexp(t, `vat …aaaaaa .*\n.*vat …bbbbbb .*\n.* weld pot  `, out.String())
	}
}

func TestImportAgain(t *testing.T) {
	f := startFake(t)
	dir := t.TempDir()
	table := filepath.Join(dir, "t.csv")
	args := []string{"import", table, "--mapping", imports + "invented.mapping.yaml"}
	data, err := os.ReadFile(imports + "invented.csv")
	require.NoError(t, err)
	good, _, _ := strings.Cut(string(data), "v8,")
	require.NoError(t, os.WriteFile(table, []byte(good), 0o600))
	r := f.run(t, "", args...)
	assert.Equal(t, result{ExitOK, "7 added, 0 unchanged, 0 updated, 0 in conflict, 0 refused\n", "the rows are in trial " + trialID + "\n"}, r)
	assert.Equal(t, "0 added, 7 unchanged, 0 updated, 0 in conflict, 0 refused\n", f.run(t, "", args...).out)

	require.NoError(t, os.WriteFile(table, []byte(strings.Replace(good, "78.2", "79.2", 1)), 0o600))
	r = f.run(t, "", args...)
	assert.Equal(t, ExitConflict, r.code)
	assert.Contains(t, r.out, "4  v1   conflict  reading: other content was imported before\n")
	r = f.run(t, "", append(args, "--update")...)
	assert.Equal(t, ExitOK, r.code)
	assert.Equal(t, "0 added, 6 unchanged, 1 updated, 0 in conflict, 0 refused\n", r.out)
}

func TestImportInBatches(t *testing.T) {
	f := startFake(t)
	mapping := filepath.Join(t.TempDir(), "m.yaml")
	require.NoError(t, os.WriteFile(mapping, []byte("source: s\nrow_key: k\nfibre: {composition: {wool: 100}}\nreading: {lab: [L, a, b], condition: D65/10}\n"), 0o600))
	var table strings.Builder
	table.WriteString("k,L,a,b\n")
	for i := range 1201 {
		fmt.Fprintf(&table, "r%d,50,0,0\n", i)
	}
	r := f.run(t, table.String(), "import", "-", "--mapping", mapping)
	require.Equal(t, ExitOK, r.code, r.err)
	assert.Contains(t, r.out, "1201 added")
	assert.Len(t, f.take(), 3)
}

// Of many groups the table leaves out those of a single cell, and says how many.
func TestManyGroups(t *testing.T) {
	r := &poolv1.AskPaletteResponse{Headline: "many"}
	for i := range 25 {
		r.Groups = append(r.Groups, &poolv1.GroupAnswer{Group: fmt.Sprintf("group %d", i), Cells: int32(i % 5)})
	}
	for _, all := range []bool{false, true} {
		var out bytes.Buffer
		a := &app{Surroundings: Surroundings{Out: &out, Err: &out, Getenv: func(string) string { return "" }}, config: filepath.Join(t.TempDir(), "s.json")}
		require.NoError(t, a.paletteTable(t.Context(), r, all))
		assert.Equal(t, all, strings.Contains(out.String(), "group 1 "))
		assert.Contains(t, out.String(), "group 2 ")
		assert.Equal(t, !all, strings.Contains(out.String(), "and 10 groups of a single cell"))
		assert.NotContains(t, out.String(), "asked", "an older core doesn't tell")
	}
}

// The real tables come from elsewhere and are not part of this project.
func TestImportMeasured(t *testing.T) {
	dir := os.Getenv("COMMONVAT_MEASURED_DIR")
	if dir == "" {
		t.Skip("COMMONVAT_MEASURED_DIR is not set: the check on real measurements was not made")
	}
	f := startFake(t)
	args := []string{"import", filepath.Join(dir, "biodyes_lab.csv"), "--join", filepath.Join(dir, "biodyes_spectra.csv"), "--mapping", imports + "wool-spectra.mapping.yaml"}
	assert.Equal(t, "422 added, 0 unchanged, 0 updated, 0 in conflict, 0 refused\n", f.run(t, "", args...).out)
	assert.Equal(t, "0 added, 422 unchanged, 0 updated, 0 in conflict, 0 refused\n", f.run(t, "", args...).out)
}

func TestSignIn(t *testing.T) {
	f := startFake(t)
	config := filepath.Join(t.TempDir(), "deep", "settings.json")
	none := none()
	r := runWith(t, "wrong\n", none, "sign-in", "--server", f.address, "--config", config)
	assert.Equal(t, ExitNotAllowed, r.code)
	assert.NoFileExists(t, config, "a token that the core refuses is not kept")
	r = runWith(t, goodWord+"\n", none, "sign-in", "--server", f.address, "--config", config)
	require.Equal(t, ExitOK, r.code, r.err)
	assert.NotContains(t, r.err+r.out, goodWord)
	info, err := os.Stat(config)
	require.NoError(t, err)
	assert.EqualValues(t, 0o600, info.Mode().Perm())

	assert.Equal(t, ExitOK, runWith(t, "", none, "whoami", "--config", config).code)
	// The kept token is for the kept server alone.
	other := startFake(t)
	r = runWith(t, "", none, "whoami", "--config", config, "--server", other.address)
	assert.Equal(t, ExitNotAllowed, r.code)
	// The flag goes before the environment, the environment before the file.
	r = runWith(t, "", map[string]string{"COMMONVAT_SERVER": other.address}, "whoami", "--config", config)
	assert.Equal(t, ExitNotAllowed, r.code)
	assert.Equal(t, ExitOK, runWith(t, "", map[string]string{"COMMONVAT_SERVER": other.address}, "whoami", "--config", config, "--server", f.address).code)

	require.NoError(t, os.Chmod(config, 0o644))
	r = runWith(t, "", none, "whoami", "--config", config)
	assert.Equal(t, ExitInput, r.code)
	assert.Contains(t, r.err, "can be read by others")
	assert.Equal(t, ExitInput, runWith(t, "", none, "sign-in", "--server", f.address, "--config", config).code, "no token")
	assert.Equal(t, ExitUsage, runWith(t, goodWord, none, "sign-in", "--server", "nowhere", "--config", config).code)
}

func TestNoAnswer(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close() //nolint:errcheck // test
	config := filepath.Join(t.TempDir(), "s.json")
	r := runWith(t, "", none(), "whoami", "--config", config, "--server", l.Addr().String(), "--timeout", "300ms")
	assert.Equal(t, ExitUnavailable, r.code)
	assert.Contains(t, r.err, "in time")
}

func none() map[string]string { return map[string]string{} }

// To anything but this machine, and wherever certificates are given, the token goes by TLS only.
func TestTLS(t *testing.T) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(t, err)
	ca := filepath.Join(t.TempDir(), "ca.pem")
	require.NoError(t, os.WriteFile(ca, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	f := &fake{waits: map[string]time.Duration{}}
	s := grpc.NewServer(grpc.Creds(credentials.NewTLS(&tls.Config{MinVersion: tls.VersionTLS13, Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}})),
		grpc.UnaryInterceptor(func(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
			if err := f.note(ctx, info.FullMethod, req); err != nil {
				return nil, err
			}
			return next(ctx, req)
		}))
	accessv1.RegisterAccessServiceServer(s, f)
	done := make(chan struct{})
	go func() { defer close(done); _ = s.Serve(l) }()
	defer func() { s.Stop(); <-done }()
	config := filepath.Join(t.TempDir(), "s.json")
	r := runWith(t, goodWord, none(), "sign-in", "--config", config, "--server", l.Addr().String(), "--tls-ca", ca)
	require.Equal(t, ExitOK, r.code, r.err)
	assert.Equal(t, ExitOK, runWith(t, "", none(), "whoami", "--config", config).code, "the certificates are kept too")
	f.take()
	r = runWith(t, goodWord, none(), "sign-in", "--config", filepath.Join(t.TempDir(), "s.json"), "--server", l.Addr().String(), "--timeout", "500ms")
	assert.Equal(t, ExitUnavailable, r.code)
	assert.Empty(t, f.take())
}

func TestWatchEndsWhenInterrupted(t *testing.T) {
	f := startFake(t)
	ctx, cancel := context.WithCancel(t.Context())
	out := &stopAfter{lines: 3, stop: cancel}
	token := filepath.Join(t.TempDir(), "token")
	require.NoError(t, os.WriteFile(token, []byte(goodWord), 0o600))
	code := Run(ctx, []string{"watch", "--after", "0", "--config", token + ".json"}, Surroundings{In: strings.NewReader(""), Out: out, Err: os.Stderr,
		Getenv: func(k string) string {
			return map[string]string{"COMMONVAT_SERVER": f.address, "COMMONVAT_TOKEN_FILE": token}[k]
		}})
	assert.Equal(t, ExitOK, code)
}

type stopAfter struct {
	lines int
	stop  func()
}

func (s *stopAfter) Write(p []byte) (int, error) {
	if s.lines--; s.lines == 0 {
		s.stop()
	}
	return len(p), nil
}
