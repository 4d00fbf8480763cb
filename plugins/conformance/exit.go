package conformance

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"
)

// maxCaptured bounds what is kept of a module's standard output.
const maxCaptured = 64 << 10

// capture keeps the beginning of what is written to it.
type capture struct {
	mu  sync.Mutex
	buf []byte
}

func (c *capture) Write(b []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.buf = append(c.buf, b[:min(len(b), maxCaptured-len(c.buf))]...)
	return len(b), nil
}

func (c *capture) String() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return string(c.buf)
}

func (r *run) cleanExit(ctx context.Context) error {
	if err := r.ensure(ctx); err != nil {
		return err
	}
	p := r.process
	r.end(r.options.Patience)
	var faults []error
	if how := p.ExitText(); how != "exit status 0" {
		faults = append(faults, fmt.Errorf("it ended with %q, want exit status 0 within %s", how, r.options.Patience))
	}
	if left := carrying(r.sockets); len(left) > 0 {
		faults = append(faults, fmt.Errorf("%d processes that it started live on", len(left)))
		killAll(left)
	}
	if left, err := os.ReadDir(r.sockets); err != nil {
		faults = append(faults, err)
	} else if len(left) > 0 {
		faults = append(faults, fmt.Errorf("%s is left in the folder for sockets", left[0].Name()))
	}
	after, err := listing(filepath.Dir(r.executable))
	if err != nil {
		return errors.Join(append(faults, err)...)
	}
	var changed []string
	for name, state := range after {
		if r.before[name] != state {
			changed = append(changed, name)
		}
	}
	for name := range r.before {
		if _, ok := after[name]; !ok {
			changed = append(changed, name)
		}
	}
	if slices.Sort(changed); len(changed) > 0 {
		faults = append(faults, fmt.Errorf("its own folder changed: %s", short(strings.Join(changed, ", "), 200)))
	}
	return errors.Join(faults...)
}

func (r *run) lifeline(ctx context.Context) error {
	if err := r.ensure(ctx); err != nil {
		return err
	}
	r.process.DropLifeline()
	select {
	case <-r.process.Exited():
		return nil
	case <-time.After(r.options.Patience):
		return fmt.Errorf("it still runs %s later", r.options.Patience)
	case <-ctx.Done():
		return ctx.Err()
	}
}

// listing gives each entry of a folder with what would show a change of it.
func listing(folder string) (map[string]string, error) {
	entries, err := os.ReadDir(folder)
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	for _, e := range entries {
		info, err := e.Info()
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		out[e.Name()] = fmt.Sprintf("%v %d %v", info.Mode(), info.Size(), info.ModTime())
	}
	return out, nil
}

// carrying finds the processes whose environment names our folder for sockets: the module and whatever it started, also in a group
// of its own. It finds none where the system has no /proc. Zombies have no environment and don't count.
func carrying(sockets string) []int {
	var out []int
	entries, err := os.ReadDir("/proc")
	if err != nil {
		return nil
	}
	for _, e := range entries {
		pid, err := strconv.Atoi(e.Name())
		if err != nil || pid == os.Getpid() {
			continue
		}
		environment, err := os.ReadFile(filepath.Join("/proc", e.Name(), "environ"))
		if err == nil && bytes.Contains(environment, []byte(sockets+"/")) {
			out = append(out, pid)
		}
	}
	return out
}

func killAll(pids []int) {
	for _, pid := range pids {
		_ = syscall.Kill(pid, syscall.SIGKILL)
	}
}

// cpu is the processor time that a process has used so far, and whether it could be told.
func cpu(pid int) (time.Duration, bool) {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return 0, false
	}
	// proc(5): the name, which may hold anything, ends with the last parenthesis; utime and stime are fields 14 and 15, in ticks of
	// 1/100 s on every Linux that Go runs on.
	fields := strings.Fields(string(text[bytes.LastIndexByte(text, ')')+1:]))
	if len(fields) < 13 {
		return 0, false
	}
	user, err1 := strconv.ParseInt(fields[11], 10, 64)
	system, err2 := strconv.ParseInt(fields[12], 10, 64)
	return time.Duration(user+system) * 10 * time.Millisecond, err1 == nil && err2 == nil
}
