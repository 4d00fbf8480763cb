package rules_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/commonvat/commonvat/plugins/safety/rules"
)

func yes(b bool) rules.Fact       { return rules.Fact{Truth: &b} }
func word(w ...string) rules.Fact { return rules.Fact{Texts: append([]string{}, w...)} }
func figure(v float64) rules.Fact { return rules.Fact{Number: rules.Exactly(v)} }
func between(l, m, h float64) rules.Fact {
	return rules.Fact{Number: &rules.Interval{Low: l, Likely: m, High: h}}
}

// find is the finding of a rule, or nil.
func find(t *testing.T, p *rules.Pack, id string, facts rules.Facts) *rules.Finding {
	t.Helper()
	require.NoError(t, facts.Check())
	found, err := p.Judge(facts)
	require.NoError(t, err)
	if at := slices.IndexFunc(found, func(f rules.Finding) bool { return f.Rule.ID == id }); at >= 0 {
		return &found[at]
	}
	return nil
}

// The pack compiles, and so each of its rules has fired and kept silent on its own examples; every stop can fire.
func TestBuiltInPack(t *testing.T) {
	p := builtIn()
	assert.Len(t, p.Rules, 97)
	assert.Len(t, p.Digest, 64)
	for _, r := range p.Rules {
		assert.NotEmpty(t, r.Source, r.ID)
		if strings.Contains(r.Source, "codes from memory") || strings.Contains(r.Source, "code from memory") || strings.Contains(r.Source, "memory of CLP") {
			assert.True(t, !r.HazardsConfirmed, "%s: codes from memory are not confirmed", r.ID)
		}
	}
}

// Limits as published: iron to 2 % and 4 % on wool (sellers' pages); silk to 85 and 95 °C (a supplier; pages on degumming).
func TestLimits(t *testing.T) {
	p := builtIn()
	iron := func(percent rules.Fact) rules.Facts {
		return rules.Facts{"material.classes": word("iron_salt"), "fibre.class": word("protein"), "step.salts_wof_percent": percent}
	}
	assert.Nil(t, find(t, p, "S004", iron(figure(2))))
	assert.NotNil(t, find(t, p, "S004", iron(figure(2.01))))
	assert.NotNil(t, find(t, p, "S004", iron(between(1.8, 2, 2.3))), "rounding doesn't hide a crossed limit")
	assert.NotNil(t, find(t, p, "S005", iron(between(3.9, 3.95, 4.05))))
	mixed := iron(figure(3))
	mixed["fibre.class"] = word("mixed")
	assert.NotNil(t, find(t, p, "S004", mixed), "the stricter of both")
	silk := func(c float64) rules.Facts {
		return rules.Facts{"fibre.kind": word("silk"), "step.temperature_c": figure(c)}
	}
	assert.Nil(t, find(t, p, "S067", silk(85)))
	assert.NotNil(t, find(t, p, "S067", silk(86)))
	assert.NotNil(t, find(t, p, "S068", silk(96)))
}

// What isn't known gives a question where the rule's subject holds, and nothing where it doesn't.
func TestUnknown(t *testing.T) {
	p := builtIn()
	got := find(t, p, "S027", rules.Facts{"material.same_as": word("calcium hydroxide")})
	require.NotNil(t, got)
	assert.Equal(t, rules.Unknown, got.Answer)
	assert.Equal(t, []string{"ppe"}, got.Missing)
	assert.Nil(t, find(t, p, "S027", rules.Facts{"material.same_as": word("none")}), "lime is not the question")
	assert.NotNil(t, find(t, p, "S027", rules.Facts{}), "nothing known clears nothing")
	got = find(t, p, "S015", rules.Facts{"bath.sulfur_reducer": yes(true), "step.adds_class": word("acid")})
	require.NotNil(t, got)
	assert.Equal(t, rules.Yes, got.Answer, "acid alone is enough, whatever the pH")
	got = find(t, p, "S015", rules.Facts{"bath.sulfur_reducer": yes(true), "step.adds_class": word("none")})
	require.NotNil(t, got)
	assert.Equal(t, []string{"bath.ph"}, got.Missing, "only what is missing is asked")
	got = find(t, p, "S022", rules.Facts{"material.same_as": word("sodium hydroxide")})
	require.NotNil(t, got)
	assert.Equal(t, []string{"step.water_temperature_c"}, got.Missing)
	assert.Nil(t, find(t, p, "S022", rules.Facts{"material.same_as": word("sodium hydroxide"), "step.water_temperature_c": figure(15)}), "cold water is as it should be")
	got = find(t, p, "S016", rules.Facts{"step.adds": word("water")})
	require.NotNil(t, got)
	assert.Equal(t, []string{"bath.first_solid"}, got.Missing)
	got = find(t, p, "S005", rules.Facts{"material.classes": word("iron_salt"), "fibre.class": word("protein")})
	require.NotNil(t, got)
	assert.Equal(t, []string{"step.salts_wof_percent"}, got.Missing)
	assert.Nil(t, find(t, p, "S005", rules.Facts{"material.classes": word("iron_salt"), "fibre.class": word("cellulose")}), "on cotton the amount doesn't matter to this rule")
}

// A doubtful hazard holds; a doubtful reassurance is none.
func TestDoubt(t *testing.T) {
	p := builtIn()
	doubtful := func(f rules.Fact) rules.Fact { f.Doubtful = true; return f }
	held := find(t, p, "S022", rules.Facts{"material.same_as": word("sodium hydroxide"), "step.water_temperature_c": doubtful(figure(60)), "step.adds": word("sodium hydroxide")})
	require.NotNil(t, held)
	assert.Equal(t, rules.Yes, held.Answer)
	asked := find(t, p, "S022", rules.Facts{"material.same_as": word("sodium hydroxide"), "step.water_temperature_c": doubtful(figure(15)), "step.adds": word("sodium hydroxide")})
	require.NotNil(t, asked)
	assert.Equal(t, rules.Unknown, asked.Answer)
	assert.Equal(t, []string{"step.water_temperature_c"}, asked.Missing)
	low := find(t, p, "S018", rules.Facts{"material.id": word("thiourea dioxide"), "step.temperature_c": figure(120), "storage.with_class": word("none")})
	require.NotNil(t, low, "a rule in doubt fires all the same")
	assert.Equal(t, rules.Stop, low.Rule.Severity)
}

// An interval fires a rule that any of its values would, also one between limits, and one that is a limit itself.
func TestIntervalsReachBetweenLimits(t *testing.T) {
	pack := func(when, fires, silent string) *rules.Pack {
		p, err := rules.ParsePack([]byte(fmt.Sprintf(oneRule, "stop", "person", "", when, "never", fires, silent)))
		require.NoError(t, err)
		return p
	}
	band := pack("bath.ph > 4.0 && bath.ph < 5.0", "{bath.ph: 4.5}", "{bath.ph: 7}")
	point := pack("7.0 == bath.ph", "{bath.ph: 7}", "{bath.ph: 6}")
	other := pack("bath.ph != 7.0", "{bath.ph: 6}", "{bath.ph: 7}")
	both := pack("bath.ph > 4.0 && bath.ph < 5.0 && step.temperature_c >= 40.0 && step.temperature_c <= 50.0", "{bath.ph: 4.5, step.temperature_c: 40}", "{bath.ph: 7, step.temperature_c: 20}")
	for name, c := range map[string]struct {
		pack  *rules.Pack
		ph    rules.Fact
		fires bool
	}{
		"around the band":        {band, between(2, 8, 9), true},
		"from below into it":     {band, between(2, 3, 4.1), true},
		"up to its open end":     {band, between(2, 3, 4), false},
		"above it":               {band, between(5, 6, 7), false},
		"inside it":              {band, between(4.2, 4.2, 4.3), true},
		"around a point":         {point, between(6, 6.5, 9), true},
		"beside a point":         {point, between(7.1, 8, 9), false},
		"around another":         {other, between(7, 7, 8), true},
		"around both bands":      {both, between(0, 14, 14), true},
		"beside one of two":      {both, between(5, 14, 14), false},
		"exactly, inside a band": {band, figure(4.5), true},
	} {
		got := find(t, c.pack, "A", rules.Facts{"bath.ph": c.ph, "step.temperature_c": between(0, 90, 100)})
		assert.Equal(t, c.fires, got != nil, name)
	}
}

func someFact(t *rapid.T, name string) rules.Fact {
	f, ok := rules.FieldNamed(name)
	require.True(t, ok)
	switch f.Kind {
	case rules.Truth:
		return yes(rapid.Bool().Draw(t, name))
	case rules.Number:
		a, b := rapid.Float64Range(f.Low, f.High).Draw(t, name), rapid.Float64Range(f.Low, f.High).Draw(t, name)
		return between(min(a, b), min(a, b), max(a, b))
	case rules.Word:
		return word(rapid.SampledFrom(f.Allowed).Draw(t, name))
	case rules.Words:
		return word(rapid.SliceOfDistinct(rapid.SampledFrom(f.Allowed), rapid.ID).Draw(t, name)...)
	case rules.Text:
		return word(rapid.SampledFrom([]string{"sodium hydroxide", "calcium oxide", "madder", "weld", "ammonia"}).Draw(t, name))
	default:
		return word(rapid.SliceOfN(rapid.SampledFrom([]string{"soda ash", "potassium alum", "sodium dithionite"}), 0, 3).Draw(t, name)...)
	}
}

// Taking a fact away, or doubting it, never clears a rule that was not clear; nor does widening a figure.
func TestUnknownNeverClears(t *testing.T) {
	p := builtIn()
	names := rules.FieldNames()
	rapid.Check(t, func(t *rapid.T) {
		facts := rules.Facts{}
		for _, name := range names {
			if rapid.IntRange(0, 3).Draw(t, "known "+name) > 0 {
				facts[name] = someFact(t, name)
			}
		}
		require.NoError(t, facts.Check())
		before, err := p.Judge(facts)
		require.NoError(t, err)
		less := rules.Facts{}
		for name, f := range facts {
			switch rapid.IntRange(0, 5).Draw(t, "change "+name) {
			case 0:
				continue
			case 1:
				f.Doubtful = true
			case 2:
				if f.Number != nil {
					field, _ := rules.FieldNamed(name)
					f.Number = &rules.Interval{Low: field.Low, Likely: f.Number.Likely, High: field.High}
				}
			}
			less[name] = f
		}
		after, err := p.Judge(less)
		require.NoError(t, err)
		for _, b := range before {
			assert.True(t, slices.ContainsFunc(after, func(a rules.Finding) bool { return a.Rule.ID == b.Rule.ID }), "%s was cleared", b.Rule.ID)
		}
	})
}

func TestOrderOfRulesDoesNotMatter(t *testing.T) {
	p, q := builtIn(), builtIn()
	slices.Reverse(q.Rules)
	facts := rules.Facts{"material.classes": word("iron_salt"), "fibre.class": word("protein"), "fibre.kind": word("silk")}
	a, err := p.Judge(facts)
	require.NoError(t, err)
	b, err := q.Judge(facts)
	require.NoError(t, err)
	require.Len(t, b, len(a))
	for i := range a {
		assert.Equal(t, a[i].Rule.ID, b[i].Rule.ID)
		assert.Equal(t, a[i].Missing, b[i].Missing)
	}
	assert.Equal(t, rules.Stop, a[0].Rule.Severity, "stops first")
}

// manyLimits holds two figures against twenty others each.
func manyLimits() (text string) {
	for i := range 20 {
		text += fmt.Sprintf(" && bath.ph != %d.0 && step.temperature_c != %d.0", i, i)
	}
	return text
}

const oneRule = `name: test
version: 1.0.0
rules:
  - id: A
    severity: %s
    harms: %s
    topic: t
    about: '%s'
    when: '%s'
    override: %s
    title: t
    reason: r
    do: d
    source: a test
    confidence: high
    fires: %s
    silent: %s
`

func TestPacksAreChecked(t *testing.T) {
	good := []any{"stop", "person", "vessel.sealed", "vessel.sealed && step.temperature_c > 50.0", "never", "{vessel.sealed: true, step.temperature_c: 60}", "{vessel.sealed: true, step.temperature_c: 20}"}
	_, err := rules.ParsePack([]byte(fmt.Sprintf(oneRule, good...)))
	require.NoError(t, err)
	for name, c := range map[string]struct {
		at   int
		with string
		says string
	}{
		"a severity of its own":        {0, "grave", "severity"},
		"harm to nobody":               {1, "feelings", "harms"},
		"a field that there isn't":     {3, "vessel.happy", "vessel"},
		"a condition that isn't one":   {3, "step.temperature_c", "yes or no"},
		"syntax":                       {3, "&&", "when"},
		"figures held together":        {3, "vessel.sealed && step.temperature_c > bath.ph", "bath.ph has to be held against a figure"},
		"a figure reckoned with":       {3, "vessel.sealed && step.temperature_c > 50.0 && step.temperature_c * 2.0 > 50.0", "step.temperature_c has to be held against a figure"},
		"figures with many limits":     {3, "vessel.sealed && step.temperature_c > 50.0" + manyLimits(), "places between their limits"},
		"a word the field never has":   {3, `vessel.material == "gold" || vessel.sealed`, `vessel.material is never "gold"`},
		"a word in a list":             {3, `vessel.sealed || vessel.material in ["tin", "gold"]`, `never "gold"`},
		"a word in a function":         {3, `vessel.sealed || any_of(bath.classes, ["gold"])`, `never "gold"`},
		"an example that doesn't fire": {5, "{vessel.sealed: true, step.temperature_c: 20}", "fires"},
		"an example that is not whole": {5, "{vessel.sealed: true}", "step.temperature_c"},
		"an example that fires":        {6, "{vessel.sealed: true, step.temperature_c: 60}", "silent"},
		"an example out of range":      {6, "{vessel.sealed: false, step.temperature_c: 1000}", "want -20 to 150"},
		"an example of no field":       {6, "{vessel.happy: false}", "no field"},
		"harm to persons overridden":   {4, "written reason", "lifts only what harms fibre"},
		"a stop without an override":   {4, "''", "override"},
		"an override of a caution":     {0, "caution", "nothing is withheld"},
	} {
		values := slices.Clone(good)
		values[c.at] = c.with
		_, err := rules.ParsePack([]byte(fmt.Sprintf(oneRule, values...)))
		require.ErrorIs(t, err, rules.ErrPack, name)
		assert.ErrorContains(t, err, c.says, name)
	}
	// Too costly: lists held against lists, over and over.
	costly := strings.Repeat("any_of(bath.materials, bath.carryover) || ", 40) + "vessel.sealed"
	values := slices.Clone(good)
	values[3] = costly
	_, err = rules.ParsePack([]byte(fmt.Sprintf(oneRule, values...)))
	assert.ErrorContains(t, err, "costs up to")
	for _, text := range []string{"", "rules: 3", "name: x\nversion: 1\nrulez: []", strings.Repeat(" ", 3<<20)} {
		_, err := rules.ParsePack([]byte(text))
		assert.ErrorIs(t, err, rules.ErrPack, "%.20q", text)
	}
}

// Texts that the YAML library takes minutes for, or falls over, are refused at once, with their line.
func TestFormsThatAreRefusedUnread(t *testing.T) {
	for text, says := range map[string]string{
		strings.Repeat("[", 100_000):             "line 1: 100000 bytes",
		strings.Repeat("[\n", 40):                "line 33: more than 32 brackets",
		strings.Repeat("{a: ", 100):              "line 1: more than 32 brackets",
		strings.Repeat("- ", 100) + "x":          "line 1: has 100 marks",
		"name: x\n" + strings.Repeat("!a ", 100): "line 2: has 100 marks",
		strings.Repeat("a: ", 300):               "300 in all",
		strings.Repeat("a\n", 30_000):            "more than 20000 lines",
		strings.Repeat(" ", 100) + "a: b":        "begins with 100 spaces",
		"a: &a [x,x]\nb: &b [*a,*a]\nname: *b\n": "line 1: anchors and aliases",
		"rules:\n  - [*a,*a]\n":                  "line 2: anchors and aliases",
		"\n12C: 22\nrules:\n  !\n    00000000: 00\n    00000: 0\n    00001: 0\n00000008: 00\nA:": "can't be read as YAML",
	} {
		_, err := rules.ParsePack([]byte(text))
		require.ErrorIs(t, err, rules.ErrPack, "%.40q", text)
		assert.ErrorContains(t, err, says, "%.40q", text)
	}
}

func FuzzParsePack(f *testing.F) {
	f.Add([]byte(fmt.Sprintf(oneRule, "stop", "person", "", "vessel.sealed", "never", "{vessel.sealed: true}", "{vessel.sealed: false}")))
	f.Add([]byte("name: x\nversion: 1\nrules: [{}]"))
	f.Add([]byte("\n12C: 22\nrules:\n  !\n    00000000: 00\n    00000: 0\n    00001: 0\n00000008: 00\nA:")) // the YAML library panics
	f.Fuzz(func(t *testing.T, text []byte) {
		p, err := rules.ParsePack(text)
		if err != nil {
			require.ErrorIs(t, err, rules.ErrPack)
			return
		}
		_, err = p.Judge(rules.Facts{})
		require.NoError(t, err)
	})
}

// BenchmarkJudge is one step against the whole pack.
func BenchmarkJudge(b *testing.B) {
	p := builtIn()
	facts := rules.Facts{"material.classes": word("iron_salt"), "fibre.class": word("protein"), "step.salts_wof_percent": between(1.9, 2, 2.1), "material.id": word("ferrous sulfate")}
	for b.Loop() {
		if _, err := p.Judge(facts); err != nil {
			b.Fatal(err)
		}
	}
}
