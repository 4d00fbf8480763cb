package e2e_test

import (
	"fmt"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestModulesAreHeld looks at the module processes of a core under each profile. What being held means is tried in
// plugins/sdk/sandbox.
func TestModulesAreHeld(t *testing.T) {
	for profile, want := range map[string]string{
		"production": `NoNewPrivs:\t1\nSeccomp:\t2\n`,
		"local":      `NoNewPrivs:\t1\nSeccomp:\t2\n`,
		"off":        `Seccomp:\t0\n`,
	} {
		t.Run(profile, func(t *testing.T) {
			l := newLab(t, "ash:researcher")
			l.env = []string{"COMMONVATD_MODULES_SANDBOX=" + profile}
			l.installModules()
			l.start()
			l.does("ash", "trial", "submit", example)
			l.does("ash", "trial", "share", exampleID, "--level", "cooperative")
			l.asks("ash", "palette", "--by", "fibre")
			pids := l.modulePIDs()
			require.NotEmpty(t, pids)
			for _, pid := range pids {
				status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
				require.NoError(t, err)
				assert.Regexp(t, want, string(status))
			}
			l.stop()
		})
	}
}
