package host_test

import (
	"context"
	"crypto/sha256"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/host"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
)

// descriptors counts what this process holds open.
func descriptors(t *testing.T) int {
	t.Helper()
	all, err := os.ReadDir("/proc/self/fd")
	require.NoError(t, err)
	return len(all)
}

// Whatever becomes of a start, neither a descriptor nor a socket's folder is left of it.
func TestNothingIsLeftOfAStart(t *testing.T) {
	sockets, err := os.MkdirTemp("", "cv")
	require.NoError(t, err)
	t.Cleanup(func() { _ = os.RemoveAll(sockets) })
	path := func(name string) string {
		return filepath.Join(plugintest.Folder(t, name, "1.0.0", sdk.KindPalette), sdk.ExecutablePrefix+name)
	}
	wrong := make([]byte, sha256.Size)
	ways := map[string]host.Config{
		"well":           {Path: path("echo"), StartTimeout: plugintest.Patience},
		"exits":          {Path: path("early")},
		"never speaks":   {Path: path("late"), StartTimeout: 100 * time.Millisecond},
		"wrong checksum": {Path: path("echo"), SHA256: wrong},
		"no such file":   {Path: path("echo") + "x"},
		"no program":     {Path: filepath.Join(filepath.Dir(path("echo")), "module.json")},
	}
	try := func(name string) {
		cfg := ways[name]
		cfg.SocketParent = sockets
		p, err := host.Start(t.Context(), cfg)
		if name == "well" {
			require.NoError(t, err)
			_, err = p.Describe(t.Context())
			require.NoError(t, err)
			p.Stop(time.Second)
			return
		}
		require.Error(t, err, name)
	}
	given, giveUp := context.WithCancel(t.Context())
	giveUp()
	_, err = host.Start(given, host.Config{Path: path("late"), SocketParent: sockets})
	require.ErrorIs(t, err, context.Canceled)
	for name := range ways { // what is opened once and kept
		try(name)
	}
	before := descriptors(t)
	for name := range ways {
		for range 5 {
			try(name)
		}
		// The collector closes what the runtime still looks at; what follows an end may take a moment.
		assert.Eventually(t, func() bool { return descriptors(t) <= before+2 }, plugintest.Patience, 10*time.Millisecond, name)
	}
	left, err := os.ReadDir(sockets)
	require.NoError(t, err)
	assert.Empty(t, left)
}
