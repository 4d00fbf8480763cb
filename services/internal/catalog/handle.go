package catalog

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk/host"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	"github.com/commonvat/commonvat/services/internal/telemetry"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
)

// instance is one running process of a module. Handles count themselves in, so that it can be let go when the last call
// is done.
type instance struct {
	proc        *host.Process
	module      Module
	description *describev1.DescribeResponse
	callTimeout time.Duration
	maxOverruns int64
	meter       CallMeter // or nil

	maxWrong   int64
	turns      chan struct{} // as many as calls may run at once
	maxWaiting int64
	waiting    atomic.Int64

	overruns atomic.Int64  // calls in a row that ran into callTimeout
	suspect  chan struct{} // asks the supervisor for a health check now

	mu        sync.Mutex
	wrong     int64
	lastWrong string
	handles   int
	retired   bool
	idle      chan struct{} // closed when retired and without handles
}

func (i *instance) acquire() bool {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.retired {
		return false
	}
	i.handles++
	return true
}

func (i *instance) release() {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.handles--
	if i.retired && i.handles == 0 {
		close(i.idle)
	}
}

// retire lets nobody in any more and returns a channel that closes when the last handle is released.
func (i *instance) retire() <-chan struct{} {
	i.mu.Lock()
	defer i.mu.Unlock()
	if !i.retired {
		i.retired = true
		if i.handles == 0 {
			close(i.idle)
		}
	}
	return i.idle
}

// finished notes how a call ended; ours tells that it was our deadline that ended it.
func (i *instance) finished(ours bool) {
	if !ours {
		if i.overruns.Load() != 0 {
			i.overruns.Store(0)
		}
		return
	}
	i.overruns.Add(1)
	select {
	case i.suspect <- struct{}{}:
	default:
	}
}

func (i *instance) overrunTooOften() bool { return i.overruns.Load() >= i.maxOverruns }

// blamed notes an answer that couldn't be one.
func (i *instance) blamed(reason string) {
	i.mu.Lock()
	i.wrong++
	i.lastWrong = reason
	i.mu.Unlock()
	select {
	case i.suspect <- struct{}{}:
	default:
	}
}

func (i *instance) wrongAnswers() int {
	i.mu.Lock()
	defer i.mu.Unlock()
	return int(i.wrong)
}

// wrongTooOften says why the process must end, or nothing.
func (i *instance) wrongTooOften() string {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.wrong < i.maxWrong {
		return ""
	}
	return fmt.Sprintf("%d answers that can't be answers, the last: %.300s", i.wrong, i.lastWrong)
}

// turn waits until the call may run and returns what ends it. A caller that gives up while it waits is no fault of the module.
func (i *instance) turn(ctx context.Context) (done func(), err error) {
	free := func() { <-i.turns }
	select {
	case i.turns <- struct{}{}:
		return free, nil
	default:
	}
	if n := i.waiting.Add(1); n > i.maxWaiting {
		i.waiting.Add(-1)
		return nil, named(i.module.Name, status.Errorf(codes.Unavailable, "%d calls run and %d wait: try again later", cap(i.turns), i.maxWaiting))
	}
	defer i.waiting.Add(-1)
	limit := time.NewTimer(i.callTimeout)
	defer limit.Stop()
	select {
	case i.turns <- struct{}{}:
		return free, nil
	case <-ctx.Done():
		return nil, named(i.module.Name, status.FromContextError(ctx.Err()).Err())
	case <-limit.C:
		return nil, named(i.module.Name, status.Errorf(codes.Unavailable, "waited %s for its turn: try again later", i.callTimeout))
	case <-i.proc.Exited():
		return nil, named(i.module.Name, status.Error(codes.Unavailable, "it ended before the call began"))
	}
}

// Handle is one caller's hold on a running module. It is a grpc.ClientConnInterface, so generated clients take it as their
// connection. Every call through it has a deadline, and every error names the module and keeps its code and details. A
// module that ends during a call answers Unavailable, as one does that has too many calls to do; ResourceExhausted says that what was asked is too much,
// by the module's own word or because its answer was longer than a message may be, and would be the next time. Handles are cheap: acquire one per question, release it after.
type Handle struct {
	inst *instance
	once sync.Once
}

var _ grpc.ClientConnInterface = (*Handle)(nil)

// Module says who answers, for the provenance of the result.
func (h *Handle) Module() Module { return h.inst.module }

// Description is what the module says about itself. It must not be changed.
func (h *Handle) Description() *describev1.DescribeResponse { return h.inst.description }

// Release gives the module back. Only the first call counts.
func (h *Handle) Release() { h.once.Do(h.inst.release) }

// Blame tells that an answer couldn't be an answer. Too many of those end the process.
func (h *Handle) Blame(reason string) { h.inst.blamed(reason) }

// Invoke is part of grpc.ClientConnInterface.
func (h *Handle) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	done, err := h.inst.turn(ctx)
	if err != nil {
		return err
	}
	defer done()
	limited, cancel := context.WithTimeout(ctx, h.inst.callTimeout)
	defer cancel()
	if h.inst.meter == nil {
		return h.finish(ctx, limited, h.inst.proc.Conn().Invoke(limited, method, args, reply, opts...))
	}
	ended := h.measure(ctx, limited, method)
	err = h.inst.proc.Conn().Invoke(limited, method, args, reply, opts...)
	ended(err)
	return h.finish(ctx, limited, err)
}

// NewStream is part of grpc.ClientConnInterface. The deadline holds for the stream as a whole.
func (h *Handle) NewStream(ctx context.Context, desc *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	done, err := h.inst.turn(ctx)
	if err != nil {
		return nil, err
	}
	limited, cancel := context.WithTimeout(ctx, h.inst.callTimeout)
	// The end of the limited context is the end of the turn: a stream ends with it, whatever its caller does.
	context.AfterFunc(limited, done)
	if h.inst.meter != nil {
		opts = append(slices.Clip(opts), grpc.OnFinish(h.measure(ctx, limited, method)))
	}
	stream, err := h.inst.proc.Conn().NewStream(limited, desc, method, opts...)
	if err != nil {
		cancel()
		return nil, h.finish(ctx, limited, err)
	}
	return &handleStream{ClientStream: stream, handle: h, caller: ctx, limited: limited, cancel: cancel, oneAnswer: !desc.ServerStreams}, nil
}

// measure counts a call in, and returns what counts it out.
func (h *Handle) measure(caller, limited context.Context, method string) func(error) {
	began := time.Now()
	h.inst.meter.CallBegan()
	var once sync.Once // gRPC promises one end, and a count that went below 0 would stay wrong
	return func(err error) {
		once.Do(func() { h.inst.meter.CallEnded(method, outcome(caller, limited, err), time.Since(began)) })
	}
}

// outcome is how a call ended, in the words of package telemetry.
func outcome(caller, limited context.Context, err error) string {
	switch code := status.Code(err); {
	case err == nil:
		return telemetry.OutcomeOK
	case overran(caller, limited, err):
		return telemetry.OutcomeOverrun
	case caller.Err() != nil, code == codes.DeadlineExceeded:
		return telemetry.OutcomeGivenUp
	case code == codes.Unavailable, code == codes.Canceled: // see finish
		return telemetry.OutcomeEnded
	case code == codes.InvalidArgument, code == codes.FailedPrecondition, code == codes.OutOfRange, code == codes.NotFound, code == codes.ResourceExhausted:
		return telemetry.OutcomeRefused
	default:
		return telemetry.OutcomeFailed
	}
}

// overran tells that it was our deadline that ended a call. The module may see the deadline a moment before we do,
// so the code tells that it passed and the contexts only whose it was.
func overran(caller, limited context.Context, err error) bool {
	return status.Code(err) == codes.DeadlineExceeded && caller.Err() == nil && earlier(limited, caller)
}

// finish notes how a call ended and names the module in its error.
func (h *Handle) finish(caller, limited context.Context, err error) error {
	h.inst.finished(overran(caller, limited, err))
	if status.Code(err) == codes.Canceled && caller.Err() == nil {
		// Nobody gave up: the module ended, and its connection was closed before the call noticed by itself.
		err = status.Error(codes.Unavailable, "it ended during the call")
	}
	return named(h.inst.module.Name, err)
}

func earlier(a, b context.Context) bool {
	da, _ := a.Deadline()
	db, ok := b.Deadline()
	return !ok || da.Before(db)
}

// handleStream ends its deadline with the stream and names the module in errors.
type handleStream struct {
	grpc.ClientStream
	handle          *Handle
	caller, limited context.Context
	cancel          context.CancelFunc
	oneAnswer       bool
}

func (s *handleStream) RecvMsg(m any) error {
	err := s.ClientStream.RecvMsg(m)
	if err == nil && !s.oneAnswer {
		return nil
	}
	defer s.cancel()
	if errors.Is(err, io.EOF) {
		s.handle.inst.finished(false)
		return err
	}
	return s.handle.finish(s.caller, s.limited, err)
}

// named puts the module's name before the message of a status and keeps code and details.
func named(name string, err error) error {
	if err == nil {
		return nil
	}
	st, ok := status.FromError(err)
	if !ok {
		return status.Errorf(codes.Unknown, "module %s: %v", name, err)
	}
	p := proto.CloneOf(st.Proto())
	p.Message = "module " + name + ": " + p.GetMessage()
	return status.FromProto(p).Err()
}
