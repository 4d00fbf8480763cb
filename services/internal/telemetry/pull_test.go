package telemetry

import (
	"bytes"
	"context"
	"encoding/json"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.opentelemetry.io/otel/trace"
	metricsv1 "go.opentelemetry.io/proto/otlp/collector/metrics/v1"
	"google.golang.org/grpc"
)

func TestMetricsListenOnlyOnThisMachine(t *testing.T) {
	for address, want := range map[string]string{
		"127.0.0.1:7731":                         "",
		"127.0.0.1:0":                            "",
		"127.5.5.5:7731":                         "",
		"[::1]:7731":                             "",
		"localhost:7731":                         "",
		"unix:/run/commonvat/metrics.sock":       "",
		"0.0.0.0:7731":                           "is not loopback",
		"[::]:7731":                              "is not loopback",
		":7731":                                  "is not loopback",
		"192.0.2.1:7731":                         "is not loopback",
		"127.0.0.1":                              "is malformed",
		"127.0.0.1:":                             "is malformed",
		"127.0.0.1:70000":                        "metrics address",
		"unix:metrics.sock":                      "has no absolute path",
		"unix:":                                  "has no absolute path",
		"unix:/" + strings.Repeat("a", 107):      "a socket's path may have 107",
		"":                                       "is malformed",
		"http://127.0.0.1:7731":                  "metrics address",
		"unix:/" + strings.Repeat("a", 106):      "",
		"[fe80::1%lo]:7731":                      "is not loopback",
		"127.0.0.1:7731\nX: y":                   "metrics address",
		"[::ffff:192.0.2.1]:7731":                "is not loopback",
		"[::ffff:127.0.0.1]:" + "7731":           "",
		"[0:0:0:0:0:0:0:1]:7731":                 "",
		"metrics.invalid:7731":                   "metrics address", // RFC 2606: never resolves
		"unix:@abstract":                         "has no absolute path",
		"127.0.0.1:7731,unix:/run/commonvat/m.s": "metrics address",
	} {
		_, _, err := metricsAddress(address)
		if want == "" {
			assert.NoError(t, err, "%q", address)
		} else if assert.Error(t, err, "%q", address) {
			assert.Contains(t, err.Error(), want, "%q", address)
		}
	}
}

func TestPull(t *testing.T) {
	on := begin(t, nil, func(c *Config) { c.MetricsListen = "127.0.0.1:0" })
	assert.False(t, on.On(), "traces weren't asked for")
	require.NotNil(t, on.Metrics())
	on.Metrics().Refused(t.Context(), "CONFLICT")
	address := on.pull.listener.Addr().String()
	assert.Contains(t, pullFrom(t, address), "commonvat_refusals_total{commonvat_reason=\"CONFLICT\"} 1\n")

	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: time.Minute}
	for _, c := range []struct {
		method, path string
		want         int
	}{{http.MethodPost, MetricsPath, http.StatusMethodNotAllowed}, {http.MethodGet, "/", http.StatusNotFound}, {http.MethodGet, "/debug/pprof/", http.StatusNotFound}} {
		request, err := http.NewRequestWithContext(t.Context(), c.method, "http://"+address+c.path, nil)
		require.NoError(t, err)
		answer, err := client.Do(request)
		require.NoError(t, err)
		require.NoError(t, answer.Body.Close())
		assert.Equal(t, c.want, answer.StatusCode, "%s %s", c.method, c.path)
	}

	_, err := Start(t.Context(), Config{Getenv: env(nil), MetricsListen: address, Log: slog.New(slog.DiscardHandler)})
	require.ErrorContains(t, err, "listen for metrics", "the address is taken")
	require.NoError(t, on.Shutdown())
	_, err = (&net.Dialer{}).DialContext(t.Context(), "tcp", address)
	require.Error(t, err, "nobody listens any more")
}

func TestPullBySocket(t *testing.T) {
	folder, err := os.MkdirTemp("", "cv") // t.TempDir is too long for a socket
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, os.RemoveAll(folder)) })
	path := filepath.Join(folder, "metrics.sock")
	get := func() error {
		client := &http.Client{Timeout: time.Minute, Transport: &http.Transport{
			DisableKeepAlives: true,
			DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
				return (&net.Dialer{}).DialContext(ctx, "unix", path)
			},
		}}
		request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://core"+MetricsPath, nil)
		require.NoError(t, err)
		answer, err := client.Do(request)
		if err != nil {
			return err
		}
		return answer.Body.Close()
	}
	config := Config{Getenv: env(nil), MetricsListen: "unix:" + path, Log: slog.New(slog.DiscardHandler)}
	first, err := Start(t.Context(), config)
	require.NoError(t, err)
	require.NoError(t, get())
	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.Zero(t, info.Mode().Perm()&0o007, "not open to everybody")
	_, err = Start(t.Context(), config)
	require.ErrorContains(t, err, "in use by another process")
	require.NoError(t, get(), "the first goes on")
	require.NoError(t, first.Shutdown())
	_, err = os.Lstat(path)
	require.ErrorIs(t, err, fs.ErrNotExist)

	// A core that was killed leaves its socket.
	left, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	require.NoError(t, err)
	left.SetUnlinkOnClose(false)
	require.NoError(t, left.Close())
	again, err := Start(t.Context(), config)
	require.NoError(t, err)
	require.NoError(t, get())
	require.NoError(t, again.Shutdown())

	require.NoError(t, os.WriteFile(path, []byte("a member's letter"), 0o600))
	_, err = Start(t.Context(), config)
	require.ErrorContains(t, err, "no socket")
	kept, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, "a member's letter", string(kept))
}

func TestPullAndDisabledContradict(t *testing.T) {
	_, err := Start(t.Context(), Config{
		Getenv: env(map[string]string{"OTEL_SDK_DISABLED": "true"}), MetricsListen: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler),
	})
	require.ErrorContains(t, err, "OTEL_SDK_DISABLED=true; one must go")
}

func TestUnknownExporterIsToldAndIgnored(t *testing.T) {
	var text bytes.Buffer
	off := begin(t, map[string]string{"OTEL_METRICS_EXPORTER": "carrier-pigeon"}, func(c *Config) { c.Log = slog.New(slog.NewJSONHandler(&text, nil)) })
	assert.Nil(t, off.Metrics())
	assert.Contains(t, text.String(), "carrier-pigeon")
}

// collectorOfMetrics takes metrics as an OTLP collector does.
type collectorOfMetrics struct {
	metricsv1.UnimplementedMetricsServiceServer
	mu    sync.Mutex
	names map[string]bool
}

func (c *collectorOfMetrics) Export(_ context.Context, request *metricsv1.ExportMetricsServiceRequest) (*metricsv1.ExportMetricsServiceResponse, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, resource := range request.GetResourceMetrics() {
		for _, scope := range resource.GetScopeMetrics() {
			for _, m := range scope.GetMetrics() {
				c.names[m.GetName()] = true
			}
		}
	}
	return &metricsv1.ExportMetricsServiceResponse{}, nil
}

func TestMetricsAreSent(t *testing.T) {
	taken := &collectorOfMetrics{names: map[string]bool{}}
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	server := grpc.NewServer()
	metricsv1.RegisterMetricsServiceServer(server, taken)
	served := make(chan error, 1)
	go func() { served <- server.Serve(listener) }()
	t.Cleanup(func() { server.Stop(); assert.NoError(t, <-served) })

	t.Setenv("OTEL_EXPORTER_OTLP_METRICS_ENDPOINT", "http://"+listener.Addr().String()) // the exporter reads it by itself
	on, err := Start(t.Context(), Config{Getenv: os.Getenv, Version: "test", Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	assert.False(t, on.On(), "traces weren't asked for")
	sources := fakeSources(t)
	asked, open := 0, true
	sources.Pool = func() PoolState {
		assert.True(t, open, "asked after its end")
		asked++
		return PoolState{Rows: 1}
	}
	end, err := on.Metrics().Observe(sources)
	require.NoError(t, err)
	on.Metrics().Refused(t.Context(), "CONFLICT")
	end()
	open = false
	end()
	require.NoError(t, on.Shutdown(), "sends the last")
	assert.Equal(t, 1, asked)
	for _, name := range []string{MetricRefusals, MetricPoolRows, MetricStoreLogSize, MetricUptime} {
		assert.True(t, taken.names[name], "%s was not sent: %v", name, taken.names)
	}
}

// The end is bounded, also with the collector away; it tells that something was lost.
func TestTheEndIsBoundedWithoutACollector(t *testing.T) {
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, listener.Close()) // nobody listens there now
	t.Setenv("OTEL_EXPORTER_OTLP_METRICS_ENDPOINT", "http://"+listener.Addr().String())
	on, err := Start(t.Context(), Config{Getenv: os.Getenv, Version: "test", Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	require.NotNil(t, on.Metrics())
	ended := make(chan error, 1)
	go func() { ended <- on.Shutdown() }()
	select {
	case err := <-ended:
		require.ErrorContains(t, err, "export the last metrics")
	case <-time.After(8 * shutdownTimeout): // a guard against hanging, not a measurement
		t.Fatal("it hangs")
	}
}

func TestBackupAge(t *testing.T) {
	path := filepath.Join(t.TempDir(), "last-backup.json")
	var text bytes.Buffer
	now := time.Date(2026, 3, 1, 10, 0, 0, 0, time.UTC)
	on, reader := measured(t)
	end, err := on.Metrics().Observe(Sources{BackupFile: path, Now: func() time.Time { return now }, Log: slog.New(slog.NewJSONHandler(&text, nil))})
	require.NoError(t, err)
	defer end()
	age := func() []point {
		points, _ := collect(t, reader)
		return points[MetricBackupAge]
	}
	assert.Empty(t, age(), "no backup")
	assert.Empty(t, text.String())
	for content, want := range map[string]string{
		`{"time":"yesterday"}`: "yesterday", `{`: "unexpected end", `{}`: "field time is missing", `{"time":null}`: "field time is missing", ``: "unexpected end", `[]`: "cannot unmarshal",
	} {
		text.Reset()
		require.NoError(t, os.WriteFile(path, []byte(content), 0o600))
		assert.Empty(t, age(), content)
		assert.Contains(t, text.String(), want, content)
		text.Reset()
		assert.Empty(t, age())
		assert.Empty(t, text.String(), "not told twice")
		require.NoError(t, os.Remove(path))
		assert.Empty(t, age(), "gone again")
	}
	require.NoError(t, os.WriteFile(path, []byte(`{"time":"2026-02-28T10:00:00Z"}`), 0o600))
	assert.Equal(t, 86400., valueOf(t, age()))
	now = now.AddDate(0, 0, -7)
	assert.Equal(t, 0., valueOf(t, age()), "a clock that was put back")
}

// Whoever hands on its context has the ids in its line, with attributes and groups too; a line without a span has none.
func TestLogHandler(t *testing.T) {
	var text bytes.Buffer
	log := slog.New(LogHandler(slog.NewJSONHandler(&text, nil)))
	id, err := trace.TraceIDFromHex("4bf92f3577b34da6a3ce929d0e0e4736") // of the example in W3C Trace Context, 3.2
	require.NoError(t, err)
	spanID, err := trace.SpanIDFromHex("00f067aa0ba902b7")
	require.NoError(t, err)
	ctx := trace.ContextWithSpanContext(t.Context(), trace.NewSpanContext(trace.SpanContextConfig{TraceID: id, SpanID: spanID}))
	line := func(log *slog.Logger, ctx context.Context) map[string]any {
		text.Reset()
		log.WarnContext(ctx, "x", "a", 1, "b", 2, "c", 3, "d", 4, "e", 5, "f", 6)
		read := map[string]any{}
		require.NoError(t, json.Unmarshal(text.Bytes(), &read))
		return read
	}
	for _, l := range []*slog.Logger{log, log.With("module", "m")} {
		read := line(l, ctx)
		assert.Equal(t, id.String(), read[FieldTraceID])
		assert.Equal(t, spanID.String(), read[FieldSpanID])
		assert.EqualValues(t, 6, read["f"])
		assert.NotContains(t, line(l, t.Context()), FieldTraceID)
	}
	assert.Contains(t, line(log.WithGroup("g"), ctx), "g")
	assert.False(t, slog.New(LogHandler(slog.NewJSONHandler(&text, &slog.HandlerOptions{Level: slog.LevelError}))).Enabled(ctx, slog.LevelWarn))
}
