package script_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/e2e/script"
)

func TestScriptsAreReadStrictly(t *testing.T) {
	const head = "members ash birch:steward\nmodules none\nstart\n"
	for name, refused := range map[string]struct{ text, fault string }{
		"empty":                  {"", "line 1: no command"},
		"no command":             {head, "no command"},
		"unknown directive":      {head + "wait 3\n", `line 4: "wait" is neither`},
		"unknown member":         {head + "cedar: trial list\n", `line 4: "cedar:" is neither`},
		"unknown expectation":    {head + "ash: whoami\n  shows ash\n", `line 5: "shows" is no expectation`},
		"expectation alone":      {head + "  prints x\n", "belongs below a command"},
		"text alone":             {head + "  | x\n", "belongs below a file"},
		"nothing expected":       {head + "ash: whoami\n  prints\n", "prints what?"},
		"expected twice":         {head + "ash: whoami\n  prints a\n  prints a\n", "there twice"},
		"two exits":              {head + "ash: whoami\n  exit 3\n  exit 4\n", "there twice"},
		"exit zero":              {head + "ash: whoami\n  exit 0\n", "allowed: 1 to 7"},
		"exit unknown":           {head + "ash: whoami\n  exit 8\n", "allowed: 1 to 7"},
		"unknown format":         {head + "ash: whoami\n  as xml\n", "known: json, csv"},
		"keep without group":     {head + "ash: whoami\n  keep id [a-z]+\n", "one group"},
		"keep malformed":         {head + "ash: whoami\n  keep id ([a-z]\n", "one group"},
		"soon with a time":       {head + "ash: whoami\n  soon 3s\n", "stands alone"},
		"value not given":        {head + "ash: trial show $id\n", "$id was not given"},
		"value given later":      {head + "ash: trial show $id\nash: whoami\n  keep id (a)\n", "$id was not given"},
		"file without text":      {head + "file a.yaml\nash: whoami\n", "has no text"},
		"file name with folder":  {head + "file ../a.yaml\n", "one name"},
		"member twice":           {"members ash ash\n", "there twice"},
		"members twice":          {"members ash\nmembers birch\n", "told once"},
		"modules late":           {head + "modules all\n", "told once"},
		"modules all and others": {"members ash\nmodules all palette-width\n", "stands alone"},
		"start without members":  {"modules none\nstart\n", "come before"},
		"start twice":            {head + "start\n", "take turns"},
		"stop first":             {"members ash\nmodules none\nstop\n", "take turns"},
		"command before start":   {"members ash\nmodules none\nash: whoami\n", "nothing was started"},
		"open quote":             {head + "ash: trial search 'x\n", "left open"},
		"tab":                    {head + "ash: whoami\n\tprints x\n", "tab"},
		"white space alone":      {"\u00a0\n", "nothing but white space"},
		"space at the end":       {head + "ash: whoami \n", "ends with a space"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := script.Parse(refused.text)
			require.ErrorContains(t, err, refused.fault)
		})
	}
}

func FuzzScripts(f *testing.F) {
	files, err := filepath.Glob("../../../testdata/scenarios/*.txt")
	require.NoError(f, err)
	require.NotEmpty(f, files)
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(f, err)
		f.Add(string(text))
	}
	f.Fuzz(func(t *testing.T, text string) {
		s, err := script.Parse(text)
		if err != nil {
			return
		}
		for _, step := range s.Steps {
			assert.True(t, step.Do != "" || step.File != "" || len(step.Command) > 0)
		}
	})
}
