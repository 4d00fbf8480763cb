package e2e_test

import (
	"context"
	"io"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A core with a real module tells how its calls went and that it was started again, over a socket.
func TestMetricsOfACoreWithAModule(t *testing.T) {
	l := newLab(t, "ash")
	l.installModules("difference-deltae", "reading-reflectance")
	socket := filepath.Join(shortDir(t), "metrics.sock")
	l.flags = []string{"--metrics-listen", "unix:" + socket}
	l.start()
	l.does("ash", "trial", "submit", example)
	pieces := l.piecesOf("ash", exampleID)
	l.asks("ash", "difference", pieces["yellow first"].Code, pieces["blue first"].Code)
	client := &http.Client{Timeout: time.Minute, Transport: &http.Transport{
		DisableKeepAlives: true,
		DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
			return (&net.Dialer{}).DialContext(ctx, "unix", socket)
		},
	}}
	pull := func() string {
		answer, err := client.Get("http://core/metrics")
		require.NoError(t, err)
		defer func() { assert.NoError(t, answer.Body.Close()) }()
		text, err := io.ReadAll(answer.Body)
		require.NoError(t, err)
		return string(text)
	}
	// line is the value of the one line that has all these.
	line := func(text string, parts ...string) string {
		for of := range strings.Lines(text) {
			all := true
			for _, part := range parts {
				all = all && strings.Contains(of, part)
			}
			if all {
				return of[strings.LastIndexByte(of, ' ')+1 : len(of)-1]
			}
		}
		return ""
	}
	text := pull()
	module := `commonvat_module_name="difference-deltae"`
	assert.Equal(t, "1", line(text, "commonvat_module_call_duration_seconds_count{", module, `commonvat_outcome="ok"`, `commonvat_module_kind="difference"`))
	assert.Equal(t, "0", line(text, "commonvat_module_calls_active{", module))
	assert.Equal(t, "1", line(text, "commonvat_module_state{", module, `"running"`))
	assert.Equal(t, "0", line(text, "commonvat_module_restarts_total{", module))
	assert.Equal(t, "1", line(text, "rpc_server_call_duration_seconds_count{", "/SubmitTrial", `"OK"`))
	for _, secret := range []string{exampleID, pieces["yellow first"].Code, `"ash"`, l.data, l.runtime} {
		assert.NotContains(t, text, secret)
	}

	for _, pid := range l.modulePIDs() {
		require.NoError(t, syscall.Kill(pid, syscall.SIGKILL))
	}
	l.eventually(readyWithin, "the module was started again", func() bool {
		text = pull()
		return line(text, "commonvat_module_restarts_total{", module) == "1" && line(text, "commonvat_module_state{", module, `"running"`) == "1"
	})
	l.stop()
	answer, err := client.Get("http://core/metrics")
	if err == nil {
		require.NoError(t, answer.Body.Close())
	}
	require.Error(t, err)
}
