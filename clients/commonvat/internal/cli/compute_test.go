package cli

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
)

func computes(t *testing.T, in string, args ...string) (code int, out, said string) {
	t.Helper()
	var o, e bytes.Buffer
	code = Run(t.Context(), append([]string{"compute"}, args...), Surroundings{In: strings.NewReader(in), Out: &o, Err: &e, Getenv: func(string) string { return "" }})
	return code, o.String(), e.String()
}

// Our own modules as real processes, from a folder as `make build` fills it.
func TestComputeWithModuleProcesses(t *testing.T) {
	modules := t.TempDir()
	for kind, name := range map[string]string{"difference": "difference-deltae", "reading": "reading-reflectance", "palette": "palette-width"} {
		folder := filepath.Join(modules, "commonvat-module-"+name)
		require.NoError(t, os.Mkdir(folder, 0o700))
		source := "../../../../plugins/" + kind + "/cmd/commonvat-module-" + name
		build := exec.CommandContext(t.Context(), "go", "build", "-o", folder, "./"+source)
		build.Env = append(os.Environ(), "CGO_ENABLED=0")
		built, err := build.CombinedOutput()
		require.NoError(t, err, "%s", built)
		manifest, err := os.ReadFile(filepath.Join(source, "module.json"))
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(folder, "module.json"), manifest, 0o600))
	}
	at := "--modules=" + modules

	// Rows 1 and 11 of Sharma, Wu & Dalal (2005), Table 1, to their four decimals, and a row that is none.
	code, out, said := computes(t, "L1,a1,b1,L2,a2,b2\n50,2.6772,-79.7751,50,0,-82.7485\n50,2.49,-0.001,50,-2.49,0.0011\n50,,0,0,0,0\n", "differences", "-", at)
	assert.Equal(t, ExitInput, code)
	assert.Equal(t, "1 row had an error\n", said)
	assert.Contains(t, out, ",2.04245968,,difference-deltae,")
	assert.Contains(t, out, ",7.21947")
	assert.Contains(t, out, `,"line 4: a1 is empty, want a number"`)

	code, out, said = computes(t, `{"any_condition":"FL11/10","curves":[{"wavelength_nm":[400,420]}]}`+"\n\n{]\n", "lines", "reading", "-", at)
	assert.Equal(t, ExitInput, code)
	assert.Equal(t, "1 line had an error\n", said)
	lines := strings.Split(strings.TrimSpace(out), "\n")
	require.Len(t, lines, 2)
	assert.Contains(t, lines[0], `"fault":"curve.reflectance is 0 factors, allowed: as many as wavelengths, 2"`)
	assert.Contains(t, lines[1], `{"line":3,"error":{"code":"BadCase"`)

	// With limit 10 and rate 0.5 K/S after 3 dips is 10 (1 - e^-1.5); and a change of 2.9 in L* is grade 3-4 (ISO 105-A02 has 3-4 at 2.5 and 3 at 3.4).
	code, out, said = computes(t, `{"dips":[1,2,4,6,9],"ks":[3.934693403,6.321205588,8.646647168,9.502129316,9.888910035],"ask_dips":[3]}`+"\n", "lines", "reading", "-", at, "--call", "FitDips")
	assert.Zero(t, code, said)
	assert.Contains(t, out, `"ks":[7.76869`)
	code, out, said = computes(t, `{"condition":{"illuminant":1,"observer":2},"scale":"change","pairs":[{"reference":{"l":60},"sample":{"l":62.9}}]}`+"\n", "lines", "difference", "-", at, "--call", "GradeFastness")
	assert.Zero(t, code, said)
	assert.Contains(t, out, `"grade":"3-4"`)

	file := filepath.Join(t.TempDir(), "spectra.csv")
	require.NoError(t, os.WriteFile(file, []byte("R400,R420,R440,R460,R480,R500,R520,R540,R560,R580,R600,R620,R640,R660,R680,R700\n"+strings.Repeat("18.42,", 15)+"18.42\n"), 0o600))
	code, out, said = computes(t, "", "colours", file, "--scale", "percent", "--condition", "A/10,5500K/2", at)
	assert.Zero(t, code, said)
	assert.Empty(t, said)
	assert.Contains(t, out, "50.00161025")

	var many strings.Builder
	many.WriteString("group,block,L,a,b\n")
	for i := range 501 {
		fmt.Fprintf(&many, "mordant %d,,50,0,0\n", i)
	}
	code, out, said = computes(t, many.String(), "palettes", "-", at)
	assert.Equal(t, ExitInput, code, "another time would be no help")
	assert.Empty(t, out)
	assert.Equal(t, "commonvat: too much at once for the module: header.labels.groups has 501 groups with rows, want at most 500: every pair of groups gets an answer\n", said)

	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"palettes", "-", at}, ExitInput, "has no header"},
		{[]string{"lines", "compare", "-", at}, ExitInput, "has no module of kind compare"},
		{[]string{"lines", "shape", "-", at}, ExitInput, `kind is "shape", want one of reading, difference`},
		{[]string{"lines", "reading", "-", at, "--contract", "x"}, ExitInput, `contract is "x"`},
		{[]string{"lines", "reading", "-", at, "--call", "Guess"}, ExitInput, `call is "Guess", want one of ComputeColours`},
		{[]string{"lines", "reading", "-", "--module", filepath.Join(modules, "commonvat-module-difference-deltae")}, ExitInput, "is of kind difference, want reading"},
		{[]string{"lines", "reading", "-", "--modules", filepath.Join(modules, "nowhere")}, ExitInput, "isn't there; --modules names another"},
		{[]string{"differences", filepath.Join(modules, "none.csv"), at}, ExitInput, "there is no file"},
		{[]string{"differences", "-", at, "--formula", "cmc:x"}, ExitUsage, "--formula"},
		{[]string{"differences", "-", at, "--condition", "D65"}, ExitUsage, "--condition"},
		{[]string{"differences", "-", at, "--delimiter", "ab"}, ExitUsage, "--delimiter"},
		{[]string{"differences", "-", at, "--delimiter", "1"}, ExitUsage, "--delimiter"},
		{[]string{"differences", "-", at, "--decimal-comma"}, ExitUsage, "--decimal-comma needs another --delimiter"},
		{[]string{"differences", "-", at, "--delimiter", "tab"}, ExitInput, "has no header"},
		{[]string{"differences", "-", at, "--delimiter", `\t`}, ExitInput, "has no header"},
		{[]string{"differences", "-", at, "--rgb-scale", "100"}, ExitUsage, "--rgb-scale is 100; allowed: 1 when white is 1, 255 when it is 255"},
		{[]string{"differences", "-", at, "--output", "json"}, ExitUsage, "tables are answered as CSV"},
		{[]string{"lines", "reading", "-", at, "--output", "csv"}, ExitUsage, "lines as JSON Lines"},
		{[]string{"differences", modules, at}, ExitInput, "table can't be read: read " + modules + ": is a directory"},
		{[]string{"colours", "-", at}, ExitUsage, "--scale"},
		{[]string{"colours", "-", at, "--scale", "guess"}, ExitUsage, "--scale"},
		{[]string{"colours", "-", at, "--scale", "factor", "--condition", "D65/10, E/2"}, ExitUsage, `--condition has "E/2": illuminant is "E"`},
		{[]string{"palettes", "-", at, "--condition", "E/2"}, ExitUsage, "--condition"},
		{[]string{"differences"}, ExitUsage, "arguments wanted: 1, given: 0"},
	} {
		code, out, said := computes(t, "", c.args...)
		assert.Equal(t, c.code, code, "%v: %s", c.args, said)
		assert.Contains(t, said, c.says)
		assert.Empty(t, out)
	}
}

// A reader that goes away, such as head, ends the program in silence, with no process and no folder left behind.
func TestComputeIntoAClosedPipe(t *testing.T) {
	built, temporary := t.TempDir(), t.TempDir()
	const source = "../../../../plugins/difference/cmd/commonvat-module-difference-deltae"
	for to, from := range map[string]string{"commonvat": "../..", "module": source} {
		build := exec.CommandContext(t.Context(), "go", "build", "-o", filepath.Join(built, to), from)
		build.Env = append(os.Environ(), "CGO_ENABLED=0")
		said, err := build.CombinedOutput()
		require.NoError(t, err, "%s", said)
	}
	read, write, err := os.Pipe()
	require.NoError(t, err)
	require.NoError(t, read.Close())
	var said bytes.Buffer
	run := exec.CommandContext(t.Context(), filepath.Join(built, "commonvat"), "compute", "differences", "-", "--module", filepath.Join(built, "module"))
	run.Stdin, run.Stdout, run.Stderr = strings.NewReader("L1,a1,b1,L2,a2,b2\n"+strings.Repeat("50,0,0,51,0,0\n", 20_000)), write, &said
	run.Env = append(os.Environ(), "TMPDIR="+temporary)
	err = run.Run()
	require.NoError(t, write.Close())
	var ended *exec.ExitError
	require.ErrorAs(t, err, &ended)
	assert.Equal(t, 141, ended.ExitCode(), "as a shell tells of a broken pipe")
	assert.Empty(t, said.String())
	left, err := os.ReadDir(temporary)
	require.NoError(t, err)
	assert.Empty(t, left)
}

// What a module finds wrong with a flag is told once.
func TestRefusedByTheModule(t *testing.T) {
	one := &errdetails.BadRequest_FieldViolation{Field: "header.threshold_de00", Description: "is -1, want 0.1 to 100"}
	two := &errdetails.BadRequest_FieldViolation{Field: "header.seed", Description: "is 1, want 0"}
	assert.Equal(t, "header.threshold_de00 is -1, want 0.1 to 100", refused(strungTogether(t, "header.threshold_de00 is -1, want 0.1 to 100", one)))
	assert.Equal(t, "the module refuses:\n  header.threshold_de00 is -1, want 0.1 to 100\n  header.seed is 1, want 0",
		refused(strungTogether(t, "header.threshold_de00 is -1, want 0.1 to 100 (and 1 more)", one, two)))
}

func TestProgressIsShownOnTerminalsAlone(t *testing.T) {
	var b bytes.Buffer
	p, end := counter(&b, "rows", 0)
	p(5)
	p(10)
	end()
	assert.Equal(t, "\r5 rows\r10 rows\r\033[K", b.String())
	b.Reset()
	p, end = counter(&b, "rows", 1<<40)
	p(5)
	end()
	assert.Empty(t, b.String(), "not more than once in a while")
	a := &app{Surroundings: Surroundings{Err: &b, Getenv: func(string) string { return "" }}}
	p, end = a.progress("rows")
	assert.Nil(t, p, "not into a pipe")
	end()
}
