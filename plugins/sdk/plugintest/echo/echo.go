// Package echo is the smallest module there is, for tests of hosts and of the SDK: it gives bytes back. Its service is
// written by hand over protobuf's own BytesValue, because it is no contract of Commonvat.
package echo

import (
	"context"
	"errors"
	"io"

	"github.com/commonvat/commonvat/plugins/sdk"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/wrapperspb"
)

const (
	service = "commonvat.test.echo.v1.EchoService"
	call    = "/" + service + "/Call"
	collect = "/" + service + "/Collect"
)

// Handler answers one call.
type Handler func(ctx context.Context, in []byte) ([]byte, error)

// Back is the Handler that gives the bytes back.
func Back(_ context.Context, in []byte) ([]byte, error) { return in, nil }

// Module is a module of that name, version and kind whose calls go to h. Collect joins a client's stream and hands the
// whole to h.
func Module(name, version, kind string, h Handler) sdk.Module {
	return sdk.Module{
		Describe: &describev1.DescribeResponse{
			Name: name, Version: version, Kind: kind,
			Contracts: []string{"commonvat.module." + kind + ".v1"},
			Summary:   "Gives bytes back, for tests.",
			Author:    "The Commonvat Authors",
		},
		Register: func(s *grpc.Server) { Register(s, h) },
	}
}

// Register registers the service alone.
func Register(s grpc.ServiceRegistrar, h Handler) {
	s.RegisterService(&grpc.ServiceDesc{
		ServiceName: service,
		HandlerType: (*any)(nil),
		Methods:     []grpc.MethodDesc{{MethodName: "Call", Handler: unary}},
		Streams:     []grpc.StreamDesc{{StreamName: "Collect", Handler: stream, ClientStreams: true}},
	}, h)
}

//nolint:revive // the order of grpc.MethodDesc.Handler
func unary(srv any, ctx context.Context, decode func(any) error, interceptor grpc.UnaryServerInterceptor) (any, error) {
	in := new(wrapperspb.BytesValue)
	if err := decode(in); err != nil {
		return nil, err
	}
	handle := func(ctx context.Context, req any) (any, error) {
		out, err := srv.(Handler)(ctx, req.(*wrapperspb.BytesValue).GetValue())
		return wrapperspb.Bytes(out), err
	}
	if interceptor == nil {
		return handle(ctx, in)
	}
	return interceptor(ctx, in, &grpc.UnaryServerInfo{Server: srv, FullMethod: call}, handle)
}

func stream(srv any, ss grpc.ServerStream) error {
	var all []byte
	for {
		in := new(wrapperspb.BytesValue)
		err := ss.RecvMsg(in)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		all = append(all, in.GetValue()...)
	}
	out, err := srv.(Handler)(ss.Context(), all)
	if err != nil {
		return err
	}
	return ss.SendMsg(wrapperspb.Bytes(out))
}

// Call sends in and returns what came back.
func Call(ctx context.Context, cc grpc.ClientConnInterface, in []byte) ([]byte, error) {
	out := new(wrapperspb.BytesValue)
	err := cc.Invoke(ctx, call, wrapperspb.Bytes(in), out)
	return out.GetValue(), err
}

// Collect sends parts as a stream and returns what came back for the whole.
func Collect(ctx context.Context, cc grpc.ClientConnInterface, parts ...[]byte) ([]byte, error) {
	ss, err := cc.NewStream(ctx, &grpc.StreamDesc{StreamName: "Collect", ClientStreams: true}, collect)
	if err != nil {
		return nil, err
	}
	for _, p := range parts {
		// A failed send shows its reason on receipt.
		if ss.SendMsg(wrapperspb.Bytes(p)) != nil {
			break
		}
	}
	if err := ss.CloseSend(); err != nil {
		return nil, err
	}
	out := new(wrapperspb.BytesValue)
	err = ss.RecvMsg(out)
	return out.GetValue(), err
}
