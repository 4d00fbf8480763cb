package trace

import (
	"context"
	"net"
	"testing"

	accessv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.opentelemetry.io/otel/sdk/trace/tracetest"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/test/bufconn"
)

func TestOn(t *testing.T) {
	for _, c := range []struct {
		name, value string
		want        bool
	}{
		{"", "", false}, {"OTEL_EXPORTER_OTLP_ENDPOINT", "http://127.0.0.1:4317", true}, {"OTEL_TRACES_EXPORTER", "otlp", true},
		{"OTEL_TRACES_EXPORTER", "none", false}, {"OTEL_EXPORTER_OTLP_TRACES_ENDPOINT", "x", true},
	} {
		get := func(k string) string {
			if k == c.name {
				return c.value
			}
			return ""
		}
		assert.Equal(t, c.want, On(get), c.name)
	}
}

type core struct {
	accessv1.UnimplementedAccessServiceServer
	parent string
}

func (c *core) GetCurrentMember(ctx context.Context, _ *accessv1.GetCurrentMemberRequest) (*accessv1.Member, error) {
	md, _ := metadata.FromIncomingContext(ctx)
	if v := md["traceparent"]; len(v) == 1 {
		c.parent = v[0]
	}
	return &accessv1.Member{Id: "ada"}, nil
}

// The core gets the trace that the client began.
func TestTheTraceGoesOn(t *testing.T) {
	kept := tracetest.NewInMemoryExporter()
	option, end, err := start(t.Context(), keep{kept})
	require.NoError(t, err)
	l := bufconn.Listen(1 << 16)
	s := grpc.NewServer()
	c := &core{}
	accessv1.RegisterAccessServiceServer(s, c)
	done := make(chan struct{})
	go func() { defer close(done); _ = s.Serve(l) }()
	defer func() { s.Stop(); <-done }()
	conn, err := grpc.NewClient("passthrough:///core", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return l.DialContext(ctx) }), option)
	require.NoError(t, err)
	_, err = accessv1.NewAccessServiceClient(conn).GetCurrentMember(t.Context(), &accessv1.GetCurrentMemberRequest{})
	require.NoError(t, err)
	require.NoError(t, conn.Close())
	require.NoError(t, end())
	spans := kept.GetSpans()
	require.Len(t, spans, 1)
	assert.Contains(t, c.parent, spans[0].SpanContext.TraceID().String())
}

// keep holds what was exported after the exporter is shut.
type keep struct{ *tracetest.InMemoryExporter }

func (keep) Shutdown(context.Context) error { return nil }
