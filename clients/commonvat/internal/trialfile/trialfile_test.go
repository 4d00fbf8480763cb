package trialfile

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/commonvat/commonvat/clients/commonvat/internal/ids"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/goccy/go-yaml"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
)

const (
	seed    = "0197a000-0000-7000-8000-0000000000ff"
	example = "../cli/testdata/trial.yaml"
)

func read(t testing.TB, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	return data
}

// What the example becomes, field by field, stands in the golden file trial-submit.txt of package cli.
func TestParse(t *testing.T) {
	f, err := Parse(read(t, example), seed)
	require.NoError(t, err)
	again, err := Parse(read(t, example), "0197a000-0000-7000-8000-0000000000aa")
	require.NoError(t, err)
	assert.True(t, proto.Equal(f.Request, again.Request), "the file's own id goes before the seed")
	all := map[string]bool{f.Request.RequestId: true, f.Request.Trial.Id: true}
	n := 2
	add := func(id string) {
		assert.NoError(t, ids.Check(id))
		all[id] = true
		n++
	}
	for _, x := range f.Request.Trial.Pieces {
		add(x.Id)
	}
	for _, x := range f.Request.Trial.Immersions {
		add(x.Id)
	}
	for _, x := range f.Request.Trial.Readings {
		add(x.Id)
	}
	for _, x := range f.Request.Trial.Looks {
		add(x.Id)
	}
	for _, x := range f.Request.Baths {
		add(x.Id)
		for _, a := range x.Additions {
			add(a.Id)
		}
		for _, c := range x.Checks {
			add(c.Id)
		}
	}
	assert.Len(t, all, n, "each id stands for one thing")
	assert.Equal(t, `piece "w1a", line 33`, f.Where("trial.pieces[2].mass.value"))
	assert.Empty(t, f.Where("request_id"))
	assert.Equal(t, []float64{0.05, 0.051, 0.052, 0.06, 0.09, 0.2, 0.415, 0.6, 0.62}, f.Request.Trial.Readings[1].Raw.GetSpectrum().Reflectance,
		"a percentage is the double nearest to its hundredth")
}

// The example in README.md is a trial file.
func TestReadme(t *testing.T) {
	_, text, _ := strings.Cut(string(read(t, "../../README.md")), "```yaml\n")
	text, _, found := strings.Cut(text, "```")
	require.True(t, found)
	_, err := Parse([]byte(text), seed)
	require.NoError(t, err)
}

// The same trial as JSON gives the same request.
func TestJSON(t *testing.T) {
	raw, err := yaml.YAMLToJSON(read(t, example))
	require.NoError(t, err)
	a, err := Parse(raw, seed)
	require.NoError(t, err)
	b, err := Parse(read(t, example), seed)
	require.NoError(t, err)
	assert.True(t, proto.Equal(a.Request, b.Request))
}

func TestRefused(t *testing.T) {
	good := string(read(t, example))
	for _, c := range []struct{ old, new, says string }{
		{"question:", "qestion:", "line 4: qestion: unknown key"},
		{"title: Weld", "title: [Weld", "not valid YAML"},
		{"state: begun", "state: started", `"started" is not known; allowed: planned, begun, finished, abandoned`},
		{"state: begun", "state: begun\nstate: begun", "state"},
		{"liquor: 2 L", "liquor: 2 g", "line 14: baths[0].liquor: \"2 g\" is a mass"},
		{"liquor: 2 L", "liquor: 2", "has no unit"},
		{"mass: 6.0 g", "mass: 6.0 L", "is a volume"},
		{"mass: 6.0 g", "mass: .nan", "not an amount"},
		{"mass: 6.0 g", "mass: -6 g", "not an amount"},
		{"mass: 6.0 g, ", "", "write \"not known\""},
		{"ph: 7.4", "ph: .nan", "not a decimal number"},
		{"ph: 7.4", "ph: .inf", "not a decimal number"},
		{"[48.1,", "[.nan,", "not a decimal number"},
		{"[48.1,", "[0x30,", "not a decimal number"},
		{"[48.1, -14.5, 10.2]", "[48.1, -14.5]", "three figures"},
		{"condition: D65/10, ", "", "condition: is required"},
		{"temperature: 140 F", "temperature: 140", "not a temperature"},
		{"bath: vat, dips: 3", "bath: tub, dips: 3", `there is no bath "tub"`},
		{"piece: w1a, bath", "piece: w9, bath", `there is no piece "w9"`},
		{"dips: 3", "dips: 3.5", "whole number from 0 to 100"},
		{"split_from: w1, mass: 3.0 g", "split_from: w1, taken_from: w1, mass: 3.0 g", "either"},
		{"split_from: w1, mass: 3.0 g", "taken_from: w1, mass: 3.0 g", "after: is required"},
		{"name: w2,", "name: w1,", "names two pieces"},
		{"entered: 2026-05-03 10:00,", "entered: 2026-05-32,", "not in the calendar"},
		{"utc_offset: \"+02:00\"", "utc_offset: local", "offset"},
		{"percent: [5,", "factors: [5], percent: [5,", "either as percent or as factors"},
		{"title: Weld", "title: &x Weld", "anchors"},
		{"title: Weld", "title: !!str Weld", "tags"},
		{"source: 0197a000-0000-7000-8000-00000000aaaa", "source: the well", "UUID of a water source"},
		{"id: 0197a000-0000-7000", "id: 0197a000-0000-4000", "version 7"},
		{"    purpose: mordant\n", "", "purpose: is required"},
		{"share: {level: cooperative}", "share: {level: public}", "licence"},
		{"fibre: wool,", "", "fibre: is required"},
		{"fibre: {wool: 75, silk: 25}", "fibre: {wool: 175}", "percentage above 0"},
	} {
		require.Contains(t, good, c.old)
		_, err := Parse([]byte(strings.Replace(good, c.old, c.new, 1)), seed)
		assert.ErrorContains(t, err, c.says, c.new)
	}
}

func TestHostile(t *testing.T) {
	for name, text := range map[string]string{
		"empty":         " \n",
		"deep flow":     "title: " + strings.Repeat("[", 100_000),
		"deep json":     `{"title":` + strings.Repeat("[", 100_000),
		"deep block":    strings.Repeat("- ", 50_000) + "x",
		"deep mappings": strings.Repeat("? ", 50_000) + "x",
		"indented":      deepIndent(300),
		"huge":          strings.Repeat("x", 5<<20),
		"two documents": "title: a\n---\ntitle: b\n",
		"control":       "title: a\x00b",
		"not UTF-8":     "title: \xff",
		"list":          "- a\n- b\n",
		"bomb":          "a: &a [x,x]\nb: [*a,*a]\n",
		"json tail":     `{"title":"x"} {}`,
		"json twice":    `{"title":"x","title":"y"}`,
		"tags":          "title: " + strings.Repeat("!a ", 10_000) + "x",
	} {
		_, err := Parse([]byte(text), seed)
		assert.Error(t, err, name)
	}
}

func deepIndent(n int) string {
	var b strings.Builder
	for i := range n {
		b.WriteString(strings.Repeat(" ", i) + "a:\n")
	}
	return b.String()
}

func TestParseBath(t *testing.T) {
	b, err := ParseBath([]byte("label: pot\npurpose: [mordant, dye]\nliquor: estimated 2 L\nexhaust_not_stated: true\n"), seed)
	require.NoError(t, err)
	assert.Equal(t, seed, b.Id)
	assert.Len(t, b.Purposes, 2)
	assert.True(t, b.ExhaustNotStated)
	_, err = ParseBath([]byte("label: pot\npurpose: dye\nowner: me\n"), seed)
	assert.ErrorContains(t, err, "owner: unknown key")
}

func TestParseExperiment(t *testing.T) {
	e, err := ParseExperiment(read(t, "../cli/testdata/experiment.yaml"), seed)
	require.NoError(t, err)
	assert.Equal(t, []labv1.ExperimentArm{1, 2, 3, 4, 7}, e.Arms)
	_, err = ParseExperiment([]byte("title: x\ntolerance_de00: .inf\n"), seed)
	assert.ErrorContains(t, err, "decimal number")
}

func FuzzParse(f *testing.F) {
	for _, path := range []string{example, "../cli/testdata/bath.yaml", "../cli/testdata/experiment.yaml"} {
		f.Add(read(f, path))
	}
	seeds, err := filepath.Glob("testdata/fuzz/FuzzParse/*")
	if err != nil || len(seeds) == 0 {
		f.Fatal("no committed seeds were found")
	}
	f.Add([]byte(`{"title": "x", "pieces": [{"name": "a", "fibre": "wool", "mass": "not known (a tuft)"}]}`))
	f.Add([]byte("title: |\n  a\n  b\npieces:\n- name: ''\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		got, err := Parse(data, seed)
		if err != nil {
			if strings.TrimSpace(err.Error()) == "" {
				t.Fatal("a fault without words")
			}
			return
		}
		again, err := Parse(data, seed)
		if err != nil || !proto.Equal(got.Request, again.Request) {
			t.Fatal("the same file gave another request")
		}
		if _, err := proto.Marshal(got.Request); err != nil {
			t.Fatalf("the request can't be sent: %v", err)
		}
		for _, r := range got.Request.GetTrial().GetReadings() {
			for _, v := range append(r.GetRaw().GetSpectrum().GetReflectance(), r.GetRaw().GetLab().GetL()) {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Fatalf("%g was let through", v)
				}
			}
		}
	})
}
