package sdk

import (
	"context"
	"fmt"
	"log/slog"
	"runtime/debug"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// maxPanicText bounds the panic's text in the status; the stack goes to the log only.
const maxPanicText = 512

func recoverUnary(name string) grpc.UnaryServerInterceptor {
	return func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (_ any, err error) {
		defer func() {
			if r := recover(); r != nil {
				err = panicked(name, info.FullMethod, r)
			}
		}()
		return handler(ctx, req)
	}
}

func recoverStream(name string) grpc.StreamServerInterceptor {
	return func(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) (err error) {
		defer func() {
			if r := recover(); r != nil {
				err = panicked(name, info.FullMethod, r)
			}
		}()
		return handler(srv, ss)
	}
}

func panicked(name, method string, r any) error {
	slog.Error("panic in a handler", "method", method, "panic", fmt.Sprint(r), "stack", string(debug.Stack()))
	text := fmt.Sprint(r)
	if len(text) > maxPanicText {
		text = text[:maxPanicText] + "..."
	}
	return status.Errorf(codes.Internal, "module %s panicked: %s", name, strings.ToValidUTF8(text, "\uFFFD"))
}
