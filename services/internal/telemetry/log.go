package telemetry

import (
	"context"
	"log/slog"

	"go.opentelemetry.io/otel/trace"
)

// LogHandler adds to every line that is written under a span the ids of its trace and span, so that whoever logs
// needs only to hand its context on.
func LogHandler(inner slog.Handler) slog.Handler { return logHandler{inner} }

type logHandler struct{ slog.Handler }

// Handle implements slog.Handler.
func (h logHandler) Handle(ctx context.Context, line slog.Record) error {
	if span := trace.SpanContextFromContext(ctx); span.IsValid() {
		line.AddAttrs(slog.String(FieldTraceID, span.TraceID().String()), slog.String(FieldSpanID, span.SpanID().String()))
	}
	return h.Handler.Handle(ctx, line)
}

// WithAttrs implements slog.Handler.
func (h logHandler) WithAttrs(attrs []slog.Attr) slog.Handler {
	return logHandler{h.Handler.WithAttrs(attrs)}
}

// WithGroup implements slog.Handler.
func (h logHandler) WithGroup(name string) slog.Handler { return logHandler{h.Handler.WithGroup(name)} }
