package api

import (
	"context"
	"net"

	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/tap"

	"github.com/commonvat/commonvat/services/internal/access"
)

// tap refuses by its headers alone a call that will not be let in: one without anything that has the form of a token, or with a token that is no
// longer looked up. gRPC reads the request of a unary call, up to MaxReceiveBytes, before any interceptor runs, so otherwise anybody could make the
// core read and decode for nothing. Whether a token is right is checked later, as that may need the store, and tap runs on the goroutine that
// reads the connection.
func (g *gate) tap(ctx context.Context, call *tap.Info) (context.Context, error) {
	if !access.HasRule(call.FullMethodName) || !access.NeedsToken(call.FullMethodName) {
		return ctx, nil // what isn't there is UNIMPLEMENTED to everybody
	}
	if g.hopeless(call.Header.Get(authorization), origin(ctx)) {
		return ctx, g.call(ctx, begin(), call.FullMethodName, func() error { return access.ErrUnauthenticated })
	}
	return ctx, nil
}

// hopeless says, without a look into the store, that a call will not be let in. It counts these failures as authenticate counts its own, since
// these calls never get that far.
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
