package api

import (
	"context"
	"errors"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
)

// errStalled says that a stream's reader took nothing for too long.
var errStalled = errors.New("reader stalled")

// checkedStream carries the caller, validates what comes in, and ends when its reader takes nothing for too long.
//
// A send blocks while the reader takes nothing, and only ends when the handler does. So a goroutine of its own
// sends, and the handler, which waits for each send, can give up waiting.
type checkedStream struct {
	grpc.ServerStream
	ctx    context.Context //nolint:containedctx // the interface asks for it
	method string

	stall   time.Duration
	sends   chan any
	sent    chan error
	stalled atomic.Bool
}

// newCheckedStream begins the sending; end ends it, after which a send that is still blocked goes away with the call.
func newCheckedStream(ctx context.Context, stream grpc.ServerStream, method string, stall time.Duration) (s *checkedStream, end func()) {
	s = &checkedStream{ServerStream: stream, ctx: ctx, method: method, stall: stall, sends: make(chan any), sent: make(chan error, 1)}
	go func() {
		for m := range s.sends {
			s.sent <- stream.SendMsg(m)
		}
	}()
	return s, func() { close(s.sends) }
}

func (s *checkedStream) Context() context.Context { return s.ctx }

func (s *checkedStream) RecvMsg(m any) error {
	if err := s.ServerStream.RecvMsg(m); err != nil {
		return err
	}
	return check(s.method, m)
}

// SendMsg sends within the bound. After errStalled nothing can be sent any more.
func (s *checkedStream) SendMsg(m any) error {
	if s.stalled.Load() {
		return errStalled
	}
	timer := time.NewTimer(s.stall)
	defer timer.Stop()
	s.sends <- m // the goroutine is idle: each send is waited for
	select {
	case err := <-s.sent:
		return err
	case <-timer.C:
		s.stalled.Store(true)
		return errStalled
	}
}
