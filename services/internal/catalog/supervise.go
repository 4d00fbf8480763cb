package catalog

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk/host"
	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
)

// slot supervises one active module.
type slot struct {
	cat       *Catalog
	kind      string
	ref       string // digest or name by which it was activated
	isDefault atomic.Bool
	ctx       context.Context // ends with leave, and with the catalog
	leave     context.CancelFunc
	left      atomic.Bool // set before leave: it has no place in the catalog any more
	revive    chan struct{}

	mu          sync.Mutex
	settled     chan struct{} // closed when its first start, or that after a quarantine, has ended, one way or the other
	module      Module
	holds       sandbox.Report
	description *describev1.DescribeResponse
	state       State
	since       time.Time
	reason      string
	starts      int
	wrong       int       // of processes that ended
	live        *instance // not nil exactly while running

	ends []time.Time // recent ends; only the supervising goroutine uses it
}

func newSlot(c *Catalog, kind, ref string, isDefault bool) *slot {
	s := &slot{
		cat: c, kind: kind, ref: ref,
		revive: make(chan struct{}, 1), settled: make(chan struct{}),
		module: Module{Name: ref, Kind: kind}, state: StateStarting, since: time.Now(),
	}
	s.ctx, s.leave = context.WithCancel(c.ctx)
	s.isDefault.Store(isDefault)
	// Known before the first start if it can be, so that it answers to its name at once.
	if in, err := s.resolve(); err == nil {
		s.module = in.Module
	}
	return s
}

func (s *slot) answersTo(ref string) bool {
	if ref == s.kind {
		return s.isDefault.Load()
	}
	if ref == s.ref {
		return true
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return ref == s.module.Name || ref == s.module.Digest && ref != ""
}

func (s *slot) acquire() (*Handle, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.live == nil || !s.live.acquire() {
		state := s.state
		if state == StateRunning {
			state = StateBackoff // it has just ended
		}
		return nil, &ModuleUnavailableError{Name: s.module.Name, State: state, Reason: s.reason}
	}
	return &Handle{inst: s.live}, nil
}

func (s *slot) status() Status {
	s.mu.Lock()
	defer s.mu.Unlock()
	st := Status{
		Module: s.module, Default: s.isDefault.Load(), State: s.state, Since: s.since, Reason: s.reason,
		Restarts: max(0, s.starts-1), Wrong: s.wrong, Description: s.description, Sandbox: s.holds,
	}
	if s.live != nil {
		st.Wrong += s.live.wrongAnswers()
		st.PID = s.live.proc.PID()
	}
	return st
}

// firstStart returns what closes when the first start, or that after a quarantine was lifted, has ended.
func (s *slot) firstStart() <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.settled
}

// reviveNow lets a quarantined module start again, of which firstStart tells from now on.
func (s *slot) reviveNow() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.state != StateQuarantined {
		return fmt.Errorf("module %s is %s, not quarantined", s.module.Name, s.state)
	}
	select {
	case s.revive <- struct{}{}:
	default: // asked already
	}
	select {
	case <-s.settled:
		s.settled = make(chan struct{})
	default: // whoever asked first waits for it
	}
	return nil
}

// to changes the state. Only the supervising goroutine calls it. A running module keeps the reason of its last end.
func (s *slot) to(state State, reason string, live *instance) {
	s.mu.Lock()
	if s.live != nil && live != s.live {
		s.wrong += s.live.wrongAnswers()
	}
	s.state, s.since, s.live = state, time.Now(), live
	if reason != "" {
		s.reason = reason
	}
	if state == StateStarting {
		s.starts++
	}
	if live != nil {
		s.description = live.description
	}
	if state != StateStarting {
		select {
		case <-s.settled:
		default:
			close(s.settled)
		}
	}
	module := s.module
	s.mu.Unlock()

	log := s.cat.cfg.Logger.With("module", module.Name, "version", module.Version, "digest", module.Digest, "state", string(state))
	switch state {
	case StateBackoff:
		log.Warn("module ended", "reason", reason)
	case StateQuarantined:
		log.Error("module is quarantined", "reason", reason)
	default:
		log.Info("module changed state")
	}
}

// resolve finds the module in the store.
func (s *slot) resolve() (Installed, error) {
	store := s.cat.cfg.StoreDir
	if digestForm.MatchString(s.ref) {
		in, err := lookUp(store, s.ref)
		if err == nil && in.Kind != s.kind {
			err = fmt.Errorf("module %s is of kind %s, not %s", in.Name, in.Kind, s.kind)
		}
		return in, err
	}
	list, err := Active(store)
	for _, in := range list {
		if in.Name == s.ref && in.Kind == s.kind {
			return in, nil
		}
	}
	return Installed{}, errors.Join(fmt.Errorf("no module %q of kind %s is installed", s.ref, s.kind), err)
}

// run is the life of the module; see the package comment. inst is its process where it was started already.
func (s *slot) run(inst *instance) {
	ctx := s.ctx
	defer s.leave()
	defer func() { s.to(StateStopped, "", nil) }()
	for ; ctx.Err() == nil || inst != nil; inst = nil {
		var err error
		if inst == nil {
			s.to(StateStarting, "", nil)
			inst, err = s.start(ctx, false)
		}
		if err != nil {
			if ctx.Err() != nil {
				return
			}
			goOn := false
			if worthAnotherTry(err, s.status().Description != nil) {
				s.to(StateBackoff, err.Error(), nil)
				goOn = s.afterEnd(ctx, err.Error(), "")
			} else {
				goOn = s.quarantine(ctx, err.Error())
			}
			if !goOn {
				return
			}
			continue
		}
		if s.status().State != StateRunning {
			s.to(StateRunning, "", inst)
		}
		why, frozen := s.watch(ctx, inst)
		if ctx.Err() != nil && why == "" {
			s.drain(inst)
			return
		}
		s.to(StateBackoff, why, nil)
		inst.retire()
		grace := s.cat.cfg.StopGrace
		if frozen {
			grace = 0 // it won't listen
		}
		inst.proc.Stop(grace)
		if !s.afterEnd(ctx, why, inst.proc.StderrTail()) {
			return
		}
	}
}

// start brings the module to its first healthy answer and compares what it says of itself with what was installed.
// gently is for a module beside others that serve.
func (s *slot) start(ctx context.Context, gently bool) (*instance, error) {
	in, err := s.resolve()
	if err != nil {
		return nil, at(StepVerify, err)
	}
	if err := in.CheckFiles(); err != nil {
		return nil, at(StepVerify, err)
	}
	cfg := s.cat.cfg
	policy := sandbox.Policy{Profile: cfg.Sandbox, Wish: in.Wish}
	s.mu.Lock()
	s.module, s.holds = in.Module, policy.Report(sandbox.Survey())
	s.mu.Unlock()
	hc := host.Config{
		Path: in.Executable, SHA256: in.SHA256, Label: in.Name, Version: in.Version,
		SocketParent: s.cat.dir.path, StartTimeout: cfg.StartTimeout, Logger: cfg.Logger, Spans: cfg.Spans,
		Sandbox: policy, Gently: gently,
	}
	if cfg.DialOptions != nil {
		hc.DialOptions = cfg.DialOptions(in.Module)
	}
	proc, err := host.Start(ctx, hc)
	switch {
	case errors.Is(err, host.ErrChecksum):
		return nil, at(StepVerify, err)
	case errors.Is(err, host.ErrUnhealthy):
		return nil, at(StepHealth, err)
	case err != nil:
		return nil, at(StepStart, err)
	}
	describeCtx, cancel := context.WithTimeout(ctx, cfg.StartTimeout)
	defer cancel()
	d, err := proc.Describe(describeCtx)
	if err == nil && (d.GetName() != in.Name || d.GetVersion() != in.Version || d.GetKind() != in.Kind) {
		err = fmt.Errorf("module calls itself %s %s of kind %s, but %s %s of kind %s was installed",
			d.GetName(), d.GetVersion(), d.GetKind(), in.Name, in.Version, in.Kind)
	}
	if err = at(StepDescribe, err); err == nil {
		err = at(StepContract, contractFault(in.Kind, cfg.Contracts[in.Kind], d.GetContracts()))
	}
	if err == nil && cfg.SelfTest != nil {
		err = at(StepSelfTest, cfg.SelfTest(describeCtx, in.Module, d, proc.Conn()))
	}
	if err != nil {
		proc.Stop(cfg.StopGrace)
		var fault *StartFault
		if errors.As(err, &fault) {
			fault.StderrTail = proc.StderrTail()
		}
		return nil, err
	}
	proc.FullPriority()
	var meter CallMeter
	if cfg.Meter != nil {
		meter = cfg.Meter(in.Module)
	}
	return &instance{
		meter: meter,
		proc:  proc, module: in.Module, description: d,
		callTimeout: cfg.callTimeout(in.Kind), maxOverruns: int64(cfg.MaxOverruns), maxWrong: int64(cfg.MaxWrong),
		turns: make(chan struct{}, cfg.MaxConcurrent), maxWaiting: int64(cfg.MaxWaiting),
		suspect: make(chan struct{}, 1), idle: make(chan struct{}),
	}, nil
}

// worthAnotherTry tells whether a module may be started again after err: a busy or memory-starved machine can make a good module, which is one that has run before,
// fail to start, but not change its bytes; and it can make any module late.
func worthAnotherTry(err error, ranBefore bool) bool {
	var se *host.StartError
	return errors.As(err, &se) && !errors.Is(err, host.ErrChecksum) && (ranBefore || se.Late)
}

// watch returns when the module must not go on: with the reason, and whether it stopped answering. The reason is empty when
// ctx ended.
func (s *slot) watch(ctx context.Context, inst *instance) (why string, frozen bool) {
	cfg := s.cat.cfg
	tick := time.NewTicker(cfg.HealthInterval)
	defer tick.Stop()
	failures := 0
	for {
		select {
		case <-ctx.Done():
			return "", false
		case <-inst.proc.Exited():
			return "it ended (" + inst.proc.ExitText() + ")", false
		case <-inst.suspect:
			if inst.overrunTooOften() {
				return fmt.Sprintf("%d calls in a row took longer than %s", cfg.MaxOverruns, inst.callTimeout), true
			}
			if why := inst.wrongTooOften(); why != "" {
				return why, false
			}
		case <-tick.C:
			if held := inst.proc.MemoryBytes(); held > cfg.MaxMemory {
				return fmt.Sprintf("it holds %d MiB of memory, and %d are allowed", held>>20, cfg.MaxMemory>>20), true
			}
		}
		err := healthy(ctx, inst.proc, cfg.HealthTimeout)
		switch {
		case err == nil:
			failures = 0
		case ctx.Err() != nil:
			return "", false
		default:
			if failures++; failures >= cfg.HealthFailures {
				return err.Error(), true
			}
		}
	}
}

// healthy asks for the module's health. A process that has ended counts as such and not as unhealthy.
func healthy(ctx context.Context, p *host.Process, limit time.Duration) error {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	err := p.Healthy(ctx)
	if err == nil {
		return nil
	}
	select {
	case <-p.Exited():
		return nil
	default:
		return err
	}
}

// drain lets the calls that are under way finish, within limits, and ends the process.
func (s *slot) drain(inst *instance) {
	s.mu.Lock()
	s.live = nil
	s.wrong += inst.wrongAnswers()
	s.state, s.reason = StateStopped, "the core is closing"
	if s.left.Load() {
		s.reason = "another took its place"
	}
	s.mu.Unlock()
	limit := time.NewTimer(s.cat.cfg.DrainTimeout)
	defer limit.Stop()
	select {
	case <-inst.retire():
	case <-inst.proc.Exited():
	case <-limit.C:
	case <-s.cat.cutC.Done():
	}
	inst.proc.Stop(s.cat.cfg.StopGrace)
}

// afterEnd decides what follows the end of a process: a pause or quarantine. It returns when the module may start again, and
// false when the catalog closes.
func (s *slot) afterEnd(ctx context.Context, why, stderrTail string) bool {
	cfg := s.cat.cfg
	now := time.Now()
	recent := []time.Time{now}
	for _, t := range s.ends {
		if now.Sub(t) < cfg.CrashWindow {
			recent = append(recent, t)
		}
	}
	s.ends = recent
	if len(recent) >= cfg.CrashLimit {
		text := fmt.Sprintf("%d ends within %s, the last: %s", len(recent), cfg.CrashWindow, why)
		if stderrTail != "" {
			text += "; it wrote: " + stderrTail
		}
		return s.quarantine(ctx, text)
	}
	return pause(ctx, backoff(cfg.BackoffFirst, cfg.BackoffMax, len(recent)))
}

// backoff is the pause after the n-th end, n from 1: first × 2ⁿ⁻¹ but not above limit, of which the upper half is left to chance so that
// modules that fell together don't rise together.
func backoff(first, limit time.Duration, n int) time.Duration {
	d := first
	for range n - 1 {
		if d >= limit/2 {
			d = limit
			break
		}
		d *= 2
	}
	d = min(d, limit)
	return d/2 + rand.N(d/2+1)
}

// quarantine keeps the module down until it is revived; false when the catalog closes first.
func (s *slot) quarantine(ctx context.Context, reason string) bool {
	select {
	case <-s.revive: // meant for an earlier quarantine
	default:
	}
	s.to(StateQuarantined, reason, nil)
	select {
	case <-s.revive:
		s.ends = nil
		return true
	case <-ctx.Done():
		return false
	}
}

func pause(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}
