package api

import (
	"context"
	"net"

	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/tap"

	"github.com/commonvat/commonvat/services/internal/access"
)

// tap refuses, by its headers alone, a call that can't be let in: without what has the form of a token, or with one that isn't looked up any more.
// gRPC reads the request of a call of one answer before any interceptor runs, up to MaxReceiveBytes, so that anybody could have the
// core read and decode for nothing. Whether a token is one is asked later, since the store may have to be: this runs on the goroutine that reads
// the connection.
func (g *gate) tap(ctx context.Context, call *tap.Info) (context.Context, error) {
	if !access.HasRule(call.FullMethodName) || !access.NeedsToken(call.FullMethodName) {
		return ctx, nil // what isn't there is UNIMPLEMENTED to everybody
	}
	if g.hopeless(call.Header.Get(authorization), origin(ctx)) {
		return ctx, g.call(ctx, begin(), call.FullMethodName, func() error { return access.ErrUnauthenticated })
	}
	return ctx, nil
}

// hopeless tells that a call can't be let in, without a look into the store. Failures are counted as authenticate does, which sees none of
// these calls.
func (g *gate) hopeless(authorization []string, from net.Addr) bool {
	token, err := bearer(authorization)
	switch {
	case err != nil:
	case !g.limits.MayTry(from, tokenID(token)):
		return true
	case access.WellFormed(token):
		return false
	}
	g.limits.Failed(from)
	return true
}

// origin is where a call comes from, or nil.
func origin(ctx context.Context) net.Addr {
	if p, ok := peer.FromContext(ctx); ok {
		return p.Addr
	}
	return nil
}
