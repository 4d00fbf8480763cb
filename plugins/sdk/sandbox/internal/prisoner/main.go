//go:build linux

// Command prisoner is a module that tries to do what a module must not, each time it is asked to, and tells what came of it.
// The tests of the sandbox start it held and free: what it can do free and can't do held, the sandbox has refused.
package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest/echo"
	"golang.org/x/sys/unix"
)

func main() { sdk.Serve(echo.Module("prisoner", "1.0.0", sdk.KindPalette, answer)) }

// answer takes a deed and what to do it to, with a space between, and gives "done" or "refused: " and the error.
func answer(_ context.Context, in []byte) ([]byte, error) {
	deed, to, _ := strings.Cut(string(in), " ")
	do, ok := deeds[deed]
	if !ok {
		return nil, fmt.Errorf("no deed %q", deed)
	}
	if err := do(to); err != nil {
		return []byte("refused: " + err.Error()), nil
	}
	return []byte("done"), nil
}

// kept holds what was filled, so that it is not given back.
var kept [][]byte

var deeds = map[string]func(to string) error{
	"read": func(path string) error { _, err := os.ReadFile(path); return err },
	"list": func(path string) error { _, err := os.ReadDir(path); return err },
	"make": func(path string) error {
		f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY, 0o600)
		if err != nil {
			return err
		}
		return f.Close()
	},
	"truncate": func(path string) error { return os.Truncate(path, 0) },
	"emptied": func(path string) error { // opens for reading, and truncates all the same
		fd, err := unix.Open(path, unix.O_RDONLY|unix.O_TRUNC|unix.O_CLOEXEC, 0)
		if err != nil {
			return err
		}
		return unix.Close(fd)
	},
	"chmod":  func(path string) error { return os.Chmod(path, 0o640) },
	"touch":  func(path string) error { return os.Chtimes(path, time.Unix(1, 0), time.Unix(1, 0)) },
	"remove": os.Remove,
	"link":   func(path string) error { return os.Symlink("/etc", path) },
	"dial": func(to string) error { // network, space, address
		network, address, _ := strings.Cut(to, " ")
		c, err := net.DialTimeout(network, address, 2*time.Second)
		if err != nil {
			return err
		}
		return c.Close()
	},
	"listen": func(to string) error {
		network, address, _ := strings.Cut(to, " ")
		l, err := net.Listen(network, address)
		if err != nil {
			return err
		}
		return l.Close()
	},
	"socket": func(to string) error { // family and type, as numbers
		var family, kind int
		if _, err := fmt.Sscan(to, &family, &kind); err != nil {
			return err
		}
		fd, err := unix.Socket(family, kind, 0)
		if err != nil {
			return err
		}
		return unix.Close(fd)
	},
	"own-socket": func(string) error {
		folder := os.Getenv("PLUGIN_UNIX_SOCKET_DIR")
		l, err := net.Listen("unix", filepath.Join(folder, "second"))
		if err != nil {
			return err
		}
		return l.Close()
	},
	"own-file": func(string) error { // SIGXFSZ ends a Go program, so the limit is tried where no signal comes
		f, err := os.OpenFile(filepath.Join(os.Getenv("PLUGIN_UNIX_SOCKET_DIR"), "file"), os.O_CREATE|os.O_RDWR, 0o600)
		if err != nil {
			return err
		}
		return errors.Join(unix.Fallocate(int(f.Fd()), 0, 0, 1<<20), f.Close(), os.Remove(f.Name()))
	},
	"run": func(path string) error { // not by os/exec, which opens the null device first
		pid, err := syscall.ForkExec(path, []string{path}, &syscall.ProcAttr{})
		if err != nil {
			return err
		}
		_, err = unix.Wait4(pid, nil, 0, nil)
		return err
	},
	"exec": func(path string) error { return syscall.Exec(path, []string{path}, os.Environ()) },
	"exec-by-descriptor": func(path string) error {
		fd, err := unix.Open(path, unix.O_PATH|unix.O_CLOEXEC, 0)
		if err != nil {
			return err
		}
		argv, _ := syscall.SlicePtrFromStrings([]string{path})
		return execveat(fd, &argv[0])
	},
	"fork": func(string) error {
		pid, _, errno := unix.RawSyscall6(unix.SYS_CLONE, uintptr(unix.SIGCHLD), 0, 0, 0, 0, 0)
		if errno != 0 {
			return errno
		}
		if pid == 0 {
			for {
				unix.RawSyscall(unix.SYS_EXIT_GROUP, 0, 0, 0)
			}
		}
		_, err := unix.Wait4(int(pid), nil, 0, nil)
		return err
	},
	"clone3":   func(string) error { return call(unix.SYS_CLONE3, 0, 0, 0) },
	"signal":   func(pid string) error { return unix.Kill(number(pid), unix.SIGURG) },
	"trace":    func(pid string) error { return call(unix.SYS_PTRACE, unix.PTRACE_SEIZE, uintptr(number(pid)), 0) },
	"limits":   func(pid string) error { return unix.Prlimit(number(pid), unix.RLIMIT_CORE, nil, &unix.Rlimit{}) },
	"pidfd":    func(pid string) error { return closing(unix.PidfdOpen(number(pid), 0)) },
	"group":    func(pid string) error { return unix.Setpgid(0, number(pid)) },
	"orphan":   func(string) error { return unix.Prctl(unix.PR_SET_PDEATHSIG, 0, 0, 0, 0) },
	"memfd":    func(string) error { return closing(unix.MemfdCreate("x", unix.MFD_CLOEXEC)) },
	"shm":      func(string) error { return callOnly(unix.SYS_SHMGET, 0, 4096, unix.IPC_CREAT|0o600) },
	"inotify":  func(string) error { return closing(unix.InotifyInit1(unix.IN_CLOEXEC)) },
	"io_uring": func(string) error { return call(unix.SYS_IO_URING_SETUP, 1, 0, 0) },
	"unshare":  func(string) error { return unix.Unshare(unix.CLONE_FS) },
	"shared": func(mib string) error {
		b, err := unix.Mmap(-1, 0, number(mib)<<20, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_SHARED|unix.MAP_ANON)
		if err != nil {
			return err
		}
		return unix.Munmap(b)
	},
	"growing": func(mib string) error {
		b, err := unix.Mmap(-1, 0, number(mib)<<20, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_PRIVATE|unix.MAP_ANON|unix.MAP_GROWSDOWN)
		if err != nil {
			return err
		}
		return unix.Munmap(b)
	},
	"owner": func(pid string) error { // whom the kernel signals when something happens on the descriptor
		_, err := unix.FcntlInt(0, unix.F_SETOWN, number(pid))
		return err
	},
	"map": func(mib string) error {
		b, err := unix.Mmap(-1, 0, number(mib)<<20, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_PRIVATE|unix.MAP_ANON|unix.MAP_NORESERVE)
		if err != nil {
			return err
		}
		return unix.Munmap(b)
	},
	"fill": func(mib string) error {
		for range number(mib) {
			b := make([]byte, 1<<20)
			for i := 0; i < len(b); i += 4096 {
				b[i] = 1
			}
			kept = append(kept, b)
		}
		return nil
	},
	"capabilities": func(string) error {
		header := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
		var data [2]unix.CapUserData
		if err := unix.Capget(&header, &data[0]); err != nil {
			return err
		}
		if data[0].Effective|data[0].Permitted|data[1].Effective|data[1].Permitted == 0 {
			return errors.New("there are none")
		}
		return nil
	},
}

func number(text string) int {
	n, err := strconv.Atoi(text)
	if err != nil {
		return -1
	}
	return n
}

func closing(fd int, err error) error {
	if err != nil {
		return err
	}
	return unix.Close(fd)
}

// call makes a call whose arguments may well be wrong: that the kernel looks at them shows that nothing refused it before.
func call(n, a, b, c uintptr) error {
	err := callOnly(n, a, b, c)
	if errors.Is(err, unix.EINVAL) || errors.Is(err, unix.EFAULT) {
		return nil
	}
	return err
}

func callOnly(n, a, b, c uintptr) error {
	if _, _, errno := unix.Syscall(n, a, b, c); errno != 0 {
		return errno
	}
	return nil
}
