package conformance_test

import (
	"encoding/json"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/commonvat/commonvat/plugins/conformance"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func check(t *testing.T, name string, m sdk.Module, o conformance.Options) *conformance.Report {
	t.Helper()
	folder := plugintest.Folder(t, name, m.Describe.GetVersion(), m.Describe.GetKind())
	report, err := conformance.Run(t.Context(), conformance.Target{Folder: folder}, o)
	require.NoError(t, err)
	return report
}

func TestGoodModulesPass(t *testing.T) {
	for name, module := range good() {
		t.Run(name, func(t *testing.T) {
			report := check(t, name, module(), conformance.Options{})
			assert.True(t, report.Passed(), "%s", report)
			for _, s := range report.Steps {
				if s.Outcome == conformance.NotTried {
					assert.Equal(t, "it describes no parameters", s.Reason)
				}
			}
			t.Log(report)
		})
		t.Run("twin-of-"+name, func(t *testing.T) {
			report := check(t, "twin-of-"+name, module(), conformance.Options{})
			assert.True(t, report.Passed(), "%s", report)
		})
	}
}

// Each bad module fails in the step that it is made for, and in no other.
func TestBadModulesFailWhereTheyShould(t *testing.T) {
	for name, b := range badModules() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			patience := 5 * time.Second
			if b.says == "no answer within" || b.says == "the next question" {
				patience = time.Second
			}
			report := check(t, name, b.good(), conformance.Options{Patience: patience})
			failures := report.Failures()
			require.Len(t, failures, 1, "%s", report)
			assert.Equal(t, b.fails, failures[0].Name, "%s", report)
			assert.Equal(t, b.contract, failures[0].Contract)
			assert.Contains(t, failures[0].Reason, b.says)
			assert.False(t, report.Passed())
			if law := strings.HasPrefix(b.fails, "law ") && name != "promise-without-value"; law {
				c := failures[0].Counterexample
				require.NotNil(t, c)
				assert.NotEmpty(t, c.First)
				assert.Equal(t, b.fails != "law identity", len(c.Second) > 0)
			}
		})
	}
}

var _ = json.Marshal
var _ = os.Args
