// Package pipeline calls the modules: which contract, in which pieces, within
// which time, and whether the answer can be one.
//
// Every answer is checked before anybody sees it: a figure that is no number, a list of the wrong length, a label that
// was never sent, a p without a test. Whatever is wrong is a *ModuleError that names the module. What is left is passed on with the
// identity of the module that computed it.
package pipeline

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// The kinds of module that are called here.
const (
	KindReading    = "reading"
	KindDifference = "difference"
	KindPalette    = "palette"
	KindCompare    = "compare"
)

// What a *ModuleError unwraps to, beside its cause.
var (
	// ErrModuleUnavailable: the module isn't running, or ended during the call.
	ErrModuleUnavailable = errors.New("module unavailable")
	// ErrModuleTooSlow: the module took longer than a call may. The same question is likely to take as long again.
	ErrModuleTooSlow = errors.New("module took too long")
	// ErrModuleAnswer: the module answered what can't be an answer. The module is to blame.
	ErrModuleAnswer = errors.New("module answer refused")
	// ErrModuleRefused: the module refused what it was asked.
	ErrModuleRefused = errors.New("module refused the question")
	// ErrWantsMore: the module asks for columns that the question doesn't send.
	ErrWantsMore = errors.New("module wants more columns than are sent")
	// ErrTooLarge: the question is more than a module takes in one call, by the core's reckoning or by the module's own word. Nobody is blamed for it.
	ErrTooLarge = errors.New("question too large")
)

// ModuleError is a fault of a call, blamed on a module by name.
type ModuleError struct {
	Kind   string // of module
	Module string // name, or "" when none of the kind could be had
	Class  error  // ErrModuleUnavailable, ErrModuleTooSlow, ErrModuleAnswer, ErrModuleRefused, ErrTooLarge or ErrNoData
	Reason string // for a person: field, value and allowed range where an answer is refused
	Cause  error  // may be nil
}

// Error implements error.
func (e *ModuleError) Error() string {
	who := e.Kind + " module"
	if e.Module != "" {
		who += " " + e.Module
	}
	return who + ": " + e.Class.Error() + ": " + e.Reason
}

// Unwrap gives the class and the cause.
func (e *ModuleError) Unwrap() []error {
	if e.Cause == nil {
		return []error{e.Class}
	}
	return []error{e.Class, e.Cause}
}

// Handle is a hold on one running module: its generated client takes it as connection.
type Handle interface {
	grpc.ClientConnInterface
	// Identity is the provenance of whatever it answers.
	Identity() *typesv1.ModuleIdentity
	// Description is what it says of itself. It must not be changed.
	Description() *describev1.DescribeResponse
	// Release gives it back. It is called once.
	Release()
	// Blame tells that it answered what can't be an answer.
	Blame(reason string)
}

// Modules finds the module that answers for a kind.
type Modules interface {
	// Acquire holds the default module of a kind, or one by its name. An error means that there is none to be had now.
	Acquire(ref string) (Handle, error)
	// Serving names the modules of a kind that run now and serve a contract.
	Serving(kind, contract string) []string
}

// Pipeline calls modules. How long a call may take is the catalog's to say, which counts those that take longer; a caller's
// nearer deadline holds too. It is safe for use by several goroutines.
type Pipeline struct {
	modules  Modules
	contents Contents // or nil
	doors    doors
}

// New makes a pipeline.
func New(modules Modules) *Pipeline { return &Pipeline{modules: modules} }

// hold is a module held for one question.
type hold struct {
	handle Handle
	kind   string
	name   string
}

func (p *Pipeline) acquire(kind string) (*hold, error) { return p.acquireFrom(kind, kind) }

// acquireServing holds the default module of a kind, or where that one doesn't serve the contract another that does.
func (p *Pipeline) acquireServing(kind, contract string) (*hold, error) {
	h, err := p.acquire(kind)
	if err != nil || slices.Contains(h.handle.Description().GetContracts(), contract) {
		return h, err
	}
	others := p.modules.Serving(kind, contract)
	h.handle.Release()
	if len(others) == 0 {
		return nil, &ModuleError{Kind: kind, Module: h.name, Class: ErrModuleUnavailable, Reason: "it doesn't serve " + contract + ", and no other that does runs now"}
	}
	return p.acquireFrom(kind, others[0])
}

// acquireFrom holds a module of a kind: its default, or one by name.
func (p *Pipeline) acquireFrom(kind, ref string) (*hold, error) {
	handle, err := p.modules.Acquire(ref)
	if err != nil {
		return nil, &ModuleError{Kind: kind, Class: ErrModuleUnavailable, Reason: err.Error(), Cause: err}
	}
	h := &hold{handle: handle, kind: kind, name: handle.Identity().GetName()}
	if id := handle.Identity(); id.GetName() == "" || id.GetVersion() == "" || id.GetDigest() == "" || id.GetKind() != kind {
		handle.Release()
		return nil, h.blame("identity name %q, version %q, digest %q, kind %q: all are required, and the kind is %q",
			id.GetName(), id.GetVersion(), id.GetDigest(), id.GetKind(), kind)
	}
	if p.contents != nil && slices.Contains(handle.Description().GetContracts(), DataContract) {
		h.handle = &delivering{Handle: handle, contents: p.contents, door: p.doors.of(handle.Identity().GetDigest())}
	}
	return h, nil
}

func (h *hold) identity() *typesv1.ModuleIdentity { return h.handle.Identity() }

// blame refuses an answer, and tells whoever keeps the module.
func (h *hold) blame(format string, args ...any) *ModuleError {
	h.handle.Blame(fmt.Sprintf(format, args...))
	return &ModuleError{Kind: h.kind, Module: h.name, Class: ErrModuleAnswer, Reason: fmt.Sprintf(format, args...)}
}

// failed turns a failed call into what the caller can act on. When the caller itself gave up, that is the
// error and no module is blamed.
func (h *hold) failed(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	var delivery *deliveryFault
	if errors.As(err, &delivery) {
		if errors.Is(delivery.class, ErrModuleAnswer) {
			h.handle.Blame(delivery.reason)
		}
		return &ModuleError{Kind: h.kind, Module: h.name, Class: delivery.class, Reason: delivery.reason, Cause: delivery.cause}
	}
	e := &ModuleError{Kind: h.kind, Module: h.name, Class: ErrModuleAnswer, Reason: err.Error(), Cause: err}
	st := status.Convert(err)
	said := st.Message()
	for own := "module " + h.name + ": "; strings.HasPrefix(said, own); { // as a ModuleError says already; the catalog and the SDK name it too
		said = said[len(own):]
	}
	switch st.Code() {
	case codes.Unavailable, codes.Canceled:
		e.Class, e.Reason = ErrModuleUnavailable, said
	case codes.ResourceExhausted:
		e.Class, e.Reason = ErrTooLarge, said
		if strings.Contains(said, messageTooLong) {
			e.Reason = "its answer would be longer than a message may be"
		}
		switch h.kind {
		case KindPalette, KindCompare:
			e.Reason += "; ask about less, as with a filter"
		case KindBathscale, KindMordant, KindSafety:
			e.Reason += "; plan less at once"
		default: // whoever asks doesn't choose how much those are given
		}
	case codes.DeadlineExceeded:
		e.Class, e.Reason = ErrModuleTooSlow, "ask for less, or when the machine has less to do"
	case codes.InvalidArgument, codes.FailedPrecondition, codes.OutOfRange:
		e.Class, e.Reason = ErrModuleRefused, said
	default:
		e.Reason = st.Code().String() + ": " + said
		h.handle.Blame(e.Reason)
	}
	return e
}

// messageTooLong is in what gRPC itself says of messages above the limit, in Go as in Python. Those to a module are kept below it.
const messageTooLong = "message larger than max"

func conditionMessage(c trial.ColourCondition) *typesv1.ColourCondition {
	return &typesv1.ColourCondition{Illuminant: typesv1.Illuminant(c.Illuminant), Observer: typesv1.Observer(c.Observer)}
}

func labMessage(lab trial.Lab) *typesv1.Lab { return &typesv1.Lab{L: lab.L, A: lab.A, B: lab.B} }

func rawMessage(raw trial.RawColour) *typesv1.RawColour {
	switch {
	case raw.Spectrum != nil:
		return &typesv1.RawColour{Value: &typesv1.RawColour_Spectrum{Spectrum: &typesv1.Spectrum{
			StartNm: raw.Spectrum.StartNm, StepNm: raw.Spectrum.StepNm, Reflectance: raw.Spectrum.Reflectance,
		}}}
	case raw.Lab != nil:
		return &typesv1.RawColour{Value: &typesv1.RawColour_Lab{Lab: labMessage(*raw.Lab)}, LabCondition: conditionMessage(raw.LabCondition)}
	}
	return &typesv1.RawColour{}
}
