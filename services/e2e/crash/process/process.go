// Package process builds the real core, starts it in a folder and ends it: as an operator does, or as a power cut does. It
// is for the tests of what a core does when it is killed.
package process

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"

	"github.com/commonvat/commonvat/services/e2e/leash"
)

// How long to wait for what happens soon on an idle machine.
const (
	ReadyWithin = 60 * time.Second
	EndWithin   = 60 * time.Second
)

// StoreFile is the core's store below its data folder.
const StoreFile = "commonvat.db"

// ErrEnded says that the core ended before it was ready.
var ErrEnded = errors.New("the core ended before it was ready")

// Build builds the core into a folder, statically, with build tags, and gives its path.
func Build(folder string, tags ...string) (string, error) {
	name := filepath.Join(folder, "commonvatd")
	args := []string{"build", "-trimpath", "-o", name}
	if len(tags) > 0 {
		name += "-" + strings.Join(tags, "-")
		args = []string{"build", "-trimpath", "-tags", strings.Join(tags, ","), "-o", name}
	}
	build := exec.Command("go", append(args, "./services/commonvatd")...) //nolint:gosec // the tags are the tests' own
	build.Dir = root()
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		return "", fmt.Errorf("go build: %w\n%s", err, out)
	}
	return name, nil
}

// root is the folder of the module, which this file lies four folders below.
func root() string {
	_, file, _, _ := runtime.Caller(0)
	if dir := filepath.Join(filepath.Dir(file), "..", "..", "..", ".."); filepath.IsAbs(dir) {
		return dir
	}
	return filepath.Join("..", "..", "..") // built with -trimpath: tests run in the folder of their package
}

// Lab is a cooperative's folder, in which one core runs at a time, or none.
type Lab struct {
	Binary  string // of Build
	Data    string // the core's data folder
	Runtime string // short, for sockets
	// Prepare may change the command before it is started.
	Prepare func(*exec.Cmd)

	core    *exec.Cmd
	ended   chan struct{} // closed when the core has ended
	Address string        // where the core listens, once ready
}

// New makes the folders of a lab below one, which it may find as it left them.
func New(binary, below string) (*Lab, error) {
	l := &Lab{Binary: binary, Data: filepath.Join(below, "data"), Runtime: filepath.Join(below, "run")}
	return l, errors.Join(os.MkdirAll(l.Data, 0o700), os.MkdirAll(l.Runtime, 0o700), l.endLeft())
}

func (l *Lab) pidFile() string { return filepath.Join(filepath.Dir(l.Runtime), "pid") }

// endLeft ends the core of a test that was killed. Its id may be another's by now, so the command is looked at.
func (l *Lab) endLeft() error {
	text, err := os.ReadFile(l.pidFile())
	if err != nil {
		return nil //nolint:nilerr // none was begun here
	}
	var pid int
	if _, err := fmt.Sscan(string(text), &pid); err != nil {
		return fmt.Errorf("pid file: %w", err)
	}
	ours := func() bool {
		command, err := os.ReadFile(fmt.Sprintf("/proc/%d/cmdline", pid)) // empty for what has ended and is not reaped
		return err == nil && strings.Contains(string(command), l.Data)
	}
	for deadline := time.Now().Add(EndWithin); ours(); time.Sleep(10 * time.Millisecond) {
		if err := syscall.Kill(pid, syscall.SIGKILL); err != nil && !errors.Is(err, syscall.ESRCH) {
			return fmt.Errorf("end the core that was left: %w", err)
		}
		if time.Now().After(deadline) {
			return errors.New("the core that was left does not end")
		}
	}
	return nil
}

// Store is the path of the store's file.
func (l *Lab) Store() string { return filepath.Join(l.Data, StoreFile) }

// LogFile is where the core's log goes; every start adds to it.
func (l *Lab) LogFile() string { return filepath.Join(filepath.Dir(l.Runtime), "core.log") }

// Log is the end of the log, for messages.
func (l *Lab) Log() string {
	text, _ := os.ReadFile(l.LogFile())
	const end = 4000
	return string(text[max(0, len(text)-end):])
}

// environment is the tests' own without what would lead the core elsewhere.
func environment() []string {
	return slices.DeleteFunc(os.Environ(), func(v string) bool {
		return strings.HasPrefix(v, "COMMONVAT_") || strings.HasPrefix(v, "OTEL_")
	})
}

// Member takes in a member, while no core runs, and gives the member's token.
func (l *Lab) Member(name string, roles ...string) (token string, err error) {
	args := []string{"member", "add", name, "--data", l.Data}
	for _, role := range roles {
		args = append(args, "--role", role)
	}
	out, err := l.Tool(args...)
	return strings.TrimSpace(out), err
}

// Tool runs a command of the core's program to its end. The error carries what it said.
func (l *Lab) Tool(args ...string) (stdout string, err error) {
	tool := exec.Command(l.Binary, args...) //nolint:gosec // our own program
	tool.Env = environment()
	var out, faults strings.Builder
	tool.Stdout, tool.Stderr = &out, &faults
	if err := tool.Run(); err != nil {
		return out.String(), fmt.Errorf("commonvatd %s: %w\n%s", args[0], err, faults.String())
	}
	return out.String(), nil
}

func (l *Lab) readyFile() string { return filepath.Join(filepath.Dir(l.Runtime), "ready") }

// Begin starts a core and doesn't wait.
func (l *Lab) Begin() error {
	if l.Running() {
		return errors.New("a core is running")
	}
	l.Address = ""
	_ = os.Remove(l.readyFile()) // of a core that was killed
	log, err := os.OpenFile(l.LogFile(), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	core := exec.Command(l.Binary, "serve", "--data", l.Data, "--listen", "127.0.0.1:0", //nolint:gosec // our own program
		"--ready-file", l.readyFile(), "--runtime-dir", l.Runtime, "--log-level", "warn")
	core.Env = environment()
	core.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // so that Ctrl-C reaches the test alone, which then ends it
	core.Stdout, core.Stderr = log, log
	if l.Prepare != nil {
		l.Prepare(core)
	}
	waited, err := leash.Start(core, syscall.SIGKILL)
	if err != nil {
		return errors.Join(err, log.Close())
	}
	ended := make(chan struct{})
	go func() {
		<-waited //nolint:errcheck // how it ended is asked of its state
		_ = log.Close()
		close(ended)
	}()
	l.core, l.ended = core, ended
	return os.WriteFile(l.pidFile(), []byte(fmt.Sprintln(core.Process.Pid)), 0o600)
}

// Ready waits until the core answers. Error: ErrEnded, with the log.
func (l *Lab) Ready() error {
	for deadline := time.Now().Add(ReadyWithin); time.Now().Before(deadline); {
		if address, err := os.ReadFile(l.readyFile()); err == nil {
			l.Address = strings.TrimSpace(string(address))
			return nil
		}
		select {
		case <-l.ended:
			return fmt.Errorf("%w (exit code %d):\n%s", ErrEnded, l.core.ProcessState.ExitCode(), l.Log())
		case <-time.After(2 * time.Millisecond):
		}
	}
	return fmt.Errorf("the core isn't ready within %v:\n%s", ReadyWithin, l.Log())
}

// Start is Begin and Ready.
func (l *Lab) Start() error {
	if err := l.Begin(); err != nil {
		return err
	}
	return l.Ready()
}

// Running tells whether a core runs.
func (l *Lab) Running() bool {
	if l.core == nil {
		return false
	}
	select {
	case <-l.ended:
		return false
	default:
		return true
	}
}

// ExitCode is that of the core that ended; -1 when a signal ended it.
func (l *Lab) ExitCode() int { return l.core.ProcessState.ExitCode() }

// Kill ends the core with SIGKILL and waits for its end. Killing what has ended is no fault; killing what fell over by
// itself is one: no core may end unasked.
func (l *Lab) Kill() error {
	if l.core == nil {
		return nil
	}
	_ = l.core.Process.Kill()
	if err := l.wait(); err != nil {
		return err
	}
	if status, ok := l.core.ProcessState.Sys().(syscall.WaitStatus); ok && !status.Signaled() { //nolint:misspell // the standard library spells it so
		return fmt.Errorf("the core ended by itself, with exit code %d:\n%s", status.ExitStatus(), l.Log())
	}
	return nil
}

// Interrupt asks the core to end, and doesn't wait.
func (l *Lab) Interrupt() error { return l.core.Process.Signal(syscall.SIGTERM) }

// Stop ends the core as an operator does.
func (l *Lab) Stop() error {
	if err := l.Interrupt(); err != nil {
		return err
	}
	if err := l.wait(); err != nil {
		return err
	}
	if code := l.ExitCode(); code != 0 {
		return fmt.Errorf("the core ended with exit code %d:\n%s", code, l.Log())
	}
	return nil
}

// End ends whatever runs, for the end of a test.
func (l *Lab) End() {
	if l.core != nil {
		_ = l.core.Process.Kill()
		<-l.ended
	}
}

func (l *Lab) wait() error {
	select {
	case <-l.ended:
		return nil
	case <-time.After(EndWithin):
		return fmt.Errorf("the core did not end within %v", EndWithin)
	}
}

// Dial connects to the core that is ready.
func (l *Lab) Dial() (*grpc.ClientConn, error) {
	return grpc.NewClient(l.Address, grpc.WithTransportCredentials(insecure.NewCredentials()))
}

// As is a context whose calls carry a token.
func As(ctx context.Context, token string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
}
