package e2e_test

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/commonvat/commonvat/plugins/sdk/python/pythontest"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestQuestionReachesModulesInGoAndPython installs a palette module in Python beside that in Go, as a steward does, with the suite; one question then
// gets the figures of both.
func TestQuestionReachesModulesInGoAndPython(t *testing.T) {
	l := newLab(t, "ash:researcher")
	l.installModules()
	said := l.tool("commonvatd", "module", "install",
		pythontest.Folder(t, "../../plugins/examples/commonvat-module-palette-effective-hues"), "--data", l.data)
	digest, _, _ := strings.Cut(said, " ")
	assert.Contains(t, said, "passes; a running core takes it by: commonvat modules activate palette-effective-hues@", "the next step is told")
	assert.Contains(t, l.tool("commonvatd", "module", "report", digest, "--data", l.data), `"passed":true`)
	l.env = []string{"COMMONVATD_MODULES_SANDBOX=production"}
	l.start()
	l.does("ash", "trial", "submit", example)
	l.does("ash", "trial", "share", exampleID, "--level", "cooperative")
	var out string
	l.eventually(callWithin, "both modules answer", func() bool {
		out = l.asks("ash", "palette", "--by", "fibre", "--output", "json")
		return strings.Contains(out, "palette-effective-hues")
	})
	var answer struct {
		Groups []struct {
			LargestHueGapDeg float64 `json:"largest_hue_gap_deg"` // by the module in Go
		}
		Modules []struct{ Name string }
		Scores  []struct {
			Module struct{ Name string }
			Groups []struct{ Figures []struct{ Value float64 } } // by the module in Python
		}
	}
	require.NoError(t, json.Unmarshal([]byte(out), &answer))
	require.Len(t, answer.Modules, 2)
	assert.Equal(t, "palette-width", answer.Modules[1].Name)
	require.Len(t, answer.Scores, 1)
	assert.Equal(t, "palette-effective-hues", answer.Scores[0].Module.Name)
	require.Len(t, answer.Groups, 1)
	assert.InEpsilon(t, answer.Groups[0].LargestHueGapDeg, answer.Scores[0].Groups[0].Figures[1].Value, 1e-12, "both compute it, each in its own way")
	require.NotEmpty(t, l.modulePIDs())
	l.kill()
	l.eventually(endWithin, "no module outlives the core, in whatever language", func() bool { return len(l.modulePIDs()) == 0 })
}
