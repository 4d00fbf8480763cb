package sdk

import (
	"context"
	"strings"
	"sync"
	"time"

	"go.opentelemetry.io/otel/attribute"
	otelcodes "go.opentelemetry.io/otel/codes"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/sdk/resource"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"
	tracepb "go.opentelemetry.io/proto/otlp/trace/v1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
)

const tracerName = "github.com/commonvat/commonvat/plugins/sdk"

// StartSpan begins a span below the span of the running call. It costs next to nothing when the call's trace is not
// sampled. End the span before the handler returns; a span that is still open then is lost.
func StartSpan(ctx context.Context, name string) (context.Context, trace.Span) {
	return trace.SpanFromContext(ctx).TracerProvider().Tracer(tracerName).Start(ctx, name)
}

// recorder records the spans of sampled calls and returns them in the trailer: a module has no network and exports nothing.
type recorder struct {
	name, version string
	once          sync.Once
	provider      *sdktrace.TracerProvider
	exporter      *otlptrace.Exporter

	mu   sync.Mutex
	open map[trace.SpanID]*collection
}

func newRecorder(name, version string) *recorder {
	return &recorder{name: name, version: version, open: map[trace.SpanID]*collection{}}
}

// collection holds the spans of one call. It is guarded by the recorder's mutex.
type collection struct {
	started []trace.SpanID
	ended   []sdktrace.ReadOnlySpan
}

type collectionKey struct{}

// sampled reads the caller's trace context, and is false unless that trace is sampled.
func (r *recorder) sampled(ctx context.Context, method string) (context.Context, bool) {
	md, ok := metadata.FromIncomingContext(ctx)
	if !ok || len(md["traceparent"]) == 0 || strings.HasPrefix(method, "/plugin.") || strings.HasPrefix(method, "/grpc.") {
		return ctx, false
	}
	ctx = propagation.TraceContext{}.Extract(ctx, carrier(md))
	return ctx, trace.SpanContextFromContext(ctx).IsSampled()
}

// start begins the span of the call itself; finish ends it and returns the trailer, empty if there is nothing to return.
func (r *recorder) start(ctx context.Context, method string) (_ context.Context, finish func(error) metadata.MD) {
	r.once.Do(r.build)
	c := &collection{}
	ctx = context.WithValue(ctx, collectionKey{}, c)
	method = strings.TrimPrefix(method, "/")
	ctx, span := r.provider.Tracer(tracerName).Start(ctx, method, trace.WithSpanKind(trace.SpanKindServer),
		trace.WithAttributes(attribute.String("rpc.system.name", "grpc"), attribute.String("rpc.method", method)))
	return ctx, func(err error) metadata.MD {
		code := status.Code(err).String()
		span.SetAttributes(attribute.String("rpc.response.status_code", code))
		if err != nil {
			span.SetStatus(otelcodes.Error, code)
		}
		span.End()
		return r.collect(c)
	}
}

func (r *recorder) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	ctx, ok := r.sampled(ctx, info.FullMethod)
	if !ok {
		return handler(ctx, req)
	}
	ctx, finish := r.start(ctx, info.FullMethod)
	resp, err := handler(ctx, req)
	// Spans that don't reach the host are no reason to lose the answer.
	_ = grpc.SetTrailer(ctx, finish(err))
	return resp, err
}

func (r *recorder) stream(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	ctx, ok := r.sampled(ss.Context(), info.FullMethod)
	if !ok {
		return handler(srv, ss)
	}
	ctx, finish := r.start(ctx, info.FullMethod)
	err := handler(srv, tracedStream{ServerStream: ss, ctx: ctx})
	ss.SetTrailer(finish(err))
	return err
}

type tracedStream struct {
	grpc.ServerStream
	ctx context.Context
}

func (s tracedStream) Context() context.Context { return s.ctx }

func (r *recorder) build() {
	r.exporter = otlptrace.NewUnstarted(captor{})
	r.provider = sdktrace.NewTracerProvider(
		sdktrace.WithSampler(sdktrace.ParentBased(sdktrace.NeverSample())),
		sdktrace.WithSpanProcessor(r),
		sdktrace.WithResource(resource.NewSchemaless(
			attribute.String("service.name", ExecutablePrefix+r.name),
			attribute.String("service.version", r.version))),
		sdktrace.WithRawSpanLimits(sdktrace.SpanLimits{
			AttributeCountLimit: 16, AttributeValueLengthLimit: 128, EventCountLimit: 4, LinkCountLimit: 2,
			AttributePerEventCountLimit: 4, AttributePerLinkCountLimit: 2,
		}),
	)
}

// OnStart is part of sdktrace.SpanProcessor.
func (r *recorder) OnStart(parent context.Context, s sdktrace.ReadWriteSpan) {
	c, ok := parent.Value(collectionKey{}).(*collection)
	if !ok {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(c.started) >= MaxSpans {
		return
	}
	id := s.SpanContext().SpanID()
	c.started = append(c.started, id)
	r.open[id] = c
}

// OnEnd is part of sdktrace.SpanProcessor.
func (r *recorder) OnEnd(s sdktrace.ReadOnlySpan) {
	r.mu.Lock()
	defer r.mu.Unlock()
	id := s.SpanContext().SpanID()
	if c, ok := r.open[id]; ok {
		c.ended = append(c.ended, s)
		delete(r.open, id)
	}
}

// Shutdown is part of sdktrace.SpanProcessor.
func (r *recorder) Shutdown(context.Context) error { return nil }

// ForceFlush is part of sdktrace.SpanProcessor.
func (r *recorder) ForceFlush(context.Context) error { return nil }

// collect turns the spans of one call into its trailer. The span of the call itself ended last and is kept longest.
func (r *recorder) collect(c *collection) metadata.MD {
	r.mu.Lock()
	for _, id := range c.started {
		delete(r.open, id)
	}
	spans := c.ended
	r.mu.Unlock()
	for len(spans) > 0 {
		var got []*tracepb.ResourceSpans
		ctx, cancel := context.WithTimeout(context.WithValue(context.Background(), captorKey{}, &got), time.Second)
		err := r.exporter.ExportSpans(ctx, spans)
		cancel()
		if err != nil {
			return nil
		}
		b, err := proto.Marshal(&tracepb.TracesData{ResourceSpans: got})
		if err != nil {
			return nil
		}
		if len(b) <= MaxSpansBytes {
			return metadata.Pairs(SpansTrailer, string(b))
		}
		spans = spans[(len(spans)+1)/2:]
	}
	return nil
}

type captorKey struct{}

// captor is an OTLP client that hands the spans back to the caller of the exporter, since the conversion itself is not
// exported by its library.
type captor struct{}

func (captor) Start(context.Context) error { return nil }
func (captor) Stop(context.Context) error  { return nil }
func (captor) UploadTraces(ctx context.Context, spans []*tracepb.ResourceSpans) error {
	if got, ok := ctx.Value(captorKey{}).(*[]*tracepb.ResourceSpans); ok {
		*got = spans
	}
	return nil
}

// carrier reads gRPC metadata as a propagator wants it.
type carrier metadata.MD

func (c carrier) Get(key string) string {
	if v := metadata.MD(c).Get(key); len(v) > 0 {
		return v[0]
	}
	return ""
}

func (c carrier) Set(string, string) {}

func (c carrier) Keys() []string {
	keys := make([]string, 0, len(c))
	for k := range c {
		keys = append(keys, k)
	}
	return keys
}
