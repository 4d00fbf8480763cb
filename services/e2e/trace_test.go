package e2e_test

import (
	"context"
	"encoding/hex"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	collectorv1 "go.opentelemetry.io/proto/otlp/collector/trace/v1"
	"google.golang.org/grpc"
)

// collector takes spans as an OTLP collector does.
type collector struct {
	collectorv1.UnimplementedTraceServiceServer
	mu    sync.Mutex
	spans map[string][]string // trace id to "service/span"
}

func (c *collector) Export(_ context.Context, request *collectorv1.ExportTraceServiceRequest) (*collectorv1.ExportTraceServiceResponse, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, resource := range request.GetResourceSpans() {
		service := ""
		for _, attribute := range resource.GetResource().GetAttributes() {
			if attribute.GetKey() == "service.name" {
				service = attribute.GetValue().GetStringValue()
			}
		}
		for _, scope := range resource.GetScopeSpans() {
			for _, span := range scope.GetSpans() {
				id := hex.EncodeToString(span.GetTraceId())
				c.spans[id] = append(c.spans[id], service+"/"+span.GetName())
			}
		}
	}
	return &collectorv1.ExportTraceServiceResponse{}, nil
}

// with finds the fullest trace that holds a span: calls from before the modules had come up have shorter ones.
func (c *collector) with(span string) (trace string, spans []string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for id, of := range c.spans {
		if slices.Contains(of, span) && len(of) > len(spans) {
			trace, spans = id, slices.Clone(of)
		}
	}
	return trace, spans
}

// One trace goes from the client through the core into the module, whose spans come back with its answer.
func TestOneTraceFromClientIntoModule(t *testing.T) {
	taken := &collector{spans: map[string][]string{}}
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	server := grpc.NewServer()
	collectorv1.RegisterTraceServiceServer(server, taken)
	served := make(chan error, 1)
	go func() { served <- server.Serve(listener) }()
	t.Cleanup(func() { server.Stop(); assert.NoError(t, <-served) })

	l := newLab(t, "ash")
	l.installModules()
	l.env = []string{"OTEL_EXPORTER_OTLP_ENDPOINT=http://" + listener.Addr().String(), "OTEL_BSP_SCHEDULE_DELAY=50"}
	l.start()
	l.does("ash", "trial", "submit", example)
	pieces := l.piecesOf("ash", exampleID)
	l.asks("ash", "difference", pieces["yellow first"].Code, pieces["blue first"].Code)
	l.stop() // the last spans go out when the core stops

	trace, spans := taken.with("commonvatd/commonvat.pool.v1.PoolService/ComparePieces")
	require.NotEmpty(t, trace)
	from := func(service, method string) bool {
		return slices.ContainsFunc(spans, func(s string) bool {
			of, span, _ := strings.Cut(s, "/")
			return of == service && strings.HasPrefix(span, method)
		})
	}
	assert.True(t, from("commonvat", "commonvat.pool.v1.PoolService/ComparePieces"), "the client's span: %v", spans)
	assert.True(t, from("commonvatd", "commonvat.module.difference.v1."), "the core's call of the module: %v", spans)
	assert.True(t, slices.ContainsFunc(spans, func(s string) bool {
		return !strings.HasPrefix(s, "commonvat/") && !strings.HasPrefix(s, "commonvatd/") && strings.Contains(s, "commonvat.module.difference.v1.")
	}), "the module's own span: %v", spans)
	assert.Contains(t, l.log(), `"trace_id":"`+trace+`"`)
}

func TestACollectorThatIsAwayDoesNotSpoilTheEnd(t *testing.T) {
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, listener.Close()) // nobody listens there now
	l := newLab(t, "ash")
	l.env = []string{"OTEL_EXPORTER_OTLP_ENDPOINT=http://" + listener.Addr().String()}
	l.start()
	l.does("ash", "trial", "list")
	l.stop()
	assert.Contains(t, l.log(), "the last traces or metrics were not taken")
}

func TestNoSpanLeavesUntilAskedTo(t *testing.T) {
	l := newLab(t, "ash")
	l.start()
	l.does("ash", "trial", "list")
	assert.NotContains(t, l.log(), "trace_id")
	l.stop()
}
