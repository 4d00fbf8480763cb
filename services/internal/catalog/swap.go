package catalog

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/plugins/sdk"
)

// Step is one of those that lead a module to its first call.
type Step string

// The steps, in their order.
const (
	StepVerify   Step = "verify"    // it is in the store, whole, with the checksums it was installed with
	StepStart    Step = "start"     // its process starts and shakes hands
	StepHealth   Step = "health"    // it says that it is well
	StepDescribe Step = "describe"  // it calls itself what was installed
	StepContract Step = "contract"  // it serves a contract that the core speaks
	StepSelfTest Step = "self-test" // it answers something small as can be
)

// StartFault tells why a module doesn't serve.
type StartFault struct {
	Step Step
	Err  error
	// StderrTail is the end of what the module wrote on its standard error; may be empty.
	StderrTail string
}

// Error implements error.
func (f *StartFault) Error() string {
	text := fmt.Sprintf("%s: %v", f.Step, f.Err)
	if f.StderrTail != "" {
		text += "; it wrote: " + f.StderrTail
	}
	return text
}

// Unwrap gives the cause.
func (f *StartFault) Unwrap() error { return f.Err }

// at blames a step; nil stays nil.
func at(step Step, err error) error {
	if err == nil {
		return nil
	}
	return &StartFault{Step: step, Err: err}
}

// ErrClosed tells that the catalog is closing.
var ErrClosed = errors.New("the core is closing")

// Activate brings an installed build to serve: it is verified, started, and must describe itself, serve a contract of the core's and pass its
// self-test, beside whatever serves now. Then calls go to it, all from one moment on; calls under way at the module whose place it takes end where
// they began, within DrainTimeout. When any step fails the module that served goes on serving, and the error is a *StartFault.
//
// commit, which may be nil, is called once the build has passed every step and before calls move: when it fails, they don't. What it kept stands for
// the next start of the core, should this one end in between.
//
// A build takes the place of the active one of its name, or a new place beside the others of its kind, as their default if there are none.
func (c *Catalog) Activate(ctx context.Context, digest string, commit func() error) error {
	c.swaps.Lock()
	defer c.swaps.Unlock()
	if c.ctx.Err() != nil {
		return ErrClosed
	}
	in, err := lookUp(c.cfg.StoreDir, digest)
	if err != nil {
		return at(StepVerify, err)
	}
	next := newSlot(c, in.Kind, digest, false)
	starting, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(c.ctx, cancel)() //nolint:contextcheck // the catalog's end ends it too
	next.to(StateStarting, "", nil)
	inst, err := next.start(starting, true)
	if err != nil {
		next.leave()
		return err
	}
	if commit != nil {
		if err := commit(); err != nil {
			next.leave()
			inst.proc.Stop(c.cfg.StopGrace)
			return err
		}
	}
	next.to(StateRunning, "", inst)

	c.mu.Lock()
	if c.closed {
		c.mu.Unlock()
		next.leave()
		inst.proc.Stop(c.cfg.StopGrace)
		return ErrClosed
	}
	slots := slices.Clone(c.slots)
	at := slices.IndexFunc(slots, func(s *slot) bool { return s.kind == in.Kind && s.name() == in.Name })
	var old *slot
	if at >= 0 {
		old = slots[at]
		next.isDefault.Store(old.isDefault.Load())
		slots[at] = next
	} else {
		next.isDefault.Store(!slices.ContainsFunc(slots, func(s *slot) bool { return s.kind == in.Kind }))
		slots = append(slots, next)
	}
	c.put(slots)
	c.wg.Go(func() { next.run(inst) })
	if old != nil {
		old.left.Store(true)
	}
	c.mu.Unlock()
	if old != nil {
		old.leave()
	}
	return nil
}

// Retire takes a module out, named as for Acquire; calls under way end where they began, within DrainTimeout. When it was the default of its kind,
// the next one of the kind becomes it. The error is ErrNoModule.
func (c *Catalog) Retire(ref string) error {
	c.swaps.Lock()
	defer c.swaps.Unlock()
	old := c.find(ref)
	if old == nil {
		return fmt.Errorf("%w: %.80q", ErrNoModule, ref)
	}
	c.mu.Lock()
	slots := slices.DeleteFunc(slices.Clone(c.slots), func(s *slot) bool { return s == old })
	if old.isDefault.Load() {
		if heir := slices.IndexFunc(slots, func(s *slot) bool { return s.kind == old.kind }); heir >= 0 {
			slots[heir].isDefault.Store(true)
		}
	}
	c.put(slots)
	old.left.Store(true)
	c.mu.Unlock()
	old.leave()
	return nil
}

// SetDefault makes an active module, named as for Acquire, answer for its kind. The error is ErrNoModule.
func (c *Catalog) SetDefault(ref string) error {
	c.swaps.Lock()
	defer c.swaps.Unlock()
	next := c.find(ref)
	if next == nil {
		return fmt.Errorf("%w: %.80q", ErrNoModule, ref)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, s := range c.slots {
		if s.kind == next.kind {
			s.isDefault.Store(s == next)
		}
	}
	c.put(slices.Clone(c.slots))
	return nil
}

// put makes slots the active modules, by kind, defaults first. The caller holds mu.
func (c *Catalog) put(slots []*slot) {
	kinds := sdk.Kinds()
	rank := func(s *slot) int {
		n := 2 * slices.Index(kinds, s.kind)
		if !s.isDefault.Load() {
			n++
		}
		return n
	}
	slices.SortStableFunc(slots, func(a, b *slot) int { return rank(a) - rank(b) })
	c.slots = slots
}

// name is the module's, or what it was activated by while it isn't found in the store.
func (s *slot) name() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.module.Name
}

// contractFault is nil when a module serves a contract of its kind that the core speaks, or when none are told to be spoken; else it says which side to upgrade.
func contractFault(kind string, spoken, served []string) error {
	if spoken == nil {
		return nil
	}
	newest := func(contracts []string) (most int) {
		for _, contract := range contracts {
			most = max(most, sdk.ContractVersion(kind, contract))
		}
		return most
	}
	for _, contract := range served {
		if slices.Contains(spoken, contract) {
			return nil
		}
	}
	ours, theirs := newest(spoken), newest(served)
	side := "the module: it is older than the core"
	switch {
	case theirs == 0:
		return fmt.Errorf("it serves no contract of kind %s, but %s", kind, strings.Join(served, ", "))
	case theirs > ours:
		side = "the core: it is older than the module"
	}
	return fmt.Errorf("it serves %s, and the core speaks %s; upgrade %s", strings.Join(served, ", "), strings.Join(spoken, ", "), side)
}
