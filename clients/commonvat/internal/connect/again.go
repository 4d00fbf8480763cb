package connect

import (
	"context"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// maxComeAgain is how often a refused call is made again.
const maxComeAgain = 3

// comeAgain makes a call again that the core refused for its limits, after the time that it told, as long as the call's
// deadline allows. A refused call did nothing, yet only those are made again that may be made twice: of what another
// did, nobody could be sure if an answer was lost in between.
func comeAgain(ctx context.Context, method string, request, answer any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, options ...grpc.CallOption) error {
	for again := 0; ; again++ {
		err := invoke(ctx, method, request, answer, conn, options...)
		wait, told := retryDelay(err)
		if !told || again == maxComeAgain || !repeatable(method) {
			return err
		}
		if deadline, ok := ctx.Deadline(); ok && time.Until(deadline) <= wait {
			return err // it would end in the wait; the refusal says more than a deadline
		}
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return err
		}
	}
}

// retryDelay is when the core said to come again.
func retryDelay(err error) (wait time.Duration, told bool) {
	s, ok := status.FromError(err)
	if !ok || s.Code() != codes.ResourceExhausted {
		return 0, false
	}
	for _, d := range s.Details() {
		if info, ok := d.(*errdetails.RetryInfo); ok && info.GetRetryDelay() != nil {
			return max(0, info.GetRetryDelay().AsDuration()), true
		}
	}
	return 0, false
}
