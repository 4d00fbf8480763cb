// Package api is the core's edge: the gRPC server with its order of interceptors, its limits, its health
// and its bounded end, and the one table that turns faults into codes (errors.go). The handlers are its
// subfolders, one per package of the interface.
package api

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"runtime"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"

	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api/accessv1"
	"github.com/commonvat/commonvat/services/internal/api/catalogv1"
	"github.com/commonvat/commonvat/services/internal/api/labv1"
	"github.com/commonvat/commonvat/services/internal/api/limits"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/store"
)

// The limits of the server.
const (
	MaxReceiveBytes = 8 << 20
	// MaxSendBytes keeps an answer within what our own clients take. The pool refuses longer ones itself, with a message that says what to do.
	MaxSendBytes         = pool.DefaultMaxAnswerBytes + pool.QuestionBytes
	MaxHeaderBytes       = 16 << 10
	MaxConcurrentStreams = 256 // per connection
	// DefaultMaxUnary is the most that a call of one answer may take, whatever its caller's deadline.
	DefaultMaxUnary = 30 * time.Second
	// DefaultStopGrace is how long calls that are under way may go on when the core stops.
	DefaultStopGrace = 5 * time.Second
)

// Connections says how long the core puts up with a peer. A field that is zero stands for its default, which its comment gives.
type Connections struct {
	// Handshake is the most that the opening of a connection may take: 10 s.
	Handshake time.Duration
	// MaxAge ends connections now and then, so that a new certificate comes into use; calls may go on for MaxAgeGrace: 12 h, 1 min.
	MaxAge, MaxAgeGrace time.Duration
	// PingAfter and PingTimeout find peers that are gone without a word: 2 min, 20 s.
	PingAfter, PingTimeout time.Duration
	// MinPingInterval is how often a client may ask whether the core is there: 30 s.
	MinPingInterval time.Duration
	// SendStall is how long a stream's reader may take nothing of what waits for it: 2 min.
	SendStall time.Duration
	// MaxOpen is how many connections are open at a time: 1,024. One more is closed at once.
	MaxOpen int
}

func (c Connections) whole() Connections {
	for value, otherwise := range map[*time.Duration]time.Duration{
		&c.Handshake: 10 * time.Second, &c.MaxAge: 12 * time.Hour, &c.MaxAgeGrace: time.Minute, &c.PingAfter: 2 * time.Minute,
		&c.PingTimeout: 20 * time.Second, &c.MinPingInterval: 30 * time.Second, &c.SendStall: 2 * time.Minute,
	} {
		if *value <= 0 {
			*value = otherwise
		}
	}
	if c.MaxOpen <= 0 {
		c.MaxOpen = 1024
	}
	return c
}

// Config is what a server is made of.
type Config struct {
	// Registry, Store and Modules are required.
	Registry *access.Registry
	Store    store.Engine
	Modules  catalogv1.Modules
	// ModuleFolder is the store of installed modules, which is only read.
	ModuleFolder string
	// Register adds services, such as the pool. Each must have rules in the table of package access.
	Register []func(grpc.ServiceRegistrar)
	// Meter may be nil: nothing is counted.
	Meter Meter
	// Log may be nil: nothing is logged.
	Log *slog.Logger
	// Options are added to the server's own, for instance a stats handler for traces.
	Options []grpc.ServerOption
	// TLS is nil for plaintext, which is for loopback only.
	TLS *tls.Config
	// Reflection offers the descriptors to members; for loopback only.
	Reflection bool
	// MaxUnary and StopGrace may be 0, for the defaults.
	MaxUnary  time.Duration
	StopGrace time.Duration
	// Limits and Connections may be empty, for the defaults.
	Limits      limits.Config
	Connections Connections
	// Now may be nil, for the wall clock.
	Now func() time.Time
}

// Meter counts what the server refuses. Its methods must not block.
type Meter interface {
	// Refused is told of each call that ended with a fault, with the reason that the caller is told: one of the table in
	// errors.go, or a gRPC code for a status that a library made.
	Refused(ctx context.Context, reason string)
	// Unauthenticated is told of each call without a valid token, besides.
	Unauthenticated(ctx context.Context)
	// RateLimited is told of each call beyond a limit, besides.
	RateLimited(ctx context.Context)
}

// Server is the core's gRPC server.
type Server struct {
	grpc     *grpc.Server
	health   *health.Server
	stopping chan struct{}
	grace    time.Duration
	maxOpen  int
	once     sync.Once
}

// New makes a server with everything registered. It says SERVING at once: the store is open and migrated by
// then, and modules are not waited for.
func New(config Config) (_ *Server, err error) {
	if config.Registry == nil || config.Store == nil || config.Modules == nil {
		return nil, errors.New("server needs a registry, a store and modules")
	}
	if config.Log == nil {
		config.Log = slog.New(slog.DiscardHandler)
	}
	if config.Now == nil {
		config.Now = time.Now
	}
	if config.MaxUnary <= 0 {
		config.MaxUnary = DefaultMaxUnary
	}
	if config.StopGrace <= 0 {
		config.StopGrace = DefaultStopGrace
	}
	limiter, err := limits.New(config.Limits)
	if err != nil {
		return nil, err
	}
	c := config.Connections.whole()
	g := &gate{registry: config.Registry, limits: limiter, log: config.Log, meter: config.Meter, maxUnary: config.MaxUnary, stall: c.SendStall}
	options := []grpc.ServerOption{
		grpc.MaxRecvMsgSize(MaxReceiveBytes), grpc.MaxSendMsgSize(MaxSendBytes), grpc.MaxHeaderListSize(MaxHeaderBytes),
		grpc.MaxConcurrentStreams(MaxConcurrentStreams), grpc.ConnectionTimeout(c.Handshake),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: c.MinPingInterval, PermitWithoutStream: true}),
		grpc.KeepaliveParams(keepalive.ServerParameters{
			Time: c.PingAfter, Timeout: c.PingTimeout, MaxConnectionAge: c.MaxAge, MaxConnectionAgeGrace: c.MaxAgeGrace,
		}),
		grpc.InTapHandle(g.tap), grpc.ChainUnaryInterceptor(g.unary), grpc.ChainStreamInterceptor(g.stream),
		grpc.ForceServerCodecV2(newCodec()),
		// There is no handler of unknown methods: with one, their names, which are whatever a stranger wrote, would become spans.
		// Goroutines that are kept have grown their stacks already, which a read from the store would else do each time. When
		// all are taken, as by watchers, a call gets one of its own.
		grpc.NumStreamWorkers(uint32(4 * runtime.GOMAXPROCS(0))),
		grpc.WaitForHandlers(true), // so that the store isn't closed below a running handler
	}
	if config.TLS != nil {
		options = append(options, grpc.Creds(credentials.NewTLS(config.TLS)))
	}
	s := &Server{
		grpc: grpc.NewServer(append(options, config.Options...)...), health: health.NewServer(),
		stopping: make(chan struct{}), grace: config.StopGrace, maxOpen: c.MaxOpen,
	}
	defer func() {
		if err != nil {
			s.grpc.Stop() // ends its workers
		}
	}()
	lab, err := labv1.New(labv1.Config{Store: config.Store, Now: config.Now, Stopping: s.stopping})
	if err != nil {
		return nil, err
	}
	lab.Register(s.grpc)
	accessv1.New(accessv1.Config{Registry: config.Registry, Audit: config.Store}).Register(s.grpc)
	catalogv1.New(catalogv1.Config{Modules: config.Modules, Folder: config.ModuleFolder, Choices: config.Store, Log: config.Log, Clock: config.Now}).Register(s.grpc)
	for _, register := range config.Register {
		register(s.grpc)
	}
	for name := range s.grpc.GetServiceInfo() {
		s.health.SetServingStatus(name, healthpb.HealthCheckResponse_SERVING)
	}
	healthpb.RegisterHealthServer(s.grpc, s.health)
	if config.Reflection {
		reflection.Register(s.grpc)
	}
	for name, service := range s.grpc.GetServiceInfo() {
		for _, method := range service.Methods {
			if full := "/" + name + "/" + method.Name; !access.HasRule(full) {
				return nil, fmt.Errorf("method %s has no rule of who may call it", full)
			}
		}
	}
	return s, nil
}

// ServiceInfo lists what is registered.
func (s *Server) ServiceInfo() map[string]grpc.ServiceInfo { return s.grpc.GetServiceInfo() }

// Serve answers until Stop; it returns nil after that.
func (s *Server) Serve(listener net.Listener) error {
	if err := s.grpc.Serve(&boundedListener{Listener: listener, most: int64(s.maxOpen)}); err != nil && !errors.Is(err, grpc.ErrServerStopped) {
		return fmt.Errorf("serve: %w", err)
	}
	return nil
}

// Stop ends the server within the grace: it says NOT_SERVING, tells watchers to come back later, takes no new calls, lets
// those under way finish, and then cuts them. When it returns no handler runs any more.
func (s *Server) Stop() {
	s.once.Do(func() {
		s.health.Shutdown()
		close(s.stopping)
		graceful := make(chan struct{})
		go func() {
			s.grpc.GracefulStop()
			close(graceful)
		}()
		timer := time.NewTimer(s.grace)
		defer timer.Stop()
		select {
		case <-graceful:
		case <-timer.C:
			s.grpc.Stop()
			<-graceful
		}
	})
}
