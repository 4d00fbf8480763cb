package host

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk"
	"go.opentelemetry.io/otel/trace"
	commonpb "go.opentelemetry.io/proto/otlp/common/v1"
	resourcepb "go.opentelemetry.io/proto/otlp/resource/v1"
	tracepb "go.opentelemetry.io/proto/otlp/trace/v1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"
)

// SpanSink takes the spans that a module returned for one sampled call, after they were checked: they belong to the
// caller's trace, are bounded in number and size, have parents, lie within the call's time and carry a resource that the
// host made. It must not block.
type SpanSink func([]*tracepb.ResourceSpans)

// spanSlack is how far a module's clock reading may lie outside the call.
const spanSlack = time.Second

// spanReader takes spans out of the trailers of sampled calls.
type spanReader struct {
	label, version string
	sink           SpanSink
}

func (r spanReader) unary(ctx context.Context, method string, req, reply any, cc *grpc.ClientConn, invoker grpc.UnaryInvoker, opts ...grpc.CallOption) error {
	sc := trace.SpanContextFromContext(ctx)
	if !sc.IsSampled() {
		return invoker(ctx, method, req, reply, cc, opts...)
	}
	var trailer metadata.MD
	began := time.Now()
	err := invoker(ctx, method, req, reply, cc, append(opts, grpc.Trailer(&trailer))...)
	r.read(trailer, sc.TraceID(), began)
	return err
}

func (r spanReader) stream(ctx context.Context, desc *grpc.StreamDesc, cc *grpc.ClientConn, method string, streamer grpc.Streamer, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	sc := trace.SpanContextFromContext(ctx)
	stream, err := streamer(ctx, desc, cc, method, opts...)
	if err != nil || !sc.IsSampled() {
		return stream, err
	}
	return &spanStream{ClientStream: stream, reader: r, traceID: sc.TraceID(), began: time.Now(), oneAnswer: !desc.ServerStreams}, nil
}

// spanStream reads the trailer when its stream ends.
type spanStream struct {
	grpc.ClientStream
	reader    spanReader
	traceID   trace.TraceID
	began     time.Time
	oneAnswer bool // the single answer comes together with the end
	read      bool
}

func (s *spanStream) RecvMsg(m any) error {
	err := s.ClientStream.RecvMsg(m)
	if (err != nil || s.oneAnswer) && !s.read {
		s.read = true
		s.reader.read(s.Trailer(), s.traceID, s.began)
	}
	return err
}

func (r spanReader) read(trailer metadata.MD, id trace.TraceID, began time.Time) {
	values := trailer.Get(sdk.SpansTrailer)
	if len(values) != 1 {
		return
	}
	// Bad spans are dropped: telemetry never spoils an answer.
	if spans, err := checkSpans([]byte(values[0]), id, began, time.Now()); err == nil {
		r.sink([]*tracepb.ResourceSpans{{Resource: r.resource(), ScopeSpans: spans}})
	}
}

// resource names the module as the host knows it, whatever the module says.
func (r spanReader) resource() *resourcepb.Resource {
	text := func(key, value string) *commonpb.KeyValue {
		return &commonpb.KeyValue{Key: key, Value: &commonpb.AnyValue{Value: &commonpb.AnyValue_StringValue{StringValue: value}}}
	}
	attributes := []*commonpb.KeyValue{text("service.name", sdk.ExecutablePrefix+r.label)}
	if r.version != "" {
		attributes = append(attributes, text("service.version", r.version))
	}
	return &resourcepb.Resource{Attributes: attributes}
}

// checkSpans decodes what a module returned and refuses all of it when any of it can't be true.
func checkSpans(b []byte, id trace.TraceID, began, ended time.Time) ([]*tracepb.ScopeSpans, error) {
	if len(b) > sdk.MaxSpansBytes {
		return nil, fmt.Errorf("spans have %d bytes, at most %d are allowed", len(b), sdk.MaxSpansBytes)
	}
	var data tracepb.TracesData
	if err := proto.Unmarshal(b, &data); err != nil {
		return nil, fmt.Errorf("spans can't be read: %w", err)
	}
	var scopes []*tracepb.ScopeSpans
	count := 0
	for _, rs := range data.GetResourceSpans() {
		for _, ss := range rs.GetScopeSpans() {
			for _, s := range ss.GetSpans() {
				if count++; count > sdk.MaxSpans {
					return nil, fmt.Errorf("more than %d spans", sdk.MaxSpans)
				}
				if err := checkSpan(s, id, began, ended); err != nil {
					return nil, err
				}
			}
			scopes = append(scopes, ss)
		}
	}
	if count == 0 {
		return nil, errors.New("no spans")
	}
	return scopes, nil
}

func checkSpan(s *tracepb.Span, id trace.TraceID, began, ended time.Time) error {
	none := make([]byte, 8)
	switch {
	case !bytes.Equal(s.GetTraceId(), id[:]):
		return errors.New("span of another trace")
	case len(s.GetSpanId()) != 8 || bytes.Equal(s.GetSpanId(), none):
		return errors.New("span without an id")
	case len(s.GetParentSpanId()) != 8 || bytes.Equal(s.GetParentSpanId(), none):
		return errors.New("span without a parent")
	case s.GetName() == "":
		return errors.New("span without a name")
	case s.GetStartTimeUnixNano() > s.GetEndTimeUnixNano(),
		s.GetStartTimeUnixNano() < uint64(began.Add(-spanSlack).UnixNano()),
		s.GetEndTimeUnixNano() > uint64(ended.Add(spanSlack).UnixNano()):
		return errors.New("span outside the time of its call")
	}
	return nil
}
