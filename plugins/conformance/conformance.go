package conformance

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"hash/fnv"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/host"
	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
)

// SuiteVersion rises when a step is added or asks for more.
const SuiteVersion = "5"

// Target is the module to try: an executable, or a module folder that holds one.
type Target struct {
	// Executable is the path of the program. Required unless Folder is given.
	Executable string
	// Folder holds module.json and the executable that it names, as `commonvatd module install` takes it.
	Folder string
	// Args follow the executable in its argument list.
	Args []string
}

// Options change how a module is tried. The zero value is what an installation uses.
type Options struct {
	// Seed of everything that is generated; 0 means 1.
	Seed uint64
	// Trials is how many pairs of questions each law is tried on; 0 means 60. Range: 24 to 10,000, since figures of small questions may have no value.
	Trials int
	// Patience is how long a module may take over one call, over its start, over its end, and until it rests; 0 means DefaultPatience.
	Patience time.Duration
	// TempDir holds the socket folder; os.TempDir when empty. Its path must be short.
	TempDir string
	// Logger takes the module's log lines; nil discards them.
	Logger *slog.Logger
	// Sandbox is what the module is held to while it is tried; the zero value holds nothing. It needs SHA256, that of the executable.
	Sandbox sandbox.Policy
	SHA256  []byte
}

// What Options.Trials may be.
const (
	MinTrials = 24
	MaxTrials = 10_000
)

// DefaultPatience finds what hangs, and not what is slow because the machine has other work.
const DefaultPatience = 20 * time.Second

// Run tries the module and reports. An error means that the suite itself could not go on: the target can't be read, ctx ended, no
// folder for sockets. Whatever the module does is in the report, never an error. Run leaves no process and no socket behind.
func Run(ctx context.Context, target Target, options Options) (*Report, error) {
	r, err := newRun(target, options)
	if err != nil {
		return nil, err
	}
	began := time.Now()
	defer r.close()
	r.all(ctx)
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if r.broken != nil {
		return nil, r.broken
	}
	r.report.TookMs = time.Since(began).Milliseconds()
	return r.report, nil
}

// run is one run of the suite.
type run struct {
	executable string
	args       []string
	manifest   *manifest // nil without a module.json
	options    Options
	sockets    string // our own folder, with a name that is found nowhere else
	before     map[string]string

	report *Report
	broken error

	process   *host.Process
	printed   []*capture // standard output of each process
	described *describev1.DescribeResponse
}

// manifest is module.json.
type manifest struct {
	Name    string `json:"name"`
	Version string `json:"version"`
	Kind    string `json:"kind"`
}

func newRun(target Target, options Options) (*run, error) {
	if options.Seed == 0 {
		options.Seed = 1
	}
	if options.Trials == 0 {
		options.Trials = 60
	}
	if options.Trials < MinTrials || options.Trials > MaxTrials {
		return nil, fmt.Errorf("trials is %d, want %d to %d, or 0 for 60", options.Trials, MinTrials, MaxTrials)
	}
	if options.Patience == 0 {
		options.Patience = DefaultPatience
	}
	if options.Patience < 0 {
		return nil, fmt.Errorf("patience is %s, want more than 0", options.Patience)
	}
	r := &run{args: target.Args, options: options, report: &Report{Suite: SuiteVersion, Seed: options.Seed, Contracts: []string{}}}
	if err := r.find(target); err != nil {
		return nil, err
	}
	var err error
	if r.before, err = listing(filepath.Dir(r.executable)); err != nil {
		return nil, fmt.Errorf("folder of the executable: %w", err)
	}
	if r.sockets, err = os.MkdirTemp(options.TempDir, "cv"); err != nil {
		return nil, fmt.Errorf("folder for sockets: %w", err)
	}
	return r, nil
}

// find settles which program is meant and reads the manifest beside it, if there is one for it.
func (r *run) find(target Target) error {
	folder := target.Folder
	switch {
	case (target.Executable == "") == (folder == ""):
		return errors.New("target wants either an executable or a folder")
	case folder == "":
		folder = filepath.Dir(target.Executable)
	}
	text, err := os.ReadFile(filepath.Join(folder, "module.json"))
	if err == nil {
		var m manifest
		if err := json.Unmarshal(text, &m); err != nil {
			return fmt.Errorf("module.json: %w", err)
		}
		if err := sdk.CheckIdentity(m.Name, m.Version, m.Kind); err != nil {
			return fmt.Errorf("module.json: %w", err)
		}
		r.manifest = &m
	} else if target.Folder != "" || !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("module.json: %w", err)
	}
	path := target.Executable
	if path == "" {
		path = filepath.Join(folder, sdk.ExecutablePrefix+r.manifest.Name)
	} else if r.manifest != nil && filepath.Base(path) != sdk.ExecutablePrefix+r.manifest.Name {
		r.manifest = nil // of another program
	}
	if r.executable, err = filepath.Abs(path); err != nil {
		return err
	}
	if info, err := os.Stat(r.executable); err != nil {
		return err
	} else if !info.Mode().IsRegular() {
		return fmt.Errorf("%s is no regular file", r.executable)
	}
	return nil
}

func (r *run) close() {
	r.end(0)
	killAll(carrying(r.sockets))
	_ = os.RemoveAll(r.sockets)
}

// all goes through the steps.
func (r *run) all(ctx context.Context) {
	if !r.step("start", "", "start, shake hands and answer the health check within the patience", func() error { return r.ensure(ctx) }) {
		return
	}
	r.step("describe", "", "answer Describe completely, as in module.json, and with the same bytes in each process", func() error { return r.describe(ctx) })
	if r.described != nil {
		served, ok := r.contracts()
		if ok {
			for _, c := range served {
				r.try(ctx, c)
			}
		}
	}
	r.step("clean exit", "", "end by itself with status 0 when told to, and leave no process, socket or file", func() error { return r.cleanExit(ctx) })
	r.step("lifeline", "", "end by itself when the host's end of the lifeline closes", func() error { return r.lifeline(ctx) })
	r.step("standard output", "", "print the handshake line on standard output and nothing else, ever", r.standardOutput)
}

// step runs f and notes what came of it. A module that failed a step gets a new process for the next one.
func (r *run) step(name, contract, asked string, f func() error) bool {
	s := Step{Name: name, Contract: contract, Asked: asked, Outcome: Passed}
	err := f()
	var other *outcomeError
	switch {
	case errors.As(err, &other):
		s.Outcome, s.Reason = other.outcome, other.reason
	case err != nil:
		s.Outcome, s.Reason = Failed, short(err.Error(), 1000)
		var broken *lawBroken
		if errors.As(err, &broken) {
			s.Counterexample = broken.example
		}
		if r.process != nil {
			p := r.process
			r.end(0)
			r.report.Stderr = p.StderrTail()
		}
	}
	r.report.Steps = append(r.report.Steps, s)
	return s.Outcome != Failed
}

// skip notes a step that is not tried.
func (r *run) skip(name, contract, asked, reason string) {
	r.report.Steps = append(r.report.Steps, Step{Name: name, Contract: contract, Asked: asked, Outcome: NotTried, Reason: reason})
}

// outcomeError ends a step with an outcome that is neither passed nor failed, or passed with a remark.
type outcomeError struct {
	outcome Outcome
	reason  string
}

func (e *outcomeError) Error() string { return string(e.outcome) + ": " + e.reason }

// ensure starts a process unless one runs.
func (r *run) ensure(ctx context.Context) error {
	if r.process != nil {
		select {
		case <-r.process.Exited():
			r.end(0)
		default:
			return nil
		}
	}
	out := &capture{}
	p, err := host.Start(ctx, host.Config{
		Path: r.executable, Args: r.args, SocketParent: r.sockets, StartTimeout: max(r.options.Patience, host.DefaultStartTimeout),
		Logger: r.options.Logger, Stdout: out, Sandbox: r.options.Sandbox, SHA256: r.options.SHA256,
	})
	if err != nil {
		var failed *host.StartError
		if errors.As(err, &failed) {
			r.report.Stderr = failed.Stderr
			if text := out.String(); text != "" && !handshakeForm.MatchString(text) {
				return fmt.Errorf("%s; standard output began with %q, want the handshake line alone", failed.Reason, short(text, 80))
			}
			return errors.New(failed.Reason)
		}
		return err
	}
	r.process = p
	r.printed = append(r.printed, out)
	return nil
}

func (r *run) end(grace time.Duration) {
	if r.process != nil {
		r.process.Stop(grace)
		if r.report.Stderr == "" {
			r.report.Stderr = r.process.StderrTail()
		}
		r.process = nil
	}
}

func (r *run) conn(ctx context.Context) (*grpc.ClientConn, error) {
	if err := r.ensure(ctx); err != nil {
		return nil, fmt.Errorf("start anew: %w", err)
	}
	return r.process.Conn(), nil
}

// random is a source of its own for each purpose, so that a step asks the same whatever was tried before it.
func (r *run) random(purpose string) *rand.Rand {
	h := fnv.New64a()
	_, _ = h.Write([]byte(purpose))
	return rand.New(rand.NewPCG(r.options.Seed, h.Sum64()))
}

func (r *run) askDescription(ctx context.Context) (*describev1.DescribeResponse, error) {
	conn, err := r.conn(ctx)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, r.options.Patience)
	defer cancel()
	return describev1.NewDescribeServiceClient(conn).Describe(ctx, &describev1.DescribeRequest{})
}

func (r *run) describe(ctx context.Context) error {
	d, err := r.askDescription(ctx)
	if err != nil {
		return err
	}
	r.described = d
	r.report.Name, r.report.Version, r.report.Kind = d.GetName(), d.GetVersion(), d.GetKind()
	r.report.Contracts = append(r.report.Contracts, d.GetContracts()...)
	again, err := r.askDescription(ctx)
	if err != nil {
		return err
	}
	r.end(r.options.Patience)
	anew, err := r.askDescription(ctx)
	if err != nil {
		return err
	}
	faults := []error{sdk.CheckDescription(d), checkDeclared(d)}
	if m := r.manifest; m != nil && *m != (manifest{d.GetName(), d.GetVersion(), d.GetKind()}) {
		faults = append(faults, fmt.Errorf("it calls itself %s %s (%s), module.json says %s %s (%s)",
			d.GetName(), d.GetVersion(), d.GetKind(), m.Name, m.Version, m.Kind))
	}
	if !bytes.Equal(encoded(d), encoded(again)) {
		faults = append(faults, errors.New("asked twice, it describes itself in two ways"))
	}
	if !bytes.Equal(encoded(d), encoded(anew)) {
		faults = append(faults, errors.New("a second process describes itself otherwise than the first"))
	}
	return errors.Join(faults...)
}

// contracts settles which contracts to try and says which side is too old for the others.
func (r *run) contracts() (served []*contract, ok bool) {
	kind := r.described.GetKind()
	asked := "serve a contract that this suite knows"
	known := suites(kind)
	var names, strange []string
	for _, c := range known {
		names = append(names, c.name)
	}
	for _, name := range r.described.GetContracts() {
		i := slices.Index(names, name)
		switch {
		case i >= 0:
			served = append(served, known[i])
		case sdk.ContractVersion(kind, name) > 0:
			strange = append(strange, name)
		}
	}
	if len(served) > 0 {
		r.step("contracts", "", asked, func() error { return nil })
		for _, name := range strange {
			r.skip("contract", name, asked, which(kind, name, names))
		}
		return served, true
	}
	r.step("contracts", "", asked, func() error {
		switch {
		case len(known) == 0:
			return fmt.Errorf("no suite for kind %q; kinds: %s", short(kind, 40), strings.Join(sdk.Kinds(), ", "))
		case len(strange) == 0:
			return fmt.Errorf("no contract of kind %s among %v; known: %s", kind, r.described.GetContracts(), strings.Join(names, ", "))
		}
		return errors.New(which(kind, strange[len(strange)-1], names))
	})
	return nil, false
}

// which says which side to upgrade, for a contract that isn't among the known ones, which are in rising order.
func which(kind, name string, known []string) string {
	if sdk.ContractVersion(kind, name) > sdk.ContractVersion(kind, known[len(known)-1]) {
		return fmt.Sprintf("%s is newer than what this side knows (%s): upgrade Commonvat", name, strings.Join(known, ", "))
	}
	return fmt.Sprintf("%s is older than what this side still knows (%s): upgrade the module", name, strings.Join(known, ", "))
}

// handshakeForm is go-plugin's handshake: core version, our version, network, address, protocol, certificate and further parts.
var handshakeForm = regexp.MustCompile(`^1\|` + fmt.Sprint(sdk.ProtocolVersion) + `\|unix\|[^|\r\n]+\|grpc(\|[^|\r\n]*)*\r?\n$`)

func (r *run) standardOutput() error {
	r.end(r.options.Patience)
	for _, out := range r.printed {
		text := out.String()
		if handshakeForm.MatchString(text) {
			continue
		}
		line, rest, _ := strings.Cut(text, "\n")
		if handshakeForm.MatchString(line + "\n") {
			return fmt.Errorf("after the handshake it printed %q on standard output", short(rest, 200))
		}
		return fmt.Errorf("standard output is %q, want the handshake line alone", short(text, 200))
	}
	return nil
}

func encoded(m proto.Message) []byte {
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		// Only text that is no UTF-8 can do that, and such text didn't come through the decoder.
		return []byte(err.Error())
	}
	return b
}

func short(s string, n int) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	if len(s) > n {
		s = strings.ToValidUTF8(s[:n], "") + "..."
	}
	return s
}
