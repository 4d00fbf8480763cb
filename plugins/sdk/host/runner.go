package host

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"sync"
	"syscall"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
	"github.com/hashicorp/go-plugin/runner"
)

// drainAfterExit is how long the output of an ended process is still read. Only a process that the module left behind in a
// group of its own makes it run out.
const drainAfterExit = 250 * time.Millisecond

// processRunner is go-plugin's view of one module process.
type processRunner struct {
	path    string
	args    []string
	sha256  []byte
	copyOut io.Writer // gets what the process prints on standard output; may be nil

	sandbox sandbox.Policy
	gently  bool

	cmd       *exec.Cmd
	socketDir string
	stdout    *pipeReader
	stderr    *pipeReader
	lifeline  *os.File // our end; the module exits when it closes
	childEnds []*os.File

	mu     sync.Mutex
	pid    int           // 0 before the start
	reaped bool          // the pid may belong to somebody else
	gentle bool          // its priority was lowered
	doomed bool          // killed before there was a process
	over   chan struct{} // closed when the process's time to end by itself is over; nil while nobody told it to end

	exited  chan struct{}
	waitErr error // set before exited is closed
}

var _ runner.Runner = (*processRunner)(nil)

func newRunner(path string, sum []byte) *processRunner {
	return &processRunner{path: path, sha256: sum, exited: make(chan struct{})}
}

// prepare builds the command and checks the executable. env is what go-plugin wants the module to have.
func (r *processRunner) prepare(env []string, socketDir string) (err error) {
	r.socketDir = socketDir
	if r.sha256 != nil && !r.sandbox.On() { // held, its launcher checks, through the descriptor that it executes
		// go-plugin's own check reads the command that it starts itself, which with a runner it does not.
		sum, err := checksum(r.path)
		if err != nil {
			return fmt.Errorf("checksum of the executable: %w", err)
		}
		if !bytes.Equal(sum, r.sha256) {
			return ErrChecksum
		}
	}
	defer func() {
		if err != nil {
			r.finish()
		}
	}()
	pipe := func() (read, write *os.File) {
		if err != nil {
			return nil, nil
		}
		read, write, err = os.Pipe()
		return read, write
	}
	outRead, outWrite := pipe()
	errRead, errWrite := pipe()
	lifeRead, lifeWrite := pipe()
	r.stdout, r.stderr, r.lifeline = &pipeReader{f: outRead, copy: r.copyOut}, &pipeReader{f: errRead}, lifeWrite
	r.childEnds = []*os.File{outWrite, errWrite, lifeRead}
	if err != nil {
		return fmt.Errorf("pipes for the module: %w", err)
	}
	stdin, err := devNull()
	if err != nil {
		return fmt.Errorf("standard input for the module: %w", err)
	}
	r.childEnds = append(r.childEnds, stdin)
	r.cmd = &exec.Cmd{
		Path: r.path,
		Args: append([]string{r.path}, r.args...),
		// Never nil, which would mean the host's whole environment.
		Env:         append(append([]string{}, env...), sdk.LifelineEnv+"=3"),
		Dir:         filepath.Dir(r.path),
		Stdin:       stdin,
		Stdout:      outWrite,
		Stderr:      errWrite,
		ExtraFiles:  []*os.File{lifeRead}, // descriptor 3 in the module
		SysProcAttr: processAttributes(),
	}
	launch, err := r.sandbox.Launch(r.cmd.Path, r.sha256, r.cmd.Args, r.cmd.Env, socketDir)
	if err != nil {
		return err
	}
	r.cmd.Path, r.cmd.Args, r.cmd.Env = launch.Path, launch.Args, launch.Env
	return nil
}

// checksum is the SHA-256 of a file. It reads in small steps and lets others go first between them: calls to other modules wait for as long as a step
// takes, which is some hundred microseconds, and not for the whole of a large executable.
func checksum(path string) (sum []byte, err error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	h, step := sha256.New(), make([]byte, 256<<10)
	for {
		n, err := f.Read(step)
		_, _ = h.Write(step[:n]) // it never fails
		if errors.Is(err, io.EOF) {
			return h.Sum(nil), nil
		}
		if err != nil {
			return nil, err
		}
		runtime.Gosched()
	}
}

// Start is part of runner.Runner.
func (r *processRunner) Start(context.Context) error {
	err := onSpawner(r.cmd.Start)
	closeAll(r.childEnds)
	r.childEnds = nil
	if err != nil {
		r.finish()
		return err
	}
	r.mu.Lock()
	r.pid = r.cmd.Process.Pid
	r.gentle = r.gently && lowPriority(r.pid)
	if r.doomed {
		r.killGroup()
	}
	r.mu.Unlock()
	go r.wait()
	return nil
}

// wait reaps the process, and before that kills what is left of its group: as long as the process is not reaped its group
// id can't belong to anybody else.
func (r *processRunner) wait() {
	if awaitExit(r.pid) {
		r.mu.Lock()
		r.killGroup()
		r.reaped = true
		r.mu.Unlock()
		r.waitErr = r.cmd.Wait()
	} else {
		r.waitErr = r.cmd.Wait()
		r.mu.Lock()
		r.killGroup()
		r.reaped = true
		r.mu.Unlock()
	}
	_ = r.lifeline.Close()
	deadline := time.Now().Add(drainAfterExit)
	_ = r.stdout.f.SetReadDeadline(deadline)
	_ = r.stderr.f.SetReadDeadline(deadline)
	close(r.exited)
}

func (r *processRunner) killGroup() {
	_ = syscall.Kill(-r.pid, syscall.SIGKILL) // ESRCH when nobody is left
}

// kill ends the process group at once, or as soon as there is one. It does nothing after the end.
func (r *processRunner) kill() {
	r.mu.Lock()
	defer r.mu.Unlock()
	switch {
	case r.pid == 0:
		r.doomed = true
	case !r.reaped:
		r.killGroup()
	}
}

// finish waits for the end of a process that was told to end, and releases what it held.
func (r *processRunner) finish() {
	if r.processID() != 0 {
		<-r.exited
	}
	closeAll(r.childEnds)
	for _, p := range []*pipeReader{r.stdout, r.stderr} {
		if p != nil && p.f != nil {
			_ = p.f.Close()
		}
	}
	if r.lifeline != nil {
		_ = r.lifeline.Close()
	}
	if r.socketDir != "" {
		_ = os.RemoveAll(r.socketDir)
	}
}

func (r *processRunner) processID() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.pid
}

func (r *processRunner) hasExited() bool {
	select {
	case <-r.exited:
		return true
	default:
		return false
	}
}

// endedByItself tells that the process has ended and that it was not our kill that ended it.
func (r *processRunner) endedByItself() bool {
	if !r.hasExited() {
		return false
	}
	status, ok := r.cmd.ProcessState.Sys().(syscall.WaitStatus)
	return !ok || status.Signal() != syscall.SIGKILL
}

// refusedChecksum tells that the launcher ended because the executable is another than the one that was installed.
func (r *processRunner) refusedChecksum() bool {
	return r.sandbox.On() && r.hasExited() && r.cmd.ProcessState.ExitCode() == sandbox.ExitChecksum
}

func (r *processRunner) exitText() string {
	if !r.hasExited() {
		return "still running"
	}
	return r.cmd.ProcessState.String()
}

// Wait is part of runner.Runner.
func (r *processRunner) Wait(context.Context) error {
	<-r.exited
	return r.waitErr
}

// hasGrace gives the process time to end by itself, until what it returns is closed.
func (r *processRunner) hasGrace() chan struct{} {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.over = make(chan struct{})
	return r.over
}

// Kill is part of runner.Runner. go-plugin calls it when it thinks that the process has had time enough to end; it has as long as Stop was told.
func (r *processRunner) Kill(context.Context) error {
	r.mu.Lock()
	over := r.over
	r.mu.Unlock()
	if over != nil {
		select {
		case <-r.exited:
			return nil
		case <-over:
		}
	}
	r.kill()
	return nil
}

// Stdout is part of runner.Runner.
func (r *processRunner) Stdout() io.ReadCloser { return r.stdout }

// Stderr is part of runner.Runner.
func (r *processRunner) Stderr() io.ReadCloser { return r.stderr }

// Name is part of runner.Runner.
func (r *processRunner) Name() string { return r.path }

// ID is part of runner.Runner: the process id, empty before the start.
func (r *processRunner) ID() string {
	if pid := r.processID(); pid != 0 {
		return strconv.Itoa(pid)
	}
	return ""
}

// Diagnose is part of runner.Runner.
func (r *processRunner) Diagnose(context.Context) string { return "" }

// PluginToHost is part of runner.Runner: both sides see the same paths. Only a socket in the folder that the module was
// given is accepted, so that a module can't point its host elsewhere.
func (r *processRunner) PluginToHost(network, address string) (string, string, error) {
	if network != "unix" || filepath.Dir(address) != r.socketDir {
		return "", "", fmt.Errorf("module listens on %s %q, want a unix socket in its own folder", network, address)
	}
	return network, address, nil
}

// HostToPlugin is part of runner.Runner.
func (r *processRunner) HostToPlugin(network, address string) (string, string, error) {
	return network, address, nil
}

// pipeReader reads a module's output. Its deadline, set when the process has ended, counts as the end.
type pipeReader struct {
	f    *os.File
	copy io.Writer // may be nil
}

func (p *pipeReader) Read(b []byte) (int, error) {
	n, err := p.f.Read(b)
	if p.copy != nil && n > 0 {
		_, _ = p.copy.Write(b[:n])
	}
	if errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, os.ErrClosed) {
		err = io.EOF
	}
	return n, err
}

func (p *pipeReader) Close() error { return p.f.Close() }

func closeAll(files []*os.File) {
	for _, f := range files {
		if f != nil {
			_ = f.Close()
		}
	}
}

// spawner is the one goroutine that starts processes. The parent-death signal fires when the thread that started the child
// ends, not when the process does (golang/go issue 27505), so that thread must live as long as the program.
var spawner = sync.OnceValue(func() chan<- func() {
	jobs := make(chan func())
	go spawn(jobs)
	return jobs
})

func spawn(jobs <-chan func()) {
	runtime.LockOSThread()
	for job := range jobs {
		job()
	}
}

func onSpawner(start func() error) error {
	done := make(chan error, 1)
	spawner() <- func() { done <- start() }
	return <-done
}
