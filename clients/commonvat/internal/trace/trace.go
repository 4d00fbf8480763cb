// Package trace sends the client's part of a trace to a collector, when the
// environment names one as the OpenTelemetry specification says: OTEL_EXPORTER_OTLP_ENDPOINT,
// OTEL_EXPORTER_OTLP_TRACES_ENDPOINT or OTEL_TRACES_EXPORTER=otlp. Else it does nothing.
package trace

import (
	"context"
	"fmt"
	"strings"
	"time"

	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracegrpc"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/sdk/resource"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"google.golang.org/grpc"
)

// On tells whether the environment asks for traces.
func On(getenv func(string) string) bool {
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

// Start gives the option that traces a connection's calls, and what sends the rest at the end. Both are
// nil when the environment asks for no traces. The end waits at most 3 seconds for the collector.
func Start(ctx context.Context) (grpc.DialOption, func() error, error) {
	exporter, err := otlptracegrpc.New(ctx)
	if err != nil {
		return nil, nil, fmt.Errorf("start traces: %w", err)
	}
	return start(ctx, exporter)
}

func start(ctx context.Context, exporter sdktrace.SpanExporter) (grpc.DialOption, func() error, error) {
	res, err := resource.New(ctx, resource.WithAttributes(attribute.String("service.name", "commonvat")), resource.WithFromEnv())
	if err != nil {
		return nil, nil, fmt.Errorf("start traces: %w", err)
	}
	provider := sdktrace.NewTracerProvider(sdktrace.WithBatcher(exporter), sdktrace.WithResource(res))
	option := grpc.WithStatsHandler(otelgrpc.NewClientHandler(otelgrpc.WithTracerProvider(provider), otelgrpc.WithPropagators(propagation.TraceContext{})))
	end := func() error {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 3*time.Second)
		defer cancel()
		return provider.Shutdown(ctx)
	}
	return option, end, nil
}
