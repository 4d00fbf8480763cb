package cli

import (
	"bytes"
	"debug/elf"
	"encoding/json"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/commonvat/commonvat/plugins/sdk/host"
	"github.com/commonvat/commonvat/plugins/sdk/python/pythontest"
	"github.com/commonvat/commonvat/plugins/template"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func module(t *testing.T, args ...string) (code int, out, said string) {
	t.Helper()
	var o, e bytes.Buffer
	code = Run(t.Context(), append([]string{"module"}, args...), Surroundings{In: strings.NewReader(""), Out: &o, Err: &e, Getenv: func(string) string { return "" }})
	return code, o.String(), e.String()
}

// begun writes and builds a module. Its folder lies in this package's, since it is built as a part of the tree.
func begun(t *testing.T, name, kind string) string {
	t.Helper()
	parent, err := os.MkdirTemp(".", "begun")
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, os.RemoveAll(parent)) })
	folder := filepath.Join(parent, "new")
	code, _, said := module(t, "new", name, folder, "--kind", kind)
	require.Zero(t, code, said)
	follow(t, said, 2)
	return folder
}

// follow does the first n things that `module new` says are next.
func follow(t *testing.T, said string, n int) {
	t.Helper()
	steps := strings.Split(said, "\n  ")[1:]
	require.Len(t, steps, n+3, said)
	for _, step := range steps[:n] {
		out, err := exec.CommandContext(t.Context(), "sh", "-ec", step).CombinedOutput()
		require.NoError(t, err, "%s\n%s", step, out)
	}
}

// Outside of Commonvat's tree a module in Go is built with a go.work that names the tree, by the commands that are told.
func TestGoModuleOutsideOfTheTree(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "reach")
	code, _, said := module(t, "new", "palette-reach", folder)
	require.Zero(t, code, said)
	before, _, found := strings.Cut(said, ", SOURCE being the folder of Commonvat's source")
	require.True(t, found, said)
	source, err := filepath.Abs("../../../..")
	require.NoError(t, err)
	follow(t, strings.Replace(before, " SOURCE)", " '"+source+"')", 1)+said[len(before)+len(", SOURCE being the folder of Commonvat's source"):], 3)
	code, out, said := module(t, "try", folder, "../../../../testdata/examples/palette.cases.jsonl")
	assert.Zero(t, code, said)
	assert.Contains(t, out, `{"line":1,"answers":[{`)
	program, err := elf.Open(filepath.Join(folder, "commonvat-module-palette-reach"))
	require.NoError(t, err)
	defer func() { _ = program.Close() }()
	assert.Nil(t, program.Section(".interp"), "it is linked statically, as a core of the production profile wants it")
}

func TestModuleFromNothing(t *testing.T) {
	const condition = `"condition":{"illuminant":"ILLUMINANT_D65","observer":"OBSERVER_CIE_1964_10_DEGREE"}`
	for kind, c := range map[string]struct{ cases, want string }{
		// Lightness 20 and 50, once as they are and once with the second piece counted to the other group.
		"palette": {`{"kind":"palette","contract":"commonvat.module.palette.v2","messages":[{"header":{` + condition +
			`,"labels":{"groups":["x","y"],"blocks":[""],"strata":[""],"cells":["c","d"]},"row_count":2,"relabelling_count":1}},` +
			`{"columns":{"colours":{"reading_id":["1","2"],"group":[0,0],"block":[0,0],"stratum":[0,0],"cell":[0,1],"l":[20,50],"a":[0,0],"b":[0,0]}}},` +
			`{"relabelling":{"group":[0,1]}}]}`,
			`{"line":1,"answers":[{"relabelling":0,"groups":[{"group":0,"stratum":0,"scores":[{"value":30,"not_computed":""}]}]},` +
				`{"relabelling":1,"groups":[{"group":0,"stratum":0,"scores":[{"value":0,"not_computed":"fewer than 2 cells"}]},` +
				`{"group":1,"stratum":0,"scores":[{"value":0,"not_computed":"fewer than 2 cells"}]}]}]}`},
		"difference": {`{"kind":"difference","contract":"commonvat.module.difference.v1","messages":[{` + condition +
			`,"formula":"lightness","pairs":[{"reference":{"l":50},"sample":{"l":47}}]}]}`,
			`{"line":1,"answers":[{"differences":[3],"formula":"|L1 - L2|"}]}`},
	} {
		for _, language := range template.Languages() {
			t.Run(kind+" in "+language, func(t *testing.T) { fromNothing(t, kind, language, c.cases, c.want) })
		}
	}
}

func fromNothing(t *testing.T, kind, language, cases, want string) {
	folder := filepath.Join(t.TempDir(), "new")
	if language == "go" {
		folder = begun(t, kind+"-tried", kind)
	} else {
		pythontest.Need(t)
		code, _, said := module(t, "new", kind+"-tried", folder, "--kind", kind, "--language", language)
		require.Zero(t, code, said)
		pythontest.Unittest(t, folder)
	}
	// Whoever puts the wrong file to it is told what it takes.
	other := map[string]string{"palette": "difference", "difference": "palette"}[kind]
	code, out, said := module(t, "try", folder, "../../../../testdata/examples/"+other+".cases.jsonl")
	assert.Equal(t, ExitInput, code, said)
	assert.Regexp(t, `"contract is commonvat\.module\.`+other+`\.v\d, and this module serves commonvat\.module\.`+kind+`\.v\d"`, out)
	assert.Contains(t, said, " line")
	code, _, said = module(t, "try", folder, filepath.Join(folder, "none.jsonl"))
	assert.Equal(t, ExitInput, code)
	assert.Contains(t, said, "there is no file ")

	code, out, said = module(t, "check", folder, "--output", "json")
	require.Zero(t, code, "%s %s", out, said)
	var report struct{ Steps []struct{ Outcome string } }
	require.NoError(t, json.Unmarshal([]byte(out), &report))
	assert.Greater(t, len(report.Steps), 10)

	file := filepath.Join(t.TempDir(), "cases.jsonl")
	require.NoError(t, os.WriteFile(file, []byte(cases+"\n\n{\"kind\":\"shape\"}\n"), 0o600))
	code, out, said = module(t, "try", folder, file)
	assert.Equal(t, ExitInput, code, said)
	lines := strings.Split(strings.TrimSpace(out), "\n")
	require.Len(t, lines, 2)
	assert.Equal(t, want, lines[0])
	code, out, said = module(t, "try", folder, "../../../../testdata/examples/"+kind+".cases.jsonl")
	assert.Zero(t, code, said)
	assert.Contains(t, out, `{"line":1,"answers":[{`, "the invented cases fit what one begins with")
	assert.Contains(t, lines[1], `{"line":3,"error":{"code":"BadCase","message":"contract is \"\", want one of`)
}

// A law that is broken is shown with the two questions that break it, and each can be put to the module as it stands.
func TestBrokenLawIsShownAsCases(t *testing.T) {
	pythontest.Need(t)
	folder := filepath.Join(t.TempDir(), "new")
	code, _, said := module(t, "new", "palette-heaps", folder, "--language", "python")
	require.Zero(t, code, said)
	method := filepath.Join(folder, "method.py")
	text, err := os.ReadFile(method)
	require.NoError(t, err)
	heaps := strings.Replace(string(text), "np.ptp(group.l)", "float(sum(group.readings))", 1)
	require.NotEqual(t, string(text), heaps)
	require.NoError(t, os.WriteFile(method, []byte(heaps), 0o600))
	code, out, said := module(t, "check", folder)
	assert.Equal(t, ExitInput, code, said)
	assert.Contains(t, out, "palette-heaps 0.1.0 (palette) does not pass: ")
	assert.Contains(t, out, "  failed     law replication free\n")
	var cases strings.Builder
	for line := range strings.Lines(out) {
		if _, found, is := strings.Cut(line, " question, as a case: "); is {
			cases.WriteString(found)
		}
	}
	file := filepath.Join(t.TempDir(), "cases.jsonl")
	require.NoError(t, os.WriteFile(file, []byte(cases.String()), 0o600))
	code, out, said = module(t, "try", folder, file)
	require.Zero(t, code, said)
	answers := strings.Split(strings.TrimSpace(out), "\n")
	require.Len(t, answers, 2)
	first, second := strings.TrimPrefix(answers[0], `{"line":1`), strings.TrimPrefix(answers[1], `{"line":2`)
	assert.NotEqual(t, first, second, "they break the law")
}

// What a module prints and logs while it is tried is its author's to see, and so is where it went wrong.
func TestTryShowsWhatTheModuleSays(t *testing.T) {
	pythontest.Need(t)
	folder := filepath.Join(t.TempDir(), "new")
	code, _, said := module(t, "new", "palette-talks", folder, "--language", "python")
	require.Zero(t, code, said)
	method := filepath.Join(folder, "method.py")
	text, err := os.ReadFile(method)
	require.NoError(t, err)
	talks := strings.Replace(string(text), "    return np.ptp(group.l)", "    print('cells:', len(group.l))\n    return np.ptp(lightness)", 1)
	require.NotEqual(t, string(text), talks)
	require.NoError(t, os.WriteFile(method, []byte(talks), 0o600))
	code, out, said := module(t, "try", folder, "../../../../testdata/examples/palette.cases.jsonl")
	assert.Equal(t, ExitInput, code)
	assert.Contains(t, out, "NameError: name 'lightness' is not defined")
	assert.Equal(t, 1, strings.Count(out, "\n"), "answers alone")
	assert.Contains(t, said, "the module: cells: 4\n")
	assert.Contains(t, said, "the module: exception in a call\n")
	assert.Contains(t, said, "method.py\", line ")
	assert.NotContains(t, said, "plugin", "what the host says of itself isn't shown")
	assert.True(t, strings.HasSuffix(said, "\n1 line had an error\n"), said)

	require.NoError(t, os.Chmod(filepath.Join(folder, "commonvat-module-palette-talks"), 0o600))
	code, _, said = module(t, "try", folder, "../../../../testdata/examples/palette.cases.jsonl")
	assert.Equal(t, ExitInput, code)
	assert.Contains(t, said, "commonvat-module-palette-talks is not executable; chmod +x makes it so")
}

func TestModuleNewRefuses(t *testing.T) {
	full := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(full, "notes"), nil, 0o600))
	unbuilt := filepath.Join(t.TempDir(), "reach")
	code, _, said := module(t, "new", "palette-reach", unbuilt)
	require.Zero(t, code, said)
	for name, c := range map[string]struct {
		args []string
		want string
	}{
		"name":        {[]string{"new", "No Name", filepath.Join(t.TempDir(), "x")}, `name is "No Name"`},
		"kind":        {[]string{"new", "a-b", filepath.Join(t.TempDir(), "x"), "--kind", "reading"}, `kind is "reading"`},
		"language":    {[]string{"new", "a-b", filepath.Join(t.TempDir(), "x"), "--language", "latin"}, `language is "latin"`},
		"folder":      {[]string{"new", "a-b", full}, "not empty"},
		"no module":   {[]string{"check", full}, "folder " + full + " has no module.json, which says"},
		"nothing":     {[]string{"try", filepath.Join(full, "reach"), "-"}, "module " + filepath.Join(full, "reach") + " is not there"},
		"nothing yet": {[]string{"check", unbuilt}, "commonvat-module-palette-reach is not there: build the module into its folder first"},
	} {
		t.Run(name, func(t *testing.T) {
			code, _, said := module(t, c.args...)
			assert.Equal(t, ExitInput, code)
			assert.Contains(t, said, c.want)
		})
	}
}

// The author sees what the module said, and of the host only what went missing.
func TestHeardTellsWhoSpoke(t *testing.T) {
	var said strings.Builder
	log := slog.New(heard{&sync.Mutex{}, &said})
	log.Info("printed: cells: 4", "stream", host.Note("stdout"))
	log.Debug("plugin started", host.OfHost, host.Note("go-plugin"), "pid", 1)
	log.Warn("lines are missing", "missing", 3, host.OfHost, host.Note("plugins/sdk/host"))
	log.Debug("connected", host.OfHost, "a.example", "stream", "blue", "timestamp", "noon") // the module's own
	assert.Equal(t, "the module: printed: cells: 4\nthe host: lines are missing\n  missing: 3\n"+
		"the module: connected\n  host: a.example\n  stream: blue\n  timestamp: noon\n", said.String())
}
