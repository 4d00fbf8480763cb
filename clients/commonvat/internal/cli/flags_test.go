package cli

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/pflag"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// worth are values for flags that take no word; others are given the word "heron".
var worth = map[string]string{
	"bool": "true", "int32": "3", "int64": "3", "uint64": "3", "float64": "0.75",
	"amount": "7 g", "asks": "waters", "at": "2026-05-03", "expires": "2030-05-03", "by": "fibre", "condition": "A/2", "density": "1.06 kg/L", "depth": "pale", "entered": "2026-05-03 14:10 +02:00",
	"hardness": "120", "alkalinity": "80", "iron": "0.2", "ph": "7.1", "taken": "2026-05", "left": "2026-05-03 15:10 +02:00", "liquor": "2 L", "mass": "7.1 g", "temperature": "60 C",
	"fibre": "silk", "geometry": "45/0", "light": "north window", "specular": "included", "state": "wet", "water-figure": "hardness", "arm": "a then b",
	"set": "palette-width.seed=4", "purpose": "dye", "role": "dye", "lab": "50,1,2",
}

// TestWhateverAFlagAsksForIsToldByTheFlag gives each command each of its flags in turn, sees which field of a request it changes, and has the core refuse that
// field: what is told then names a flag, for one of the fields that one. Ids that are made, and what derives from all fields, aren't looked at.
func TestWhateverAFlagAsksForIsToldByTheFlag(t *testing.T) {
	bases := map[string][]string{} // by command, a line that works
	cases := goldenCases()
	for _, name := range slices.Sorted(maps.Keys(cases)) {
		args := strings.Split(cases[name], " ")
		c, _, err := (&app{}).root().Find(args)
		if err != nil || bases[c.CommandPath()] != nil || c.Name() == "watch" {
			continue
		}
		if f := startFake(t); f.run(t, "", args...).code == ExitOK && len(f.take()) > 0 {
			bases[c.CommandPath()] = args
		}
	}
	for _, line := range []string{ // asked, and not answered
		"run create --title reach --by order --module palette-width", "run scores R --module palette-width", "run cancel R --reason late", "run delete R --reason late",
	} {
		c, _, err := (&app{}).root().Find(strings.Fields(line))
		require.NoError(t, err, line)
		bases[c.CommandPath()] = strings.Fields(line)
	}
	tried := map[string]int{}
	for path, base := range bases {
		command, _, err := (&app{}).root().Find(base)
		require.NoError(t, err)
		plain, again := asks(t, base), asks(t, base)
		command.LocalFlags().VisitAll(func(flag *pflag.Flag) {
			writes := flag.Name == "token-file" || flag.Name == "to" && path != "commonvat piece post" // a file
			if flag.Hidden || flag.Name == "help" || writes {
				return
			}
			told := false
			for _, field := range changedBy(t, base, flag, plain, again) {
				tried[path+" --"+flag.Name]++
				f := startFake(t)
				for range field.call {
					f.fail(nil)
				}
				f.fail(badRequest(field.path))
				got := f.run(t, "", field.args...)
				if assert.Equal(t, ExitInput, got.code, "%v: %s", field.args, got.err) {
					told = told || strings.Contains(got.err, "  --"+flag.Name)
					assert.Contains(t, got.err, "  --", "%v changes %s", field.args, field.path)
				}
			}
			assert.True(t, told || tried[path+" --"+flag.Name] == 0, "%v --%s", base, flag.Name)
		})
	}
	assert.Positive(t, tried["commonvat predict --undyed-piece"])
	assert.Positive(t, tried["commonvat palette --where"])
	assert.Positive(t, tried["commonvat experiment edit --tolerance"])
	assert.Positive(t, tried["commonvat run create --set"])
	assert.Greater(t, len(tried), 140, "%v", slices.Sorted(maps.Keys(tried)))
}

// changed is a field of a request that a flag changes: the arguments, the number of calls before that one, and the field's path.
type changed struct {
	args []string
	call int
	path string
}

// changedBy finds what a flag changes in the requests of a command line, which were plain, and again when they were sent once more.
func changedBy(t *testing.T, base []string, flag *pflag.Flag, plain, again []sent) (out []changed) {
	t.Helper()
	value, ok := worth[flag.Name]
	if !ok {
		value, ok = worth[flag.Value.Type()]
	}
	if !ok {
		value = "heron"
	}
	args := append(slices.Clone(base), fmt.Sprintf("--%s=%s", flag.Name, value))
	for i, call := range asks(t, args) {
		if i >= min(len(plain), len(again)) || plain[i].method != call.method {
			return out
		}
		for path, value := range call.fields {
			made := plain[i].fields[path] != again[i].fields[path] // anew each time
			if !made && plain[i].fields[path] != value && path != "update_mask" && !strings.HasSuffix(path, "].id") && !strings.Contains(path, ".origin.") && (path != "request_id" || flag.Name == "request-id") {
				out = append(out, changed{args, i, path})
			}
		}
		if len(out) > 0 {
			return out // later calls follow from this one
		}
	}
	return nil
}

// sent is one call, with its fields by path.
type sent struct {
	method string
	fields map[string]string
}

func asks(t *testing.T, args []string) (out []sent) {
	t.Helper()
	f := startFake(t)
	f.run(t, "", args...)
	for _, line := range f.take() {
		method, body, _ := strings.Cut(line, " ")
		var m any
		require.NoError(t, json.Unmarshal([]byte(body), &m))
		a := sent{method, map[string]string{}}
		flatten(a.fields, "", m)
		out = append(out, a)
	}
	return out
}

func flatten(to map[string]string, path string, m any) {
	switch m := m.(type) {
	case map[string]any:
		for name, of := range m {
			flatten(to, strings.TrimPrefix(path+"."+name, "."), of)
		}
	case []any:
		for i, of := range m {
			flatten(to, fmt.Sprintf("%s[%d]", path, i), of)
		}
	default:
		to[path] = fmt.Sprint(m)
	}
}

// A field in a sentence is said as the command line has it, and a field that no flag is behind stays what it is.
func TestFieldsInWordsAreFlags(t *testing.T) {
	c, _, err := (&app{}).root().Find([]string{"predict"})
	require.NoError(t, err)
	named := flagFor(c)
	assert.Equal(t, "no piece of undyed wool that was read alike is shared; name one with --undyed-piece",
		inFlags("no piece of undyed wool that was read alike is shared; name one with substrate_piece", named))
	assert.Equal(t, "--lab", named("first_colour.lab.l"))
	assert.Equal(t, "a page_token of another question", inFlags("a page_token of another question", named))
	require.NoError(t, c.Flags().Set("spectrum", "x.csv"))
	assert.Equal(t, "--spectrum", named("first_colour.spectrum.reflectance[3]"))
	c, _, err = (&app{}).root().Find(strings.Fields("run create"))
	require.NoError(t, err)
	assert.Equal(t, "--module (no. 2)", flagFor(c)("modules[1].name"))
	assert.Equal(t, "--set", flagFor(c)("modules[1].parameters[1].name"), "the second of its module needn't be the second --set")
	c, _, err = (&app{}).root().Find(strings.Fields("judgement add"))
	require.NoError(t, err)
	assert.Equal(t, "--grey-scale", flagFor(c)("judgements[0].grey_scale_step"))
}
