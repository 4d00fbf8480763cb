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
	"github.com/commonvat/commonvat/services/internal/store"
)

// The limits of the server.
const (
	MaxReceiveBytes      = 8 << 20
	MaxHeaderBytes       = 16 << 10
	MaxConcurrentStreams = 256 // per connection
	// DefaultMaxUnary is the most that a call of one answer may take, whatever its caller's deadline.
	DefaultMaxUnary = 30 * time.Second
	// DefaultStopGrace is how long calls that are under way may go on when the core stops.
	DefaultStopGrace = 5 * time.Second

	connectionTimeout = 10 * time.Second
	// Connections are renewed now and then, so that a new certificate comes into use.
	maxConnectionAge      = 12 * time.Hour
	maxConnectionAgeGrace = time.Minute
	// keepaliveTime and keepaliveTimeout find peers that are gone without a word.
	keepaliveTime    = 2 * time.Minute
	keepaliveTimeout = 20 * time.Second
	// minPingInterval is how often a client may ask whether the core is there.
	minPingInterval = 30 * time.Second
)

// Config is what a server is made of.
type Config struct {
	// Registry, Store and Modules are required.
	Registry *access.Registry
	Store    store.Engine
	Modules  catalogv1.Modules
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
}

// Server is the core's gRPC server.
type Server struct {
	grpc     *grpc.Server
	health   *health.Server
	stopping chan struct{}
	grace    time.Duration
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
	g := &gate{registry: config.Registry, log: config.Log, meter: config.Meter, maxUnary: config.MaxUnary}
	options := []grpc.ServerOption{
		grpc.MaxRecvMsgSize(MaxReceiveBytes), grpc.MaxHeaderListSize(MaxHeaderBytes), grpc.MaxConcurrentStreams(MaxConcurrentStreams),
		grpc.ConnectionTimeout(connectionTimeout),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: minPingInterval, PermitWithoutStream: true}),
		grpc.KeepaliveParams(keepalive.ServerParameters{
			Time: keepaliveTime, Timeout: keepaliveTimeout, MaxConnectionAge: maxConnectionAge, MaxConnectionAgeGrace: maxConnectionAgeGrace,
		}),
		grpc.ChainUnaryInterceptor(g.unary), grpc.ChainStreamInterceptor(g.stream),
		grpc.ForceServerCodecV2(newCodec()),
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
		stopping: make(chan struct{}), grace: config.StopGrace,
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
	accessv1.New(accessv1.Config{Registry: config.Registry}).Register(s.grpc)
	catalogv1.New(catalogv1.Config{Modules: config.Modules}).Register(s.grpc)
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
	if err := s.grpc.Serve(listener); err != nil && !errors.Is(err, grpc.ErrServerStopped) {
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

// CheckAddress resolves an address to listen on, and refuses one that is not loopback when there is no TLS. It tells
// whether others than this machine can reach it.
func CheckAddress(address string, withTLS bool) (resolved string, public bool, err error) {
	tcp, err := net.ResolveTCPAddr("tcp", address)
	if err != nil {
		return "", false, fmt.Errorf("listen address %q: %w", address, err)
	}
	public = tcp.IP == nil || !tcp.IP.IsLoopback()
	if public && !withTLS {
		return "", false, fmt.Errorf("listen address %q is not loopback; allowed without a certificate: 127.0.0.1 or [::1]", address)
	}
	return tcp.String(), public, nil
}

// Listen opens an address as CheckAddress allows it.
func Listen(ctx context.Context, address string, withTLS bool) (listener net.Listener, public bool, err error) {
	// The resolved address is opened, so that a name isn't resolved to another one meanwhile.
	resolved, public, err := CheckAddress(address, withTLS)
	if err != nil {
		return nil, false, err
	}
	listener, err = (&net.ListenConfig{}).Listen(ctx, "tcp", resolved)
	if err != nil {
		return nil, false, fmt.Errorf("listen: %w", err)
	}
	return listener, public, nil
}
