package conformance_test

import (
	"encoding/json"
	"os"
	"testing"

	"github.com/commonvat/commonvat/plugins/compare"
	"github.com/commonvat/commonvat/plugins/conformance"
	"github.com/commonvat/commonvat/plugins/difference"
	"github.com/commonvat/commonvat/plugins/palette"
	"github.com/commonvat/commonvat/plugins/reading"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestMain(m *testing.M) {
	modules := map[string]func(){}
	for name, make := range ours {
		modules[name] = func() { sdk.Serve(make()) }
	}
	plugintest.Main(modules)
	os.Exit(m.Run())
}

var ours = map[string]func() sdk.Module{
	reading.Name: reading.Module, difference.Name: difference.Module, palette.Name: palette.Module, compare.Name: compare.Module,
}

func TestOurModulesPass(t *testing.T) {
	for name, make := range ours {
		t.Run(name, func(t *testing.T) {
			d := make().Describe
			folder := plugintest.Folder(t, name, d.GetVersion(), d.GetKind())
			report, err := conformance.Run(t.Context(), conformance.Target{Folder: folder}, conformance.Options{})
			require.NoError(t, err)
			assert.True(t, report.Passed(), "%s", report)
			t.Log(report)
			_, err = json.Marshal(report)
			require.NoError(t, err)
		})
	}
}
