package catalog

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"github.com/commonvat/commonvat/plugins/sdk/host"
	"golang.org/x/sys/unix"
)

const (
	instancePrefix = "i-"
	lockName       = "lock"
	bootLockName   = ".boot"
)

// DefaultRuntimeDir is where sockets go when nothing is configured: commonvat in the user's runtime folder, or
// /tmp/commonvat-<uid> on systems without one. It is short and private on purpose, and never below a data folder, whose path
// may be too long for a socket.
func DefaultRuntimeDir() string {
	if dir := os.Getenv("XDG_RUNTIME_DIR"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "commonvat")
	}
	return fmt.Sprintf("/tmp/commonvat-%d", os.Getuid())
}

// instanceDir is this core's folder for module sockets. While the core lives it holds a lock in it; a folder whose lock is
// free belonged to a core that is dead.
type instanceDir struct {
	path string
	lock *os.File
}

// openInstanceDir makes a folder for this core below base and removes those that dead cores left there.
func openInstanceDir(base string) (_ *instanceDir, err error) {
	base, err = filepath.Abs(base)
	if err != nil {
		return nil, fmt.Errorf("runtime folder: %w", err)
	}
	if err := os.MkdirAll(base, 0o700); err != nil {
		return nil, fmt.Errorf("runtime folder: %w", err)
	}
	if err := checkPrivate(base); err != nil {
		return nil, err
	}
	// Cores that boot at the same time take turns, so that none sweeps what another has just made.
	boot, err := os.OpenFile(filepath.Join(base, bootLockName), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("runtime folder: %w", err)
	}
	defer func() { _ = boot.Close() }()
	if err := unix.Flock(int(boot.Fd()), unix.LOCK_EX); err != nil {
		return nil, fmt.Errorf("runtime folder: lock: %w", err)
	}
	sweep(base)
	path, err := os.MkdirTemp(base, instancePrefix)
	if err != nil {
		return nil, fmt.Errorf("runtime folder: %w", err)
	}
	d := &instanceDir{path: path}
	defer func() {
		if err != nil {
			d.close()
		}
	}()
	if len(path) > host.MaxSocketParent {
		return nil, fmt.Errorf("runtime folder %q is too long for sockets: %d bytes, at most %d are allowed", base,
			len(base), host.MaxSocketParent-(len(path)-len(base)))
	}
	d.lock, err = os.OpenFile(filepath.Join(path, lockName), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("runtime folder: %w", err)
	}
	if err := unix.Flock(int(d.lock.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		return nil, fmt.Errorf("runtime folder: lock: %w", err)
	}
	return d, nil
}

func (d *instanceDir) close() {
	_ = os.RemoveAll(d.path)
	if d.lock != nil {
		_ = d.lock.Close()
	}
}

// checkPrivate refuses a folder in which somebody else could put a socket of theirs.
func checkPrivate(base string) error {
	info, err := os.Lstat(base)
	if err != nil {
		return fmt.Errorf("runtime folder: %w", err)
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	switch {
	case !info.IsDir():
		return fmt.Errorf("runtime folder %q is not a folder", base)
	case info.Mode().Perm()&0o022 != 0:
		return fmt.Errorf("runtime folder %q may be written by others (mode %#o), want 0700", base, info.Mode().Perm())
	case ok && int(st.Uid) != os.Getuid():
		return fmt.Errorf("runtime folder %q belongs to user %d, want %d", base, st.Uid, os.Getuid())
	}
	return nil
}

// sweep removes the folders of dead cores. What can't be removed is left to the next boot.
func sweep(base string) {
	entries, err := os.ReadDir(base)
	if err != nil {
		return
	}
	for _, e := range entries {
		path := filepath.Join(base, e.Name())
		if e.IsDir() && strings.HasPrefix(e.Name(), instancePrefix) && ownerDead(path) {
			_ = os.RemoveAll(path)
		}
	}
}

// ownerDead tells whether nobody holds the lock. A folder without one was left by a core that died before it had one.
func ownerDead(path string) bool {
	f, err := os.OpenFile(filepath.Join(path, lockName), os.O_RDWR, 0)
	if err != nil {
		return errors.Is(err, os.ErrNotExist)
	}
	defer func() { _ = f.Close() }()
	return unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB) == nil
}

// checkApart refuses two folders of which one lies in the other: nothing that the core writes may reach the modules.
func checkApart(store, runtimeDir string) error {
	a, errA := realPath(store)
	b, errB := realPath(runtimeDir)
	if err := errors.Join(errA, errB); err != nil {
		return err
	}
	if within(a, b) || within(b, a) {
		return fmt.Errorf("module store %q and runtime folder %q lie within each other", store, runtimeDir)
	}
	return nil
}

func within(path, dir string) bool {
	rel, err := filepath.Rel(dir, path)
	return err == nil && rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator))
}

// realPath resolves links of the part of path that exists.
func realPath(path string) (string, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return "", err
	}
	rest := ""
	for dir := abs; ; dir = filepath.Dir(dir) {
		if real, err := filepath.EvalSymlinks(dir); err == nil {
			return filepath.Join(real, rest), nil
		}
		if dir == filepath.Dir(dir) {
			return abs, nil
		}
		rest = filepath.Join(filepath.Base(dir), rest)
	}
}
