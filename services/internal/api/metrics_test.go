package api_test

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	accesspb "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/api"
	"github.com/commonvat/commonvat/services/internal/api/limits"
	"github.com/commonvat/commonvat/services/internal/telemetry"
)

// counts remembers what was refused.
type counts struct {
	mu              sync.Mutex
	refused         map[string]int
	unauthenticated int
	limited         int
}

func (c *counts) Refused(_ context.Context, reason string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.refused[reason]++
}

func (c *counts) Unauthenticated(context.Context) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.unauthenticated++
}

func (c *counts) RateLimited(context.Context) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.limited++
}

// What is refused is counted once, by the reason that the caller is told; what is answered is not.
func TestRefusalsAreCounted(t *testing.T) {
	counted := &counts{refused: map[string]int{}}
	c := start(t, func(config *api.Config) {
		config.Meter = counted
		config.Limits.Rates = map[limits.Class]limits.Rate{limits.Steward: {PerSecond: 1e-6, Burst: 1}}
	})
	revoke := func() error {
		_, err := c.access().RevokeToken(c.as("ada"), &accesspb.RevokeTokenRequest{TokenId: strings.Repeat("a", 16)})
		return err
	}
	refused(t, revoke(), codes.NotFound, "NOT_FOUND")
	refused(t, revoke(), codes.ResourceExhausted, "RATE_LIMITED")
	kept := c.submit("ada", mine)
	_, err := c.trials().GetTrial(c.as("bo"), &labpb.GetTrialRequest{TrialId: kept.GetTrial().GetId()})
	refused(t, err, codes.NotFound, "NOT_FOUND")
	_, err = c.trials().GetTrial(c.as("ada"), &labpb.GetTrialRequest{TrialId: "no id"})
	refused(t, err, codes.InvalidArgument, "INVALID_FIELD")
	_, err = c.access().ListMembers(c.as(""), &accesspb.ListMembersRequest{})
	refused(t, err, codes.Unauthenticated, "UNAUTHENTICATED")
	for _, token := range []string{"nonsense", c.tokens["ada"] + "x"} {
		ctx := metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+token)
		_, err = c.access().ListMembers(ctx, &accesspb.ListMembersRequest{})
		refused(t, err, codes.Unauthenticated, "UNAUTHENTICATED")
	}
	stream, err := c.trials().WatchChanges(c.as(""), &labpb.WatchChangesRequest{})
	require.NoError(t, err)
	_, err = stream.Recv()
	refused(t, err, codes.Unauthenticated, "UNAUTHENTICATED")

	counted.mu.Lock()
	defer counted.mu.Unlock()
	assert.Equal(t, map[string]int{"RATE_LIMITED": 1, "NOT_FOUND": 2, "INVALID_FIELD": 1, "UNAUTHENTICATED": 4}, counted.refused)
	assert.Equal(t, 4, counted.unauthenticated)
	assert.Equal(t, 1, counted.limited)
}

// One line a call, whether it has one answer or is a stream, with the ids of the span it ran under.
func TestEveryCallsLineHasItsTrace(t *testing.T) {
	var c *core
	provider := sdktrace.NewTracerProvider() // exports nothing
	defer func() { assert.NoError(t, provider.Shutdown(context.Background())) }()
	text := &lines{}
	c = start(t, func(config *api.Config) {
		config.Log = slog.New(telemetry.LogHandler(slog.NewJSONHandler(text, nil)))
		config.Options = []grpc.ServerOption{grpc.StatsHandler(otelgrpc.NewServerHandler(otelgrpc.WithTracerProvider(provider)))}
	})
	c.submit("ada", mine)
	_, err := c.trials().GetTrial(c.as("ada"), &labpb.GetTrialRequest{TrialId: newID()})
	require.Equal(t, codes.NotFound, status.Code(err))
	ctx, cancel := context.WithCancel(c.as("ada"))
	stream, err := c.trials().WatchChanges(ctx, &labpb.WatchChangesRequest{})
	require.NoError(t, err)
	_, err = stream.Recv()
	require.NoError(t, err)
	cancel()
	for err == nil { // what was sent before
		_, err = stream.Recv()
	}
	require.Equal(t, codes.Canceled, status.Code(err))

	calls := func() (lines []map[string]any) {
		for line := range strings.Lines(text.String()) {
			read := map[string]any{}
			require.NoError(t, json.Unmarshal([]byte(line), &read))
			if read["msg"] == "call" {
				lines = append(lines, read)
			}
		}
		return lines
	}
	require.Eventually(t, func() bool { return len(calls()) >= 3 }, time.Minute, time.Millisecond, "the stream's line comes when it has ended here")
	traces := map[any]bool{}
	for i, method := range []string{"SubmitTrial", "GetTrial", "WatchChanges"} {
		line := calls()[i]
		assert.Equal(t, "/commonvat.lab.v1.TrialService/"+method, line[telemetry.FieldMethod])
		assert.Len(t, line[telemetry.FieldTraceID], 32, method)
		assert.Len(t, line[telemetry.FieldSpanID], 16, method)
		traces[line[telemetry.FieldTraceID]] = true
	}
	assert.Len(t, traces, 3, "each call has a trace of its own")
	assert.Len(t, calls(), 3)
}

// BenchmarkMetrics reads trials and is refused trials with metrics off and on, by turns. The x-off figure is the speed with them on
// as a share of that with them off.
func BenchmarkMetrics(b *testing.B) {
	off := startBenchCore(b, 8<<20)
	told, err := telemetry.Start(b.Context(), telemetry.Config{
		Getenv: func(string) string { return "" }, MetricsListen: "127.0.0.1:0", Version: "bench", Log: slog.New(slog.DiscardHandler),
	})
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, told.Shutdown()) })
	on := startBenchCore(b, 8<<20, func(config *api.Config) {
		config.Options, config.Meter = told.ServerOptions(false), told.Metrics()
	})
	read := func(of benchCore, known bool) func(int) error {
		id := newID()
		want := codes.NotFound
		if known {
			kept, err := of.trials.SubmitTrial(of.ctx, ladenTrial())
			require.NoError(b, err)
			id, want = kept.GetTrial().GetId(), codes.OK
		}
		return func(int) error {
			_, err := of.trials.GetTrial(of.ctx, &labpb.GetTrialRequest{TrialId: id})
			if status.Code(err) != want {
				return fmt.Errorf("want %v: %w", want, err)
			}
			return nil
		}
	}
	for _, c := range []struct {
		name  string
		known bool
	}{{"answered", true}, {"refused", false}} {
		b.Run(c.name, func(b *testing.B) { against(b, "x-off", 8, read(on, c.known), read(off, c.known)) })
	}
}
