package telemetry

import (
	"context"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	tracepb "go.opentelemetry.io/proto/otlp/trace/v1"

	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
)

func TestMain(m *testing.M) { plugintest.RunWithoutLeaks(m) }

func env(pairs map[string]string) func(string) string {
	return func(name string) string { return pairs[name] }
}

// The names and their meaning are of the OpenTelemetry specification, "Environment Variable Specification".
func TestConfigured(t *testing.T) {
	for _, c := range []struct {
		env  map[string]string
		want bool
	}{
		{nil, false},
		{map[string]string{"OTEL_EXPORTER_OTLP_ENDPOINT": "http://127.0.0.1:4317"}, true},
		{map[string]string{"OTEL_EXPORTER_OTLP_TRACES_ENDPOINT": "http://127.0.0.1:4317"}, true},
		{map[string]string{"OTEL_TRACES_EXPORTER": "otlp"}, true},
		{map[string]string{"OTEL_TRACES_EXPORTER": "none", "OTEL_EXPORTER_OTLP_ENDPOINT": "http://127.0.0.1:4317"}, false},
		{map[string]string{"OTEL_SDK_DISABLED": "true", "OTEL_TRACES_EXPORTER": "otlp"}, false},
		{map[string]string{"OTEL_SDK_DISABLED": "TRUE", "OTEL_EXPORTER_OTLP_ENDPOINT": "http://127.0.0.1:4317"}, false},
		{map[string]string{"OTEL_SDK_DISABLED": "no", "OTEL_TRACES_EXPORTER": "otlp"}, true},
	} {
		assert.Equal(t, c.want, Configured(env(c.env)), "%v", c.env)
		of := map[string]string{} // the same for metrics
		for name, value := range c.env {
			of[strings.ReplaceAll(name, "TRACES", "METRICS")] = value
		}
		assert.Equal(t, c.want, MetricsConfigured(env(of)), "%v", of)
	}
	onlyTraces := env(map[string]string{"OTEL_EXPORTER_OTLP_ENDPOINT": "http://127.0.0.1:4317", "OTEL_METRICS_EXPORTER": "none"})
	assert.True(t, Configured(onlyTraces))
	assert.False(t, MetricsConfigured(onlyTraces))
}

func TestOffIsFree(t *testing.T) {
	off := begin(t, nil)
	assert.False(t, off.On())
	assert.Empty(t, off.ServerOptions(true))
	assert.Empty(t, off.ModuleDialOptions("m", "1", "palette"))
	assert.Zero(t, testing.AllocsPerRun(100, func() { off.ModuleSpans(nil) }))
	_, span := StartSpan(t.Context(), SpanChange)
	assert.False(t, span.SpanContext().IsValid())
	assert.Nil(t, off.Metrics())
	assert.Zero(t, testing.AllocsPerRun(100, func() {
		off.Metrics().Refused(t.Context(), "INVALID_FIELD")
		off.Metrics().Committed(1, time.Second)
		module := off.Metrics().Module("m", "1", "palette")
		module.CallBegan()
		module.CallEnded("/a/b", OutcomeOK, time.Second)
	}))
	require.NoError(t, off.Shutdown())
}

// begin starts what an environment asks for, and ends it with the test.
func begin(t *testing.T, pairs map[string]string, change ...func(*Config)) *Telemetry {
	t.Helper()
	config := Config{Getenv: env(pairs), Version: "test", Log: slog.New(slog.DiscardHandler)}
	for _, f := range change {
		f(&config)
	}
	started, err := Start(t.Context(), config)
	require.NoError(t, err)
	t.Cleanup(func() { _ = started.Shutdown() }) // tests that look at its error call it before
	return started
}

// collector takes what would go over the wire.
type collector struct {
	mu    sync.Mutex
	names []string
}

func (c *collector) Start(context.Context) error { return nil }
func (c *collector) Stop(context.Context) error  { return nil }
func (c *collector) UploadTraces(_ context.Context, spans []*tracepb.ResourceSpans) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, resource := range spans {
		for _, scope := range resource.GetScopeSpans() {
			for _, span := range scope.GetSpans() {
				c.names = append(c.names, span.GetName())
			}
		}
	}
	return nil
}

func TestOwnAndModuleSpansGoTheSameWay(t *testing.T) {
	taken := &collector{}
	on := &Telemetry{log: slog.New(slog.DiscardHandler)}
	require.NoError(t, on.startTraces(t.Context(), taken, nil))
	assert.Len(t, on.ServerOptions(false), 1)
	assert.Len(t, on.ModuleDialOptions("m", "1", "palette"), 1)
	ctx, call := on.provider.Tracer(scope).Start(t.Context(), "call")
	_, span := StartSpan(ctx, SpanChange)
	span.End()
	call.End()
	on.ModuleSpans([]*tracepb.ResourceSpans{{ScopeSpans: []*tracepb.ScopeSpans{{Spans: []*tracepb.Span{{Name: "palette.width"}}}}}})
	require.NoError(t, on.Shutdown())
	require.NoError(t, on.Shutdown(), "a second time changes nothing")
	assert.ElementsMatch(t, []string{"call", SpanChange, "palette.width"}, taken.names)
}
