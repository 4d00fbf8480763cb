package api

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"runtime/debug"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api/limits"
	"github.com/commonvat/commonvat/services/internal/api/validate"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/telemetry"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// Every call goes through, from outside in: the tap, which refuses by the headers alone (tap.go); recovery, request id, logging (where the fault becomes a status), access, limits,
// deadline, validation. Calls of one answer and streams go the same way: gate has what is the same for both.
type gate struct {
	registry *access.Registry
	limits   *limits.Limiter
	log      *slog.Logger
	meter    Meter // or nil
	maxUnary time.Duration
	stall    time.Duration // the longest wait for a stream's reader
}

// callState carries what one step of a call passes to another: the access step fills in the member, for the log's line.
type callState struct {
	requestID string
	caller    access.Caller
}

func (g *gate) unary(ctx context.Context, request any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (response any, err error) {
	state := begin()
	err = g.call(ctx, state, info.FullMethod, func() error {
		inside, end, err := g.admit(ctx, state, info.FullMethod)
		if err != nil {
			return err
		}
		defer end()
		inside, cancel := context.WithTimeout(inside, g.limit(info.FullMethod))
		defer cancel()
		if err := check(info.FullMethod, request); err != nil {
			return err
		}
		response, err = handler(inside, request)
		return err
	})
	if err != nil {
		return nil, err
	}
	return response, nil
}

// longCalls may take longer than other calls of one answer: they stream the whole pool through a module, or two, or hold a thousand sheets against all rules.
var longCalls = map[string]time.Duration{
	"/commonvat.pool.v1.PoolService/AskPalette":           2 * time.Minute,
	"/commonvat.bench.v1.BenchService/InspectSheetsAgain": 2 * time.Minute,
}

// limit is how long a call may take at most, whatever its caller's deadline.
func (g *gate) limit(method string) time.Duration {
	return max(g.maxUnary, longCalls[method])
}

func (g *gate) stream(server any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	ctx, state := stream.Context(), begin()
	return g.call(ctx, state, info.FullMethod, func() error {
		inside, end, err := g.admit(ctx, state, info.FullMethod)
		if err != nil {
			return err
		}
		defer end()
		checked, endSending := newCheckedStream(inside, stream, info.FullMethod, g.stall)
		defer endSending()
		return handler(server, checked)
	})
}

func begin() *callState { return &callState{requestID: fmt.Sprintf("%016x", rand.Uint64())} }

// call runs the inner steps, turns a fault into a status and writes the call's one line.
func (g *gate) call(ctx context.Context, state *callState, method string, inner func() error) (err error) {
	began := time.Now()
	// Outermost: a panic anywhere below, even in writing the line, ends this call and nothing else.
	defer g.recovered(ctx, &err, state.requestID)
	fault := func() (err error) {
		defer g.recovered(ctx, &err, state.requestID)
		return inner()
	}()
	if fault == nil {
		g.line(ctx, slog.LevelInfo, state, method, codes.OK, "", nil, began)
		return nil
	}
	st, reason, unexpected := toStatus(fault, state.requestID)
	if g.meter != nil {
		g.meter.Refused(ctx, reason)
		if errors.Is(fault, access.ErrUnauthenticated) {
			g.meter.Unauthenticated(ctx)
		}
		var refusal *limits.Refusal
		if errors.As(fault, &refusal) {
			g.meter.RateLimited(ctx)
		}
	}
	if unexpected {
		g.line(ctx, slog.LevelError, state, method, st.Code(), reason, fault, began)
	} else {
		g.line(ctx, slog.LevelInfo, state, method, st.Code(), reason, nil, began)
	}
	return st.Err()
}

// line logs what happened. It never holds a token, nor anything that a member wrote.
func (g *gate) line(ctx context.Context, level slog.Level, state *callState, method string, code codes.Code, reason string, fault error, began time.Time) {
	if !g.log.Enabled(ctx, level) {
		return
	}
	fields := make([]slog.Attr, 0, 8) // trace and span are added by telemetry.LogHandler
	fields = append(fields, slog.String(telemetry.FieldMethod, method), slog.String(telemetry.FieldCode, code.String()),
		slog.Int64(telemetry.FieldDuration, time.Since(began).Microseconds()), slog.String(telemetry.FieldRequestID, state.requestID))
	if state.caller.ID != "" {
		fields = append(fields, slog.String(telemetry.FieldMember, state.caller.ID))
	}
	if reason != "" {
		fields = append(fields, slog.String(telemetry.FieldReason, reason))
	}
	if fault != nil {
		fields = append(fields, slog.String(telemetry.FieldError, withoutTokens(fault.Error())))
		var panicked *store.PanicError
		if errors.As(fault, &panicked) {
			fields = append(fields, slog.String(telemetry.FieldStack, string(panicked.Stack)))
		}
	}
	g.log.LogAttrs(ctx, level, "call", fields...)
}

// recovered turns a panic of the calling function into an internal fault.
func (g *gate) recovered(ctx context.Context, err *error, requestID string) {
	if value := recover(); value != nil {
		g.log.ErrorContext(ctx, "panic", telemetry.FieldRequestID, requestID, telemetry.FieldError, fmt.Sprint(value), telemetry.FieldStack, string(debug.Stack()))
		*err = errInternal
	}
}

// admit finds the caller, decides whether they may call the method, and lets the call in. Whoever was let in calls end after it.
func (g *gate) admit(ctx context.Context, state *callState, method string) (inside context.Context, end func(), err error) {
	if !access.NeedsToken(method) {
		return ctx, func() {}, nil
	}
	if state.caller, err = g.authenticate(ctx); err != nil {
		return nil, nil, err
	}
	// A refused call counts too: whoever may not do a thing may not ask for it without end either.
	if end, err = g.limits.Begin(state.caller.ID, method); err != nil {
		return nil, nil, err
	}
	if err := access.MayCall(state.caller, method); err != nil {
		end()
		return nil, nil, err
	}
	return access.WithCaller(ctx, state.caller), end, nil
}

// authenticate finds the caller. All wrong tokens get the same answer, even where one is no longer looked up.
func (g *gate) authenticate(ctx context.Context) (access.Caller, error) {
	from := origin(ctx)
	token, err := bearer(metadata.ValueFromIncomingContext(ctx, authorization))
	if err != nil {
		g.limits.Failed(from)
		return access.Caller{}, err
	}
	if !g.limits.MayTry(from, tokenID(token)) {
		return access.Caller{}, access.ErrUnauthenticated
	}
	caller, err := g.registry.Authenticate(ctx, token)
	if errors.Is(err, access.ErrUnauthenticated) {
		g.limits.Failed(from)
	}
	if err != nil {
		return access.Caller{}, err
	}
	g.limits.Proved(caller.TokenID)
	return caller, nil
}

// tokenID is the public part of what may be a token: cvat_<public id>_...
func tokenID(token string) string {
	_, rest, _ := strings.Cut(token, "_")
	id, _, _ := strings.Cut(rest, "_")
	return id
}

// authorization is the metadata that carries the token (RFC 6750: "authorization: Bearer ...").
const authorization = "authorization"

// bearer takes the token out of the values of a call's authorization.
func bearer(values []string) (string, error) {
	if len(values) != 1 {
		return "", access.ErrUnauthenticated
	}
	scheme, token, ok := strings.Cut(values[0], " ")
	if !ok || !strings.EqualFold(scheme, "Bearer") {
		return "", access.ErrUnauthenticated
	}
	return token, nil
}

// check validates a request of our own services. Requests of health and reflection only have to be readable; their libraries check the rest.
func check(method string, request any) error {
	message, ok := request.(proto.Message)
	if !ok {
		return fmt.Errorf("%w: request of %s is no message", errInternal, method)
	}
	switch unknown := message.ProtoReflect().GetUnknown(); {
	case bytes.Equal(unknown, tooMany):
		return &trial.FieldFault{
			Field: string(message.ProtoReflect().Descriptor().Name()), Text: fmt.Sprintf("has more than %d messages within it; allowed: 0 to %d", maxElements, maxElements),
		}
	case bytes.Equal(unknown, malformed):
		return &trial.FieldFault{Field: string(message.ProtoReflect().Descriptor().Name()), Text: "is malformed"}
	case !strings.HasPrefix(method, "/commonvat."):
		return nil
	}
	return validate.Message(message)
}
