package rules_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/commonvat/commonvat/plugins/safety/rules"
)

// A session that has judged other steps before says of each what judging it alone says.
func TestSessionSaysTheSame(t *testing.T) {
	p := builtIn()
	names := rules.FieldNames()
	rapid.Check(t, func(t *rapid.T) {
		session := p.NewSession()
		facts := rules.Facts{}
		for range rapid.IntRange(2, 12).Draw(t, "steps") {
			// Most facts stay what they were.
			next := rules.Facts{}
			for name, f := range facts {
				next[name] = f
			}
			for range rapid.IntRange(1, 30).Draw(t, "changes") {
				name := rapid.SampledFrom(names).Draw(t, "field")
				switch rapid.IntRange(0, 3).Draw(t, "change") {
				case 0:
					delete(next, name)
				case 1:
					if f, known := next[name]; known {
						f.Doubtful = !f.Doubtful
						next[name] = f
					}
				default:
					next[name] = someFact(t, name)
				}
			}
			facts = next
			alone, err := p.Judge(facts)
			require.NoError(t, err)
			together, err := session.Judge(facts)
			require.NoError(t, err)
			require.Len(t, together, len(alone))
			for i := range alone {
				require.Equal(t, alone[i].Rule.ID, together[i].Rule.ID)
				require.Equal(t, alone[i].Answer, together[i].Answer, alone[i].Rule.ID)
				require.Equal(t, alone[i].Missing, together[i].Missing, alone[i].Rule.ID)
			}
		}
	})
}

// BenchmarkSession is 500 steps that differ in one figure against the whole pack, as a call of many plans has them.
func BenchmarkSession(b *testing.B) {
	p := builtIn()
	for b.Loop() {
		session := p.NewSession()
		for i := range 500 {
			wof := 1 + float64(i)/1000
			_, err := session.Judge(rules.Facts{
				"material.classes": word("iron_salt"), "fibre.class": word("protein"), "step.salts_wof_percent": between(wof, wof, wof), "material.id": word("ferrous sulfate"),
			})
			if err != nil {
				b.Fatal(err)
			}
		}
	}
}
