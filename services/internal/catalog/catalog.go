package catalog

import (
	"context"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/host"
	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	"google.golang.org/grpc"
)

// State of an active module.
type State string

// The states, in the order of a module's life; see the package comment.
const (
	StateStarting    State = "starting"
	StateRunning     State = "running"
	StateBackoff     State = "backoff"
	StateQuarantined State = "quarantined"
	StateStopped     State = "stopped"
)

// Config says which modules run and how. Zero durations and counts take the defaults named beside them.
type Config struct {
	// StoreDir holds the installed modules. Required; only read; a folder that does not exist is an empty store.
	StoreDir string
	// RuntimeDir is where module sockets go, in a folder of this core's own that is swept when a core that died left it.
	// Short: see host.MaxSocketParent. Default: DefaultRuntimeDir().
	RuntimeDir string
	// Active names the modules to run by kind, each by digest, or by name for the build installed last; the first of a kind is
	// its default. Nil runs every installed name, with the declared defaults of the store; see [Active].
	Active map[string][]string
	// Sandbox is how much modules are held. Off when empty.
	Sandbox sandbox.Profile

	StartTimeout time.Duration // 10 s, from the start to the first healthy answer
	CallTimeout  time.Duration // 30 s, upper bound of every call
	// CallTimeouts are upper bounds by kind, where they differ from CallTimeout.
	CallTimeouts   map[string]time.Duration
	HealthInterval time.Duration // 5 s between health checks
	HealthTimeout  time.Duration // 2 s for one
	HealthFailures int           // 2 failed checks in a row end the process
	MaxOverruns    int           // 3 calls in a row that run into their upper bound end the process
	DrainTimeout   time.Duration // 10 s for calls that are under way when a module is closed
	StopGrace      time.Duration // 3 s for a module to end by itself

	// MaxConcurrent calls to one module at once, 64; MaxWaiting more wait for their turn, 1024, each at most its upper bound, which begins anew with
	// the call; the rest is refused.
	MaxConcurrent, MaxWaiting int
	// MaxMemory of one module's process, its children not counted, in bytes of resident memory, 2 GiB: above it the process is ended. It is looked
	// at with each health check, so a module may pass it for a moment.
	MaxMemory int64
	// MaxWrong answers that can't be answers, 3 in one process, end it.
	MaxWrong int

	BackoffFirst time.Duration // 500 ms, doubled with every end in the window, with jitter
	BackoffMax   time.Duration // 30 s
	CrashLimit   int           // 5 ends within CrashWindow lead to quarantine
	CrashWindow  time.Duration // 10 min

	// Contracts that the core speaks, by kind, as protobuf package names. A module that serves none of its kind's is refused. Nil: not
	// looked at.
	Contracts map[string][]string
	// SelfTest asks a module that has started something small, and judges the answer; an error refuses the module. May be nil.
	SelfTest func(context.Context, Module, *describev1.DescribeResponse, grpc.ClientConnInterface) error

	// Logger takes what modules log and what happens to them. Default: discard.
	Logger *slog.Logger
	// DialOptions are added to a module's connection, for instance a stats handler that carries traces. May be nil.
	DialOptions func(Module) []grpc.DialOption
	// Meter gives what counts the calls to a module. May be nil.
	Meter func(Module) CallMeter
	// Spans takes the checked spans of modules. May be nil.
	Spans host.SpanSink
}

func (c *Config) setDefaults() {
	duration := func(d *time.Duration, def time.Duration) {
		if *d <= 0 {
			*d = def
		}
	}
	count := func(n *int, def int) {
		if *n <= 0 {
			*n = def
		}
	}
	duration(&c.StartTimeout, host.DefaultStartTimeout)
	duration(&c.CallTimeout, 30*time.Second)
	duration(&c.HealthInterval, 5*time.Second)
	duration(&c.HealthTimeout, 2*time.Second)
	count(&c.HealthFailures, 2)
	count(&c.MaxOverruns, 3)
	count(&c.MaxConcurrent, 64)
	count(&c.MaxWaiting, 1024)
	count(&c.MaxWrong, 3)
	if c.MaxMemory <= 0 {
		c.MaxMemory = 2 << 30
	}
	duration(&c.DrainTimeout, 10*time.Second)
	duration(&c.StopGrace, host.DefaultStopGrace)
	duration(&c.BackoffFirst, 500*time.Millisecond)
	duration(&c.BackoffMax, 30*time.Second)
	count(&c.CrashLimit, 5)
	duration(&c.CrashWindow, 10*time.Minute)
	if c.RuntimeDir == "" {
		c.RuntimeDir = DefaultRuntimeDir()
	}
	if c.Logger == nil {
		c.Logger = slog.New(slog.DiscardHandler)
	}
}

// callTimeout is the upper bound of calls to a kind.
func (c *Config) callTimeout(kind string) time.Duration {
	if own, ok := c.CallTimeouts[kind]; ok {
		return own
	}
	return c.CallTimeout
}

// CallMeter counts the calls to one module. Its methods must not block. Every call that began ends, also when its caller drops it.
type CallMeter interface {
	CallBegan()
	// CallEnded is told the method as gRPC has it, how the call ended, as one of telemetry.Outcomes, and how long it took.
	CallEnded(method, outcome string, took time.Duration)
}

// Status is what is known of one active module.
type Status struct {
	Module           // Name is what it was activated by, and the rest but Kind empty, while it isn't found in the store
	Default     bool // whether it answers for its kind
	State       State
	Since       time.Time                    // of State
	Reason      string                       // why it isn't running; the last reason while it is running again
	Restarts    int                          // starts after the first
	Wrong       int                          // answers that couldn't be answers
	PID         int                          // 0 unless running
	Description *describev1.DescribeResponse // nil before it first ran; must not be changed
	Sandbox     sandbox.Report               // what holds it and what doesn't; empty while it isn't found in the store
}

// Catalog is the set of active modules.
type Catalog struct {
	cfg Config
	dir *instanceDir

	mu     sync.RWMutex
	slots  []*slot // replaced whole, never changed
	closed bool

	swaps sync.Mutex         // one change of the active modules at a time
	ctx   context.Context    // ends with end
	end   context.CancelFunc // tells every supervisor to close its module
	cut   context.CancelFunc // tells them to stop waiting for calls
	cutC  context.Context
	wg    sync.WaitGroup
	once  sync.Once
}

// Open starts supervising and returns before any module has started. What is wrong with a module shows in its Status; an
// error tells that the configuration can't work at all.
func Open(cfg Config) (*Catalog, error) {
	cfg.setDefaults()
	if cfg.StoreDir == "" {
		return nil, fmt.Errorf("module store is not configured")
	}
	// Modules are started by absolute paths, which say the same wherever one stands.
	var err error
	if cfg.StoreDir, err = filepath.Abs(cfg.StoreDir); err != nil {
		return nil, fmt.Errorf("module store: %w", err)
	}
	if cfg.RuntimeDir, err = filepath.Abs(cfg.RuntimeDir); err != nil {
		return nil, fmt.Errorf("runtime folder: %w", err)
	}
	for kind := range cfg.Active {
		if !slices.Contains(sdk.Kinds(), kind) {
			return nil, fmt.Errorf("active modules: kind %q is not known, want one of %v", kind, sdk.Kinds())
		}
	}
	if err := checkApart(cfg.StoreDir, cfg.RuntimeDir); err != nil {
		return nil, err
	}
	active := cfg.Active
	if active == nil {
		active = everything(cfg)
	}
	dir, err := openInstanceDir(cfg.RuntimeDir)
	if err != nil {
		return nil, err
	}
	ctx, end := context.WithCancel(context.Background())
	cutC, cut := context.WithCancel(context.Background())
	c := &Catalog{cfg: cfg, dir: dir, ctx: ctx, end: end, cut: cut, cutC: cutC}
	for _, kind := range sdk.Kinds() {
		for i, ref := range active[kind] {
			c.slots = append(c.slots, newSlot(c, kind, ref, i == 0))
		}
	}
	for _, s := range c.slots {
		c.wg.Go(func() { s.run(nil) })
	}
	return c, nil
}

// everything activates each installed name.
func everything(cfg Config) map[string][]string {
	list, err := Active(cfg.StoreDir)
	if err != nil {
		cfg.Logger.Error("module store has damaged entries", "error", err)
	}
	active := map[string][]string{}
	for _, in := range list {
		active[in.Kind] = append(active[in.Kind], in.Name)
	}
	return active
}

// Acquire holds a module for calls: the default one of a kind, or one by name or digest. It never waits. Errors are
// ErrNoModule and *ModuleUnavailableError. While a module is replaced, each caller gets the one or the other.
func (c *Catalog) Acquire(ref string) (*Handle, error) {
	for {
		s := c.find(ref)
		if s == nil {
			return nil, fmt.Errorf("%w: %.80q", ErrNoModule, ref)
		}
		h, err := s.acquire()
		if err == nil || !s.left.Load() {
			return h, err
		}
		// It left its place between our look and our grasp; whoever took it stands there by now.
	}
}

// all is the active modules of this moment.
func (c *Catalog) all() []*slot {
	c.mu.RLock()
	defer c.mu.RUnlock()
	return c.slots
}

func (c *Catalog) find(ref string) *slot {
	for _, s := range c.all() {
		if s.answersTo(ref) {
			return s
		}
	}
	return nil
}

// Status tells about every active module, by kind, defaults first.
func (c *Catalog) Status() []Status {
	slots := c.all()
	list := make([]Status, len(slots))
	for i, s := range slots {
		list[i] = s.status()
	}
	return list
}

// Revive takes a module, named as for Acquire, out of quarantine and forgets its ends. It doesn't wait: settled is closed when the module has come to run or
// to be refused again, which Status tells. It is an operator's act. Errors are ErrNoModule, and one for a module that isn't quarantined.
func (c *Catalog) Revive(ref string) (settled <-chan struct{}, err error) {
	s := c.find(ref)
	if s == nil {
		return nil, fmt.Errorf("%w: %.80q", ErrNoModule, ref)
	}
	if err := s.reviveNow(); err != nil {
		return nil, err
	}
	return s.firstStart(), nil
}

// Close ends every module and returns when none is left. Calls that are under way may finish within DrainTimeout or until
// ctx ends, whichever comes first; then they are cut.
func (c *Catalog) Close(ctx context.Context) {
	c.once.Do(func() {
		defer context.AfterFunc(ctx, c.cut)()
		c.mu.Lock()
		c.closed = true // nothing is added to wg any more
		c.mu.Unlock()
		c.end()
		c.swaps.Lock() // a build that is being started beside the others ends first
		defer c.swaps.Unlock()
		c.wg.Wait()
		c.cut()
		c.dir.close()
	})
}
