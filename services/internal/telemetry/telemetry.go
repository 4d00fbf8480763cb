// Package telemetry has the traces and metrics of the core: how they are switched on, and every name
// of a span, a metric, an attribute and a log field in one place.
//
// Both are off, and cost next to nothing, until an exporter is configured in the environment by the names of
// the OpenTelemetry specification: OTEL_EXPORTER_OTLP_ENDPOINT for both, OTEL_EXPORTER_OTLP_TRACES_ENDPOINT or
// OTEL_TRACES_EXPORTER=otlp for traces, OTEL_EXPORTER_OTLP_METRICS_ENDPOINT or OTEL_METRICS_EXPORTER=otlp for metrics.
// OTEL_SDK_DISABLED=true keeps all off, and "none" as the exporter that one. Sampling, headers, intervals and
// certificates follow the same specification; the protocol is gRPC. Metrics can be pulled as well, in the Prometheus text format,
// from a listener of their own; see Config.MetricsListen.
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
	noopmetric "go.opentelemetry.io/otel/metric/noop"
	"go.opentelemetry.io/otel/propagation"
	sdkmetric "go.opentelemetry.io/otel/sdk/metric"
	"go.opentelemetry.io/otel/sdk/resource"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"
	nooptrace "go.opentelemetry.io/otel/trace/noop"
	tracepb "go.opentelemetry.io/proto/otlp/trace/v1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/stats"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
)

const (
	scope = "github.com/commonvat/commonvat/services"

	// shutdownTimeout bounds the last export, so that the core ends when the collector is away.
	shutdownTimeout = 5 * time.Second
	// forwardTimeout bounds one export of a module's spans, and maxForwarded how many calls' spans may wait for it.
	forwardTimeout = 5 * time.Second
	maxForwarded   = 64
)

// Config says what is switched on.
type Config struct {
	// Getenv gives the variables named in the package comment. Required.
	Getenv func(string) string
	// MetricsListen is where metrics can be pulled from: a loopback address with its port, or "unix:" and an absolute path. Empty
	// for nowhere.
	MetricsListen string
	// Version is that of this program.
	Version string
	// Log takes what can't be exported. Required.
	Log *slog.Logger
}

const (
	signalTraces  = "TRACES"
	signalMetrics = "METRICS"
)

// Configured reports whether the environment asks for traces.
func Configured(getenv func(string) string) bool { return asked(getenv, signalTraces) }

// MetricsConfigured reports whether the environment asks for metrics to be sent.
func MetricsConfigured(getenv func(string) string) bool { return asked(getenv, signalMetrics) }

// disabled reports whether the environment keeps everything off.
func disabled(getenv func(string) string) bool {
	return strings.EqualFold(strings.TrimSpace(getenv("OTEL_SDK_DISABLED")), "true")
}

// asked reports whether the environment asks for a signal by OTLP. An exporter that isn't known is ignored, as the specification wants.
func asked(getenv func(string) string, signal string) bool {
	if disabled(getenv) {
		return false
	}
	switch strings.TrimSpace(getenv("OTEL_" + signal + "_EXPORTER")) {
	case "none":
		return false
	case "otlp":
		return true
	}
	return getenv("OTEL_EXPORTER_OTLP_ENDPOINT") != "" || getenv("OTEL_EXPORTER_OTLP_"+signal+"_ENDPOINT") != ""
}

// Telemetry is the running of traces and metrics; the zero value is off.
type Telemetry struct {
	provider *sdktrace.TracerProvider
	client   otlptrace.Client
	log      *slog.Logger

	meters  *sdkmetric.MeterProvider
	metrics *Metrics
	pull    *pull

	forward chan []*tracepb.ResourceSpans
	end     chan struct{}
	done    sync.WaitGroup
	once    sync.Once
	err     error
}

// Start switches on what the configuration asks for; without, everything is off. A collector needn't be there. Errors are those of
// the address to listen on, and of what the environment says of exporters.
func Start(ctx context.Context, config Config) (_ *Telemetry, err error) {
	t := &Telemetry{log: config.Log}
	defer func() { //nolint:contextcheck // the end has a deadline of its own
		if err != nil {
			err = errors.Join(err, t.Shutdown())
		}
	}()
	for _, signal := range []string{signalTraces, signalMetrics} {
		switch exporter := strings.TrimSpace(config.Getenv("OTEL_" + signal + "_EXPORTER")); exporter {
		case "", "none", "otlp":
		default:
			config.Log.Warn("exporter is not known and ignored; known: otlp, none", "variable", "OTEL_"+signal+"_EXPORTER", "value", exporter)
		}
	}
	traces, metrics := Configured(config.Getenv), MetricsConfigured(config.Getenv) || config.MetricsListen != ""
	if !traces && !metrics {
		return t, nil
	}
	res, err := describe(ctx, config.Version)
	if err != nil {
		return nil, err
	}
	otel.SetErrorHandler(otel.ErrorHandlerFunc(func(err error) {
		config.Log.Warn("telemetry was not exported", FieldError, err.Error())
	}))
	if traces {
		if err := t.startTraces(ctx, otlptracegrpc.NewClient(), res); err != nil {
			return nil, err
		}
	}
	if metrics {
		if err := t.startMetrics(ctx, config, res); err != nil {
			return nil, err
		}
	}
	return t, nil
}

// describe says which process this is.
func describe(ctx context.Context, version string) (*resource.Resource, error) {
	res, err := resource.New(ctx, resource.WithAttributes(
		attribute.String("service.name", "commonvatd"), attribute.String("service.version", version)),
		resource.WithFromEnv()) // so that OTEL_SERVICE_NAME has the last word
	if err != nil && !errors.Is(err, resource.ErrPartialResource) {
		return nil, fmt.Errorf("describe this process for telemetry: %w", err)
	}
	return res, nil
}

func (t *Telemetry) startTraces(ctx context.Context, client otlptrace.Client, res *resource.Resource) error {
	exporter, err := otlptrace.New(ctx, client)
	if err != nil {
		return fmt.Errorf("start trace exporter: %w", err)
	}
	t.provider = sdktrace.NewTracerProvider(sdktrace.WithBatcher(exporter), sdktrace.WithResource(res))
	t.client = client
	t.forward, t.end = make(chan []*tracepb.ResourceSpans, maxForwarded), make(chan struct{})
	t.done.Go(t.forwardSpans)
	return nil
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
	if !t.On() && t.meters == nil {
		return nil
	}
	options := []otelgrpc.Option{
		otelgrpc.WithTracerProvider(t.tracers()), otelgrpc.WithPropagators(propagator()), otelgrpc.WithFilter(ownMethod()),
	}
	if t.meters != nil {
		options = append(options, otelgrpc.WithMeterProvider(t.meters))
	} else {
		options = append(options, otelgrpc.WithMeterProvider(noopmetric.NewMeterProvider()))
	}
	if public {
		options = append(options, otelgrpc.WithPublicEndpoint())
	}
	return []grpc.ServerOption{grpc.StatsHandler(otelgrpc.NewServerHandler(options...))}
}

func (t *Telemetry) tracers() trace.TracerProvider {
	if t.On() {
		return t.provider
	}
	return nooptrace.NewTracerProvider()
}

// ownMethod takes the methods of our interface and nothing else: not health, and not what a stranger makes up, which would be a
// span or a label of the stranger's choice.
func ownMethod() otelgrpc.Filter {
	own := map[string]bool{}
	protoregistry.GlobalFiles.RangeFiles(func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			service := file.Services().Get(i)
			for j := range service.Methods().Len() {
				if strings.HasPrefix(string(service.FullName()), "commonvat.") {
					own["/"+string(service.FullName())+"/"+string(service.Methods().Get(j).Name())] = true
				}
			}
		}
		return true
	})
	return func(info *stats.RPCTagInfo) bool { return own[info.FullMethodName] }
}

// ModuleDialOptions are those of the connection to a module, so that a trace goes on into it. The calls that only keep the
// process going have no spans.
func (t *Telemetry) ModuleDialOptions(name, version, kind string) []grpc.DialOption {
	if !t.On() {
		return nil
	}
	return []grpc.DialOption{grpc.WithStatsHandler(otelgrpc.NewClientHandler(
		otelgrpc.WithTracerProvider(t.provider), otelgrpc.WithPropagators(propagator()),
		otelgrpc.WithMeterProvider(noopmetric.NewMeterProvider()), // the catalog's own count knows how a call ended
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
	t.once.Do(func() {
		ctx, cancel := context.WithTimeout(context.Background(), shutdownTimeout)
		defer cancel()
		var traces, metrics error
		var ends sync.WaitGroup // together, so that one collector that is away isn't waited for twice
		ends.Go(func() { traces = t.endTraces(ctx) })
		ends.Go(func() { metrics = t.endMetrics(ctx) })
		ends.Wait()
		t.err = errors.Join(traces, metrics)
	})
	return t.err
}

func (t *Telemetry) endTraces(ctx context.Context) error {
	if !t.On() {
		return nil
	}
	close(t.end)
	forwarded := make(chan struct{})
	go func() { t.done.Wait(); close(forwarded) }()
	select {
	case <-forwarded:
	case <-ctx.Done():
	}
	if err := t.provider.Shutdown(ctx); err != nil {
		return fmt.Errorf("export the last traces: %w", err)
	}
	return nil
}
