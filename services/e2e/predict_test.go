package e2e_test

import (
	"context"
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The demo's pots are invented by a sum of K/S of which the vat leaves 1 - .3 x 1.3 = .61 of the first dye when the piece is to be deep. That the prediction
// finds it is a check of the whole way from records to answer, and none of dyeing.
func TestDemoPredictsAnOverdye(t *testing.T) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*callWithin)
	defer cancel()
	data := t.TempDir()
	out, err := demo(ctx, t, data, "--once").CombinedOutput()
	require.NoError(t, err, "%s", out)
	l := &lab{t: t, data: data, runtime: shortDir(t), tokens: map[string]string{"dock": filepath.Join(data, "demo-tokens", "dock.token")}}
	l.start()
	defer l.stop()

	codes := map[string]string{}
	for _, dye := range []string{"weld", "madder"} {
		var listed struct {
			Trials []struct{ ID, Owner, Title string }
		}
		require.NoError(t, json.Unmarshal([]byte(l.does("dock", "trial", "search", `material = "`+dye+`" AND owner = "dock"`, "--output", "json")), &listed))
		require.NotEmpty(t, listed.Trials)
		var shown struct {
			Pieces []struct{ Code, Label string }
		}
		require.NoError(t, json.Unmarshal([]byte(l.does("dock", "trial", "show", listed.Trials[0].ID, "--output", "json")), &shown))
		for _, p := range shown.Pieces {
			if p.Label == "wool "+dye+" alone, first day" {
				codes[dye] = p.Code
			}
		}
	}
	require.Len(t, codes, 2)

	ask := func(args ...string) (answer struct {
		Headline, Standing, Bath string
		Colour                   *struct{ L, A, B float64 }
		Retention, Error         *float64
		ErrorDE00                *float64 `json:"error_de00"`
		RadiusDE00               *float64 `json:"radius_de00"`
		Missing                  []string
		Trials                   []any
		TrialsLent               int `json:"trials_lent"`
		Order                    *struct {
			Answered bool
			WhyNot   string `json:"why_not"`
		}
		Rules []struct {
			Rule      string
			ErrorDE00 float64 `json:"error_de00"`
		}
		Modules []struct{ Name string }
	}) {
		text := l.asks("dock", append([]string{"predict", "--output", "json"}, args...)...)
		require.NoError(t, json.Unmarshal([]byte(text), &answer), text)
		return answer
	}
	got := ask(codes["weld"], "--second", "indigo", "--depth", "deep", "--order")
	assert.Equal(t, "PREDICTION_STANDING_FITTED", got.Standing, got.Headline)
	require.NotNil(t, got.Retention)
	assert.InDelta(t, .61, *got.Retention, .02)
	assert.Len(t, got.Trials, 7)
	assert.Nil(t, got.RadiusDE00, "7 trials have no radius for 90 %")
	require.NotNil(t, got.ErrorDE00)
	require.Len(t, got.Rules, 5)
	for _, rule := range got.Rules {
		assert.Less(t, *got.ErrorDE00, rule.ErrorDE00, rule.Rule)
	}
	assert.Equal(t, "overdye-retention", got.Modules[0].Name)
	require.NotNil(t, got.Order)
	assert.False(t, got.Order.Answered, "the demo has no plain indigo as deep as what goes into the weld")
	assert.Contains(t, got.Order.WhyNot, "blind to the order")

	got = ask(codes["madder"], "--second", "indigo", "--depth", "deep")
	assert.Equal(t, "PREDICTION_STANDING_BORROWED", got.Standing, got.Headline)
	assert.Len(t, got.Trials, 3)
	assert.Positive(t, got.TrialsLent)
	assert.Contains(t, strings.Join(got.Missing, "\n"), "1 more trial with madder first and indigo second on wool")

	got = ask(codes["weld"], "--second", "madder")
	assert.Equal(t, "PREDICTION_STANDING_NOT_ENOUGH_YET", got.Standing)
	assert.Contains(t, got.Headline, "blind to the order")

	a := l.client("dock", "predict", codes["weld"], "--second", "lac")
	assert.Equal(t, 5, a.code)
	assert.Contains(t, a.errors, "no piece of lac alone on wool")
}
