package sdk

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"runtime"
	"strings"
	"sync"

	"github.com/commonvat/commonvat/plugins/sdk/packed"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	"github.com/hashicorp/go-hclog"
	"github.com/hashicorp/go-plugin"
	"google.golang.org/grpc"
)

// Module is what an author gives to [Serve].
type Module struct {
	// Describe is what the module answers about itself; see [CheckDescription] for what must be in it.
	Describe *describev1.DescribeResponse
	// Register registers the service of the module's kind, and nothing else: Describe, health and what go-plugin needs
	// are there already.
	Register func(*grpc.Server)
}

// Check reports what is missing in m.
func (m Module) Check() error {
	if m.Register == nil {
		return fmt.Errorf("module registers no service")
	}
	return CheckDescription(m.Describe)
}

// heapFloor counts as living memory of every module, though it is never touched and so takes none. Go's collector begins when as much was allocated as lives, and 4 MiB
// at least: a module has little that lives and is given much to read, so that in a run over a million readings a fifth of its time went to collections. It may
// hold as much more for it while it works.
const heapFloor = 16 << 20

// Serve serves the module until its host lets it go. It is the last statement of a module's main; it does not return
// unless the host has closed the module, and it ends the process with status 2 and a message on standard error when the
// module is incomplete or was started by hand.
func Serve(m Module) {
	if err := m.Check(); err != nil {
		fmt.Fprintf(os.Stderr, "module is incomplete: %v\n", err)
		os.Exit(2)
	}
	if !startedAsModule {
		fmt.Fprintf(os.Stderr, "%s %s is a module of Commonvat (kind %s): it is started by a host, not by hand\n",
			m.Describe.GetName(), m.Describe.GetVersion(), m.Describe.GetKind())
		os.Exit(2)
	}
	if err := holdLifeline(); err != nil {
		fmt.Fprintf(os.Stderr, "%v\n", err)
		os.Exit(2)
	}
	slog.SetDefault(slog.New(newLogHandler(os.Stderr)))
	floor := make([]byte, heapFloor)
	defer runtime.KeepAlive(floor)
	own := &ownStreams{stderr: os.Stderr}
	// go-plugin prints the handshake on os.Stdout.
	os.Stdout = handshakeOut
	plugin.Serve(&plugin.ServeConfig{
		HandshakeConfig: Handshake(),
		Plugins:         plugin.PluginSet{PluginName: goPlugin{module: m}},
		GRPCServer: func(opts []grpc.ServerOption) *grpc.Server {
			opts = append(opts, grpc.ChainUnaryInterceptor(own.unary), grpc.ChainStreamInterceptor(own.stream))
			return grpc.NewServer(append(opts, ServerOptions(m)...)...)
		},
		Logger: hclog.New(&hclog.LoggerOptions{Level: hclog.Warn, Output: os.Stderr, JSONFormat: true}),
	})
}

// ServerOptions are the options of a module's gRPC server: limits, recovery, spans. Serve uses them; a test that serves
// a module within its own process does too (see plugintest).
func ServerOptions(m Module) []grpc.ServerOption {
	name := m.Describe.GetName()
	rec := newRecorder(name, m.Describe.GetVersion())
	return []grpc.ServerOption{
		grpc.ForceServerCodecV2(packed.NewCodec()),
		grpc.MaxRecvMsgSize(MaxMessageBytes),
		grpc.MaxSendMsgSize(MaxMessageBytes),
		grpc.MaxHeaderListSize(MaxHeaderBytes),
		grpc.ChainUnaryInterceptor(rec.unary, recoverUnary(name)),
		grpc.ChainStreamInterceptor(rec.stream, recoverStream(name)),
	}
}

// Register registers the module's service and Describe on s.
func Register(m Module, s *grpc.Server) {
	describev1.RegisterDescribeServiceServer(s, describer{answer: m.Describe})
	m.Register(s)
}

// ownStreams undoes what go-plugin does to os.Stdout and os.Stderr: it replaces them by pipes whose content travels to the
// host in a stream of its own, where the last words of a dying module are lost. It does so before it serves, so the first
// call of all, which is the host's, comes late enough to change them back and early enough for every handler.
type ownStreams struct {
	stderr *os.File
	once   sync.Once
}

func (o *ownStreams) restore() { o.once.Do(func() { os.Stdout, os.Stderr = o.stderr, o.stderr }) }

func (o *ownStreams) unary(ctx context.Context, req any, _ *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	o.restore()
	return handler(ctx, req)
}

func (o *ownStreams) stream(srv any, ss grpc.ServerStream, _ *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	o.restore()
	return handler(srv, ss)
}

type goPlugin struct {
	plugin.NetRPCUnsupportedPlugin
	module Module
}

func (p goPlugin) GRPCServer(_ *plugin.GRPCBroker, s *grpc.Server) error {
	Register(p.module, s)
	return nil
}

// GRPCClient is never called: hosts talk to the connection itself.
func (goPlugin) GRPCClient(context.Context, *plugin.GRPCBroker, *grpc.ClientConn) (any, error) {
	return nil, fmt.Errorf("a module has no client side")
}

type describer struct {
	describev1.UnimplementedDescribeServiceServer
	answer *describev1.DescribeResponse
}

func (d describer) Describe(context.Context, *describev1.DescribeRequest) (*describev1.DescribeResponse, error) {
	return d.answer, nil
}

// newLogHandler writes JSON lines that go-plugin's hosts take apart again: the keys are hclog's.
func newLogHandler(w *os.File) slog.Handler {
	return slog.NewJSONHandler(w, &slog.HandlerOptions{
		Level: slog.LevelDebug,
		ReplaceAttr: func(groups []string, a slog.Attr) slog.Attr {
			if len(groups) > 0 {
				return a
			}
			switch a.Key {
			case slog.TimeKey:
				return slog.String("@timestamp", a.Value.Time().Format("2006-01-02T15:04:05.000000Z07:00"))
			case slog.LevelKey:
				return slog.String("@level", strings.ToLower(a.Value.String()))
			case slog.MessageKey:
				a.Key = "@message"
			}
			return a
		},
	})
}
