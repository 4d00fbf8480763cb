package catalog_test

import (
	"context"
	"log/slog"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest/echo"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/catalog/catalogtest"
	"github.com/commonvat/commonvat/services/internal/telemetry"
)

// meter remembers how calls ended.
type meter struct {
	mu     sync.Mutex
	active int
	began  int
	ended  []string // method and outcome
}

func (m *meter) CallBegan() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.active++
	m.began++
}

func (m *meter) CallEnded(method, outcome string, took time.Duration) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.active--
	if took <= 0 {
		outcome += " in no time"
	}
	m.ended = append(m.ended, method+" "+outcome)
}

func (m *meter) seen() (active, began int, ended []string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.active, m.began, append([]string(nil), m.ended...)
}

// Every call is counted in and out once, however it ends, and as a stream that its caller drops too.
func TestCallsAreCounted(t *testing.T) {
	counted := &meter{}
	c := catalogtest.Open(t, []string{folder(t, "echo")}, quick, func(cfg *catalog.Config) {
		cfg.CallTimeouts = map[string]time.Duration{sdk.KindPalette: 3 * time.Second} // all but one call are answered within it
		cfg.Meter = func(m catalog.Module) catalog.CallMeter {
			assert.Equal(t, "echo", m.Name)
			assert.Equal(t, "1.0.0", m.Version)
			assert.Equal(t, sdk.KindPalette, m.Kind)
			return counted
		}
	})
	const unary, stream = "/commonvat.test.echo.v1.EchoService/Call", "/commonvat.test.echo.v1.EchoService/Collect"
	var want []string
	expect := func(of string) {
		t.Helper()
		want = append(want, of)
		require.Eventually(t, func() bool { // a dropped stream is noticed a moment later
			active, _, ended := counted.seen()
			return active == 0 && len(ended) == len(want)
		}, time.Minute, time.Millisecond)
		active, began, ended := counted.seen()
		assert.Zero(t, active)
		assert.Len(t, want, began)
		assert.Equal(t, want, ended)
	}
	h, err := c.Acquire("echo")
	require.NoError(t, err)
	collect := func(ctx context.Context, text string) error {
		_, err := echo.Collect(ctx, h, []byte(text))
		return err
	}

	_, err = call(t, c, "echo", "hello")
	require.NoError(t, err)
	expect(unary + " " + telemetry.OutcomeOK)
	require.NoError(t, collect(t.Context(), "hello"))
	expect(stream + " " + telemetry.OutcomeOK)

	_, err = call(t, c, "echo", "invalid")
	require.Equal(t, codes.InvalidArgument, status.Code(err))
	expect(unary + " " + telemetry.OutcomeRefused)
	require.Equal(t, codes.InvalidArgument, status.Code(collect(t.Context(), "invalid")))
	expect(stream + " " + telemetry.OutcomeRefused)

	_, err = call(t, c, "echo", "too much")
	require.Equal(t, codes.ResourceExhausted, status.Code(err))
	expect(unary + " " + telemetry.OutcomeRefused)

	_, err = call(t, c, "echo", "panic")
	require.Equal(t, codes.Internal, status.Code(err))
	expect(unary + " " + telemetry.OutcomeFailed)

	_, err = call(t, c, "echo", "hang")
	require.Equal(t, codes.DeadlineExceeded, status.Code(err))
	expect(unary + " " + telemetry.OutcomeOverrun)

	short, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	_, err = echo.Call(short, h, []byte("hang"))
	require.Equal(t, codes.DeadlineExceeded, status.Code(err))
	expect(unary + " " + telemetry.OutcomeGivenUp)

	gone, giveUp := context.WithCancel(t.Context())
	_, err = h.NewStream(gone, &grpc.StreamDesc{StreamName: "Collect", ClientStreams: true}, stream)
	require.NoError(t, err)
	active, _, _ := counted.seen()
	assert.Equal(t, 1, active, "under way")
	giveUp() // and nobody asks the stream for its end
	expect(stream + " " + telemetry.OutcomeGivenUp)

	_, err = h.NewStream(gone, &grpc.StreamDesc{StreamName: "Collect", ClientStreams: true}, stream)
	require.Error(t, err)
	expect(stream + " " + telemetry.OutcomeGivenUp)

	require.Equal(t, codes.Unavailable, status.Code(collect(t.Context(), "exit")))
	expect(stream + " " + telemetry.OutcomeEnded)
	h.Release()
	eventually(t, c, catalog.StateRunning, 1)
	_, err = call(t, c, "echo", "exit")
	require.Equal(t, codes.Unavailable, status.Code(err))
	expect(unary + " " + telemetry.OutcomeEnded)
}

// The states that metrics tell of are those that there are.
func TestStatesAreThoseOfMetrics(t *testing.T) {
	assert.Equal(t, []string{
		string(catalog.StateStarting), string(catalog.StateRunning), string(catalog.StateBackoff), string(catalog.StateQuarantined), string(catalog.StateStopped),
	}, telemetry.ModuleStates())
}

// BenchmarkCountedCall calls a module with metrics on and off, by turns; the ratio is the time with them on over that without.
func BenchmarkCountedCall(b *testing.B) {
	told, err := telemetry.Start(b.Context(), telemetry.Config{
		Getenv: func(string) string { return "" }, MetricsListen: "127.0.0.1:0", Version: "bench", Log: slog.New(slog.DiscardHandler),
	})
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, told.Shutdown()) })
	off := catalogtest.Open(b, []string{folder(b, "echo")})
	on := catalogtest.Open(b, []string{folder(b, "echo")}, func(cfg *catalog.Config) {
		cfg.Meter = func(m catalog.Module) catalog.CallMeter { return told.Metrics().Module(m.Name, m.Version, m.Kind) }
	})
	in := make([]byte, 256)
	through := func(c *catalog.Catalog, stream bool) func() error {
		return func() error {
			h, err := c.Acquire(sdk.KindPalette)
			if err != nil {
				return err
			}
			defer h.Release()
			if stream {
				_, err = echo.Collect(b.Context(), h, in)
			} else {
				_, err = echo.Call(b.Context(), h, in)
			}
			return err
		}
	}
	b.Run("one answer", func(b *testing.B) { inTurns(b, through(on, false), through(off, false)) })
	b.Run("stream", func(b *testing.B) { inTurns(b, through(on, true), through(off, true)) })
}
