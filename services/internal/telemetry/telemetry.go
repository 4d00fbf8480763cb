// Package telemetry has the traces of the core: how they are switched on, and every name
// of a span, an attribute and a log field in one place.
//
// Tracing is off, and costs next to nothing, until an exporter is configured in the environment by the names of
// the OpenTelemetry specification: OTEL_EXPORTER_OTLP_ENDPOINT, OTEL_EXPORTER_OTLP_TRACES_ENDPOINT or
// OTEL_TRACES_EXPORTER=otlp. OTEL_SDK_DISABLED=true and OTEL_TRACES_EXPORTER=none keep it off. Sampling, headers and
// certificates follow the same specification. There are no metrics yet.
package telemetry

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc"
	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracegrpc"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/sdk/resource"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"
	tracepb "go.opentelemetry.io/proto/otlp/trace/v1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/stats"
)

const (
	scope = "github.com/commonvat/commonvat/services"

	// shutdownTimeout bounds the last export, so that the core ends when the collector is away.
	shutdownTimeout = 5 * time.Second
	// forwardTimeout bounds one export of a module's spans, and maxForwarded how many calls' spans may wait for it.
	forwardTimeout = 5 * time.Second
	maxForwarded   = 64
)

// Configured reports whether the environment asks for traces.
func Configured(getenv func(string) string) bool {
	if strings.EqualFold(strings.TrimSpace(getenv("OTEL_SDK_DISABLED")), "true") {
		return false
	}
	switch strings.TrimSpace(getenv("OTEL_TRACES_EXPORTER")) {
	case "none":
		return false
	case "otlp":
		return true
	}
	return getenv("OTEL_EXPORTER_OTLP_ENDPOINT") != "" || getenv("OTEL_EXPORTER_OTLP_TRACES_ENDPOINT") != ""
}

// Telemetry is the running of traces; the zero value is off.
type Telemetry struct {
	provider *sdktrace.TracerProvider
	client   otlptrace.Client
	log      *slog.Logger

	forward chan []*tracepb.ResourceSpans
	end     chan struct{}
	done    sync.WaitGroup
	once    sync.Once
	err     error
}

// Start switches traces on when the environment asks for them, and else returns what is off. The collector needn't be there.
func Start(ctx context.Context, getenv func(string) string, version string, log *slog.Logger) (*Telemetry, error) {
	if !Configured(getenv) {
		return &Telemetry{}, nil
	}
	return start(ctx, otlptracegrpc.NewClient(), version, log)
}

func start(ctx context.Context, client otlptrace.Client, version string, log *slog.Logger) (*Telemetry, error) {
	exporter, err := otlptrace.New(ctx, client)
	if err != nil {
		return nil, fmt.Errorf("start trace exporter: %w", err)
	}
	res, err := resource.New(ctx, resource.WithAttributes(
		attribute.String("service.name", "commonvatd"), attribute.String("service.version", version)),
		resource.WithFromEnv()) // so that OTEL_SERVICE_NAME has the last word
	if err != nil && !errors.Is(err, resource.ErrPartialResource) {
		return nil, fmt.Errorf("describe this process for traces: %w", err)
	}
	otel.SetErrorHandler(otel.ErrorHandlerFunc(func(err error) {
		log.Warn("traces were not exported", FieldError, err.Error())
	}))
	t := &Telemetry{
		provider: sdktrace.NewTracerProvider(sdktrace.WithBatcher(exporter), sdktrace.WithResource(res)),
		client:   client, log: log,
		forward: make(chan []*tracepb.ResourceSpans, maxForwarded), end: make(chan struct{}),
	}
	t.done.Go(t.forwardSpans)
	return t, nil
}

// On reports whether traces are taken.
func (t *Telemetry) On() bool { return t.provider != nil }

// StartSpan begins a span of the core's own below the span of the running call, by one of the names of this package. Without
// such a span, as when traces are off, it does next to nothing.
func StartSpan(ctx context.Context, name string) (context.Context, trace.Span) {
	return trace.SpanFromContext(ctx).TracerProvider().Tracer(scope).Start(ctx, name)
}

// propagator carries trace ids and nothing else: baggage from outside is dropped.
func propagator() propagation.TextMapPropagator { return propagation.TraceContext{} }

// ServerOptions are those of the core's server. With public, a caller's trace is linked to and not continued, since a
// stranger's word on what to sample isn't taken; on loopback the caller's trace goes on.
func (t *Telemetry) ServerOptions(public bool) []grpc.ServerOption {
	if !t.On() {
		return nil
	}
	options := []otelgrpc.Option{
		otelgrpc.WithTracerProvider(t.provider), otelgrpc.WithPropagators(propagator()),
		otelgrpc.WithFilter(func(info *stats.RPCTagInfo) bool { return !strings.HasPrefix(info.FullMethodName, "/grpc.") }),
	}
	if public {
		options = append(options, otelgrpc.WithPublicEndpoint())
	}
	return []grpc.ServerOption{grpc.StatsHandler(otelgrpc.NewServerHandler(options...))}
}

// ModuleDialOptions are those of the connection to a module, so that a trace goes on into it. The calls that only keep the
// process going have no spans.
func (t *Telemetry) ModuleDialOptions(name, version, kind string) []grpc.DialOption {
	if !t.On() {
		return nil
	}
	return []grpc.DialOption{grpc.WithStatsHandler(otelgrpc.NewClientHandler(
		otelgrpc.WithTracerProvider(t.provider), otelgrpc.WithPropagators(propagator()),
		otelgrpc.WithFilter(func(info *stats.RPCTagInfo) bool {
			return !strings.HasPrefix(info.FullMethodName, "/plugin.") && !strings.HasPrefix(info.FullMethodName, "/grpc.")
		}),
		otelgrpc.WithSpanAttributes(attribute.String(AttributeModule, name), attribute.String(AttributeModuleVersion, version),
			attribute.String(AttributeModuleKind, kind)),
	))}
}

// ModuleSpans takes the spans that a module returned and sends them the way of the core's own. It never blocks; when
// the collector is slow, spans of modules are dropped. It does nothing when traces are off.
func (t *Telemetry) ModuleSpans(spans []*tracepb.ResourceSpans) {
	if !t.On() || len(spans) == 0 {
		return
	}
	select {
	case t.forward <- spans:
	default:
		t.log.Warn("spans of a module were dropped: the collector is slow")
	}
}

func (t *Telemetry) forwardSpans() {
	upload := func(spans []*tracepb.ResourceSpans) {
		ctx, cancel := context.WithTimeout(context.Background(), forwardTimeout)
		defer cancel()
		if err := t.client.UploadTraces(ctx, spans); err != nil {
			otel.Handle(fmt.Errorf("spans of a module: %w", err))
		}
	}
	for {
		select {
		case spans := <-t.forward:
			upload(spans)
		case <-t.end:
			for {
				select {
				case spans := <-t.forward:
					upload(spans)
				default:
					return
				}
			}
		}
	}
}

// Shutdown exports what is left and ends. It takes at most about five seconds, also when the collector is away.
func (t *Telemetry) Shutdown() error {
	if !t.On() {
		return nil
	}
	t.once.Do(func() {
		ctx, cancel := context.WithTimeout(context.Background(), shutdownTimeout)
		defer cancel()
		close(t.end)
		forwarded := make(chan struct{})
		go func() { t.done.Wait(); close(forwarded) }()
		select {
		case <-forwarded:
		case <-ctx.Done():
		}
		if err := t.provider.Shutdown(ctx); err != nil {
			t.err = fmt.Errorf("export the last traces: %w", err)
		}
	})
	return t.err
}
