package host

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	"github.com/hashicorp/go-hclog"
	"github.com/hashicorp/go-plugin"
	"github.com/hashicorp/go-plugin/runner"
	"google.golang.org/grpc"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
)

// Defaults of [Config].
const (
	DefaultStartTimeout = 10 * time.Second
	DefaultStopGrace    = 3 * time.Second
)

// MaxSocketParent is the longest path, in bytes, that may hold module sockets: a socket's path has at most 107 bytes
// (sun_path of 108, with its terminating zero) and go-plugin appends "/plugin-dirNNNNNNNNNN/pluginNNNNNNNNNN".
const MaxSocketParent = 107 - len("/plugin-dir4294967295/plugin4294967295")

// Config says what to start and how.
type Config struct {
	// Path of the executable, absolute. Required.
	Path string
	// Args follow the executable's path in its argument list. May be empty.
	Args []string
	// SHA256 that the executable must have, checked before every start. Nil means unchecked, for a module that is being
	// tried by its author.
	SHA256 []byte
	// Label names the module in errors, logs and spans. The file's name when empty.
	Label string
	// Version goes into the spans' service.version. May be empty.
	Version string
	// SocketParent is an existing folder, private to this user and at most MaxSocketParent bytes long, in which the
	// process gets a folder of its own. Required.
	SocketParent string
	// StartTimeout bounds start, handshake and first health check together. DefaultStartTimeout when zero.
	StartTimeout time.Duration
	// MaxRecvBytes is the largest message taken from the module. sdk.MaxMessageBytes when zero.
	MaxRecvBytes int
	// Logger takes the module's log lines, what it only prints at level debug; nil discards them. Those with the attribute OfHost aren't the module's.
	Logger *slog.Logger
	// Stdout gets a copy of every byte that the process writes on its standard output, the handshake included; nil drops
	// them. Its errors are ignored.
	Stdout io.Writer
	// DialOptions are added to the connection, for instance a stats handler that propagates traces.
	DialOptions []grpc.DialOption
	// Spans takes the checked spans of sampled calls; nil ignores them.
	Spans SpanSink
	// Gently starts the process at a lower priority, until [Process.FullPriority], so that a start takes less of the processor from modules that serve
	// meanwhile. Where this user may not raise a priority again it makes no difference.
	Gently bool
	// Sandbox is what the process may do. The zero value starts it with all that this user may.
	Sandbox sandbox.Policy
}

// StartError tells that a module did not come as far as its first healthy answer. Trying again is no use before something
// about the module has changed, unless it was only late.
type StartError struct {
	Label  string // name of the module
	Reason string // one line
	Stderr string // last part of what it wrote on standard error; may be empty
	Err    error  // cause; may be nil
	Late   bool   // it had not come so far within the time; on a busy machine it may another time
}

func (e *StartError) Error() string {
	text := fmt.Sprintf("module %s did not start: %s", e.Label, e.Reason)
	if e.Stderr != "" {
		text += "; it wrote: " + e.Stderr
	}
	return text
}

func (e *StartError) Unwrap() error { return e.Err }

// ErrChecksum is the cause of a StartError when the executable is not the one that was installed.
var ErrChecksum = errors.New("checksum of the executable does not match")

// ErrUnhealthy is the cause of a StartError when the module shook hands and then said by its health check that it isn't well, or didn't answer it.
var ErrUnhealthy = errors.New("is not healthy")

// Process is a running module.
type Process struct {
	label    string
	run      *processRunner
	client   *plugin.Client
	conn     *grpc.ClientConn
	tail     *tail
	lines    *lineSink
	patience time.Duration // for what a module must be able to answer at any time

	stopOnce sync.Once
	stopped  chan struct{}
}

// Start starts the module and returns when it has answered its first health check. The process belongs to the caller, who
// must call Stop, also after the process has ended by itself. Ending ctx while Start runs kills the process; later it has
// no effect. Errors are a *StartError, or ctx's error when ctx ended first.
func Start(ctx context.Context, cfg Config) (*Process, error) {
	if cfg.Label == "" {
		cfg.Label = strings.TrimPrefix(filepath.Base(cfg.Path), sdk.ExecutablePrefix)
	}
	if cfg.StartTimeout <= 0 {
		cfg.StartTimeout = DefaultStartTimeout
	}
	if cfg.MaxRecvBytes <= 0 {
		cfg.MaxRecvBytes = sdk.MaxMessageBytes
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if !filepath.IsAbs(cfg.Path) {
		return nil, &StartError{Label: cfg.Label, Reason: fmt.Sprintf("path %q is not absolute", cfg.Path)}
	}
	if n := len(cfg.SocketParent); n == 0 || n > MaxSocketParent {
		return nil, &StartError{Label: cfg.Label, Reason: fmt.Sprintf("path of the socket folder has %d bytes, want 1 to %d", n, MaxSocketParent)}
	}

	p := &Process{label: cfg.Label, tail: &tail{}, patience: cfg.StartTimeout, stopped: make(chan struct{})}
	p.run = newRunner(cfg.Path, cfg.SHA256)
	p.run.args, p.run.copyOut = cfg.Args, cfg.Stdout
	p.lines = newLineSink(cfg.Logger.With("module", cfg.Label))
	p.client = plugin.NewClient(&plugin.ClientConfig{
		HandshakeConfig:  sdk.Handshake(),
		Plugins:          plugin.PluginSet{sdk.PluginName: noClient{}},
		AllowedProtocols: []plugin.Protocol{plugin.ProtocolGRPC},
		AutoMTLS:         true,
		SkipHostEnv:      true,
		StartTimeout:     cfg.StartTimeout,
		UnixSocketConfig: &plugin.UnixSocketConfig{TempDir: cfg.SocketParent},
		RunnerFunc: func(_ hclog.Logger, spec *exec.Cmd, socketDir string) (runner.Runner, error) {
			return p.run, p.run.prepare(spec.Env, socketDir)
		},
		Logger:          p.lines.logger(filepath.Base(cfg.Path)), //nolint:contextcheck // lines come from the process, not from a call
		Stderr:          p.tail,
		SyncStdout:      p.lines.printed("stdout"),
		SyncStderr:      p.lines.printed("stderr"),
		GRPCDialOptions: dialOptions(cfg),
	})

	p.run.sandbox, p.run.gently = cfg.Sandbox, cfg.Gently
	startCtx, cancel := context.WithTimeout(ctx, cfg.StartTimeout)
	defer cancel()
	defer context.AfterFunc(startCtx, p.run.kill)()
	if err := p.connect(startCtx); err != nil {
		endedFirst := p.run.hasExited()
		p.Stop(0)
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		return nil, p.startError(err, endedFirst, startCtx.Err() != nil, cfg.StartTimeout)
	}
	return p, nil
}

func (p *Process) connect(ctx context.Context) error {
	if _, err := p.client.Start(); err != nil {
		return err
	}
	protocol, err := p.client.Client()
	if err != nil {
		return err
	}
	client, ok := protocol.(*plugin.GRPCClient)
	if !ok {
		return fmt.Errorf("module speaks %T, want gRPC", protocol)
	}
	p.conn = client.Conn
	return p.Healthy(ctx)
}

func (p *Process) startError(err error, endedFirst, late bool, limit time.Duration) error {
	e := &StartError{Label: p.label, Err: err, Stderr: p.tail.String()}
	switch {
	case p.run.refusedChecksum():
		e.Reason, e.Err = ErrChecksum.Error(), ErrChecksum
	case errors.Is(err, ErrChecksum):
		e.Reason = err.Error()
	case late && !p.run.endedByItself(): // to hear out one that ended in time may take until after it
		e.Reason, e.Late = fmt.Sprintf("no handshake and healthy answer within %s", limit), true
	case endedFirst || p.run.endedByItself():
		when := "before the handshake"
		if errors.Is(err, ErrUnhealthy) {
			when = "after the handshake, before it was healthy"
		}
		e.Reason = "it ended " + when + " (" + p.run.exitText() + ")"
	default:
		e.Reason, _, _ = strings.Cut(err.Error(), "\n")
	}
	return e
}

// FullPriority gives a process that was started gently the priority of this one. Once is enough, and more do no harm.
func (p *Process) FullPriority() {
	p.run.mu.Lock()
	defer p.run.mu.Unlock()
	if p.run.gentle && !p.run.reaped {
		p.run.gentle = false
		fullPriority(p.run.pid)
	}
}

// Conn is the connection to the module. It is closed by Stop.
func (p *Process) Conn() *grpc.ClientConn { return p.conn }

// PID is the module's process id.
func (p *Process) PID() int { return p.run.processID() }

// MemoryBytes is the resident memory of the process, without that of its children; 0 where the system doesn't tell.
func (p *Process) MemoryBytes() int64 { return residentBytes(p.PID()) }

// Exited is closed when the process has ended, whatever the reason.
func (p *Process) Exited() <-chan struct{} { return p.run.exited }

// ExitText says how the process ended, such as "exit status 3" or "signal: killed". Meaningful after Exited is closed.
func (p *Process) ExitText() string { return p.run.exitText() }

// StderrTail is the last part, at most 8 KiB, of what the module wrote on standard error. Complete after Stop.
func (p *Process) StderrTail() string { return p.tail.String() }

// Describe asks the module to describe itself and checks the answer's form. It waits as long as a start may take, or as ctx says.
func (p *Process) Describe(ctx context.Context) (*describev1.DescribeResponse, error) {
	ctx, cancel := context.WithTimeout(ctx, p.patience)
	defer cancel()
	d, err := describev1.NewDescribeServiceClient(p.conn).Describe(ctx, &describev1.DescribeRequest{})
	if err != nil {
		return nil, fmt.Errorf("module %s does not describe itself: %w", p.label, err)
	}
	if err := sdk.CheckDescription(d); err != nil {
		return nil, fmt.Errorf("module %s describes itself badly: %w", p.label, err)
	}
	return d, nil
}

// Healthy asks the module's health service. Give ctx a deadline: a frozen module never answers.
func (p *Process) Healthy(ctx context.Context) error {
	answer, err := healthv1.NewHealthClient(p.conn).Check(ctx, &healthv1.HealthCheckRequest{Service: plugin.GRPCServiceName})
	if err != nil {
		return fmt.Errorf("module %s %w: it does not answer its health check: %w", p.label, ErrUnhealthy, err)
	}
	if s := answer.GetStatus(); s != healthv1.HealthCheckResponse_SERVING {
		return fmt.Errorf("module %s %w: %s", p.label, ErrUnhealthy, s)
	}
	return nil
}

// DropLifeline closes the host's end of the lifeline, as the end of the host itself would. A module must exit on it; Stop is
// still to be called.
func (p *Process) DropLifeline() { _ = p.run.lifeline.Close() }

// Stop asks the module to end, kills its process group when that takes longer than grace, closes the connection and
// removes the socket folder. Calls that are under way are cut. It returns when all of that is done and may be called
// several times, also by several goroutines.
func (p *Process) Stop(grace time.Duration) {
	p.stopOnce.Do(func() {
		defer close(p.stopped)
		if grace <= 0 {
			p.run.kill()
		}
		// go-plugin's Kill waits without a limit for the module to take note, and then two seconds for it to end: neither is what was asked for.
		over := p.run.hasGrace()
		guard := time.AfterFunc(max(grace, 0), func() {
			close(over)
			p.run.kill()
		})
		p.client.Kill()
		guard.Stop()
		p.run.finish()
		p.lines.end()
	})
	<-p.stopped
}

func dialOptions(cfg Config) []grpc.DialOption {
	opts := []grpc.DialOption{
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(cfg.MaxRecvBytes), grpc.MaxCallSendMsgSize(sdk.MaxMessageBytes)),
		grpc.WithMaxHeaderListSize(sdk.MaxHeaderBytes),
	}
	if cfg.Spans != nil {
		r := spanReader{label: cfg.Label, version: cfg.Version, sink: cfg.Spans}
		opts = append(opts, grpc.WithChainUnaryInterceptor(r.unary), grpc.WithChainStreamInterceptor(r.stream))
	}
	return append(opts, cfg.DialOptions...)
}

// noClient stands in go-plugin's plugin set, which must not be empty; hosts use the connection itself.
type noClient struct{ plugin.NetRPCUnsupportedPlugin }

func (noClient) GRPCServer(*plugin.GRPCBroker, *grpc.Server) error {
	return errors.New("a host serves nothing")
}

func (noClient) GRPCClient(context.Context, *plugin.GRPCBroker, *grpc.ClientConn) (any, error) {
	return nil, errors.New("use the connection")
}

// tailBytes is how much of a module's standard error is kept for reports.
const tailBytes = 8 << 10

// tail keeps the end of what is written to it.
type tail struct {
	mu  sync.Mutex
	buf []byte
}

func (t *tail) Write(b []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.buf = append(t.buf, b...)
	if n := len(t.buf); n > 2*tailBytes {
		t.buf = append(t.buf[:0], t.buf[n-tailBytes:]...)
	}
	return len(b), nil
}

func (t *tail) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	b := t.buf
	if len(b) > tailBytes {
		b = b[len(b)-tailBytes:]
	}
	return strings.ToValidUTF8(strings.TrimSpace(string(b)), "\uFFFD")
}

// devNull opens the null device for a module's standard input.
func devNull() (*os.File, error) { return os.OpenFile(os.DevNull, os.O_RDONLY, 0) }

var _ io.Writer = (*tail)(nil)
