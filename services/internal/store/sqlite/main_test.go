package sqlite

import (
	"os"
	"testing"

	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
)

// TestMain lets this program be started again as the process that a test kills or hems in.
func TestMain(m *testing.M) {
	if role := os.Getenv(childRole); role != "" {
		child(role)
		return
	}
	plugintest.RunWithoutLeaks(m)
}
