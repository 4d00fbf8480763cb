// Package stage starts a core with the demo pool in it, asks it the question,
// and ends what it started.
package stage

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/commonvat/commonvat/clients/commonvat-demo/internal/invent"
	"github.com/commonvat/commonvat/clients/commonvat-demo/internal/load"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
)

// Config says where things are.
type Config struct {
	BinDir    string // built programs, and modules/ below it
	DataDir   string // the record; made when it isn't there
	Listen    string // loopback address
	StepsFile string
	Once      bool // print the answers and end
}

const (
	readyWithin = 2 * time.Minute
	stopWithin  = time.Minute
	moduleWait  = 2 * time.Minute
)

// Run shows the demo until ctx ends, or once. It leaves no process behind.
func Run(ctx context.Context, c Config, out io.Writer) (err error) {
	steps, err := readSteps(c.StepsFile)
	if err != nil {
		return err
	}
	s := &show{Config: c, out: out, tokenDir: filepath.Join(c.DataDir, "demo-tokens")}
	if err := s.start(ctx, invent.Steward, "Alder "+invent.Mark); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.stopCore()) }()
	if err := s.loadOnce(ctx, steps); err != nil {
		return err
	}
	if err := s.present(ctx, steps); err != nil {
		return err
	}
	if c.Once {
		return nil
	}
	_, _ = fmt.Fprintln(out, "\nThe core stays up until Ctrl-C.")
	select {
	case <-ctx.Done():
		_, _ = fmt.Fprintln(out, "\nEnding the core and its modules.")
		return nil
	case waitErr := <-s.ended:
		s.ended <- waitErr
		return fmt.Errorf("the core ended by itself: %w", waitErr)
	}
}

func readSteps(file string) (_ []invent.Step, err error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	return load.Read(f)
}

// show is one run.
type show struct {
	Config
	out      io.Writer
	tokenDir string
	core     *exec.Cmd
	ended    chan error // one value, the core's end
	readyTo  string     // file in which the core writes its address
	address  string
}

// start prepares the folder, starts the core and waits until it is ready. When
// it gives an error, nothing runs.
func (s *show) start(ctx context.Context, steward, name string) error {
	if err := s.prepare(ctx, steward, name); err != nil {
		return err
	}
	if err := s.startCore(); err != nil {
		return err
	}
	if err := s.waitReady(ctx); err != nil {
		return errors.Join(err, s.stopCore())
	}
	return nil
}

// prepare makes the folder, the steward and the module store, before the core starts.
func (s *show) prepare(ctx context.Context, steward, name string) error {
	if err := os.MkdirAll(s.tokenDir, 0o700); err != nil {
		return err
	}
	if _, err := os.Stat(s.tokenFile(steward)); errors.Is(err, os.ErrNotExist) {
		if err := s.tool(ctx, "commonvatd", "member", "add", steward, "--data", s.DataDir,
			"--name", name, "--role", "member", "--role", "steward",
			"--token-file", s.tokenFile(steward)); err != nil {
			return err
		}
	}
	modules, err := filepath.Glob(filepath.Join(s.BinDir, "modules", "*"))
	if err != nil {
		return err
	}
	if len(modules) == 0 {
		return fmt.Errorf("no modules in %s", filepath.Join(s.BinDir, "modules"))
	}
	for _, m := range modules {
		if err := s.tool(ctx, "commonvatd", "module", "install", m, "--data", s.DataDir); err != nil {
			return err
		}
	}
	return nil
}

func (s *show) tokenFile(member string) string { return filepath.Join(s.tokenDir, member+".token") }

// tool runs one of our programs to its end and gives its output only when it fails.
func (s *show) tool(ctx context.Context, name string, args ...string) error {
	cmd := exec.CommandContext(ctx, filepath.Join(s.BinDir, name), args...) //nolint:gosec // our own program, from the folder we were given
	output, err := cmd.CombinedOutput()
	if err != nil {
		return fmt.Errorf("%s %s: %w\n%s", name, strings.Join(args, " "), err, output)
	}
	return nil
}

// startCore starts the core in a process group of its own, so that Ctrl-C
// reaches it once, through us, and not twice.
func (s *show) startCore() error {
	s.readyTo = filepath.Join(s.DataDir, "ready")
	if err := os.Remove(s.readyTo); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	log, err := os.OpenFile(filepath.Join(s.DataDir, "core.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	s.core = exec.Command(filepath.Join(s.BinDir, "commonvatd"), "serve", //nolint:gosec // our own program, from the folder we were given
		"--data", s.DataDir, "--listen", s.Listen, "--ready-file", s.readyTo)
	s.core.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	s.core.Stdout, s.core.Stderr = log, log
	s.ended = make(chan error, 1)
	if err := s.core.Start(); err != nil {
		return errors.Join(err, log.Close())
	}
	go func() {
		err := s.core.Wait()
		s.ended <- errors.Join(err, log.Close())
	}()
	return nil
}

// stopCore asks the core to end, and makes it.
func (s *show) stopCore() error {
	if err := s.core.Process.Signal(syscall.SIGTERM); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return err
	}
	select {
	case err := <-s.ended:
		s.ended <- nil
		return err
	case <-time.After(stopWithin):
		return errors.Join(fmt.Errorf("the core did not end within %v and was killed", stopWithin), s.core.Process.Kill())
	}
}

func (s *show) waitReady(ctx context.Context) error {
	deadline := time.After(readyWithin)
	for {
		if address, err := os.ReadFile(s.readyTo); err == nil && len(address) > 0 {
			s.address = strings.TrimSpace(string(address))
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-s.ended:
			s.ended <- err
			return fmt.Errorf("the core did not start (see %s): %w", filepath.Join(s.DataDir, "core.log"), err)
		case <-deadline:
			return fmt.Errorf("the core was not ready within %v (see %s)", readyWithin, filepath.Join(s.DataDir, "core.log"))
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// present prints where the core listens, how to call it, and the answers.
func (s *show) present(ctx context.Context, steps []invent.Step) error {
	if _, err := fmt.Fprintf(s.out, `Commonvat listens on %[1]s, with the record in %[2]s.
Everything in the demo pool is invented: no such cooperative exists, nobody measured these colours.

How to call it:
  export COMMONVAT_SERVER=%[1]s COMMONVAT_TOKEN_FILE=%[3]s
  %[4]s trial list
  %[4]s palette --by fibre
  %[4]s --help
`, s.address, s.DataDir, s.tokenFile(invent.Coordinator), filepath.Join(s.BinDir, "commonvat")); err != nil {
		return err
	}
	if _, err := fmt.Fprint(s.out, "\nWhich overdye order gives the widest palette?\n"); err != nil {
		return err
	}
	for _, step := range steps {
		set, ok := step.Request.(*labv1.CreateExperimentRequest)
		if !ok {
			continue
		}
		if _, err := fmt.Fprintf(s.out, "\n== %s\n", set.GetExperiment().GetTitle()); err != nil {
			return err
		}
		if err := s.ask(ctx, invent.Coordinator, "palette", "--by", "order", "--experiment", set.GetExperiment().GetId()); err != nil {
			return err
		}
	}
	return nil
}

// ask runs the client as a member. Modules may still be starting: the
// record is served without them, so a question is asked again for a while.
func (s *show) ask(ctx context.Context, member string, args ...string) error {
	const unavailable = 6 // the client's documented exit code
	deadline := time.Now().Add(moduleWait)
	for {
		var output, faults strings.Builder
		cmd := exec.CommandContext(ctx, filepath.Join(s.BinDir, "commonvat"), args...) //nolint:gosec // our own program
		cmd.Env = append(os.Environ(), "COMMONVAT_SERVER="+s.address, "COMMONVAT_TOKEN_FILE="+s.tokenFile(member))
		cmd.Stdout, cmd.Stderr = &output, &faults
		err := cmd.Run()
		if err == nil {
			_, err = io.WriteString(s.out, output.String())
			return err
		}
		var exit *exec.ExitError
		if !errors.As(err, &exit) || exit.ExitCode() != unavailable || time.Now().After(deadline) {
			return fmt.Errorf("commonvat %s: %w\n%s", strings.Join(args, " "), err, faults.String())
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(200 * time.Millisecond):
		}
	}
}
