package conformance_test

import (
	"context"
	"errors"
	"flag"
	"io"
	"os"
	"runtime"
	"strconv"
	"sync"
	"testing"

	"github.com/commonvat/commonvat/plugins/bathscale"
	"github.com/commonvat/commonvat/plugins/compare"
	"github.com/commonvat/commonvat/plugins/mordant"
	"github.com/commonvat/commonvat/plugins/overdye"
	"github.com/commonvat/commonvat/plugins/reading"
	"github.com/commonvat/commonvat/plugins/safety"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/hashicorp/go-hclog"
	"github.com/hashicorp/go-plugin"
	"golang.org/x/sys/unix"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
)

// A bad module is a good one with something done to it. It is served without the SDK's Serve, which would keep it from most
// badness. Its name is that of the executable, which is this test binary.
type bad struct {
	good func() sdk.Module
	// fails is the step that has to fail, and no other. contract is empty for steps of the process.
	fails, contract string
	// says is part of the reason.
	says string

	describe func(sdk.Module)                                                                                                     // changes the description
	call     func(ctx context.Context, req proto.Message, next func(proto.Message) (proto.Message, error)) (proto.Message, error) // stands around a unary call
	sends    func(got []proto.Message, out proto.Message)                                                                         // changes a message of a stream's answer
	ends     func(err error) error                                                                                                // changes the end of a stream
	receives func(in proto.Message)                                                                                               // changes a message of a stream's question

	before     func() // runs before serving
	after      func() // runs when the module was told to end
	noLifeline bool
	options    []grpc.ServerOption
	unserved   bool // describes the contract and serves nothing
}

func (b bad) serve(name string) {
	real := realStdout()
	m := b.good()
	m.Describe.Name = name
	if b.describe != nil {
		b.describe(m)
	}
	if b.before != nil {
		b.before()
	}
	if !b.noLifeline {
		fd, err := strconv.Atoi(os.Getenv(sdk.LifelineEnv))
		if err != nil {
			panic(err)
		}
		line := os.NewFile(uintptr(fd), "lifeline")
		go func() {
			_, _ = line.Read(make([]byte, 1))
			os.Exit(0)
		}()
	}
	os.Stdout = real
	plugin.Serve(&plugin.ServeConfig{
		HandshakeConfig: sdk.Handshake(),
		Plugins:         plugin.PluginSet{sdk.PluginName: barePlugin{module: m, unserved: b.unserved}},
		GRPCServer: func(opts []grpc.ServerOption) *grpc.Server {
			opts = append(opts, grpc.ChainUnaryInterceptor(b.unary), grpc.ChainStreamInterceptor(b.stream))
			opts = append(opts, sdk.ServerOptions(m)...)
			return grpc.NewServer(append(opts, b.options...)...) // the last codec holds
		},
		Logger: hclog.NewNullLogger(),
	})
	if b.after != nil {
		b.after()
	}
}

// realStdout leads to the host, as standard output did before the SDK moved it to the first free descriptor from 10 on: the first one
// there that is the writing end of a pipe, as long as it is looked for before go-plugin makes pipes.
var realStdout = sync.OnceValue(func() *os.File {
	for fd := uintptr(10); fd < 100; fd++ {
		var st unix.Stat_t
		flags, err := unix.FcntlInt(fd, unix.F_GETFL, 0)
		if err == nil && flags&unix.O_ACCMODE == unix.O_WRONLY && unix.Fstat(int(fd), &st) == nil && st.Mode&unix.S_IFMT == unix.S_IFIFO {
			return os.NewFile(fd, "handshake")
		}
	}
	panic("standard output is not to be found")
})

type barePlugin struct {
	plugin.NetRPCUnsupportedPlugin
	module   sdk.Module
	unserved bool
}

func (p barePlugin) GRPCServer(_ *plugin.GRPCBroker, s *grpc.Server) error {
	m := p.module
	if p.unserved {
		m.Register = func(*grpc.Server) {}
	}
	sdk.Register(m, s)
	return nil
}

func (barePlugin) GRPCClient(context.Context, *plugin.GRPCBroker, *grpc.ClientConn) (any, error) {
	return nil, errors.New("no client side")
}

func (b bad) unary(ctx context.Context, req any, _ *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	in, ok := req.(proto.Message)
	if !ok || b.call == nil {
		return handler(ctx, req)
	}
	out, err := b.call(ctx, in, func(m proto.Message) (proto.Message, error) {
		out, err := handler(ctx, m)
		if err != nil {
			return nil, err
		}
		return proto.Clone(out.(proto.Message)), nil
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

func (b bad) stream(srv any, ss grpc.ServerStream, _ *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	s := &spoiltStream{ServerStream: ss, bad: b}
	err := handler(srv, s)
	if b.ends != nil && len(s.messages()) > 0 {
		return b.ends(err)
	}
	return err
}

type spoiltStream struct {
	grpc.ServerStream
	bad bad
	mu  sync.Mutex
	got []proto.Message
}

func (s *spoiltStream) messages() []proto.Message {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.got
}

func (s *spoiltStream) RecvMsg(m any) error {
	err := s.ServerStream.RecvMsg(m)
	if in, ok := m.(proto.Message); ok && err == nil {
		if s.bad.receives != nil {
			s.bad.receives(in)
		}
		s.mu.Lock()
		s.got = append(s.got, in)
		s.mu.Unlock()
	}
	return err
}

func (s *spoiltStream) SendMsg(m any) error {
	if out, ok := m.(proto.Message); ok && s.bad.sends != nil {
		out = proto.Clone(out)
		s.bad.sends(s.messages(), out)
		m = out
	}
	return s.ServerStream.SendMsg(m)
}

// twins are the modules that bad ones are made of, served as these are and without badness: what fails is the badness, not the way in which it is served.
func twins() map[string]func() sdk.Module {
	return map[string]func() sdk.Module{
		"twin-of-reading": reading.Module, "twin-of-difference": twoFormulas, "twin-of-palette-1": firstVersion, "twin-of-palette-2": spread, "twin-of-compare": compare.Module,
		"twin-of-overdye": overdye.Module, "twin-of-mordant": mordant.Module, "twin-of-bathscale": bathscale.Module, "twin-of-safety": safety.Module,
	}
}

func TestMain(m *testing.M) {
	modules := map[string]func(){}
	for name, module := range good() {
		modules[name] = func() { sdk.Serve(module()) }
	}
	for name, b := range badModules() {
		modules[name] = func() { b.serve(name) }
	}
	for name, b := range oddModules() {
		modules[name] = func() { b.serve(name) }
	}
	for name, module := range twins() {
		modules[name] = func() { bad{good: module}.serve(name) }
	}
	plugintest.Main(modules)
	// Half of the time a module is waited for: to come up, to rest, to end.
	if err := flag.Set("test.parallel", strconv.Itoa(2*runtime.GOMAXPROCS(0))); err != nil {
		panic(err)
	}
	os.Exit(m.Run())
}

func printStray() { _, _ = io.WriteString(realStdout(), "debug: the pot is warm\n") }

// exit writes on the descriptor itself, since go-plugin has taken os.Stderr.
func exit(code int) {
	_, _ = unix.Write(2, []byte("the pot boiled over\n"))
	os.Exit(code)
}
